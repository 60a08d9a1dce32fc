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
#define UNREST      0.6 /* of a number's steps, against those of chance: what comes in any order */
#define OTHER_TURN  37
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
#define AROUND_MAX (CARRY_REACH + NARROW_BITS_MAX + CARRY_BITS)

/* Bits of it that follow each other downwards in one word: read at once. */
struct piece {
    unsigned word, shift, length;
    uint64_t mask;
};

struct around {
    unsigned count, low; /* bits in all, and below the window */
    unsigned bit[AROUND_MAX];
    unsigned pieces; /* by find_pieces, once all bits are there */
    struct piece piece[AROUND_MAX];
};

static void find_pieces(struct around *around)
{
    around->pieces = 0;
    for (unsigned k = 0, end; k < around->count; k = end) {
        for (end = k + 1; end < around->count && around->bit[end] + 1 == around->bit[end - 1] &&
                          around->bit[end] / 64 == around->bit[k] / 64;)
            end++;
        unsigned length = end - k, lowest = around->bit[end - 1];
        around->piece[around->pieces++] = (struct piece){
            .word = lowest / 64,
            .shift = lowest % 64,
            .length = length,
            .mask = ((uint64_t)1 << length) - 1,
        };
    }
}

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
    find_pieces(ret);
}

static inline uint64_t number_at(const struct search *s, const struct around *around, size_t row)
{
    const uint64_t *words = s->rows.word + row * s->rows.words;
    uint64_t number = 0;
    for (unsigned k = 0; k < around->pieces; k++) {
        const struct piece *piece = &around->piece[k];
        number = number << piece->length | (words[piece->word] >> piece->shift & piece->mask);
    }
    return number;
}

static uint64_t apart(uint64_t a, uint64_t b, uint64_t mask)
{
    uint64_t up = (a - b) & mask, down = (b - a) & mask;
    return up < down ? up : down;
}

/* Rows at which the window's value is not that of the row before, or, within the pages of another
 * window, of the one before of its page. */
struct turns {
    size_t count;
    uint16_t row[SELECTOR_ROWS_MAX], before[SELECTOR_ROWS_MAX];
};

static void add_turn(struct turns *turns, const uint16_t *values, size_t row, size_t before)
{
    turns->row[turns->count] = (uint16_t)row;
    turns->before[turns->count] = (uint16_t)before;
    turns->count += values[row] != values[before];
}

static void list_turns(struct search *s, struct turns *ret)
{
    ret->count = 0;
    if (!s->within) {
        for (size_t i = s->look.first + 1; i < s->look.end; i++)
            if (s->rows.follows[i])
                add_turn(ret, s->values, i, i - 1);
        return;
    }
    memset(s->scratch->last, 0, sizeof *s->scratch->last << s->within->width);
    for (size_t i = s->look.first; i < s->look.end; i++) {
        uint32_t *last =
            &s->scratch->last[narrow_value(s->within, lt_kept_row(s->kept, s->rows.source[i]))];
        if (*last)
            add_turn(ret, s->values, i, *last - 1u);
        *last = (uint32_t)i + 1;
    }
}

/* Share of the window's turns at which the number stays within `reach`, going round. How far it
 * goes on the mean at a turn, against how far it is from another of its turns: `ret_unrest`. */
static double stays_close(const struct search *s, const struct turns *turns,
                          const struct around *around, uint64_t reach, double *ret_unrest)
{
    uint64_t mask = ((uint64_t)1 << around->count) - 1, close = 0, other = 0;
    double far = 0, chance = 0;
    for (size_t i = 0; i < turns->count; i++) {
        uint64_t number = number_at(s, around, turns->row[i]);
        uint64_t step = apart(number, number_at(s, around, turns->before[i]), mask);
        close += step <= reach;
        far += (double)step;
        if ((i + 1) % OTHER_TURN == 0)
            other = number;
        chance += (double)apart(number, other, mask);
    }
    *ret_unrest = chance > 0 ? far / chance : 0;
    return turns->count ? (double)close / (double)turns->count : 0;
}

/* A number that goes over zero or mid-scale turns many bits at once. Of the window's turns that
 * also turn bits above it: the share at which the number made of those moving bits stays close.
 * Above a selector lies what its pages hold, and that jumps. */
static bool goes_over(const struct search *s, const struct turns *turns,
                      const struct narrow *window, bool motorola, unsigned *ret_reach)
{
    struct around all = {.count = 0};
    unsigned bit, above = 0, top = window->width - 1;
    while (above < CARRY_REACH && neighbour(s, window, motorola, (int)above + 1, &bit) &&
           lt_bit_set_has(&s->moves, bit))
        all.bit[CARRY_REACH - 1 - above++] = bit;
    for (unsigned reach = OVER_LEAST; reach <= above; reach++) {
        uint64_t over = 0, close = 0, mask = ((uint64_t)1 << (reach + 1)) - 1;
        struct around around = {.count = reach};
        memcpy(around.bit, all.bit + CARRY_REACH - reach, reach * sizeof *around.bit);
        find_pieces(&around);
        for (size_t i = 0; i < turns->count; i++) {
            uint64_t number = number_at(s, &around, turns->row[i]);
            uint64_t earlier = number_at(s, &around, turns->before[i]);
            if (number == earlier)
                continue;
            /* The window as one step below them: its top bit. */
            number = number << 1 | (s->values[turns->row[i]] >> top & 1);
            earlier = earlier << 1 | (s->values[turns->before[i]] >> top & 1);
            over++;
            close += apart(number, earlier, mask) <= OVER_STEPS;
        }
        if (over >= OVER_TURNS && (double)close >= CARRY_SHARE * (double)over) {
            *ret_reach = reach;
            return true;
        }
    }
    return false;
}

/* Bits right above the window that its value tells for certain; none where it tells the one below
 * it too, as in the middle of a number. */
static unsigned fixed_above(const struct search *s, const struct narrow *window, bool motorola,
                            const struct judged *judged)
{
    unsigned above = 0, bit;
    if (neighbour(s, window, motorola, -1, &bit) && lt_bit_set_has(&judged->set, bit))
        return 0;
    while (above < CARRY_REACH && neighbour(s, window, motorola, (int)above + 1, &bit) &&
           lt_bit_set_has(&judged->set, bit) && judged->same.all.of[bit] == 0)
        above++;
    return above;
}

/* Where a number crosses 7/8 or -1/0 to and fro, one of its bits explains the others, for all of
 * them change together. Then the number with the window inside is close to what it was before. */
static bool is_carrying(struct search *s, const struct narrow *window, bool motorola,
                        const struct judged *judged, unsigned *ret_above)
{
    struct around around;
    struct turns turns;
    double unrest;
    *ret_above = CARRY_REACH;
    unsigned reach;
    list_turns(s, &turns);
    look_around(s, window, motorola, 0, judged, &around);
    if (around.low >= 2 &&
        stays_close(s, &turns, &around, (uint64_t)1 << (around.low - 2), &unrest) >= CARRY_SHARE)
        return true;
    if (goes_over(s, &turns, window, motorola, &reach)) {
        /* Pages 62 to 66 go over too; what they hold is another matter. */
        unsigned fixed = fixed_above(s, window, motorola, judged);
        if (fixed >= reach)
            *ret_above = fixed;
        return true;
    }
    unsigned without = around.count;
    look_around(s, window, motorola, CARRY_REACH, judged, &around);
    if (around.count <= without || around.count < 4 ||
        stays_close(s, &turns, &around, (uint64_t)1 << (around.count - 3), &unrest) < CARRY_SHARE)
        return false;
    /* Pages that come in any order are near each other too where their numbers are: then bits above
     * that never change on a page may be the selector's own, and no more is left out. */
    bool fixed = true;
    for (unsigned k = 0; k < around.count - without; k++)
        fixed = fixed && judged->same.all.of[around.bit[k]] == 0;
    if (unrest >= UNREST && fixed)
        *ret_above = around.count - without;
    return true;
}

/* Is any bit explained that a number around the window could reach? */
static bool explains_near(const struct search *s, const struct narrow *window, bool motorola,
                          const struct judged *judged)
{
    unsigned bit;
    for (int n = -CARRY_REACH; n <= CARRY_REACH; n++)
        if (n != 0 && neighbour(s, window, motorola, n, &bit) && lt_bit_set_has(&judged->set, bit))
            return true;
    return false;
}

/* What a number explains of itself is no evidence. */
void lt_selector_leave_carries(struct search *s, const struct narrow *window, struct judged *judged)
{
    const struct judged whole = *judged;
    for (unsigned motorola = 0; motorola < 2; motorola++) {
        unsigned above;
        if (!explains_near(s, window, motorola, judged) ||
            !is_carrying(s, window, motorola, &whole, &above))
            continue;
        for (int n = above < CARRY_REACH ? 1 : -CARRY_REACH; n <= (int)above; n++) {
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

bool lt_selector_is_number_within(struct search *s, const struct narrow *window,
                                  const struct narrow *within)
{
    bool is_number = false;
    if (!lt_selector_judge(s, window, &s->look, s->judged))
        return false;
    s->within = within;
    for (unsigned motorola = 0; motorola < 2 && !is_number; motorola++) {
        unsigned above;
        is_number = is_carrying(s, window, motorola, s->judged, &above) && above == CARRY_REACH;
    }
    s->within = NULL;
    return is_number;
}
