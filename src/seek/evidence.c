/* What speaks for a candidate beside the size of its residual.
 *
 * A number that drifts one way for the whole recording follows every other that does (a temperature
 * the time of day), and circular shifts do not show it. So reference and prediction are compared
 * once more after each is freed of a slow trend, a cubic of time: the true carrier keeps following.
 * For the same reason the changes from one value of the reference to the next are compared.
 *
 * A cousin leaves a residual with a cause (a turbine's speed against the engine's that of the
 * slip): it sticks together, and another reference explains a part of it. Rounding does neither. */
#include "seek/evidence.h"

#include <stdlib.h>

#define DEGREES 4u  /* of the trend's polynomial, and its constant */
#define FAR_OFF 4.0 /* root mean squares: a code or a slip */
#define LEAST   12u

struct series {
    size_t count;
    const double *x, *y; /* prediction and reference */
    const double *time;  /* from -1 to 1 */
    const int64_t *time_ns;
};

static double mean_of(const double *value, size_t count)
{
    double mean = 0;
    for (size_t i = 0; i < count; i++)
        mean += value[i];
    return count ? mean / (double)count : 0;
}

static double correlate(const double *x, const double *y, size_t count)
{
    double mx = mean_of(x, count), my = mean_of(y, count), xx = 0, yy = 0, xy = 0;
    for (size_t i = 0; i < count; i++) {
        xx += (x[i] - mx) * (x[i] - mx);
        yy += (y[i] - my) * (y[i] - my);
        xy += (x[i] - mx) * (y[i] - my);
    }
    return xx > 0 && yy > 0 ? xy / sqrt(xx * yy) : 0;
}

/* Powers of time made orthonormal on these samples, [degree][sample]. */
static void make_basis(const struct series *series, double *basis)
{
    size_t n = series->count;
    for (size_t d = 0; d < DEGREES; d++) {
        double *now = basis + d * n, size = 0;
        for (size_t i = 0; i < n; i++)
            now[i] = d ? basis[(d - 1) * n + i] * series->time[i] : 1;
        for (size_t e = 0; e < d; e++) {
            const double *other = basis + e * n;
            double part = 0;
            for (size_t i = 0; i < n; i++)
                part += now[i] * other[i];
            for (size_t i = 0; i < n; i++)
                now[i] -= part * other[i];
        }
        for (size_t i = 0; i < n; i++)
            size += now[i] * now[i];
        for (size_t i = 0; i < n; i++)
            now[i] = size > 1e-12 ? now[i] / sqrt(size) : 0;
    }
}

static void take_off(const double *basis, const double *value, size_t n, double *ret_left)
{
    memcpy(ret_left, value, n * sizeof *value);
    for (size_t d = 0; d < DEGREES; d++) {
        double part = 0;
        for (size_t i = 0; i < n; i++)
            part += ret_left[i] * basis[d * n + i];
        for (size_t i = 0; i < n; i++)
            ret_left[i] -= part * basis[d * n + i];
    }
}

static double spread_of(const double *value, size_t count)
{
    double squares = 0;
    for (size_t i = 0; i < count; i++)
        squares += value[i] * value[i];
    return count ? sqrt(squares / (double)count) : 0;
}

static void find_trend(const struct series *series, double *room, double quantum,
                       struct seek_evidence *evidence)
{
    size_t n = series->count;
    double *basis = room, *x = room + DEGREES * n, *y = x + n;
    make_basis(series, basis);
    take_off(basis, series->x, n, x);
    take_off(basis, series->y, n, y);
    evidence->free_r = correlate(x, y, n);
    evidence->free_steps = quantum > 0 ? spread_of(y, n) / quantum : 0;
    double memory_s = seek_memory_s(series->time_ns, y, n);
    double span_s = n ? (double)(series->time_ns[n - 1] - series->time_ns[0]) / NS_PER_S : 0;
    evidence->free_n = memory_s > 0 ? fmin(span_s / memory_s, (double)n) : 0;
}

static void find_changes(const struct series *series, double *room, struct seek_evidence *evidence)
{
    size_t n = series->count;
    double *x = room, *y = room + n;
    for (size_t i = 0; i + 1 < n; i++) {
        x[i] = series->x[i + 1] - series->x[i];
        y[i] = series->y[i + 1] - series->y[i];
    }
    evidence->changes_r = correlate(x, y, n - 1);
}

static double value_at(const struct seek_course *course, int64_t moment_ns, size_t *at)
{
    while (*at < course->count && course->time_ns[*at] <= moment_ns)
        ++*at;
    if (*at == 0 || *at == course->count)
        return course->value[*at ? *at - 1 : 0];
    int64_t before_ns = course->time_ns[*at - 1], span_ns = course->time_ns[*at] - before_ns;
    double part = span_ns > 0 ? (double)(moment_ns - before_ns) / (double)span_ns : 0;
    return course->value[*at - 1] + part * (course->value[*at] - course->value[*at - 1]);
}

static void find_explained(const struct seek_all *all, const struct seek_course *course,
                           const struct series *series, double *room,
                           struct seek_evidence *evidence)
{
    size_t n = series->count;
    double *residual = room, *other = room + n;
    for (size_t i = 0; i < n; i++)
        residual[i] = series->y[i] - series->x[i];
    double far = FAR_OFF * spread_of(residual, n);
    for (size_t i = 0; i < n; i++)
        residual[i] = fmin(fmax(residual[i], -far), far);
    evidence->sticks = n > 2 ? correlate(residual, residual + 1, n - 1) : 0;
    for (size_t k = 0; k < all->count; k++) {
        const struct seek_course *by = &all->found[k].course;
        size_t at = 0;
        if (by->count < LEAST || !(by->sd > 0) || by->reference->clock_unknown ||
            course->clock_found || strcmp(by->reference->target, course->reference->target) == 0)
            continue;
        for (size_t i = 0; i < n; i++)
            other[i] = value_at(by, series->time_ns[i], &at);
        double r = correlate(residual, other, n);
        evidence->explained = fmax(evidence->explained, r * r);
    }
}

bool seek_evidence_find(const struct seek_all *all, const struct seek_found *mine,
                        const struct seek_fit *fit, struct lt_arena *arena,
                        struct seek_evidence *ret_evidence)
{
    const struct seek_course *course = &mine->course;
    size_t most = course->count / course->every + 2;
    double *x = lt_arena_array(arena, most, sizeof *x), *y = lt_arena_array(arena, most, sizeof *y);
    double *time = lt_arena_array(arena, most, sizeof *time);
    int64_t *time_ns = lt_arena_array(arena, most, sizeof *time_ns);
    double *room = lt_arena_array(arena, (DEGREES + 2) * most, sizeof *room);
    if (!x || !y || !time || !time_ns || !room)
        return false;
    struct series series = {.x = x, .y = y, .time = time, .time_ns = time_ns};
    double half_s = fmax(course->span_s / 2, 1e-9);
    for (size_t i = 0; i * course->every < course->count; i++) {
        size_t k = i * course->every, n = series.count;
        double away = fit->predicted[i] - course->value[k];
        if (!isfinite(away) || fabs(away) > FAR_OFF * 2 * fit->rmse)
            continue;
        x[n] = fit->predicted[i];
        y[n] = course->value[k];
        time_ns[n] = course->time_ns[k];
        time[n] = (double)(course->time_ns[k] - course->time_ns[0]) / NS_PER_S / half_s - 1;
        series.count++;
    }
    *ret_evidence = (struct seek_evidence){.samples = series.count};
    if (series.count < LEAST)
        return true;
    find_trend(&series, room, course->quantum, ret_evidence);
    find_changes(&series, room, ret_evidence);
    find_explained(all, course, &series, room, ret_evidence);
    return true;
}
