/* A frame's checksum by tables: two look-ups and two sums a byte.
 *
 * Nearly every family is linear in the bits that it covers, once the counter that may choose a
 * hidden byte is fixed: XORs of bits and CRCs over GF(2), sums modulo 2^width. So
 *
 *     check = constant[counter]  (+)  low[0][byte 0]  (+)  high[0][byte 0]  (+)  low[1] ...
 *
 * where (+) is XOR or addition, and low and high are of a byte's halves: 64 bytes for each byte
 * of the frame, so that all frames' stay in the first cache. All numbers are made from what
 * lt_checksum_compute says of frames with one bit set, so there is one truth; a test holds both
 * against each other for every family. J1939's fold their sums and stay as they are. */
#include <string.h>

#include "core/checksum_rules.h"
#include "prove/inside.h"

#define COUNTER_BITS_MAX 8

static bool adds(const struct lt_checksum *checksum)
{
    return checksum->family == LT_CHECK_SUM || checksum->family == LT_CHECK_NIBBLE_SUM;
}

static bool is_linear(const struct lt_checksum *checksum)
{
    if (checksum->has_page || check_is_j1939(checksum->family))
        return false;
    /* E2E profile 1C compares a nibble besides. */
    return checksum->data_id_mode != LT_DATA_ID_NIBBLE || checksum->data_id_count <= 1;
}

static uint16_t join(const struct check_table *table, uint16_t a, uint16_t b)
{
    return table->adds ? (uint16_t)(a + b) : a ^ b;
}

static uint16_t without(const struct check_table *table, uint16_t a, uint16_t b)
{
    return table->adds ? (uint16_t)(a - b) : a ^ b;
}

static struct place place_of(const struct lt_bits *bits)
{
    struct lt_span span = bits->part[0];
    struct place place = {.bits = bits, .byte = span.lsb / 8, .shift = span.lsb % 8};
    unsigned length = lt_bits_length(bits);
    place.is_small = bits->parts == 1 && span.msb / 8 == span.lsb / 8;
    place.mask = (uint8_t)((1u << (length & 15)) - 1);
    return place;
}

/* An XOR that is sent as 0 - x is no XOR: its sign is turned at the end. */
static uint16_t ask(const struct check_table *table, const uint8_t *data)
{
    uint16_t value =
        lt_checksum_compute(table->checksum, data, table->len, table->id, table->extended);
    return table->turns ? (uint16_t)(0 - value) : value;
}

/* What each value of a byte's halves adds, from what its bits do. False: nothing. */
static bool fill_part(const struct check_table *table, struct check_part *part, const uint8_t *data,
                      unsigned byte, uint16_t nothing)
{
    uint8_t bytes[LT_FRAME_ROOM];
    uint16_t any = 0;
    memcpy(bytes, data, sizeof bytes);
    for (unsigned bit = 0; bit < 8; bit++) {
        uint16_t *half = part->half[bit / 4];
        bytes[byte] = (uint8_t)(1u << bit);
        uint16_t one = without(table, ask(table, bytes), nothing);
        any |= one;
        for (unsigned v = 0; v < 1u << bit % 4; v++)
            half[1u << bit % 4 | v] = join(table, half[v], one);
    }
    return any != 0;
}

/* With the counter's bits at zero: its own share is in the constants. */
static void clear_counter(const struct check_table *table, struct check_part *part, unsigned byte)
{
    if (table->counter.byte != byte)
        return;
    unsigned own = (unsigned)table->counter.mask << table->counter.shift;
    for (unsigned v = 16; v-- > 0;) {
        part->half[0][v] = part->half[0][v & ~own];
        part->half[1][v] = part->half[1][v & ~(own >> 4)];
    }
}

static bool fill(struct lt_arena *arena, struct check_table *table)
{
    uint8_t data[LT_FRAME_ROOM] = {0};
    uint16_t nothing = ask(table, data);
    unsigned counts = table->has_counter ? table->counter.mask + 1u : 1;
    uint16_t *constants = lt_arena_array(arena, counts, sizeof *constants);
    struct check_part *parts = lt_arena_array(arena, table->len, sizeof *parts);
    if (!constants || !parts)
        return false;
    for (unsigned byte = 0; byte < table->len; byte++) {
        if (!fill_part(table, &parts[table->count], data, byte, nothing))
            continue;
        if (table->has_counter)
            clear_counter(table, &parts[table->count], byte);
        table->byte[table->count++] = (uint8_t)byte;
    }
    for (unsigned c = 0; c < counts; c++) {
        if (table->has_counter)
            data[table->counter.byte] = (uint8_t)(c << table->counter.shift);
        constants[c] = ask(table, data);
    }
    table->constants = constants;
    table->parts = parts;
    return true;
}

bool check_table_make(struct lt_arena *arena, const struct lt_checksum *checksum,
                      const struct lt_frame *frame, struct check_table *ret_table)
{
    struct lt_bits room;
    struct check_table table = {.checksum = checksum,
                                .len = frame->len,
                                .id = frame->id,
                                .extended = lt_frame_has(frame, LT_FRAME_EXTENDED),
                                .adds = adds(checksum),
                                .turns = checksum->family == LT_CHECK_XOR &&
                                         checksum->complement == LT_COMPLEMENT_TWOS,
                                .tried = true,
                                .mask = (uint16_t)(0xFFFFu >> (16 - checksum->width)),
                                .place = place_of(&checksum->place)};
    *ret_table = table;
    if (!is_linear(checksum) || frame->len < lt_checksum_bytes(checksum))
        return true;
    if (lt_check_uses_counter(checksum)) {
        const struct lt_bits *counter = lt_check_counter(checksum, &room);
        table.has_counter = true;
        table.counter = place_of(counter);
        if (!table.counter.is_small || lt_bits_length(counter) > COUNTER_BITS_MAX)
            return true;
        table.counter.bits = NULL;
    }
    if (!fill(arena, &table))
        return false;
    table.ready = true;
    *ret_table = table;
    return true;
}

static uint64_t fetch(const struct place *place, const uint8_t *data)
{
    return place->is_small ? (uint64_t)(data[place->byte] >> place->shift & place->mask)
                           : lt_bits_get(data, place->bits);
}

bool check_table_holds(const struct check_table *table, const uint8_t *data)
{
    uint64_t counter = table->has_counter ? fetch(&table->counter, data) : 0;
    uint16_t value = table->constants[counter];
    const struct check_part *part = table->parts;
    if (table->adds)
        for (unsigned i = 0; i < table->count; i++, part++)
            value = (uint16_t)(value + part->half[0][data[table->byte[i]] & 15] +
                               part->half[1][data[table->byte[i]] >> 4]);
    else
        for (unsigned i = 0; i < table->count; i++, part++)
            value ^=
                part->half[0][data[table->byte[i]] & 15] ^ part->half[1][data[table->byte[i]] >> 4];
    if (table->turns)
        value = (uint16_t)(0 - value);
    return (value & table->mask) == fetch(&table->place, data);
}
