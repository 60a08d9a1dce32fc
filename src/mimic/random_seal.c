/* Check values of invented frames, and the words a profile has for them.
 *
 * Written bit by bit and apart from core/checksum, which judges the result in the tests. Sources
 * for the named ones: AUTOSAR "PRS E2E Protocol" (profiles 1, 2, 5), SAE J1939-71 as publicly
 * quoted (TSC1, XBR). */
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "mimic/random_car.h"

struct bytes {
    unsigned count;
    uint8_t byte[96];
};

static void add(struct bytes *bytes, unsigned value)
{
    if (bytes->count < sizeof(bytes->byte))
        bytes->byte[bytes->count++] = (uint8_t)value;
}

static uint32_t mirrored(uint32_t value, unsigned width)
{
    uint32_t result = 0;
    for (unsigned i = 0; i < width; i++)
        result |= (value >> i & 1) << (width - 1 - i);
    return result;
}

static uint32_t crc(const struct bytes *bytes, unsigned width, const struct lt_mimic_seal *seal)
{
    uint32_t top = 1u << (width - 1), mask = 2 * top - 1;
    uint32_t rest = seal->init;
    for (unsigned i = 0; i < bytes->count; i++) {
        uint32_t byte = seal->reflect ? mirrored(bytes->byte[i], 8) : bytes->byte[i];
        for (unsigned b = 8; b-- > 0;) {
            bool carry = ((rest & top) != 0) != (byte >> b & 1);
            rest = (rest << 1 ^ (carry ? seal->poly : 0)) & mask;
        }
    }
    return ((seal->reflect ? mirrored(rest, width) : rest) ^ seal->xorout) & mask;
}

static bool leaves_out_itself(enum lt_mimic_check_family family)
{
    return family == LT_MIMIC_E2E_P1 || family == LT_MIMIC_E2E_P2 || family == LT_MIMIC_E2E_P5 ||
           family == LT_MIMIC_TSC1 || family == LT_MIMIC_XBR;
}

/* Bytes that hold nothing but the check are left out by every family here; the others enter with
 * the check's own bits 0. */
static bool covers(const struct lt_mimic_seal *seal, struct lt_mimic_spot place, unsigned byte)
{
    unsigned own = 0;
    for (unsigned n = 0; n < place.bits; n++)
        own += lt_mimic_spot_bit(place, n) / 8 == byte;
    if (own == 8)
        return false;
    return own == 0 || !leaves_out_itself(seal->family);
}

static void add_hidden(struct bytes *bytes, const struct lt_mimic_seal *seal, const uint8_t *data)
{
    if (seal->hidden_count == 0)
        return;
    uint64_t counter = seal->has_counter ? lt_mimic_spot_get(seal->counter, data) : 0;
    switch (seal->mode) {
    case LT_MIMIC_HIDDEN_BOTH:
        for (unsigned i = 0; i < seal->hidden_count; i++)
            add(bytes, seal->hidden[i]);
        break;
    case LT_MIMIC_HIDDEN_LOW:
        add(bytes, seal->hidden[0]);
        break;
    case LT_MIMIC_HIDDEN_ALTERNATING:
        add(bytes, seal->hidden[counter & 1]);
        break;
    case LT_MIMIC_HIDDEN_NIBBLE:
        add(bytes, seal->hidden[0]);
        add(bytes, 0);
        break;
    case LT_MIMIC_HIDDEN_LIST:
        add(bytes, seal->hidden[counter % seal->hidden_count]);
        break;
    }
}

static bool hidden_comes_first(const struct lt_mimic_seal *seal)
{
    return seal->family == LT_MIMIC_E2E_P1 || seal->before;
}

static bool adds_id(const struct lt_mimic_seal *seal)
{
    return seal->with_id || seal->family == LT_MIMIC_TSC1 || seal->family == LT_MIMIC_XBR;
}

static void gather(struct bytes *bytes, const struct lt_mimic_seal *seal,
                   struct lt_mimic_spot place, const struct lt_mimic_random_frame *frame,
                   const uint8_t *data)
{
    bytes->count = 0;
    if (hidden_comes_first(seal))
        add_hidden(bytes, seal, data);
    for (unsigned i = 0; i < frame->len; i++) {
        unsigned at = seal->backwards ? frame->len - 1u - i : i;
        if (covers(seal, place, at))
            add(bytes, data[at]);
    }
    if (adds_id(seal)) {
        if (frame->extended) {
            add(bytes, frame->id >> 24);
            add(bytes, frame->id >> 16 & 255);
        }
        add(bytes, frame->id >> 8 & 255);
        add(bytes, frame->id & 255);
    }
    if (seal->with_length)
        add(bytes, frame->len);
    if (!hidden_comes_first(seal))
        add_hidden(bytes, seal, data);
}

/* Any mixing of content, a number that only sender and receiver count, and a key will do. */
static uint32_t keyed(struct lt_mimic_seal *seal, const struct bytes *bytes)
{
    uint64_t mix = seal->key ^ seal->freshness++ * 0x9E3779B97F4A7C15u;
    for (unsigned i = 0; i < bytes->count; i++) {
        mix = (mix ^ bytes->byte[i]) * 0xBF58476D1CE4E5B9u;
        mix ^= mix >> 29;
    }
    mix = (mix ^ mix >> 32) * 0x94D049BB133111EBu;
    return (uint32_t)(mix >> 32);
}

uint32_t lt_mimic_random_seal(struct lt_mimic_seal *seal, struct lt_mimic_spot place,
                              const struct lt_mimic_random_frame *frame, const uint8_t *data)
{
    struct bytes bytes;
    gather(&bytes, seal, place, frame, data);
    uint32_t value = seal->start, mask = seal->family == LT_MIMIC_NIBBLE_SUM ? 15 : 255;
    uint32_t sum = 0;
    for (unsigned i = 0; i < bytes.count; i++)
        sum += bytes.byte[i];
    if (seal->has_counter)
        sum += (uint32_t)lt_mimic_spot_get(seal->counter, data);
    switch (seal->family) {
    case LT_MIMIC_XOR:
        for (unsigned i = 0; i < bytes.count; i++)
            value ^= bytes.byte[i];
        break;
    case LT_MIMIC_SUM:
        for (unsigned i = 0; i < bytes.count; i++)
            value += bytes.byte[i];
        break;
    case LT_MIMIC_NIBBLE_SUM:
        for (unsigned i = 0; i < bytes.count; i++)
            value += (bytes.byte[i] & 15u) + (bytes.byte[i] >> 4);
        break;
    case LT_MIMIC_CRC8:
    case LT_MIMIC_E2E_P1:
    case LT_MIMIC_E2E_P2:
        return crc(&bytes, 8, seal);
    case LT_MIMIC_CRC16:
    case LT_MIMIC_E2E_P5:
        return crc(&bytes, 16, seal);
    case LT_MIMIC_CRC4:
        return crc(&bytes, 4, seal);
    case LT_MIMIC_TSC1:
        return ((sum >> 6 & 3) + (sum >> 3) + sum) & 7;
    case LT_MIMIC_XBR:
        return ((sum >> 4) + sum) & 15;
    case LT_MIMIC_KEYED:
        return keyed(seal, &bytes);
    }
    if (seal->complement)
        value = seal->complement == 'o' ? ~value : 0 - value;
    return value & mask;
}

/* Profile 1 in its third form sends a nibble of the id in the high nibble of byte 1. */
void lt_mimic_random_seal_nibble(const struct lt_mimic_seal *seal, uint8_t *data)
{
    if (seal->family == LT_MIMIC_E2E_P1 && seal->mode == LT_MIMIC_HIDDEN_NIBBLE)
        data[1] = (uint8_t)((data[1] & 0x0F) | (seal->hidden[1] & 0x0F) << 4);
}

/* --- words --- */

static void say(char *text, size_t size, size_t *used, const char *format, ...)
    __attribute__((format(printf, 4, 5)));
static void say(char *text, size_t size, size_t *used, const char *format, ...)
{
    va_list list;
    va_start(list, format);
    int len = *used < size ? vsnprintf(text + *used, size - *used, format, list) : 0;
    va_end(list);
    *used += (size_t)len;
}

static void say_range(char *text, size_t size, size_t *used, unsigned from, unsigned to)
{
    const char *comma = *used ? "," : "";
    if (from == to)
        say(text, size, used, "%s%u", comma, from);
    else
        say(text, size, used, "%s%u..%u", comma, from, to);
}

size_t lt_mimic_random_seal_over(const struct lt_mimic_random_frame *frame,
                                 const struct lt_mimic_random_field *field, char *ret_text,
                                 size_t size)
{
    size_t used = 0;
    const struct lt_mimic_seal *seal = &field->seal;
    unsigned from = 0, to = 0;
    bool open = false;
    ret_text[0] = 0;
    for (unsigned i = 0; i <= frame->len; i++) {
        unsigned at = seal->backwards ? frame->len - 1u - i : i;
        bool in = i < frame->len && covers(seal, field->spot, at);
        if (open && !in)
            say_range(ret_text, size, &used, from, to);
        if (in && !open)
            from = at;
        if (in)
            to = at;
        open = in;
    }
    return used;
}

const char *const lt_mimic_family_words[] = {
    "xor",    "sum",    "nibble-sum", "crc8",      "crc16",  "e2e-p1",
    "e2e-p2", "e2e-p5", "j1939-tsc1", "j1939-xbr", "affine", "authenticated"};
const char *const lt_mimic_hidden_words[] = {"both", "low", "alternating", "nibble", "list"};

static void say_options(const struct lt_mimic_seal *seal, char *text, size_t size, size_t *used)
{
    if (seal->family == LT_MIMIC_CRC8 || seal->family == LT_MIMIC_CRC16) {
        say(text, size, used, " poly 0x%X init 0x%X xorout 0x%X", seal->poly, seal->init,
            seal->xorout);
        if (seal->reflect)
            say(text, size, used, " reflect");
    }
    if (seal->start)
        say(text, size, used, " start 0x%X", seal->start);
    if (seal->complement)
        say(text, size, used, " complement %s", seal->complement == 'o' ? "ones" : "twos");
    if (seal->with_id)
        say(text, size, used, " with-id");
    if (seal->with_length)
        say(text, size, used, " with-length");
    for (unsigned i = 0; i < seal->hidden_count; i++)
        say(text, size, used, "%s0x%02X", i ? "," : " data-id ", seal->hidden[i]);
    if (seal->hidden_count)
        say(text, size, used, " %s %s", lt_mimic_hidden_words[seal->mode],
            hidden_comes_first(seal) ? "before" : "after");
}

size_t lt_mimic_random_seal_text(const struct lt_mimic_random_frame *frame,
                                 const struct lt_mimic_random_field *field, char *ret_text,
                                 size_t size)
{
    char over[64], place[32];
    size_t used = 0;
    lt_mimic_random_seal_over(frame, field, over, sizeof(over));
    lt_mimic_spot_text(field->spot, place, sizeof(place));
    unsigned low = lt_mimic_spot_bit(field->spot, 0);
    if (field->spot.bits == 8 && low % 8 == 0)
        snprintf(place, sizeof(place), "%u", low / 8);
    const struct lt_mimic_seal *seal = &field->seal;
    say(ret_text, size, &used, "%s over %s in %s", lt_mimic_family_words[seal->family], over,
        place);
    say_options(seal, ret_text, size, &used);
    if (seal->has_counter) {
        lt_mimic_spot_text(seal->counter, place, sizeof(place));
        say(ret_text, size, &used, " counter %s", place);
    }
    for (unsigned page = 0; page < frame->pages; page++)
        if (field->pages == 1u << page)
            say(ret_text, size, &used, " page %u", frame->page_value[page]);
    return used;
}
