/* A logger's column as a reference: forms that loggers write, and faults told with their place. */
#include "unit.h"

#include <math.h>

#include "loomtap/seek/reference.h"

#define S_NS INT64_C(1000000000)

struct read {
    struct lt_arena arena;
    struct lt_reference reference;
    struct lt_error error;
    uint64_t skipped;
    enum lt_code code;
};

static struct read parse(const char *text, const struct lt_csv_reference_options *options)
{
    struct read got = {.skipped = 99};
    lt_arena_init(&got.arena, 0);
    got.code = lt_reference_parse_csv("drive.csv", lt_text_of(text), options, &got.arena,
                                      &got.reference, &got.skipped, &got.error);
    return got;
}

static struct read parse_good(const char *text, const struct lt_csv_reference_options *options)
{
    struct read got = parse(text, options);
    if (got.code != LT_OK)
        print_message("%s: %s\n", text, got.error.text);
    assert_int_equal(got.code, LT_OK);
    assert_true(got.reference.count > 0);
    return got;
}

static void expect_rows(const char *text, const struct lt_csv_reference_options *options,
                        const int64_t *time_ns, const double *value, size_t count)
{
    struct read got = parse_good(text, options);
    assert_int_equal(got.reference.count, count);
    for (size_t i = 0; i < count; i++) {
        assert_int_equal(got.reference.time_ns[i], time_ns[i]);
        assert_true(fabs(got.reference.value[i] - value[i]) < 1e-9);
    }
    lt_arena_release(&got.arena);
}

static void every_way_to_write_the_same_rows(void **state)
{
    (void)state;
    static const int64_t time_ns[] = {S_NS / 2, 3 * S_NS / 2, 5 * S_NS / 2};
    static const double value[] = {800.5, 1234.25, 3000};
    static const char *const texts[] = {
        "time_s,engine_speed\n0.5,800.5\n1.5,1234.25\n2.5,3000\n",
        "time_s;engine_speed\r\n0,5;800,5\r\n1,5;1234,25\r\n2,5;3000\r\n",
        "\xEF\xBB\xBFtime_ms\tengine_speed\n500\t800.5\n1500\t1234.25\n2500\t3000\n",
        "Time [ms],engine_speed\n500,800.5\n1500,1234.25\n2500,3000",
        "\"time(s)\",\"engine_speed\"\n\"0.5\",\"800.5\"\n\"1.5\",1234.25\n\"2.5\",\"3,000\"\n",
        "# a logger\nDevice: 7\n\nTime;engine_speed\ns;rpm\n0,5;800,5\n1,5;1.234,25\n2,5;3000\n",
        "engine_speed,time_s\n800.5,0.5\n1234.25,1.5\n3000,2.5\n",
        "time_s,engine_speed\n1.5,1234.25\n0.5,800.5\n2.5,3000\n",
        "timestamp_us,engine_speed\n500000,800.5\n1500000,1234.25\n2500000,3000\n",
    };
    for (size_t i = 0; i < COUNT_OF(texts); i++)
        expect_rows(texts[i], NULL, time_ns, value, 3);
}

static void dates_and_times_of_day(void **state)
{
    (void)state;
    /* 2001-09-09 01:46:40 UTC is second 1,000,000,000 (POSIX, "Seconds Since the Epoch"). */
    static const int64_t time_ns[] = {1000000000 * S_NS, 1000000001 * S_NS + S_NS / 2};
    static const double value[] = {1, 2};
    static const char *const texts[] = {
        "time,v\n2001-09-09T01:46:40Z,1\n2001-09-09T01:46:41.5Z,2\n",
        "time,v\n2001-09-09 03:46:40+02:00,1\n2001-09-09 03:46:41.500+0200,2\n",
        "Datum;v\n9.9.2001 01:46:40;1\n09.09.2001 01:46:41,5;2\n",
        "date,time,v\n2001-09-09,01:46:40,1\n2001-09-09,01:46:41.5,2\n",
        "time,v\n1000000000000,1\n1000000001500,2\n",
    };
    for (size_t i = 0; i < COUNT_OF(texts); i++)
        expect_rows(texts[i], NULL, time_ns, value, 2);
    static const int64_t midnight_ns[] = {86399 * S_NS, 86401 * S_NS};
    expect_rows("time,v\n23:59:59,1\n00:00:01,2\n", NULL, midnight_ns, value, 2);
}

static void a_unit_not_said_is_told_by_the_span_of_the_capture(void **state)
{
    (void)state;
    struct lt_csv_reference_options capture = {.capture_first_ns = 0,
                                               .capture_last_ns = 100 * S_NS};
    static const int64_t seconds_ns[] = {0, 90 * S_NS};
    static const double value[] = {1, 2};
    expect_rows("time,v\n0,1\n90,2\n", &capture, seconds_ns, value, 2);
    expect_rows("time,v\n0,1\n90000,2\n", &capture, seconds_ns, value, 2);
}

static void names_units_and_steps(void **state)
{
    (void)state;
    struct read got = parse_good("time_s,Speed (mph)\n0,10\n1,20\n2,30\n", NULL);
    assert_string_equal(got.reference.target, "vehicle_speed");
    assert_string_equal(got.reference.unit, "km/h");
    assert_string_equal(got.reference.name, "drive.csv km/h");
    assert_true(fabs(got.reference.value[0] - 16.09344) < 1e-9); /* a mile is 1609.344 m */
    assert_true(fabs(got.reference.quantum - 16.09344) < 1e-6);
    assert_int_equal(got.reference.from, LT_FROM_CSV);
    lt_arena_release(&got.arena);

    struct lt_csv_reference_options boost = {.column = "boost", .target = "boost"};
    got = parse_good("time_s,boost [bar],other\n0,1.25,3\n1,1.5,3\n2,1.75,3\n3,2.5,3\n", &boost);
    assert_string_equal(got.reference.target, "boost");
    assert_string_equal(got.reference.unit, "bar");
    assert_null(got.reference.role);
    assert_string_equal(got.reference.name, "drive.csv boost bar");
    assert_true(fabs(got.reference.quantum - 0.25) < 1e-12);
    lt_arena_release(&got.arena);
}

static void faulty_rows_are_counted_with_the_first_place(void **state)
{
    (void)state;
    struct read got = parse_good("time_s,lambda\n0,1.0\n1,\n2,nan\nx,1\n3,1.1\n4,oops\n5\n", NULL);
    assert_int_equal(got.reference.count, 2);
    assert_int_equal(got.skipped, 5);
    assert_int_equal(got.error.line, 3);
    assert_int_equal(got.error.severity, LT_SEVERITY_NOTE);
    assert_string_equal(got.error.source, "drive.csv");
    lt_arena_release(&got.arena);
}

static void what_cannot_be_told_is_an_error_with_place_and_advice(void **state)
{
    (void)state;
    static const struct {
        const char *text, *says;
        uint64_t line;
    } wrong[] = {
        {"", "empty", 0},
        {"\n\n", "empty", 0},
        {"0.1,5\n0.2,6\n", "no header line", 1},
        {"a,b\n1,2\n", "no time column", 1},
        {"time_s\n1\n", "no time column", 1},
        {"time_s,a,b\n1,2,3\n", "several columns", 1},
        {"time_s,\n1,2\n", "no column beside", 1},
        {"time_s,a\n", "no time in any row", 1},
        {"time_s,a\nx,1\ny,2\n", "is no time", 2},
        {"time,a\n05/01/2024 12:00:00,1\n", "is no time", 2},
        {"time_s,a\n1,x\n2,y\n", "no row", 2},
        {"time_s,a\n0,5,1,5\n", "decimal commas", 2},
        {"time_s,engine_speed [bar]\n1,2\n2,3\n", "no unit of engine speed", 1},
        {"\xFF\xFEt\0i\0", "UTF-16", 1},
    };
    for (size_t i = 0; i < COUNT_OF(wrong); i++) {
        struct read got = parse(wrong[i].text, NULL);
        if (got.code == LT_OK || !strstr(got.error.text, wrong[i].says) ||
            got.error.line != wrong[i].line)
            print_message("%s: %d %s at %d\n", wrong[i].text, got.code, got.error.text,
                          (int)got.error.line);
        assert_int_not_equal(got.code, LT_OK);
        assert_non_null(strstr(got.error.text, wrong[i].says));
        assert_int_equal(got.error.line, wrong[i].line);
        assert_string_equal(got.error.source, "drive.csv");
        assert_true(got.error.advice[0] != '\0');
        assert_int_equal(got.skipped, 99); /* results stay untouched */
        lt_arena_release(&got.arena);
    }
    struct lt_csv_reference_options absent = {.column = "speed"};
    struct read got = parse("time_s,a\n1,2\n", &absent);
    assert_int_equal(got.code, LT_E_MISSING);
    assert_non_null(strstr(got.error.text, "speed"));
    assert_non_null(strstr(got.error.advice, "`a`"));
    lt_arena_release(&got.arena);
}

static void clocks_are_compared_with_the_capture(void **state)
{
    (void)state;
    int64_t start_ns = 1000000000 * S_NS;
    struct lt_csv_reference_options capture = {.capture_first_ns = start_ns,
                                               .capture_last_ns = start_ns + 100 * S_NS};
    struct read got = parse_good("time_s,v\n1000000010,1\n1000000090,2\n", &capture);
    assert_false(got.reference.clock_unknown);
    assert_true(got.reference.clock_low_ns < 0 && got.reference.clock_high_ns > 0);
    assert_true(got.reference.lag_low_ns < 0 && got.reference.lag_high_ns > 0);
    lt_arena_release(&got.arena);

    got = parse_good("time_s,v\n0,1\n80,2\n", &capture);
    assert_true(got.reference.clock_unknown);
    /* The true offset of a logger that began 10 s into the capture is inside. */
    assert_true(got.reference.clock_low_ns <= -(start_ns + 10 * S_NS));
    assert_true(got.reference.clock_high_ns >= -(start_ns + 10 * S_NS));
    lt_arena_release(&got.arena);

    /* The place's own time, two hours ahead of UTC: brought over by whole quarters of an hour. */
    got = parse_good("time,v\n2001-09-09 03:46:50,1\n2001-09-09 03:48:00,2\n", &capture);
    assert_int_equal(got.reference.time_ns[0], start_ns + 10 * S_NS);
    assert_false(got.reference.clock_unknown);
    lt_arena_release(&got.arena);

    /* Between a capture's last possible time and such a one no difference can be counted. */
    capture = (struct lt_csv_reference_options){.capture_first_ns = INT64_MAX - 100 * S_NS,
                                                .capture_last_ns = INT64_MAX};
    got = parse_good("time_s,v\n-3000000000,1\n-2999999990,2\n", &capture);
    assert_true(got.reference.clock_unknown);
    assert_true(got.reference.clock_low_ns == 0 && got.reference.clock_high_ns == 0);
    lt_arena_release(&got.arena);
}

static void a_reference_can_be_moved(void **state)
{
    (void)state;
    struct read got = parse_good("time_s,v\n1,1\n2,2\n", NULL);
    struct lt_reference moved;
    assert_int_equal(lt_reference_move(&got.reference, -S_NS, &got.arena, &moved, NULL), LT_OK);
    assert_int_equal(moved.time_ns[0], 0);
    assert_int_equal(moved.time_ns[1], S_NS);
    assert_ptr_equal(moved.value, got.reference.value);
    assert_int_equal(got.reference.time_ns[0], S_NS);
    assert_int_equal(lt_reference_move(&got.reference, INT64_MAX, &got.arena, &moved, NULL),
                     LT_E_RANGE);
    lt_arena_release(&got.arena);
}

static void memory_that_runs_out_is_an_error(void **state)
{
    (void)state;
    for (uint64_t n = 1; n < 100; n++) {
        struct lt_arena arena;
        struct lt_reference reference;
        uint64_t skipped;
        lt_arena_init(&arena, 0);
        arena.fail_countdown = n;
        enum lt_code code = lt_reference_parse_csv("x.csv", LT_TEXT("time_s,v [bar]\n1,2\n2,3\n"),
                                                   NULL, &arena, &reference, &skipped, NULL);
        lt_arena_release(&arena);
        if (code == LT_OK) {
            assert_true(n > 3);
            return;
        }
        assert_int_equal(code, LT_E_MEMORY);
    }
    fail();
}

static void a_file_that_is_not_there(void **state)
{
    (void)state;
    struct lt_error error;
    struct lt_reference reference;
    uint64_t skipped;
    assert_int_equal(
        lt_reference_read_csv("/no/such/file.csv", NULL, NULL, &reference, &skipped, &error),
        LT_E_IO);
    assert_non_null(strstr(error.text, "/no/such/file.csv"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_way_to_write_the_same_rows),
        cmocka_unit_test(dates_and_times_of_day),
        cmocka_unit_test(a_unit_not_said_is_told_by_the_span_of_the_capture),
        cmocka_unit_test(names_units_and_steps),
        cmocka_unit_test(faulty_rows_are_counted_with_the_first_place),
        cmocka_unit_test(what_cannot_be_told_is_an_error_with_place_and_advice),
        cmocka_unit_test(clocks_are_compared_with_the_capture),
        cmocka_unit_test(a_reference_can_be_moved),
        cmocka_unit_test(memory_that_runs_out_is_an_error),
        cmocka_unit_test(a_file_that_is_not_there),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
