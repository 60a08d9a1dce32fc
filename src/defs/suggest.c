/* "Did you mean": the nearest of several words by edit distance (insert, delete, replace, and two
 * neighbours exchanged count one each). */
#include "defs/keys.h"

#define WORD_MAX (LT_NAME_MAX * 2 - 1)

static unsigned least(unsigned a, unsigned b)
{
    return a < b ? a : b;
}

static unsigned distance(struct lt_text a, struct lt_text b)
{
    /* Rows of the usual table: two back, one back, this one. */
    unsigned rows[3][WORD_MAX + 1];
    unsigned *older = rows[0], *old = rows[1], *row = rows[2];
    for (size_t j = 0; j <= b.len; j++)
        old[j] = (unsigned)j;
    for (size_t i = 1; i <= a.len; i++) {
        row[0] = (unsigned)i;
        for (size_t j = 1; j <= b.len; j++) {
            unsigned cost = a.at[i - 1] != b.at[j - 1];
            row[j] = least(least(old[j] + 1, row[j - 1] + 1), old[j - 1] + cost);
            if (i > 1 && j > 1 && a.at[i - 1] == b.at[j - 2] && a.at[i - 2] == b.at[j - 1])
                row[j] = least(row[j], older[j - 2] + 1);
        }
        unsigned *spare = older;
        older = old;
        old = row;
        row = spare;
    }
    return old[b.len];
}

void lt_nearest_init(struct lt_nearest *nearest, struct lt_text wanted)
{
    *nearest = (struct lt_nearest){.wanted = wanted, .distance = UINT32_MAX};
}

void lt_nearest_try(struct lt_nearest *nearest, struct lt_text word)
{
    if (nearest->wanted.len > WORD_MAX || word.len > WORD_MAX || word.len == 0)
        return;
    unsigned d = distance(nearest->wanted, word);
    if (d >= nearest->distance)
        return;
    nearest->distance = d;
    memcpy(nearest->best, word.at, word.len);
    nearest->best[word.len] = '\0';
}

const char *lt_nearest_word(const struct lt_nearest *nearest)
{
    size_t len = nearest->wanted.len;
    unsigned limit = len < 5 ? 1 : len < 8 ? 2 : 3;
    return nearest->distance <= limit ? nearest->best : NULL;
}
