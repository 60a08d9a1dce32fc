/* What a recording still lacks for the roles that are wanted, and leading the driver through it:
 * `record --for`. Numbers come from diagnostic replies, labels from the passenger's marks. */
#ifndef LOOMTAP_SRC_CLI_NEEDS_H
#define LOOMTAP_SRC_CLI_NEEDS_H

#include "cli/cmd.h"
#include "loomtap/core/frame.h"
#include "loomtap/core/profile.h"
#include "loomtap/core/role.h"
#include "loomtap/live/lead.h"
#include "loomtap/live/record.h"
#include "loomtap/seek/coverage.h"

#define NEEDS_MAX       16
#define NEEDS_MARKS_MAX 4096
#define NEEDS_LABELS    32
#define NEEDS_STEPS     (NEEDS_MAX + NEEDS_LABELS)

struct need {
    const struct lt_role *role;
    struct lt_coverage coverage;
    char said[200]; /* what was said of it last */
};

struct needs {
    size_t count;
    struct need need[NEEDS_MAX];
    bool lead, quiet;
    struct lt_profile *standard;
    struct lt_replies *replies;
    bool replies_failed;
    /* Labels that keys stand for, and marks so far. */
    const char *labels[NEEDS_LABELS];
    unsigned visits[NEEDS_LABELS];
    size_t label_count;
    int64_t mark_ns[NEEDS_MARKS_MAX];
    const char *mark[NEEDS_MARKS_MAX]; /* live as long as the program */
    size_t mark_count;
    int64_t first_ns, looked_ns, pause_ns;
    struct lt_lead leading;
    struct lt_record_need sheet[NEEDS_MAX];
};

struct needs_wishes {
    const struct list *roles; /* none: nothing is wanted */
    const char *const *labels;
    size_t label_count;
    bool marks, lead, quiet;
};

/* EXIT_USAGE, said: a name that is no role, a role that nothing here can measure. */
int needs_take(struct needs *needs, const struct needs_wishes *wishes);
void needs_free(struct needs *needs);

void needs_hear(struct needs *needs, const struct lt_frame *frame);
/* `label` must live on. */
void needs_mark(struct needs *needs, int64_t time_ns, const char *label);
/* To be called now and then: says what changed, reads out the next step. now_ns: the clock of the
 * frames; monotonic_ns: the one that does not step. */
void needs_look(struct needs *needs, int64_t now_ns, int64_t monotonic_ns);

/* Is there a role that only diagnostic replies can measure? */
bool needs_replies(const struct needs *needs);
size_t needs_enough(const struct needs *needs);
/* Says all that is still missing; how many roles that are. */
size_t needs_say_missing(struct needs *needs, int64_t now_ns);
/* For the sheet: `count` of them. */
const struct lt_record_need *needs_sheet(struct needs *needs);

#endif
