/* Where a field's bits lie. This is the one definition of bit positions in the project.
 *
 * A position is written `byte.bit`: bytes count from 0 in the order sent, bit 0 is the least
 * significant bit of its byte. A field is named by its two ends, most significant first. The ends
 * alone fix length and byte order:
 *
 *   Motorola (big-endian): bits run down inside a byte, then on to bit 7 of the NEXT byte.
 *
 *      byte      0                 1                 2
 *      bit       7 6 5 4 3 2 1 0   7 6 5 4 3 2 1 0   7 6 5 4 3 2 1 0
 *      2.3..3.0 of `00 00 3A B7`:  byte 2 = 3A = 0011 1010, byte 3 = B7 = 1011 0111
 *                                            .... 1010             1011 0111    -> AB7 = 2743
 *
 *   Intel (little-endian): bits run down inside a byte, then on to bit 7 of the PREVIOUS byte.
 *
 *      3.7..2.4 of `00 00 3A B7`:  byte 3 = B7 = 1011 0111, byte 2 = 3A = 0011 1010
 *                                            1011 0111             0011 ....    -> B73 = 2931
 *
 *   Inside one byte both are the same: 3.6..3.4 has no order.
 *
 * Layouts as in AUTOSAR COM (opaque names aside) and common practice. */
#ifndef LOOMTAP_CORE_BITS_H
#define LOOMTAP_CORE_BITS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/text.h"

enum lt_order {
    LT_ORDER_NONE, /* the field lies inside one byte */
    LT_ORDER_INTEL,
    LT_ORDER_MOTOROLA,
};

/* Ends as 8 * byte + bit (so 0.7 is 7 and 1.0 is 8). Bytes 0..2047: transported messages are
 * longer than frames. */
struct lt_span {
    uint16_t msb, lsb;
};

#define LT_PARTS_MAX 8

/* A field: one span, or several (most significant part first). 1..64 bits in all. */
struct lt_bits {
    uint8_t parts; /* 1..LT_PARTS_MAX */
    struct lt_span part[LT_PARTS_MAX];
};

const char *lt_order_name(enum lt_order order); /* "none", "intel", "motorola" */

/* What the ends say. Length in bits: Intel msb - lsb + 1; Motorola counts along the bytes. */
enum lt_order lt_span_order(struct lt_span span);
unsigned lt_span_length(struct lt_span span);
/* The order of the first part that spans bytes, LT_ORDER_NONE if none does. */
enum lt_order lt_bits_order(const struct lt_bits *bits);
unsigned lt_bits_length(const struct lt_bits *bits);
/* Bytes a frame must have so that the whole field is in it. */
unsigned lt_bits_bytes(const struct lt_bits *bits);
/* Position (8 * byte + bit) of the field's n-th bit, n = 0 the most significant. n < length. */
unsigned lt_span_position(struct lt_span span, unsigned n);
/* The same parts in the same order. */
bool lt_bits_equal(const struct lt_bits *a, const struct lt_bits *b);
bool lt_bits_overlap(const struct lt_bits *a, const struct lt_bits *b);

/* "0.7..1.0", "3.5" and, for lt_bits_parse, several of them with blanks between. False when the
 * text is not that, a bit is above 7, a byte above 2047, or the whole is longer than 64 bits or
 * names a bit twice. ("0.3..0.7" is refused as well: inside a byte the first end is the higher.) */
bool lt_span_parse(struct lt_text text, struct lt_span *ret_span);
bool lt_bits_parse(struct lt_text text, struct lt_bits *ret_bits);
/* The inverse; room for 128 bytes; returns the length, terminated. */
size_t lt_span_print(char *ret_text, size_t size, struct lt_span span);
size_t lt_bits_print(char *ret_text, size_t size, const struct lt_bits *bits);

/* The raw value of a field / the field set to a raw value (other bits stay). These are the general
 * forms, a few instructions a byte; decoding uses the prepared ones of plan.h. The field must lie
 * inside `data`. */
uint64_t lt_bits_get(const uint8_t *data, const struct lt_bits *bits);
void lt_bits_put(uint8_t *data, const struct lt_bits *bits, uint64_t raw);

#endif
