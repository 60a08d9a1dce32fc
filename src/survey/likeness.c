/* Are two courses one quantity (groups.h)? Correlation finds candidates, the residual in quanta
 * decides, and chance is ruled out three times: by the correlation that this many independent
 * values can show by accident (n_eff after Bartlett, r_crit by Fisher's transformation), by
 * shifting one course in a circle, which keeps everything but the moment, and by refusing ramps:
 * two quantities that only rise are alike whatever they are, so with fewer than 8 independent
 * values only courses whose raw values are the same count. */
#include "survey/groups.h"

#include <math.h>
#include <stdlib.h>

#define SAMPLES       768u
#define COMMON_LEAST  48u
#define LAG_COARSE_NS INT64_C(60000000)
#define LAG_FINE_NS   INT64_C(8000000)
#define LAG_FINEST_NS INT64_C(1000000)
#define LAG_STEPS     9 /* each way: 0.54 s, then what lies between */
#define R_LEAST       0.9
#define WITHIN_MOST   2.0 /* quanta of the coarser */
#define FINE_LEAST    5.0 /* deviation over what is left, else "alike" says nothing */
#define N_EFF_LEAST   8.0
#define SHIFTS        128u
#define MEMORIES      5.0

double courses_grid_r(const struct course *x, const struct course *y, size_t shift)
{
    double n = 0, sx = 0, sy = 0, sxx = 0, syy = 0, sxy = 0;
    for (size_t i = 0; i < GRID_POINTS; i++) {
        double a = x->grid[i] - x->mean, b = y->grid[(i + shift) % GRID_POINTS] - y->mean;
        if (isnan(a + b))
            continue;
        n++;
        sx += a;
        sy += b;
        sxx += a * a;
        syy += b * b;
        sxy += a * b;
    }
    double vx = sxx - sx * sx / (n > 0 ? n : 1), vy = syy - sy * sy / (n > 0 ? n : 1);
    if (n < COMMON_LEAST || vx <= 0 || vy <= 0)
        return 0;
    return (sxy - sx * sy / n) / sqrt(vx * vy);
}

/* --- samples of both at the same times: those of y, the slower one; x is read between its rows,
 * so that its own rhythm leaves no steps --- */

struct sample {
    int64_t time_ns;
    double x, y, speed; /* of y, from row to row */
    size_t row;         /* of x, where it was found at the lag before; 0 at first */
};

struct samples {
    size_t count;
    struct sample at[SAMPLES];
};

static void take_samples(const struct course *y, struct samples *samples)
{
    size_t most = y->count > 2 ? y->count - 2 : 0;
    size_t wanted = most < SAMPLES ? most : SAMPLES;
    samples->count = 0;
    for (size_t i = 0; i < wanted; i++) {
        size_t row = 1 + i * most / wanted;
        double value = course_value(y, row);
        double speed = fabs(course_value(y, row + 1) - course_value(y, row - 1));
        if (!isnan(value) && !isnan(speed))
            samples->at[samples->count++] =
                (struct sample){.time_ns = y->time_ns[row], .y = value, .speed = speed};
    }
}

struct fit {
    size_t count;
    double r, scale, offset;
};

/* The line through both scatters alike (neither is the cause). `most`: residuals above it are left
 * out. */
static struct fit fit_line(const struct samples *samples, const struct fit *before, double most)
{
    double n = 0, mx = 0, my = 0, sxx = 0, syy = 0, sxy = 0;
    for (size_t i = 0; i < samples->count; i++) {
        const struct sample *s = &samples->at[i];
        if (isnan(s->x) || (before && fabs(s->y - before->scale * s->x - before->offset) > most))
            continue;
        n++;
        double dx = s->x - mx, dy = s->y - my;
        mx += dx / n;
        my += dy / n;
        sxx += dx * (s->x - mx);
        syy += dy * (s->y - my);
        sxy += dx * (s->y - my);
    }
    struct fit fit = {.count = (size_t)n};
    if (n < COMMON_LEAST || sxx <= 0 || syy <= 0)
        return fit;
    fit.r = sxy / sqrt(sxx * syy);
    fit.scale = sqrt(syy / sxx) * (sxy < 0 ? -1 : 1);
    fit.offset = my - fit.scale * mx;
    return fit;
}

static struct fit fit_at_lag(const struct course *x, int64_t lag_ns, struct samples *samples)
{
    size_t near = 0;
    for (size_t i = 0; i < samples->count; i++) {
        struct sample *sample = &samples->at[i];
        near = sample->row ? sample->row : near;
        sample->x = course_between(x, sample->time_ns - lag_ns, &near);
        sample->row = near;
    }
    return fit_line(samples, NULL, 0);
}

/* The best of 2 * steps + 1 lags around a middle. */
static struct fit scan_lags(const struct course *x, struct samples *samples, int64_t middle_ns,
                            int64_t step_ns, int steps, int64_t *ret_lag_ns)
{
    struct fit best = {.r = 0};
    for (int i = -steps; i <= steps; i++) {
        struct fit fit = fit_at_lag(x, middle_ns + i * step_ns, samples);
        if (fabs(fit.r) > fabs(best.r)) {
            best = fit;
            *ret_lag_ns = middle_ns + i * step_ns;
        }
    }
    return best;
}

/* y is `lag` behind x: y(t + lag) goes with x(t). */
static struct fit best_fit(const struct course *x, struct samples *samples, int64_t *ret_lag_ns)
{
    int64_t coarse_ns = 0, fine_ns = 0;
    struct fit fit = scan_lags(x, samples, 0, LAG_COARSE_NS, LAG_STEPS, &coarse_ns);
    if (fabs(fit.r) < R_LEAST)
        return fit;
    scan_lags(x, samples, coarse_ns, LAG_FINE_NS, LAG_STEPS, &fine_ns);
    return scan_lags(x, samples, fine_ns, LAG_FINEST_NS, LAG_STEPS, ret_lag_ns);
}

/* --- what is left --- */

static void swap(double *a, double *b)
{
    double kept = *a;
    *a = *b;
    *b = kept;
}

/* The value at `index` were the list in order; it is left half in order (Hoare, "Find", 1961). None
 * of the values is NaN. */
static double value_at_rank(double *list, size_t count, size_t index)
{
    size_t low = 0, high = count - 1;
    while (low < high) {
        double middle = list[low + (high - low) / 2];
        size_t i = low, k = high;
        for (;;) {
            while (list[i] < middle)
                i++;
            while (middle < list[k])
                k--;
            if (i >= k)
                break;
            swap(&list[i++], &list[k--]);
        }
        /* Up to k none is above `middle`, from k + 1 on none is below it. */
        if (index <= k)
            high = k;
        else
            low = k + 1;
    }
    return list[index];
}

/* A part of the residuals is smaller; of the slower half of the samples, or all. */
static double residual(const struct samples *samples, const struct fit *fit, double speed_most,
                       double part)
{
    double left[SAMPLES];
    size_t count = 0;
    for (size_t i = 0; i < samples->count; i++) {
        const struct sample *s = &samples->at[i];
        if (!isnan(s->x) && s->speed <= speed_most)
            left[count++] = fabs(s->y - fit->scale * s->x - fit->offset);
    }
    if (count == 0)
        return INFINITY;
    return value_at_rank(left, count, (size_t)(part * (double)(count - 1)));
}

static double middle_speed(const struct samples *samples)
{
    double speed[SAMPLES];
    for (size_t i = 0; i < samples->count; i++)
        speed[i] = samples->at[i].speed;
    return value_at_rank(speed, samples->count, samples->count / 2);
}

/* --- chance --- */

static double fisher(double r)
{
    double size = fabs(r) < 0.9999999 ? fabs(r) : 0.9999999;
    return atanh(size);
}

static double independent(const struct course *x, const struct course *y, double duration_s)
{
    double tx = x->memory_s, ty = y->memory_s;
    return tx > 0 && ty > 0 ? duration_s * (tx + ty) / (2 * tx * ty) : 0;
}

static bool beats_shifts(const struct course *x, const struct course *y, double r,
                         double duration_s)
{
    double memory_s = x->memory_s > y->memory_s ? x->memory_s : y->memory_s;
    size_t away = (size_t)(MEMORIES * memory_s / duration_s * GRID_POINTS) + 1;
    double most = 0, squares = 0;
    if (2 * away >= GRID_POINTS)
        return false;
    for (size_t i = 0; i < SHIFTS; i++) {
        size_t shift = away + i * (GRID_POINTS - 2 * away) / SHIFTS;
        double z = fisher(courses_grid_r(x, y, shift));
        most = z > most ? z : most;
        squares += z * z;
    }
    return fisher(r) > most + 3 * sqrt(squares / SHIFTS);
}

static bool is_no_accident(const struct course *x, const struct course *y, double duration_s,
                           size_t pairs, const struct likeness *likeness)
{
    bool same_raw = fabs(likeness->scale - 1) * x->span <= 1 && fabs(likeness->offset) <= 1 &&
                    x->span >= 12 && likeness->within <= 1;
    if (likeness->n_eff < N_EFF_LEAST)
        return same_raw;
    double z = sqrt(2 * log((double)pairs / 0.01));
    if (fisher(likeness->r) * sqrt(likeness->n_eff - 3) < z)
        return same_raw;
    return same_raw || beats_shifts(x, y, likeness->r, duration_s);
}

bool courses_alike(const struct course *x, const struct course *y, double duration_s, size_t pairs,
                   struct likeness *ret_likeness)
{
    struct samples samples;
    int64_t lag_ns = 0;
    take_samples(y, &samples);
    struct fit fit = best_fit(x, &samples, &lag_ns);
    if (fabs(fit.r) < R_LEAST)
        return false;
    fit_at_lag(x, lag_ns, &samples);
    double speed = middle_speed(&samples);
    double usual = residual(&samples, &fit, INFINITY, 0.5);
    double coarser = fabs(fit.scale) > 1 ? fabs(fit.scale) : 1;
    struct fit again = fit_line(&samples, &fit, 3 * usual + coarser);
    if (again.count < COMMON_LEAST)
        return false;
    coarser = fabs(again.scale) > 1 ? fabs(again.scale) : 1;
    struct likeness likeness = {
        .r = fit.r,
        .scale = again.scale,
        .offset = again.offset,
        .lag_s = (double)lag_ns / 1e9,
        .within = residual(&samples, &again, speed, 0.8) / coarser,
        .n_eff = independent(x, y, duration_s),
    };
    if (likeness.within > WITHIN_MOST ||
        y->deviation < FINE_LEAST * coarser * (likeness.within > 0.5 ? likeness.within : 0.5))
        return false;
    *ret_likeness = likeness;
    return is_no_accident(x, y, duration_s, pairs, &likeness);
}
