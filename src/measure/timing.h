/* Gaps between frames, counted by size. */
#ifndef LOOMTAP_MEASURE_TIMING_INSIDE_H
#define LOOMTAP_MEASURE_TIMING_INSIDE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/arena.h"
#include "loomtap/measure/kept.h"
#include "loomtap/measure/timing.h"

/* Bins: one for what is below 2^10 ns, then 64 for each doubling, of which the last (4.9 hours)
 * takes all that is longer. A doubling's bins are allocated when a gap falls there. */
#define LT_GAP_OCTAVES     36u
#define LT_GAP_OCTAVE_BINS 64u

struct lt_timing_counts {
    uint64_t count, without_time;
    int64_t first_ns, last_ns; /* of the first and last frame with a time */
    int64_t shortest_ns, longest_ns;
    int64_t lowest_ns, highest_ns; /* of all frames up to the last step back or break */
    uint64_t backward_steps, gaps;
    bool timed; /* some frame had a time */
    bool begun; /* last_ns is the time of the frame before */
    /* The bin of the gap before, and the gaps that fall there: shifted so far they are this. */
    uint32_t *recent;
    uint64_t recent_start;
    unsigned recent_shift;
    uint32_t *octave[LT_GAP_OCTAVES];
};

void lt_timing_counts_release(struct lt_timing_counts *counts);
/* One frame; false without memory. LT_NO_TIME only counts. */
bool lt_timing_counts_add(struct lt_timing_counts *counts, int64_t time_ns);
/* The lowest and highest time of all, LT_NO_TIME where no frame has one. */
void lt_timing_counts_ends(const struct lt_timing_counts *counts, int64_t *ret_lowest_ns,
                           int64_t *ret_highest_ns);
/* The next frame follows no other. */
void lt_timing_counts_break(struct lt_timing_counts *counts);
/* The gap below which this share of all gaps lies, to the width of a bin (1.6 %); 0 without gaps.
 */
int64_t lt_timing_counts_quantile(const struct lt_timing_counts *counts, double share);
/* How many of the gaps lie from low_ns to high_ns, as a share; by the middles of the bins. */
double lt_timing_counts_share(const struct lt_timing_counts *counts, int64_t low_ns,
                              int64_t high_ns);
/* `into` += `from`, which comes after it. */
bool lt_timing_counts_merge(struct lt_timing_counts *into, const struct lt_timing_counts *from);

/* What the counts say. The period comes from the kept rows that follow each other, to the
 * nanosecond. `scratch` needs 8 bytes a row. */
enum lt_code lt_timing_work_out(const struct lt_timing_counts *counts, const struct lt_kept *kept,
                                struct lt_arena *scratch, struct lt_timing *ret_timing,
                                struct lt_error *error);

/* The median of `gaps` (which are put in another order) and whether most are near it: what makes a
 * stream or page cyclic. 0 and false for fewer than two. */
int64_t lt_gaps_period(int64_t *gaps_ns, size_t count, bool *ret_cyclic);

#endif
