/* Words that all outputs of a survey share. */
#ifndef LOOMTAP_SRC_SURVEY_WORDS_H
#define LOOMTAP_SRC_SURVEY_WORDS_H

#include "loomtap/report/figures.h"
#include "loomtap/survey/survey.h"

const char *survey_change_word(enum lt_change_kind kind); /* "only here", ... */

/* "every 10 ms +-0.1 ms, 3 lost". */
#define SURVEY_TIMING_ROOM 200
void survey_print_timing(char ret_text[SURVEY_TIMING_ROOM], const struct lt_timing *timing);

/* "e2e-p1 over 1..7 in 0 ...", as a profile says it; "made with a key" where authenticated. */
void survey_print_check(char *ret_text, size_t size, const struct lt_check_found *check);

#endif
