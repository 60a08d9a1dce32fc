/* Scores of windows from the counts of a band (loomtap/measure/moments.h).
 *
 * With weights that are powers of two every sum is a sum of shifted counts. Sums are held exactly,
 * in 128 bits of two's complement: values of 32 bits squared, times the number of frames, stay
 * below 2^64 N. The mean is taken out before anything is rounded: for any whole c
 *
 *     N Var = sum (v - c)^2 - (sum (v - c))^2 / N,
 *
 * exactly, and with c within one of the mean the second term is at most of the order of the first,
 * so the only rounding is that of three conversions to double. Values around 2^31 or sign-extended
 * ones, whose squares cancel in all digits of a double, lose nothing. */
#include "loomtap/measure/moments.h"

#include <math.h>

#include "core/wide.h"

/* ---- 128 bits, two's complement (wide.h's numbers, read as signed) ---- */

static inline struct lt_wide add(struct lt_wide a, struct lt_wide b)
{
    uint64_t low = a.low + b.low;
    return (struct lt_wide){a.high + b.high + (low < a.low), low};
}

static inline struct lt_wide of_signed(int64_t value)
{
    return (struct lt_wide){value < 0 ? UINT64_MAX : 0, (uint64_t)value};
}

/* by < 128 */
static inline struct lt_wide shifted(struct lt_wide a, unsigned by)
{
    if (by >= 64)
        return (struct lt_wide){a.low << (by - 64), 0};
    if (by == 0)
        return a;
    return (struct lt_wide){a.high << by | a.low >> (64 - by), a.low << by};
}

static inline struct lt_wide minus(struct lt_wide a)
{
    return lt_wide_subtract((struct lt_wide){0, 0}, a);
}

static inline bool below_zero(struct lt_wide a)
{
    return a.high >> 63;
}

static inline double to_double(struct lt_wide a)
{
    double sign = below_zero(a) ? -1 : 1;
    if (below_zero(a))
        a = minus(a);
    return sign * ((double)a.high * 0x1p64 + (double)a.low);
}

/* a * b, of which the result needs at most 128 bits. */
static struct lt_wide times(struct lt_wide a, int64_t b)
{
    bool negative = below_zero(a) != (b < 0);
    if (below_zero(a))
        a = minus(a);
    struct lt_wide product = lt_wide_multiply(a.low, lt_size_of(b));
    product.high += a.high * lt_size_of(b);
    return negative ? minus(product) : product;
}

/* ---- Windows ---- */

int lt_window_bit(const struct lt_band *band, const struct lt_window *window, unsigned n)
{
    unsigned bit = window->low % 8 + n, byte = window->low / 8;
    if (window->order == LT_ORDER_MOTOROLA) {
        if (bit / 8 > byte)
            return -1;
        byte -= bit / 8;
    } else {
        byte += bit / 8;
    }
    return byte < band->bytes ? (int)(8 * byte + bit % 8) : -1;
}

/* Of the unsigned window so far, grown from its low end. */
struct sums {
    unsigned length;
    uint8_t bit[LT_WINDOW_MAX];
    struct lt_wide value;         /* sum v */
    struct lt_wide square, steps; /* sum v^2, sum of (v(k) - v(k-1))^2 */
    bool moved;
};

struct totals { /* of one window */
    struct lt_wide value, square, steps;
};

/* Adds the bit at `bit` on top: its weight is 2^n with n the length so far. `ret_signed`: the sums
 * with this bit counted as -2^n. */
static void grow(struct sums *sums, const struct lt_band *band, uint64_t frames, unsigned bit,
                 struct totals *ret_signed)
{
    unsigned n = sums->length;
    struct lt_wide together = {0, 0}, moves = {0, 0};
    for (unsigned m = 0; m < n; m++) {
        unsigned i = bit > sums->bit[m] ? bit : sums->bit[m];
        unsigned j = bit > sums->bit[m] ? sums->bit[m] : bit;
        together = add(together, shifted(lt_wide_of(band->both[i][j]), m));
        /* flips_ij - 2 against_ij, of which no part passes 2^63 */
        int64_t step = (int64_t)(band->flip_pairs[i][j] - 2 * band->against[i][j]);
        moves = add(moves, shifted(of_signed(step), m));
    }
    together = shifted(together, n + 1);
    moves = shifted(moves, n + 1);
    struct lt_wide ones = shifted(lt_wide_of(band->ones[bit]), n);
    struct lt_wide square = add(sums->square, shifted(ones, n));
    struct lt_wide steps = add(sums->steps, shifted(lt_wide_of(band->flips[bit]), 2 * n));
    *ret_signed = (struct totals){add(sums->value, minus(ones)), add(square, minus(together)),
                                  add(steps, minus(moves))};
    sums->value = add(sums->value, ones);
    sums->square = add(square, together);
    sums->steps = add(steps, moves);
    sums->bit[n] = (uint8_t)bit;
    sums->length++;
    sums->moved = sums->moved || (band->ones[bit] != 0 && band->ones[bit] != frames);
}

static struct lt_window_score score_of(const struct totals *totals, bool moved, uint64_t frames,
                                       uint64_t steps)
{
    struct lt_window_score score = {0, 0, NAN};
    if (steps != 0)
        score.step = to_double(totals->steps) / (double)steps;
    if (!moved || frames == 0)
        return score;
    int64_t centre = (int64_t)floor(to_double(totals->value) / (double)frames + 0.5);
    /* sum (v - c) and sum (v - c)^2 */
    struct lt_wide off = add(totals->value, minus(times(lt_wide_of(frames), centre)));
    struct lt_wide twice = times(add(totals->value, off), centre); /* 2 c sum v - N c^2 */
    struct lt_wide square = add(totals->square, minus(twice));
    double mean = to_double(off) / (double)frames;
    score.variance = to_double(square) / (double)frames - mean * mean;
    if (steps != 0 && score.variance > 0)
        score.eta = score.step / score.variance;
    return score;
}

unsigned lt_window_scores(const struct lt_band *band, uint64_t frames, uint64_t steps,
                          enum lt_order order, unsigned low, enum lt_window_sign sign,
                          struct lt_window_score ret_scores[LT_WINDOW_MAX])
{
    struct lt_window window = {.order = order, .low = (uint8_t)low, .length = LT_WINDOW_MAX};
    struct sums sums = {.length = 0};
    while (sums.length < LT_WINDOW_MAX) {
        struct totals as_signed;
        int bit = lt_window_bit(band, &window, sums.length);
        if (bit < 0)
            break;
        grow(&sums, band, frames, (unsigned)bit, &as_signed);
        struct totals as_unsigned = {sums.value, sums.square, sums.steps};
        ret_scores[sums.length - 1] =
            score_of(sign == LT_WINDOW_TWOS ? &as_signed : &as_unsigned, sums.moved, frames, steps);
    }
    return sums.length;
}

struct lt_window_score lt_window_score(const struct lt_band *band, uint64_t frames, uint64_t steps,
                                       const struct lt_window *window)
{
    struct sums sums = {.length = 0};
    struct totals as_signed = {{0, 0}, {0, 0}, {0, 0}};
    while (sums.length < window->length && sums.length < LT_WINDOW_MAX) {
        int bit = lt_window_bit(band, window, sums.length);
        if (bit < 0)
            break;
        grow(&sums, band, frames, (unsigned)bit, &as_signed);
    }
    struct totals as_unsigned = {sums.value, sums.square, sums.steps};
    return score_of(window->sign == LT_WINDOW_TWOS ? &as_signed : &as_unsigned, sums.moved, frames,
                    steps);
}
