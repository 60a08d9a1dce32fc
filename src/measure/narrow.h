/* Narrow windows: 1 to 16 neighbouring bits of a frame in either order, read fast and by the
 * thousand, where counters and selectors are looked for. Core's general getter does the same for
 * any field; here the place is worked out once and each row costs a load and a shift. */
#ifndef LOOMTAP_SRC_MEASURE_NARROW_H
#define LOOMTAP_SRC_MEASURE_NARROW_H

#include <stdbool.h>
#include <stdint.h>

#include "loomtap/core/bits.h"
#include "loomtap/measure/kept.h"

#define NARROW_BITS_MAX 16

struct narrow {
    struct lt_span span;
    unsigned width;
    unsigned byte, shift; /* the first byte read, and where the value's lowest bit is then */
    bool swap;            /* Motorola across bytes */
    uint32_t mask;
};

/* The window of `width` bits whose lowest is at `lsb`. False when it leaves the frame, or when it
 * is Motorola and inside one byte (there both orders are the same, and Intel has it). */
static inline bool narrow_make(struct narrow *window, unsigned lsb, unsigned width, bool motorola,
                               unsigned length)
{
    unsigned along = lsb ^ 7u; /* places counted along the wire (core/bits.c) */
    if (motorola ? along < width - 1 : lsb + width > 8 * length)
        return false;
    unsigned msb = motorola ? (along - (width - 1)) ^ 7u : lsb + width - 1;
    if (motorola && msb / 8 == lsb / 8)
        return false;
    window->span = (struct lt_span){(uint16_t)msb, (uint16_t)lsb};
    window->width = width;
    window->swap = motorola;
    window->byte = motorola ? msb / 8 : lsb / 8;
    window->shift = motorola ? 8 * (3 - (lsb / 8 - msb / 8)) + lsb % 8 : lsb % 8;
    window->mask = ((uint32_t)1 << width) - 1;
    return true;
}

/* At most three bytes hold the window; the fourth is readable (kept.h). */
static inline uint32_t narrow_value(const struct narrow *window, const uint8_t *row)
{
    const uint8_t *at = row + window->byte;
    uint32_t word =
        window->swap ? (uint32_t)at[0] << 24 | (uint32_t)at[1] << 16 | (uint32_t)at[2] << 8 | at[3]
                     : (uint32_t)at[3] << 24 | (uint32_t)at[2] << 16 | (uint32_t)at[1] << 8 | at[0];
    return word >> window->shift & window->mask;
}

/* Both within one byte, and the one narrower than the other. */
static inline bool narrow_inside(const struct narrow *inner, const struct narrow *outer)
{
    return inner->span.msb / 8 == inner->span.lsb / 8 &&
           outer->span.msb / 8 == outer->span.lsb / 8 && inner->span.lsb >= outer->span.lsb &&
           inner->span.msb <= outer->span.msb && inner->width < outer->width;
}

static inline struct lt_bits narrow_bits(const struct narrow *window)
{
    return (struct lt_bits){.parts = 1, .part = {window->span}};
}

#endif
