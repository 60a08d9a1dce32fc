/* See bit_at_a_time.h. Slow on purpose: every bit is found by walking from the most significant
 * end, as a finger would over the drawing. */
#include "bit_at_a_time.h"

#include <math.h>

/* A finger on the drawing. */
struct place {
    unsigned byte, bit;
};

static bool is_end(const struct twin_span *span, struct place at)
{
    return at.byte == span->to_byte && at.bit == span->to_bit;
}

/* Down inside the byte; from bit 0 on to bit 7 of the next byte (Motorola: the span ends in a later
 * byte) or of the previous one (Intel: it ends in an earlier one). */
static struct place next(const struct twin_span *span, struct place at)
{
    if (at.bit > 0)
        return (struct place){at.byte, at.bit - 1};
    if (span->to_byte > span->from_byte)
        return (struct place){at.byte + 1, 7};
    return (struct place){at.byte - 1, 7};
}

static struct place faulty(const struct twin_span *span, struct place at, enum twin_fault fault)
{
    if (fault == TWIN_SHIFTED && at.bit > 0)
        at.bit--;
    if (fault == TWIN_SWAPPED_ORDER)
        at.byte = span->from_byte + span->to_byte - at.byte;
    return at;
}

static unsigned read_bit(const uint8_t *data, struct place at)
{
    unsigned value = data[at.byte];
    for (unsigned i = 0; i < at.bit; i++)
        value = value / 2;
    return value % 2;
}

static void write_bit(uint8_t *data, struct place at, unsigned bit)
{
    unsigned weight = 1;
    for (unsigned i = 0; i < at.bit; i++)
        weight = weight * 2;
    if (read_bit(data, at) && !bit)
        data[at.byte] = (uint8_t)(data[at.byte] - weight);
    if (!read_bit(data, at) && bit)
        data[at.byte] = (uint8_t)(data[at.byte] + weight);
}

static unsigned count_bits(const struct twin_span *spans, size_t count)
{
    unsigned bits = 0;
    for (size_t i = 0; i < count; i++) {
        struct place at = {spans[i].from_byte, spans[i].from_bit};
        for (bits++; !is_end(&spans[i], at); bits++)
            at = next(&spans[i], at);
    }
    return bits;
}

uint64_t twin_get(const uint8_t *data, const struct twin_span *spans, size_t count,
                  enum twin_fault fault)
{
    uint64_t raw = 0;
    unsigned taken = 0;
    for (size_t i = 0; i < count; i++) {
        const struct twin_span *span = &spans[fault == TWIN_PARTS_REVERSED ? count - 1 - i : i];
        struct place at = {span->from_byte, span->from_bit};
        for (;;) {
            unsigned bit = read_bit(data, faulty(span, at, fault));
            if (fault == TWIN_SHORT_MASK && taken == 0 && count_bits(spans, count) == 64)
                bit = 0;
            raw = raw * 2 + bit;
            taken++;
            if (is_end(span, at))
                break;
            at = next(span, at);
        }
    }
    return raw;
}

/* The n-th digit of raw in base two, counted from the most significant of `length`. */
static unsigned digit(uint64_t raw, unsigned length, unsigned n)
{
    for (unsigned i = n + 1; i < length; i++)
        raw = raw / 2;
    return (unsigned)(raw % 2);
}

void twin_put(uint8_t *data, const struct twin_span *spans, size_t count, uint64_t raw,
              enum twin_fault fault)
{
    unsigned length = count_bits(spans, count), done = 0;
    if (fault == TWIN_PUT_TOUCHES_BIT && spans[0].from_bit < 7)
        write_bit(data, (struct place){spans[0].from_byte, spans[0].from_bit + 1}, 0);
    for (size_t i = 0; i < count; i++) {
        struct place at = {spans[i].from_byte, spans[i].from_bit};
        for (;;) {
            write_bit(data, at, digit(raw, length, done++));
            if (is_end(&spans[i], at))
                break;
            at = next(&spans[i], at);
        }
    }
}

static uint64_t weight_of_top(unsigned length)
{
    uint64_t weight = 1;
    for (unsigned i = 1; i < length; i++)
        weight = weight * 2;
    return weight;
}

struct twin_number twin_signed(enum twin_kind kind, unsigned length, uint64_t raw,
                               enum twin_fault fault)
{
    uint64_t top = weight_of_top(length);
    bool top_set = raw / top % 2 == 1;
    uint64_t below = top_set ? raw - top : raw; /* the number that the other bits make */
    if (kind == TWIN_UNSIGNED || fault == TWIN_SIGN_FORGOTTEN)
        return (struct twin_number){false, raw};
    if (kind == TWIN_SIGN_MAGNITUDE)
        return (struct twin_number){top_set && below > 0, below};
    /* In two's complement the top bit counts -top; offset-binary is raw - top: positive when the
     * top bit is set. In both the other case is `below - top`. */
    if (top_set == (kind == TWIN_OFFSET_BINARY))
        return (struct twin_number){false, below};
    return (struct twin_number){true, top - below};
}

double twin_float(unsigned length, uint64_t raw)
{
    unsigned exponent_bits = length == 32 ? 8 : 11, fraction_bits = length == 32 ? 23 : 52;
    int bias = length == 32 ? 127 : 1023;
    double fraction = 0, weight = 0.5;
    unsigned exponent = 0;
    bool any = false;
    for (unsigned i = 0; i < exponent_bits; i++)
        exponent = exponent * 2 + digit(raw, length, 1 + i);
    for (unsigned i = 0; i < fraction_bits; i++, weight = weight / 2) {
        unsigned bit = digit(raw, length, 1 + exponent_bits + i);
        fraction += bit * weight;
        any |= bit;
    }
    double sign = digit(raw, length, 0) ? -1 : 1;
    if (exponent == (1u << exponent_bits) - 1)
        return any ? (double)NAN : sign * (double)INFINITY;
    if (exponent == 0)
        return sign * ldexp(fraction, 1 - bias);
    return sign * ldexp(1 + fraction, (int)exponent - bias);
}
