/* Checks by table (check_table.h). */
#include "measure/check_table.h"

/* The numbers that enter depend on the counter, or a nibble of them is sent: not byte by byte. */
static bool goes_by_more(const struct lt_checksum *check)
{
    if (check->data_id_count == 0)
        return false;
    return check->data_id_mode == LT_DATA_ID_ALTERNATING ||
           check->data_id_mode == LT_DATA_ID_LIST ||
           (check->data_id_mode == LT_DATA_ID_NIBBLE && check->data_id_count > 1);
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

void check_table_fill(struct check_table *table, const struct lt_checksum *check,
                      const struct lt_stream_key *key)
{
    uint8_t data[LT_FRAME_MAX + 8] = {0};
    table->length = key->length;
    table->adds = !is_affine(check);
    table->mask = (uint16_t)((1u << width_of_sum(check)) - 1);
    uint16_t empty = difference(table, check, data, key);
    for (unsigned i = 0; i < key->length; i++) {
        uint16_t *of = table->of[i];
        of[0] = 0;
        for (unsigned value = 1; value < CHECK_TABLE_VALUES; value++) {
            unsigned rest = value & (value - 1), lowest = value ^ rest;
            data[i] = (uint8_t)value;
            if (rest == 0 && table->adds)
                of[value] = (uint16_t)(difference(table, check, data, key) - empty) & table->mask;
            else if (rest == 0)
                of[value] = difference(table, check, data, key) ^ empty;
            else
                of[value] = table->adds ? (uint16_t)(of[rest] + of[lowest]) & table->mask
                                        : of[rest] ^ of[lowest];
        }
        data[i] = 0;
    }
    table->right = table->adds ? (uint16_t)(0u - empty) & table->mask : empty;
}
