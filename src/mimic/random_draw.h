/* Draws from a stream of random numbers in the forms that inventing a car needs. Only + - * / and
 * square root, so that every machine draws the same. */
#ifndef MIMIC_RANDOM_DRAW_H
#define MIMIC_RANDOM_DRAW_H

#include <stdbool.h>

#include "mimic/rng.h"

static inline double draw_between(struct lt_mimic_rng *rng, double low, double high)
{
    return lt_mimic_rng_between(rng, low, high);
}

/* 0 .. count - 1; 0 for a count of 0. */
static inline unsigned draw_below(struct lt_mimic_rng *rng, unsigned count)
{
    return count ? (unsigned)((lt_mimic_rng_u64(rng) >> 32) * count >> 32) : 0;
}

static inline bool draw_chance(struct lt_mimic_rng *rng, double chance)
{
    return lt_mimic_rng_between(rng, 0, 1) < chance;
}

/* About evenly spread over the logarithm: whole doublings, then evenly inside the last one. */
static inline double draw_log(struct lt_mimic_rng *rng, double low, double high)
{
    unsigned doublings = 0;
    while (doublings < 60 && low * (double)(1ull << (doublings + 1)) <= high)
        doublings++;
    double from = low * (double)(1ull << draw_below(rng, doublings + 1));
    double to = from * 2 < high ? from * 2 : high;
    return draw_between(rng, from, to);
}

/* Mean 0, deviation 1, never beyond 3.5: four even draws added. */
static inline double draw_bell(struct lt_mimic_rng *rng)
{
    double sum = 0;
    for (int i = 0; i < 4; i++)
        sum += lt_mimic_rng_between(rng, -1, 1);
    return sum * 0.8660254037844386;
}

/* An index by weights that add up to anything. */
static inline unsigned draw_weighted(struct lt_mimic_rng *rng, const double *weights,
                                     unsigned count)
{
    double sum = 0;
    for (unsigned i = 0; i < count; i++)
        sum += weights[i];
    double left = draw_between(rng, 0, sum);
    for (unsigned i = 0; i + 1 < count; i++) {
        if (left < weights[i])
            return i;
        left -= weights[i];
    }
    return count - 1;
}

#endif
