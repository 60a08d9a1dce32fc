/* What the files value.c (bits to values), value_limits.c (the ends of what a field can carry) and
 * value_parse.c (text to bits) share. Not for others. */
#ifndef LOOMTAP_CORE_VALUE_INSIDE_H
#define LOOMTAP_CORE_VALUE_INSIDE_H

#include "core/wide.h"
#include "loomtap/core/value.h"

static inline uint64_t lt_field_mask(unsigned length)
{
    return UINT64_MAX >> (64 - length); /* never 1 << 64 */
}

/* The number behind the bits, exact also for 64 unsigned bits. Not for float fields. */
struct lt_signed_wide lt_scaler_number(const struct lt_scaler *scaler, uint64_t raw);
/* The inverse; false where the field cannot hold the number. */
bool lt_scaler_pattern(const struct lt_scaler *scaler, struct lt_signed_wide number,
                       uint64_t *ret_raw);
/* number * mul + add */
struct lt_signed_wide lt_scaler_law(const struct lt_scaler *scaler, struct lt_signed_wide number);

/* -1, 0, 1 as a is below, equal, above b; exact. */
int lt_ratio_compare(struct lt_ratio a, struct lt_ratio b);
bool lt_ratio_subtract(struct lt_ratio a, struct lt_ratio b, struct lt_ratio *ret_value);
bool lt_ratio_divide(struct lt_ratio a, struct lt_ratio b, struct lt_ratio *ret_value);
/* Correctly rounded. */
double lt_ratio_nearest(struct lt_ratio a);

/* a * role_factor + role_offset where the signal has a role, else a. */
bool lt_signal_outside(const struct lt_signal_def *def, struct lt_ratio a,
                       struct lt_ratio *ret_value);

/* On the straight line between two points: y0 + (x - x0) * (y1 - y0) / (x1 - x0). False where a
 * step outgrows 64 bits. */
bool lt_curve_between(const struct lt_curve_point *from, const struct lt_curve_point *to,
                      struct lt_ratio x, struct lt_ratio *ret_y);

/* The raw bits of the least and the greatest value, codes at the ends left out. False for float
 * fields, whose ends are those of the format. */
bool lt_scaler_ends(const struct lt_scaler *scaler, uint64_t *ret_low, uint64_t *ret_high);

#endif
