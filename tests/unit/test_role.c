/* Roles and units. Factors are held against published definitions: NIST SP 811 (2008) appendix B,
 * where it prints fewer digits than the exact definition has the exact one is worked out beside it.
 * OBD-II numbers: SAE J1979 service 01 as publicly tabulated. */
#include "unit.h"

#include <math.h>

#include "loomtap/core/role.h"

static const struct lt_ratio no_stoich = {0, 1};

static const struct lt_unit *unit(const char *name)
{
    const struct lt_unit *found = lt_unit_find(lt_text_of(name));
    if (!found)
        fail_msg("no unit %s", name);
    return found;
}

static void every_factor_as_defined(void **state)
{
    static const struct {
        const char *from, *to;
        struct lt_ratio factor, offset;
    } rows[] = {
        /* NIST SP 811 B.8: inch 25.4 mm, foot 0.3048 m, international mile 1609.344 m, all exact.
         */
        {"in", "mm", {254, 10}, {0, 1}},
        {"ft", "m", {3048, 10000}, {0, 1}},
        {"mi", "m", {1609344, 1000}, {0, 1}},
        {"mi", "km", {1609344, 1000000}, {0, 1}},
        {"km", "m", {1000, 1}, {0, 1}},
        {"cm", "mm", {10, 1}, {0, 1}},
        /* Speeds from those and the nautical mile of 1852 m, exact. */
        {"mph", "km/h", {1609344, 1000000}, {0, 1}},
        {"mph", "m/s", {44704, 100000}, {0, 1}},
        {"m/s", "km/h", {36, 10}, {0, 1}},
        {"kn", "km/h", {1852, 1000}, {0, 1}},
        /* SP 811 B.8: bar 100 kPa exact; psi and mercury as worked out below. */
        {"bar", "kPa", {100, 1}, {0, 1}},
        {"mbar", "hPa", {1, 1}, {0, 1}},
        {"hPa", "kPa", {1, 10}, {0, 1}},
        {"MPa", "kPa", {1000, 1}, {0, 1}},
        {"Pa", "kPa", {1, 1000}, {0, 1}},
        {"inHg", "mmHg", {254, 10}, {0, 1}},
        /* SP 811 4.2.1.1 and B.8: 0 °C is 273.15 K; t/°C = (t/°F - 32) / 1.8. */
        {"K", "°C", {1, 1}, {-27315, 100}},
        {"°C", "K", {1, 1}, {27315, 100}},
        {"°F", "°C", {10, 18}, {-320, 18}},
        {"°C", "°F", {18, 10}, {32, 1}},
        /* Volume: the US gallon is 231 cubic inches, 3.785411784 L exact. */
        {"gal", "L", {3785411784, 1000000000}, {0, 1}},
        {"ml", "L", {1, 1000}, {0, 1}},
        {"gal/h", "L/h", {3785411784, 1000000000}, {0, 1}},
        {"L/min", "L/h", {60, 1}, {0, 1}},
        {"ml/min", "L/h", {60, 1000}, {0, 1}},
        {"ml/s", "ml/min", {60, 1}, {0, 1}},
        {"L/s", "L/min", {60, 1}, {0, 1}},
        /* Mass flow; pound 0.45359237 kg exact. */
        {"kg/h", "g/s", {1000, 3600}, {0, 1}},
        {"g/min", "g/s", {1, 60}, {0, 1}},
        {"mg/s", "g/s", {1, 1000}, {0, 1}},
        {"lb/min", "kg/h", {45359237ll * 60, 100000000}, {0, 1}},
        /* Power; metric horsepower 75 kg x 9.80665 m/s2 x 1 m/s = 735.49875 W exact. */
        {"kW", "W", {1000, 1}, {0, 1}},
        {"PS", "W", {73549875, 100000}, {0, 1}},
        /* Plain multiples. */
        {"rpm", "1/s", {1, 60}, {0, 1}},
        {"°/s", "rpm", {60, 360}, {0, 1}},
        {"%", "1", {1, 100}, {0, 1}},
        {"1", "%", {100, 1}, {0, 1}},
        {"mA", "A", {1, 1000}, {0, 1}},
        {"mV", "V", {1, 1000}, {0, 1}},
        {"ms", "s", {1, 1000}, {0, 1}},
        {"us", "ms", {1, 1000}, {0, 1}},
        {"min", "s", {60, 1}, {0, 1}},
        {"h", "min", {60, 1}, {0, 1}},
        {"d", "h", {24, 1}, {0, 1}},
        {"lb-ft", "lb-in", {12, 1}, {0, 1}},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_ratio factor, offset, want_factor, want_offset;
        assert_true(lt_ratio_make(rows[i].factor.num, rows[i].factor.den, &want_factor));
        assert_true(lt_ratio_make(rows[i].offset.num, rows[i].offset.den, &want_offset));
        if (!lt_unit_convert(unit(rows[i].from), unit(rows[i].to), no_stoich, &factor, &offset))
            fail_msg("%s to %s", rows[i].from, rows[i].to);
        if (factor.num != want_factor.num || factor.den != want_factor.den ||
            offset.num != want_offset.num || offset.den != want_offset.den)
            fail_msg("%s to %s: %lld/%lld + %lld/%lld", rows[i].from, rows[i].to,
                     (long long)factor.num, (long long)factor.den, (long long)offset.num,
                     (long long)offset.den);
    }
}

static void assert_near(double value, double wanted, double within)
{
    if (!(fabs(value - wanted) <= within))
        fail_msg("%.17g is not %.17g", value, wanted);
}

static double factor_of(const char *from, const char *to)
{
    struct lt_ratio factor, offset;
    if (!lt_unit_convert(unit(from), unit(to), no_stoich, &factor, &offset))
        fail_msg("%s to %s", from, to);
    assert_int_equal(offset.num, 0);
    return lt_ratio_f64(factor);
}

/* NIST SP 811 appendix B.8 prints 7 digits of these; rounded to them they must agree. */
static void factors_that_nist_sp_811_prints_rounded(void **state)
{
    static const struct {
        const char *from, *to, *printed;
    } rows[] = {
        {"psi", "kPa", "6.894757E+00"},    {"mmHg", "Pa", "1.333224E+02"},
        {"inHg", "kPa", "3.386389E+00"},   {"lb-ft", "Nm", "1.355818E+00"},
        {"lb-in", "Nm", "1.129848E-01"},   {"hp", "W", "7.456999E+02"},
        {"rpm", "rad/s", "1.047198E-01"},  {"kn", "m/s", "5.144444E-01"},
        {"lb/min", "g/s", "7.559873E+00"}, {"gal", "L", "3.785412E+00"},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        char text[32];
        snprintf(text, sizeof text, "%.6E", factor_of(rows[i].from, rows[i].to));
        assert_string_equal(text, rows[i].printed);
    }
}

/* From the exact definitions: pound 0.45359237 kg, standard gravity 9.80665 m/s2, inch 0.0254 m,
 * foot 0.3048 m, mercury 13595.1 kg/m3. A double holds 15 to 16 digits. */
static void factors_from_their_exact_definitions(void **state)
{
    const double pi = 3.14159265358979323846, pound_force = 0.45359237 * 9.80665;
    (void)state;
    assert_near(factor_of("psi", "Pa"), pound_force / (0.0254 * 0.0254), 1e-11);
    assert_near(factor_of("lb-ft", "Nm"), pound_force * 0.3048, 1e-14);
    assert_near(factor_of("hp", "W"), 550 * pound_force * 0.3048, 1e-11);
    assert_near(factor_of("mmHg", "Pa"), 13595.1 * 9.80665 / 1000, 1e-12);
    assert_near(factor_of("rad/s", "rpm"), 30 / pi, 1e-14);
    assert_near(factor_of("rad", "°"), 180 / pi, 1e-13);
}

static const char *const names[] = {
    "rpm", "1/s",  "°/s", "rad/s", "1",     "%",    "lambda", "AFR",  "Pa",     "hPa",  "kPa",
    "MPa", "mbar", "bar", "psi",   "mmHg",  "inHg", "m/s",    "km/h", "mph",    "kn",   "K",
    "°C",  "°F",   "Nm",  "lb-ft", "lb-in", "A",    "mA",     "V",    "mV",     "°",    "rad",
    "s",   "ms",   "us",  "min",   "h",     "d",    "m",      "mm",   "cm",     "km",   "in",
    "ft",  "mi",   "L",   "ml",    "gal",   "L/h",  "L/min",  "L/s",  "ml/min", "ml/s", "gal/h",
    "g/s", "mg/s", "W",   "g/min", "kg/h",  "kW",   "lb/min", "hp",   "PS",
};

/* Every pair of one quantity converts, there and back is where it began, and no other pair does. */
static void all_pairs_there_and_back(void **state)
{
    const struct lt_ratio stoich = {147, 10};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(names); i++) {
        for (size_t k = 0; k < COUNT_OF(names); k++) {
            const struct lt_unit *a = unit(names[i]), *b = unit(names[k]);
            struct lt_ratio to = {-7, 7}, to_offset, back, back_offset;
            bool is_lambda = (a->quantity == LT_QUANTITY_LAMBDA && !strcmp(names[k], "1")) ||
                             (b->quantity == LT_QUANTITY_LAMBDA && !strcmp(names[i], "1"));
            bool same = a->quantity == b->quantity || is_lambda;
            if (lt_unit_convert(a, b, stoich, &to, &to_offset) != same)
                fail_msg("%s to %s", names[i], names[k]);
            if (!same) {
                assert_int_equal(to.num, -7);
                continue;
            }
            assert_true(lt_unit_convert(b, a, stoich, &back, &back_offset));
            double there = 12.5 * lt_ratio_f64(to) + lt_ratio_f64(to_offset);
            double again = there * lt_ratio_f64(back) + lt_ratio_f64(back_offset);
            assert_true(fabs(again - 12.5) < 1e-9);
        }
    }
}

static void lambda_from_air_fuel_ratio(void **state)
{
    struct lt_ratio factor, offset;
    (void)state;
    /* Lambda = AFR / stoichiometric AFR; petrol 14.7 (public tables): 13.23 is lambda 0.9. */
    assert_true(
        lt_unit_convert(unit("AFR"), unit("1"), (struct lt_ratio){147, 10}, &factor, &offset));
    assert_int_equal(factor.num, 10);
    assert_int_equal(factor.den, 147);
    assert_int_equal(offset.num, 0);
    assert_near(13.23 * lt_ratio_f64(factor), 0.9, 1e-12);
    assert_true(
        lt_unit_convert(unit("lambda"), unit("AFR"), (struct lt_ratio){9, 1}, &factor, &offset));
    assert_int_equal(factor.num, 9);
    assert_false(lt_unit_convert(unit("AFR"), unit("1"), no_stoich, &factor, &offset));
    assert_false(
        lt_unit_convert(unit("AFR"), unit("1"), (struct lt_ratio){-147, 10}, &factor, &offset));
    assert_true(lt_unit_convert(unit("lambda"), unit("1"), no_stoich, &factor, &offset));
    assert_int_equal(factor.num, factor.den);
    assert_true(lt_unit_convert(unit("AFR"), unit("afr"), no_stoich, &factor, &offset));
    assert_false(
        lt_unit_convert(unit("AFR"), unit("%"), (struct lt_ratio){147, 10}, &factor, &offset));
}

static void usual_spellings(void **state)
{
    static const struct {
        const char *spelling, *name;
    } rows[] = {
        {"degC", "°C"}, {"C", "°C"},        {"kph", "km/h"},  {"U/min", "rpm"}, {"1/min", "rpm"},
        {"N.m", "Nm"},  {"ft-lb", "lb-ft"}, {"deg", "°"},     {"afr", "AFR"},   {"l/h", "L/h"},
        {"mL", "ml"},   {"µs", "us"},       {"percent", "%"}, {"degF", "°F"},   {"kpa", "kPa"},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++)
        assert_ptr_equal(unit(rows[i].spelling), unit(rows[i].name));
    assert_null(lt_unit_find(LT_TEXT("rmp")));
    assert_null(lt_unit_find(LT_TEXT("mS")));
    assert_null(lt_unit_find(LT_TEXT("Mpa")));
    assert_null(lt_unit_find(LT_TEXT("")));
    assert_null(lt_unit_find((struct lt_text){"kPa", 2}));
}

/* SAE J1979 service 01 as publicly tabulated. */
static void obd_parameters_of_sae_j1979(void **state)
{
    static const struct {
        const char *role;
        int pid;
        const char *unit;
    } rows[] = {
        {"engine_speed", 0x0C, "rpm"},
        {"load", 0x04, "%"},
        {"absolute_load", 0x43, "%"},
        {"lambda", 0x24, "1"},
        {"lambda_target", 0x44, "1"},
        {"pedal", 0x49, "%"},
        {"throttle", 0x11, "%"},
        {"manifold_pressure", 0x0B, "kPa"},
        {"barometric_pressure", 0x33, "kPa"},
        {"vehicle_speed", 0x0D, "km/h"},
        {"coolant_temp", 0x05, "°C"},
        {"intake_temp", 0x0F, "°C"},
        {"oil_temp", 0x5C, "°C"},
        {"ambient_temp", 0x46, "°C"},
        {"air_mass_flow", 0x10, "g/s"},
        {"timing_advance", 0x0E, "°"},
        {"fuel_rate", 0x5E, "L/h"},
        {"fuel_level", 0x2F, "%"},
        {"ethanol_content", 0x52, "%"},
        {"battery_voltage", 0x42, "V"},
        {"fuel_pressure", 0x0A, "kPa"},
        {"engine_torque", -1, "Nm"},
        {"rail_pressure", -1, "kPa"},
        {"wheel_speed_fl", -1, "km/h"},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        const struct lt_role *role = lt_role_find(lt_text_of(rows[i].role));
        assert_non_null(role);
        assert_int_equal(role->obd_pid, rows[i].pid);
        assert_string_equal(role->unit, rows[i].unit);
        assert_false(role->is_labels);
    }
}

static void the_table_is_sound(void **state)
{
    size_t count;
    const struct lt_role *roles = lt_role_table(&count);
    (void)state;
    assert_true(count > 30);
    for (size_t i = 0; i < count; i++) {
        const struct lt_role *role = &roles[i];
        assert_true(strlen(role->name) <= 32);
        assert_true(strlen(role->title) > 0);
        assert_true(role->max_age_ms > 0);
        assert_true(role->is_labels == (role->unit[0] == 0));
        assert_true(role->is_labels || role->low < role->high);
        assert_true(role->is_labels || lt_unit_find(lt_text_of(role->unit)) != NULL);
        for (size_t k = 0; k < i; k++) {
            assert_string_not_equal(role->name, roles[k].name);
            assert_true(role->obd_pid < 0 || role->obd_pid != roles[k].obd_pid);
        }
    }
}

static void states_have_labels(void **state)
{
    static const char *const rows[] = {"drive_mode",   "gear",  "ignition",
                                       "engine_state", "brake", "clutch"};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++)
        assert_true(lt_role_find(lt_text_of(rows[i]))->is_labels);
}

static void wheel_speeds_are_a_family(void **state)
{
    const struct lt_role *role = lt_role_find(LT_TEXT("wheel_speed_fl"));
    (void)state;
    assert_non_null(role);
    assert_ptr_equal(lt_role_find(LT_TEXT("wheel_speed_rear_axle_2")), role);
    assert_null(lt_role_find(LT_TEXT("wheel_speed_")));
    assert_null(lt_role_find(LT_TEXT("wheel_speed")));
    assert_null(lt_role_find(LT_TEXT("wheel_speed_*")));
    assert_null(lt_role_find(LT_TEXT("wheel_speed_FL")));
    assert_null(lt_role_find(LT_TEXT("engine_speed_2")));
    assert_null(lt_role_find(LT_TEXT("engine_spee")));
    assert_null(lt_role_find(LT_TEXT("")));
}

static void a_family_asks_for_its_members(void **state)
{
    (void)state;
    assert_true(lt_role_matches("load", "load"));
    assert_false(lt_role_matches("load", "load_absolute"));
    assert_false(lt_role_matches("absolute_load", "load"));
    assert_true(lt_role_matches("wheel_speed_*", "wheel_speed_fl"));
    assert_false(lt_role_matches("wheel_speed_*", "vehicle_speed"));
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_factor_as_defined),
        cmocka_unit_test(factors_that_nist_sp_811_prints_rounded),
        cmocka_unit_test(factors_from_their_exact_definitions),
        cmocka_unit_test(all_pairs_there_and_back),
        cmocka_unit_test(lambda_from_air_fuel_ratio),
        cmocka_unit_test(usual_spellings),
        cmocka_unit_test(obd_parameters_of_sae_j1979),
        cmocka_unit_test(the_table_is_sound),
        cmocka_unit_test(states_have_labels),
        cmocka_unit_test(wheel_speeds_are_a_family),
        cmocka_unit_test(a_family_asks_for_its_members),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
