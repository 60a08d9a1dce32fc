/* What the page shows and the search does not keep: a candidate's course, its value beside each
 * value of the reference, and how well both agree at other lags. From the kept frames. */
#ifndef LOOMTAP_SRC_SEEK_PAIRS_H
#define LOOMTAP_SRC_SEEK_PAIRS_H

#include "loomtap/seek/seek.h"

/* The candidate at each frame of its own page. `raw` as the sign reads it, `value` in the
 * reference's unit; NaN for the code "not available". */
struct seek_trace {
    size_t count;
    const int64_t *time_ns;
    const double *raw, *value;
    int64_t hold_ns; /* a frame says nothing for longer than this */
};
/* False: out of memory. `labels`: the value is the raw value. */
bool seek_trace_make(const struct lt_candidate *candidate, bool labels, struct lt_arena *arena,
                     struct seek_trace *ret_trace);

/* One element for each value of the reference that has a frame `lag` before it. */
struct seek_pairs {
    size_t count;
    const int64_t *time_ns; /* of the reference */
    const double *raw, *value, *reference;
};
bool seek_pairs_make(const struct seek_trace *trace, const struct lt_reference *reference,
                     double lag_s, struct lt_arena *arena, struct seek_pairs *ret_pairs);

/* Correlation over the lag, from at most some thousand of the reference's values. NaN where the two
 * do not meet. */
#define SEEK_LAGS 81
struct seek_lags {
    double lag_s[SEEK_LAGS], r[SEEK_LAGS];
};
bool seek_lags_make(const struct seek_trace *trace, const struct lt_reference *reference,
                    bool reciprocal, double around_s, struct seek_lags *ret_lags);

#endif
