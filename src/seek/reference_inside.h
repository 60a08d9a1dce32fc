/* What several kinds of references need. Internal to src/seek (reference_inside.c). */
#ifndef LOOMTAP_SEEK_REFERENCE_INSIDE_H
#define LOOMTAP_SEEK_REFERENCE_INSIDE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/core/value.h"

/* Both by time; values of the same time stay in their order. False: no memory, nothing moved. */
bool reference_put_in_order(int64_t *time_ns, double *value, size_t count);
/* The step in which the signal's values come; 0 where they have none. */
double reference_step(const struct lt_scaler *scaler);

#endif
