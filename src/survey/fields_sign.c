/* Is a field's top bit a sign? A number that crosses zero in two's complement goes from all zeros
 * to all ones: modulo its length that is a small step, in unsigned reading a jump over the whole
 * range ("wrap"). A number in unsigned or offset-binary form crosses mid-scale in a small step
 * ("mid"), which would be a jump in two's complement. So usual steps that wrap speak for the one,
 * usual steps over mid-scale for the other; both in plenty is a number that goes round (an
 * accumulator, an angle), which is read unsigned. Without either the sign was not exercised. */
#include <math.h>

#include "survey/fields_inside.h"

/* Bits of evidence in one crossing; more than so many say no more. */
#define CROSSING_BITS     3.0
#define GOES_ROUND        3u /* wraps for each crossing of the middle, at most */
#define ONE_WAY           5u /* one of so many steps, at most, goes back */
#define FEW_VALUES        33u
#define NOT_EXERCISED     3.0
#define CROSSINGS_MOST    8u
#define MIDS_LEAST        3u
#define WRAP_JUMPS_LEAST  4u
#define UPPER_MOVES_LEAST 8u
#define DWELL_SHARE       0.05 /* of the frames exactly at mid-scale, and */
#define DWELL_TIMES       20.0 /* so many times more often than at other values */
#define CODES_MOST        3u   /* times that a code comes or goes */

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

/* Passes its end and its middle alike: an accumulator, an angle that turns, a code. */
static bool goes_round(const struct field_course *course)
{
    uint64_t wraps = course->wraps_up + course->wraps_down;
    uint64_t least = course->up < course->down ? course->up : course->down;
    bool is_one_way = least * ONE_WAY < course->up + course->down;
    return course->mids * GOES_ROUND > wraps && (is_one_way || course->distinct < FEW_VALUES);
}

/* A torque that jumps from drag to drive hardly takes a usual step over zero. Read unsigned it
 * would jump from one end of its range to the other, time and again, and never over the middle.
 * What lies beyond the end must be a course of its own, not a code. */
static bool jumps_over_zero(const struct field_course *course)
{
    return course->wrap_jumps >= WRAP_JUMPS_LEAST && course->mid_jumps == 0 &&
           course->upper_moves >= UPPER_MOVES_LEAST;
}

void field_sign(const struct field_place *place, const struct field_course *course,
                struct field_claim *claim)
{
    uint64_t wraps = course->wraps_up + course->wraps_down, mids = course->mids;
    claim->sign = place->sign;
    claim->sign_exercised = place->sign != LT_UNSIGNED;
    claim->sign_odds = INFINITY;
    bool is_number = claim->kind == LT_FIELD_PHYSICAL || claim->kind == LT_FIELD_UNKNOWN;
    if (place->sign != LT_UNSIGNED || place->length < 2 || !is_number)
        return;
    if (wraps <= CODES_MOST && only_code_in_upper_half(course, place->length))
        return;
    if (wraps + mids == 0 && jumps_over_zero(course)) {
        claim->sign = LT_TWOS;
        claim->sign_exercised = true;
        claim->sign_odds = CROSSING_BITS * (double)WRAP_JUMPS_LEAST;
        return;
    }
    claim->sign_exercised = wraps + mids != 0;
    claim->sign_odds = NOT_EXERCISED;
    if (!claim->sign_exercised)
        return;
    uint64_t most = wraps > mids ? wraps : mids, least = wraps > mids ? mids : wraps;
    most = most > CROSSINGS_MOST ? CROSSINGS_MOST : most;
    least = least > most ? most : least;
    claim->sign_odds = CROSSING_BITS * (double)most - 2 * (double)least;
    if (wraps > mids && course->long_wraps * 2 > wraps) /* as long the one way as the other */
        claim->sign_odds = NOT_EXERCISED;
    else if (wraps > mids && !goes_round(course))
        claim->sign = LT_TWOS;
    else if (rests_in_middle(course))
        claim->sign = LT_OFFSET_BINARY;
}
