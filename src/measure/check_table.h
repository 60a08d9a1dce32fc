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
    bool adds;                         /* modulo mask + 1; else by XOR */
    uint16_t mask;                     /* of the sum */
    uint16_t right;                    /* the sum over a frame that is right */
    uint16_t of[][CHECK_TABLE_VALUES]; /* byte of the frame, its value */
};

/* Is there one for this check? */
bool check_has_table(const struct lt_checksum *check);
size_t check_table_bytes(unsigned length);
/* `table` has room for check_table_bytes(key->length). */
void check_table_fill(struct check_table *table, const struct lt_checksum *check,
                      const struct lt_stream_key *key);

static inline bool check_table_verify(const struct check_table *table, const uint8_t *data)
{
    unsigned sum = 0;
    if (table->adds) {
        for (unsigned i = 0; i < table->length; i++)
            sum += table->of[i][data[i]];
        return (sum & table->mask) == table->right;
    }
    if (table->length == 8) /* most frames: no loop */
        return (table->of[0][data[0]] ^ table->of[1][data[1]] ^ table->of[2][data[2]] ^
                table->of[3][data[3]] ^ table->of[4][data[4]] ^ table->of[5][data[5]] ^
                table->of[6][data[6]] ^ table->of[7][data[7]]) == table->right;
    for (unsigned i = 0; i < table->length; i++)
        sum ^= table->of[i][data[i]];
    return sum == table->right;
}

#endif
