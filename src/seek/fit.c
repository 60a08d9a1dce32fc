/* Scale, offset, lag and filter of one window.
 *
 * A controller answers with a value that it filters and that is some time old; the frame may carry
 * it fresh, or the other way round. So the frame's value is put through first-order filters of a
 * few time constants, and through the inverse of such filters (value + tau * rate), and for each
 * the lag is sought that leaves the smallest residual. Then scale and offset come from the samples
 * where the reference is steady (weights fall where it moves more than a step in a tenth of a
 * second), since there filter and lag do not matter, and a second time without what lies far off.
 *
 * The frame's own rounding makes a regression on it too flat by its variance, a twelfth of a step
 * squared; that is taken off where the frame's step is the coarser one. */
#include "seek/search.h"

#include <stdlib.h>

#define SEARCH_SAMPLES 700u /* for lag and filter; scale and offset use all */
#define LAG_COARSE_S   0.04
#define LAG_FINE_S     0.02
#define LAG_AROUND_S   0.12
#define FILTER_EARNS   0.97 /* of the residual's square, to be believed */
#define ROUNDING       (1 / 12.0)
#define ROUNDING_MOST  0.3  /* of the spread: more is not taken off */
#define LEAD_PART      0.5  /* of the time constant: how far apart the two for a rate are */
#define UNSURE_S       0.04 /* of the time of a sample, beside half the frame's period */
#define PASSING_MOST   0.25 /* of the samples; more are no passage */
#define HOLD_LEAST_NS  INT64_C(2000000000)
#define JUMP_S         0.5
#define FORGIVEN       0.1 /* share of samples */
#define KEPT_PART      0.6 /* of the variance, in what is not left out */
#define RECIPROCAL     0.7 /* of what a line leaves over, to be believed */
#define EXCESS_MOST    5.0 /* a sample that is further off counts as this */
#define STEADY_S       0.1
#define FAR_OFF        6.0 /* medians of the residual */
#define FAR_SHARE      0.1
#define FAR_LEAST      0.5   /* of the reference's spread: nearer than that nothing is far off */
#define COARSE_PART    0.03  /* of a step over the spread: what few steps leave of the scale */
#define SYSTEMATIC     0.002 /* of the scale: what filters and rounding leave */

static const double filters_s[] = {0, 0.05, 0.1, 0.2, 0.4, -0.05, -0.1, -0.2, -0.35, -0.5};
#define FILTERS (sizeof filters_s / sizeof filters_s[0])

struct work {
    const struct seek_window *window;
    const struct seek_course *course;
    struct lt_bits bits;
    size_t rows;
    double *raw, *filtered; /* of each row; NaN for a code */
    double *x;              /* at each reference time */
    double *residual, *sorted;
    double *weight;
    double *around;  /* how far x is from it where the time is as unsure as it is */
    size_t *row;     /* the last one not later than each reference time; rows for none */
    double rounding; /* variance of x that is rounding */
    bool reciprocal;
};

struct line {
    double a, b, n, sxx, rss; /* y = a x + b; weighted */
};

static void read_rows(struct work *work)
{
    for (size_t i = 0; i < work->rows; i++)
        if (!seek_window_value(work->window, &work->bits, i, &work->raw[i]))
            work->raw[i] = NAN;
}

/* 1 - exp(-z), near enough for a filter, and the same everywhere. */
static double decayed(double z)
{
    z = z < 4 ? z : 4;
    return 12 * z / (12 + 6 * z + z * z);
}

/* Value + tau * rate, the rate from rows around. */
static void lead_rows(struct work *work, double tau_s)
{
    const struct seek_view *view = work->window->view;
    const int64_t *time_ns = view->kept.time_ns;
    int64_t half_ns = (int64_t)(LEAD_PART / 2 * tau_s * NS_PER_S);
    size_t before = 0, after = 0;
    for (size_t i = 0; i < work->rows; i++) {
        while (after + 1 < work->rows && (after <= i || time_ns[after] - time_ns[i] < half_ns))
            after++;
        while (before + 1 < i && time_ns[i] - time_ns[before + 1] >= half_ns)
            before++;
        int64_t span_ns = time_ns[after] - time_ns[before];
        double rate = (work->raw[after] - work->raw[before]) / ((double)span_ns / NS_PER_S);
        bool near = span_ns > 0 && span_ns <= 4 * half_ns + HOLD_LEAST_NS;
        work->filtered[i] = work->raw[i] + (near && isfinite(rate) ? tau_s * rate : 0);
    }
}

static void filter_rows(struct work *work, double tau_s)
{
    const struct seek_view *view = work->window->view;
    if (tau_s < 0) {
        lead_rows(work, -tau_s);
        return;
    }
    for (size_t i = 0; i < work->rows; i++) {
        work->filtered[i] = work->raw[i];
        if (tau_s <= 0 || i == 0)
            continue;
        int64_t gap_ns = view->kept.time_ns[i] - view->kept.time_ns[i - 1];
        if (isnan(work->raw[i - 1]) || isnan(work->filtered[i - 1]) || gap_ns > view->hold_ns)
            continue;
        double part = decayed((double)gap_ns / NS_PER_S / tau_s);
        work->filtered[i] =
            work->filtered[i - 1] + part * (work->raw[i - 1] - work->filtered[i - 1]);
    }
}

/* The filtered value at every n-th reference time less the lag; NaN where there is none. Rows found
 * for another lag are where the search begins. */
static void sample(struct work *work, double lag_s, double tau_s, size_t every)
{
    const struct seek_view *view = work->window->view;
    const struct seek_course *course = work->course;
    const int64_t *time_ns = view->kept.time_ns;
    int64_t lag_ns = (int64_t)llround(lag_s * NS_PER_S);
    for (size_t i = 0; i < course->count; i += every) {
        int64_t moment = course->time_ns[i] - lag_ns;
        size_t at = work->row[i];
        work->x[i] = NAN;
        while (at < work->rows && time_ns[at] <= moment)
            at++;
        while (at > 0 && time_ns[at - 1] > moment)
            at--;
        work->row[i] = at;
        if (at == 0)
            continue;
        int64_t age_ns = moment - time_ns[at - 1];
        if (age_ns > view->hold_ns)
            continue;
        double value = work->filtered[at - 1];
        if (tau_s > 0)
            value += decayed((double)age_ns / NS_PER_S / tau_s) * (work->raw[at - 1] - value);
        work->x[i] = value;
    }
}

static void find_rows(struct work *work)
{
    size_t at = 0;
    for (size_t i = 0; i < work->course->count; i++) {
        while (at < work->rows && work->window->view->kept.time_ns[at] <= work->course->time_ns[i])
            at++;
        work->row[i] = at;
    }
}

static double target(const struct work *work, size_t i)
{
    double y = work->course->value[i];
    return work->reciprocal ? 1 / y : y;
}

/* Every n-th sample; those with weight 0 or no value are left out. */
static struct line regress(const struct work *work, size_t from, size_t to, size_t every)
{
    struct line line = {0};
    double mx = 0, my = 0, syy = 0, sxy = 0;
    for (size_t i = from; i < to; i += every) {
        double w = work->weight[i], x = work->x[i], y = target(work, i);
        if (!(w > 0) || !isfinite(x) || !isfinite(y))
            continue;
        line.n += w;
        double dx = x - mx, dy = y - my;
        mx += dx * w / line.n;
        my += dy * w / line.n;
        line.sxx += w * dx * (x - mx);
        syy += w * dy * (y - my);
        sxy += w * dx * (y - my);
    }
    double rounded = work->rounding * line.n;
    double spread = line.sxx - (rounded < ROUNDING_MOST * line.sxx ? rounded : 0);
    line.a = spread > 0 ? sxy / spread : 0;
    line.b = my - line.a * mx;
    line.rss = syy - 2 * line.a * sxy + line.a * line.a * line.sxx;
    line.rss = line.rss > 0 ? line.rss : 0;
    return line;
}

static double predict(const struct work *work, const struct line *line, double x)
{
    double value = line->a * x + line->b;
    return work->reciprocal ? 1 / value : value;
}

static void even_weights(struct work *work)
{
    for (size_t i = 0; i < work->course->count; i++) {
        double y = work->course->value[i];
        work->weight[i] = work->reciprocal ? y * y * y * y : 1;
    }
}

static double mean_square(struct work *work, double lag_s, double tau_s, size_t every)
{
    sample(work, lag_s, tau_s, every);
    struct line line = regress(work, 0, work->course->count, every);
    return line.n > 0 && line.a != 0 ? line.rss / line.n : INFINITY;
}

/* The best lag around `mid_s`, first in wide steps, then between them. */
static double best_lag(struct work *work, double mid_s, double around_s, double tau_s,
                       double *ret_square)
{
    size_t every = work->course->count / SEARCH_SAMPLES + 1;
    double low = (double)work->course->lag_low_ns / NS_PER_S - 0.4,
           high = (double)work->course->lag_high_ns / NS_PER_S + fabs(tau_s), best = INFINITY,
           best_s = mid_s;
    double step_s[] = {LAG_COARSE_S, LAG_FINE_S, LAG_FINE_S / 2};
    for (unsigned round = 0; round < 3; round++) {
        double center_s = best_s, reach_s = round ? step_s[round] : around_s;
        for (double lag = center_s - reach_s; lag <= center_s + reach_s + 1e-9;
             lag += step_s[round]) {
            if (lag < low || lag > high + 1e-9 || (round && fabs(lag - center_s) < 1e-9))
                continue;
            double now = mean_square(work, lag, tau_s, every);
            if (now < best) {
                best = now;
                best_s = lag;
            }
        }
    }
    *ret_square = best;
    return best_s;
}

static void find_lag(struct work *work, struct seek_fit *fit)
{
    double best = INFINITY, bare_s = work->window->lag_s;
    for (size_t f = 0; f < FILTERS; f++) {
        double now, tau_s = filters_s[f];
        filter_rows(work, tau_s);
        double lag_s =
            best_lag(work, bare_s - tau_s, f ? LAG_AROUND_S / 1.5 : LAG_AROUND_S, tau_s, &now);
        if (f == 0)
            bare_s = lag_s;
        /* A filter has to earn its place. */
        if (now < best * (f ? FILTER_EARNS : 1)) {
            best = now;
            fit->lag_s = lag_s;
            fit->filter_s = tau_s;
        }
    }
}

static int by_size(const void *a, const void *b)
{
    double one = *(const double *)a, other = *(const double *)b;
    return (one > other) - (one < other);
}

static size_t residuals(struct work *work, const struct line *line)
{
    size_t count = 0;
    for (size_t i = 0; i < work->course->count; i++) {
        double value = isfinite(work->x[i]) ? predict(work, line, work->x[i]) : NAN;
        work->residual[i] = work->course->value[i] - value;
        if (isfinite(work->residual[i]))
            work->sorted[count++] = fabs(work->residual[i]);
    }
    qsort(work->sorted, count, sizeof *work->sorted, by_size);
    return count;
}

static double unsure_s(const struct work *work)
{
    return UNSURE_S + 0.5 * fmin((double)work->window->view->period_ns / NS_PER_S, 1);
}

/* A reference seldom asked does not show its own steps (a fuel cut between two replies); the frame
 * does. */
static void find_around(struct work *work, const struct seek_fit *fit)
{
    size_t count = work->course->count;
    double *x = work->sorted; /* not in use yet */
    memcpy(x, work->x, count * sizeof *x);
    memset(work->around, 0, count * sizeof *work->around);
    for (int side = -1; side <= 1; side += 2) {
        sample(work, fit->lag_s + side * unsure_s(work), fit->filter_s, 1);
        for (size_t i = 0; i < count; i++) {
            double away = fabs(work->x[i] - x[i]);
            if (isfinite(away))
                work->around[i] = fmax(work->around[i], away);
        }
    }
    memcpy(work->x, x, count * sizeof *x);
}

static void steady_weights(struct work *work, double coarse, double far, double step)
{
    even_weights(work);
    for (size_t i = 0; i < work->course->count; i++) {
        double around = step * work->around[i];
        double moved = fmax(seek_rate_at(work->course, i) * STEADY_S, around) / coarse;
        if (!isfinite(work->residual[i]) || fabs(work->residual[i]) > far)
            work->weight[i] = 0;
        else if (moved > 1)
            work->weight[i] /= moved * moved;
    }
}

/* The residuals stick together: how many of them stand on their own. */
static double independent(const struct work *work)
{
    double both = 0, squares = 0, before = NAN;
    size_t count = 0;
    for (size_t i = 0; i < work->course->count; i++) {
        double now = work->weight[i] > 0 ? work->residual[i] : NAN;
        if (!isfinite(now))
            continue;
        count++;
        squares += now * now;
        if (isfinite(before))
            both += now * before;
        before = now;
    }
    double rho = squares > 0 ? both / squares : 0;
    rho = rho < 0 ? 0 : rho > 0.99 ? 0.99 : rho;
    double n = (double)count * (1 - rho) / (1 + rho);
    return n > 3 ? n : 3;
}

static double step_of(const struct work *work, const struct line *line)
{
    if (!work->reciprocal)
        return fabs(line->a);
    double y = work->course->mean;
    return fabs(line->a) * y * y;
}

static struct line fit_line(struct work *work, struct seek_fit *fit)
{
    even_weights(work);
    struct line line = regress(work, 0, work->course->count, 1);
    for (unsigned round = 0; round < 3; round++) {
        size_t count = residuals(work, &line);
        double median = count ? work->sorted[count / 2] : 0;
        double step = step_of(work, &line);
        fit->coarse = step > work->course->quantum ? step : work->course->quantum;
        work->rounding = step > 1.5 * work->course->quantum && fit->filter_s >= 0 &&
                                 fit->filter_s < 0.15 && !work->reciprocal
                             ? ROUNDING
                             : 0;
        double far = FAR_OFF * median + 2 * fit->coarse;
        /* What is far off is rare, or it is not what is far off. */
        if (count && work->sorted[(size_t)((double)(count - 1) * (1 - FAR_SHARE))] > far)
            far = fmax(far, FAR_LEAST * work->course->sd);
        steady_weights(work, fit->coarse, far, step);
        line = regress(work, 0, work->course->count, 1);
    }
    return line;
}

static void measure(struct work *work, struct seek_fit *fit, const struct line *line)
{
    double squares = 0, steady = 0, all = 0, mx = 0, my = 0, xx = 0, yy = 0, xy = 0;
    size_t used = 0, steady_count = 0, course_count = work->course->count;
    residuals(work, line);
    double *rates = work->sorted; /* the residuals' order is not needed any more */
    size_t rate_count = 0;
    for (size_t i = 0; i < course_count; i++)
        if (isfinite(work->residual[i]))
            rates[rate_count++] = seek_rate_at(work->course, i);
    qsort(rates, rate_count, sizeof *rates, by_size);
    double slow = rate_count ? rates[rate_count / 2] : 0, excess = 0, step = step_of(work, line);
    double rounding = ROUNDING * (step * step + work->course->quantum * work->course->quantum);
    double left_out = 0, passing = 0, late_s = unsure_s(work);
    for (size_t i = 0; i < course_count; i++) {
        if (!isfinite(work->residual[i]))
            continue;
        bool unsure = !(work->weight[i] > 0) &&
                      fabs(work->residual[i]) <= step * work->around[i] + fit->coarse;
        all++;
        passing += unsure;
        if (unsure) /* on its way from one value to another: what the reference saw is not known */
            continue;
        if (!(work->weight[i] > 0)) {
            left_out +=
                fmin(work->residual[i] * work->residual[i], work->course->sd * work->course->sd);
            continue;
        }
        double p = predict(work, line, work->x[i]), y = work->course->value[i];
        double residual2 = work->residual[i] * work->residual[i];
        used++;
        squares += residual2;
        double dx = p - mx, dy = y - my;
        mx += dx / (double)used;
        my += dy / (double)used;
        xx += dx * (p - mx);
        yy += dy * (y - my);
        xy += dx * (y - my);
        double late = fmax(seek_rate_at(work->course, i) * late_s, step * work->around[i]);
        double part = residual2 / (rounding + late * late);
        excess += part < EXCESS_MOST * EXCESS_MOST ? part : EXCESS_MOST * EXCESS_MOST;
        if (seek_rate_at(work->course, i) <= slow && step * work->around[i] <= fit->coarse) {
            steady += work->residual[i] * work->residual[i];
            steady_count++;
        }
    }
    all -= fmin(passing, PASSING_MOST * all);
    fit->used = used;
    fit->outliers = all > 0 ? 1 - (double)used / all : 1;
    fit->rmse = used ? sqrt(squares / (double)used) : INFINITY;
    /* Codes and slips are forgiven; but what moves the reference most is no slip. */
    double kept_part = used && work->course->sd > 0
                           ? yy / (double)used / (work->course->sd * work->course->sd)
                           : 0;
    double forgive = kept_part > KEPT_PART ? FORGIVEN : FORGIVEN / 5;
    double forgiven = fit->outliers > forgive ? 1 - forgive / fit->outliers : 0;
    fit->loss = used ? sqrt((squares + left_out * forgiven) / all) / work->course->sd : INFINITY;
    fit->excess = used && rounding > 0 ? sqrt(excess / (double)used) : INFINITY;
    fit->r = xx > 0 && yy > 0 ? xy / sqrt(xx * yy) : 0;
    fit->steady_quanta = steady_count && fit->coarse > 0
                             ? sqrt(steady / (double)steady_count) / fit->coarse
                             : INFINITY;
}

/* Each half predicted by the fit of the other. */
static double split(const struct work *work)
{
    size_t count = work->course->count, middle = count / 2;
    struct line first = regress(work, 0, middle, 1), second = regress(work, middle, count, 1);
    double squares = 0, n = 0;
    if (!(first.sxx > 0) || !(second.sxx > 0))
        return INFINITY;
    for (size_t i = 0; i < count; i++) {
        const struct line *other = i < middle ? &second : &first;
        if (!(work->weight[i] > 0) || !isfinite(work->x[i]))
            continue;
        double away = work->course->value[i] - predict(work, other, work->x[i]);
        squares += away * away;
        n++;
    }
    return n > 0 && work->course->sd > 0 ? sqrt(squares / n) / work->course->sd : INFINITY;
}

static void find_errors(struct work *work, struct seek_fit *fit, const struct line *line)
{
    double mean_x = 0, n = 0, n_alone = independent(work);
    for (size_t i = 0; i < work->course->count; i++)
        if (work->weight[i] > 0 && isfinite(work->x[i])) {
            mean_x += work->weight[i] * work->x[i];
            n += work->weight[i];
        }
    if (!(n > 0) || !(line->sxx > 0))
        return;
    mean_x /= n;
    double sd_x = sqrt(line->sxx / n), sd = sqrt(line->rss / n);
    fit->scale = fit->fitted_scale = line->a;
    fit->offset = fit->fitted_offset = line->b;
    fit->scale_error =
        hypot(sd / (sd_x * sqrt(n_alone)),
              (SYSTEMATIC + COARSE_PART * fit->coarse / work->course->sd) * fabs(line->a));
    fit->offset_error = hypot(sd / sqrt(n_alone), fit->scale_error * mean_x);
}

static void find_extent(struct work *work, struct seek_fit *fit, const struct line *line)
{
    size_t count = 0;
    size_t every = work->rows / (work->course->count + 1) + 1;
    for (size_t i = 0; i < work->rows && count < work->course->count; i += every)
        if (isfinite(work->raw[i]))
            work->sorted[count++] = predict(work, line, work->raw[i]);
    if (!count)
        return;
    qsort(work->sorted, count, sizeof *work->sorted, by_size);
    fit->low = work->sorted[count / 200];
    fit->high = work->sorted[count - 1 - count / 200];
}

/* How often half a second changes it by more than the role allows, beside a step. */
static void find_jumps(struct work *work, struct seek_fit *fit, const struct line *line)
{
    const struct lt_role *role = work->course->reference->role;
    const int64_t *time_ns = work->window->view->kept.time_ns;
    double steps = 0, over = 0;
    size_t before = 0;
    if (!role || !(role->max_rate > 0))
        return;
    for (size_t i = 1; i < work->rows; i++) {
        double span_s = (double)(time_ns[i] - time_ns[before]) / NS_PER_S;
        if (span_s < JUMP_S || !isfinite(work->raw[i]))
            continue;
        double moved =
            fabs(predict(work, line, work->raw[i]) - predict(work, line, work->raw[before]));
        if (isfinite(moved)) {
            steps++;
            over += moved > role->max_rate * span_s + 2 * fit->coarse;
        }
        before = i;
    }
    fit->jumps = steps > 0 ? over / steps : 0;
}

static void fit_once(struct work *work, struct seek_fit *fit)
{
    even_weights(work);
    work->rounding = 0;
    find_lag(work, fit);
    filter_rows(work, fit->filter_s);
    sample(work, fit->lag_s, fit->filter_s, 1);
    find_around(work, fit);
    struct line line = fit_line(work, fit);
    measure(work, fit, &line);
    find_errors(work, fit, &line);
    fit->split_rmse = split(work);
    find_extent(work, fit, &line);
    find_jumps(work, fit, &line);
    fit->reciprocal = work->reciprocal;
}

static bool all_positive(const struct seek_course *course)
{
    for (size_t i = 0; i < course->count; i++)
        if (!(course->value[i] > 0))
            return false;
    return true;
}

static bool make_work(struct work *work, const struct seek_window *window,
                      const struct seek_course *course, struct lt_arena *arena)
{
    size_t rows = window->view->kept.count, count = course->count;
    *work = (struct work){
        .window = window, .course = course, .rows = rows, .bits = seek_window_bits(window)};
    work->raw = lt_arena_array(arena, rows + 1, sizeof(double));
    work->filtered = lt_arena_array(arena, rows + 1, sizeof(double));
    work->x = lt_arena_array(arena, count + 1, sizeof(double));
    work->residual = lt_arena_array(arena, count + 1, sizeof(double));
    work->sorted = lt_arena_array(arena, count + 1, sizeof(double));
    work->around = lt_arena_array(arena, count + 1, sizeof(double));
    work->row = lt_arena_array(arena, count + 1, sizeof(size_t));
    work->weight = lt_arena_array(arena, count + 1, sizeof(double));
    return !arena->failed;
}

enum lt_code seek_fit_window(const struct seek_window *window, const struct seek_course *course,
                             struct lt_arena *keep, struct seek_fit *ret_fit,
                             struct lt_error *error)
{
    struct lt_arena scratch;
    struct work work;
    struct seek_fit fit = {0};
    lt_arena_init(&scratch, 0);
    fit.predicted = lt_arena_array(keep, course->count / course->every + 2, sizeof(double));
    if (!fit.predicted || !make_work(&work, window, course, &scratch)) {
        lt_arena_release(&scratch);
        return seek_no_memory(error);
    }
    read_rows(&work);
    find_rows(&work);
    fit_once(&work, &fit);
    double *predicted = fit.predicted;
    if (fabs(fit.r) < 0.995 && all_positive(course)) {
        struct seek_fit other = {.predicted = predicted};
        work.reciprocal = true;
        fit_once(&work, &other);
        work.reciprocal = other.loss < RECIPROCAL * fit.loss;
        if (work.reciprocal)
            fit = other;
    }
    /* For the comparison of candidates. */
    filter_rows(&work, fit.filter_s);
    sample(&work, fit.lag_s, fit.filter_s, course->every);
    struct line line = {.a = fit.scale, .b = fit.offset};
    for (size_t i = 0; i < course->count; i += course->every)
        predicted[i / course->every] = isfinite(work.x[i]) ? predict(&work, &line, work.x[i]) : NAN;
    *ret_fit = fit;
    lt_arena_release(&scratch);
    return LT_OK;
}
