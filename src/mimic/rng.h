/* Seeded random numbers. Every stream has its state in its owner's struct; nothing is shared, so
 * the same seed gives the same traffic whatever else draws numbers. */
#ifndef MIMIC_RNG_H
#define MIMIC_RNG_H

#include <stdint.h>

struct lt_mimic_rng {
    uint64_t state;
};

/* One seed serves several streams that are independent of each other. */
void lt_mimic_rng_init(struct lt_mimic_rng *rng, uint64_t seed, uint64_t stream);
uint64_t lt_mimic_rng_u64(struct lt_mimic_rng *rng);
/* low <= value < high, in steps of 2^-53 of the span. */
double lt_mimic_rng_between(struct lt_mimic_rng *rng, double low, double high);

#endif
