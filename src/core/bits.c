/* Places of fields: what two ends say, their text, and the general way to get and set the bits.
 * The drawing is in loomtap/core/bits.h and nowhere else.
 *
 * Two numberings are used. An end is 8 * byte + bit. Read along a Motorola field, bits go 7..0
 * inside a byte and on to the next byte: there the place along the wire is 8 * byte + (7 - bit),
 * which is the end with its low three bits turned over (end ^ 7). */
#include "loomtap/core/bits.h"

#include "loomtap/base/number.h"

enum { BYTE_MAX = 2047, FIELD_BITS_MAX = 64 };

static unsigned byte_of(unsigned end)
{
    return end >> 3;
}

static unsigned bit_of(unsigned end)
{
    return end & 7;
}

const char *lt_order_name(enum lt_order order)
{
    static const char *const names[] = {
        [LT_ORDER_NONE] = "none", [LT_ORDER_INTEL] = "intel", [LT_ORDER_MOTOROLA] = "motorola"};
    return names[order];
}

enum lt_order lt_span_order(struct lt_span span)
{
    if (byte_of(span.msb) == byte_of(span.lsb))
        return LT_ORDER_NONE;
    return span.msb > span.lsb ? LT_ORDER_INTEL : LT_ORDER_MOTOROLA;
}

unsigned lt_span_length(struct lt_span span)
{
    if (lt_span_order(span) == LT_ORDER_MOTOROLA)
        return (span.lsb ^ 7u) - (span.msb ^ 7u) + 1;
    return (unsigned)span.msb - span.lsb + 1;
}

enum lt_order lt_bits_order(const struct lt_bits *bits)
{
    enum lt_order order = LT_ORDER_NONE;
    for (unsigned i = 0; i < bits->parts && order == LT_ORDER_NONE; i++)
        order = lt_span_order(bits->part[i]);
    return order;
}

unsigned lt_bits_length(const struct lt_bits *bits)
{
    unsigned length = 0;
    for (unsigned i = 0; i < bits->parts; i++)
        length += lt_span_length(bits->part[i]);
    return length;
}

unsigned lt_bits_bytes(const struct lt_bits *bits)
{
    unsigned bytes = 0;
    for (unsigned i = 0; i < bits->parts; i++) {
        struct lt_span span = bits->part[i];
        unsigned last = byte_of(span.msb > span.lsb ? span.msb : span.lsb);
        bytes = last + 1 > bytes ? last + 1 : bytes;
    }
    return bytes;
}

unsigned lt_span_position(struct lt_span span, unsigned n)
{
    if (lt_span_order(span) == LT_ORDER_MOTOROLA)
        return ((span.msb ^ 7u) + n) ^ 7u;
    return span.msb - n;
}

/* The bits of one byte that belong to the span, as a mask. */
static unsigned mask_in_byte(struct lt_span span, unsigned byte)
{
    unsigned first = byte_of(span.msb), last = byte_of(span.lsb), mask = 0xFF;
    if (byte < (first < last ? first : last) || byte > (first < last ? last : first))
        return 0;
    if (byte == first)
        mask &= 0xFFu >> (7 - bit_of(span.msb));
    if (byte == last)
        mask &= 0xFFu << bit_of(span.lsb);
    return mask & 0xFF;
}

static bool spans_overlap(struct lt_span a, struct lt_span b)
{
    unsigned first = byte_of(a.msb < a.lsb ? a.msb : a.lsb);
    unsigned last = byte_of(a.msb < a.lsb ? a.lsb : a.msb);
    for (unsigned byte = first; byte <= last; byte++)
        if (mask_in_byte(a, byte) & mask_in_byte(b, byte))
            return true;
    return false;
}

bool lt_bits_equal(const struct lt_bits *a, const struct lt_bits *b)
{
    if (a->parts != b->parts)
        return false;
    for (unsigned i = 0; i < a->parts; i++)
        if (a->part[i].msb != b->part[i].msb || a->part[i].lsb != b->part[i].lsb)
            return false;
    return true;
}

bool lt_bits_overlap(const struct lt_bits *a, const struct lt_bits *b)
{
    for (unsigned i = 0; i < a->parts; i++)
        for (unsigned k = 0; k < b->parts; k++)
            if (spans_overlap(a->part[i], b->part[k]))
                return true;
    return false;
}

/* "3.5" off the front. Digits alone: no sign, no 0x. */
static bool take_end(struct lt_text *rest, uint16_t *ret_end)
{
    unsigned byte = 0;
    size_t digits = 0;
    for (; digits < rest->len && rest->at[digits] >= '0' && rest->at[digits] <= '9'; digits++) {
        byte = byte * 10 + (unsigned)(rest->at[digits] - '0');
        if (byte > BYTE_MAX)
            return false;
    }
    if (!digits || rest->len < digits + 2 || rest->at[digits] != '.')
        return false;
    char bit = rest->at[digits + 1];
    if (bit < '0' || bit > '7')
        return false;
    *ret_end = (uint16_t)(8 * byte + (unsigned)(bit - '0'));
    rest->at += digits + 2;
    rest->len -= digits + 2;
    return true;
}

bool lt_span_parse(struct lt_text text, struct lt_span *ret_span)
{
    struct lt_span span;
    if (!take_end(&text, &span.msb))
        return false;
    span.lsb = span.msb;
    if (lt_text_starts(text, "..")) {
        text.at += 2;
        text.len -= 2;
        if (!take_end(&text, &span.lsb))
            return false;
    }
    if (text.len || (lt_span_order(span) == LT_ORDER_NONE && span.msb < span.lsb) ||
        lt_span_length(span) > FIELD_BITS_MAX)
        return false;
    *ret_span = span;
    return true;
}

/* Does the last part name a bit that an earlier one has? */
static bool last_part_repeats(const struct lt_bits *bits)
{
    for (unsigned i = 0; i + 1 < bits->parts; i++)
        if (spans_overlap(bits->part[i], bits->part[bits->parts - 1]))
            return true;
    return false;
}

bool lt_bits_parse(struct lt_text text, struct lt_bits *ret_bits)
{
    struct lt_bits bits = {0};
    struct lt_text word;
    while (lt_text_word(&text, &word)) {
        if (bits.parts == LT_PARTS_MAX || !lt_span_parse(word, &bits.part[bits.parts]))
            return false;
        bits.parts++;
        if (last_part_repeats(&bits))
            return false;
    }
    if (!bits.parts || lt_bits_length(&bits) > FIELD_BITS_MAX)
        return false;
    *ret_bits = bits;
    return true;
}

size_t lt_span_print(char *ret_text, size_t size, struct lt_span span)
{
    if (span.msb == span.lsb)
        return lt_text_format(ret_text, size, "%u.%u", byte_of(span.msb), bit_of(span.msb));
    return lt_text_format(ret_text, size, "%u.%u..%u.%u", byte_of(span.msb), bit_of(span.msb),
                          byte_of(span.lsb), bit_of(span.lsb));
}

size_t lt_bits_print(char *ret_text, size_t size, const struct lt_bits *bits)
{
    size_t at = lt_text_format(ret_text, size, "%s", "");
    for (unsigned i = 0; i < bits->parts; i++) {
        if (i)
            at += lt_text_format(ret_text + at, size - at, " ");
        at += lt_span_print(ret_text + at, size - at, bits->part[i]);
    }
    return at;
}

/* Both ways go byte by byte: from the byte of the most significant bit to that of the least, which
 * is upwards for Motorola and downwards for Intel; nothing else differs. */
static uint64_t span_get(const uint8_t *data, struct lt_span span)
{
    unsigned byte = byte_of(span.msb), last = byte_of(span.lsb), low = bit_of(span.lsb);
    unsigned step = byte < last ? 1u : 0u - 1u;
    uint64_t raw = data[byte] & (0xFFu >> (7 - bit_of(span.msb)));
    if (byte == last)
        return raw >> low;
    for (byte += step; byte != last; byte += step)
        raw = raw << 8 | data[byte];
    return raw << (8 - low) | data[last] >> low;
}

/* Takes the span's bits off the low end of `raw` and gives back the rest. */
static uint64_t span_put(uint8_t *data, struct lt_span span, uint64_t raw)
{
    unsigned byte = byte_of(span.lsb), last = byte_of(span.msb);
    unsigned step = byte < last ? 1u : 0u - 1u;
    for (;; byte += step) {
        unsigned mask = mask_in_byte(span, byte);
        unsigned low = byte == byte_of(span.lsb) ? bit_of(span.lsb) : 0;
        unsigned count = (unsigned)__builtin_popcount(mask);
        data[byte] = (uint8_t)((data[byte] & ~mask) | ((unsigned)(raw & 0xFF) << low & mask));
        raw >>= count;
        if (byte == last)
            return raw;
    }
}

uint64_t lt_bits_get(const uint8_t *data, const struct lt_bits *bits)
{
    uint64_t raw = span_get(data, bits->part[0]);
    /* With a second part the first is shorter than 64 bits, and so is every later one. */
    for (unsigned i = 1; i < bits->parts; i++)
        raw = raw << lt_span_length(bits->part[i]) | span_get(data, bits->part[i]);
    return raw;
}

void lt_bits_put(uint8_t *data, const struct lt_bits *bits, uint64_t raw)
{
    for (unsigned i = bits->parts; i > 0; i--)
        raw = span_put(data, bits->part[i - 1], raw);
}
