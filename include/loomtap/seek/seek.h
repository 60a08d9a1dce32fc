/* Finding the signal that follows a reference: the call and its result. */
#ifndef LOOMTAP_SEEK_SEEK_H
#define LOOMTAP_SEEK_SEEK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/arena.h"
#include "loomtap/base/error.h"
#include "loomtap/core/bits.h"
#include "loomtap/core/profile.h"
#include "loomtap/measure/collect.h"
#include "loomtap/seek/reference.h"

enum lt_seek_verdict {
    LT_SEEK_FOUND,
    LT_SEEK_AMBIGUOUS, /* candidates that decode to different values and that this capture cannot
                          tell apart */
    LT_SEEK_NOT_EXERCISED, /* the reference hardly moved, or too few independent excursions */
    LT_SEEK_NOT_ON_BUS,    /* it moved enough, and nothing follows it */
};
const char *lt_seek_verdict_name(enum lt_seek_verdict verdict);

struct lt_candidate_value { /* of labelled targets */
    uint64_t raw;
    const char *label;
    unsigned visits; /* how often the label was visited and the raw value was this */
};

struct lt_candidate {
    const struct lt_stream *stream;
    bool has_page;
    uint16_t page;
    struct lt_bits bits;
    enum lt_order order;
    enum lt_sign sign;
    enum lt_form form; /* LT_FORM_LINEAR, or RECIPROCAL where 1/x fits better */
    /* The part whose low end the regression's bit weights prove; bits below it are probable (carry,
     * neighbours, byte edge). Same top end as `bits`. */
    struct lt_bits proven_bits;
    double scale, offset;             /* physical = raw * scale + offset, in the reference's unit */
    double scale_error, offset_error; /* standard errors */
    bool snapped;                     /* both were set to a usual number within their errors */
    double lag_s;                     /* positive: the reference is behind the frame */
    double r;                         /* correlation at the best lag */
    double rmse;                      /* in the reference's unit */
    double
        steady_quanta; /* residual where the reference is slow, in steps of the coarser of both */
    double split_rmse; /* each half predicted by the fit of the other, over the reference's sd */
    double confidence; /* calibrated, 0..1 */
    unsigned group;    /* candidates that are the same quantity: copies and cousins */
    bool copy;         /* within its group: a true copy of the one ranked first */
    size_t value_count;
    const struct lt_candidate_value *values; /* of labelled targets */
    const char *why;
};

#define LT_CANDIDATES_MAX 32

struct lt_seek_target {
    const struct lt_reference *reference;
    double n_eff, r_needed;
    double null_r; /* the largest r among circular shifts, all windows (99th percentile) */
    enum lt_seek_verdict verdict;
    const char *say; /* for the person, with the manoeuvre that is missing */
    size_t count;
    const struct lt_candidate *candidates; /* best first */
};

struct lt_seek_options {
    /* Which streams may be candidates; NULL: all but those of diagnostics. */
    bool (*wants)(void *context, const struct lt_stream *stream);
    void *context;
    unsigned null_shifts; /* 0: 200 */
};

/* The collector must have kept its frames (lt_collect_options: kept_bytes, kept_each) and be
 * finished. Results live in `arena`, one element of ret_targets for each reference. */
enum lt_code lt_seek(const struct lt_collect *collect, const struct lt_reference *references,
                     size_t reference_count, const struct lt_seek_options *options,
                     struct lt_arena *arena, struct lt_seek_target **ret_targets,
                     struct lt_error *error);

#endif
