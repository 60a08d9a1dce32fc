/* A check by table: what each byte of the frame adds to the difference between the value that the
 * frame carries and the one that it should. Of an XOR, a CRC and whatever else is affine over GF(2)
 * the bytes add up by XOR; of a sum they add up modulo its size. A frame is right where all of it
 * together is 0. Costs as much to make as the check of some hundred frames by itself. */
#ifndef LOOMTAP_SRC_MEASURE_CHECK_TABLE_H
#define LOOMTAP_SRC_MEASURE_CHECK_TABLE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/core/checksum.h"
#include "loomtap/measure/kept.h"

#define CHECK_TABLE_VALUES 256u

struct check_table {
    uint8_t length;
    bool adds;     /* modulo mask + 1; else by XOR */
    uint16_t mask; /* of the sum */
    /* Where a counter chooses the data id: it is in one byte, and its value modulo `choices` says
     * which sum is right. */
    uint8_t choices, counter_byte, counter_shift, counter_mask;
    uint16_t right[LT_CHECK_DATA_ID_MAX]; /* the sum over a frame that is right */
    uint16_t of[][CHECK_TABLE_VALUES];    /* byte of the frame, its value */
};

/* Is there one for this check? */
bool check_has_table(const struct lt_checksum *check);
size_t check_table_bytes(unsigned length);
/* `table` has room for check_table_bytes(key->length). */
void check_table_fill(struct check_table *table, const struct lt_checksum *check,
                      const struct lt_stream_key *key);

static inline uint16_t check_table_right(const struct check_table *table, const uint8_t *data)
{
    if (table->choices == 1)
        return table->right[0];
    unsigned counter = data[table->counter_byte] >> table->counter_shift & table->counter_mask;
    return table->right[counter % table->choices];
}

static inline bool check_table_verify(const struct check_table *table, const uint8_t *data)
{
    unsigned sum = 0, right = check_table_right(table, data);
    if (table->adds) {
        for (unsigned i = 0; i < table->length; i++)
            sum += table->of[i][data[i]];
        return (sum & table->mask) == right;
    }
    if (table->length == 8) /* most frames: no loop */
        return (table->of[0][data[0]] ^ table->of[1][data[1]] ^ table->of[2][data[2]] ^
                table->of[3][data[3]] ^ table->of[4][data[4]] ^ table->of[5][data[5]] ^
                table->of[6][data[6]] ^ table->of[7][data[7]]) == right;
    for (unsigned i = 0; i < table->length; i++)
        sum ^= table->of[i][data[i]];
    return sum == right;
}

#endif
