/* Raw bits to values and back. */
#include "sketch.h"

#include <float.h>
#include <math.h>

#include "published_bits.h"

#include "loomtap/core/frame.h"
#include "loomtap/core/value.h"

/* A scaler of one signal whose bits are the lowest ones. */
struct one {
    struct sketch sketch;
    struct lt_signal_def *def;
    struct lt_scaler scaler;
};

static void one_begin(struct one *o, const char *bits, enum lt_sign sign, const char *scale,
                      const char *offset)
{
    sketch_begin(&o->sketch);
    sketch_frame(&o->sketch, "frame", LT_NONE, 0x123, 64);
    o->def = sketch_signal(&o->sketch, "x", bits, sign, scale, offset);
}

static void one_ready(struct one *o)
{
    struct lt_error error;
    if (lt_scaler_init(&o->scaler, &o->sketch.profile, 0, &error) != LT_OK)
        fail_msg("%s", error.text);
}

static void one_init(struct one *o, const char *bits, enum lt_sign sign, const char *scale,
                     const char *offset)
{
    one_begin(o, bits, sign, scale, offset);
    one_ready(o);
}

static const char *print(const struct lt_scaler *scaler, uint64_t raw)
{
    static char text[LT_VALUE_ROOM + 1];
    size_t len = lt_scaler_print(scaler, raw, text);
    assert_true(len <= LT_VALUE_ROOM);
    text[len] = 0;
    return text;
}

static uint64_t parse(const struct lt_scaler *scaler, const char *text)
{
    struct lt_error error;
    uint64_t raw = 0;
    if (lt_scaler_parse(scaler, lt_text_of(text), &raw, &error) != LT_OK)
        fail_msg("%s", error.text);
    return raw;
}

/* The error's text; the result must stay untouched. */
static const char *refuse(const struct lt_scaler *scaler, const char *text, enum lt_code code)
{
    static struct lt_error error;
    uint64_t raw = 12345;
    enum lt_code got = lt_scaler_parse(scaler, lt_text_of(text), &raw, &error);
    if (got != code)
        fail_msg("%s: code %d instead of %d", text, (int)got, (int)code);
    assert_true(raw == 12345);
    assert_int_equal(error.code, code);
    assert_int_equal(lt_scaler_parse(scaler, lt_text_of(text), &raw, NULL), code);
    return error.text;
}

static void published_examples_decode_and_encode_back(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT_OF(published_bits); i++) {
        const struct published_bits *row = &published_bits[i];
        uint8_t data[LT_FRAME_MAX] = {0}, before[LT_FRAME_MAX];
        struct one o;
        one_init(&o, row->bits, row->sign, row->scale, row->offset);
        sketch_bytes(row->data, data, sizeof data);
        memcpy(before, data, sizeof data);
        uint64_t raw = lt_bits_get(data, &o.def->bits);
        if (raw != row->raw || strcmp(print(&o.scaler, raw), row->text) != 0)
            fail_msg("row %s: %s", row->row, print(&o.scaler, raw));
        if (lt_scaler_f64(&o.scaler, raw) != row->value)
            fail_msg("row %s: %.17g", row->row, lt_scaler_f64(&o.scaler, raw));
        lt_bits_put(data, &o.def->bits, ~raw);
        lt_bits_put(data, &o.def->bits, parse(&o.scaler, row->text));
        assert_memory_equal(data, before, sizeof data);
    }
}

/* Frames printed in the makers' manuals that quote SAE J1939-71 (HMCflex engine controller). */
static void published_j1939_values(void **state)
{
    static const struct {
        const char *data, *bits, *scale, *offset, *text;
    } rows[] = {
        {"A6 05 2C 93 FF FF FF FF", "3.7..0.0", "0.05", "0", "123456789.10"},
        {"7D FF C0 2C FF FF FF FF", "0.7..0.0", "1", "-40", "85"},
        {"7D FF C0 2C FF FF FF FF", "3.7..2.0", "0.03125", "-273", "85.00000"},
        {"FF FF FF BC FF FF FF FF", "3.7..3.0", "4", "0", "752"},
        {"FF FF FF FF 3A 02 FF FF", "5.7..4.0", "0.05", "0", "28.50"},
        {"FF FF FF 00 25 FF FF FF", "4.7..3.0", "0.03125", "-273", "23.00000"},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        uint8_t data[8];
        struct one o;
        sketch_bytes(rows[i].data, data, sizeof data);
        one_init(&o, rows[i].bits, LT_UNSIGNED, rows[i].scale, rows[i].offset);
        assert_string_equal(print(&o.scaler, lt_bits_get(data, &o.def->bits)), rows[i].text);
    }
}

static void whole_numbers_beyond_two_to_the_53_keep_every_digit(void **state)
{
    struct one o;
    (void)state;
    one_init(&o, "7.7..0.0", LT_UNSIGNED, "1", "0");
    assert_string_equal(print(&o.scaler, UINT64_C(9007199254740993)), "9007199254740993");
    assert_string_equal(print(&o.scaler, UINT64_MAX), "18446744073709551615");
    assert_true(parse(&o.scaler, "18446744073709551615") == UINT64_MAX);
    assert_true(parse(&o.scaler, "9007199254740993") == UINT64_C(9007199254740993));
    refuse(&o.scaler, "18446744073709551616", LT_E_RANGE);
    one_init(&o, "7.7..0.0", LT_TWOS, "1", "0");
    assert_string_equal(print(&o.scaler, UINT64_C(1) << 63), "-9223372036854775808");
    assert_true(parse(&o.scaler, "-9223372036854775808") == UINT64_C(1) << 63);
}

static void the_linear_law_is_exact_beyond_int64(void **state)
{
    struct one o;
    (void)state;
    one_init(&o, "7.7..0.0", LT_UNSIGNED, "10", "0");
    assert_false(o.scaler.is_plain);
    assert_string_equal(print(&o.scaler, UINT64_MAX), "184467440737095516150");
    assert_true(parse(&o.scaler, "184467440737095516150") == UINT64_MAX);
    assert_true(lt_scaler_f64(&o.scaler, UINT64_MAX) == 184467440737095516150.0);
    one_init(&o, "7.7..0.0", LT_UNSIGNED, "0.1", "-273.15");
    assert_string_equal(print(&o.scaler, UINT64_MAX), "1844674407370954888.35");
    assert_true(parse(&o.scaler, "1844674407370954888.35") == UINT64_MAX);
    one_init(&o, "7.7..0.0", LT_SIGN_MAGNITUDE, "-1e6", "1");
    assert_string_equal(print(&o.scaler, INT64_MAX), "-9223372036854775806999999");
    assert_true(parse(&o.scaler, "-9223372036854775806999999") == INT64_MAX);
    assert_string_equal(print(&o.scaler, UINT64_MAX), "9223372036854775807000001");
}

static void decimals_are_what_the_scale_needs(void **state)
{
    static const struct {
        const char *scale, *offset;
        uint64_t raw;
        const char *text;
        int decimals;
    } rows[] = {
        {"1", "0", 1726, "1726", 0},
        {"0.25", "0", 6904, "1726.00", 2},
        {"1/256", "0", 1, "0.00390625", 8},
        {"0.5", "0.125", 3, "1.625", 3},
        {"100", "0", 3, "300", 0},
        {"-0.1", "0", 3, "-0.3", 1},
        {"0.1", "-0.3", 3, "0.0", 1},
        {"1", "-273.15", 0, "-273.15", 2},
        /* not decimal: the shortest text of the nearest double */
        {"100/255", "0", 128, "50.19607843137255", -1},
        {"100/255", "0", 255, "100", -1},
        {"1/3", "0", 1, "0.3333333333333333", -1},
        {"1/3", "1/7", 1, "0.47619047619047616", -1},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct one o;
        one_init(&o, "1.7..0.0", LT_UNSIGNED, rows[i].scale, rows[i].offset);
        assert_int_equal(o.scaler.decimals, rows[i].decimals);
        assert_string_equal(print(&o.scaler, rows[i].raw), rows[i].text);
        assert_true(parse(&o.scaler, rows[i].text) == rows[i].raw);
    }
}

static void the_five_kinds_of_sign(void **state)
{
    static const struct {
        enum lt_sign sign;
        unsigned length;
        uint64_t raw;
        int64_t number;
    } rows[] = {
        {LT_UNSIGNED, 4, 0xF, 15},
        {LT_TWOS, 4, 0xF, -1},
        {LT_TWOS, 4, 0x8, -8},
        {LT_TWOS, 4, 0x7, 7},
        {LT_TWOS, 1, 1, -1},
        {LT_TWOS, 64, UINT64_MAX, -1},
        {LT_OFFSET_BINARY, 4, 0x0, -8},
        {LT_OFFSET_BINARY, 4, 0x8, 0},
        {LT_OFFSET_BINARY, 4, 0xF, 7},
        {LT_OFFSET_BINARY, 64, 0, INT64_MIN},
        {LT_OFFSET_BINARY, 64, UINT64_MAX, INT64_MAX},
        {LT_SIGN_MAGNITUDE, 8, 0x81, -1},
        {LT_SIGN_MAGNITUDE, 8, 0xFF, -127},
        {LT_SIGN_MAGNITUDE, 8, 0x7F, 127},
        {LT_SIGN_MAGNITUDE, 8, 0x80, 0},
        {LT_SIGN_MAGNITUDE, 64, UINT64_MAX, -INT64_MAX},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++)
        assert_true(lt_raw_signed(rows[i].sign, rows[i].length, rows[i].raw) == rows[i].number);
}

static void minus_zero_reads_zero_and_is_never_written(void **state)
{
    struct one o;
    (void)state;
    one_init(&o, "0.7..0.0", LT_SIGN_MAGNITUDE, "1", "0");
    assert_string_equal(print(&o.scaler, 0x80), "0");
    assert_int_equal(parse(&o.scaler, "-0"), 0);
    assert_int_equal(parse(&o.scaler, "-0.4"), 0);
}

static void float_fields_name_what_is_no_number(void **state)
{
    struct one o;
    (void)state;
    one_init(&o, "3.7..0.0", LT_FLOAT, "1", "0");
    assert_string_equal(print(&o.scaler, 0x7FC00000), "nan");
    assert_string_equal(print(&o.scaler, 0xFFC00000), "nan");
    assert_string_equal(print(&o.scaler, 0x7F800000), "inf");
    assert_string_equal(print(&o.scaler, 0xFF800000), "-inf");
    assert_true(isnan(lt_scaler_f64(&o.scaler, 0x7F800001)));
    assert_true(isinf(lt_scaler_f64(&o.scaler, 0x7F800000)));
    refuse(&o.scaler, "nan", LT_E_SYNTAX);
    refuse(&o.scaler, "inf", LT_E_SYNTAX);
    refuse(&o.scaler, "-inf", LT_E_SYNTAX);
    one_init(&o, "7.7..0.0", LT_FLOAT, "2", "1");
    assert_string_equal(print(&o.scaler, 0x7FF0000000000000), "inf");
    assert_string_equal(print(&o.scaler, 0x7FF8000000000000), "nan");
    assert_string_equal(print(&o.scaler, 0x4000000000000000), "5");
    assert_true(parse(&o.scaler, "5") == 0x4000000000000000);
}

/* Bit patterns as in IEEE 754 binary32 and binary64. */
static void float_fields_take_the_nearest_float(void **state)
{
    struct one o;
    (void)state;
    one_init(&o, "3.7..0.0", LT_FLOAT, "1", "0");
    assert_int_equal(parse(&o.scaler, "0.1"), 0x3DCCCCCD);
    assert_int_equal(parse(&o.scaler, "-2"), 0xC0000000);
    assert_int_equal(parse(&o.scaler, "1e-40"), 0x000116C2); /* subnormal */
    assert_int_equal(parse(&o.scaler, "3.4028235e38"), 0x7F7FFFFF);
    /* 1 + 2^-24 is a tie, to even; a last decimal above it is not, though a double cannot tell. */
    assert_int_equal(parse(&o.scaler, "1.000000059604644775390625"), 0x3F800000);
    assert_int_equal(parse(&o.scaler, "1.000000059604644776"), 0x3F800001);
    refuse(&o.scaler, "1e39", LT_E_RANGE);
    assert_string_equal(refuse(&o.scaler, "-1e400", LT_E_RANGE),
                        "x = -1e400 does not fit: allowed is -3.4028235e38..3.4028235e38");
    one_init(&o, "7.7..0.0", LT_FLOAT, "1", "0");
    assert_true(parse(&o.scaler, "1e-300") == 0x01A56E1FC2F8F359);
    assert_true(parse(&o.scaler, "1.7976931348623157e308") == 0x7FEFFFFFFFFFFFFF);
    refuse(&o.scaler, "1.8e308", LT_E_RANGE);
}

static void only_two_lengths_of_float_exist(void **state)
{
    struct one o;
    struct lt_error error;
    (void)state;
    one_begin(&o, "1.7..0.0", LT_FLOAT, "1", "0");
    assert_int_equal(lt_scaler_init(&o.scaler, &o.sketch.profile, 0, &error), LT_E_RANGE);
    assert_non_null(strstr(error.text, "32 or 64"));
}

static void reciprocals(void **state)
{
    struct one o;
    (void)state;
    one_begin(&o, "1.7..0.0", LT_UNSIGNED, "0.25", "0");
    o.def->form = LT_FORM_RECIPROCAL;
    one_ready(&o);
    assert_string_equal(print(&o.scaler, 4), "1");
    assert_string_equal(print(&o.scaler, 12), "0.3333333333333333");
    assert_string_equal(print(&o.scaler, 0), "inf");
    assert_int_equal(parse(&o.scaler, "1"), 4);
    assert_int_equal(parse(&o.scaler, "0.3333333333333333"), 12);
    assert_int_equal(parse(&o.scaler, "0.4"), 10);
    assert_non_null(strstr(refuse(&o.scaler, "1e9", LT_E_RANGE), "..4"));
    refuse(&o.scaler, "0", LT_E_RANGE);
    refuse(&o.scaler, "-1", LT_E_RANGE);
    one_begin(&o, "0.7..0.0", LT_TWOS, "-1", "2");
    o.def->form = LT_FORM_RECIPROCAL;
    one_ready(&o);
    assert_string_equal(print(&o.scaler, 4), "-0.5");
    assert_string_equal(print(&o.scaler, 2), "inf");
    assert_int_equal(parse(&o.scaler, "-0.5"), 4);
    assert_int_equal(parse(&o.scaler, "0.25"), 0xFE);
}

static const struct lt_curve_point rising[] = {
    {{0, 1}, {-40, 1}}, {{100, 1}, {0, 1}}, {{200, 1}, {0, 1}}, {{1023, 1}, {150, 1}}};
static const struct lt_curve_point falling[] = {
    {{10, 1}, {150, 1}}, {{20, 1}, {1, 3}}, {{40, 1}, {-40, 1}}};
static const struct lt_curve_point bent[] = {
    {{0, 1}, {0, 1}}, {{10, 1}, {10, 1}}, {{20, 1}, {0, 1}}};

static void one_curve(struct one *o, const char *bits, enum lt_sign sign,
                      const struct lt_curve_point *points, size_t count)
{
    one_begin(o, bits, sign, "1", "0");
    o->sketch.curves[0] = (struct lt_curve_def){.name = "c", .points = points, .count = count};
    o->sketch.profile.curve_count = 1;
    o->def->form = LT_FORM_CURVE;
    o->def->curve = 0;
    one_ready(o);
}

static void curves_are_straight_between_points_and_held_beyond(void **state)
{
    struct one o;
    (void)state;
    one_curve(&o, "1.7..0.0", LT_UNSIGNED, rising, COUNT_OF(rising));
    assert_string_equal(print(&o.scaler, 0), "-40");
    assert_string_equal(print(&o.scaler, 50), "-20");
    assert_string_equal(print(&o.scaler, 100), "0");
    assert_string_equal(print(&o.scaler, 150), "0");
    assert_string_equal(print(&o.scaler, 201), "0.1822600243013366"); /* 150 / 823 */
    assert_string_equal(print(&o.scaler, 65535), "150");
    one_curve(&o, "0.7..0.0", LT_TWOS, falling, COUNT_OF(falling));
    assert_string_equal(print(&o.scaler, 0xFF), "150");
    assert_string_equal(print(&o.scaler, 20), "0.3333333333333333");
    assert_string_equal(print(&o.scaler, 127), "-40");
    one_curve(&o, "7.7..0.0", LT_UNSIGNED, rising, COUNT_OF(rising));
    assert_string_equal(print(&o.scaler, UINT64_MAX), "150");
    one_curve(&o, "7.7..0.0", LT_FLOAT, rising, COUNT_OF(rising));
    assert_string_equal(print(&o.scaler, 0x4049000000000000), "-20"); /* 50.0 */
}

static void curves_are_read_backwards_where_they_are_monotone(void **state)
{
    struct one o;
    (void)state;
    one_curve(&o, "1.7..0.0", LT_UNSIGNED, rising, COUNT_OF(rising));
    assert_int_equal(parse(&o.scaler, "-20"), 50);
    assert_int_equal(parse(&o.scaler, "-19.9"), 50);
    assert_int_equal(parse(&o.scaler, "-40"), 0);
    assert_int_equal(parse(&o.scaler, "0"), 100);
    assert_int_equal(parse(&o.scaler, "0.1822600243013366"), 201);
    assert_int_equal(parse(&o.scaler, "150"), 1023);
    assert_string_equal(refuse(&o.scaler, "150.1", LT_E_RANGE),
                        "x = 150.1 does not fit: allowed is -40..150");
    refuse(&o.scaler, "-40.0001", LT_E_RANGE);
    one_curve(&o, "0.7..0.0", LT_UNSIGNED, falling, COUNT_OF(falling));
    assert_int_equal(parse(&o.scaler, "150"), 10);
    assert_int_equal(parse(&o.scaler, "0.3333333333333333"), 20);
    assert_int_equal(parse(&o.scaler, "-20"), 30);
    assert_int_equal(parse(&o.scaler, "-40"), 40);
    refuse(&o.scaler, "151", LT_E_RANGE);
    one_curve(&o, "0.7..0.0", LT_UNSIGNED, bent, COUNT_OF(bent));
    assert_non_null(strstr(refuse(&o.scaler, "5", LT_E_CONFLICT), "rises and falls"));
}

/* Every raw of a curve whose text is full of digits finds its way back. */
static void curves_there_and_back(void **state)
{
    static const struct lt_curve_point points[] = {
        {{7, 1}, {-4013, 100}}, {{333, 1}, {271828, 10000}}, {{1020, 1}, {15099, 100}}};
    static const struct lt_role role = {.name = "t", .unit = "x"};
    struct one o;
    (void)state;
    one_curve(&o, "1.1..0.0", LT_UNSIGNED, points, COUNT_OF(points));
    for (unsigned turn = 0; turn < 2; turn++) {
        for (uint64_t raw = 7; raw <= 1020; raw++)
            assert_int_equal(parse(&o.scaler, print(&o.scaler, raw)), raw);
        o.def->role = &role;
        o.def->role_factor = sketch_ratio("6.894757");
        o.def->role_offset = sketch_ratio("101.325");
    }
}

static void the_roles_unit_is_folded_in(void **state)
{
    static const struct lt_role role = {.name = "lambda", .unit = "1"};
    struct one o;
    (void)state;
    /* AFR to lambda with 14.7 kg of air a kg of petrol. */
    one_begin(&o, "0.7..0.0", LT_UNSIGNED, "0.1", "0");
    o.def->role = &role;
    o.def->role_factor = sketch_ratio("10/147");
    o.def->role_offset = sketch_ratio("0");
    one_ready(&o);
    assert_string_equal(print(&o.scaler, 147), "1");
    assert_string_equal(print(&o.scaler, 135), "0.9183673469387755");
    assert_int_equal(parse(&o.scaler, "0.9183673469387755"), 135);
    /* degrees Fahrenheit to Celsius; the profile's range is in its own unit */
    one_begin(&o, "0.7..0.0", LT_UNSIGNED, "1", "0");
    o.def->role = &role;
    o.def->role_factor = sketch_ratio("5/9");
    o.def->role_offset = sketch_ratio("-160/9");
    o.def->has_range = true;
    o.def->range_low = sketch_ratio("32");
    o.def->range_high = sketch_ratio("212");
    one_ready(&o);
    assert_string_equal(print(&o.scaler, 212), "100");
    assert_int_equal(parse(&o.scaler, "37.8"), 100);
    assert_string_equal(refuse(&o.scaler, "100.5", LT_E_RANGE),
                        "x = 100.5 does not fit: allowed is 0..100");
}

static void a_reciprocal_takes_the_roles_unit_too(void **state)
{
    static const struct lt_role role = {.name = "n", .unit = "rpm"};
    struct one o;
    (void)state;
    one_begin(&o, "1.7..0.0", LT_UNSIGNED, "1/1000", "0"); /* a period in ms, seen in Hz */
    o.def->form = LT_FORM_RECIPROCAL;
    o.def->role = &role;
    o.def->role_factor = sketch_ratio("60");
    o.def->role_offset = sketch_ratio("5");
    one_ready(&o);
    assert_string_equal(print(&o.scaler, 20), "3005");
    assert_int_equal(parse(&o.scaler, "3005"), 20);
}

static void a_scale_that_cannot_be_kept_is_refused(void **state)
{
    static const char *const scales[][2] = {
        {"0", "0"}, {"1e18", "1e-18"}, {"1/9223372036854775807", "1/9223372036854775806"}};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(scales); i++) {
        struct one o;
        struct lt_error error;
        one_begin(&o, "0.7..0.0", LT_UNSIGNED, scales[i][0], scales[i][1]);
        assert_int_equal(lt_scaler_init(&o.scaler, &o.sketch.profile, 0, &error), LT_E_RANGE);
    }
}

static void halves_round_to_even(void **state)
{
    static const struct {
        const char *scale, *offset, *text;
        int64_t number;
    } rows[] = {
        {"1", "0", "2.5", 2},
        {"1", "0", "3.5", 4},
        {"1", "0", "-2.5", -2},
        {"1", "0", "-3.5", -4},
        {"1", "0", "0.5", 0},
        {"1", "0", "-0.5", 0},
        {"0.5", "0", "0.25", 0},
        {"0.5", "0", "0.75", 2},
        {"0.25", "0", "1726.1", 6904},
        {"0.1", "-40", "0.05", 400},
        {"0.1", "-40", "0.15", 402},
        {"-1", "0", "2.5", -2},
        {"-1", "0", "3.5", -4},
        {"1/3", "0", "0.5", 2},
        {"1", "0.5", "3", 2},
        {"1", "0", "1e2", 100},
        {"1", "0", "25e-1", 2},
        {"1", "0", "+7", 7},
        {"1", "0", ".5e1", 5},
        {"1", "0", "1e-300", 0},
        {"1", "0", "0e99999", 0},
        /* what lies past every digit kept still decides a tie */
        {"1", "0", "2.50000000000000000000000000000000000000000000000001", 3},
        {"1", "0", "2.49999999999999999999999999999999999999999999999999", 2},
        {"1", "0", "-2.50000000000000000000000000000000000000000000000001", -3},
        {"-1", "0", "2.50000000000000000000000000000000000000000000000001", -3},
        {"1", "100", "97.49999999999999999999999999999999999999999999999", -3},
        {"1", "100", "97.50000000000000000000000000000000000000000000001", -2},
        {"1", "0.5", "0.00000000000000000000000000000000000000000000001", 0},
        {"1", "0.5", "-0.00000000000000000000000000000000000000000000001", -1},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct one o;
        one_init(&o, "1.7..0.0", LT_TWOS, rows[i].scale, rows[i].offset);
        int64_t number = lt_raw_signed(LT_TWOS, 16, parse(&o.scaler, rows[i].text));
        if (number != rows[i].number)
            fail_msg("%s at scale %s: %lld", rows[i].text, rows[i].scale, (long long)number);
    }
}

static void a_value_that_does_not_fit_names_the_allowed_range(void **state)
{
    static const struct lt_raw_range top = {0xFFFF, 0xFFFF}, errors = {0xFE00, 0xFEFF},
                                     reserved = {0xFB00, 0xFFFF};
    struct one o;
    (void)state;
    one_begin(&o, "0.7..1.0", LT_UNSIGNED, "0.25", "0");
    o.def->unit = "rpm";
    one_ready(&o);
    assert_string_equal(refuse(&o.scaler, "20000", LT_E_RANGE),
                        "x = 20000 does not fit: allowed is 0..16383.75 rpm");
    assert_string_equal(refuse(&o.scaler, "-1", LT_E_RANGE),
                        "x = -1 does not fit: allowed is 0..16383.75 rpm");
    assert_int_equal(parse(&o.scaler, "16383.75"), 0xFFFF);
    o.def->unavailable = &top;
    o.def->unavailable_count = 1;
    one_ready(&o);
    assert_string_equal(refuse(&o.scaler, "16383.75", LT_E_RANGE),
                        "x = 16383.75 would be sent as 0xFFFF, which is the code for "
                        "`unavailable`: allowed is 0..16383.5 rpm");
    o.def->error = &errors;
    o.def->error_count = 1;
    one_ready(&o);
    assert_non_null(strstr(refuse(&o.scaler, "16256", LT_E_RANGE), "`error`"));
    o.def->unavailable = &reserved;
    one_ready(&o);
    assert_non_null(strstr(refuse(&o.scaler, "99999", LT_E_RANGE), "0..16063.75 rpm"));
    o.def->has_range = true;
    o.def->range_low = sketch_ratio("0.5");
    o.def->range_high = sketch_ratio("9000");
    assert_string_equal(refuse(&o.scaler, "9000.25", LT_E_RANGE),
                        "x = 9000.25 does not fit: allowed is 0.5..9000 rpm");
    assert_string_equal(refuse(&o.scaler, "9000.000000000000000001", LT_E_RANGE),
                        "x = 9000.000000000000000001 does not fit: allowed is 0.5..9000 rpm");
    refuse(&o.scaler, "0.25", LT_E_RANGE);
    assert_int_equal(parse(&o.scaler, "9000"), 36000);
    assert_int_equal(parse(&o.scaler, "0.5"), 2);
}

static void signed_fields_have_signed_limits(void **state)
{
    static const struct {
        enum lt_sign sign;
        const char *scale, *offset;
        struct lt_raw_range code;
        double low, high;
    } rows[] = {
        {LT_UNSIGNED, "1", "-40", {0xFE, 0xFF}, -40, 213},
        {LT_UNSIGNED, "-1", "0", {0xFF, 0xFF}, -254, 0},
        {LT_TWOS, "0.5", "0", {0x80, 0x80}, -63.5, 63.5},
        {LT_TWOS, "1", "0", {0x7F, 0x81}, -126, 126},
        {LT_TWOS, "1", "0", {0xFF, 0xFF}, -128, 127}, /* -1 is inside: the ends stay */
        {LT_OFFSET_BINARY, "1", "0", {0x00, 0x01}, -126, 127},
        {LT_SIGN_MAGNITUDE, "1", "0", {0x7F, 0x7F}, -127, 126},
        {LT_SIGN_MAGNITUDE, "1", "0", {0xFE, 0xFF}, -125, 127},
        {LT_UNSIGNED, "1", "0", {0, 0xFF}, 0, 255}, /* nothing but codes: then all of it */
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct one o;
        double low, high;
        one_begin(&o, "0.7..0.0", rows[i].sign, rows[i].scale, rows[i].offset);
        o.def->unavailable = &rows[i].code;
        o.def->unavailable_count = 1;
        one_ready(&o);
        lt_scaler_limits(&o.scaler, &low, &high);
        if (low != rows[i].low || high != rows[i].high)
            fail_msg("row %zu: %g..%g", i, low, high);
    }
}

static void codes_are_neither_values_nor_encoded_by_chance(void **state)
{
    static const struct lt_raw_range unavailable[] = {{0xFF, 0xFF}, {0x10, 0x1F}};
    static const struct lt_raw_range error = {0xFE, 0xFE};
    struct one o;
    (void)state;
    one_begin(&o, "0.7..0.0", LT_UNSIGNED, "1", "0");
    o.def->unavailable = unavailable;
    o.def->unavailable_count = COUNT_OF(unavailable);
    o.def->error = &error;
    o.def->error_count = 1;
    one_ready(&o);
    assert_int_equal(lt_scaler_state(&o.scaler, 0xFF), LT_STATE_UNAVAILABLE);
    assert_int_equal(lt_scaler_state(&o.scaler, 0x10), LT_STATE_UNAVAILABLE);
    assert_int_equal(lt_scaler_state(&o.scaler, 0x20), LT_STATE_VALUE);
    assert_int_equal(lt_scaler_state(&o.scaler, 0xFE), LT_STATE_ERROR);
    refuse(&o.scaler, "16", LT_E_RANGE);
    assert_int_equal(parse(&o.scaler, "unavailable"), 0xFF);
    assert_int_equal(parse(&o.scaler, "error"), 0xFE);
    o.def->error_count = 0;
    one_ready(&o);
    refuse(&o.scaler, "error", LT_E_UNKNOWN);
}

static void labels_are_accepted_by_name(void **state)
{
    static const struct lt_label labels[] = {{.raw = 0, .name = "comfort"},
                                             {.raw = 1, .name = "sport"}};
    static struct lt_error error;
    uint64_t raw = 7;
    struct one o;
    (void)state;
    one_begin(&o, "3.6..3.4", LT_UNSIGNED, "1", "0");
    o.def->labels = labels;
    o.def->label_count = COUNT_OF(labels);
    one_ready(&o);
    assert_int_equal(parse(&o.scaler, "sport"), 1);
    assert_int_equal(parse(&o.scaler, "3"), 3);
    assert_int_equal(lt_scaler_parse(&o.scaler, LT_TEXT("sprot"), &raw, &error), LT_E_UNKNOWN);
    assert_non_null(strstr(error.advice, "comfort, sport"));
}

static void text_that_is_no_number_is_refused(void **state)
{
    static const char *const texts[] = {"",    "-",   "+",   ".",           "1 ",  " 1",
                                        "1e",  "1e+", "0x1", "1.2.3",       "--1", "1/2",
                                        "12a", "1,5", "e5",  "unavailable "};
    struct one o;
    (void)state;
    one_init(&o, "0.7..0.0", LT_UNSIGNED, "1", "0");
    for (size_t i = 0; i < COUNT_OF(texts); i++)
        refuse(&o.scaler, texts[i], LT_E_SYNTAX);
    refuse(&o.scaler, "1e400", LT_E_RANGE);
    refuse(&o.scaler, "-1e99999999999", LT_E_RANGE);
    refuse(&o.scaler, "340282366920938463463374607431768211456", LT_E_RANGE);
}

static uint64_t random64(uint64_t *state)
{
    *state += UINT64_C(0x9E3779B97F4A7C15); /* splitmix64 */
    uint64_t z = *state;
    z = (z ^ z >> 30) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ z >> 27) * UINT64_C(0x94D049BB133111EB);
    return z ^ z >> 31;
}

static bool is_minus_zero(const struct one *o, uint64_t raw)
{
    return o->def->sign == LT_SIGN_MAGNITUDE && raw == UINT64_C(1) << (o->scaler.length - 1);
}

/* Random fields with codes: what is printed reads back as the same raw bits, and a code never comes
 * out of a number. */
static void random_signals_there_and_back(void **state)
{
    static const char *const scales[] = {"1",    "0.25", "0.1",  "-0.5",    "1/256", "1e3",
                                         "0.05", "-7",   "1e-9", "100/255", "-1/3"};
    static const char *const offsets[] = {"0", "-40", "0.125", "-273.15", "1e6"};
    static const enum lt_sign signs[] = {LT_UNSIGNED, LT_TWOS, LT_OFFSET_BINARY, LT_SIGN_MAGNITUDE};
    uint64_t seed = 3;
    unsigned values = 0, codes = 0;
    (void)state;
    for (unsigned i = 0; i < 4000; i++) {
        size_t scale = random64(&seed) % COUNT_OF(scales);
        /* The text of a scale that is not decimal is that of a double: 53 bits, less some for the
         * offset. */
        unsigned length = 1 + (unsigned)(random64(&seed) % (scale < 9 ? 64 : 30));
        uint64_t mask = UINT64_MAX >> (64 - length), code = random64(&seed) & mask;
        struct lt_raw_range range = {code, code + (mask - code) / 16};
        struct one o;
        one_begin(&o, "0.0", signs[i % 4], scales[scale],
                  offsets[random64(&seed) % COUNT_OF(offsets)]);
        o.def->bits.part[0] = (struct lt_span){(uint16_t)(length - 1), 0};
        o.def->unavailable = &range;
        o.def->unavailable_count = 1;
        one_ready(&o);
        for (unsigned k = 0; k < 20; k++) {
            uint64_t raw = random64(&seed) & mask, back = 0;
            const char *text = print(&o.scaler, raw);
            if (is_minus_zero(&o, raw))
                continue;
            if (lt_scaler_state(&o.scaler, raw) == LT_STATE_VALUE) {
                back = parse(&o.scaler, text);
                if (back != raw)
                    fail_msg("%s: %llX instead of %llX", text, (unsigned long long)back,
                             (unsigned long long)raw);
                values++;
            } else {
                assert_int_equal(lt_scaler_parse(&o.scaler, lt_text_of(text), &back, NULL),
                                 LT_E_RANGE);
                codes++;
            }
        }
    }
    assert_true(values > 50000 && codes > 1000);
}

static void random_floats_there_and_back(void **state)
{
    uint64_t seed = 4;
    struct one o32, o64;
    (void)state;
    one_init(&o32, "3.7..0.0", LT_FLOAT, "1", "0");
    one_init(&o64, "7.7..0.0", LT_FLOAT, "1", "0");
    for (unsigned i = 0; i < 20000; i++) {
        uint64_t raw = random64(&seed);
        if (isfinite(lt_scaler_f64(&o64.scaler, raw)))
            assert_true(parse(&o64.scaler, print(&o64.scaler, raw)) == raw || raw << 1 == 0);
        raw &= UINT32_MAX;
        if (isfinite(lt_scaler_f64(&o32.scaler, raw)))
            assert_true(parse(&o32.scaler, print(&o32.scaler, raw)) == raw ||
                        (raw & INT32_MAX) == 0);
    }
}

static void random_reciprocals_there_and_back(void **state)
{
    uint64_t seed = 5;
    (void)state;
    for (unsigned i = 0; i < 500; i++) {
        static const char *const scales[] = {"0.001", "-1/3", "2", "1/65536"};
        struct one o;
        one_begin(&o, "2.3..0.0", i & 1 ? LT_TWOS : LT_UNSIGNED, scales[i % COUNT_OF(scales)],
                  i & 2 ? "0.5" : "0");
        o.def->form = LT_FORM_RECIPROCAL;
        one_ready(&o);
        for (unsigned k = 0; k < 20; k++) {
            uint64_t raw = random64(&seed) & 0xFFFFF;
            if (isfinite(lt_scaler_f64(&o.scaler, raw)))
                assert_int_equal(parse(&o.scaler, print(&o.scaler, raw)), raw);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(published_examples_decode_and_encode_back),
        cmocka_unit_test(published_j1939_values),
        cmocka_unit_test(whole_numbers_beyond_two_to_the_53_keep_every_digit),
        cmocka_unit_test(the_linear_law_is_exact_beyond_int64),
        cmocka_unit_test(decimals_are_what_the_scale_needs),
        cmocka_unit_test(the_five_kinds_of_sign),
        cmocka_unit_test(minus_zero_reads_zero_and_is_never_written),
        cmocka_unit_test(float_fields_name_what_is_no_number),
        cmocka_unit_test(float_fields_take_the_nearest_float),
        cmocka_unit_test(only_two_lengths_of_float_exist),
        cmocka_unit_test(reciprocals),
        cmocka_unit_test(curves_are_straight_between_points_and_held_beyond),
        cmocka_unit_test(curves_are_read_backwards_where_they_are_monotone),
        cmocka_unit_test(curves_there_and_back),
        cmocka_unit_test(the_roles_unit_is_folded_in),
        cmocka_unit_test(a_reciprocal_takes_the_roles_unit_too),
        cmocka_unit_test(a_scale_that_cannot_be_kept_is_refused),
        cmocka_unit_test(halves_round_to_even),
        cmocka_unit_test(a_value_that_does_not_fit_names_the_allowed_range),
        cmocka_unit_test(signed_fields_have_signed_limits),
        cmocka_unit_test(codes_are_neither_values_nor_encoded_by_chance),
        cmocka_unit_test(labels_are_accepted_by_name),
        cmocka_unit_test(text_that_is_no_number_is_refused),
        cmocka_unit_test(random_signals_there_and_back),
        cmocka_unit_test(random_floats_there_and_back),
        cmocka_unit_test(random_reciprocals_there_and_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
