/* What the bits of a stream do: counts from which every window's variance and step energy follow
 * exactly. All are whole numbers, so adding the counts of two captures, or of two threads, gives
 * the counts of both. Constant memory.
 *
 * With b_i(k) bit i of frame k, and d_i(k) = b_i(k) - b_i(k-1) over frames that are truly next to
 * each other:
 *
 *     ones_i      sum b_i                both_ij     sum b_i b_j
 *     flips_i     sum |d_i|              flips_ij    sum |d_i d_j|     (who flips with whom)
 *                                        against_ij  how many of those in opposite directions
 *                                        step_ij     sum d_i d_j = flips_ij - 2 against_ij
 *
 * A window with bit weights s (2^k, the top one -2^k in two's complement) has
 *     variance     s' C s,   C_ij = both_ij / N - ones_i ones_j / N^2
 *     step energy  s' D s,   D_ij = step_ij / steps
 *     smoothness   eta = (s' D s) / (s' C s):  near 0 for a physical field, 2 for random bits
 * (the ratio of mean square successive difference to variance, von Neumann, Annals of Mathematical
 * Statistics 12, 1941). Sums are kept in whole numbers until the last division: sign extension and
 * values around a power of two cancel.
 *
 * Frames longer than 8 bytes are held in bands of 8 bytes, one every 4 bytes, so that every window
 * of up to 32 bits lies in at least one band. Bit positions here are those inside the band. */
#ifndef LOOMTAP_MEASURE_MOMENTS_H
#define LOOMTAP_MEASURE_MOMENTS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/core/bits.h"
#include "loomtap/measure/kept.h"

#define LT_BAND_BITS  64u
#define LT_BANDS_MAX  15u /* bytes 0..7, 4..11, ... 56..63 */
#define LT_WINDOW_MAX 32u /* bits; longer fields are put together from their parts */

struct lt_band {
    uint8_t first_byte, bytes; /* of the frame */
    uint64_t ones[LT_BAND_BITS], flips[LT_BAND_BITS];
    /* [i][j] with i >= j is filled; [i][i] is ones and flips again. */
    uint64_t both[LT_BAND_BITS][LT_BAND_BITS];
    uint64_t flip_pairs[LT_BAND_BITS][LT_BAND_BITS];
    uint64_t against[LT_BAND_BITS][LT_BAND_BITS];
};

struct lt_moments; /* of one page of one stream */

enum lt_code lt_moments_new(struct lt_moments **ret_moments, unsigned length,
                            struct lt_error *error);
void lt_moments_free(struct lt_moments *moments);
/* `is_next`: truly next to the frame added before it, else its step is not counted. */
void lt_moments_add(struct lt_moments *moments, const uint8_t *data, bool is_next);
/* All rows of `kept`; steps are counted where LT_KEPT_NEXT is set. */
void lt_moments_add_kept(struct lt_moments *moments, const struct lt_kept *kept);
/* `into` += `from`, both of the same length. */
void lt_moments_merge(struct lt_moments *into, const struct lt_moments *from);

/* Frames are taken in blocks of 64; these bring the counts up to date first. */
uint64_t lt_moments_frames(struct lt_moments *moments);
uint64_t lt_moments_steps(struct lt_moments *moments); /* pairs of frames next to each other */
/* Borrowed until the next frame is added, or lt_moments_fold. 0 without memory (and for no data).
 */
size_t lt_moments_bands(struct lt_moments *moments, const struct lt_band *const **ret_bands);
/* Gives back the memory of the bands (100 KB each; counts themselves take a tenth): worth it where
 * many streams are looked at one after another. */
void lt_moments_fold(struct lt_moments *moments);
/* Memory ran out on the way, so that counts are missing. */
bool lt_moments_failed(const struct lt_moments *moments);
/* Of the whole frame, by its own bit positions. */
void lt_moments_activity(struct lt_moments *moments, uint64_t ret_ones[512],
                         uint64_t ret_flips[512]);

enum lt_window_sign { LT_WINDOW_UNSIGNED, LT_WINDOW_TWOS };

/* One window of a band. `low` is the position in the band of its least significant bit; bits run up
 * from there in `order` (LT_ORDER_INTEL: byte by byte upwards; LT_ORDER_MOTOROLA: bytes
 * downwards; either inside a byte). */
struct lt_window {
    enum lt_order order;
    uint8_t low, length;
    enum lt_window_sign sign;
};

struct lt_window_score {
    double variance; /* in quanta squared; 0: the window never moved */
    double step;     /* mean square step, in quanta squared */
    double eta;      /* step / variance; NaN where the variance is 0 or there are no steps */
};

/* The position inside the band of the window's n-th bit from the least significant, or -1 where the
 * window leaves the band. */
int lt_window_bit(const struct lt_band *band, const struct lt_window *window, unsigned n);
struct lt_window_score lt_window_score(const struct lt_band *band, uint64_t frames, uint64_t steps,
                                       const struct lt_window *window);
/* Every window of the band with one order and one least significant bit, lengths 1..32:
 * ret_scores[length - 1]; returns how many lengths fit. Grows bit by bit: the same figures as one
 * at a time for less work. */
unsigned lt_window_scores(const struct lt_band *band, uint64_t frames, uint64_t steps,
                          enum lt_order order, unsigned low, enum lt_window_sign sign,
                          struct lt_window_score ret_scores[LT_WINDOW_MAX]);

#endif
