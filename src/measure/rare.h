/* Which bits have hardly moved so far. */
#ifndef LOOMTAP_MEASURE_RARE_H
#define LOOMTAP_MEASURE_RARE_H

#include <stdbool.h>
#include <stdint.h>

#define LT_RARE_MOVES 16u /* a bit that moved as often is rare no more */

struct lt_rare {
    bool begun;
    int64_t last_ns, before_ns; /* of the frame looked at last, and of the one before it */
    uint8_t last[64], before[64];
    uint64_t few[8]; /* bits that are rare still */
    uint8_t moves[512];
};

void lt_rare_init(struct lt_rare *rare);
/* `into` += `from`. */
void lt_rare_merge(struct lt_rare *into, const struct lt_rare *from);
/* Counts the moves from the frame before; true where a rare bit moved. */
bool lt_rare_look(struct lt_rare *rare, int64_t time_ns, const uint8_t *data, unsigned length);

#endif
