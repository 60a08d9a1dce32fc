/* From rows to steps, and whether one window counts (counter_inside.h).
 *
 * A window counts when nearly all its steps between next frames are the same, modulo 2^width or
 * modulo an earlier wrap that all its wraps agree on. How much that says is measured as description
 * length: the bits that coding each bit's flips by themselves would take, less what the steps that
 * are not right cost. A slow foreign bit above a counter saves less than its wrong steps cost, and
 * a counter's own top bits always save; so the largest saving has the right extent. */
#include "measure/counter_inside.h"
#include "measure/words.h"

#include <math.h>
#include <string.h>

#define LOST_MAX    20  /* periods over which a loss can still be reckoned */
#define FIRST_LOOK  96  /* pairs that decide whether a window is worth all of them */
#define FIRST_SHARE 0.6 /* modulo 3, two of three steps are +1 without the wrap */
#define BLOCKS      4   /* places in a long page from which rows are taken */

#define BAD_SHARE      0.02
#define SKIP_SHARE     0.13 /* one frame in twenty lost, twice in a row one in four hundred */
#define STILL_SHARE    0.01
#define SKIPS_TO_TELL  8
#define SKIPS_AT_ONE   0.7
#define OTHERS_CHANGED 0.98

static unsigned count_moved(const uint8_t *a, const uint8_t *b, unsigned length)
{
    unsigned moved = 0;
    for (; length > 8; length -= 8, a += 8, b += 8)
        moved += lt_count_ones(lt_load64_le(a) ^ lt_load64_le(b));
    return moved + lt_count_ones(lt_short_word(a, length) ^ lt_short_word(b, length));
}

/* 0 where nothing can be said about the frames between. */
static uint8_t gap_of(const struct lt_kept *kept, size_t row, int64_t period_ns)
{
    if (!(kept->flags[row] & LT_KEPT_FOLLOWS))
        return 0;
    if (kept->flags[row] & LT_KEPT_NEXT)
        return 1;
    int64_t gap_ns;
    if (period_ns <= 0 ||
        __builtin_sub_overflow(kept->time_ns[row], kept->time_ns[row - 1], &gap_ns))
        return 0;
    if (gap_ns < 0 || gap_ns / period_ns > LOST_MAX)
        return 0;
    double periods = (double)gap_ns / (double)period_ns;
    return (uint8_t)(periods + 0.5);
}

/* Frames between the beats mean that one of them can be lost without a gap in time. */
static bool keeps_no_beat(const struct lt_kept *kept, const struct steps *steps, int64_t period_ns)
{
    uint64_t early = 0;
    if (period_ns <= 0)
        return true;
    for (size_t i = 0; i < steps->count; i++) {
        size_t row = steps->row[i];
        int64_t gap_ns = kept->time_ns[row] - kept->time_ns[row - 1];
        early += steps->gap[i] == 1 && gap_ns < period_ns / 10 * 6;
    }
    return (double)early > 0.01 * (double)steps->next;
}

enum lt_code lt_steps_make(const struct lt_kept *kept, int64_t period_ns, size_t rows_max,
                           struct lt_arena *arena, struct steps *ret_steps, struct lt_error *error)
{
    size_t room = kept->count < rows_max ? kept->count : rows_max;
    size_t blocks = kept->count > rows_max ? BLOCKS : 1, block = room / blocks;
    uint32_t *row_of = lt_arena_array(arena, room + 1, sizeof *row_of);
    uint8_t *gaps = lt_arena_array(arena, room + 1, sizeof *gaps);
    uint16_t *moved = lt_arena_array(arena, room + 1, sizeof *moved);
    uint16_t *before = lt_arena_array(arena, room + 1, sizeof *before);
    uint16_t *after = lt_arena_array(arena, room + 1, sizeof *after);
    if (!row_of || !gaps || !moved || !before || !after)
        return lt_fail(error, LT_E_MEMORY, "no memory for the steps of a frame's counters");
    struct steps steps = {
        .kept = kept, .row = row_of, .gap = gaps, .moved = moved, .before = before, .after = after};
    for (size_t b = 0; b < blocks; b++) {
        size_t first = blocks == 1 ? 0 : (kept->count - block) / (blocks - 1) * b;
        for (size_t row = first + 1; row < first + block; row++) {
            uint8_t gap = gap_of(kept, row, period_ns);
            if (gap == 0)
                continue;
            row_of[steps.count] = (uint32_t)row;
            gaps[steps.count] = gap;
            moved[steps.count] = (uint16_t)count_moved(lt_kept_row(kept, row - 1),
                                                       lt_kept_row(kept, row), kept->key.length);
            steps.next += gap == 1;
            steps.changing += gap == 1 && moved[steps.count] != 0;
            steps.count++;
        }
    }
    steps.hides_losses = keeps_no_beat(kept, &steps, period_ns);
    *ret_steps = steps;
    return LT_OK;
}

/* ---- One window ---- */

struct pair {
    uint32_t before, after;
};

static inline struct pair pair_of_rows(const struct steps *steps, size_t i,
                                       const struct narrow *window)
{
    const uint8_t *row = lt_kept_row(steps->kept, steps->row[i]);
    return (struct pair){narrow_value(window, row - steps->kept->key.length),
                         narrow_value(window, row)};
}

/* As they were read. */
static inline struct pair pair_at(const struct steps *steps, size_t i, const struct narrow *window)
{
    return (struct pair){steps->before[i] & window->mask, steps->after[i] & window->mask};
}

void lt_steps_read(struct steps *steps, const struct narrow *window)
{
    for (size_t i = 0; i < steps->count; i++) {
        struct pair pair = pair_of_rows(steps, i, window);
        steps->before[i] = (uint16_t)pair.before;
        steps->after[i] = (uint16_t)pair.after;
    }
}

/* The most frequent value of a small list; 0 of an empty one. */
static uint32_t most_frequent(const uint32_t *list, size_t count, size_t *ret_times)
{
    uint32_t best = 0;
    *ret_times = 0;
    for (size_t i = 0; i < count; i++) {
        size_t times = 0;
        if (*ret_times && list[i] == best)
            continue;
        for (size_t k = i; k < count; k++)
            times += list[k] == list[i];
        if (times > *ret_times) {
            *ret_times = times;
            best = list[i];
        }
    }
    return best;
}

/* The only value that more than half of the list can hold: each one that differs from it takes one
 * of it away. */
static uint32_t likely_majority(const uint32_t *list, size_t count)
{
    uint32_t candidate = 0;
    size_t ahead = 0;
    for (size_t i = 0; i < count; i++) {
        candidate = ahead ? candidate : list[i];
        ahead = list[i] == candidate ? ahead + 1 : ahead - 1;
    }
    return candidate;
}

void lt_steps_first(const struct steps *steps, const struct narrow *window,
                    struct first_steps *first)
{
    size_t lowest = 0;
    first->count = 0;
    for (size_t i = 0; i < steps->count && lowest < FIRST_LOOK; i++) {
        if (steps->gap[i] != 1 || steps->moved[i] == 0)
            continue;
        struct pair pair = pair_of_rows(steps, i, window);
        first->step[first->count] = (uint16_t)((pair.after - pair.before) & window->mask);
        lowest += (first->step[first->count++] & 3) != 0;
    }
}

/* Pairs that stand still do not count: whether they may is decided later. */
uint32_t lt_steps_usual(const struct first_steps *first, uint32_t mask)
{
    uint32_t list[FIRST_LOOK];
    size_t count = 0, times = 0, looked = 0;
    for (; looked < first->count && count < FIRST_LOOK; looked++) {
        list[count] = first->step[looked] & mask;
        count += list[count] != 0;
    }
    if (count == 0 || (double)count < FIRST_SHARE * (double)looked)
        return 0;
    uint32_t step = likely_majority(list, count);
    for (size_t i = 0; i < count; i++)
        times += list[i] == step;
    return (double)times >= FIRST_SHARE * (double)count ? step : 0;
}

/* A wrap earlier than 2^width that the wraps agree on; 2^width where there is none. Between half
 * and all of it: a smaller modulus would not need the top bit. */
static uint32_t early_wrap(const struct steps *steps, const struct narrow *window, uint32_t step)
{
    uint32_t list[FIRST_LOOK], whole = window->mask + 1;
    bool down = step > whole / 2;
    uint32_t size = down ? whole - step : step; /* of the step, whichever way */
    size_t count = 0, times;
    for (size_t i = 0; i < steps->count && count < FIRST_LOOK; i++) {
        if (steps->gap[i] != 1)
            continue;
        struct pair pair = pair_at(steps, i, window);
        uint32_t low = down ? pair.before : pair.after, high = down ? pair.after : pair.before;
        if (low >= high || ((pair.after - pair.before) & window->mask) == step)
            continue;
        uint32_t modulus = high - low + size;
        if (modulus > whole / 2 && modulus < whole)
            list[count++] = modulus;
    }
    uint32_t modulus = most_frequent(list, count, &times);
    /* One wrap is enough for 2^n - 1, which many counters have; others have to show it twice. */
    return times >= (modulus + 1 == whole ? 1u : 2u) ? modulus : whole;
}

struct stillness {
    uint64_t still, still_alone; /* pairs that stand still, and those in which nothing else moves */
};

struct flips {
    uint64_t pairs, of[NARROW_BITS_MAX];
    uint64_t skipped_at[16]; /* skips by the value before, modulo 16 */
};

static void count_flips(struct flips *flips, uint32_t change)
{
    flips->pairs++;
    for (; change; change &= change - 1)
        flips->of[__builtin_ctz(change)]++;
}

static bool is_lost_right(uint32_t distance, const struct counting *c, uint32_t gap)
{
    for (uint32_t frames = gap - 1; frames <= gap + 1; frames++)
        if (distance == (uint64_t)frames * c->up % c->modulus)
            return true;
    return false;
}

/* One or two frames lost, or two that changed places on their way through a gateway. */
static bool is_skip(uint32_t distance, const struct counting *c)
{
    return distance == (uint64_t)2 * c->up % c->modulus ||
           distance == (uint64_t)3 * c->up % c->modulus || distance == c->modulus - c->up;
}

static void count_pair(struct counting *c, const struct steps *steps, size_t i,
                       struct stillness *still, struct flips *flips)
{
    struct pair pair = pair_at(steps, i, &c->window);
    /* Both are below the modulus: fits_modulus. */
    uint32_t distance = pair.after - pair.before + (pair.after < pair.before ? c->modulus : 0);
    if (steps->gap[i] != 1) {
        bool right = is_lost_right(distance, c, steps->gap[i]);
        c->lost_right += right;
        c->lost_wrong += !right;
        return;
    }
    if (distance == 0) {
        still->still++;
        still->still_alone += steps->moved[i] == 0;
        return;
    }
    count_flips(flips, pair.before ^ pair.after);
    if (distance == c->up) {
        c->good++;
        c->wraps += c->up <= c->modulus / 2 ? pair.after < pair.before : pair.after > pair.before;
    } else if (steps->hides_losses && is_skip(distance, c)) {
        c->skips++;
        flips->skipped_at[pair.before % 16]++;
    } else {
        c->bad++;
    }
}

static double entropy(uint64_t part, uint64_t all)
{
    if (part == 0 || part >= all)
        return 0;
    double p = (double)part / (double)all;
    return -p * log2(p) - (1 - p) * log2(1 - p);
}

static double saving_of(const struct counting *c, const struct flips *flips)
{
    double bits = 0, count = (double)flips->pairs;
    for (unsigned i = 0; i < c->window.width; i++)
        bits += count * entropy(flips->of[i], flips->pairs);
    double wrong = (double)c->bad + 0.5 * (double)c->skips;
    return bits - wrong * (log2(count + 1) + c->window.width + 1);
}

/* What a counter may get wrong: little, by chance or a restart. */
static bool is_counting(const struct counting *c, bool hides_losses)
{
    double count = (double)(c->good + c->bad + c->skips);
    if (c->good < 6 || (double)c->bad > BAD_SHARE * count + (count >= 25 ? 1 : 0))
        return false;
    if ((double)c->skips > (hides_losses ? SKIP_SHARE * count + 1 : 0))
        return false;
    return c->lost_right + 1 >= c->lost_wrong;
}

/* Losses come at any value. What skips at one value only wraps in a way of its own, such as the low
 * bits of a selector from 187 to 197. */
static bool are_losses(const struct flips *flips, uint64_t skips)
{
    for (unsigned i = 0; i < 16; i++)
        if (skips >= SKIPS_TO_TELL && (double)flips->skipped_at[i] > SKIPS_AT_ONE * (double)skips)
            return false;
    return true;
}

static bool fits_modulus(const struct steps *steps, const struct narrow *window, uint32_t modulus)
{
    if (modulus > window->mask)
        return true;
    for (size_t i = 0; i < steps->count; i++) {
        struct pair pair = pair_at(steps, i, window);
        if (pair.after >= modulus || pair.before >= modulus)
            return false;
    }
    return true;
}

static bool count_modulo(const struct steps *steps, struct counting *c)
{
    struct stillness still = {0, 0};
    struct flips flips = {0, {0}, {0}};
    if (!fits_modulus(steps, &c->window, c->modulus))
        return false;
    for (size_t i = 0; i < steps->count; i++)
        count_pair(c, steps, i, &still, &flips);
    /* Standing still is right where nothing else moves, if that is the rule. */
    c->on_change = (double)still.still > STILL_SHARE * (double)steps->next + 2 &&
                   (double)still.still_alone >= OTHERS_CHANGED * (double)still.still;
    c->bad += c->on_change ? still.still - still.still_alone : still.still;
    if (c->on_change) /* how many changes were lost with the frames, nobody knows */
        c->lost_right = c->lost_wrong = 0;
    c->saving = saving_of(c, &flips);
    return is_counting(c, steps->hides_losses) && are_losses(&flips, c->skips);
}

/* Two counters side by side look like one with a step in its upper half as well (257 modulo 65536);
 * and with an even step an even modulus never needs the lowest bit. */
static bool is_plausible(const struct counting *c)
{
    uint32_t size = c->up <= c->modulus / 2 ? c->up : c->modulus - c->up;
    uint32_t most = (uint32_t)1 << c->window.width / 2;
    if (c->modulus % 2 == 0 && c->up % 2 == 0)
        return false;
    return size <= (most < 5 ? 5 : most);
}

bool lt_steps_count_by(const struct steps *steps, const struct narrow *window, uint32_t step,
                       struct counting *ret_counting)
{
    if (step == 0)
        return false;
    uint32_t whole = window->mask + 1, modulus = early_wrap(steps, window, step);
    struct counting full = {.window = *window, .modulus = whole, .up = step};
    bool found = is_plausible(&full) && count_modulo(steps, &full);
    if (found)
        *ret_counting = full;
    if (modulus != whole) {
        uint32_t up = step > whole / 2 ? modulus - (whole - step) : step;
        struct counting early = {.window = *window, .modulus = modulus, .up = up};
        if (up < modulus && is_plausible(&early) && count_modulo(steps, &early) &&
            (!found || early.saving > full.saving)) {
            *ret_counting = early;
            found = true;
        }
    }
    return found;
}
