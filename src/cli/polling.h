/* Asking while recording: the questions go out in the same process, so that they and the replies
 * are in the recording; what the car is goes into the sheet. */
#ifndef LOOMTAP_SRC_CLI_POLLING_H
#define LOOMTAP_SRC_CLI_POLLING_H

#include "cli/asker.h"
#include "cli/questions.h"
#include "loomtap/live/record.h"

#define POLLING_FACTS_MAX 64

struct polling_wishes {
    const struct list *values; /* empty: nothing is asked */
    const struct list *roles;  /* asked for as well, those that a PID measures */
    const char *bus;           /* NULL: the first one recorded */
    bool vin, arm, cautions_read, quiet;
};

struct polling {
    bool on;
    struct asker asker;
    struct questions questions;
    struct lt_record_fact facts[POLLING_FACTS_MAX];
    size_t fact_count;
    char texts[POLLING_FACTS_MAX][48], who[POLLING_FACTS_MAX][12];
    struct lt_record_unanswered unanswered[LT_ASK_WANTED_MAX];
    char names[LT_ASK_WANTED_MAX][16];
    struct lt_record_polling sheet;
};

/* EXIT_USAGE, said: options that do not go together, values that are none. Touches no bus. */
int polling_take(struct polling *polling, const struct polling_wishes *wishes,
                 const struct list *buses);
/* The cautions, and the bus for sending; then polling_begin once listening has begun. */
int polling_open(struct polling *polling, const struct polling_wishes *wishes,
                 const struct list *buses);
int polling_begin(struct polling *polling);
void polling_free(struct polling *polling);

/* What lt_intake_take gave. True: the sheet has something new. */
bool polling_hear(struct polling *polling, enum lt_can_event event,
                  const struct lt_can_heard *heard);
/* For the sheet: as it is now; NULL where nothing is asked. */
const struct lt_record_polling *polling_sheet(struct polling *polling);

#endif
