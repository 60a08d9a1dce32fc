/* Finding the signal that follows a reference: the call and its result.
 *
 * Every window of up to 32 bits of every frame and page, in both byte orders, unsigned and in two's
 * complement, is scored exactly at the reference's times over a grid of lags; the best ones have
 * their ends found, are fitted (scale, offset, lag, filter; 1/x where it fits better), and are
 * judged: by what they leave over, by usual scales, by the role's range and largest rate, and
 * against all other references of the call, since a number that follows another one better is that
 * one. So give all references that there are in one call.
 *
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
    /* Unsigned or two's complement; offset-binary where the offset is just half the range (the
     * offset is then what is left: mostly 0), sign and magnitude where that fits better. */
    enum lt_sign sign;
    enum lt_form form; /* LT_FORM_LINEAR, or RECIPROCAL where 1/x fits better */
    /* The part of `bits` whose low end is proven: the regression of the reference on all bits gives
     * each one down to there the weight that its place asks for, clear of its error. The bits below
     * are probable: they carry into the proven ones at the frames' own rate. */
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
    /* 0..1: the chance that it is the reference's own number with its scale and ends right. Its
     * weights were fitted on invented cars (see src/seek/odds.c); real cars may be harder. */
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
 * A reference with clock_unknown is held against the frames at every offset between clock_low_ns
 * and clock_high_ns; where that finds something, clock_s says the offset. Where a reference was
 * read from a signal of a profile, that place is left out: what is found are its copies.
 * LT_E_CONFLICT: a reference with labels, which is for lt_seek_marks. */
enum lt_code lt_seek(const struct lt_collect *collect, const struct lt_reference *references,
                     size_t reference_count, const struct lt_seek_options *options,
                     struct lt_arena *arena, struct lt_seek_target **ret_targets,
                     struct lt_error *error);

#endif
