/* Moments, what the collector needs besides the public part. */
#ifndef LOOMTAP_MEASURE_MOMENTS_INSIDE_H
#define LOOMTAP_MEASURE_MOMENTS_INSIDE_H

#include <assert.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/measure/moments.h"

/* Memory held, without the bands given out. */
size_t lt_moments_bytes(const struct lt_moments *moments);

/* lt_moments_add for 1 to 8 bytes, as one word (words.h). True where a block was counted, once in
 * 64 frames: the memory held may have grown. */
bool lt_moments_add_word(struct lt_moments *moments, uint64_t word, bool is_next);
/* Is everything counted that was added? True once in 64 frames. */
bool lt_moments_block_is_empty(const struct lt_moments *moments);

#endif
