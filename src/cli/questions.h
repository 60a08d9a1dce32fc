/* What to ask a car for, as words of a command line: PIDs, roles, services with numbers. */
#ifndef LOOMTAP_SRC_CLI_QUESTIONS_H
#define LOOMTAP_SRC_CLI_QUESTIONS_H

#include "cli/cmd.h"
#include "loomtap/core/profile.h"
#include "loomtap/live/ask.h"

/* What a word can be, for --help and the manuals. */
#define QUESTION_WORDS                                                                             \
    "A value is a PID of service 01 (0C), a service and a number (09:02, 22:F40C, 02:0C, 0A:), "   \
    "a\n"                                                                                          \
    "role (engine_speed, load, lambda), or one of: codes, pending_codes, permanent_codes, vin,\n"  \
    "calibration_ids, check_numbers, controller_names. Services other than 01, 02, 03, 07, 09, "   \
    "0A\n"                                                                                         \
    "and 22 are never asked for.\n"

struct questions {
    struct lt_profile *standard; /* the built-in definitions of service 01 */
    struct lt_ask_wanted wanted[LT_ASK_WANTED_MAX];
    size_t word[LT_ASK_WANTED_MAX]; /* the word that each is of: any of them will do */
    size_t count, word_count;
};

/* EXIT_USAGE, said: a word that is none, too many. To be freed in any case. */
int questions_take(struct questions *questions, const char *command, const struct list *words);
void questions_free(struct questions *questions);
/* Another one, beside what was asked for by words. False: too many. */
bool questions_add(struct questions *questions, uint8_t service, uint32_t number);

/* The definition behind an answered number: of service 01, also for F4xx of service 22 and for 02;
 * NULL where there is none. */
const struct lt_parameter_def *questions_parameter(const struct lt_profile *standard,
                                                   uint8_t service, uint32_t number);
/* "01 0C", "22 F40C", "03" */
const char *question_text(uint8_t service, uint32_t number, char room[16]);
/* What it is, for people and for programs: the signal of a PID, "vin", "stored_code"; where nothing
 * is known "data_22_f190". */
const char *question_name(const struct lt_profile *standard, uint8_t service, uint32_t number,
                          char room[24]);

#endif
