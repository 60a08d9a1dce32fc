/* Which bits have hardly moved so far. */
#ifndef LOOMTAP_MEASURE_RARE_H
#define LOOMTAP_MEASURE_RARE_H

#include <stdbool.h>
#include <stdint.h>

#include "measure/words.h"

#define LT_RARE_MOVES 16u /* a bit that moved as often is rare no more */

struct lt_rare {
    bool begun;
    unsigned length;
    int64_t last_ns;             /* of the frame before */
    uint64_t last[LT_WORDS_MAX]; /* the frame before */
    uint64_t few[LT_WORDS_MAX];  /* bits that are rare still */
    uint8_t moves[8 * LT_FRAME_MAX];
};

void lt_rare_init(struct lt_rare *rare, unsigned length);
/* `into` += `from`. */
void lt_rare_merge(struct lt_rare *into, const struct lt_rare *from);
/* The frame before. */
void lt_rare_before(const struct lt_rare *rare, uint8_t ret_data[LT_FRAME_MAX]);
/* Counts the moves from the frame before; true where a rare bit moved. Then comes lt_rare_next. */
bool lt_rare_count(struct lt_rare *rare, const uint8_t *data);

/* Does the frame move a rare bit? Of at most 8 bytes, as one word (words.h), or of any. */
static inline bool lt_rare_moves_word(const struct lt_rare *rare, uint64_t word)
{
    return rare->begun && ((word ^ rare->last[0]) & rare->few[0]) != 0;
}
static inline bool lt_rare_moves(const struct lt_rare *rare, const uint8_t *data)
{
    uint64_t now[LT_WORDS_MAX], found = 0;
    if (rare->length <= 8)
        return lt_rare_moves_word(rare, lt_short_word(data, rare->length));
    lt_words_of(now, data, rare->length);
    for (unsigned word = 0; word < (rare->length + 7) / 8; word++)
        found |= (now[word] ^ rare->last[word]) & rare->few[word];
    return rare->begun && found != 0;
}

/* The frame is the one before from now on. */
static inline void lt_rare_next(struct lt_rare *rare, int64_t time_ns, const uint8_t *data)
{
    if (rare->length <= 8)
        rare->last[0] = lt_short_word(data, rare->length);
    else
        lt_words_of(rare->last, data, rare->length);
    rare->last_ns = time_ns;
    rare->begun = true;
}

#endif
