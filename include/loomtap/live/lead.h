/* Leading through a drive: which step is read out next. A machine without a clock; the steps are
 * the caller's, who also knows which of them are done already. */
#ifndef LOOMTAP_LIVE_LEAD_H
#define LOOMTAP_LIVE_LEAD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct lt_lead_step {
    int64_t length_ns; /* how long it takes */
    bool done;         /* what it is for is recorded */
};

struct lt_lead {
    bool begun, ended;
    size_t at;
    int64_t until_ns;
};

#define LT_LEAD_SAME SIZE_MAX       /* the same step goes on */
#define LT_LEAD_END  (SIZE_MAX - 1) /* nothing is left; said once */

/* The step that begins now: the next one in turn that is not done, when the time of the one before
 * is over. `lead` starts as zeros. What was ended goes on when a step is undone. */
size_t lt_lead_next(struct lt_lead *lead, const struct lt_lead_step *steps, size_t count,
                    int64_t now_ns);

#endif
