/* Numbers parse whole or not at all; printing is exact. */
#include "unit.h"

#include <locale.h>
#include <math.h>

#include "loomtap/base/number.h"

static void whole_numbers_or_nothing(void **state)
{
    static const struct {
        const char *text;
        bool good;
        uint64_t value;
    } rows[] = {
        {"0", true, 0},
        {"18446744073709551615", true, UINT64_MAX},
        {"18446744073709551616", false, 0},
        {"0xFFFFFFFFFFFFFFFF", true, UINT64_MAX},
        {"0x1FFFFFFFFFFFFFFFF", false, 0},
        {"0x", false, 0},
        {"", false, 0},
        {" 1", false, 0},
        {"1 ", false, 0},
        {"+1", false, 0},
        {"-1", false, 0},
        {"1.0", false, 0},
        {"12a", false, 0},
        {"0xfF", true, 255},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        uint64_t value = 777;
        assert_int_equal(lt_parse_u64(lt_text_of(rows[i].text), &value), rows[i].good);
        assert_int_equal(value, rows[i].good ? rows[i].value : 777);
    }
}

static void signed_limits(void **state)
{
    int64_t value = 7;
    (void)state;
    assert_true(lt_parse_i64(LT_TEXT("-9223372036854775808"), &value));
    assert_true(value == INT64_MIN);
    assert_true(lt_parse_i64(LT_TEXT("9223372036854775807"), &value));
    assert_true(value == INT64_MAX);
    assert_false(lt_parse_i64(LT_TEXT("9223372036854775808"), &value));
    assert_false(lt_parse_i64(LT_TEXT("--1"), &value));
}

static void ratios_are_exact(void **state)
{
    static const struct {
        const char *text;
        int64_t num, den;
        int decimals;
    } rows[] = {
        {"0.25", 1, 4, 2},       {"1/256", 1, 256, 8}, {"-0.03125", -1, 32, 5},
        {"100/255", 20, 51, -1}, {"1e-3", 1, 1000, 3}, {"2.5e2", 250, 1, 0},
        {"-273", -273, 1, 0},    {"0", 0, 1, 0},       {"0.1/0.3", 1, 3, -1},
        {"1.", 1, 1, 0},         {".5", 1, 2, 1},      {"0.0000000000000000", 0, 1, 0},
        {"+4", 4, 1, 0},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_ratio value = {0, 0};
        assert_true(lt_parse_ratio(lt_text_of(rows[i].text), &value));
        assert_true(value.num == rows[i].num && value.den == rows[i].den);
        assert_int_equal(lt_ratio_decimals(value), rows[i].decimals);
    }
}

static void what_is_no_ratio_is_refused(void **state)
{
    static const char *const rows[] = {
        "",    "-",    ".",   "1/0", "1/",    "/2",   "1e",   "1e+",   "0x10",
        "1,5", "1 /2", "nan", "inf", "1e400", "1/-2", "1..2", "1e-30", "99999999999999999999"};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_ratio value = {3, 4};
        assert_false(lt_parse_ratio(lt_text_of(rows[i]), &value));
        assert_true(value.num == 3 && value.den == 4);
    }
}

static void fixed_decimals(void **state)
{
    static const struct {
        int64_t value;
        unsigned decimals;
        const char *text;
    } rows[] = {{172600, 2, "1726.00"},
                {-5, 2, "-0.05"},
                {0, 3, "0.000"},
                {7, 0, "7"},
                {INT64_MIN, 0, "-9223372036854775808"},
                {10, 1, "1.0"},
                {-10, 1, "-1.0"},
                {5, 18, "0.000000000000000005"}};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        char text[32] = {0};
        text[lt_print_fixed(text, rows[i].value, rows[i].decimals)] = 0;
        assert_string_equal(text, rows[i].text);
    }
}

/* Example 16 of the bit examples: pi as a float is 3.1415927. */
static void shortest_text_reads_back(void **state)
{
    static const struct {
        double value;
        const char *text;
    } rows[] = {{0.1, "0.1"},
                {1.0 / 3, "0.3333333333333333"},
                {1e22, "1e22"},
                {123456.5, "123456.5"},
                {-0.0, "-0"},
                {1e-7, "1e-7"},
                {0.00012, "0.00012"},
                {5e-324, "5e-324"},
                {1e16, "10000000000000000"},
                {NAN, "nan"},
                {-INFINITY, "-inf"},
                {1.7976931348623157e308, "1.7976931348623157e308"}};
    char text[LT_F64_ROOM + 1];
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        text[lt_print_f64(text, rows[i].value)] = 0;
        assert_string_equal(text, rows[i].text);
    }
    text[lt_print_f32(text, 3.14159274f)] = 0;
    assert_string_equal(text, "3.1415927");
}

static void random_doubles_come_back(void **state)
{
    uint64_t x = 88172645463325252u;
    (void)state;
    for (int i = 0; i < 20000; i++) {
        double value, again;
        char text[LT_F64_ROOM];
        x ^= x << 13;
        x ^= x >> 7;
        x ^= x << 17;
        memcpy(&value, &x, sizeof value);
        if (!isfinite(value))
            continue;
        size_t len = lt_print_f64(text, value);
        assert_true(len <= LT_F64_ROOM);
        assert_true(lt_parse_f64((struct lt_text){text, len}, &again));
        assert_memory_equal(&value, &again, sizeof value);
    }
}

static void decimal_comma_of_a_locale_changes_nothing(void **state)
{
    char text[LT_F64_ROOM + 1];
    double value = 0;
    (void)state;
    if (!setlocale(LC_ALL, "de_DE.UTF-8"))
        setlocale(LC_ALL, "");
    text[lt_print_f64(text, 0.5)] = 0;
    assert_string_equal(text, "0.5");
    assert_true(lt_parse_f64(LT_TEXT("0.5"), &value));
    assert_true(value == 0.5);
    setlocale(LC_ALL, "C");
}

static void ratio_text_reads_back(void **state)
{
    static const char *const rows[] = {"0.25", "20/51", "-273.15", "0", "1/3", "1234567.001"};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_ratio value;
        char text[48];
        assert_true(lt_parse_ratio(lt_text_of(rows[i]), &value));
        text[lt_print_ratio(text, value)] = 0;
        assert_string_equal(text, rows[i]);
    }
}

static void arithmetic_that_does_not_fit_is_refused(void **state)
{
    struct lt_ratio out = {1, 2};
    (void)state;
    assert_false(lt_ratio_mul((struct lt_ratio){INT64_MAX, 1}, (struct lt_ratio){2, 1}, &out));
    assert_false(lt_ratio_add((struct lt_ratio){INT64_MAX, 1}, (struct lt_ratio){1, 1}, &out));
    assert_true(out.num == 1 && out.den == 2);
    assert_true(lt_ratio_mul((struct lt_ratio){INT64_MAX, 2}, (struct lt_ratio){2, 1}, &out));
    assert_true(out.num == INT64_MAX && out.den == 1);
    assert_false(lt_ratio_make(1, 0, &out));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(whole_numbers_or_nothing),
        cmocka_unit_test(signed_limits),
        cmocka_unit_test(ratios_are_exact),
        cmocka_unit_test(what_is_no_ratio_is_refused),
        cmocka_unit_test(fixed_decimals),
        cmocka_unit_test(shortest_text_reads_back),
        cmocka_unit_test(random_doubles_come_back),
        cmocka_unit_test(decimal_comma_of_a_locale_changes_nothing),
        cmocka_unit_test(ratio_text_reads_back),
        cmocka_unit_test(arithmetic_that_does_not_fit_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
