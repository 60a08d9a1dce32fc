/* Why a claim is made, for people: what was seen, and what is doubtful about it. */
#include <math.h>

#include "survey/fields_inside.h"
#include "survey/survey_internal.h"

#define DOUBT       4.0 /* odds in bits below which a decision is doubtful */
#define ORDER_DOUBT 10.0

static const char *what(enum lt_field_kind kind)
{
    if (kind == LT_FIELD_ACCUMULATING)
        return "only goes up";
    if (kind == LT_FIELD_FLAG)
        return "one bit";
    if (kind == LT_FIELD_ENUM)
        return "a few values that stay";
    return "the bits carry into each other";
}

static const char *about_sign(const struct field_place *place, const struct field_claim *claim)
{
    if (claim->kind != LT_FIELD_PHYSICAL || place->length < 2)
        return "";
    if (claim->sign == LT_SIGN_MAGNITUDE)
        return "; the sign changes only near zero";
    if (!claim->sign_exercised)
        return "; sign not exercised";
    if (claim->sign == LT_TWOS)
        return "; crosses zero";
    return claim->sign == LT_OFFSET_BINARY ? "; rests at mid-scale" : "; crosses mid-scale";
}

static const char *about_doubts(const struct field_place *place)
{
    if (place->margin < ORDER_DOUBT)
        return "; byte order doubtful";
    if (place->weakest < DOUBT)
        return "; may be two fields";
    return place->edge < DOUBT ? "; its ends are doubtful" : "";
}

const char *field_why(const struct field_place *place, const struct field_course *course,
                      const struct field_claim *claim, struct lt_arena *arena)
{
    return survey_text(arena, "%s: %llu values, %llu changes in %llu frames%s%s", what(claim->kind),
                       (unsigned long long)course->distinct, (unsigned long long)course->changes,
                       (unsigned long long)course->frames, about_sign(place, claim),
                       about_doubts(place));
}
