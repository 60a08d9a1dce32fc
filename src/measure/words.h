/* A frame's data as words of 8 bytes, first byte lowest. */
#ifndef LOOMTAP_MEASURE_WORDS_H
#define LOOMTAP_MEASURE_WORDS_H

#include <stdint.h>

#include "loomtap/base/bytes.h"
#include "loomtap/core/frame.h"

#define LT_WORDS_MAX (LT_FRAME_MAX / 8)

/* `length` bytes at most 8. */
static inline uint64_t lt_short_word(const uint8_t *data, unsigned length)
{
    if (length == 8)
        return lt_load64_le(data);
    if (length >= 4) /* the two halves meet or overlap */
        return lt_load32_le(data) | (uint64_t)lt_load32_le(data + length - 4) << 8 * (length - 4);
    uint64_t word = 0;
    for (unsigned i = 0; i < length; i++)
        word |= (uint64_t)data[i] << 8 * i;
    return word;
}

/* Bytes past the length are 0. */
static inline void lt_words_of(uint64_t *ret_words, const uint8_t *data, unsigned length)
{
    unsigned word = 0;
    for (; length >= 8; length -= 8, data += 8)
        ret_words[word++] = lt_load64_le(data);
    if (length != 0)
        ret_words[word] = lt_short_word(data, length);
}

#endif
