/* Figures and sentences for people: rounding, zeros at the end, words at the edge. */
#include "unit.h"

#include <math.h>

#include "loomtap/report/figures.h"

static void fixed_is(double value, unsigned decimals, const char *wanted)
{
    char text[LT_FIGURE_ROOM];
    assert_int_equal(lt_figure_fixed(text, value, decimals), strlen(wanted));
    assert_string_equal(text, wanted);
}

static void digits_are(double value, unsigned digits, const char *wanted)
{
    char text[LT_FIGURE_ROOM];
    assert_int_equal(lt_figure_digits(text, value, digits), strlen(wanted));
    assert_string_equal(text, wanted);
}

static void fixed_decimals_or_a_dash(void **state)
{
    (void)state;
    fixed_is(1.005, 1, "1.0");
    fixed_is(-0.05, 2, "-0.05");
    fixed_is(12, 0, "12");
    fixed_is(NAN, 2, "-");
    fixed_is(INFINITY, 0, "-");
    fixed_is(1e300, 3, "-");
}

static void digits_that_count(void **state)
{
    (void)state;
    digits_are(0.25, 9, "0.25");
    digits_are(0.15000000000000002, 9, "0.15");
    digits_are(1.0 / 3, 5, "0.33333");
    digits_are(1234.5678, 3, "1235");
    digits_are(100, 2, "100"); /* zeros before the point stay */
    digits_are(0.000123456, 3, "0.000123");
    digits_are(-0.0002687693, 5, "-0.00026877");
    digits_are(0, 4, "0");
    digits_are(NAN, 4, "-");
}

static void times_have_three_digits(void **state)
{
    static const struct {
        int64_t ns;
        const char *wanted;
    } rows[] = {{10000000, "10 ms"},    {1250000000, "1.25 s"}, {83333, "83.3 us"},
                {-20000000, "-20 ms"},  {999999, "1 ms"},       {123456789, "123 ms"},
                {100000000000, "100 s"}};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        char text[LT_TIME_ROOM];
        lt_figure_time(text, rows[i].ns);
        assert_string_equal(text, rows[i].wanted);
    }
}

static void not_quite_all_is_not_all(void **state)
{
    char text[LT_FIGURE_ROOM];
    (void)state;
    lt_figure_percent(text, 0.999);
    assert_string_equal(text, ">99 %");
    lt_figure_percent(text, 0.994);
    assert_string_equal(text, "99 %");
    lt_figure_percent(text, 0);
    assert_string_equal(text, "0 %");
}

static void lines_break_between_words(void **state)
{
    static struct lt_sink sink;
    struct lt_buf out;
    (void)state;
    lt_buf_init(&out, 0);
    lt_sink_init_buf(&sink, &out);
    lt_put_wrapped(&sink, 2, 12, "one two three fourteenletters x");
    lt_put_wrapped(&sink, 2, 12, "");
    lt_sink_flush(&sink);
    assert_string_equal(out.at, "  one two\n  three\n  fourteenletters\n  x\n");
    lt_buf_release(&out);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(fixed_decimals_or_a_dash),  cmocka_unit_test(digits_that_count),
        cmocka_unit_test(times_have_three_digits),   cmocka_unit_test(not_quite_all_is_not_all),
        cmocka_unit_test(lines_break_between_words),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
