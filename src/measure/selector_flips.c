/* Counting flips for the finder of selectors (selector_inside.h). */
#include "measure/selector_inside.h"

#include <string.h>

#include "loomtap/core/frame.h"

#define RUN        128
#define RUNS_FROM  4096 /* rows; runs of a half are then a power of two */
#define COMES_BACK 0.6  /* share of rows that must have an earlier one of their value */

/* Of many rows, runs of neighbours: the first half of the rows from the first half of the time, the
 * second from the second; and the runs of a half so ordered that its first few are spread over it,
 * for a car stands still at first. */
static size_t row_of(size_t index, size_t count, size_t all)
{
    size_t in_half = count / 2, half = index >= in_half, at = index - half * in_half;
    size_t runs = in_half / RUN, run = at / RUN, turned = 0;
    if (run >= runs) /* the rest: behind the half's last run, as near as it gets */
        return half * (all / 2) + (all / 2 - in_half) + at;
    for (size_t bit = 1; bit < runs; bit *= 2)
        turned = turned * 2 | ((run & bit) != 0);
    return half * (all / 2) + turned * ((all / 2) / runs) + at % RUN;
}

enum lt_code lt_rows_make(const struct lt_kept *kept, size_t most, const struct lt_bit_set *hidden,
                          struct lt_arena *arena, struct rows *ret_rows, struct lt_error *error)
{
    unsigned length = kept->key.length, words = (length + 7) / 8;
    size_t count = kept->count < most ? kept->count : most;
    uint64_t *word = lt_arena_array(arena, count * words + 1, sizeof *word);
    uint32_t *source = lt_arena_array(arena, count + 1, sizeof *source);
    bool *follows = lt_arena_array(arena, count + 1, sizeof *follows);
    if (!word || !source || !follows)
        return lt_fail(error, LT_E_MEMORY, "no memory to look for a selector");
    for (size_t i = 0; i < count; i++) {
        size_t row = count < RUNS_FROM ? i : row_of(i, count, kept->count);
        const uint8_t *bytes = lt_kept_row(kept, row);
        for (unsigned b = 0; b < length; b++)
            word[i * words + b / 8] |= (uint64_t)bytes[b] << 8 * (b % 8);
        for (unsigned w = 0; hidden && w < words; w++)
            word[i * words + w] &= ~hidden->word[w];
        source[i] = (uint32_t)row;
        follows[i] = i > 0 && source[i - 1] + 1 == row && (kept->flags[row] & LT_KEPT_FOLLOWS);
    }
    *ret_rows = (struct rows){.bits = 8 * length,
                              .words = words,
                              .count = count,
                              .word = word,
                              .source = source,
                              .follows = follows};
    return LT_OK;
}

/* Flips are added up in lanes of bytes: lane `byte` of sum[bit] counts the flips of bit 8 * byte +
 * bit of a word, and is emptied before it can run over. */
#define LANES      UINT64_C(0x0101010101010101)
#define LANES_MOST 255u

struct lanes {
    unsigned pairs;
    uint64_t sum[SELECTOR_BITS / 64][8];
};

static void empty_lanes(struct lanes *lanes, unsigned words, struct flip_counts *counts)
{
    for (unsigned w = 0; w < words; w++)
        for (unsigned n = 0; n < 64; n++)
            counts->of[64 * w + n] += (uint32_t)(lanes->sum[w][n % 8] >> n / 8 * 8 & 0xFF);
    counts->pairs += lanes->pairs;
    memset(lanes->sum, 0, words * sizeof *lanes->sum);
    lanes->pairs = 0;
}

static void count_flips(const struct rows *rows, size_t a, size_t b, struct lanes *lanes,
                        struct flip_counts *counts)
{
    for (unsigned w = 0; w < rows->words; w++) {
        uint64_t change = rows->word[a * rows->words + w] ^ rows->word[b * rows->words + w];
        for (unsigned bit = 0; bit < 8; bit++)
            lanes->sum[w][bit] += change >> bit & LANES;
    }
    if (++lanes->pairs == LANES_MOST)
        empty_lanes(lanes, rows->words, counts);
}

void lt_rows_flips(const struct rows *rows, size_t first, size_t end, struct flip_counts *ret)
{
    struct lanes lanes = {.pairs = 0};
    memset(ret, 0, sizeof *ret);
    for (size_t i = first + 1; i < end; i++)
        if (rows->follows[i])
            count_flips(rows, i - 1, i, &lanes, ret);
    empty_lanes(&lanes, rows->words, ret);
}

/* What a first look at the values alone says; rows are compared only where it is worth it. */
static bool values_come_back(const uint16_t *values, size_t first, size_t end, unsigned width,
                             struct by_value *scratch, struct same_counts *ret)
{
    memset(scratch->times, 0, sizeof *scratch->times << width);
    for (size_t i = first; i < end; i++) {
        uint32_t times = ++scratch->times[values[i]];
        ret->firsts += times == 1;
        ret->values += times == 2;
        ret->changes += i > first && values[i] != values[i - 1];
    }
    ret->rows = end - first;
    /* A number that stays and then jumps to somewhere new never shows what its old value had with
     * it: most turns have to lead back. */
    return (double)(ret->rows - ret->firsts) >= COMES_BACK * (double)ret->rows &&
           (double)ret->firsts <= (1 - COMES_BACK) * (double)ret->changes;
}

bool lt_rows_same(const struct rows *rows, const uint16_t *values, size_t first, size_t end,
                  unsigned width, struct by_value *scratch, struct same_counts *ret)
{
    struct lanes lanes;
    memset(ret, 0, sizeof *ret);
    if (!values_come_back(values, first, end, width, scratch, ret))
        return false;
    lanes.pairs = 0;
    memset(lanes.sum, 0, rows->words * sizeof *lanes.sum);
    memset(scratch->last, 0, sizeof *scratch->last << width);
    memset(scratch->after, 0xFF, sizeof *scratch->after << width);
    for (size_t i = first; i < end; i++) {
        if (i > first && !rows->follows[i])
            memset(scratch->last, 0, sizeof *scratch->last << width);
        uint32_t *last = &scratch->last[values[i]];
        if (*last)
            count_flips(rows, *last - 1, i, &lanes, &ret->all);
        *last = (uint32_t)i + 1;
        if (i > first && rows->follows[i]) {
            ret->expected += scratch->after[values[i - 1]] == values[i];
            scratch->after[values[i - 1]] = values[i];
        }
    }
    empty_lanes(&lanes, rows->words, &ret->all);
    return true;
}
