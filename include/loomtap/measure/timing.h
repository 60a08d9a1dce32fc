/* When the frames of a stream come. One pass, constant memory, mergeable. */
#ifndef LOOMTAP_MEASURE_TIMING_H
#define LOOMTAP_MEASURE_TIMING_H

#include <stdbool.h>
#include <stdint.h>

struct lt_timing_counts; /* gaps by size; part of the collector's stream */

struct lt_timing {
    uint64_t count;
    int64_t first_ns, last_ns;
    int64_t period_ns; /* the median gap; 0 with fewer than 3 frames */
    int64_t jitter_ns; /* median distance from the period, of the gaps that are no losses */
    int64_t shortest_ns, longest_ns;
    bool cyclic;              /* most gaps are one period */
    bool extra_on_change;     /* cyclic, with frames between: the sender also sends on a change */
    uint64_t gaps;            /* places where frames seem lost: about k periods, k = 2..20 */
    uint64_t lost;            /* frames that would have come there */
    uint64_t pauses;          /* longer silences: the sender stopped */
    int64_t pause_longest_ns; /* 0 without */
    uint64_t backward_steps;  /* time below that of the frame before it; not counted as gaps */
};

#endif
