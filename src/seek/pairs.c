/* A candidate beside its reference, for the page (pairs.h). The search looks at every value; here a
 * person looks, so the lag curve takes every n-th. */
#include "seek/pairs.h"

#include <math.h>

#include "loomtap/core/value.h"
#include "seek/search.h"

#define HOLD_PERIODS  4
#define HOLD_LEAST_NS INT64_C(100000000)
#define HOLD_MOST_NS  INT64_C(1000000000) /* of frames without a period that were thinned out */
#define LAG_SAMPLES   2000u
#define LAG_WIDE_S    0.6

/* --- the candidate's course --- */

static int64_t hold_of(const struct lt_candidate *candidate)
{
    const struct lt_stream *stream = candidate->stream;
    int64_t period_ns =
        stream->timing.cyclic && !stream->timing.pauses ? stream->timing.period_ns : 0;
    for (size_t i = 0; candidate->has_page && i < stream->page_count; i++)
        if (stream->pages[i].value == candidate->page)
            period_ns = stream->pages[i].period_ns;
    if (period_ns > 0)
        return period_ns * HOLD_PERIODS > HOLD_LEAST_NS ? period_ns * HOLD_PERIODS : HOLD_LEAST_NS;
    return stream->kept.whole ? INT64_MAX : HOLD_MOST_NS;
}

static double raw_of(const struct lt_candidate *candidate, bool labels, const uint8_t *row)
{
    unsigned length = lt_bits_length(&candidate->bits);
    uint64_t raw = lt_bits_get(row, &candidate->bits);
    uint64_t ones = length < 64 ? ((uint64_t)1 << length) - 1 : UINT64_MAX;
    if (!labels && candidate->sign == LT_UNSIGNED && length >= SEEK_CODE_BITS && raw == ones)
        return NAN;
    return (double)lt_raw_signed(candidate->sign, length, raw);
}

static double value_of(const struct lt_candidate *candidate, bool labels, double raw)
{
    double value = raw * candidate->scale + candidate->offset;
    if (labels)
        return raw;
    return candidate->form == LT_FORM_RECIPROCAL ? 1 / value : value;
}

bool seek_trace_make(const struct lt_candidate *candidate, bool labels, struct lt_arena *arena,
                     struct seek_trace *ret_trace)
{
    const struct lt_stream *stream = candidate->stream;
    const struct lt_kept *kept = &stream->kept;
    int64_t *time_ns = lt_arena_array(arena, kept->count + 1, sizeof *time_ns);
    double *raw = lt_arena_array(arena, kept->count + 1, sizeof *raw);
    double *value = lt_arena_array(arena, kept->count + 1, sizeof *value);
    struct seek_trace trace = {
        .time_ns = time_ns, .raw = raw, .value = value, .hold_ns = hold_of(candidate)};
    if (!time_ns || !raw || !value)
        return false;
    for (size_t i = 0; i < kept->count; i++) {
        const uint8_t *row = lt_kept_row(kept, i);
        if (candidate->has_page && lt_bits_get(row, &stream->selector.bits) != candidate->page)
            continue;
        time_ns[trace.count] = kept->time_ns[i];
        raw[trace.count] = raw_of(candidate, labels, row);
        value[trace.count] = value_of(candidate, labels, raw[trace.count]);
        trace.count++;
    }
    *ret_trace = trace;
    return true;
}

/* --- beside the reference --- */

/* The row that was last sent at `moment_ns`, or SIZE_MAX; *at walks along. */
static size_t row_at(const struct seek_trace *trace, int64_t moment_ns, size_t *at)
{
    while (*at < trace->count && trace->time_ns[*at] <= moment_ns)
        ++*at;
    if (*at == 0 || moment_ns - trace->time_ns[*at - 1] > trace->hold_ns)
        return SIZE_MAX;
    return *at - 1;
}

bool seek_pairs_make(const struct seek_trace *trace, const struct lt_reference *reference,
                     double lag_s, struct lt_arena *arena, struct seek_pairs *ret_pairs)
{
    int64_t *time_ns = lt_arena_array(arena, reference->count + 1, sizeof *time_ns);
    double *raw = lt_arena_array(arena, reference->count + 1, sizeof *raw);
    double *value = lt_arena_array(arena, reference->count + 1, sizeof *value);
    double *wanted = lt_arena_array(arena, reference->count + 1, sizeof *wanted);
    struct seek_pairs pairs = {.time_ns = time_ns, .raw = raw, .value = value, .reference = wanted};
    int64_t lag_ns = isfinite(lag_s) ? llround(lag_s * 1e9) : 0;
    size_t at = 0;
    if (!time_ns || !raw || !value || !wanted)
        return false;
    for (size_t i = 0; i < reference->count; i++) {
        size_t row = row_at(trace, reference->time_ns[i] - lag_ns, &at);
        if (row == SIZE_MAX || !isfinite(trace->value[row]))
            continue;
        time_ns[pairs.count] = reference->time_ns[i];
        raw[pairs.count] = trace->raw[row];
        value[pairs.count] = trace->value[row];
        wanted[pairs.count++] = reference->value[i];
    }
    *ret_pairs = pairs;
    return true;
}

/* --- over the lag --- */

static double correlate(const struct seek_trace *trace, const struct lt_reference *reference,
                        bool reciprocal, int64_t lag_ns)
{
    double n = 0, mx = 0, my = 0, xx = 0, yy = 0, xy = 0;
    size_t every = reference->count / LAG_SAMPLES + 1, at = 0;
    for (size_t i = 0; i < reference->count; i += every) {
        size_t row = row_at(trace, reference->time_ns[i] - lag_ns, &at);
        double y = reciprocal ? 1 / reference->value[i] : reference->value[i];
        if (row == SIZE_MAX || !isfinite(trace->raw[row]) || !isfinite(y))
            continue;
        double dx = trace->raw[row] - mx, dy = y - my;
        n++;
        mx += dx / n;
        my += dy / n;
        xx += dx * (trace->raw[row] - mx);
        yy += dy * (y - my);
        xy += dx * (y - my);
    }
    return n > 2 && xx > 0 && yy > 0 ? fabs(xy / sqrt(xx * yy)) : NAN;
}

bool seek_lags_make(const struct seek_trace *trace, const struct lt_reference *reference,
                    bool reciprocal, double around_s, struct seek_lags *ret_lags)
{
    double low = fmin((double)reference->lag_low_ns / 1e9, around_s - LAG_WIDE_S);
    double high = fmax((double)reference->lag_high_ns / 1e9, around_s + LAG_WIDE_S);
    bool any = false;
    for (unsigned i = 0; i < SEEK_LAGS; i++) {
        ret_lags->lag_s[i] = low + (high - low) * i / (SEEK_LAGS - 1);
        ret_lags->r[i] = correlate(trace, reference, reciprocal, llround(ret_lags->lag_s[i] * 1e9));
        any |= isfinite(ret_lags->r[i]);
    }
    return any;
}
