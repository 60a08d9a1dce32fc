/* Frames of one stream, kept for what needs the frames themselves: selectors, counters, checksums,
 * text, and the fields' courses over time.
 *
 * A *stream* is everything on one bus with one identifier, kind and length. Short captures are kept
 * whole; of long ones the collector (collect.h) keeps whole runs of neighbouring frames, spread
 * over the capture, and every frame that moves a bit which has hardly moved before. */
#ifndef LOOMTAP_MEASURE_KEPT_H
#define LOOMTAP_MEASURE_KEPT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/arena.h"
#include "loomtap/base/error.h"
#include "loomtap/core/bits.h"
#include "loomtap/core/frame.h"

struct lt_stream_key {
    uint32_t id;
    uint16_t bus; /* index in the reader's list of bus names */
    bool extended, fd;
    uint8_t length; /* data bytes, 0..64 */
};

/* "0C4", "18FEF100". */
#define LT_STREAM_ID_ROOM 12
void lt_stream_id_print(char ret_text[LT_STREAM_ID_ROOM], const struct lt_stream_key *key);

enum lt_kept_flag {
    /* The stream's (or page's) very next frame after the one above it here: nothing was thinned out
     * between them. Frames that the recording lost may be missing. */
    LT_KEPT_FOLLOWS = 1 << 0,
    /* FOLLOWS, and by its time no frame was lost and the sender did not pause: at most 1.5 periods
     * after it, where the stream is cyclic; always, where it is not. */
    LT_KEPT_NEXT = 1 << 1,
};

struct lt_kept {
    struct lt_stream_key key;
    size_t count;
    const int64_t *time_ns; /* count; that of the frame before (or 0) where a frame has none */
    const uint8_t *flags;   /* count; enum lt_kept_flag, other bits mean nothing here */
    const uint8_t *bytes;   /* count rows of key.length bytes; 8 more bytes are readable behind */
    bool whole;             /* every frame of the stream is here */
};

/* The bytes of a row. */
static inline const uint8_t *lt_kept_row(const struct lt_kept *kept, size_t row)
{
    return kept->bytes + row * kept->key.length;
}

/* The rows of one page: those in which the selector's bits hold `page`. Flags are worked out anew,
 * with `period_ns` of the page (0: not cyclic). Memory comes from `arena`. */
enum lt_code lt_kept_page(const struct lt_kept *kept, const struct lt_bits *selector, uint64_t page,
                          int64_t period_ns, struct lt_arena *arena, struct lt_kept *ret_page,
                          struct lt_error *error);

/* A set of the frame's bits, by position 8 * byte + bit (core/bits.h). */
struct lt_bit_set {
    uint64_t word[8];
};
static inline bool lt_bit_set_has(const struct lt_bit_set *set, unsigned position)
{
    return set->word[position / 64] >> position % 64 & 1;
}
static inline void lt_bit_set_add(struct lt_bit_set *set, unsigned position)
{
    set->word[position / 64] |= (uint64_t)1 << position % 64;
}
void lt_bit_set_add_bits(struct lt_bit_set *set, const struct lt_bits *bits);
bool lt_bit_set_meets(const struct lt_bit_set *set, const struct lt_bits *bits);

#endif
