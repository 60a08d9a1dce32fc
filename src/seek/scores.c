/* The correlation of every window with the reference, from the sums.
 *
 * A window is linear in its bits: with weights s, and N^2 times the covariances as whole numbers
 *     C_ij = N both_ij - ones_i ones_j        c_i = N cross_i - ones_i y
 *     variance s' C s,  covariance s' c
 * A window grows by one bit of weight w on top:
 *     covariance += w c_b,   variance += 2 w (sum of s_j C_jb) + w^2 C_bb
 * and in two's complement the last bit counts -w instead. Whole numbers until the last division:
 * sign extension, and values around a power of two, cancel without loss. With N below 2^22 and
 * windows of 32 bits everything stays below 2^110. */
#include "seek/search.h"

struct products {
    int64_t c[SEEK_BITS][SEEK_BITS]; /* full */
    lt_wide_sum y[SEEK_BITS];
    double yy; /* N^2 variance of the reference */
};

int seek_next_bit(unsigned position, unsigned order, unsigned bytes)
{
    if (order == 0)
        return position + 1 < 8 * bytes ? (int)position + 1 : -1;
    if (position % 8 < 7)
        return (int)position + 1;
    return position >= 15 ? (int)position - 15 : -1;
}

static void multiply(const struct seek_sums *sums, struct products *products)
{
    int64_t n = (int64_t)sums->count;
    memset(products, 0, sizeof *products);
    for (uint64_t rest = sums->active; rest; rest &= rest - 1) {
        unsigned i = (unsigned)__builtin_ctzll(rest);
        int64_t ones = (int64_t)sums->ones[i];
        products->y[i] = (lt_wide_sum)n * sums->cross[i] - (lt_wide_sum)ones * sums->y;
        for (uint64_t others = sums->active & (((uint64_t)2 << i) - 1); others;
             others &= others - 1) {
            unsigned j = (unsigned)__builtin_ctzll(others);
            int64_t c = n * (int64_t)sums->both[i][j] - ones * (int64_t)sums->ones[j];
            products->c[i][j] = products->c[j][i] = c;
        }
    }
    products->yy = (double)((lt_wide_sum)n * sums->yy - (lt_wide_sum)sums->y * sums->y);
}

static float correlation(lt_wide_sum covariance, lt_wide_sum variance, double yy)
{
    if (variance <= 0 || !(yy > 0))
        return 0;
    return (float)((double)covariance / (sqrt((double)variance) * sqrt(yy)));
}

/* All windows of one order that have their least significant bit at `low`. */
static void grow(const struct products *products, uint64_t usable, uint64_t active, unsigned order,
                 unsigned low, unsigned bytes, struct seek_scores *scores)
{
    lt_wide_sum covariance = 0, variance = 0;
    int64_t weight[LT_WINDOW_MAX];
    uint8_t place[LT_WINDOW_MAX];
    unsigned moving = 0;
    int at = (int)low;
    for (unsigned n = 0; n < LT_WINDOW_MAX && at >= 0 && usable >> at & 1; n++) {
        float *unsigned_r = &scores->r[order][0][low][n], *twos_r = &scores->r[order][1][low][n];
        if (active >> at & 1) {
            int64_t w = INT64_C(1) << n;
            lt_wide_sum with = 0;
            for (unsigned j = 0; j < moving; j++)
                with += (lt_wide_sum)weight[j] * products->c[place[j]][at];
            lt_wide_sum up = (lt_wide_sum)w * products->y[at];
            lt_wide_sum own = (lt_wide_sum)w * w * products->c[at][at];
            *twos_r = correlation(covariance - up, variance - 2 * w * with + own, products->yy);
            covariance += up;
            variance += 2 * w * with + own;
            weight[moving] = w;
            place[moving++] = (uint8_t)at;
            *unsigned_r = correlation(covariance, variance, products->yy);
        } else {
            *unsigned_r = *twos_r = correlation(covariance, variance, products->yy);
        }
        at = seek_next_bit((unsigned)at, order, bytes);
    }
}

static float inverse(lt_wide_sum variance)
{
    return variance > 0 ? (float)(1 / sqrt((double)variance)) : 0;
}

static void grow_inverse(const struct products *products, uint64_t usable, uint64_t active,
                         unsigned order, unsigned low, unsigned bytes, struct seek_scores *scores)
{
    lt_wide_sum variance = 0;
    int64_t weight[LT_WINDOW_MAX];
    uint8_t place[LT_WINDOW_MAX];
    unsigned moving = 0;
    int at = (int)low;
    for (unsigned n = 0; n < LT_WINDOW_MAX && at >= 0 && usable >> at & 1; n++) {
        int64_t w = INT64_C(1) << n;
        lt_wide_sum with = 0, own = (lt_wide_sum)w * w * products->c[at][at];
        for (unsigned j = 0; j < moving; j++)
            with += (lt_wide_sum)weight[j] * products->c[place[j]][at];
        scores->r[order][1][low][n] = inverse(variance - 2 * w * with + own);
        variance += 2 * w * with + own;
        scores->r[order][0][low][n] = inverse(variance);
        if (active >> at & 1) {
            weight[moving] = w;
            place[moving++] = (uint8_t)at;
        }
        at = seek_next_bit((unsigned)at, order, bytes);
    }
}

/* 1 / sqrt(N^2 variance) of every window, in the place of r: what the null multiplies with. */
void seek_inverse_take(const struct seek_sums *sums, uint64_t usable, unsigned bytes,
                       struct seek_scores *ret_inverse)
{
    struct products products;
    memset(ret_inverse, 0, sizeof *ret_inverse);
    multiply(sums, &products);
    for (unsigned order = 0; order < 2; order++)
        for (unsigned low = 0; low < 8 * bytes; low++)
            grow_inverse(&products, usable, sums->active, order, low, bytes, ret_inverse);
}

void seek_scores_take(const struct seek_sums *sums, uint64_t usable, unsigned bytes,
                      struct seek_scores *ret_scores)
{
    struct products products;
    memset(ret_scores, 0, sizeof *ret_scores);
    if (!(sums->active & usable))
        return;
    multiply(sums, &products);
    for (unsigned order = 0; order < 2; order++)
        for (unsigned low = 0; low < 8 * bytes; low++)
            grow(&products, usable, sums->active, order, low, bytes, ret_scores);
}
