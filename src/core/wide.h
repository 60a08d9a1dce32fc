/* Whole numbers of 128 bits, for the exact arithmetic of values: 64-bit raw values times a 63-bit
 * scale need 127. The products and quotients come from the compiler's 128-bit type where it has
 * one, and from the portable twins (always compiled, compared in the tests) where not. wide.c is
 * the one file that uses that type. */
#ifndef LOOMTAP_CORE_WIDE_H
#define LOOMTAP_CORE_WIDE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* high * 2^64 + low */
struct lt_wide {
    uint64_t high, low;
};

/* Sign and size; zero is never negative. */
struct lt_signed_wide {
    bool negative;
    struct lt_wide size;
};

static inline struct lt_wide lt_wide_of(uint64_t value)
{
    return (struct lt_wide){0, value};
}

static inline bool lt_wide_is_zero(struct lt_wide a)
{
    return !(a.high | a.low);
}

/* The size of a signed number, INT64_MIN included. */
static inline uint64_t lt_size_of(int64_t value)
{
    return value < 0 ? 0 - (uint64_t)value : (uint64_t)value;
}

static inline struct lt_signed_wide lt_signed_wide_of(int64_t value)
{
    return (struct lt_signed_wide){value < 0, lt_wide_of(lt_size_of(value))};
}

int lt_wide_compare(struct lt_wide a, struct lt_wide b); /* -1, 0, 1 */
unsigned lt_wide_bits(struct lt_wide a);                 /* 0 for 0, else the top bit's place + 1 */
/* False, with nothing written, where the result does not fit. */
bool lt_wide_add(struct lt_wide a, struct lt_wide b, struct lt_wide *ret_sum);
bool lt_wide_scale(struct lt_wide a, uint64_t b, struct lt_wide *ret_product);
bool lt_signed_wide_add(struct lt_signed_wide a, struct lt_signed_wide b,
                        struct lt_signed_wide *ret_sum);
/* a - b, a >= b */
struct lt_wide lt_wide_subtract(struct lt_wide a, struct lt_wide b);

struct lt_wide lt_wide_multiply(uint64_t a, uint64_t b);
struct lt_wide lt_wide_multiply_portable(uint64_t a, uint64_t b);
/* b is not 0. */
void lt_wide_divide(struct lt_wide a, struct lt_wide b, struct lt_wide *ret_quotient,
                    struct lt_wide *ret_rest);
void lt_wide_divide_portable(struct lt_wide a, struct lt_wide b, struct lt_wide *ret_quotient,
                             struct lt_wide *ret_rest);

/* num / den rounded once, half to even, to `digits` binary digits: 53 for a double, 24 for a float
 * (which the result then fits exactly). 0 < den < 2^127. */
double lt_wide_ratio(struct lt_wide num, struct lt_wide den, unsigned digits);

/* a / 10^decimals with just these decimals, 0..18; at most 41 bytes, not terminated. */
size_t lt_wide_print(char *ret_text, struct lt_signed_wide a, unsigned decimals);

#endif
