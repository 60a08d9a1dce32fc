/* Is a field's top bit a sign? A number that crosses zero in two's complement goes from all zeros
 * to all ones: modulo its length that is a small step, in unsigned reading a jump over the whole
 * range
 * ("wrap"). A number in unsigned or offset-binary form crosses mid-scale in a small step ("mid"),
 * which would be a jump in two's complement. So usual steps that wrap speak for the one, usual
 * steps over mid-scale for the other; both in plenty is a number that goes round (an accumulator,
 * an angle), which is read unsigned. Without either the sign was not exercised. */
#include <math.h>

#include "survey/fields_inside.h"

/* Bits of evidence in one crossing; more than so many say no more. */
#define CROSSING_BITS  3.0
#define CROSSINGS_MOST 8u
#define MIDS_LEAST     3u
#define DWELL_SHARE    0.05 /* of the frames exactly at mid-scale, and */
#define DWELL_TIMES    20.0 /* so many times more often than at other values */
#define CODES_MOST     3u   /* times that a code comes or goes */

/* All ones that come and go, and no other value in the upper half: the code for "not available", no
 * minus one. */
static bool only_code_in_upper_half(const struct field_course *course, unsigned length)
{
    return course->raw_max_below < (uint64_t)1 << (length - 1);
}

/* Offset-binary and unsigned are the same bits but for an offset; what speaks for the one is that
 * the quantity rests at exactly mid-scale, as it does at zero. */
static bool rests_in_middle(const struct field_course *course)
{
    double frames = (double)course->frames, dwell = (double)course->dwell_mid / frames;
    return course->mids >= MIDS_LEAST && dwell > DWELL_SHARE &&
           dwell * (double)course->distinct > DWELL_TIMES;
}

enum lt_sign field_sign(const struct field_place *place, const struct field_course *course,
                        bool *ret_exercised, double *ret_odds)
{
    uint64_t wraps = course->wraps_up + course->wraps_down, mids = course->mids;
    *ret_exercised = false;
    *ret_odds = INFINITY;
    if (place->length < 2)
        return LT_UNSIGNED;
    if (wraps <= CODES_MOST && only_code_in_upper_half(course, place->length))
        return LT_UNSIGNED;
    *ret_exercised = wraps + mids != 0;
    if (wraps == 0 && mids == 0) {
        *ret_odds = 3;
        return LT_UNSIGNED;
    }
    uint64_t most = wraps > mids ? wraps : mids, least = wraps > mids ? mids : wraps;
    most = most > CROSSINGS_MOST ? CROSSINGS_MOST : most;
    *ret_odds = CROSSING_BITS * (double)most - 2 * (double)(least < most ? least : most);
    if (wraps > mids)
        return LT_TWOS;
    return rests_in_middle(course) ? LT_OFFSET_BINARY : LT_UNSIGNED;
}
