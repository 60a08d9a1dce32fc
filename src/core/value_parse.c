/* From text to raw bits: the inverse of value.c.
 *
 * A decimal is kept as digits / 10^k in whole numbers and the law is turned round in whole numbers
 * too, so there is one rounding, half to even, at the very end. Decimals past the eighteenth are
 * not kept; that there were some still decides a tie. */
#include <float.h>
#include <math.h>

#include "core/value_inside.h"

enum { DECIMALS_MAX = 18, EXPONENT_MAX = 100000, SHOWN_MAX = 40 };

/* sign * (size / ten + a little if `more`) */
struct decimal {
    bool negative, more;
    bool huge; /* size does not fit: beyond every field */
    struct lt_wide size;
    uint64_t ten; /* a power of ten */
};

static bool take_char(struct lt_text *rest, char c)
{
    if (!rest->len || rest->at[0] != c)
        return false;
    rest->at++;
    rest->len--;
    return true;
}

static bool is_digit(const struct lt_text *rest)
{
    return rest->len && rest->at[0] >= '0' && rest->at[0] <= '9';
}

static struct lt_wide divide_by_ten(struct lt_wide a, uint64_t *ret_rest)
{
    struct lt_wide quotient, rest;
    lt_wide_divide(a, lt_wide_of(10), &quotient, &rest);
    *ret_rest = rest.low;
    return quotient;
}

/* One more digit; once 128 bits are full it is dropped and counted instead. */
static void add_digit(struct decimal *d, unsigned digit, bool *full, int *dropped)
{
    struct lt_wide size;
    if (!*full && lt_wide_scale(d->size, 10, &size) &&
        lt_wide_add(size, lt_wide_of(digit), &size)) {
        d->size = size;
        return;
    }
    *full = true;
    d->more |= digit != 0;
    if (*dropped < EXPONENT_MAX)
        ++*dropped;
}

/* Digits with at most one point: the value is size * 10^*power. */
static bool take_digits(struct lt_text *rest, struct decimal *d, int *power)
{
    bool point = false, full = false;
    int decimals = 0, dropped = 0;
    size_t seen = 0;
    for (;;) {
        if (is_digit(rest)) {
            add_digit(d, (unsigned)(rest->at[0] - '0'), &full, &dropped);
            seen++;
            if (point && decimals < EXPONENT_MAX)
                decimals++;
            take_char(rest, rest->at[0]);
        } else if (point || !take_char(rest, '.')) {
            break;
        } else {
            point = true;
        }
    }
    *power = dropped - decimals;
    return seen > 0;
}

static bool take_exponent(struct lt_text *rest, int *power)
{
    int size = 0;
    if (!take_char(rest, 'e') && !take_char(rest, 'E'))
        return true;
    bool negative = take_char(rest, '-');
    if (!negative)
        take_char(rest, '+');
    if (!is_digit(rest))
        return false;
    for (; is_digit(rest); take_char(rest, rest->at[0]))
        if (size < EXPONENT_MAX)
            size = size * 10 + (rest->at[0] - '0');
    *power += negative ? -size : size;
    return true;
}

/* size * 10^power as size / ten. */
static void place_point(struct decimal *d, int power)
{
    uint64_t rest;
    if (lt_wide_is_zero(d->size) && !d->more)
        power = 0;
    for (; power < -DECIMALS_MAX && !lt_wide_is_zero(d->size); power++) {
        d->size = divide_by_ten(d->size, &rest);
        d->more |= rest != 0;
    }
    if (power < -DECIMALS_MAX)
        power = -DECIMALS_MAX;
    for (; power > 0 && !d->huge; power--)
        d->huge = !lt_wide_scale(d->size, 10, &d->size);
    for (; power < 0; power++)
        d->ten *= 10;
    while (d->ten > 1) { /* shortened, so that later products stay small */
        struct lt_wide shorter = divide_by_ten(d->size, &rest);
        if (rest)
            break;
        d->size = shorter;
        d->ten /= 10;
    }
}

static bool parse_decimal(struct lt_text text, struct decimal *ret_decimal)
{
    struct decimal d = {.ten = 1};
    int power;
    d.negative = take_char(&text, '-');
    if (!d.negative)
        take_char(&text, '+');
    if (!take_digits(&text, &d, &power) || !take_exponent(&text, &power) || text.len)
        return false;
    place_point(&d, power);
    if (lt_wide_is_zero(d.size) && !d.more)
        d.negative = false;
    *ret_decimal = d;
    return true;
}

static double decimal_f64(const struct decimal *d)
{
    double size = d->huge ? (double)INFINITY : lt_wide_ratio(d->size, lt_wide_of(d->ten), 53);
    return d->negative ? -size : size;
}

/* A decimal dropped: the way out when a product outgrows 128 bits. False when none is left. */
static bool drop_decimal(struct decimal *d)
{
    uint64_t rest;
    if (d->ten == 1)
        return false;
    d->size = divide_by_ten(d->size, &rest);
    d->more |= rest != 0;
    d->ten /= 10;
    return true;
}

/* sign * num / den; `above`: the size is really a little more, `below`: a little less. */
struct quotient {
    bool negative, above, below;
    struct lt_wide num, den;
};

static uint64_t common_factor(uint64_t a, uint64_t b)
{
    while (b) {
        uint64_t rest = a % b;
        a = b;
        b = rest;
    }
    return a;
}

/* (d * den - add) / mul, the number that the linear law turns into d. False: too large. */
static bool solve_once(const struct lt_scaler *scaler, const struct decimal *d,
                       struct quotient *ret_quotient)
{
    uint64_t den = (uint64_t)scaler->den, common = common_factor(d->ten, den);
    uint64_t ten = d->ten / common;
    struct lt_signed_wide top = {d->negative, {0, 0}};
    struct lt_signed_wide add = {scaler->add > 0, lt_wide_multiply(lt_size_of(scaler->add), ten)};
    if (d->huge || !lt_wide_scale(d->size, den / common, &top.size) ||
        !lt_signed_wide_add(top, add, &top))
        return false;
    bool turned = scaler->mul < 0;
    /* Adding a little to |d| moves the result away from zero if the signs agree. */
    bool upwards = d->negative == top.negative || lt_wide_is_zero(top.size);
    *ret_quotient = (struct quotient){
        .negative = (lt_wide_is_zero(top.size) && d->more ? d->negative : top.negative) != turned,
        .above = d->more && upwards,
        .below = d->more && !upwards,
        .num = top.size,
        .den = lt_wide_multiply(ten, lt_size_of(scaler->mul)),
    };
    return true;
}

static bool solve_linear(const struct lt_scaler *scaler, struct decimal d,
                         struct quotient *ret_quotient)
{
    do {
        if (solve_once(scaler, &d, ret_quotient))
            return true;
    } while (drop_decimal(&d));
    return false;
}

/* d - role_offset = 1 / (number * mul / den + add / den): the number is
 * (den * below - add * top) / (mul * top) where d - role_offset = top / below. */
static bool solve_reciprocal(const struct lt_scaler *scaler, struct decimal d,
                             struct quotient *ret_quotient)
{
    const struct lt_signal_def *def = scaler->def;
    struct lt_ratio away = def->role ? def->role_offset : (struct lt_ratio){0, 1};
    do {
        struct lt_wide below = lt_wide_multiply(d.ten, (uint64_t)away.den), product, bottom;
        struct lt_signed_wide top = {d.negative, {0, 0}};
        struct lt_signed_wide shift = {away.num > 0, lt_wide_multiply(lt_size_of(away.num), d.ten)};
        if (d.huge || !lt_wide_scale(d.size, (uint64_t)away.den, &top.size) ||
            !lt_signed_wide_add(top, shift, &top) || lt_wide_is_zero(top.size))
            continue;
        if (!lt_wide_scale(below, (uint64_t)scaler->den, &below) ||
            !lt_wide_scale(top.size, lt_size_of(scaler->add), &product) ||
            !lt_wide_scale(top.size, lt_size_of(scaler->mul), &bottom) ||
            lt_wide_bits(bottom) > 126)
            continue;
        struct lt_signed_wide num = {top.negative, below};
        /* Both multiplied by the sign of top, which keeps the bottom positive. */
        if (!lt_signed_wide_add(num, (struct lt_signed_wide){scaler->add > 0, product}, &num))
            continue;
        *ret_quotient = (struct quotient){
            .negative = num.negative != (scaler->mul < 0),
            .num = num.size,
            .den = bottom,
        };
        return true;
    } while (drop_decimal(&d));
    return false;
}

/* Half to even. */
static bool round_whole(const struct quotient *q, struct lt_signed_wide *ret_number)
{
    struct lt_wide whole, rest;
    lt_wide_divide(q->num, q->den, &whole, &rest);
    int against_half = lt_wide_compare(rest, lt_wide_subtract(q->den, rest));
    bool up = against_half > 0;
    if (against_half == 0)
        up = q->above || (!q->below && (whole.low & 1));
    if (up && !lt_wide_add(whole, lt_wide_of(1), &whole))
        return false;
    *ret_number = (struct lt_signed_wide){q->negative && !lt_wide_is_zero(whole), whole};
    return true;
}

/* Curves. */

static bool decimal_ratio(struct decimal d, struct lt_ratio *ret_value)
{
    while (d.huge || d.size.high || d.size.low > INT64_MAX)
        if (!drop_decimal(&d))
            return false;
    int64_t size = (int64_t)d.size.low;
    return lt_ratio_make(d.negative ? -size : size, (int64_t)d.ten, ret_value);
}

/* The value in the curve's own unit. */
static bool curve_unit(const struct lt_signal_def *def, struct decimal d,
                       struct lt_ratio *ret_value)
{
    struct lt_ratio value;
    do {
        if (!decimal_ratio(d, &value))
            return false;
        if (!def->role || (lt_ratio_subtract(value, def->role_offset, &value) &&
                           lt_ratio_divide(value, def->role_factor, &value))) {
            *ret_value = value;
            return true;
        }
    } while (drop_decimal(&d));
    return false;
}

/* 1 rising, -1 falling (level stretches allowed in both), 0 neither. */
static int curve_direction(const struct lt_curve_def *curve)
{
    bool rises = false, falls = false;
    for (size_t i = 1; i < curve->count; i++) {
        int step = lt_ratio_compare(curve->points[i].physical, curve->points[i - 1].physical);
        rises |= step > 0;
        falls |= step < 0;
    }
    if (rises && falls)
        return 0;
    return falls ? -1 : 1;
}

/* Equal, or the same once written as doubles: the text of an end must be accepted as that end. */
static bool is_same(struct lt_ratio a, struct lt_ratio b)
{
    return lt_ratio_compare(a, b) == 0 || lt_ratio_nearest(a) == lt_ratio_nearest(b);
}

/* lt_curve_between with the axes changed; in doubles where the whole numbers are too small, to the
 * nearest raw value then. */
static bool place_between(const struct lt_curve_point *from, const struct lt_curve_point *to,
                          struct lt_ratio y, struct lt_ratio *ret_x)
{
    struct lt_curve_point a = {from->physical, from->raw}, b = {to->physical, to->raw};
    if (lt_curve_between(&a, &b, y, ret_x))
        return true;
    double y0 = lt_ratio_f64(a.raw), x0 = lt_ratio_f64(a.physical);
    double run = lt_ratio_f64(b.physical) - x0, rise = lt_ratio_f64(b.raw) - y0;
    double x = x0 + (lt_ratio_f64(y) - y0) * run / rise;
    if (!(fabs(x) < 9e18))
        return false;
    *ret_x = (struct lt_ratio){llrint(x), 1};
    return true;
}

/* The place on the raw axis where a monotone curve has the value y. */
static bool curve_place(const struct lt_curve_def *curve, int direction, struct lt_ratio y,
                        struct lt_ratio *ret_x)
{
    for (size_t i = 0; i < curve->count; i++) {
        const struct lt_curve_point *to = &curve->points[i];
        if (is_same(to->physical, y)) {
            *ret_x = to->raw;
            return true;
        }
        if (lt_ratio_compare(to->physical, y) != direction)
            continue;
        return i > 0 && place_between(to - 1, to, y, ret_x);
    }
    return false;
}

static enum lt_code curve_solve(const struct lt_scaler *scaler, const struct decimal *d,
                                bool *ret_found, struct quotient *ret_quotient,
                                struct lt_error *error)
{
    struct lt_ratio y, x;
    int direction = curve_direction(scaler->curve);
    if (direction == 0)
        return lt_fail(error, LT_E_CONFLICT,
                       "%s: its curve %s rises and falls, so a value has several raw values",
                       scaler->def->name, scaler->curve->name);
    *ret_found = curve_unit(scaler->def, *d, &y) && curve_place(scaler->curve, direction, y, &x);
    if (*ret_found)
        *ret_quotient = (struct quotient){
            .negative = x.num < 0,
            .num = lt_wide_of(lt_size_of(x.num)),
            .den = lt_wide_of((uint64_t)x.den),
        };
    return LT_OK;
}

/* Float fields. */

static bool bits_of_float(const struct lt_scaler *scaler, double value, uint64_t *ret_raw)
{
    /* A double above the largest float by less than half a step still rounds to it. */
    if (scaler->length == 32) {
        float narrow = (float)value;
        uint32_t bits;
        memcpy(&bits, &narrow, sizeof bits);
        *ret_raw = bits;
        return isfinite(narrow);
    }
    memcpy(ret_raw, &value, sizeof value);
    return isfinite(value);
}

/* In doubles: for numbers too large or too small for the exact way. */
static bool float_by_f64(const struct lt_scaler *scaler, struct lt_text text, uint64_t *ret_raw)
{
    double value, scale = lt_ratio_f64(scaler->scale), offset = lt_ratio_f64(scaler->offset);
    if (!lt_parse_f64(text, &value))
        return false;
    if (scaler->def->form == LT_FORM_RECIPROCAL) {
        value -= scaler->def->role ? lt_ratio_f64(scaler->def->role_offset) : 0;
        if (value == 0)
            return false;
        value = 1 / value;
    }
    return bits_of_float(scaler, (value - offset) / scale, ret_raw);
}

static bool float_bits(const struct lt_scaler *scaler, const struct quotient *q, uint64_t *ret_raw)
{
    double size = lt_wide_ratio(q->num, q->den, scaler->length == 32 ? FLT_MANT_DIG : DBL_MANT_DIG);
    return bits_of_float(scaler, q->negative ? -size : size, ret_raw);
}

/* What is allowed, as text. */

/* Without the zeros that end its decimals. */
static size_t trim_zeros(const char *text, size_t len)
{
    if (!memchr(text, '.', len) || memchr(text, 'e', len))
        return len;
    while (text[len - 1] == '0')
        len--;
    return text[len - 1] == '.' ? len - 1 : len;
}

static void print_end(const struct lt_scaler *scaler, bool has_raw, uint64_t raw, double value,
                      char *ret_text)
{
    size_t len;
    if (has_raw)
        len = lt_scaler_print(scaler, raw, ret_text);
    else if (scaler->length == 32)
        len = lt_print_f32(ret_text, (float)value);
    else
        len = lt_print_f64(ret_text, value);
    ret_text[trim_zeros(ret_text, len)] = 0;
}

static void print_bound(struct lt_ratio bound, char *ret_text)
{
    size_t len = lt_ratio_decimals(bound) >= 0 ? lt_print_ratio(ret_text, bound)
                                               : lt_print_f64(ret_text, lt_ratio_nearest(bound));
    ret_text[len] = 0;
}

/* An end that the profile names beyond 64 bits (the full range of a 64-bit field) is no limit. */
static bool is_unlimited(struct lt_ratio end)
{
    return end.den == 1 && (end.num == INT64_MAX || end.num == -INT64_MAX);
}

/* The profile's range in the outside unit, low <= high. */
static bool outside_range(const struct lt_signal_def *def, struct lt_ratio *ret_low,
                          struct lt_ratio *ret_high)
{
    struct lt_ratio a, b;
    if (!def->has_range || is_unlimited(def->range_low) || is_unlimited(def->range_high) ||
        !lt_signal_outside(def, def->range_low, &a) || !lt_signal_outside(def, def->range_high, &b))
        return false;
    bool ordered = lt_ratio_compare(a, b) <= 0;
    *ret_low = ordered ? a : b;
    *ret_high = ordered ? b : a;
    return true;
}

/* "0..16383.5 rpm": of the field and the profile's range, whichever is tighter at each end. */
static void print_allowed(const struct lt_scaler *scaler, char *ret_text, size_t size)
{
    char low[LT_VALUE_ROOM + 1], high[LT_VALUE_ROOM + 1];
    uint64_t low_raw = 0, high_raw = 0;
    double low_value, high_value;
    struct lt_ratio range_low, range_high;
    bool has_raw = lt_scaler_ends(scaler, &low_raw, &high_raw);
    lt_scaler_limits(scaler, &low_value, &high_value);
    print_end(scaler, has_raw, low_raw, low_value, low);
    print_end(scaler, has_raw, high_raw, high_value, high);
    if (outside_range(scaler->def, &range_low, &range_high)) {
        if (lt_ratio_nearest(range_low) > low_value)
            print_bound(range_low, low);
        if (lt_ratio_nearest(range_high) < high_value)
            print_bound(range_high, high);
    }
    const char *unit = lt_signal_unit(scaler->def);
    lt_text_format(ret_text, size, "%s..%s%s%s", low, high, *unit ? " " : "", unit);
}

static enum lt_code does_not_fit(const struct lt_scaler *scaler, struct lt_text text,
                                 struct lt_error *error)
{
    char allowed[200];
    print_allowed(scaler, allowed, sizeof allowed);
    return lt_fail(error, LT_E_RANGE, "%s = %.*s does not fit: allowed is %s", scaler->def->name,
                   LT_TEXT_ARG(lt_text_cut(text, SHOWN_MAX)), allowed);
}

static enum lt_code is_a_code(const struct lt_scaler *scaler, struct lt_text text, uint64_t raw,
                              struct lt_error *error)
{
    char allowed[200];
    bool unavailable = lt_scaler_state(scaler, raw) == LT_STATE_UNAVAILABLE;
    print_allowed(scaler, allowed, sizeof allowed);
    return lt_fail(error, LT_E_RANGE,
                   "%s = %.*s would be sent as 0x%llX, which is the code for `%s`: allowed is %s",
                   scaler->def->name, LT_TEXT_ARG(lt_text_cut(text, SHOWN_MAX)),
                   (unsigned long long)raw, unavailable ? "unavailable" : "error", allowed);
}

/* Outside the profile's range? Exactly; but a value that reads as the same double as the bound is
 * the bound, as in the text of a bound that has no exact decimals. */
static bool is_past(const struct decimal *d, struct lt_ratio bound, bool upper)
{
    struct lt_wide left, right;
    bool negative = bound.num < 0;
    int order;
    if (d->huge || !lt_wide_scale(d->size, (uint64_t)bound.den, &left)) {
        double value = decimal_f64(d), limit = lt_ratio_nearest(bound);
        return upper ? value > limit : value < limit;
    }
    right = lt_wide_multiply(lt_size_of(bound.num), d->ten);
    if (d->negative != negative)
        order = d->negative ? -1 : 1;
    else
        order = lt_wide_compare(left, right) * (negative ? -1 : 1);
    if (order == 0 && d->more)
        order = d->negative ? -1 : 1;
    if ((upper ? order : -order) <= 0)
        return false;
    return lt_ratio_decimals(bound) >= 0 || decimal_f64(d) != lt_ratio_nearest(bound);
}

static bool is_outside_range(const struct lt_signal_def *def, const struct decimal *d)
{
    struct lt_ratio low, high;
    return outside_range(def, &low, &high) && (is_past(d, low, false) || is_past(d, high, true));
}

/* The raw bits of a number; *ret_fits says whether there are any. */
static enum lt_code number_bits(const struct lt_scaler *scaler, const struct decimal *d,
                                struct lt_text text, bool *ret_fits, uint64_t *ret_raw,
                                struct lt_error *error)
{
    bool is_float = scaler->def->sign == LT_FLOAT;
    struct quotient q;
    struct lt_signed_wide number;
    enum lt_form form = scaler->def->form;
    /* Digits that the decimal did not keep matter to a float field. */
    if (is_float && form != LT_FORM_CURVE && (d->more || d->huge)) {
        *ret_fits = float_by_f64(scaler, text, ret_raw);
        return LT_OK;
    }
    bool solved = false;
    if (form == LT_FORM_CURVE) {
        enum lt_code code = curve_solve(scaler, d, &solved, &q, error);
        if (code != LT_OK)
            return code;
    } else if (form == LT_FORM_RECIPROCAL) {
        solved = solve_reciprocal(scaler, *d, &q);
    } else {
        solved = solve_linear(scaler, *d, &q);
    }
    if (is_float)
        *ret_fits = solved && float_bits(scaler, &q, ret_raw);
    else
        *ret_fits =
            solved && round_whole(&q, &number) && lt_scaler_pattern(scaler, number, ret_raw);
    return LT_OK;
}

static enum lt_code parse_number(const struct lt_scaler *scaler, const struct decimal *d,
                                 struct lt_text text, uint64_t *ret_raw, struct lt_error *error)
{
    uint64_t raw = 0;
    bool fits = false;
    enum lt_code code = number_bits(scaler, d, text, &fits, &raw, error);
    if (code != LT_OK)
        return code;
    if (!fits || is_outside_range(scaler->def, d))
        return does_not_fit(scaler, text, error);
    if (lt_scaler_state(scaler, raw) != LT_STATE_VALUE)
        return is_a_code(scaler, text, raw, error);
    if (!isfinite(lt_scaler_f64(scaler, raw))) /* the pole of a reciprocal */
        return does_not_fit(scaler, text, error);
    *ret_raw = raw;
    return LT_OK;
}

/* Words. */

static enum lt_code first_code(const struct lt_scaler *scaler, struct lt_text word,
                               const struct lt_raw_range *ranges, size_t count, uint64_t *ret_raw,
                               struct lt_error *error)
{
    if (!count || ranges[0].first > lt_field_mask(scaler->length))
        return lt_fail(error, LT_E_UNKNOWN, "%s has no code for `%.*s`", scaler->def->name,
                       LT_TEXT_ARG(word));
    *ret_raw = ranges[0].first;
    return LT_OK;
}

static enum lt_code not_a_value(const struct lt_signal_def *def, struct lt_text text,
                                struct lt_error *error)
{
    char list[160] = "";
    size_t at = 0;
    if (!def->label_count)
        return lt_fail(error, LT_E_SYNTAX, "%s = %.*s: not a decimal number", def->name,
                       LT_TEXT_ARG(lt_text_cut(text, SHOWN_MAX)));
    for (size_t i = 0; i < def->label_count && at + 1 < sizeof list; i++)
        at +=
            lt_text_format(list + at, sizeof list - at, "%s%s", i ? ", " : "", def->labels[i].name);
    enum lt_code code =
        lt_fail(error, LT_E_UNKNOWN, "%s = %.*s: neither a number nor a label of it", def->name,
                LT_TEXT_ARG(lt_text_cut(text, SHOWN_MAX)));
    lt_error_advise(error, "its labels: %s", list);
    return code;
}

static enum lt_code parse_word(const struct lt_scaler *scaler, struct lt_text text, bool *ret_found,
                               uint64_t *ret_raw, struct lt_error *error)
{
    const struct lt_signal_def *def = scaler->def;
    *ret_found = true;
    if (lt_text_is(text, "unavailable"))
        return first_code(scaler, text, def->unavailable, def->unavailable_count, ret_raw, error);
    if (lt_text_is(text, "error"))
        return first_code(scaler, text, def->error, def->error_count, ret_raw, error);
    for (size_t i = 0; i < def->label_count; i++) {
        if (!lt_text_is(text, def->labels[i].name) ||
            def->labels[i].raw > lt_field_mask(scaler->length))
            continue;
        *ret_raw = def->labels[i].raw;
        return LT_OK;
    }
    *ret_found = false;
    return LT_OK;
}

enum lt_code lt_scaler_parse(const struct lt_scaler *scaler, struct lt_text value,
                             uint64_t *ret_raw, struct lt_error *error)
{
    struct decimal d;
    bool found;
    enum lt_code code = parse_word(scaler, value, &found, ret_raw, error);
    if (code != LT_OK || found)
        return code;
    if (!parse_decimal(value, &d))
        return not_a_value(scaler->def, value, error);
    return parse_number(scaler, &d, value, ret_raw, error);
}
