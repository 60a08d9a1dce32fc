/* Checks by table (check_table.h). */
#include "measure/check_table.h"

#include "core/checksum_rules.h"

/* How many data ids a counter chooses from; 1 where none does. */
static unsigned choices_of(const struct lt_checksum *check)
{
    if (check->data_id_count == 0)
        return 1;
    return check->data_id_mode == LT_DATA_ID_ALTERNATING ? 2
           : check->data_id_mode == LT_DATA_ID_LIST      ? check->data_id_count
                                                         : 1;
}

/* A nibble of the data id is sent, or the counter is in more than one byte: not for a table. */
static bool goes_by_more(const struct lt_checksum *check)
{
    struct lt_bits room;
    const struct lt_bits *counter = lt_check_counter(check, &room);
    if (check->data_id_count > 1 && check->data_id_mode == LT_DATA_ID_NIBBLE)
        return true;
    return choices_of(check) > 1 &&
           (!counter || counter->parts != 1 || lt_span_order(counter->part[0]) != LT_ORDER_NONE ||
            (check->data_id_mode == LT_DATA_ID_ALTERNATING && check->data_id_count < 2));
}

/* Of a sum: the bits that it has; 0 where the bytes do not add up so. */
static unsigned width_of_sum(const struct lt_checksum *check)
{
    return check->family == LT_CHECK_SUM ? 8 : check->family == LT_CHECK_NIBBLE_SUM ? 4 : 0;
}

static bool is_affine(const struct lt_checksum *check)
{
    switch (check->family) {
    case LT_CHECK_XOR:
    case LT_CHECK_CRC8:
    case LT_CHECK_CRC16:
    case LT_CHECK_E2E_P1:
    case LT_CHECK_E2E_P2:
    case LT_CHECK_E2E_P5:
    case LT_CHECK_AFFINE:
        return check->complement != LT_COMPLEMENT_TWOS;
    default:
        return false;
    }
}

/* A value wider than the sum is right where it is equal, not where it is so modulo its size. */
static bool is_sum(const struct lt_checksum *check)
{
    unsigned width = width_of_sum(check);
    return width != 0 && lt_bits_length(&check->place) <= width;
}

bool check_has_table(const struct lt_checksum *check)
{
    return !goes_by_more(check) && (is_affine(check) || is_sum(check));
}

size_t check_table_bytes(unsigned length)
{
    const struct check_table *table;
    return sizeof *table + length * sizeof table->of[0];
}

/* What one frame's bytes come to. */
static uint16_t difference(const struct check_table *table, const struct lt_checksum *check,
                           const uint8_t *data, const struct lt_stream_key *key)
{
    uint16_t carried = (uint16_t)lt_bits_get(data, &check->place);
    uint16_t wanted = lt_checksum_compute(check, data, key->length, key->id, key->extended);
    return table->adds ? (uint16_t)(carried - wanted) & table->mask : carried ^ wanted;
}

/* The check as it is with one of its data ids. */
static struct lt_checksum with_choice(const struct lt_checksum *check, unsigned choice)
{
    struct lt_checksum one = *check;
    if (choices_of(check) == 1)
        return one;
    one.data_id_mode = LT_DATA_ID_LOW;
    one.data_id_count = 1;
    one.data_id[0] = check->data_id[choice];
    return one;
}

static void find_counter(struct check_table *table, const struct lt_checksum *check)
{
    struct lt_bits room;
    const struct lt_bits *counter = lt_check_counter(check, &room);
    table->choices = (uint8_t)choices_of(check);
    if (table->choices == 1)
        return;
    struct lt_span span = counter->part[0];
    table->counter_byte = (uint8_t)(span.lsb / 8);
    table->counter_shift = span.lsb % 8;
    table->counter_mask = (uint8_t)((1u << lt_span_length(span)) - 1);
}

static void fill_byte(struct check_table *table, const struct lt_checksum *check, unsigned byte,
                      uint16_t empty, const struct lt_stream_key *key)
{
    uint8_t data[LT_FRAME_MAX + 8] = {0};
    uint16_t *of = table->of[byte];
    of[0] = 0;
    for (unsigned value = 1; value < CHECK_TABLE_VALUES; value++) {
        unsigned rest = value & (value - 1), lowest = value ^ rest;
        if (rest != 0) {
            of[value] = table->adds ? (uint16_t)(of[rest] + of[lowest]) & table->mask
                                    : of[rest] ^ of[lowest];
            continue;
        }
        data[byte] = (uint8_t)value;
        uint16_t whole = difference(table, check, data, key);
        of[value] = table->adds ? (uint16_t)(whole - empty) & table->mask : whole ^ empty;
    }
}

void check_table_fill(struct check_table *table, const struct lt_checksum *check,
                      const struct lt_stream_key *key)
{
    uint8_t nothing[LT_FRAME_MAX + 8] = {0};
    table->length = key->length;
    table->adds = !is_affine(check);
    table->mask = (uint16_t)((1u << width_of_sum(check)) - 1);
    find_counter(table, check);
    for (unsigned choice = table->choices; choice-- > 0;) {
        struct lt_checksum one = with_choice(check, choice);
        uint16_t empty = difference(table, &one, nothing, key);
        table->right[choice] = table->adds ? (uint16_t)(0u - empty) & table->mask : empty;
        for (unsigned i = 0; choice == 0 && i < key->length; i++)
            fill_byte(table, &one, i, empty, key);
    }
}
