/* How often a claim like this one is right. */
#include <math.h>

#include "survey/fields_inside.h"

double field_sureness(const struct field_place *place, const struct field_course *course,
                      enum lt_field_kind kind, double sign_odds)
{
    double odds = fmin(fmin(place->weakest, place->edge), fmin(place->margin, sign_odds));
    (void)course;
    if (kind == LT_FIELD_UNKNOWN)
        return 0.3;
    odds = fmin(odds, 20);
    return 0.97 / (1 + exp2(-odds / 2));
}
