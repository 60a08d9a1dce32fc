/* A reference made ready for the search.
 *
 * Values are centred and made whole numbers of at most 30 bits, so that every sum over them is
 * exact. Its memory (the time after which the autocorrelation falls below 1/e) says how many
 * excursions there really were:
 *
 *     n_eff    = span / memory        both series alike; Bartlett, Journal of the Royal Statistical
 *                                     Society 98 (1935), for first-order processes
 *     r_needed = tanh(z / sqrt(n_eff - 3)), z = 4.4: one per cent over some 500 independent fields
 *                                     (Fisher's transformation) */
#include "seek/search.h"

#include <stdlib.h>

#define MOVED_STEPS  3.0 /* sd of a reference that moved, in its steps */
#define Z_NEEDED     4.4
#define N_EFF_SLOW   10.0
#define SPREAD_BINS  16u
#define COMPARED     512u /* samples, about */
#define LAGS_MAX     4096u
#define WHOLE_MOST   536870911.0 /* 2^29 - 1 on either side */
#define SLOW_CHANGES 0.25 /* of temperatures: rate in quanta a second below which they are slow */

static int by_value(const void *a, const void *b)
{
    double one = *(const double *)a, other = *(const double *)b;
    return (one > other) - (one < other);
}

/* Different values, and the smallest step between them that is not noise of printing. */
static double find_quantum(const double *value, size_t count, struct lt_arena *arena,
                           size_t *ret_levels)
{
    double *sorted = lt_arena_array(arena, count + 1, sizeof *sorted);
    double least = 0;
    *ret_levels = count ? 1 : 0;
    if (!sorted)
        return 0;
    memcpy(sorted, value, count * sizeof *sorted);
    qsort(sorted, count, sizeof *sorted, by_value);
    double range = count ? sorted[count - 1] - sorted[0] : 0;
    for (size_t i = 1; i < count; i++) {
        double step = sorted[i] - sorted[i - 1];
        if (step <= range * 1e-7)
            continue;
        ++*ret_levels;
        if (least == 0 || step < least)
            least = step;
    }
    return least;
}

/* Mean of (v(t) - mean)(v(t + lag) - mean) by index; polled references are near enough even. */
static double autocovariance(const double *value, size_t count, double mean, size_t lag)
{
    double sum = 0;
    for (size_t i = 0; i + lag < count; i++)
        sum += (value[i] - mean) * (value[i + lag] - mean);
    return sum / (double)(count - lag);
}

double seek_memory_s(const int64_t *time_ns, const double *value, size_t count)
{
    double mean = 0, before = 1;
    if (count < 4)
        return 0;
    double span_s = (double)(time_ns[count - 1] - time_ns[0]) / NS_PER_S;
    double step_s = span_s / (double)(count - 1);
    for (size_t i = 0; i < count; i++)
        mean += value[i] / (double)count;
    double variance = autocovariance(value, count, mean, 0);
    if (!(variance > 0) || !(step_s > 0))
        return span_s;
    for (size_t lag = 1; lag < count / 2 && lag < LAGS_MAX; lag++) {
        double now = autocovariance(value, count, mean, lag) / variance;
        if (now < exp(-1)) {
            double part = before > now ? (before - exp(-1)) / (before - now) : 1;
            return ((double)lag - 1 + part) * step_s;
        }
        before = now;
    }
    return span_s / 2;
}

static bool make_values(const struct lt_reference *reference, struct lt_arena *arena,
                        struct seek_course *course)
{
    int64_t *time_ns = lt_arena_array(arena, reference->count + 1, sizeof *time_ns);
    double *value = lt_arena_array(arena, reference->count + 1, sizeof *value);
    if (!time_ns || !value)
        return false;
    for (size_t i = 0; i < reference->count; i++)
        if (isfinite(reference->value[i])) {
            time_ns[course->count] = reference->time_ns[i];
            value[course->count++] = reference->value[i];
        }
    course->time_ns = time_ns;
    course->value = value;
    return true;
}

static bool make_whole(struct lt_arena *arena, struct seek_course *course)
{
    int32_t *whole = lt_arena_array(arena, course->count + 1, sizeof *whole);
    double sum = 0, squares = 0, far = 0;
    if (!whole)
        return false;
    for (size_t i = 0; i < course->count; i++)
        sum += course->value[i];
    course->mean = course->count ? sum / (double)course->count : 0;
    for (size_t i = 0; i < course->count; i++) {
        double away = fabs(course->value[i] - course->mean);
        squares += away * away;
        far = away > far ? away : far;
    }
    course->sd = course->count ? sqrt(squares / (double)course->count) : 0;
    course->unit = far > 0 ? far / WHOLE_MOST : 1;
    for (size_t i = 0; i < course->count; i++)
        whole[i] = (int32_t)llround((course->value[i] - course->mean) / course->unit);
    course->whole = whole;
    return true;
}

/* The exponential of the entropy over sixteenths of the range. */
static double find_spread(const double *value, size_t count)
{
    double low = INFINITY, high = -INFINITY, entropy = 0;
    size_t bins[SPREAD_BINS] = {0};
    for (size_t i = 0; i < count; i++) {
        low = fmin(low, value[i]);
        high = fmax(high, value[i]);
    }
    if (!(high > low))
        return 1;
    for (size_t i = 0; i < count; i++) {
        size_t bin = (size_t)((value[i] - low) / (high - low) * SPREAD_BINS);
        bins[bin < SPREAD_BINS ? bin : SPREAD_BINS - 1]++;
    }
    for (size_t bin = 0; bin < SPREAD_BINS; bin++) {
        double share = (double)bins[bin] / (double)count;
        entropy -= share > 0 ? share * log(share) : 0;
    }
    return exp(entropy);
}

static bool is_temperature(const struct lt_reference *reference)
{
    const char *unit = reference->role ? reference->role->unit : reference->unit;
    return unit && (strcmp(unit, "°C") == 0 || strcmp(unit, "K") == 0);
}

enum lt_code seek_course_make(const struct lt_reference *reference, struct lt_arena *arena,
                              struct seek_course *ret_course, struct lt_error *error)
{
    struct seek_course course = {.reference = reference,
                                 .lag_low_ns = reference->lag_low_ns,
                                 .lag_high_ns = reference->lag_high_ns};
    if (!make_values(reference, arena, &course) || !make_whole(arena, &course))
        return seek_no_memory(error);
    course.quantum = find_quantum(course.value, course.count, arena, &course.levels);
    if (reference->quantum > 0)
        course.quantum = reference->quantum;
    for (size_t i = 1; i < course.count; i++)
        course.changes += fabs(course.value[i] - course.value[i - 1]) > 1e-3 * course.quantum;
    if (course.count > 1)
        course.span_s = (double)(course.time_ns[course.count - 1] - course.time_ns[0]) / NS_PER_S;
    course.spread = find_spread(course.value, course.count);
    course.memory_s = seek_memory_s(course.time_ns, course.value, course.count);
    course.n_eff = course.memory_s > 0 ? course.span_s / course.memory_s : 0;
    if (course.n_eff > (double)course.count)
        course.n_eff = (double)course.count;
    course.r_needed = course.n_eff > 3 ? tanh(Z_NEEDED / sqrt(course.n_eff - 3)) : 1;
    course.slow = course.n_eff < N_EFF_SLOW || is_temperature(reference);
    course.every = course.count / COMPARED + 1;
    *ret_course = course;
    return LT_OK;
}

bool seek_was_exercised(const struct seek_course *course)
{
    if (course->count < SEEK_COUNT_LEAST || !(course->quantum > 0) ||
        (course->reference->clock_unknown && !course->clock_found))
        return false;
    if (course->slow)
        return course->levels >= SEEK_SLOW_LEVELS && course->changes >= SEEK_SLOW_LEVELS;
    return course->sd >= MOVED_STEPS * course->quantum && course->n_eff >= SEEK_N_EFF_LEAST;
}

void seek_rows(const struct seek_view *view, const struct seek_course *course, int64_t lag_ns,
               uint32_t *ret_rows)
{
    const struct lt_kept *kept = &view->kept;
    size_t at = 0; /* rows before it are not later than the moment */
    for (size_t i = 0; i < course->count; i++) {
        int64_t moment, age;
        ret_rows[i] = SEEK_NO_ROW;
        if (__builtin_sub_overflow(course->time_ns[i], lag_ns, &moment))
            continue;
        while (at < kept->count && kept->time_ns[at] <= moment)
            at++;
        if (at == 0 || __builtin_sub_overflow(moment, kept->time_ns[at - 1], &age))
            continue;
        if (view->codes && view->codes[at - 1])
            continue;
        if (age <= view->hold_ns && at - 1 < SEEK_NO_ROW)
            ret_rows[i] = (uint32_t)(at - 1);
    }
}

double seek_rate_at(const struct seek_course *course, size_t i)
{
    size_t before = i ? i - 1 : 0, after = i + 1 < course->count ? i + 1 : i;
    double span_s = (double)(course->time_ns[after] - course->time_ns[before]) / NS_PER_S;
    return span_s > 0 ? fabs(course->value[after] - course->value[before]) / span_s : 0;
}
