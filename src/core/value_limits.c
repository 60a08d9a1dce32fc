/* The least and the greatest value that a field can carry.
 *
 * The values at both ends of the numbers (codes for unavailable and error peeled off) are the
 * answer for a straight line. A curve may also turn at its points, and a reciprocal jumps where its
 * denominator goes through zero: those places are looked at as well. */
#include <float.h>
#include <math.h>

#include "core/value_inside.h"

/* Raw bits put in the order of the numbers they mean: 0 = the least number. Sign-magnitude counts
 * its negative half backwards; -0 comes just before 0. */
static uint64_t order_of(const struct lt_scaler *scaler, uint64_t raw)
{
    uint64_t mask = lt_field_mask(scaler->length), top = mask ^ mask >> 1;
    switch (scaler->def->sign) {
    case LT_TWOS:
        return raw ^ top;
    case LT_SIGN_MAGNITUDE:
        return raw & top ? mask - raw : raw | top;
    case LT_UNSIGNED:
    case LT_OFFSET_BINARY:
    case LT_FLOAT:
        break;
    }
    return raw;
}

static uint64_t raw_of(const struct lt_scaler *scaler, uint64_t order)
{
    uint64_t mask = lt_field_mask(scaler->length), top = mask ^ mask >> 1;
    if (scaler->def->sign == LT_SIGN_MAGNITUDE)
        return order & top ? order ^ top : mask - order;
    return order_of(scaler, order); /* its own inverse for the others */
}

struct interval {
    uint64_t low, high; /* in the order of numbers */
};

/* Narrows the interval where first..last, all on one half of the raw bits, covers an end of it.
 * False when nothing is left. */
static bool peel(const struct lt_scaler *scaler, struct interval *left, uint64_t first,
                 uint64_t last, bool *changed)
{
    uint64_t a = order_of(scaler, first), b = order_of(scaler, last);
    uint64_t low = a < b ? a : b, high = a < b ? b : a;
    if (low <= left->low && high >= left->high)
        return false;
    if (low <= left->low && high >= left->low) {
        left->low = high + 1;
        *changed = true;
    } else if (low <= left->high && high >= left->high) {
        left->high = low - 1;
        *changed = true;
    }
    return true;
}

/* A range of codes is split where the order of numbers breaks: at the sign bit. */
static bool peel_ranges(const struct lt_scaler *scaler, struct interval *left,
                        const struct lt_raw_range *ranges, size_t count, bool *changed)
{
    uint64_t mask = lt_field_mask(scaler->length), half = mask >> 1;
    for (size_t i = 0; i < count; i++) {
        uint64_t first = ranges[i].first, last = ranges[i].last > mask ? mask : ranges[i].last;
        if (first > last)
            continue;
        if (first <= half && !peel(scaler, left, first, last > half ? half : last, changed))
            return false;
        if (last > half && !peel(scaler, left, first > half ? first : half + 1, last, changed))
            return false;
    }
    return true;
}

/* All numbers but the codes at the two ends; everything where the codes leave nothing. */
static struct interval numbers_left(const struct lt_scaler *scaler)
{
    const struct lt_signal_def *def = scaler->def;
    const struct interval all = {0, lt_field_mask(scaler->length)};
    struct interval left = all;
    bool changed = true;
    while (changed) { /* each round takes a range away for good */
        changed = false;
        if (!peel_ranges(scaler, &left, def->unavailable, def->unavailable_count, &changed) ||
            !peel_ranges(scaler, &left, def->error, def->error_count, &changed))
            return all;
    }
    return left;
}

struct extremes {
    bool any;
    double low_value, high_value;
    uint64_t low, high; /* raw bits */
};

static void consider_raw(const struct lt_scaler *scaler, struct extremes *seen, uint64_t raw)
{
    double value = lt_scaler_f64(scaler, raw);
    if (!isfinite(value))
        return;
    if (!seen->any || value < seen->low_value) {
        seen->low_value = value;
        seen->low = raw;
    }
    if (!seen->any || value > seen->high_value) {
        seen->high_value = value;
        seen->high = raw;
    }
    seen->any = true;
}

static void consider_number(const struct lt_scaler *scaler, struct extremes *seen,
                            struct interval left, struct lt_signed_wide number)
{
    uint64_t raw;
    if (lt_scaler_pattern(scaler, number, &raw) && order_of(scaler, raw) >= left.low &&
        order_of(scaler, raw) <= left.high && lt_scaler_state(scaler, raw) == LT_STATE_VALUE)
        consider_raw(scaler, seen, raw);
}

/* The whole numbers around num / den. */
static void consider_around(const struct lt_scaler *scaler, struct extremes *seen,
                            struct interval left, struct lt_ratio place)
{
    for (int64_t step = -1; step <= 1; step++) {
        struct lt_signed_wide number = lt_signed_wide_of(place.num / place.den);
        (void)lt_signed_wide_add(number, lt_signed_wide_of(step), &number);
        consider_number(scaler, seen, left, number);
    }
}

bool lt_scaler_ends(const struct lt_scaler *scaler, uint64_t *ret_low, uint64_t *ret_high)
{
    if (scaler->def->sign == LT_FLOAT)
        return false;
    struct interval left = numbers_left(scaler);
    struct extremes seen = {0};
    struct lt_ratio zero;
    consider_raw(scaler, &seen, raw_of(scaler, left.low));
    consider_raw(scaler, &seen, raw_of(scaler, left.high));
    if (scaler->def->form == LT_FORM_CURVE)
        for (size_t i = 0; i < scaler->curve->count; i++)
            consider_around(scaler, &seen, left, scaler->curve->points[i].raw);
    if (scaler->def->form == LT_FORM_RECIPROCAL && lt_ratio_make(-scaler->add, scaler->mul, &zero))
        consider_around(scaler, &seen, left, zero);
    if (!seen.any)
        return false;
    *ret_low = seen.low;
    *ret_high = seen.high;
    return true;
}

/* A float field with a curve: the curve alone says what can come out. */
static void curve_limits(const struct lt_scaler *scaler, double *ret_low, double *ret_high)
{
    double low = (double)INFINITY, high = -(double)INFINITY;
    for (size_t i = 0; i < scaler->curve->count; i++) {
        struct lt_ratio y;
        if (!lt_signal_outside(scaler->def, scaler->curve->points[i].physical, &y))
            continue;
        low = fmin(low, lt_ratio_nearest(y));
        high = fmax(high, lt_ratio_nearest(y));
    }
    *ret_low = low;
    *ret_high = high;
}

void lt_scaler_limits(const struct lt_scaler *scaler, double *ret_low, double *ret_high)
{
    uint64_t low, high;
    if (lt_scaler_ends(scaler, &low, &high)) {
        *ret_low = lt_scaler_f64(scaler, low);
        *ret_high = lt_scaler_f64(scaler, high);
        return;
    }
    double most = scaler->length == 32 ? (double)FLT_MAX : DBL_MAX;
    double scale = fabs(lt_ratio_f64(scaler->scale));
    if (scaler->def->form == LT_FORM_CURVE) {
        curve_limits(scaler, ret_low, ret_high);
    } else if (scaler->def->form == LT_FORM_LINEAR && scaler->def->sign == LT_FLOAT) {
        double reach = most * scale, offset = lt_ratio_f64(scaler->offset);
        *ret_low = offset - reach;
        *ret_high = offset + reach;
    } else {
        *ret_low = -(double)INFINITY;
        *ret_high = (double)INFINITY;
    }
}
