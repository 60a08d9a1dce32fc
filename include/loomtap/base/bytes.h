/* Byte loads and stores whose names say width and order; unaligned addresses are fine. The caller
 * has checked the bounds (for parsers of foreign bytes there is the cursor below). */
#ifndef LOOMTAP_BASE_BYTES_H
#define LOOMTAP_BASE_BYTES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

static inline uint16_t lt_load16_be(const uint8_t *p)
{
    return (uint16_t)(p[0] << 8 | p[1]);
}

static inline uint16_t lt_load16_le(const uint8_t *p)
{
    return (uint16_t)(p[1] << 8 | p[0]);
}

static inline uint32_t lt_load32_be(const uint8_t *p)
{
    return (uint32_t)p[0] << 24 | (uint32_t)p[1] << 16 | (uint32_t)p[2] << 8 | p[3];
}

static inline uint32_t lt_load32_le(const uint8_t *p)
{
    return (uint32_t)p[3] << 24 | (uint32_t)p[2] << 16 | (uint32_t)p[1] << 8 | p[0];
}

/* gcc and clang turn these into one load, with a byte swap where the machine needs one. */
static inline uint64_t lt_load64_be(const uint8_t *p)
{
    return (uint64_t)lt_load32_be(p) << 32 | lt_load32_be(p + 4);
}

static inline uint64_t lt_load64_le(const uint8_t *p)
{
    return (uint64_t)lt_load32_le(p + 4) << 32 | lt_load32_le(p);
}

static inline void lt_store16_be(uint8_t *p, uint16_t v)
{
    p[0] = (uint8_t)(v >> 8);
    p[1] = (uint8_t)v;
}

static inline void lt_store32_be(uint8_t *p, uint32_t v)
{
    lt_store16_be(p, (uint16_t)(v >> 16));
    lt_store16_be(p + 2, (uint16_t)v);
}

/* How many bits are 1. Without an instruction for it the compilers would call a function. */
static inline unsigned lt_count_ones(uint64_t word)
{
    const uint64_t pairs = 0x5555555555555555, nibbles = 0x3333333333333333;
    word -= word >> 1 & pairs;
    word = (word & nibbles) + (word >> 2 & nibbles);
    word = (word + (word >> 4)) & 0x0F0F0F0F0F0F0F0F;
    return (unsigned)(word * 0x0101010101010101 >> 56);
}

/* What is left of a byte string. Every take checks the length and moves on only if all is there. */
struct lt_cursor {
    const uint8_t *at;
    size_t left;
};

static inline bool lt_take(struct lt_cursor *c, size_t count, const uint8_t **ret_bytes)
{
    if (c->left < count)
        return false;
    *ret_bytes = c->at;
    c->at += count;
    c->left -= count;
    return true;
}

static inline bool lt_take8(struct lt_cursor *c, uint8_t *ret_value)
{
    const uint8_t *p;
    if (!lt_take(c, 1, &p))
        return false;
    *ret_value = *p;
    return true;
}

static inline bool lt_take16_be(struct lt_cursor *c, uint16_t *ret_value)
{
    const uint8_t *p;
    if (!lt_take(c, 2, &p))
        return false;
    *ret_value = lt_load16_be(p);
    return true;
}

#endif
