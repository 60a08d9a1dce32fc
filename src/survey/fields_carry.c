/* Third opinion, on the top ends of fields. The carry between two bits (fields_gaps.c) needs many
 * moves to say much; the carry out of a whole number needs few. While a number of n bits moves by
 * little against 2^n, each of its steps says whether it passed its end, and in which direction. So
 * bits above it that are its own are told by it to the last flip: they move exactly then, by one,
 * and at no other time. In two's complement that is so at each crossing of zero, however rarely
 * the sign differs from the bit below it. Bits of something else move when they like, and rest
 * when the number passes its end.
 *
 * A bit above that is told by the field is taken into it, whatever it was held to be a part of;
 * top bits of a field that are not told by the rest are parted from it. Steps that are not small
 * are no evidence either way. */
#include <math.h>
#include <string.h>

#include "survey/fields_inside.h"

#define LENGTH_LEAST 4u   /* of the number below */
#define UPPER_MOST   6u   /* bits above that are tried together */
#define RARE_SHARE   32u  /* one change in so many may be larger than usual */
#define HIT_MOST     14.0 /* bits of evidence in one flip at a carry */
#define AGAINST      6.0  /* in one carry without a flip, or one flip without a carry */
#define JOIN_ODDS    13.0
#define JOIN_OTHERS  8u /* so many hits for each that is none, at least */
#define PART_ODDS    9.0
#define STRAY_MOST   6.0
#define EDGE_ODDS    25.0 /* of an end that this says, at most */

/* By the bit length of the lower part's step. */
struct carry_counts {
    uint32_t steps[STEP_SIZES]; /* not 0 */
    uint32_t hits[STEP_SIZES], misses[STEP_SIZES], strays[STEP_SIZES];
};

struct carry_sums {
    double moves, hits, misses, strays; /* at usual steps */
    unsigned typical;                   /* bit length of the largest usual step */
};

static void count_carry(struct carry_counts *counts, uint64_t before, uint64_t now, unsigned upper,
                        unsigned lower)
{
    uint64_t mask = ((uint64_t)1 << lower) - 1, low = now & mask, low_before = before & mask;
    int64_t step = field_step(low - low_before, lower);
    uint64_t size = step < 0 ? (uint64_t)-step : (uint64_t)step;
    unsigned class = size ? 64u - (unsigned)__builtin_clzll(size) : 0;
    uint64_t carry = 0, moved = (now >> lower) - (before >> lower);
    if (step > 0 && low < low_before)
        carry = 1;
    else if (step < 0 && low > low_before)
        carry = UINT64_MAX;
    bool right = ((moved - carry) & (((uint64_t)1 << upper) - 1)) == 0;
    counts->steps[class] += size != 0;
    if (!carry && right) /* nearly always */
        return;
    counts->hits[class] += carry && right;
    counts->misses[class] += carry && !right;
    counts->strays[class] += !carry && !right;
}

/* `most`: uppers of 1..most bits at once, each with all the bits below it down to `place`. */
static void count_carries(const struct field_lines *lines, enum lt_order order, unsigned place,
                          unsigned length, unsigned most, struct carry_counts ret[UPPER_MOST])
{
    uint64_t before = 0;
    memset(ret, 0, UPPER_MOST * sizeof *ret);
    for (size_t row = 0; row < lines->count; row++) {
        uint64_t now = line_get(lines, order, row, place, length);
        if (row != 0 && now != before && lines->flags[row] & LT_KEPT_FOLLOWS)
            for (unsigned upper = 1; upper <= most; upper++)
                count_carry(&ret[upper - 1], before, now, upper, length - upper);
        before = now;
    }
}

/* False: steps are too large to tell. */
static bool sum_up(const struct carry_counts *counts, unsigned lower, struct carry_sums *ret_sums)
{
    struct carry_sums sums = {.typical = STEP_SIZES - 1};
    uint64_t all = 0, above = 0;
    for (unsigned i = 0; i < STEP_SIZES; i++)
        all += counts->steps[i];
    while (sums.typical > 0 && (above + counts->steps[sums.typical]) * RARE_SHARE <= all)
        above += counts->steps[sums.typical--];
    if (sums.typical + 2 > lower)
        return false;
    for (unsigned i = 0; i <= sums.typical; i++) {
        sums.moves += counts->steps[i];
        sums.hits += counts->hits[i];
        sums.misses += counts->misses[i];
        sums.strays += counts->strays[i];
    }
    *ret_sums = sums;
    return sums.hits + sums.misses + sums.strays > 0;
}

static double join_odds(const struct carry_sums *n)
{
    if (n->hits == 0 || (n->misses + n->strays) * JOIN_OTHERS > n->hits)
        return 0;
    double chance = (n->hits + n->misses + 0.5) / (n->moves + 1);
    return n->hits * fmin(HIT_MOST, -log2(chance)) - AGAINST * (n->misses + n->strays);
}

/* A stray flip while the lower part makes a usual step: a jump of the whole would hardly ever leave
 * the lower part where it was. */
static double part_odds(const struct carry_sums *n, unsigned lower)
{
    double each = fmin(STRAY_MOST, (double)(lower - 1 - n->typical));
    return n->strays * each + n->misses * AGAINST - n->hits * HIT_MOST;
}

/* --- bits above --- */

static size_t owner_of(const struct field_cut *cut, unsigned lsb)
{
    for (size_t i = 0; i < cut->count; i++)
        if (cut->place[i].lsb == lsb)
            return i;
    return cut->count;
}

/* Inside a byte there is no order to tell. */
static void leave_order(struct field_place *place)
{
    if (place->msb / 8 != place->lsb / 8)
        return;
    place->order = LT_ORDER_NONE;
    place->margin = INFINITY;
}

static void drop_lowest(const struct field_lines *lines, struct field_cut *cut, size_t index)
{
    struct field_place *place = &cut->place[index];
    enum lt_order order = place->order == LT_ORDER_NONE ? LT_ORDER_INTEL : place->order;
    if (place->length == 1) {
        *place = cut->place[--cut->count];
        return;
    }
    place->lsb = (uint16_t)gap_upper(lines, order, place->lsb);
    place->length--;
    leave_order(place);
    if (place->length == 1)
        place->weakest = INFINITY;
}

/* The bit above the field in this order joins it, when it is told by the field. */
static bool take_bit_above(const struct field_lines *lines, const struct field_bits *bits,
                           struct field_cut *cut, size_t index, enum lt_order order)
{
    struct carry_counts counts[UPPER_MOST];
    struct carry_sums sums;
    struct field_place *place = &cut->place[index];
    int upper = gap_upper(lines, order, place->msb);
    if (upper < 0 || !bits->free[upper] || place->length >= COURSE_BITS)
        return false;
    size_t other = owner_of(cut, (unsigned)upper);
    if (other == cut->count || other == index)
        return false;
    count_carries(lines, order, line_place(lines, order, place->lsb), place->length + 1u, 1,
                  counts);
    if (!sum_up(&counts[0], place->length, &sums) || join_odds(&sums) < JOIN_ODDS)
        return false;
    double odds = fmin(EDGE_ODDS, join_odds(&sums) - JOIN_ODDS / 2);
    place->msb = (uint16_t)upper;
    place->length++;
    place->order = place->msb / 8 == place->lsb / 8 ? LT_ORDER_NONE : order;
    place->weakest = fmin(place->weakest, odds);
    place->edge = odds;
    drop_lowest(lines, cut, other);
    return true;
}

static void take_bits_above(const struct field_lines *lines, const struct field_bits *bits,
                            struct field_cut *cut, size_t index, enum lt_order all)
{
    bool taken = true;
    while (taken) {
        const struct field_place *place = &cut->place[index];
        enum lt_order order = place->order;
        bool edge = place->msb % 8 == 7;
        if (order == LT_ORDER_NONE)
            order = edge ? all : LT_ORDER_INTEL;
        size_t count = cut->count;
        taken = order != LT_ORDER_NONE && take_bit_above(lines, bits, cut, index, order);
        if (taken && cut->count < count && index == cut->count)
            return; /* it was moved to the place of the one that is gone; its turn was this one */
    }
}

/* --- foreign bits on top --- */

static double said_before(const struct gaps *gaps, enum lt_order order, unsigned position,
                          unsigned upper)
{
    const struct gap *gap = &gaps->below[order == LT_ORDER_MOTOROLA][position];
    double odds = gap->odds[(upper < GAP_ABOVE ? upper : GAP_ABOVE) - 1];
    return gap->seen && odds > 0 ? odds : 0;
}

static void part_top(const struct field_lines *lines, const struct gaps *gaps,
                     struct field_cut *cut, size_t index)
{
    struct carry_counts counts[UPPER_MOST];
    struct field_place *place = &cut->place[index];
    enum lt_order order = place->order == LT_ORDER_NONE ? LT_ORDER_INTEL : place->order;
    unsigned most = place->length - LENGTH_LEAST, best = 0, above = place->msb, best_above = 0;
    double best_odds = PART_ODDS;
    most = most < UPPER_MOST ? most : UPPER_MOST;
    count_carries(lines, order, line_place(lines, order, place->lsb), place->length, most, counts);
    for (unsigned upper = 1; upper <= most; upper++) {
        struct carry_sums sums;
        double odds = 0;
        if (sum_up(&counts[upper - 1], place->length - upper, &sums))
            odds = part_odds(&sums, place->length - upper) - said_before(gaps, order, above, upper);
        if (odds > best_odds) {
            best_odds = odds;
            best = upper;
            best_above = above;
        }
        above = (unsigned)gap_lower(lines, order, above);
    }
    if (best == 0 || cut->count >= FRAME_BITS)
        return;
    struct field_place *top = &cut->place[cut->count++];
    *top = *place;
    top->lsb = (uint16_t)best_above;
    top->length = (uint8_t)best;
    place->msb = (uint16_t)gap_lower(lines, order, best_above);
    place->length = (uint8_t)(place->length - best);
    place->edge = fmin(place->edge, best_odds);
    top->edge = place->edge;
    leave_order(place);
    leave_order(top);
    if (top->length == 1)
        top->weakest = INFINITY;
}

void field_carries(const struct field_lines *lines, const struct field_bits *bits,
                   const struct gaps *gaps, struct field_cut *cut)
{
    enum lt_order all = field_cut_order(cut);
    for (size_t i = 0; i < cut->count; i++)
        if (cut->place[i].length > LENGTH_LEAST)
            part_top(lines, gaps, cut, i);
    for (size_t i = 0; i < cut->count; i++)
        if (cut->place[i].length >= LENGTH_LEAST)
            take_bits_above(lines, bits, cut, i, all);
}
