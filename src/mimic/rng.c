/* SplitMix64 (Steele, Lea, Flood 2014): one 64-bit word of state, a Weyl sequence put through a
 * mixing function. Good enough for jitter and noise, and the same on every machine. */
#include "mimic/rng.h"

#define WEYL_STEP 0x9E3779B97F4A7C15u

void lt_mimic_rng_init(struct lt_mimic_rng *rng, uint64_t seed, uint64_t stream)
{
    rng->state = seed;
    /* Mixed once, so that neighbouring seeds and streams do not give shifted copies. */
    rng->state = lt_mimic_rng_u64(rng) ^ stream * 0xD1B54A32D192ED03u;
    rng->state = lt_mimic_rng_u64(rng);
}

uint64_t lt_mimic_rng_u64(struct lt_mimic_rng *rng)
{
    rng->state += WEYL_STEP;
    uint64_t z = rng->state;
    z = (z ^ z >> 30) * 0xBF58476D1CE4E5B9u;
    z = (z ^ z >> 27) * 0x94D049BB133111EBu;
    return z ^ z >> 31;
}

double lt_mimic_rng_between(struct lt_mimic_rng *rng, double low, double high)
{
    double unit = (double)(lt_mimic_rng_u64(rng) >> 11) * (1.0 / 9007199254740992.0);
    return low + unit * (high - low);
}
