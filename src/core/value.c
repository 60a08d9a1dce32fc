/* From raw bits to values. See loomtap/core/value.h.
 *
 * The linear law is (number * mul + add) / den in whole numbers. Where that fits 64 bits for every
 * raw (`is_plain`, nearly every signal) it is one multiplication; else 128 bits (wide.h). A double
 * comes from one division of whole numbers, so it is the nearest one. Float fields and curves whose
 * numbers outgrow 64 bits are computed in double. */
#include "loomtap/core/value.h"

#include <math.h>

#include "core/value_inside.h"

int64_t lt_raw_signed(enum lt_sign sign, unsigned length, uint64_t raw)
{
    uint64_t top = UINT64_C(1) << (length - 1);
    switch (sign) {
    case LT_TWOS:
        return (int64_t)((raw ^ top) - top);
    case LT_OFFSET_BINARY:
        return (int64_t)(raw - top);
    case LT_SIGN_MAGNITUDE:
        return raw & top ? -(int64_t)(raw ^ top) : (int64_t)raw;
    case LT_UNSIGNED:
    case LT_FLOAT:
        break;
    }
    return (int64_t)raw;
}

struct lt_signed_wide lt_scaler_number(const struct lt_scaler *scaler, uint64_t raw)
{
    if (scaler->def->sign == LT_UNSIGNED)
        return (struct lt_signed_wide){false, lt_wide_of(raw)};
    return lt_signed_wide_of(lt_raw_signed(scaler->def->sign, scaler->length, raw));
}

bool lt_scaler_pattern(const struct lt_scaler *scaler, struct lt_signed_wide number,
                       uint64_t *ret_raw)
{
    uint64_t mask = lt_field_mask(scaler->length), top = mask ^ mask >> 1, size = number.size.low;
    enum lt_sign sign = scaler->def->sign;
    /* The largest size on this side of zero. */
    uint64_t most = sign == LT_UNSIGNED ? (number.negative ? 0 : mask) : mask >> 1;
    if (number.negative && (sign == LT_TWOS || sign == LT_OFFSET_BINARY))
        most = top;
    if (number.size.high || size > most)
        return false;
    if (sign == LT_SIGN_MAGNITUDE)
        *ret_raw = number.negative ? size | top : size;
    else
        *ret_raw =
            ((number.negative ? 0 - size : size) + (sign == LT_OFFSET_BINARY ? top : 0)) & mask;
    return true;
}

struct lt_signed_wide lt_scaler_law(const struct lt_scaler *scaler, struct lt_signed_wide number)
{
    struct lt_signed_wide law = {
        number.negative != (scaler->mul < 0),
        lt_wide_multiply(number.size.low, lt_size_of(scaler->mul)),
    };
    law.negative = law.negative && !lt_wide_is_zero(law.size);
    /* Below 2^64 * (2^63 - 1) + 2^63: cannot fail. */
    (void)lt_signed_wide_add(law, lt_signed_wide_of(scaler->add), &law);
    return law;
}

/* Exact helpers on ratios. */

bool lt_ratio_subtract(struct lt_ratio a, struct lt_ratio b, struct lt_ratio *ret_value)
{
    return lt_ratio_add(a, (struct lt_ratio){-b.num, b.den}, ret_value);
}

bool lt_ratio_divide(struct lt_ratio a, struct lt_ratio b, struct lt_ratio *ret_value)
{
    struct lt_ratio inverse;
    return lt_ratio_make(b.den, b.num, &inverse) && lt_ratio_mul(a, inverse, ret_value);
}

int lt_ratio_compare(struct lt_ratio a, struct lt_ratio b)
{
    if ((a.num < 0) != (b.num < 0))
        return a.num < 0 ? -1 : 1;
    int sizes = lt_wide_compare(lt_wide_multiply(lt_size_of(a.num), (uint64_t)b.den),
                                lt_wide_multiply(lt_size_of(b.num), (uint64_t)a.den));
    return a.num < 0 ? -sizes : sizes;
}

static double nearest(struct lt_signed_wide num, struct lt_wide den)
{
    double size = lt_wide_ratio(num.size, den, 53);
    return num.negative ? -size : size;
}

double lt_ratio_nearest(struct lt_ratio a)
{
    return nearest(lt_signed_wide_of(a.num), lt_wide_of((uint64_t)a.den));
}

bool lt_signal_outside(const struct lt_signal_def *def, struct lt_ratio a,
                       struct lt_ratio *ret_value)
{
    if (!def->role) {
        *ret_value = a;
        return true;
    }
    return lt_ratio_mul(a, def->role_factor, &a) && lt_ratio_add(a, def->role_offset, ret_value);
}

/* Making a scaler. */

/* The role's unit folded into scale and offset. A reciprocal takes the factor inside,
 * f / (x * s + o) = 1 / (x * s/f + o/f); its role_offset is added at the end. */
static bool fold_unit(struct lt_scaler *scaler)
{
    const struct lt_signal_def *def = scaler->def;
    struct lt_ratio scale = def->scale, offset = def->offset;
    if (scale.den <= 0 || offset.den <= 0)
        return false;
    if (def->role && def->form == LT_FORM_RECIPROCAL) {
        if (!lt_ratio_divide(scale, def->role_factor, &scale) ||
            !lt_ratio_divide(offset, def->role_factor, &offset))
            return false;
    } else if (def->role) {
        if (!lt_ratio_mul(scale, def->role_factor, &scale) ||
            !lt_signal_outside(def, offset, &offset))
            return false;
    }
    scaler->scale = scale;
    scaler->offset = offset;
    return scale.num != 0;
}

/* mul, add for this denominator, a multiple of both. INT64_MIN is left out so that sizes fit. */
static bool use_denominator(struct lt_scaler *scaler, int64_t den)
{
    int64_t mul, add;
    if (__builtin_mul_overflow(scaler->scale.num, den / scaler->scale.den, &mul) ||
        __builtin_mul_overflow(scaler->offset.num, den / scaler->offset.den, &add) ||
        mul == INT64_MIN || add == INT64_MIN)
        return false;
    scaler->mul = mul;
    scaler->add = add;
    scaler->den = den;
    return true;
}

static bool use_decimals(struct lt_scaler *scaler)
{
    int scale = lt_ratio_decimals(scaler->scale), offset = lt_ratio_decimals(scaler->offset);
    int64_t den = 1;
    if (scale < 0 || offset < 0)
        return false;
    int decimals = scale > offset ? scale : offset;
    for (int i = 0; i < decimals; i++)
        den *= 10;
    if (!use_denominator(scaler, den))
        return false;
    scaler->decimals = (int8_t)decimals;
    return true;
}

static bool use_common_denominator(struct lt_scaler *scaler)
{
    struct lt_ratio shortened; /* scale.den / offset.den: its den says what scale.den lacks */
    int64_t den;
    return lt_ratio_make(scaler->scale.den, scaler->offset.den, &shortened) &&
           !__builtin_mul_overflow(scaler->scale.den, shortened.den, &den) &&
           use_denominator(scaler, den);
}

static bool fits_plain(const struct lt_scaler *scaler, int64_t number)
{
    int64_t value;
    return !__builtin_mul_overflow(number, scaler->mul, &value) &&
           !__builtin_add_overflow(value, scaler->add, &value);
}

/* The law is monotone: if the two ends fit, all between do. */
static bool is_plain(const struct lt_scaler *scaler)
{
    uint64_t mask = lt_field_mask(scaler->length);
    enum lt_sign sign = scaler->def->sign;
    if (scaler->def->form != LT_FORM_LINEAR || sign == LT_FLOAT)
        return false;
    if (sign == LT_UNSIGNED)
        return mask <= INT64_MAX && fits_plain(scaler, 0) && fits_plain(scaler, (int64_t)mask);
    return fits_plain(scaler, (int64_t)(mask >> 1)) &&
           fits_plain(scaler, -(int64_t)(mask >> 1) - 1);
}

static bool set_law(struct lt_scaler *scaler)
{
    if (scaler->def->form == LT_FORM_CURVE)
        return use_denominator(scaler, 1);
    bool decimal = scaler->def->form == LT_FORM_LINEAR && scaler->def->sign != LT_FLOAT;
    return fold_unit(scaler) &&
           ((decimal && use_decimals(scaler)) || use_common_denominator(scaler));
}

static enum lt_code check_shape(const struct lt_scaler *scaler, struct lt_error *error)
{
    const struct lt_signal_def *def = scaler->def;
    if (def->sign == LT_FLOAT && scaler->length != 32 && scaler->length != 64)
        return lt_fail(error, LT_E_RANGE, "%s: a float field has 32 or 64 bits, this one %u",
                       def->name, scaler->length);
    if (def->form == LT_FORM_CURVE && (!scaler->curve || !scaler->curve->count))
        return lt_fail(error, LT_E_MISSING, "%s: its curve has no points", def->name);
    return LT_OK;
}

enum lt_code lt_scaler_init(struct lt_scaler *ret_scaler, const struct lt_profile *profile,
                            uint32_t signal, struct lt_error *error)
{
    const struct lt_signal_def *def = &profile->signals[signal];
    unsigned length = lt_bits_length(&def->bits);
    struct lt_scaler scaler = {
        .def = def,
        .length = (uint8_t)length,
        .decimals = -1,
        .scale = {1, 1},
        .offset = {0, 1},
        .has_codes = def->unavailable_count || def->error_count || def->label_count,
    };
    if (length < 1 || length > 64)
        return lt_fail(error, LT_E_RANGE, "%s: a field has 1 to 64 bits, this one %u", def->name,
                       length);
    if (def->form == LT_FORM_CURVE && def->curve < profile->curve_count)
        scaler.curve = &profile->curves[def->curve];
    enum lt_code code = check_shape(&scaler, error);
    if (code != LT_OK)
        return code;
    if (!set_law(&scaler)) {
        code = lt_fail(error, LT_E_RANGE,
                       "%s: scale, offset and the role's unit do not go together "
                       "in whole numbers of 63 bits",
                       def->name);
        lt_error_advise(error, "use a scale that is not 0, and fewer digits in scale and offset");
        return code;
    }
    scaler.is_plain = is_plain(&scaler);
    *ret_scaler = scaler;
    return LT_OK;
}

/* Curves. */

/* The first point at or above x; points[count - 1] is known to be above. */
static size_t point_above(const struct lt_curve_def *curve, struct lt_ratio x)
{
    size_t low = 0, high = curve->count - 1;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (lt_ratio_compare(curve->points[middle].raw, x) < 0)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

bool lt_curve_between(const struct lt_curve_point *from, const struct lt_curve_point *to,
                      struct lt_ratio x, struct lt_ratio *ret_y)
{
    struct lt_ratio rise, run, way;
    return lt_ratio_subtract(to->physical, from->physical, &rise) &&
           lt_ratio_subtract(to->raw, from->raw, &run) && lt_ratio_subtract(x, from->raw, &way) &&
           lt_ratio_mul(way, rise, &way) && lt_ratio_divide(way, run, &way) &&
           lt_ratio_add(from->physical, way, ret_y);
}

static bool curve_exact(const struct lt_curve_def *curve, int64_t number, struct lt_ratio *ret_y)
{
    const struct lt_curve_point *points = curve->points;
    struct lt_ratio x = {number, 1};
    if (lt_ratio_compare(x, points[curve->count - 1].raw) >= 0) {
        *ret_y = points[curve->count - 1].physical;
        return true;
    }
    size_t above = point_above(curve, x);
    if (above == 0 || lt_ratio_compare(points[above].raw, x) == 0) {
        *ret_y = points[above].physical;
        return true;
    }
    return lt_curve_between(&points[above - 1], &points[above], x, ret_y);
}

static double curve_f64(const struct lt_curve_def *curve, double x)
{
    const struct lt_curve_point *points = curve->points;
    size_t above = 0;
    while (above < curve->count && lt_ratio_f64(points[above].raw) < x)
        above++;
    if (above == 0)
        return lt_ratio_f64(points[0].physical);
    if (above == curve->count)
        return lt_ratio_f64(points[above - 1].physical);
    double x0 = lt_ratio_f64(points[above - 1].raw), x1 = lt_ratio_f64(points[above].raw);
    double y0 = lt_ratio_f64(points[above - 1].physical);
    double y1 = lt_ratio_f64(points[above].physical);
    return y0 + (x - x0) * (y1 - y0) / (x1 - x0);
}

static double outside_f64(const struct lt_signal_def *def, double value)
{
    if (!def->role)
        return value;
    double product = value * lt_ratio_f64(def->role_factor);
    return product + lt_ratio_f64(def->role_offset);
}

static double curve_value(const struct lt_scaler *scaler, uint64_t raw)
{
    struct lt_signed_wide number = lt_scaler_number(scaler, raw);
    struct lt_ratio y;
    /* Points are within +-(2^63 - 1), so what is beyond holds the end value all the same. */
    int64_t x = number.size.low > INT64_MAX ? INT64_MAX : (int64_t)number.size.low;
    if (curve_exact(scaler->curve, number.negative ? -x : x, &y) &&
        lt_signal_outside(scaler->def, y, &y))
        return lt_ratio_nearest(y);
    return outside_f64(scaler->def,
                       curve_f64(scaler->curve, number.negative ? -(double)x : (double)x));
}

/* Float fields. */

static double float_of_bits(unsigned length, uint64_t raw)
{
    if (length == 32) {
        uint32_t bits = (uint32_t)raw;
        float value;
        memcpy(&value, &bits, sizeof value);
        return (double)value;
    }
    double value;
    memcpy(&value, &raw, sizeof value);
    return value;
}

static bool is_identity(const struct lt_scaler *scaler)
{
    return scaler->def->form == LT_FORM_LINEAR && scaler->mul == scaler->den && scaler->add == 0;
}

static double with_role_offset(const struct lt_scaler *scaler, double value)
{
    const struct lt_signal_def *def = scaler->def;
    return def->role && def->role_offset.num ? value + lt_ratio_f64(def->role_offset) : value;
}

static double float_value(const struct lt_scaler *scaler, uint64_t raw)
{
    double value = float_of_bits(scaler->length, raw);
    if (is_identity(scaler) || isnan(value))
        return value;
    if (scaler->def->form == LT_FORM_CURVE)
        return outside_f64(scaler->def, curve_f64(scaler->curve, value));
    /* Two statements: a compiler may not fuse them, so every machine gives the same digits. */
    double product = value * lt_ratio_f64(scaler->scale);
    double law = product + lt_ratio_f64(scaler->offset);
    if (scaler->def->form == LT_FORM_LINEAR)
        return law;
    return law == 0 ? (double)INFINITY : with_role_offset(scaler, 1 / law);
}

static double reciprocal_value(const struct lt_scaler *scaler, uint64_t raw)
{
    struct lt_signed_wide law = lt_scaler_law(scaler, lt_scaler_number(scaler, raw));
    if (lt_wide_is_zero(law.size))
        return (double)INFINITY;
    double size = lt_wide_ratio(lt_wide_of((uint64_t)scaler->den), law.size, 53);
    return with_role_offset(scaler, law.negative ? -size : size);
}

/* Whole numbers up to here are doubles without loss, and so one division rounds once. */
static bool is_exact_f64(int64_t value)
{
    return value <= INT64_C(1) << 53 && value >= -(INT64_C(1) << 53);
}

static int64_t plain_law(const struct lt_scaler *scaler, uint64_t raw)
{
    return lt_raw_signed(scaler->def->sign, scaler->length, raw) * scaler->mul + scaler->add;
}

double lt_scaler_f64(const struct lt_scaler *scaler, uint64_t raw)
{
    if (scaler->is_plain) {
        int64_t law = plain_law(scaler, raw);
        if (is_exact_f64(law) && is_exact_f64(scaler->den))
            return (double)law / (double)scaler->den;
    }
    if (scaler->def->sign == LT_FLOAT)
        return float_value(scaler, raw);
    if (scaler->def->form == LT_FORM_CURVE)
        return curve_value(scaler, raw);
    if (scaler->def->form == LT_FORM_RECIPROCAL)
        return reciprocal_value(scaler, raw);
    return nearest(lt_scaler_law(scaler, lt_scaler_number(scaler, raw)),
                   lt_wide_of((uint64_t)scaler->den));
}

size_t lt_scaler_print(const struct lt_scaler *scaler, uint64_t raw, char *ret_text)
{
    if (scaler->decimals >= 0) {
        unsigned decimals = (unsigned)scaler->decimals;
        if (scaler->is_plain)
            return lt_print_fixed(ret_text, plain_law(scaler, raw), decimals);
        return lt_wide_print(ret_text, lt_scaler_law(scaler, lt_scaler_number(scaler, raw)),
                             decimals);
    }
    /* 32-bit floats too: the shortest text of a float is another number than the float, by up to
     * 6e-8 of it, and whoever reads the rows reads them as doubles. */
    return lt_print_f64(ret_text, lt_scaler_f64(scaler, raw));
}

static bool in_ranges(const struct lt_raw_range *ranges, size_t count, uint64_t raw)
{
    for (size_t i = 0; i < count; i++)
        if (raw >= ranges[i].first && raw <= ranges[i].last)
            return true;
    return false;
}

enum lt_state lt_scaler_state(const struct lt_scaler *scaler, uint64_t raw)
{
    const struct lt_signal_def *def = scaler->def;
    if (!scaler->has_codes)
        return LT_STATE_VALUE;
    if (in_ranges(def->unavailable, def->unavailable_count, raw))
        return LT_STATE_UNAVAILABLE;
    return in_ranges(def->error, def->error_count, raw) ? LT_STATE_ERROR : LT_STATE_VALUE;
}
