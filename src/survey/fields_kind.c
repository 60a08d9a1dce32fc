/* What kind of thing a field is, from its course. */
#include <math.h>

#include "survey/fields_inside.h"

#define ENUM_VALUES     16u
#define SURE_OF_CARRIES 8.0
#define NOISE           1.5 /* eta of random numbers is 2 */
#define ACCUMULATIONS   8u  /* steps up, and none down */

static bool only_goes_up(const struct field_course *course)
{
    return course->up >= ACCUMULATIONS && course->down * 500 <= course->up &&
           course->distinct > ACCUMULATIONS;
}

static bool is_choice(const struct field_course *course)
{
    if (course->distinct > ENUM_VALUES)
        return false;
    return course->distinct <= 4 || course->changes * 20 < course->frames;
}

/* A number with few values goes through all of them, a code jumps. */
static bool moves_by_little(const struct field_course *course)
{
    uint64_t little = course->size[1] + course->size[2];
    return course->distinct > 4 && little * 20 >= course->changes * 19 &&
           course->small * 10 >= course->changes * 6;
}

enum lt_field_kind field_kind(const struct field_place *place, const struct field_course *course)
{
    if (place->length == 1)
        return LT_FIELD_FLAG;
    if (only_goes_up(course))
        return LT_FIELD_ACCUMULATING;
    if (is_choice(course) && !moves_by_little(course))
        return LT_FIELD_ENUM;
    bool carries = place->weakest > SURE_OF_CARRIES; /* noise that is one number all the same */
    return carries || (isfinite(course->eta) && course->eta < NOISE) ? LT_FIELD_PHYSICAL
                                                                     : LT_FIELD_UNKNOWN;
}
