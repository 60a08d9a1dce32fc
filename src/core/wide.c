/* Whole numbers of 128 bits. See wide.h. */
#include "core/wide.h"

#include <math.h>
#include <string.h>

#include "loomtap/base/number.h"

int lt_wide_compare(struct lt_wide a, struct lt_wide b)
{
    if (a.high != b.high)
        return a.high < b.high ? -1 : 1;
    return a.low < b.low ? -1 : a.low > b.low;
}

unsigned lt_wide_bits(struct lt_wide a)
{
    if (a.high)
        return 128u - (unsigned)__builtin_clzll(a.high);
    return a.low ? 64u - (unsigned)__builtin_clzll(a.low) : 0;
}

bool lt_wide_add(struct lt_wide a, struct lt_wide b, struct lt_wide *ret_sum)
{
    struct lt_wide sum;
    bool carry = __builtin_add_overflow(a.low, b.low, &sum.low);
    bool over = __builtin_add_overflow(a.high, b.high, &sum.high);
    if (over || __builtin_add_overflow(sum.high, (uint64_t)carry, &sum.high))
        return false;
    *ret_sum = sum;
    return true;
}

struct lt_wide lt_wide_subtract(struct lt_wide a, struct lt_wide b)
{
    return (struct lt_wide){a.high - b.high - (a.low < b.low), a.low - b.low};
}

bool lt_signed_wide_add(struct lt_signed_wide a, struct lt_signed_wide b,
                        struct lt_signed_wide *ret_sum)
{
    struct lt_signed_wide sum = a;
    if (a.negative == b.negative) {
        if (!lt_wide_add(a.size, b.size, &sum.size))
            return false;
    } else if (lt_wide_compare(a.size, b.size) >= 0) {
        sum.size = lt_wide_subtract(a.size, b.size);
    } else {
        sum.negative = b.negative;
        sum.size = lt_wide_subtract(b.size, a.size);
    }
    sum.negative = sum.negative && !lt_wide_is_zero(sum.size);
    *ret_sum = sum;
    return true;
}

bool lt_wide_scale(struct lt_wide a, uint64_t b, struct lt_wide *ret_product)
{
    struct lt_wide low = lt_wide_multiply(a.low, b), high = lt_wide_multiply(a.high, b);
    if (high.high || __builtin_add_overflow(low.high, high.low, &low.high))
        return false;
    *ret_product = low;
    return true;
}

/* 0 <= by < 128 */
static struct lt_wide shift_left(struct lt_wide a, unsigned by)
{
    if (by == 0)
        return a;
    if (by >= 64)
        return (struct lt_wide){a.low << (by - 64), 0};
    return (struct lt_wide){a.high << by | a.low >> (64 - by), a.low << by};
}

static struct lt_wide shift_right(struct lt_wide a, unsigned by)
{
    if (by == 0)
        return a;
    if (by >= 64)
        return (struct lt_wide){0, a.high >> (by - 64)};
    return (struct lt_wide){a.high >> by, a.low >> by | a.high << (64 - by)};
}

/* Schoolbook, with halves of 32 bits as digits. */
struct lt_wide lt_wide_multiply_portable(uint64_t a, uint64_t b)
{
    const uint64_t half = 0xFFFFFFFF;
    uint64_t low = (a & half) * (b & half);
    uint64_t cross = (a >> 32) * (b & half) + (low >> 32); /* cannot overflow */
    uint64_t other = (a & half) * (b >> 32) + (cross & half);
    uint64_t high = (a >> 32) * (b >> 32) + (cross >> 32) + (other >> 32);
    return (struct lt_wide){high, other << 32 | (low & half)};
}

/* Long division with binary digits. */
void lt_wide_divide_portable(struct lt_wide a, struct lt_wide b, struct lt_wide *ret_quotient,
                             struct lt_wide *ret_rest)
{
    struct lt_wide quotient = {0, 0}, rest = {0, 0};
    for (unsigned i = lt_wide_bits(a); i > 0; i--) {
        bool carry = rest.high >> 63; /* the doubled rest has 129 bits when b is above 2^127 */
        rest = shift_left(rest, 1);
        rest.low |= shift_right(a, i - 1).low & 1;
        quotient = shift_left(quotient, 1);
        if (carry || lt_wide_compare(rest, b) >= 0) {
            rest = lt_wide_subtract(rest, b);
            quotient.low |= 1;
        }
    }
    *ret_quotient = quotient;
    *ret_rest = rest;
}

#ifdef __SIZEOF_INT128__
__extension__ typedef unsigned __int128 native;

static native to_native(struct lt_wide a)
{
    return (native)a.high << 64 | a.low;
}

static struct lt_wide from_native(native a)
{
    return (struct lt_wide){(uint64_t)(a >> 64), (uint64_t)a};
}

struct lt_wide lt_wide_multiply(uint64_t a, uint64_t b)
{
    return from_native((native)a * b);
}

void lt_wide_divide(struct lt_wide a, struct lt_wide b, struct lt_wide *ret_quotient,
                    struct lt_wide *ret_rest)
{
    native top = to_native(a), bottom = to_native(b);
    *ret_quotient = from_native(top / bottom);
    *ret_rest = from_native(top % bottom);
}
#else
struct lt_wide lt_wide_multiply(uint64_t a, uint64_t b)
{
    return lt_wide_multiply_portable(a, b);
}

void lt_wide_divide(struct lt_wide a, struct lt_wide b, struct lt_wide *ret_quotient,
                    struct lt_wide *ret_rest)
{
    lt_wide_divide_portable(a, b, ret_quotient, ret_rest);
}
#endif

/* quotient * 2^power, rounded to `digits`; `more`: the true number is a little above. */
static double round_binary(struct lt_wide quotient, int power, bool more, unsigned digits)
{
    unsigned bits = lt_wide_bits(quotient);
    if (bits > digits) {
        unsigned drop = bits - digits;
        struct lt_wide kept = shift_right(quotient, drop),
                       half = shift_left(lt_wide_of(1), drop - 1);
        struct lt_wide lost = lt_wide_subtract(quotient, shift_left(kept, drop));
        int against_half = lt_wide_compare(lost, half);
        quotient = kept;
        power += (int)drop;
        if (against_half > 0 || (against_half == 0 && (more || (kept.low & 1))))
            quotient.low++;
    }
    return ldexp((double)quotient.low, power);
}

double lt_wide_ratio(struct lt_wide num, struct lt_wide den, unsigned digits)
{
    struct lt_wide quotient, rest, more;
    int power = 0;
    lt_wide_divide(num, den, &quotient, &rest);
    /* More binary digits until two past the last are known. The rest is below den < 2^127, so it
     * always has room to be shifted, and what comes is below 2^shift. */
    while (!lt_wide_is_zero(rest) && lt_wide_bits(quotient) < digits + 2) {
        unsigned room = 128 - lt_wide_bits(rest), wanted = 120 - lt_wide_bits(quotient);
        unsigned shift = room < wanted ? room : wanted;
        lt_wide_divide(shift_left(rest, shift), den, &more, &rest);
        quotient = shift_left(quotient, shift);
        quotient.high |= more.high;
        quotient.low |= more.low;
        power -= (int)shift;
    }
    return round_binary(quotient, power, !lt_wide_is_zero(rest), digits);
}

/* The decimal digits, at least `least` of them. */
static size_t print_digits(char *ret_text, struct lt_wide a, size_t least)
{
    char digits[39 + 1];
    size_t at = sizeof digits;
    while (a.high) {
        struct lt_wide rest;
        lt_wide_divide(a, lt_wide_of(10), &a, &rest);
        digits[--at] = (char)('0' + rest.low);
    }
    for (uint64_t low = a.low; low || sizeof digits - at < least; low /= 10)
        digits[--at] = (char)('0' + low % 10);
    memcpy(ret_text, digits + at, sizeof digits - at);
    return sizeof digits - at;
}

size_t lt_wide_print(char *ret_text, struct lt_signed_wide a, unsigned decimals)
{
    char digits[40];
    size_t count = print_digits(digits, a.size, decimals + 1), at = 0;
    if (a.negative)
        ret_text[at++] = '-';
    memcpy(ret_text + at, digits, count - decimals);
    at += count - decimals;
    if (!decimals)
        return at;
    ret_text[at++] = '.';
    memcpy(ret_text + at, digits + count - decimals, decimals);
    return at + decimals;
}
