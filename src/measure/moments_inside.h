/* Moments, what the collector needs besides the public part. */
#ifndef LOOMTAP_MEASURE_MOMENTS_INSIDE_H
#define LOOMTAP_MEASURE_MOMENTS_INSIDE_H

#include <assert.h>
#include <stddef.h>

#include "loomtap/measure/moments.h"

/* Memory held, without the bands given out. */
size_t lt_moments_bytes(const struct lt_moments *moments);

/* How many bits have moved. */
unsigned lt_moments_moving(struct lt_moments *moments);
/* Is everything counted that was added? True once in 64 frames. */
bool lt_moments_block_is_empty(const struct lt_moments *moments);

#endif
