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

/* Flips are added up for all bits of a word at once: plane n of a word holds bit n of the 64
 * counts. Eight changes are added together first (a tree of full adders), so that the upper planes
 * are touched once in eight. */
#define PLANES 13u /* of at most 2^13 - 1 pairs: more than there are rows */
#define HELD   8u
#define WORDS  (SELECTOR_BITS / 64)

struct flips_of_words {
    uint64_t pairs;
    unsigned held;
    uint64_t waiting[WORDS][HELD];
    uint64_t plane[WORDS][PLANES];
};

static void begin_flips(struct flips_of_words *flips, unsigned words)
{
    flips->pairs = 0;
    flips->held = 0;
    memset(flips->plane, 0, words * sizeof *flips->plane);
}

static inline uint64_t add_three(uint64_t a, uint64_t b, uint64_t c, uint64_t *ret_sum)
{
    uint64_t either = a ^ b;
    *ret_sum = either ^ c;
    return (a & b) | (either & c);
}

static void add_eight(uint64_t *plane, const uint64_t *x)
{
    uint64_t sum, two[4], four[2];
    two[0] = add_three(plane[0], x[0], x[1], &sum);
    two[1] = add_three(sum, x[2], x[3], &sum);
    two[2] = add_three(sum, x[4], x[5], &sum);
    two[3] = add_three(sum, x[6], x[7], &plane[0]);
    four[0] = add_three(plane[1], two[0], two[1], &sum);
    four[1] = add_three(sum, two[2], two[3], &plane[1]);
    uint64_t carry = add_three(plane[2], four[0], four[1], &plane[2]);
    for (unsigned n = 3; carry != 0 && n < PLANES; n++) {
        uint64_t next = plane[n] & carry;
        plane[n] ^= carry;
        carry = next;
    }
}

/* `words` is that of the rows; given apart, so that it is a constant where it is the usual one. */
static inline void count_flips(const struct rows *rows, unsigned words, size_t a, size_t b,
                               struct flips_of_words *flips)
{
    const uint64_t *one = rows->word + a * words, *other = rows->word + b * words;
    for (unsigned w = 0; w < words; w++)
        flips->waiting[w][flips->held] = one[w] ^ other[w];
    flips->pairs++;
    if (++flips->held < HELD)
        return;
    for (unsigned w = 0; w < words; w++)
        add_eight(flips->plane[w], flips->waiting[w]);
    flips->held = 0;
}

static void end_flips(struct flips_of_words *flips, unsigned words, struct flip_counts *counts)
{
    for (unsigned w = 0; w < words; w++) {
        uint64_t *plane = flips->plane[w];
        for (unsigned n = flips->held; n < HELD; n++)
            flips->waiting[w][n] = 0;
        if (flips->held)
            add_eight(plane, flips->waiting[w]);
        for (unsigned n = 0; n < PLANES; n++)
            for (uint64_t set = plane[n]; set; set &= set - 1)
                counts->of[64 * w + (unsigned)__builtin_ctzll(set)] += (uint32_t)1 << n;
    }
    counts->pairs += flips->pairs;
}

void lt_rows_flips(const struct rows *rows, size_t first, size_t end, struct flip_counts *ret)
{
    struct flips_of_words flips;
    memset(ret, 0, sizeof *ret);
    begin_flips(&flips, rows->words);
    for (size_t i = first + 1; i < end; i++)
        if (rows->follows[i])
            count_flips(rows, rows->words, i - 1, i, &flips);
    end_flips(&flips, rows->words, ret);
}

/* What a first look at the values alone says; rows are compared only where it is worth it. */
static bool values_come_back(const uint16_t *values, size_t first, size_t end, unsigned width,
                             struct by_value *scratch, struct same_counts *ret)
{
    memset(scratch->times, 0, sizeof *scratch->times << width);
    uint64_t firsts = 0, changes = 0;
    unsigned twice = 0, before = values[first];
    for (size_t i = first; i < end; i++) {
        unsigned value = values[i];
        uint32_t times = ++scratch->times[value];
        firsts += times == 1;
        twice += times == 2;
        changes += value != before;
        before = value;
    }
    ret->firsts = firsts;
    ret->values = twice;
    ret->changes = changes;
    ret->rows = end - first;
    /* A number that stays and then jumps to somewhere new never shows what its old value had with
     * it: most turns have to lead back. */
    return (double)(ret->rows - ret->firsts) >= COMES_BACK * (double)ret->rows &&
           (double)ret->firsts <= (1 - COMES_BACK) * (double)ret->changes;
}

/* Each row of an unbroken run against the one before it of its value. */
static inline void compare_run(const struct rows *rows, unsigned words, const uint16_t *values,
                               size_t first, size_t end, struct by_value *scratch,
                               struct flips_of_words *flips, struct same_counts *ret)
{
    uint64_t expected = 0;
    scratch->last[values[first]] = (uint32_t)first + 1;
    for (size_t i = first + 1; i < end; i++) {
        unsigned value = values[i];
        uint32_t last = scratch->last[value];
        uint16_t *after = &scratch->after[values[i - 1]];
        expected += *after == value;
        *after = (uint16_t)value;
        scratch->last[value] = (uint32_t)i + 1;
        if (last > first)
            count_flips(rows, words, last - 1, i, flips);
    }
    ret->expected += expected;
}

static inline void compare_rows(const struct rows *rows, unsigned words, const uint16_t *values,
                                size_t first, size_t end, struct by_value *scratch,
                                struct flips_of_words *flips, struct same_counts *ret)
{
    for (size_t next; first < end; first = next) {
        for (next = first + 1; next < end && rows->follows[next];)
            next++;
        compare_run(rows, words, values, first, next, scratch, flips, ret);
    }
}

bool lt_rows_same(const struct rows *rows, const uint16_t *values, size_t first, size_t end,
                  unsigned width, struct by_value *scratch, struct same_counts *ret)
{
    struct flips_of_words flips;
    memset(ret, 0, sizeof *ret);
    if (!values_come_back(values, first, end, width, scratch, ret))
        return false;
    begin_flips(&flips, rows->words);
    memset(scratch->last, 0, sizeof *scratch->last << width);
    memset(scratch->after, 0xFF, sizeof *scratch->after << width);
    if (rows->words == 1)
        compare_rows(rows, 1, values, first, end, scratch, &flips, ret);
    else
        compare_rows(rows, rows->words, values, first, end, scratch, &flips, ret);
    end_flips(&flips, rows->words, &ret->all);
    return true;
}
