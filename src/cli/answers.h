/* Answers of a car as rows: decode's columns as csv or jsonl, or a table for people. */
#ifndef LOOMTAP_SRC_CLI_ANSWERS_H
#define LOOMTAP_SRC_CLI_ANSWERS_H

#include "cli/cmd.h"
#include "loomtap/base/sink.h"
#include "loomtap/core/plan.h"
#include "loomtap/live/ask.h"

enum answers_form { ANSWERS_TABLE, ANSWERS_CSV, ANSWERS_JSONL };

struct answers {
    enum answers_form form;
    struct lt_sink *sink;
    const char *bus;
    const struct lt_profile *standard;
    struct lt_plan *plan;
    int64_t began_ns; /* table: times count from here */
};

bool answers_form_of(const char *name, enum answers_form *ret_form);
/* EXIT_SYSTEM, said. `bus` is named in the rows. */
int answers_begin(struct answers *answers, enum answers_form form, struct lt_sink *sink,
                  const char *bus, const struct lt_profile *standard);
void answers_free(struct answers *answers);
void answers_put(struct answers *answers, const struct lt_obd_reply *reply);
/* A value that did not come, and why. */
void answers_put_outcome(struct answers *answers, const struct lt_ask_outcome *outcome,
                         int64_t time_ns);
/* "unsupported", "locked", "refused", "no answer", "answered" */
const char *answers_word(enum lt_obd_answer answer);

/* A value of service 09 as text: its n-th item (a 17-character number, 16-character calibration
 * ids, 4-byte check numbers, 20-character names; SAE J1979). False past the last. */
bool answers_text(const struct lt_obd_item *item, size_t n, char room[48]);

#endif
