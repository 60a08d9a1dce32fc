/* All windows of all views, at all lags.
 *
 * The lags are a coarse grid (a quantity that a controller follows does not change its correlation
 * much in a tenth of a second); the fit refines what was found. Of each band the best window is
 * taken, its true ends are found, its bits are set aside, and again: frames hold several numbers
 * that follow the same cause.
 *
 * The null: the reference turned round in a circle against the frames has the same memory and no
 * cause in common with them. The largest correlation over all windows of all views, again and
 * again, shows what chance alone reaches. */
#include "seek/search.h"

#include <stdlib.h>

#define LAG_STEP_NS  INT64_C(100000000)
#define LAGS_MOST    21u
#define LAGS_APART   3u
#define R_NEAR       0.4 /* at one of them, for the lags between to be tried */
#define R_WORTH      0.6 /* below it nothing is looked at */
#define NULL_SAMPLES 256u
#define NULL_BITS    8 /* of the reference, for the null */
#define NULL_SHARE   0.99
#define TIE          1e-7f

struct worker {
    struct seek_scan *scan;
    uint32_t *rows;
    struct seek_sums *sums;
    struct seek_scores *scores, *best;
    uint8_t (*lag)[2][SEEK_BITS][LT_WINDOW_MAX];
    double *null_most; /* of each shift */
    int64_t lag_ns[LAGS_MOST];
    unsigned lag_count;
    size_t capacity;
};

static void make_lags(struct worker *worker)
{
    int64_t low_ns = worker->scan->course->lag_low_ns, high_ns = worker->scan->course->lag_high_ns;
    if (high_ns < low_ns || high_ns - low_ns < 0)
        high_ns = low_ns;
    uint64_t steps = (uint64_t)((high_ns - low_ns + LAG_STEP_NS - 1) / LAG_STEP_NS);
    worker->lag_count = steps < LAGS_MOST ? (unsigned)steps + 1 : LAGS_MOST;
    for (unsigned i = 0; i < worker->lag_count; i++)
        worker->lag_ns[i] =
            worker->lag_count > 1
                ? low_ns + (high_ns - low_ns) / (int64_t)(worker->lag_count - 1) * (int64_t)i
                : low_ns;
}

static float keep_best(struct worker *worker, unsigned lag, bool first)
{
    const float *now = &worker->scores->r[0][0][0][0];
    float *best = &worker->best->r[0][0][0][0];
    uint8_t *at = &worker->lag[0][0][0][0];
    float most = 0;
    for (size_t i = 0; i < sizeof worker->best->r / sizeof(float); i++) {
        float size = fabsf(now[i]);
        most = size > most ? size : most;
        if (first || size > fabsf(best[i])) {
            best[i] = now[i];
            at[i] = (uint8_t)lag;
        }
    }
    return most;
}

/* All windows at one lag; the largest correlation among them. */
static float take_lag(struct worker *worker, const struct seek_view *view, unsigned band,
                      uint64_t usable, unsigned bytes, unsigned lag, bool first)
{
    seek_rows(view, worker->scan->course, worker->lag_ns[lag], worker->rows);
    seek_sums_take(view, worker->scan->course, worker->rows, band, worker->sums);
    if (worker->sums->count < 8)
        worker->sums->active = 0;
    seek_scores_take(worker->sums, usable, bytes, worker->scores);
    return keep_best(worker, lag, first);
}

/* Windows that hold one of these bits are out. */
static void forget(struct seek_scores *scores, uint64_t bits, unsigned bytes)
{
    for (unsigned order = 0; order < 2; order++)
        for (unsigned low = 0; low < 8 * bytes; low++) {
            int at = (int)low;
            bool out = false;
            for (unsigned n = 0; n < LT_WINDOW_MAX && at >= 0; n++) {
                out |= bits >> at & 1;
                if (out)
                    scores->r[order][0][low][n] = scores->r[order][1][low][n] = 0;
                at = seek_next_bit((unsigned)at, order, bytes);
            }
        }
}

static bool find_most(const struct worker *worker, const struct seek_view *view, unsigned band,
                      struct seek_window *ret_window)
{
    float most = 0;
    for (unsigned order = 0; order < 2; order++)
        for (unsigned sign = 0; sign < 2; sign++)
            for (unsigned low = 0; low < SEEK_BITS; low++)
                for (unsigned n = 1; n < LT_WINDOW_MAX; n++) {
                    float r = worker->best->r[order][sign][low][n];
                    if (fabsf(r) <= most + TIE)
                        continue;
                    most = fabsf(r);
                    unsigned lag = worker->lag[order][sign][low][n];
                    *ret_window =
                        (struct seek_window){.view = view,
                                             .order = order ? LT_ORDER_MOTOROLA : LT_ORDER_INTEL,
                                             .lsb = (uint16_t)(32 * band + low),
                                             .length = (uint8_t)(n + 1),
                                             .sign = sign ? LT_TWOS : LT_UNSIGNED,
                                             .r = (double)r,
                                             .lag_s = (double)worker->lag_ns[lag] / NS_PER_S};
                }
    return (double)most >= R_WORTH;
}

static uint64_t bits_in_band(const struct seek_window *window, unsigned band)
{
    struct lt_bits bits = seek_window_bits(window);
    uint64_t in_band = 0;
    for (unsigned n = 0; n < lt_bits_length(&bits); n++) {
        unsigned position = lt_span_position(bits.part[0], n);
        if (position >= 32 * band && position < 32 * band + SEEK_BITS)
            in_band |= (uint64_t)1 << (position - 32 * band);
    }
    return in_band;
}

static bool is_known(const struct seek_scan *scan, const struct seek_window *window)
{
    struct lt_bits bits = seek_window_bits(window);
    for (size_t i = 0; i < scan->count; i++) {
        struct lt_bits other = seek_window_bits(&scan->found[i]);
        if (scan->found[i].view == window->view &&
            memcmp(&bits.part[0], &other.part[0], sizeof bits.part[0]) == 0)
            return true;
    }
    return false;
}

static bool has_place(const struct seek_window *window)
{
    struct lt_bits bits = seek_window_bits(window);
    return !window->view->common || lt_bit_set_has(window->view->common, bits.part[0].msb);
}

static enum lt_code pick(struct worker *worker, const struct seek_view *view, unsigned band,
                         unsigned bytes, struct lt_error *error)
{
    struct seek_window window;
    for (unsigned i = 0; i < SEEK_PICKS && find_most(worker, view, band, &window); i++) {
        uint64_t seen = bits_in_band(&window, band);
        seek_rows(view, worker->scan->course, (int64_t)llround(window.lag_s * NS_PER_S),
                  worker->rows);
        struct seek_window closer = window;
        seek_ends_find(&closer, worker->scan->course, worker->rows);
        uint64_t kept = bits_in_band(&closer, band);
        forget(worker->best, kept ? kept : seen, bytes);
        if (closer.length < 2 || !has_place(&closer) || is_known(worker->scan, &closer))
            continue;
        struct seek_window *room =
            lt_arena_push(worker->scan->arena, &worker->scan->found, &worker->scan->count,
                          &worker->capacity, sizeof *room);
        if (!room)
            return seek_no_memory(error);
        *room = closer;
    }
    return LT_OK;
}

/* --- the null --- */

struct turned {
    uint64_t block[NULL_SAMPLES / 64][SEEK_BITS];
    int64_t y[NULL_SAMPLES], count, sum, squares;
    uint64_t active;
};

static int64_t ones_in(uint64_t word)
{
    word -= word >> 1 & 0x5555555555555555;
    word = (word & 0x3333333333333333) + (word >> 2 & 0x3333333333333333);
    word = (word + (word >> 4)) & 0x0F0F0F0F0F0F0F0F;
    return (int64_t)(word * 0x0101010101010101 >> 56);
}

static void turn_sums(const struct turned *turned, size_t shift, int64_t ret_cross[SEEK_BITS])
{
    uint64_t plane[NULL_BITS];
    memset(ret_cross, 0, SEEK_BITS * sizeof *ret_cross);
    size_t count = (size_t)turned->count;
    int64_t lift = INT64_C(1) << (NULL_BITS - 1); /* to whole numbers from 0 */
    for (size_t from = 0; from < count; from += 64) {
        memset(plane, 0, sizeof plane);
        for (size_t k = from; k < count && k < from + 64; k++) {
            uint64_t y = (uint64_t)(turned->y[(k + shift) % count] + lift);
            for (unsigned bit = 0; bit < NULL_BITS; bit++)
                plane[bit] |= (y >> bit & 1) << (k - from);
        }
        for (uint64_t rest = turned->active; rest; rest &= rest - 1) {
            unsigned i = (unsigned)__builtin_ctzll(rest);
            uint64_t word = turned->block[from / 64][i];
            int64_t sum = -lift * ones_in(word);
            for (unsigned bit = 0; bit < NULL_BITS; bit++)
                sum += ones_in(word & plane[bit]) << bit;
            ret_cross[i] += sum;
        }
    }
}

/* N^2 variance^-1/2 of each window, 0 where it does not move: by the scores' own code, with the
 * reference standing in for one that has variance 1. */
static double most_of(const struct seek_scores *inverse, const int64_t cross[SEEK_BITS],
                      const struct turned *turned, const struct seek_sums *sums, unsigned bytes)
{
    double most = 0;
    int64_t c[SEEK_BITS], n = turned->count;
    for (unsigned i = 0; i < SEEK_BITS; i++)
        c[i] = turned->active >> i & 1 ? n * cross[i] - (int64_t)sums->ones[i] * turned->sum : 0;
    for (unsigned order = 0; order < 2; order++)
        for (unsigned low = 0; low < 8 * bytes; low++) {
            double covariance = 0, weight = 1;
            int at = (int)low;
            if (!(turned->active >> low & 1))
                continue;
            for (unsigned k = 0; k < LT_WINDOW_MAX && at >= 0; k++, weight *= 2) {
                unsigned bit = (unsigned)at;
                at = seek_next_bit(bit, order, bytes);
                if (!(turned->active >> bit & 1)) /* as without it */
                    continue;
                double up = (double)c[bit] * weight;
                double one = fabs(covariance + up) * (double)inverse->r[order][0][low][k];
                double two = fabs(covariance - up) * (double)inverse->r[order][1][low][k];
                covariance += up;
                most = one > most ? one : most;
                most = two > most ? two : most;
            }
        }
    double yy = (double)n * (double)turned->squares - (double)turned->sum * (double)turned->sum;
    return yy > 0 ? most / sqrt(yy) : 0;
}

/* Samples for the null: every n-th, so that they are at most NULL_SAMPLES. */
static void thin(struct worker *worker)
{
    const struct seek_course *course = worker->scan->course;
    size_t every = course->count / NULL_SAMPLES + 1;
    for (size_t i = 0; i < course->count; i++)
        if (i % every)
            worker->rows[i] = SEEK_NO_ROW;
}

static void turn_all(struct worker *worker, const struct seek_view *view, unsigned band)
{
    const struct seek_course *course = worker->scan->course;
    struct turned turned;
    unsigned bytes;
    uint64_t usable = seek_usable(view, band, &bytes);
    seek_rows(view, course, worker->lag_ns[worker->lag_count / 2], worker->rows);
    thin(worker);
    seek_sums_take(view, course, worker->rows, band, worker->sums);
    if (!(worker->sums->active & usable) || worker->sums->count < 16)
        return;
    memset(&turned, 0, sizeof turned);
    turned.active = worker->sums->active & usable;
    int shift_down = 30 - NULL_BITS;
    for (size_t i = 0; i < course->count; i++) {
        if (worker->rows[i] == SEEK_NO_ROW || (size_t)turned.count == NULL_SAMPLES)
            continue;
        const uint8_t *row = lt_kept_row(&view->kept, worker->rows[i]) + 4 * (size_t)band;
        size_t k = (size_t)turned.count++;
        for (unsigned bit = 0; bit < 8 * bytes; bit++)
            turned.block[k / 64][bit] |= (uint64_t)(row[bit / 8] >> bit % 8 & 1) << k % 64;
        turned.y[k] = course->whole[i] / (1 << shift_down);
        turned.sum += turned.y[k];
        turned.squares += turned.y[k] * turned.y[k];
    }
    seek_inverse_take(worker->sums, usable, bytes, worker->scores);
    size_t count = (size_t)turned.count;
    for (unsigned s = 0; s < worker->scan->null_shifts; s++) {
        int64_t cross[SEEK_BITS];
        /* Away from no shift at all, where the truth is: a tenth on either side. */
        size_t shift = count / 10 + (size_t)s * (count - count / 5) / worker->scan->null_shifts;
        turn_sums(&turned, shift, cross);
        double most = most_of(worker->scores, cross, &turned, worker->sums, bytes);
        if (most > worker->null_most[s])
            worker->null_most[s] = most;
    }
}

static int by_size(const void *a, const void *b)
{
    double one = *(const double *)a, other = *(const double *)b;
    return (one > other) - (one < other);
}

static enum lt_code run_view(struct worker *worker, const struct seek_view *view,
                             struct lt_error *error)
{
    enum lt_code code = LT_OK;
    for (unsigned band = 0; band < seek_bands(view->kept.key.length) && code == LT_OK; band++) {
        unsigned bytes;
        uint64_t usable = seek_usable(view, band, &bytes);
        /* Every third lag first: where nothing is near, nothing lies between. */
        float most = 0;
        for (unsigned lag = 0; lag < worker->lag_count; lag += LAGS_APART)
            most = fmaxf(most, take_lag(worker, view, band, usable, bytes, lag, lag == 0));
        for (unsigned lag = 0; lag < worker->lag_count && (double)most >= R_NEAR; lag++)
            if (lag % LAGS_APART)
                take_lag(worker, view, band, usable, bytes, lag, false);
        if (!worker->scan->course->slow)
            turn_all(worker, view, band);
        code = pick(worker, view, band, bytes, error);
    }
    return code;
}

static bool make_worker(struct worker *worker, struct lt_arena *arena)
{
    size_t count = worker->scan->course->count;
    worker->rows = lt_arena_array(arena, count + 1, sizeof *worker->rows);
    worker->sums = lt_arena_alloc(arena, sizeof *worker->sums);
    worker->scores = lt_arena_alloc(arena, sizeof *worker->scores);
    worker->best = lt_arena_alloc(arena, sizeof *worker->best);
    worker->lag = lt_arena_alloc(arena, 2 * sizeof *worker->lag);
    worker->null_most =
        lt_arena_array(arena, worker->scan->null_shifts + 1, sizeof *worker->null_most);
    return !arena->failed;
}

enum lt_code seek_scan_run(struct seek_scan *scan, struct lt_error *error)
{
    struct worker worker = {.scan = scan};
    struct lt_arena scratch;
    enum lt_code code = LT_OK;
    lt_arena_init(&scratch, 0);
    if (!make_worker(&worker, &scratch))
        code = seek_no_memory(error);
    else
        make_lags(&worker);
    for (size_t i = 0; i < scan->views->count && code == LT_OK; i++)
        code = run_view(&worker, &scan->views->view[i], error);
    if (code == LT_OK && scan->null_shifts) {
        qsort(worker.null_most, scan->null_shifts, sizeof *worker.null_most, by_size);
        scan->null_r = worker.null_most[(size_t)((scan->null_shifts - 1) * NULL_SHARE)];
    }
    lt_arena_release(&scratch);
    return code;
}
