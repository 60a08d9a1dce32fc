/* Counting what two neighbouring bits of a page do, 64 rows at a time (fields_planes.h).
 *
 * A bit's values in the rows before are its word moved up by one row. Sums and differences of
 * several bits are worked out as an adder does it, with one operation for all rows. The value that
 * a bit had at the last of some rows before this one is a carry that passes all others: it comes
 * out of one addition. */
#include <string.h>

#include "measure/moments_block.h"
#include "measure/words.h"
#include "survey/fields_planes.h"

#define ROWS 64u /* of a word */

/* --- rows to words --- */

/* Bits that are not the same in all rows. */
static void find_varying(const struct field_lines *lines, uint64_t ret_varying[LT_WORDS_MAX])
{
    uint64_t first[LT_WORDS_MAX], now[LT_WORDS_MAX];
    unsigned length = (unsigned)lines->length, words = (length + 7) / 8;
    memset(ret_varying, 0, LT_WORDS_MAX * sizeof *ret_varying);
    if (lines->count == 0)
        return;
    lt_words_of(first, lines->rows[0], length);
    for (size_t row = 1; row < lines->count; row++) {
        lt_words_of(now, lines->rows[0] + row * length, length);
        for (unsigned w = 0; w < words; w++)
            ret_varying[w] |= now[w] ^ first[w];
    }
}

/* The rows from `row` on of one word of the frame, turned. */
static void turn_rows(const struct field_lines *lines, size_t row, unsigned word,
                      uint64_t ret_bits[ROWS])
{
    uint64_t rows[ROWS] = {0}, all[LT_WORDS_MAX];
    for (unsigned k = 0; k < ROWS && row + k < lines->count; k++) {
        lt_words_of(all, lines->rows[0] + (row + k) * lines->length, (unsigned)lines->length);
        rows[k] = all[word];
    }
    lt_block_kernel()->transpose(rows, ret_bits);
}

static uint64_t next_rows(const struct field_lines *lines, size_t row)
{
    uint64_t next = 0;
    for (unsigned k = 0; k < ROWS && row + k < lines->count; k++)
        next |= (uint64_t)(row + k != 0 && lines->flags[row + k] & LT_KEPT_NEXT) << k;
    return next;
}

enum lt_code field_planes_make(const struct field_lines *lines, struct lt_arena *arena,
                               struct field_planes *ret_planes, struct lt_error *error)
{
    uint64_t varying[LT_WORDS_MAX], bits[ROWS], *at[FRAME_BITS] = {NULL};
    size_t words = (lines->count + ROWS - 1) / ROWS;
    uint64_t *next = lt_arena_array(arena, words, sizeof *next);
    bool fine = next != NULL;
    find_varying(lines, varying);
    for (unsigned bit = 0; bit < 8 * lines->length && fine; bit++)
        if (varying[bit / 64] >> bit % 64 & 1)
            fine = (at[bit] = lt_arena_array(arena, words, sizeof *at[bit])) != NULL;
    if (!fine)
        return lt_fail(error, LT_E_MEMORY, "no memory for the bits of a page");
    for (size_t w = 0; w < words; w++) {
        next[w] = next_rows(lines, ROWS * w);
        for (unsigned word = 0; word < LT_WORDS_MAX; word++) {
            if (varying[word] == 0)
                continue;
            turn_rows(lines, ROWS * w, word, bits);
            for (uint64_t left = varying[word]; left != 0; left &= left - 1) {
                unsigned bit = (unsigned)__builtin_ctzll(left);
                at[64 * word + bit][w] = bits[bit];
            }
        }
    }
    *ret_planes = (struct field_planes){.words = words, .next = next};
    for (unsigned bit = 0; bit < FRAME_BITS; bit++)
        ret_planes->on[bit] = at[bit];
    return LT_OK;
}

/* --- one window --- */

/* 64 rows of the bits around a gap, and how they differ from the rows before. Only rows that are
 * next to the one before count. */
struct turn {
    uint64_t next, any;        /* rows that count; in which any bit of the window flips */
    uint64_t moved[GAP_ABOVE]; /* ... in which any of the first k + 1 bits above does */
    uint64_t up[GAP_ABOVE], down[GAP_ABOVE]; /* ... in which they make a step of one */
    uint64_t fell, rose;                     /* the bit below */
    uint64_t after_move;                     /* the bits above did not rest before */
    uint64_t step[GAP_ABOVE];                /* of u modulo its size, bit by bit */
};

static inline uint64_t value_of(const uint64_t *plane, size_t word)
{
    return plane ? plane[word] : 0;
}

static inline uint64_t before_of(const uint64_t *plane, size_t word)
{
    if (!plane)
        return 0;
    return plane[word] << 1 | (word != 0 ? plane[word - 1] >> 63 : 0);
}

static void turn_above(const struct field_planes *planes, const struct gap_window *window,
                       size_t word, struct turn *turn)
{
    uint64_t next = turn->next, borrow = 0, moved = 0, all_up = next, all_down = next;
    for (unsigned k = 0; k < window->above; k++) {
        const uint64_t *plane = planes->on[window->upper[k]];
        uint64_t now = value_of(plane, word), before = before_of(plane, word);
        uint64_t step = now ^ before ^ borrow;
        /* A step of +1 is 1, 01, 001, one of -1 is 1, 11, 111; with one bit it is what it does. */
        all_up &= k == 0 ? step : ~step;
        all_down &= step;
        turn->up[k] = k == 0 ? now & ~before & next : all_up;
        turn->down[k] = k == 0 ? before & ~now & next : all_down;
        borrow = (~now & (before | borrow)) | (before & borrow);
        moved |= (now ^ before) & next;
        turn->moved[k] = moved;
        turn->step[k] = step;
    }
}

/* `rested`: whether the bits above rested in the row before the first; comes back for the next 64.
 */
static void make_turn(const struct field_planes *planes, const struct gap_window *window,
                      size_t word, bool *rested, struct turn *ret)
{
    uint64_t any = 0;
    ret->next = planes->next[word];
    ret->fell = ret->rose = 0;
    turn_above(planes, window, word, ret);
    for (unsigned k = 0; k < window->below_count; k++) {
        const uint64_t *plane = planes->on[window->below[k]];
        uint64_t now = value_of(plane, word), before = before_of(plane, word);
        any |= (now ^ before) & ret->next;
        if (k == 0) {
            ret->fell = before & ~now & ret->next;
            ret->rose = now & ~before & ret->next;
        }
    }
    uint64_t moved = ret->moved[window->above - 1], rests = ret->next & ~moved;
    ret->any = any | moved;
    ret->after_move = ~(rests << 1 | *rested);
    *rested = rests >> 63;
}

static void count_moves(uint64_t up, uint64_t down, uint64_t fell, uint64_t rose,
                        struct gap_counts *counts)
{
    if ((up | down) == 0)
        return;
    uint64_t carry = lt_count_ones((up & fell) | (down & rose));
    uint64_t anti = lt_count_ones((up & rose) | (down & fell));
    uint64_t ups = lt_count_ones(up), downs = lt_count_ones(down);
    counts->up += ups;
    counts->down += downs;
    counts->carry += carry;
    counts->anti += anti;
    counts->still += ups + downs - carry - anti;
    counts->fell += lt_count_ones((up | down) & fell);
}

static void count_turn(const struct turn *turn, unsigned above, struct gap_moves *moves)
{
    uint64_t lower = turn->fell | turn->rose, lowers = lt_count_ones(lower);
    moves->lower_flips += lowers;
    for (unsigned k = 0; k < above; k++) {
        uint64_t up = turn->up[k], down = turn->down[k], late = turn->after_move;
        count_moves(up & ~late, down & ~late, turn->fell, turn->rose, &moves->at[0][k]);
        count_moves(up & late, down & late, turn->fell, turn->rose, &moves->at[1][k]);
        uint64_t both = lt_count_ones(turn->moved[k] & lower);
        moves->choice[k].both += both;
        moves->choice[k].upper += lt_count_ones(turn->moved[k]) - both;
        moves->choice[k].lower += lowers - both;
    }
}

/* --- second differences --- */

/* What is remembered of the last tick from word to word. */
struct last_tick {
    bool there, step[GAP_ABOVE], fell, rose;
};

/* For each row, the bit of `of` at the last row before it that is in `set` or is not in `through`:
 * a carry that is made where `of` is, and goes on where `through` is but not `set`. */
static inline uint64_t last_before(uint64_t of, uint64_t set, uint64_t through, bool *carry)
{
    uint64_t x = (of & set) | (through & ~set), y = of & set, sum;
    bool over = __builtin_add_overflow(x, y, &sum);
    over |= __builtin_add_overflow(sum, (uint64_t)*carry, &sum);
    *carry = over;
    return sum ^ x ^ y;
}

static void count_bends(const struct turn *turn, unsigned above, struct last_tick *last,
                        struct gap_moves *moves)
{
    uint64_t ticks = turn->any, borrow = 0, up = ticks, down = ticks;
    uint64_t fell = last_before(turn->fell, ticks, UINT64_MAX, &last->fell);
    uint64_t rose = last_before(turn->rose, ticks, UINT64_MAX, &last->rose);
    for (unsigned k = 0; k < above; k++) {
        uint64_t before = last_before(turn->step[k], ticks, UINT64_MAX, &last->step[k]);
        uint64_t now = turn->step[k], bend = now ^ before ^ borrow;
        up &= k == 0 ? bend : ~bend;
        down &= bend;
        borrow = (~now & (before | borrow)) | (before & borrow);
    }
    /* Only those after a tick of the same unbroken course. */
    ticks &= last_before(turn->any, turn->any, turn->next, &last->there);
    up &= ticks;
    down &= ticks;
    uint64_t more = ((turn->rose & ~rose) | (~turn->fell & fell)) & ticks;
    uint64_t less = ((turn->fell & ~fell) | (~turn->rose & rose)) & ticks;
    moves->ticks += lt_count_ones(ticks);
    moves->lower_bends += lt_count_ones(more | less);
    if ((up | down) == 0)
        return;
    moves->bends.carry += lt_count_ones((up & less) | (down & more));
    moves->bends.anti += lt_count_ones((up & more) | (down & less));
    moves->bends.still += lt_count_ones((up | down) & ~(more | less));
}

void gap_moves_count(const struct field_planes *planes, const struct gap_window *window,
                     struct gap_moves *ret_moves)
{
    struct last_tick last = {.there = false};
    bool rested = false;
    memset(ret_moves, 0, sizeof *ret_moves);
    for (size_t word = 0; word < planes->words; word++) {
        struct turn turn;
        make_turn(planes, window, word, &rested, &turn);
        count_turn(&turn, window->above, ret_moves);
        if (window->above > 1)
            count_bends(&turn, window->above, &last, ret_moves);
    }
}
