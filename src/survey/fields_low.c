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

static bool is_noise(const struct field_lines *lines, const struct field_bits *bits,
                     const struct field_place *piece)
{
    enum lt_order order = piece->order == LT_ORDER_NONE ? LT_ORDER_INTEL : piece->order;
    if (piece->length > NOISE_MOST)
        return false;
    int at = piece->msb;
    for (unsigned i = 0; i < piece->length; i++) {
        if (at < 0 || bits->rate[at] < BUSY_BELOW || bits->rate[at] > TOGGLES)
            return false;
        at = gap_lower(lines, order, (unsigned)at);
    }
    return true;
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
        gap_lower(lines, order, number->lsb) != piece->msb ||
        bits->rate[number->lsb] < BUSY_ABOVE ||
        bits->rate[piece->msb] < NOT_SLOWER * bits->rate[number->lsb] ||
        !is_noise(lines, bits, piece) || noise_follows(lines, bits, piece, order))
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
