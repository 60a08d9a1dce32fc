/* A bit or two that flip like noise below a number, most of all behind a byte's edge, are hardly a
 * flag: nothing that is on or off does that. They are the number's low end, where steps are so
 * large against the bit that no carry shows. Not so where still more noise follows: that may be a
 * check that nothing explained. */
#include <math.h>

#include "survey/fields_inside.h"

#define NUMBER_LEAST 4u /* bits of the number above */
#define NOISE_MOST   3u /* bits of the piece below */
#define BUSY_ABOVE   0.04
#define BUSY_BELOW   0.12
#define TOGGLES      0.8
#define NOT_SLOWER   0.9
#define SLOW_NEXT    0.08
#define LOW_ODDS     3.0
#define BOTH_LEAST   6u
#define BOTH_SHARE   0.25 /* of the number's moves */
#define BOTH_ALWAYS  0.95 /* flags of one cause do that */
#define ALONE_SHARE  0.5  /* of the moves of both */
#define BOTH_ODDS    25.0 /* bits of evidence */

static bool is_noise(const struct field_lines *lines, const struct field_bits *bits,
                     const struct field_place *piece)
{
    enum lt_order order = piece->order == LT_ORDER_NONE ? LT_ORDER_INTEL : piece->order;
    int at = piece->msb;
    for (unsigned i = 0; i < piece->length; i++) {
        if (at < 0 || bits->rate[at] < BUSY_BELOW || bits->rate[at] > TOGGLES)
            return false;
        at = gap_lower(lines, order, (unsigned)at);
    }
    return true;
}

/* Bits of evidence that two things do not move independently (the G of contingency tables). */
static double association(double both, double upper, double lower, double steps)
{
    double neither = steps - both - upper - lower, high = both + upper, low = both + lower;
    double sum = both > 0 ? both * log2(both * steps / (high * low)) : 0;
    sum += upper > 0 ? upper * log2(upper * steps / (high * (steps - low))) : 0;
    sum += lower > 0 ? lower * log2(lower * steps / ((steps - high) * low)) : 0;
    return sum +
           (neither > 0 ? neither * log2(neither * steps / ((steps - high) * (steps - low))) : 0);
}

/* The piece moves when the number does, which is seldom, but not each time. */
static bool moves_along(const struct field_lines *lines, enum lt_order order,
                        const struct field_place *number, const struct field_place *piece)
{
    uint64_t steps;
    struct field_choice n =
        field_choice_count(lines, order, piece->lsb, number->length, piece->length, &steps);
    double both = (double)n.both, moves = (double)(n.both + n.upper), alone = (double)n.lower;
    double odds = association(both, (double)n.upper, alone, (double)steps);
    return n.both >= BOTH_LEAST && both >= BOTH_SHARE * moves && both <= BOTH_ALWAYS * moves &&
           alone <= ALONE_SHARE * both && odds >= BOTH_ODDS;
}

static bool is_busy_below(const struct field_lines *lines, const struct field_bits *bits,
                          const struct field_place *number, const struct field_place *piece)
{
    return bits->rate[number->lsb] >= BUSY_ABOVE &&
           bits->rate[piece->msb] >= NOT_SLOWER * bits->rate[number->lsb] &&
           is_noise(lines, bits, piece);
}

static bool noise_follows(const struct field_lines *lines, const struct field_bits *bits,
                          const struct field_place *piece, enum lt_order order)
{
    int at = gap_lower(lines, order, piece->lsb);
    return at >= 0 && bits->free[at] && bits->rate[at] > SLOW_NEXT;
}

static bool take_low_end(const struct field_lines *lines, const struct field_bits *bits,
                         struct field_place *number, const struct field_place *piece,
                         enum lt_order all)
{
    bool edge = number->lsb % 8 == 0;
    enum lt_order order = number->order == LT_ORDER_NONE ? all : number->order;
    if (order == LT_ORDER_NONE && !edge)
        order = LT_ORDER_INTEL; /* inside a byte all the same */
    if (order == LT_ORDER_NONE || number->length < NUMBER_LEAST ||
        number->length + piece->length > COURSE_BITS ||
        (piece->order != LT_ORDER_NONE && piece->order != order) ||
        gap_lower(lines, order, number->lsb) != piece->msb || piece->length > NOISE_MOST ||
        noise_follows(lines, bits, piece, order))
        return false;
    if (!is_busy_below(lines, bits, number, piece) && !moves_along(lines, order, number, piece))
        return false;
    number->length = (uint8_t)(number->length + piece->length);
    number->lsb = piece->lsb;
    number->order = number->msb / 8 == number->lsb / 8 ? LT_ORDER_NONE : order;
    number->weakest = fmin(number->weakest, LOW_ODDS);
    return true;
}

void field_low_ends(const struct field_lines *lines, const struct field_bits *bits,
                    struct field_cut *cut)
{
    enum lt_order all = field_cut_order(cut);
    for (size_t i = 0; i < cut->count; i++)
        for (size_t j = 0; j < cut->count; j++)
            if (i != j && take_low_end(lines, bits, &cut->place[i], &cut->place[j], all)) {
                cut->place[j] = cut->place[--cut->count];
                i = i == cut->count ? j : i;
                break;
            }
}
