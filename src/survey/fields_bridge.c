/* Pieces of one field with bits between that rest. Codes do that (1 and 9 have two bits between
 * that never move), and so does "not available": all bits go to one at the same moment, those that
 * are one already do not move, and a piece above them moves at such moments only.
 *
 * Two pieces belong together when the upper one hardly ever moves without the lower one, far more
 * often so than chance would have it; or when at its moves the whole is all ones before or after.
 */
#include <math.h>

#include "survey/fields_inside.h"

#define BETWEEN_MOST 5u
#define BUSY_PIECE   0.1  /* changes a step of a lower piece that proves nothing by changing too */
#define BRIDGE_ODDS  13.0 /* bits of evidence */
#define SHARE_LEAST  0.7

struct bridge_counts {
    uint64_t steps, upper, lower, both, to_ones;
};

static struct bridge_counts count_bridge(const struct field_lines *lines, enum lt_order order,
                                         const struct field_place *upper,
                                         const struct field_place *lower, unsigned between)
{
    struct bridge_counts counts = {0};
    unsigned place = line_place(lines, order, lower->lsb);
    unsigned length = upper->length + between + lower->length;
    uint64_t ones = ((uint64_t)1 << length) - 1, low = ((uint64_t)1 << lower->length) - 1;
    uint64_t high = ones >> (lower->length + between) << (lower->length + between), before = 0;
    for (size_t row = 0; row < lines->count; row++) {
        uint64_t now = line_get(lines, order, row, place, length), flips = now ^ before;
        if (row != 0 && lines->flags[row] & LT_KEPT_FOLLOWS) {
            counts.steps++;
            counts.lower += (flips & low) != 0;
            counts.upper += (flips & high) != 0;
            counts.both += (flips & low) != 0 && (flips & high) != 0;
            counts.to_ones += (flips & high) != 0 && (now == ones || before == ones);
        }
        before = now;
    }
    return counts;
}

static double bridge_odds(const struct bridge_counts *n, unsigned lower_length)
{
    if (n->upper == 0 || (double)n->both < SHARE_LEAST * (double)n->upper)
        return 0;
    double rate = ((double)n->lower + 1) / ((double)n->steps + 2);
    double chance = rate > BUSY_PIECE ? 1 : rate;
    double ones = n->to_ones == n->upper ? (double)lower_length : 0;
    return (double)n->both * -log2(chance) + ones;
}

/* `all`: the order of the frame's fields. Without one no bridge leads over a byte's edge: fields
 * that all become available at one moment look alike. */
static bool bridged(const struct field_lines *lines, const struct field_bits *bits,
                    struct field_place *upper, const struct field_place *lower, enum lt_order all)
{
    static const enum lt_order orders[] = {LT_ORDER_INTEL, LT_ORDER_MOTOROLA};
    for (unsigned i = 0; i < 2; i++) {
        enum lt_order order = orders[i];
        if ((upper->order != LT_ORDER_NONE && upper->order != order) ||
            (lower->order != LT_ORDER_NONE && lower->order != order))
            continue;
        if (upper->lsb / 8 != lower->msb / 8 && order != all)
            continue;
        int between = gap_resting(lines, bits, order, upper->lsb, lower->msb, BETWEEN_MOST);
        if (between < 1 || upper->length + (unsigned)between + lower->length > COURSE_BITS)
            continue;
        struct bridge_counts n = count_bridge(lines, order, upper, lower, (unsigned)between);
        double odds = bridge_odds(&n, lower->length);
        if (odds < BRIDGE_ODDS)
            continue;
        upper->length = (uint8_t)(upper->length + (unsigned)between + lower->length);
        upper->lsb = lower->lsb;
        upper->order = upper->msb / 8 == upper->lsb / 8 ? LT_ORDER_NONE : order;
        upper->weakest = fmin(fmin(upper->weakest, lower->weakest), odds - BRIDGE_ODDS / 2);
        upper->edge = fmin(upper->edge, lower->edge);
        upper->margin = fmin(upper->margin, lower->margin);
        return true;
    }
    return false;
}

void field_bridge(const struct field_lines *lines, const struct field_bits *bits,
                  struct field_cut *cut)
{
    enum lt_order all = field_cut_order(cut);
    for (size_t i = 0; i < cut->count; i++)
        for (size_t j = 0; j < cut->count; j++)
            if (i != j && bridged(lines, bits, &cut->place[i], &cut->place[j], all)) {
                cut->place[j] = cut->place[--cut->count];
                i = i == cut->count ? j : i;
                j = (size_t)-1; /* look again from the first: pieces may follow each other */
            }
}
