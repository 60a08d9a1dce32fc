/* Finding the signal that follows a reference: the call and its result.
 *
 * lt_seek is a first version, and no command uses it. What it does not do yet:
 *   - search the offset between two clocks (see lt_seek);
 *   - leave out the place that a profile's signal was read from (lt_reference_is_source);
 *   - prove the low end of a field (`proven_bits`), read offset-binary or sign-magnitude;
 *   - hold candidates against a role's largest rate, only against its range;
 *   - calibrate `confidence`.
 * lt_seek_marks (marks.h) gives the same result for labels; it says itself what it fills in. */
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
    enum lt_sign sign; /* unsigned or two's complement */
    enum lt_form form; /* LT_FORM_LINEAR, or RECIPROCAL where 1/x fits better */
    /* Meant for the part whose low end is proven by the weights of its bits. Nothing proves it yet:
     * the same as `bits`. */
    struct lt_bits proven_bits;
    /* physical = raw * scale + offset in the reference's unit; with RECIPROCAL that is 1 /
     * physical. The standard errors are those of the fit, before anything was snapped. */
    double scale, offset;
    double scale_error, offset_error;
    bool snapped; /* both were set to a usual number within their errors */
    double lag_s; /* positive: the reference is behind the frame; a filter's delay is in it */
    double r;     /* correlation at the best lag */
    double rmse;  /* in the reference's unit */
    double
        steady_quanta; /* residual where the reference is slow, in steps of the coarser of both */
    double split_rmse; /* each half predicted by the fit of the other, over the reference's sd */
    /* 0..1. Of lt_seek a ranking only: its weights were set by hand on invented cars, and nobody
     * has counted yet how often a claim of 0.95 holds. */
    double confidence;
    unsigned group; /* candidates that are the same quantity: copies and cousins */
    bool copy;      /* within its group: a true copy of the one ranked first */
    size_t value_count;
    const struct lt_candidate_value *values; /* of labelled targets */
    const char *why;
};

#define LT_CANDIDATES_MAX 32

struct lt_seek_target {
    const struct lt_reference *reference;
    double n_eff, r_needed;
    /* The largest r over all windows among circular shifts of the reference (99th percentile), from
     * at most 256 samples at the middle lag. 0 where it was not looked for: slow references, for
     * which r says nothing, and labels. */
    double null_r;
    enum lt_seek_verdict verdict;
    const char *say; /* for the person, with the manoeuvre that is missing */
    size_t count;
    const struct lt_candidate *candidates; /* best first */
    /* Of a reference with clock_unknown: its clock minus the capture's, as the search found it. The
     * lags of its candidates are beside it. */
    bool clock_found;
    double clock_s;
};

struct lt_seek_options {
    /* Which streams may be candidates; NULL: all but those of diagnostics. */
    bool (*wants)(void *context, const struct lt_stream *stream);
    void *context;
    unsigned null_shifts; /* 0: 200 */
};

/* The collector must have kept its frames (lt_collect_options: kept_bytes, kept_each) and be
 * finished. Results live in `arena`, one element of ret_targets for each reference; they point into
 * `references` and the collector's streams.
 *
 * Times are taken as they are. A reference with clock_unknown is not compared at all: it is
 * answered NOT_EXERCISED, and `say` tells why (lt_reference_move takes an offset that is known). A
 * reference from a profile finds itself: the caller leaves its stream out by `wants`, or drops
 * candidates by lt_reference_is_source. LT_E_CONFLICT: a reference with labels, which is for
 * lt_seek_marks. */
enum lt_code lt_seek(const struct lt_collect *collect, const struct lt_reference *references,
                     size_t reference_count, const struct lt_seek_options *options,
                     struct lt_arena *arena, struct lt_seek_target **ret_targets,
                     struct lt_error *error);

#endif
