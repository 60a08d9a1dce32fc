/* How far down a number's bits are proven.
 *
 * A number is the sum of its bits by their weights, so the regression of the reference on all bits
 * of a window gives each bit's own weight, with a standard error. A bit is proven where its weight
 * stands clear of its error and is what its place in the number says: half of the one above it. A
 * bit that is far from that ends the number; one whose error is too large says nothing (the top
 * ones, which hardly move, and those that are finer than the reference can tell).
 *
 * Residuals stick together, so the errors are widened by their first-order correlation. */
#include "seek/search.h"

#define SAMPLES  3000u
#define CLEAR    4.0 /* errors */
#define AS_MEANT 0.35
#define RIDGE    1e-9

struct matrix {
    double cell[LT_WINDOW_MAX][LT_WINDOW_MAX + 1];
};

struct proof {
    const struct seek_window *window;
    const struct seek_course *course;
    const struct seek_fit *fit;
    struct lt_bits bits;
    unsigned length;
    double mean[LT_WINDOW_MAX], mean_y, n;
    double weight[LT_WINDOW_MAX];
    struct matrix inverse;
};

static bool value_at(const struct proof *proof, const uint32_t *rows, size_t i, uint64_t *ret_raw,
                     double *ret_y)
{
    double ignored, y = proof->course->value[i];
    if (rows[i] == SEEK_NO_ROW ||
        !seek_window_value(proof->window, &proof->bits, rows[i], &ignored))
        return false;
    *ret_raw = lt_bits_get(lt_kept_row(&proof->window->view->kept, rows[i]), &proof->bits);
    *ret_y = proof->fit->reciprocal ? 1 / y : y;
    if (proof->window->sign == LT_SIGN_MAGNITUDE && *ret_raw >> proof->length & 1)
        *ret_y = -*ret_y;
    double away = proof->fit->scale * ignored + proof->fit->offset - y;
    /* What the fit left out is left out here. */
    return isfinite(*ret_y) &&
           (proof->fit->reciprocal || fabs(away) <= CLEAR * 2 * proof->fit->rmse);
}

static void take_means(struct proof *proof, const uint32_t *rows, size_t every)
{
    uint64_t raw;
    double y;
    for (size_t i = 0; i < proof->course->count; i += every) {
        if (!value_at(proof, rows, i, &raw, &y))
            continue;
        proof->n++;
        proof->mean_y += (y - proof->mean_y) / proof->n;
        for (unsigned b = 0; b < proof->length; b++)
            proof->mean[b] += ((double)(raw >> b & 1) - proof->mean[b]) / proof->n;
    }
}

/* Products of the bits, and in the last column with the reference. */
static void take_products(const struct proof *proof, const uint32_t *rows, size_t every,
                          struct matrix *products)
{
    uint64_t raw;
    double y, x[LT_WINDOW_MAX];
    memset(products, 0, sizeof *products);
    for (size_t i = 0; i < proof->course->count; i += every) {
        if (!value_at(proof, rows, i, &raw, &y))
            continue;
        for (unsigned b = 0; b < proof->length; b++)
            x[b] = (double)(raw >> b & 1) - proof->mean[b];
        for (unsigned b = 0; b < proof->length; b++) {
            for (unsigned c = 0; c <= b; c++)
                products->cell[b][c] += x[b] * x[c];
            products->cell[b][LT_WINDOW_MAX] += x[b] * (y - proof->mean_y);
        }
    }
    for (unsigned b = 0; b < proof->length; b++) {
        products->cell[b][b] += RIDGE * proof->n;
        for (unsigned c = 0; c < b; c++)
            products->cell[c][b] = products->cell[b][c];
    }
}

/* Gauss and Jordan on a symmetric positive matrix: no pivots needed. False where it is none. */
static bool invert(struct matrix *matrix, unsigned size, struct matrix *ret_inverse)
{
    memset(ret_inverse, 0, sizeof *ret_inverse);
    for (unsigned i = 0; i < size; i++)
        ret_inverse->cell[i][i] = 1;
    for (unsigned i = 0; i < size; i++) {
        double pivot = matrix->cell[i][i];
        if (!(pivot > 0))
            return false;
        for (unsigned k = 0; k < size; k++) {
            matrix->cell[i][k] /= pivot;
            ret_inverse->cell[i][k] /= pivot;
        }
        for (unsigned row = 0; row < size; row++) {
            double part = matrix->cell[row][i];
            if (row == i || part == 0)
                continue;
            for (unsigned k = 0; k < size; k++) {
                matrix->cell[row][k] -= part * matrix->cell[i][k];
                ret_inverse->cell[row][k] -= part * ret_inverse->cell[i][k];
            }
        }
    }
    return true;
}

/* Variance of the residual, as wide as its memory makes it. */
static double residual_variance(const struct proof *proof, const uint32_t *rows, size_t every)
{
    double squares = 0, both = 0, before = NAN, y;
    uint64_t raw;
    for (size_t i = 0; i < proof->course->count; i += every) {
        if (!value_at(proof, rows, i, &raw, &y))
            continue;
        double now = y - proof->mean_y;
        for (unsigned b = 0; b < proof->length; b++)
            now -= proof->weight[b] * ((double)(raw >> b & 1) - proof->mean[b]);
        squares += now * now;
        both += isfinite(before) ? now * before : 0;
        before = now;
    }
    double rho = squares > 0 ? fmin(fmax(both / squares, 0), 0.95) : 0;
    return squares / fmax(proof->n - proof->length, 1) * (1 + rho) / (1 - rho);
}

/* The lowest bit that is proven, none of those above it being something else. */
static unsigned lowest_proven(const struct proof *proof, double variance)
{
    unsigned lowest = proof->length - 1;
    for (unsigned b = proof->length; b-- > 0;) {
        double meant = ldexp(proof->fit->scale, (int)b);
        if (b + 1 == proof->length && proof->window->sign == LT_TWOS)
            meant = -meant;
        double error = sqrt(fmax(variance * proof->inverse.cell[b][b], 0));
        double away = fabs(proof->weight[b] - meant);
        if (away > CLEAR * error + AS_MEANT * fabs(meant))
            return lowest;
        if (fabs(proof->weight[b]) > CLEAR * error && away <= AS_MEANT * fabs(meant))
            lowest = b;
    }
    return lowest;
}

void seek_prove(const struct seek_window *window, const struct seek_course *course,
                const struct seek_fit *fit, uint32_t *rows, struct lt_bits *ret_proven)
{
    struct matrix products;
    struct proof proof = {.window = window,
                          .course = course,
                          .fit = fit,
                          .bits = seek_window_bits(window),
                          .length = window->length - (window->sign == LT_SIGN_MAGNITUDE)};
    size_t every = course->count / SAMPLES + 1;
    seek_rows(window->view, course, (int64_t)llround((fit->lag_s + fit->filter_s) * NS_PER_S),
              rows);
    take_means(&proof, rows, every);
    take_products(&proof, rows, every, &products);
    struct matrix copy = products;
    unsigned lowest = proof.length - 1;
    if (proof.n > 2.0 * proof.length && invert(&copy, proof.length, &proof.inverse)) {
        for (unsigned b = 0; b < proof.length; b++)
            for (unsigned c = 0; c < proof.length; c++)
                proof.weight[b] += proof.inverse.cell[b][c] * products.cell[c][LT_WINDOW_MAX];
        lowest = lowest_proven(&proof, residual_variance(&proof, rows, every));
    }
    *ret_proven = proof.bits;
    ret_proven->part[0].lsb =
        (uint16_t)lt_span_position(proof.bits.part[0], window->length - 1u - lowest);
}
