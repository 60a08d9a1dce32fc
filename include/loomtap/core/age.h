/* How old a value may be before it counts as lost. */
#ifndef LOOMTAP_CORE_AGE_H
#define LOOMTAP_CORE_AGE_H

#include <stdint.h>

#include "loomtap/core/plan.h"

#define LT_AGE_NEVER INT64_MAX /* it does not grow old */

/* Nanoseconds: max_age_ms; else, of a parameter (a diagnostic answer), 5 s; else the role's; else
 * three periods of the frame, three rounds of its pages where it has pages (one hour at most). */
int64_t lt_largest_age_ns(const struct lt_frame_plan *plan, const struct lt_field *field);

#endif
