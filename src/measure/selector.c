/* Finding a frame's selector (loomtap/measure/selector.h): tries every narrow window, measures on
 * one half of the frames, and believes what holds on the other half too.
 *
 * A window explains a bit when the bit flips much less from one frame of a value to the next one of
 * the same value than from frame to frame. What it explains in all is counted as description length
 * (bits a frame); the window that explains most is the candidate. Too narrow a window explains less
 * because pages mix; a foreign bit in it splits pages, whose first frames then have to be paid for.
 *
 * What else explains others and is no selector:
 *  - a counter explains its check while the frame's contents stand still. So counters do not count
 *    as explained, and something must change on a page by itself, with everything else the same.
 *  - a mode and what follows it explain each other. They stay for long; pages change.
 *  - a copy of a field in the same frame. It explains as many bits as it has; pages explain more.
 * Frames whose pages never change (part numbers) are known by their size instead.
 *
 * Extent: from the highest to the lowest bit that moves, since bits that never move do not tell
 * whose they are. Selectors inside a page of another selector are not looked for. */
#include "loomtap/measure/selector.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "loomtap/core/frame.h"
#include "loomtap/measure/counter.h"
#include "measure/selector_inside.h"

#define ROWS_LEAST 12
#define FIRST_LOOK 400 /* rows on which windows are compared first */

#define LEFT_IN_ALL  0.35 /* ... and of all explained bits together */
#define BITS_LEAST   25.0 /* saved on the half held back, in all */
#define STATIC_BYTES 3    /* explained bytes of frames whose pages never change */
#define STATIC_BITS  12
#define ACROSS_MALUS 0.8  /* hardly any selector lies across bytes */
#define FRONT_BONUS  1.10 /* most selectors are in the first byte */
#define CYCLE_BONUS  1.15 /* most go round in order */
#define ALONE_BONUS  1.10
#define COUNTS_BONUS 1.15
#define RUN_BONUS    0.01 /* for each bit of evidence */
#define ANY_ORDER    0.85 /* of the turns of what comes in any order */
#define EXCESS_MALUS 0.96 /* a bit more than the values need */
#define CREEP_VALUES 12
#define CREEP_STEP   3
#define CREEP_SHARE  0.8
#define CYCLE_SHARE  0.85 /* one frame in twenty may be lost */
#define CYCLE_TURNS  0.8

#define GAIN_LEAST      0.15 /* of the step energy outside counters and checks */
#define GAIN_IRREGULAR  0.3
#define GAIN_ANY_ORDER  0.35 /* ... but for what is common to all pages */
#define SAVED_ROUND     0.8  /* bits a row, of a window that goes round in order */
#define SAVED_ODD_ROUND 0.3  /* ... in a way that counters hardly ever have */
#define SAVED_LONG_RUN  0.15 /* ... through many values in turn that do not begin at 0 */
#define SAVED_OUTSIDE   0.3  /* ... in other bytes than its own */
#define SAVED_IRREGULAR 3.0  /* ... of one that does not */
#define SAVED_ANY_ORDER 2.0  /* ... of one that comes in any order, and is no number for that */
#define OUTSIDE_ANY     1.0
#define SAVED_WIDENED   0.15
#define APART_VALUES    32u  /* of an alive counter that is one */
#define LONG_RUN        16.0 /* bits of evidence */
#define ECHO            0.8  /* share of rows whose value an alive counter tells */
#define ECHO_MODULUS    15u  /* pages have two or three bits that count with them sooner */
#define ECHO_VALUES     0.6  /* values of a window that goes round, against those of the counter */

/* ---- Trying windows ---- */

static const struct lt_counter_found *counter_at(const struct search *s,
                                                 const struct narrow *window)
{
    for (size_t i = 0; i < s->counter_count; i++)
        if (s->counter[i].bits.msb == window->span.msb &&
            s->counter[i].bits.lsb == window->span.lsb)
            return &s->counter[i];
    return NULL;
}

bool lt_selector_is_counter(const struct search *s, const struct narrow *window)
{
    return counter_at(s, window) != NULL;
}

static bool counts_usually(uint32_t modulus)
{
    return modulus > 3 && ((modulus & (modulus - 1)) == 0 || (modulus & (modulus + 1)) == 0);
}

bool lt_selector_is_alive(const struct search *s, const struct narrow *window)
{
    const struct lt_counter_found *counter = counter_at(s, window);
    return counter && counts_usually(counter->modulus);
}

/* A piece of a counter selects nothing that the counter does not. */
static bool may_be_one(const struct search *s, const struct narrow *window)
{
    struct lt_bits bits = narrow_bits(window);
    return lt_bit_set_has(&s->moves, window->span.msb) &&
           lt_bit_set_has(&s->moves, window->span.lsb) &&
           (!lt_bit_set_meets(&s->counters, &bits) || lt_selector_is_counter(s, window));
}

static void remember(struct search *s, const struct narrow *window, double saved, double score,
                     unsigned on_half)
{
    size_t at = s->count;
    while (at > 0 && s->best[at - 1].score < score) {
        s->best[at] = s->best[at - 1];
        at--;
    }
    s->best[at] =
        (struct candidate){.window = *window, .saved = saved, .score = score, .on_half = on_half};
    if (s->count < BEST_KEPT)
        s->count++;
}

static bool is_across(const struct narrow *window)
{
    return window->span.msb / 8 != window->span.lsb / 8;
}

static bool goes_round(const struct judged *judged)
{
    double rows = (double)judged->same.rows;
    return (double)judged->same.expected >= CYCLE_SHARE * rows &&
           (double)judged->same.changes >= CYCLE_TURNS * rows;
}

/* Windows that are equally good up to chance: where selectors are, and how they go, decides. */
static double score_of(const struct narrow *window, const struct judged *judged)
{
    double score = judged->saved;
    if (window->span.msb / 8 == 0 && window->span.lsb / 8 == 0)
        score *= FRONT_BONUS;
    if (is_across(window))
        score *= ACROSS_MALUS;
    if (goes_round(judged))
        score *= CYCLE_BONUS;
    return score;
}

static void try_windows(struct search *s, unsigned lsb, bool motorola)
{
    for (unsigned width = 1; width <= SELECTOR_WIDTH_MAX; width++) {
        struct narrow window;
        if (!narrow_make(&window, lsb, width, motorola, s->kept->key.length) ||
            (width > 8 && is_across(&window)) || !may_be_one(s, &window) ||
            !lt_selector_judge(s, &window, &s->look, s->judged))
            continue;
        if (s->judged->saved > 0)
            remember(s, &window, s->judged->saved, score_of(&window, s->judged), 0);
    }
}

/* ---- Believing ---- */

static bool is_random(double flips)
{
    return flips > 0.4 && flips < 0.6;
}

/* Over all bits but counters, and those that are random whatever they are compared with: a check
 * would hide what the selector does. With `common`, bits that flip more within pages than from
 * frame to frame go by the frame before: they are the same quantity on every page. */
static double gain_of(const struct search *s, const struct narrow *window,
                      const struct judged *judged, bool common)
{
    struct lt_bits bits = narrow_bits(window);
    struct lt_bit_set own = s->counters;
    double before = 0, after = 0;
    lt_bit_set_add_bits(&own, &bits);
    for (unsigned bit = 0; bit < s->rows.bits; bit++) {
        double by_next = (double)s->look.next.of[bit] / (double)s->look.next.pairs;
        double by_page = (double)judged->same.all.of[bit] / (double)judged->same.all.pairs;
        if (lt_bit_set_has(&own, bit) || (is_random(by_next) && is_random(by_page)))
            continue;
        before += by_next;
        after += common && by_page > by_next ? by_next : by_page;
    }
    return before > 0 && after < before ? 1 - after / before : 0;
}

/* What has to hold on the half that was held back. */
static bool holds(const struct judged *judged)
{
    return judged->saved * (double)judged->same.rows >= BITS_LEAST &&
           (goes_round(judged) || judged->after <= LEFT_IN_ALL * judged->before);
}

/* Frames whose pages never change are known by how much they hold. */
static bool is_static(const struct judged *judged)
{
    return judged->bytes >= STATIC_BYTES && judged->explained >= STATIC_BITS;
}

/* The bits beside it in its byte never move: no piece of a field. */
static bool stands_alone(const struct search *s, const struct narrow *window)
{
    unsigned above = window->span.msb + 1u, below = window->span.lsb;
    return !is_across(window) && (above % 8 == 0 || !lt_bit_set_has(&s->moves, above)) &&
           (below % 8 == 0 || !lt_bit_set_has(&s->moves, below - 1));
}

/* How far from chance it is that the values seen twice are one run. */
static double run_of(const struct search *s, const struct narrow *window)
{
    bool present[SELECTOR_WINDOW];
    for (unsigned value = 0; value < 1u << window->width; value++)
        present[value] = s->scratch->times[value] > 1;
    return lt_selector_run(present, window->width);
}

/* Of windows that say the same: a selector has no more bits than its values need, a text's byte has
 * many more; and it has a place of its own. */
static double form_of(const struct search *s, const struct narrow *window, unsigned values)
{
    double form = stands_alone(s, window) ? ALONE_BONUS : 1;
    if (lt_selector_is_counter(s, window) && !lt_selector_is_alive(s, window))
        form *= COUNTS_BONUS;
    for (unsigned width = window->width; width > 1 && values <= 1u << (width - 1); width--)
        form *= EXCESS_MALUS;
    return form * (1 + RUN_BONUS * run_of(s, window));
}

/* On the rows of s->look, which stay the same while candidates are believed. */
static double without_carries(struct search *s, struct candidate *candidate, struct judged *judged)
{
    lt_selector_leave_carries(s, &candidate->window, judged);
    candidate->has_carries = true;
    return candidate->without_carries = judged->saved;
}

/* A window around a piece of a number explains what the piece does. */
static bool holds_a_carry(struct search *s, const struct candidate *outer)
{
    for (size_t i = 0; i < s->count; i++) {
        struct candidate *inner = &s->best[i];
        if (!narrow_inside(&inner->window, &outer->window) || inner->saved < 0.8 * outer->saved)
            continue;
        if (!inner->has_carries) {
            if (!lt_selector_judge(s, &inner->window, &s->look, s->judged))
                continue;
            without_carries(s, inner, s->judged);
        }
        if (inner->without_carries < SAVED_IRREGULAR)
            return true;
    }
    return false;
}

/* A number of its own, that goes on in small steps: pages that come in no order jump. */
static bool creeps(const struct search *s, const struct narrow *window, unsigned values)
{
    uint32_t mask = window->mask;
    uint64_t turns = 0, small = 0;
    for (size_t i = s->look.first + 1; i < s->look.end && values >= CREEP_VALUES; i++) {
        if (!s->rows.follows[i] || s->values[i] == s->values[i - 1])
            continue;
        uint32_t up = ((uint32_t)s->values[i] - s->values[i - 1]) & mask;
        turns++;
        small += up <= CREEP_STEP || mask + 1 - up <= CREEP_STEP;
    }
    return turns != 0 && (double)small >= CREEP_SHARE * (double)turns;
}

/* The first half was judged when the best were looked at more closely. What the other half says is
 * in `ret_second`. */
static bool holds_on_halves(struct search *s, const struct candidate *candidate,
                            struct judged *ret_second)
{
    return holds(&s->on_half[candidate->on_half]) &&
           lt_selector_judge(s, &candidate->window, &s->halves[1], ret_second) && holds(ret_second);
}

/* `second` is what the second half says; s->values are those of all rows. */
static void go_own_ways(struct search *s, const struct candidate *candidate,
                        const struct judged *second, struct own_ways *ret_ways)
{
    const struct narrow *window = &candidate->window;
    bool strict = lt_selector_is_alive(s, window);
    lt_selector_own_ways(s, window, second, &s->halves[1], strict, ret_ways);
    lt_selector_own_ways(s, window, &s->on_half[candidate->on_half], &s->halves[0], strict,
                         ret_ways);
}

/* Its numbers mostly go up by one, as pages do that are sent in turn. */
static bool goes_up(const struct search *s, const struct narrow *window)
{
    uint64_t turns = 0, up = 0;
    for (size_t i = s->look.first + 1; i < s->look.end; i++) {
        if (!s->rows.follows[i] || s->values[i] == s->values[i - 1])
            continue;
        turns++;
        up += (((uint32_t)s->values[i] - s->values[i - 1]) & window->mask) == 1;
    }
    return 2 * up >= turns;
}

/* An alive counter tells the window's value: then the window is a piece of a check over the
 * counter, in a frame whose contents stand still. Pages that go round with the counter are fewer.
 */
static bool echoes_counter(struct search *s, const struct narrow *window, unsigned values,
                           double share)
{
    for (size_t i = 0; i < s->counter_count && !goes_up(s, window); i++) {
        const struct lt_counter_found *counter = &s->counter[i];
        unsigned width = lt_span_length(counter->bits);
        struct narrow counts;
        if (counts_usually(counter->modulus) && counter->modulus >= ECHO_MODULUS &&
            width <= SELECTOR_WIDTH_MAX && (double)values > share * (double)counter->modulus &&
            narrow_make(&counts, counter->bits.lsb, width, counter->order == LT_ORDER_MOTOROLA,
                        s->kept->key.length) &&
            lt_selector_tells(s, &counts, window) >= ECHO)
            return true;
    }
    return false;
}

/* Goes round, and is more than an alive counter with its check. */
static bool is_round_selector(struct search *s, const struct candidate *candidate,
                              const struct judged *second, const struct judged *all)
{
    const struct narrow *window = &candidate->window;
    struct own_ways ways = {0};
    bool strict = lt_selector_is_alive(s, window);
    bool odd = !strict && lt_selector_is_counter(s, window);
    bool runs = !strict && run_of(s, window) >= LONG_RUN;
    double least = runs ? SAVED_LONG_RUN : odd ? SAVED_ODD_ROUND : SAVED_ROUND;
    double outside = runs ? SAVED_LONG_RUN : odd ? 0 : SAVED_OUTSIDE;
    if ((all->outside == 0 && !odd) || all->saved < least || all->saved_outside < outside)
        return false;
    if (!lt_selector_is_counter(s, window) &&
        echoes_counter(s, window, all->same.values, ECHO_VALUES))
        return false;
    go_own_ways(s, candidate, second, &ways);
    bool apart = strict && all->same.values <= APART_VALUES && lt_own_ways_lone_and_held(&ways);
    bool own = lt_own_ways_alone(&ways) || is_static(all) || apart ||
               (!strict && (lt_own_ways_steady(&ways) || (odd && lt_own_ways_lone(&ways))));
    return own && gain_of(s, window, all, !strict || apart) >= GAIN_LEAST;
}

/* Does not go round. A piece of a number has a memory: it stays, or goes to and fro where the
 * number does. What comes in any order has none, and less has to speak for it. */
static bool is_irregular_selector(struct search *s, struct candidate *candidate,
                                  const struct judged *second, struct judged *all)
{
    const struct narrow *window = &candidate->window;
    struct own_ways ways = {0};
    bool any_order = lt_selector_unrest(s, window, all) >= ANY_ORDER;
    if (all->outside == 0 || is_across(window) || window->width > 8 ||
        all->saved < SAVED_ANY_ORDER || creeps(s, window, all->same.values))
        return false;
    bool is_one = all->saved >= SAVED_IRREGULAR && gain_of(s, window, all, false) >= GAIN_IRREGULAR;
    bool is_any = any_order && all->saved_outside >= OUTSIDE_ANY &&
                  gain_of(s, window, all, true) >= GAIN_ANY_ORDER;
    if (!is_one && !is_any)
        return false;
    go_own_ways(s, candidate, second, &ways);
    bool own = lt_own_ways_alone(&ways) || is_static(all);
    is_one = is_one && own;
    is_any = is_any && (own || lt_own_ways_lone(&ways));
    if ((!is_one && !is_any) || echoes_counter(s, window, all->same.values, 0))
        return false;
    double least = is_any ? SAVED_ANY_ORDER : SAVED_IRREGULAR;
    return without_carries(s, candidate, all) >= least && !holds_a_carry(s, candidate);
}

static bool is_believed(struct search *s, struct candidate *candidate, struct judged *all,
                        struct believed *ret_believed)
{
    const struct narrow *window = &candidate->window;
    struct judged *second = s->judged;
    if (!holds_on_halves(s, candidate, second) || !lt_selector_judge(s, window, &s->look, all))
        return false;
    double saved = all->saved > 0 ? all->saved : 0;
    *ret_believed = (struct believed){.candidate = candidate,
                                      .values = all->same.values,
                                      .round = goes_round(all),
                                      .run = run_of(s, window),
                                      .saved = saved,
                                      .score = saved * candidate->score / candidate->saved};
    return ret_believed->round ? is_round_selector(s, candidate, second, all)
                               : is_irregular_selector(s, candidate, second, all);
}

/* ---- Saying ---- */

static double confidence_of(const struct judged *judged)
{
    double evidence = judged->saved * (double)judged->same.rows;
    double left = judged->before > 0 ? judged->after / judged->before : 1;
    double doubt =
        0.4 * exp(-evidence / 150) + 0.35 * exp(-(double)judged->same.rows / 400) + 0.05 * left;
    return 0.995 - doubt;
}

/* The values of all kept rows, ascending. */
static bool list_values(struct search *s, const struct narrow *window,
                        struct lt_selector_found *found)
{
    memset(s->scratch->times, 0, sizeof s->scratch->times);
    for (size_t row = 0; row < s->kept->count; row++)
        s->scratch->times[narrow_value(window, lt_kept_row(s->kept, row))]++;
    found->count = 0;
    for (unsigned value = 0; value < (1u << window->width); value++) {
        if (s->scratch->times[value] == 0)
            continue;
        if (found->count == LT_SELECTOR_VALUES_MAX)
            return false;
        found->value[found->count++] = (uint16_t)value;
    }
    return true;
}

/* What counts in an odd way, and is the same on every frame of a page, is what the pages hold: they
 * go round. */
static struct lt_bit_set counters_of_all(const struct search *s, const struct judged *judged)
{
    struct lt_bit_set common = {{0}};
    for (size_t i = 0; i < s->counter_count; i++) {
        const struct lt_counter_found *counter = &s->counter[i];
        struct lt_bits bits = {.parts = 1, .part = {counter->bits}};
        uint64_t flips = 0;
        for (unsigned n = 0; n < lt_span_length(counter->bits); n++)
            flips += judged->same.all.of[lt_span_position(counter->bits, n)];
        if (flips != 0 || counts_usually(counter->modulus))
            lt_bit_set_add_bits(&common, &bits);
    }
    return common;
}

static enum lt_code say(struct search *s, const struct narrow *window, const struct judged *judged,
                        struct lt_arena *arena, struct lt_selector_found *found,
                        struct lt_error *error)
{
    struct lt_bit_set own = counters_of_all(s, judged);
    if (!list_values(s, window, found))
        return LT_OK;
    found->bits = narrow_bits(window);
    found->gain = gain_of(s, window, judged, true);
    found->confidence = confidence_of(judged);
    found->common = own;
    for (unsigned n = 0; n < window->width; n++) { /* a selector may count, but it is no common */
        unsigned at = lt_span_position(window->span, n);
        found->common.word[at / 64] &= ~((uint64_t)1 << at % 64);
    }
    lt_bit_set_add_bits(&own, &found->bits);
    found->present = true;
    return lt_selector_common(&s->rows, s->values, window->width, &s->look.next, &judged->same.all,
                              &own, s->scratch, arena, &found->common, error);
}

static size_t gather_believed(struct search *s, struct believed *ret_list)
{
    size_t count = 0;
    for (size_t i = 0; i < s->count; i++)
        count += is_believed(s, &s->best[i], &s->judged[1], &ret_list[count]);
    return count;
}

static enum lt_code choose(struct search *s, struct lt_arena *arena,
                           struct lt_selector_found *ret_found, struct lt_error *error)
{
    struct believed list[BEST_KEPT];
    struct judged *judged = &s->judged[1];
    size_t count = gather_believed(s, list);
    const struct believed *best = lt_selector_choose(s, list, count);
    if (!best || !lt_selector_judge(s, &best->candidate->window, &s->look, judged))
        return LT_OK;
    struct narrow window = lt_selector_extent(s, &best->candidate->window, judged);
    if (!lt_selector_judge(s, &window, &s->look, judged) || judged->saved < SAVED_WIDENED)
        return LT_OK;
    lt_selector_values(s, &window, &s->look);
    return say(s, &window, judged, arena, ret_found, error);
}

/* ---- All of it ---- */

static enum lt_code prepare(struct search *s, const struct lt_bit_set *checks,
                            struct lt_arena *arena, struct lt_error *error)
{
    enum lt_code code = lt_rows_make(s->kept, SELECTOR_ROWS_MAX, checks, arena, &s->rows, error);
    if (code != LT_OK)
        return code;
    s->values = lt_arena_array(arena, s->rows.count + 1, sizeof *s->values);
    s->scratch = lt_arena_alloc(arena, sizeof *s->scratch);
    s->on_half = lt_arena_array(arena, BEST_KEPT, sizeof *s->on_half);
    s->judged = lt_arena_array(arena, 2, sizeof *s->judged);
    s->together = lt_arena_array(arena, SELECTOR_PAIRS, sizeof *s->together);
    if (!s->together || !s->values || !s->scratch || !s->judged || !s->on_half)
        return lt_fail(error, LT_E_MEMORY, "no memory to look for a selector");
    code = lt_counters_find(s->kept, 0, checks, arena, s->counter, &s->counter_count, error);
    for (size_t i = 0; i < s->counter_count; i++) {
        struct lt_bits bits = {.parts = 1, .part = {s->counter[i].bits}};
        lt_bit_set_add_bits(&s->counters, &bits);
    }
    size_t half = s->rows.count / 2;
    s->halves[0] = (struct half){.first = 0, .end = half};
    s->halves[1] = (struct half){.first = half, .end = s->rows.count};
    s->look = (struct half){.first = 0, .end = half < FIRST_LOOK ? half : FIRST_LOOK};
    lt_rows_flips(&s->rows, 0, half, &s->halves[0].next);
    lt_rows_flips(&s->rows, half, s->rows.count, &s->halves[1].next);
    lt_rows_flips(&s->rows, s->look.first, s->look.end, &s->look.next);
    for (unsigned bit = 0; bit < s->rows.bits; bit++)
        if (s->halves[0].next.of[bit] + s->halves[1].next.of[bit] > 0)
            lt_bit_set_add(&s->moves, bit);
    return code;
}

/* The best of the first look on all rows of their half. */
static void look_closer(struct search *s)
{
    struct candidate first[BEST_KEPT];
    size_t count = s->count;
    memcpy(first, s->best, count * sizeof *first);
    s->look = s->halves[0];
    s->count = 0;
    for (unsigned i = 0; i < count; i++) {
        struct judged *judged = &s->on_half[i];
        if (!lt_selector_judge(s, &first[i].window, &s->look, judged) || judged->saved <= 0)
            continue;
        double score = score_of(&first[i].window, judged);
        score *= form_of(s, &first[i].window, judged->same.values);
        remember(s, &first[i].window, judged->saved, score, i);
    }
}

enum lt_code lt_selector_find(const struct lt_kept *kept, const struct lt_bit_set *checks,
                              struct lt_arena *arena, struct lt_selector_found *ret_found,
                              struct lt_error *error)
{
    *ret_found = (struct lt_selector_found){.present = false};
    if (kept->count < ROWS_LEAST || kept->key.length == 0 || kept->key.length > LT_FRAME_MAX)
        return LT_OK;
    struct search *s = lt_arena_alloc(arena, sizeof *s);
    if (!s)
        return lt_fail(error, LT_E_MEMORY, "no memory to look for a selector");
    s->kept = kept;
    enum lt_code code = prepare(s, checks, arena, error);
    if (code != LT_OK)
        return code;
    for (unsigned lsb = 0; lsb < s->rows.bits; lsb++)
        for (unsigned motorola = 0; motorola < 2 && lt_bit_set_has(&s->moves, lsb); motorola++)
            try_windows(s, lsb, motorola);
    look_closer(s);
    s->look = (struct half){.first = 0, .end = s->rows.count};
    lt_rows_flips(&s->rows, 0, s->rows.count, &s->look.next);
    return choose(s, arena, ret_found, error);
}
