/* Which bits have hardly moved so far (rare.h). */
#include "measure/rare.h"

#include <string.h>

void lt_rare_init(struct lt_rare *rare, unsigned length)
{
    memset(rare, 0, sizeof *rare);
    memset(rare->few, 0xFF, sizeof rare->few);
    rare->length = length;
}

void lt_rare_before(const struct lt_rare *rare, uint8_t ret_data[LT_FRAME_MAX])
{
    for (unsigned i = 0; i < LT_FRAME_MAX; i++)
        ret_data[i] = (uint8_t)(rare->last[i / 8] >> i % 8 * 8);
}

static void count_moves(struct lt_rare *rare, unsigned word, uint64_t moved)
{
    for (; moved != 0; moved &= moved - 1) {
        unsigned bit = (unsigned)__builtin_ctzll(moved);
        if (++rare->moves[word * 64 + bit] == LT_RARE_MOVES)
            rare->few[word] &= ~((uint64_t)1 << bit);
    }
}

bool lt_rare_count(struct lt_rare *rare, const uint8_t *data)
{
    uint64_t now[LT_WORDS_MAX];
    if (!lt_rare_moves(rare, data))
        return false;
    lt_words_of(now, data, rare->length);
    for (unsigned word = 0; word < (rare->length + 7) / 8; word++)
        count_moves(rare, word, (now[word] ^ rare->last[word]) & rare->few[word]);
    return true;
}

void lt_rare_merge(struct lt_rare *into, const struct lt_rare *from)
{
    for (unsigned bit = 0; bit < 8 * LT_FRAME_MAX; bit++) {
        unsigned moves = (unsigned)into->moves[bit] + from->moves[bit];
        into->moves[bit] = (uint8_t)(moves < LT_RARE_MOVES ? moves : LT_RARE_MOVES);
        if (moves >= LT_RARE_MOVES)
            into->few[bit / 64] &= ~((uint64_t)1 << bit % 64);
    }
    into->begun = false;
}
