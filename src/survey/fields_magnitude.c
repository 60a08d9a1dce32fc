/* Sign and magnitude: a bit above a number, maybe with resting bits between, that flips only while
 * the number is near zero. In any other form the number would jump there; here the course goes
 * straight on when it is read with that sign. */
#include <math.h>

#include "survey/fields_inside.h"

#define BETWEEN_MOST   12u
#define LENGTH_LEAST   3u /* of the magnitude */
#define FLIPS_LEAST    3u
#define FAR_SHARE      50u /* one in so many rows, at least, on either side */
#define DISTINCT_LEAST 16u
#define ODDS_LEAST     14.0 /* bits of evidence */
#define ODDS_MOST      40.0

/* The place of the sign above the magnitude, counted along the line; -1 where it is not there. */
static int offset_of_sign(const struct field_lines *lines, const struct field_bits *bits,
                          unsigned sign, const struct field_place *magnitude, enum lt_order order)
{
    int between = gap_resting(lines, bits, order, sign, magnitude->msb, BETWEEN_MOST);
    return between < 0 ? -1 : (int)magnitude->length + between;
}

struct near_zero {
    uint64_t rows, low; /* rows in which the magnitude is low */
    uint64_t flips, low_flips;
    uint64_t far[2]; /* rows far from zero, by the sign */
};

/* `low`: magnitudes below it are near zero. A flip counts where it is so before and after. */
static struct near_zero count_near_zero(const struct field_lines *lines, enum lt_order order,
                                        const struct field_place *magnitude, unsigned offset,
                                        uint64_t low)
{
    struct near_zero n = {0};
    unsigned place = line_place(lines, order, magnitude->lsb);
    uint64_t mask = ((uint64_t)1 << magnitude->length) - 1, before = 0;
    for (size_t row = 0; row < lines->count; row++) {
        uint64_t now = line_get(lines, order, row, place, offset + 1);
        n.rows++;
        n.low += (now & mask) < low;
        n.far[now >> offset] += (now & mask) >= 2 * low;
        if (row != 0 && lines->flags[row] & LT_KEPT_FOLLOWS && (now ^ before) >> offset != 0) {
            n.flips++;
            n.low_flips += (now & mask) < low && (before & mask) < low;
        }
        before = now;
    }
    return n;
}

static double magnitude_odds(const struct near_zero *n)
{
    uint64_t far = n->far[0] < n->far[1] ? n->far[0] : n->far[1];
    if (n->flips < FLIPS_LEAST || n->low_flips * 10 < n->flips * 9)
        return 0;
    if (far * FAR_SHARE < n->rows) /* "stands still" is a flag, no sign */
        return 0;
    double chance = ((double)n->low + 1) / ((double)n->rows + 1);
    double flips = n->low_flips > 20 ? 20 : (double)n->low_flips;
    return flips * -log2(chance) - 20 * (double)(n->flips - n->low_flips) / (double)n->flips;
}

static bool joined(const struct field_lines *lines, const struct field_bits *bits,
                   struct field_place *sign, const struct field_place *magnitude,
                   const struct field_course *course)
{
    static const enum lt_order orders[] = {LT_ORDER_INTEL, LT_ORDER_MOTOROLA};
    for (unsigned i = 0; i < 2; i++) {
        enum lt_order order = orders[i];
        if (magnitude->order != LT_ORDER_NONE && magnitude->order != order)
            continue;
        int offset = offset_of_sign(lines, bits, sign->msb, magnitude, order);
        if (offset < 0 || (unsigned)offset + 1 > COURSE_BITS)
            continue;
        uint64_t low = course->typical + course->raw_min;
        struct near_zero n = count_near_zero(lines, order, magnitude, (unsigned)offset, low);
        double odds = magnitude_odds(&n);
        if (odds < ODDS_LEAST)
            continue;
        uint16_t msb = sign->msb;
        *sign = *magnitude;
        sign->msb = msb;
        sign->length = (uint8_t)(offset + 1);
        sign->order = msb / 8 == sign->lsb / 8 ? LT_ORDER_NONE : order;
        sign->sign = LT_SIGN_MAGNITUDE;
        sign->edge = fmin(odds, ODDS_MOST) - ODDS_LEAST / 2;
        return true;
    }
    return false;
}

enum lt_code field_magnitude(const struct field_lines *lines, const struct field_bits *bits,
                             struct lt_arena *arena, struct field_cut *cut, struct lt_error *error)
{
    for (size_t i = 0; i < cut->count; i++) {
        if (cut->place[i].length != 1)
            continue;
        for (size_t j = 0; j < cut->count; j++) {
            struct field_course course;
            if (cut->place[j].length < LENGTH_LEAST || cut->place[j].sign != LT_UNSIGNED ||
                (offset_of_sign(lines, bits, cut->place[i].msb, &cut->place[j], LT_ORDER_INTEL) <
                     0 &&
                 offset_of_sign(lines, bits, cut->place[i].msb, &cut->place[j], LT_ORDER_MOTOROLA) <
                     0))
                continue;
            enum lt_code code = field_course_make(lines, &cut->place[j], arena, &course, error);
            if (code != LT_OK)
                return code;
            if (course.distinct < DISTINCT_LEAST)
                continue;
            if (!joined(lines, bits, &cut->place[i], &cut->place[j], &course))
                continue;
            cut->place[j] = cut->place[--cut->count];
            break;
        }
    }
    return LT_OK;
}
