/* Slow twins of measure/moments.h: one bit, one pair, one window at a time over the frames. */
#ifndef LOOMTAP_TESTS_NAIVE_MOMENTS_H
#define LOOMTAP_TESTS_NAIVE_MOMENTS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct naive_frames {
    unsigned length;
    size_t count;
    const uint8_t *bytes; /* count rows */
    const bool *next;     /* row follows the one above */
};

bool naive_bit(const struct naive_frames *frames, size_t row, unsigned position);
uint64_t naive_ones(const struct naive_frames *frames, unsigned i);
uint64_t naive_both(const struct naive_frames *frames, unsigned i, unsigned j);
/* Frames in which both flip; `against`: in opposite directions. */
uint64_t naive_flips(const struct naive_frames *frames, unsigned i, unsigned j, bool against);

/* Variance and mean square step of the value that `positions` (least significant first) make, the
 * top one negative if `is_signed`: two passes in long double. */
void naive_window(const struct naive_frames *frames, const unsigned *positions, unsigned length,
                  bool is_signed, long double *ret_variance, long double *ret_step);

#endif
