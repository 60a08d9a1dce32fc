/* Words that all outputs of a survey share. */
#ifndef LOOMTAP_SRC_SURVEY_WORDS_H
#define LOOMTAP_SRC_SURVEY_WORDS_H

#include "loomtap/survey/survey.h"

const char *survey_change_word(enum lt_change_kind kind); /* "only here", ... */
const char *survey_confidence_word(double confidence);    /* "sure", "likely" ... */

/* "0C4", "18FEF100". */
#define SURVEY_ID_ROOM 12
void survey_print_id(char ret_text[SURVEY_ID_ROOM], const struct lt_stream_key *key);

/* A number with just these decimals; "-" where it is none. Returns the length. */
#define SURVEY_NUMBER_ROOM 32
size_t survey_print_fixed(char ret_text[SURVEY_NUMBER_ROOM], double value, unsigned decimals);

/* A length of time for people: "10 ms", "1.25 s", "83.3 us". */
#define SURVEY_TIME_ROOM 40
void survey_print_time(char ret_text[SURVEY_TIME_ROOM], int64_t ns);

/* "every 10 ms +-0.1 ms, 3 lost". */
#define SURVEY_TIMING_ROOM 200
void survey_print_timing(char ret_text[SURVEY_TIMING_ROOM], const struct lt_timing *timing);

/* "e2e-p1 over 1..7 in 0 ...", as a profile says it; "made with a key" where authenticated. */
void survey_print_check(char *ret_text, size_t size, const struct lt_check_found *check);

#endif
