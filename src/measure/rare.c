/* Which bits have hardly moved so far (rare.h). */
#include "measure/rare.h"

#include <string.h>

#include "loomtap/base/bytes.h"

void lt_rare_init(struct lt_rare *rare)
{
    memset(rare, 0, sizeof *rare);
    memset(rare->few, 0xFF, sizeof rare->few);
}

static void count_moves(struct lt_rare *rare, unsigned word, uint64_t moved)
{
    for (; moved != 0; moved &= moved - 1) {
        unsigned bit = (unsigned)__builtin_ctzll(moved);
        if (++rare->moves[word * 64 + bit] == LT_RARE_MOVES)
            rare->few[word] &= ~((uint64_t)1 << bit);
    }
}

bool lt_rare_look(struct lt_rare *rare, int64_t time_ns, const uint8_t *data, unsigned length)
{
    uint8_t now[64] = {0};
    bool found = false;
    memcpy(now, data, length);
    for (unsigned word = 0; rare->begun && word < (length + 7) / 8; word++) {
        uint64_t moved =
            lt_load64_le(now + (size_t)8 * word) ^ lt_load64_le(rare->last + (size_t)8 * word);
        moved &= rare->few[word];
        found = found || moved != 0;
        count_moves(rare, word, moved);
    }
    if (found) {
        memcpy(rare->before, rare->last, sizeof rare->last);
        rare->before_ns = rare->last_ns;
    }
    memcpy(rare->last, now, sizeof now);
    rare->last_ns = time_ns;
    rare->begun = true;
    return found;
}

void lt_rare_merge(struct lt_rare *into, const struct lt_rare *from)
{
    for (unsigned bit = 0; bit < 512; bit++) {
        unsigned moves = (unsigned)into->moves[bit] + from->moves[bit];
        into->moves[bit] = (uint8_t)(moves < LT_RARE_MOVES ? moves : LT_RARE_MOVES);
        if (moves >= LT_RARE_MOVES)
            into->few[bit / 64] &= ~((uint64_t)1 << bit % 64);
    }
    into->begun = false;
}
