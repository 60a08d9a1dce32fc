/* Does one series follow another: lag, slope, level, and how many samples are independent.
 *
 * A controller answers diagnostics with a value that it filters and that is some time old. So the
 * lag (and a first-order filter) is sought that leaves the smallest residual; slope and level come
 * from there, with little weight where the signal moves fast, since there an error of the lag is
 * all that is seen. What reads at the reference's very end while the signal is beyond it (a lambda
 * of 2 on overrun, 255 kPa) is left out, and so is the signal at the end of its field.
 *
 *     n_eff = n / (1 + 2 sum r_x(k) r_y(k))      Bartlett, Journal of the Royal Statistical Society
 *                                                98 (1935) */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "prove/inside.h"

#define SEARCH_MOST 500u /* pairs used to find the lag */
#define PAIRS_MOST  20000u
#define LAG_LOW_NS  (-300000000)
#define LAG_HIGH_NS 1200000000
#define COARSE_NS   100000000
#define FINE_NS     20000000
#define STEADY_NS   100000000
#define END_PART    0.01
#define END_LEAST   3 /* values at the reference's end, before that is one of the sensor */

static const double filters_s[] = {0, 0.1, 0.25, 0.5};

struct work {
    const struct samples *signal;
    struct samples filtered;
    size_t count;
    int64_t *time_ns;
    double *y, *x, *weight;
    size_t *near; /* of each pair: the sample behind it at the lag before, from where the next is
                     sought */
    double low, high;
    double field_low, field_high; /* what the signal's field can carry */
    bool has_low_end, has_high_end;
    double steady; /* change in a tenth of a second that halves the weight */
};

struct line {
    double n, a, b, r, rss, mx, my;
};

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static void filter(struct work *work, double tau_s, int64_t hold_ns)
{
    const struct samples *in = work->signal;
    double state = 0;
    if (tau_s <= 0) {
        memcpy(work->filtered.value, in->value, in->count * sizeof *in->value);
        return;
    }
    for (size_t i = 0; i < in->count; i++) {
        int64_t gap_ns = i ? gap_between(in->time_ns[i - 1], in->time_ns[i]) : INT64_MAX;
        if (gap_ns > hold_ns) {
            state = in->value[i];
        } else {
            /* x / (1 + x) instead of 1 - exp(-x): a filter like any other, and quick. */
            double x = (double)gap_ns / (double)NS_PER_S / tau_s;
            state += x / (1 + x) * (in->value[i] - state);
        }
        work->filtered.value[i] = state;
    }
}

/* Step by step from where it was at another lag; the first time from *at on. */
static double samples_near(const struct samples *samples, int64_t time_ns, int64_t hold_ns,
                           size_t *near, size_t *at)
{
    if (*near) {
        while (*near > 0 && samples->time_ns[*near - 1] > time_ns)
            --*near;
        return samples_at(samples, time_ns, hold_ns, near);
    }
    double value = samples_at(samples, time_ns, hold_ns, at);
    *near = *at;
    return value;
}

/* `weigh`: little weight where the signal moves fast. */
static void pair_up(struct work *work, int64_t lag_ns, int64_t hold_ns, size_t every, bool weigh)
{
    size_t at = 0, before = 0, after = 0;
    for (size_t i = 0; i < work->count; i++) {
        int64_t moment = work->time_ns[i] - lag_ns;
        work->x[i] = NAN;
        work->weight[i] = 0;
        if (i % every)
            continue;
        work->x[i] = samples_near(&work->filtered, moment, hold_ns, &work->near[i], &at);
        bool ended = (work->has_high_end && work->y[i] >= work->high && work->x[i] > work->high) ||
                     (work->has_low_end && work->y[i] <= work->low && work->x[i] < work->low) ||
                     (work->x[i] >= work->field_high && work->y[i] > work->x[i]) ||
                     (work->x[i] <= work->field_low && work->y[i] < work->x[i]);
        if (!isfinite(work->x[i]) || ended)
            continue;
        work->weight[i] = 1;
        if (!weigh)
            continue;
        double x0 = samples_at(&work->filtered, moment - STEADY_NS / 2, hold_ns, &before);
        double x1 = samples_at(&work->filtered, moment + STEADY_NS / 2, hold_ns, &after);
        double moved = isfinite(x0) && isfinite(x1) ? (x1 - x0) / work->steady : 1;
        work->weight[i] = 1 / (1 + moved * moved);
    }
}

static struct line regress(const struct work *work)
{
    struct line line = {0};
    double sxx = 0, syy = 0, sxy = 0;
    for (size_t i = 0; i < work->count; i++) {
        double w = work->weight[i];
        if (!(w > 0))
            continue;
        line.n += w;
        double dx = work->x[i] - line.mx, dy = work->y[i] - line.my;
        line.mx += dx * w / line.n;
        line.my += dy * w / line.n;
        sxx += w * dx * (work->x[i] - line.mx);
        syy += w * dy * (work->y[i] - line.my);
        sxy += w * dx * (work->y[i] - line.my);
    }
    line.a = sxx > 0 ? sxy / sxx : 0;
    line.b = line.my - line.a * line.mx;
    line.r = sxx > 0 && syy > 0 ? sxy / sqrt(sxx * syy) : 0;
    line.rss = syy - line.a * sxy > 0 ? syy - line.a * sxy : 0;
    return line;
}

static double residual(const struct line *line)
{
    return line->n > 0 ? line->rss / line->n : INFINITY;
}

struct best {
    double residual, most;
    int64_t lag_ns;
    double tau_s;
};

static void try_lags(struct work *work, int64_t from_ns, int64_t to_ns, int64_t step_ns,
                     double tau_s, int64_t hold_ns, struct best *best)
{
    size_t every = work->count / SEARCH_MOST + 1;
    filter(work, tau_s, hold_ns);
    for (int64_t lag_ns = from_ns; lag_ns <= to_ns; lag_ns += step_ns) {
        pair_up(work, lag_ns, hold_ns, every, false);
        struct line line = regress(work);
        best->most = line.n > best->most ? line.n : best->most;
        if (line.n < best->most / 2 || !(residual(&line) < best->residual * 0.999))
            continue;
        best->residual = residual(&line);
        best->lag_ns = lag_ns;
        best->tau_s = tau_s;
    }
}

/* The lag and filter that leave the smallest residual: roughly, then around the best. */
static struct best search(struct work *work, int64_t hold_ns)
{
    struct best best = {.residual = INFINITY};
    for (size_t f = 0; f < sizeof filters_s / sizeof *filters_s; f++)
        try_lags(work, LAG_LOW_NS, LAG_HIGH_NS, COARSE_NS, filters_s[f], hold_ns, &best);
    try_lags(work, best.lag_ns - COARSE_NS + FINE_NS, best.lag_ns + COARSE_NS - FINE_NS, FINE_NS,
             best.tau_s, hold_ns, &best);
    return best;
}

/* Far-off pairs (a wheel that spun, a value asked in the middle of a shift) are left out once. */
static void drop_far(struct work *work, const struct line *line, double least)
{
    size_t count = 0;
    double *sizes = malloc(work->count * sizeof *sizes);
    if (!sizes)
        return;
    for (size_t i = 0; i < work->count; i++)
        if (work->weight[i] > 0)
            sizes[count++] = fabs(work->y[i] - line->a * work->x[i] - line->b);
    if (count >= 10) {
        qsort(sizes, count, sizeof *sizes, by_value);
        double limit = fmax(fmax(6 * sizes[count / 2], sizes[count - 1 - count / 10]), least);
        for (size_t i = 0; i < work->count; i++)
            if (fabs(work->y[i] - line->a * work->x[i] - line->b) > limit)
                work->weight[i] = 0;
    }
    free(sizes);
}

static double correlation(const double *v, size_t count, double mean, double variance, size_t lag)
{
    double sum = 0;
    for (size_t i = 0; i + lag < count; i++)
        sum += (v[i] - mean) * (v[i + lag] - mean);
    return variance > 0 ? sum / (double)count / variance : 0;
}

/* By index: what is polled comes evenly enough. x and y hold the used pairs, without gaps. */
static double independent(const double *x, const double *y, size_t count)
{
    double mx = 0, my = 0, vx = 0, vy = 0, sum = 0;
    for (size_t i = 0; i < count; i++) {
        mx += x[i] / (double)count;
        my += y[i] / (double)count;
    }
    for (size_t i = 0; i < count; i++) {
        vx += (x[i] - mx) * (x[i] - mx) / (double)count;
        vy += (y[i] - my) * (y[i] - my) / (double)count;
    }
    for (size_t lag = 1; lag < count / 2 && lag < 500; lag++) {
        double product = correlation(x, count, mx, vx, lag) * correlation(y, count, my, vy, lag);
        if (product < 0.05)
            break;
        sum += product;
    }
    return (double)count / (1 + 2 * sum);
}

static bool make(struct work *work, const int64_t *time_ns, const double *value, size_t count,
                 double quantum)
{
    size_t every = count / PAIRS_MOST + 1, at_low = 0, at_high = 0;
    work->time_ns = malloc((count + 1) * sizeof *work->time_ns);
    work->y = malloc((count + 1) * sizeof *work->y);
    work->x = malloc((count + 1) * sizeof *work->x);
    work->weight = malloc((count + 1) * sizeof *work->weight);
    work->near = calloc(count + 1, sizeof *work->near);
    work->filtered = *work->signal;
    work->filtered.value = malloc((work->signal->count + 1) * sizeof *work->filtered.value);
    if (!work->time_ns || !work->y || !work->x || !work->weight || !work->near ||
        !work->filtered.value)
        return false;
    for (size_t i = 0; i < count; i += every) {
        if (!isfinite(value[i]))
            continue;
        work->time_ns[work->count] = time_ns[i];
        work->y[work->count++] = value[i];
    }
    work->low = INFINITY;
    work->high = -INFINITY;
    for (size_t i = 0; i < work->count; i++) {
        work->low = fmin(work->low, work->y[i]);
        work->high = fmax(work->high, work->y[i]);
    }
    for (size_t i = 0; i < work->count; i++) {
        at_low += work->y[i] <= work->low;
        at_high += work->y[i] >= work->high;
    }
    /* What stands still has no ends. */
    work->has_low_end = at_low >= END_LEAST && at_low < work->count;
    work->has_high_end = at_high >= END_LEAST && at_high < work->count;
    work->steady = fmax(quantum, 0.01 * (work->high - work->low));
    if (!(work->steady > 0))
        work->steady = 1;
    return true;
}

static void release(struct work *work)
{
    free(work->time_ns);
    free(work->y);
    free(work->x);
    free(work->weight);
    free(work->near);
    free(work->filtered.value);
}

static double share_of(const double *sorted, size_t count, double share)
{
    return sorted[(size_t)(share * (double)(count - 1) + 0.5)];
}

static void measure(struct work *work, const struct line *line, struct follow *out)
{
    size_t used = 0;
    double squares = 0, weight = 0;
    for (size_t i = 0; i < work->count; i++) {
        if (!(work->weight[i] > 0))
            continue;
        double off = work->y[i] - line->a * work->x[i] - line->b;
        squares += work->weight[i] * off * off;
        weight += work->weight[i];
        work->x[used] = work->x[i];
        work->y[used++] = work->y[i];
    }
    out->count = used;
    out->slope = line->a;
    out->offset = line->b;
    out->r = line->r;
    out->level = line->my - line->mx;
    out->rmse = weight > 0 ? sqrt(squares / weight) : 0;
    if (used < 2)
        return;
    for (size_t i = 0; i < used; i++) /* no more needed as weights */
        work->weight[i] = work->y[i] - work->x[i];
    qsort(work->weight, used, sizeof *work->weight, by_value);
    out->middle = share_of(work->weight, used, 0.5);
    out->n_eff = independent(work->x, work->y, used);
    qsort(work->x, used, sizeof *work->x, by_value);
    qsort(work->y, used, sizeof *work->y, by_value);
    out->low = share_of(work->y, used, 0.05);
    out->high = share_of(work->y, used, 0.95);
    out->span = out->high - out->low;
    out->signal_span = share_of(work->x, used, 0.95) - share_of(work->x, used, 0.05);
}

bool follow(const struct signal_watch *watch, const int64_t *time_ns, const double *value,
            size_t count, double quantum, int64_t hold_ns, struct follow *ret_follow)
{
    struct work work = {.signal = &watch->samples};
    lt_scaler_limits(&watch->scaler, &work.field_low, &work.field_high);
    /* Between two samples, or filtered, it is a little short of the end. */
    double margin = fmax(2 * quantum_of(watch), END_PART * (work.field_high - work.field_low));
    if (isfinite(margin)) {
        work.field_low += margin;
        work.field_high -= margin;
    }
    *ret_follow = (struct follow){0};
    if (!make(&work, time_ns, value, count, quantum)) {
        release(&work);
        return false;
    }
    struct best best = search(&work, hold_ns);
    filter(&work, best.tau_s, hold_ns);
    pair_up(&work, best.lag_ns, hold_ns, 1, true);
    struct line line = regress(&work);
    drop_far(&work, &line, work.steady);
    line = regress(&work);
    measure(&work, &line, ret_follow);
    ret_follow->lag_s = (double)best.lag_ns / (double)NS_PER_S;
    ret_follow->moved = ret_follow->span > 4 * quantum && ret_follow->span > 0;
    release(&work);
    return true;
}
