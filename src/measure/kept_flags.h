/* Flags of kept rows that only this folder uses, beside those of loomtap/measure/kept.h, and what
 * "next to each other" means. */
#ifndef LOOMTAP_MEASURE_KEPT_FLAGS_H
#define LOOMTAP_MEASURE_KEPT_FLAGS_H

#include <stdbool.h>
#include <stdint.h>

#include "loomtap/measure/kept.h"

enum lt_kept_inside {
    /* The page's very next frame after the page's row above it, though rows of other pages between
     * them were thinned out. */
    LT_KEPT_PAGE_FOLLOWS = 1 << 4,
    LT_KEPT_RUN = 1 << 5,  /* a run begins here */
    LT_KEPT_RARE = 1 << 6, /* stays when its run is thinned out */
};

/* Without overflow, for any two times. */
static inline int64_t lt_gap_of(int64_t before_ns, int64_t after_ns)
{
    int64_t gap_ns;
    if (__builtin_sub_overflow(after_ns, before_ns, &gap_ns))
        return after_ns < before_ns ? INT64_MIN : INT64_MAX;
    return gap_ns;
}

/* At most 1.5 periods; any gap forward where there is no period. */
static inline bool lt_gap_is_next(int64_t gap_ns, int64_t period_ns)
{
    if (gap_ns < 0)
        return false;
    return period_ns == 0 || gap_ns - period_ns <= period_ns / 2;
}

#endif
