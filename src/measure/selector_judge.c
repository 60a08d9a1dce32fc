/* How much of a frame one window explains, and what of that is no evidence (selector_inside.h). */
#include <math.h>
#include <string.h>

#include "loomtap/core/frame.h"
#include "measure/selector_inside.h"

#define TURNS_LEAST 0.12 /* share of rows on which the page changes */
#define LEFT_MOST   0.5  /* flips of a bit that may be left for it to count as explained */
#define DEVIATIONS  4.0
#define CARRY_BITS  6
#define CARRY_SHARE 0.7
#define CARRY_REACH 15
#define OVER_LEAST  3 /* bits above the window */
#define OVER_TURNS  12
#define OVER_STEPS  2

static double entropy(double p)
{
    return p <= 0 || p >= 1 ? 0 : -p * log2(p) - (1 - p) * log2(1 - p);
}

/* A bit that flips every time is as easy to foretell as one that never does; not so on pages. */
static double saved_by(double before, double after)
{
    return before < 0.5 ? entropy(before) - entropy(after) : 1 - entropy(after);
}

void lt_selector_values(struct search *s, const struct narrow *window, const struct half *half)
{
    for (size_t i = half->first; i < half->end; i++)
        s->values[i] = (uint16_t)narrow_value(window, lt_kept_row(s->kept, s->rows.source[i]));
}

/* Is the bit explained: does it flip so much less within pages that chance cannot have done it? */
static bool is_explained(double before, double after, double rows)
{
    return after <= LEFT_MOST * before &&
           (before - after) * rows > DEVIATIONS * sqrt(before * rows) / 2 + 2;
}

bool lt_selector_judge(struct search *s, const struct narrow *window, const struct half *half,
                       struct judged *ret)
{
    struct lt_bits bits = narrow_bits(window);
    struct lt_bit_set own = s->counters;
    memset(ret, 0, sizeof *ret);
    lt_selector_values(s, window, half);
    if (!lt_rows_same(&s->rows, s->values, half->first, half->end, window->width, s->scratch,
                      &ret->same))
        return false;
    const struct same_counts *same = &ret->same;
    if (same->values < 2 || same->values > LT_SELECTOR_VALUES_MAX || half->next.pairs == 0 ||
        same->all.pairs == 0 || (double)same->changes < TURNS_LEAST * (double)same->rows)
        return false;
    lt_bit_set_add_bits(&own, &bits);
    double rows = (double)same->all.pairs;
    unsigned last_byte = UINT32_MAX;
    for (unsigned bit = 0; bit < s->rows.bits; bit++) {
        double before = (double)half->next.of[bit] / (double)half->next.pairs;
        double after = (double)same->all.of[bit] / rows;
        if (half->next.of[bit] == 0 || lt_bit_set_has(&own, bit) ||
            !is_explained(before, after, rows))
            continue;
        bool apart = bit / 8 != window->span.msb / 8u && bit / 8 != window->span.lsb / 8u;
        ret->saved += saved_by(before, after);
        ret->saved_outside += apart ? saved_by(before, after) : 0;
        ret->before += before;
        ret->after += after;
        ret->explained++;
        lt_bit_set_add(&ret->set, bit);
        ret->bytes += bit / 8 != last_byte;
        ret->outside += apart;
        last_byte = bit / 8;
    }
    ret->saved -= (double)same->firsts * ret->explained / (double)same->rows;
    return true;
}

double lt_selector_own_bits(const struct search *s, const struct narrow *window)
{
    double bits = 0;
    for (unsigned n = 0; n < window->width; n++) {
        uint32_t flips = s->look.next.of[lt_span_position(window->span, n)];
        bits += saved_by((double)flips / (double)s->look.next.pairs, 0);
    }
    return bits;
}

/* The n-th bit above the window (below: n negative) in one order; false outside the frame. */
static bool neighbour(const struct search *s, const struct narrow *window, bool motorola, int n,
                      unsigned *ret_bit)
{
    unsigned end = n > 0 ? window->span.msb : window->span.lsb;
    int at = motorola ? (int)(end ^ 7u) - n : (int)end + n;
    if (at < 0 || at >= (int)s->rows.bits)
        return false;
    *ret_bit = motorola ? (unsigned)at ^ 7u : (unsigned)at;
    return true;
}

/* The bits of a number around the window, highest first: what is explained above it without a gap,
 * the window, and some bits below. */
struct around {
    unsigned count, low; /* bits in all, and below the window */
    unsigned bit[CARRY_REACH + NARROW_BITS_MAX + CARRY_BITS];
};

static void look_around(const struct search *s, const struct narrow *window, bool motorola,
                        unsigned above_most, const struct judged *judged, struct around *ret)
{
    unsigned above = 0, bit;
    ret->count = ret->low = 0;
    while (above < above_most && neighbour(s, window, motorola, (int)above + 1, &bit) &&
           lt_bit_set_has(&judged->set, bit))
        above++;
    for (int n = (int)above; n > 0; n--)
        if (neighbour(s, window, motorola, n, &bit))
            ret->bit[ret->count++] = bit;
    for (unsigned n = 0; n < window->width; n++)
        ret->bit[ret->count++] = lt_span_position(window->span, n);
    while (ret->low < CARRY_BITS && neighbour(s, window, motorola, -(int)ret->low - 1, &bit)) {
        ret->bit[ret->count++] = bit;
        ret->low++;
    }
}

/* Share of the window's turns at which the number stays within `reach`, going round. */
static double stays_close(const struct search *s, const struct around *around, uint64_t reach)
{
    uint64_t mask = ((uint64_t)1 << around->count) - 1, before = 0, turns = 0, close = 0;
    for (size_t i = s->look.first; i < s->look.end; i++) {
        uint64_t number = 0;
        for (unsigned k = 0; k < around->count; k++)
            number =
                number << 1 |
                (s->rows.word[i * s->rows.words + around->bit[k] / 64] >> around->bit[k] % 64 & 1);
        if (i > s->look.first && s->rows.follows[i] && s->values[i] != s->values[i - 1]) {
            uint64_t up = (number - before) & mask, down = (before - number) & mask;
            turns++;
            close += (up < down ? up : down) <= reach;
        }
        before = number;
    }
    return turns ? (double)close / (double)turns : 0;
}

/* A number that goes over zero or mid-scale turns many bits at once. Of the window's turns that
 * also turn bits above it: the share at which the number made of those moving bits stays close.
 * Above a selector lies what its pages hold, and that jumps. */
static bool goes_over(const struct search *s, const struct narrow *window, bool motorola)
{
    struct around around = {0, 0, {0}};
    unsigned bit, above = 0;
    while (above < CARRY_REACH && neighbour(s, window, motorola, (int)above + 1, &bit) &&
           lt_bit_set_has(&s->moves, bit))
        around.bit[CARRY_REACH - 1 - above++] = bit;
    for (unsigned reach = OVER_LEAST; reach <= above; reach++) {
        uint64_t turns = 0, close = 0, before = 0, mask = ((uint64_t)1 << (reach + 1)) - 1;
        for (size_t i = s->look.first; i < s->look.end; i++) {
            const uint64_t *row = s->rows.word + i * s->rows.words;
            uint64_t number = 0;
            for (unsigned k = CARRY_REACH - reach; k < CARRY_REACH; k++)
                number = number << 1 | (row[around.bit[k] / 64] >> around.bit[k] % 64 & 1);
            /* The window as one step below them: its top bit. */
            number = number << 1 | (s->values[i] >> (window->width - 1) & 1);
            if (i > s->look.first && s->rows.follows[i] && (number ^ before) >> 1 &&
                s->values[i] != s->values[i - 1]) {
                uint64_t up = (number - before) & mask, down = (before - number) & mask;
                turns++;
                close += (up < down ? up : down) <= OVER_STEPS;
            }
            before = number;
        }
        if (turns >= OVER_TURNS && (double)close >= CARRY_SHARE * (double)turns)
            return true;
    }
    return false;
}

/* Where a number crosses 7/8 or -1/0 to and fro, one of its bits explains the others, for all of
 * them change together. Then the number with the window inside is close to what it was before. */
static bool is_carrying(const struct search *s, const struct narrow *window, bool motorola,
                        const struct judged *judged)
{
    struct around around;
    if (goes_over(s, window, motorola))
        return true;
    look_around(s, window, motorola, 0, judged, &around);
    if (around.low >= 2 && stays_close(s, &around, (uint64_t)1 << (around.low - 2)) >= CARRY_SHARE)
        return true;
    unsigned without = around.count;
    look_around(s, window, motorola, CARRY_REACH, judged, &around);
    return around.count > without && around.count >= 4 &&
           stays_close(s, &around, (uint64_t)1 << (around.count - 3)) >= CARRY_SHARE;
}

/* What a number explains of itself is no evidence. */
void lt_selector_leave_carries(struct search *s, const struct narrow *window, struct judged *judged)
{
    const struct judged whole = *judged;
    for (unsigned motorola = 0; motorola < 2; motorola++) {
        if (!is_carrying(s, window, motorola, &whole))
            continue;
        for (int n = -CARRY_REACH; n <= CARRY_REACH; n++) {
            unsigned bit;
            if (n == 0 || !neighbour(s, window, motorola, n, &bit) ||
                !lt_bit_set_has(&judged->set, bit))
                continue;
            double before = (double)s->look.next.of[bit] / (double)s->look.next.pairs;
            double after = (double)judged->same.all.of[bit] / (double)judged->same.all.pairs;
            judged->saved -= saved_by(before, after);
            judged->set.word[bit / 64] &= ~((uint64_t)1 << bit % 64);
        }
    }
}
