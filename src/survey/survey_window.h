/* A field's bits where many rows are read: worked out once, then one load, a shift and a mask each.
 * What does not lie within eight bytes, or in one piece, is read by the general way. */
#ifndef LOOMTAP_SRC_SURVEY_SURVEY_WINDOW_H
#define LOOMTAP_SRC_SURVEY_SURVEY_WINDOW_H

#include "loomtap/base/bytes.h"
#include "loomtap/core/bits.h"

struct survey_window {
    const struct lt_bits *general; /* NULL where one load does */
    bool motorola;
    unsigned byte, shift;
    uint64_t mask;
};

/* `bits` must stay where it is. */
static inline struct survey_window survey_window_of(const struct lt_bits *bits)
{
    struct lt_span span = bits->part[0];
    unsigned first = span.msb / 8u, last = span.lsb / 8u, length = lt_bits_length(bits);
    unsigned bytes = (first < last ? last - first : first - last) + 1;
    return (struct survey_window){
        .general = bits->parts == 1 && bytes <= 8 ? NULL : bits,
        .motorola = first < last,
        .byte = first < last ? first : last,
        .shift = first < last && bytes <= 8 ? 8 * (8 - bytes) + span.lsb % 8u : span.lsb % 8u,
        .mask = length < 64 ? (UINT64_C(1) << length) - 1 : UINT64_MAX,
    };
}

/* Eight bytes behind the last of `data` are readable. */
static inline uint64_t survey_window_get(const struct survey_window *window, const uint8_t *data)
{
    if (window->general)
        return lt_bits_get(data, window->general);
    uint64_t word =
        window->motorola ? lt_load64_be(data + window->byte) : lt_load64_le(data + window->byte);
    return word >> window->shift & window->mask;
}

#endif
