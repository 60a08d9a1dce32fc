/* Two made-up clocks whose offset, drift and jitter are known, against what is found of them. */
#include "unit.h"

#include <math.h>

#include "folder.h"

#include "loomtap/live/record.h"
#include "loomtap/live/stamps.h"

#define MS INT64_C(1000000)

static struct lt_stamps stamps;
static struct lt_stamps_line line;

/* The adapter counts from its start; the host since 1970, faster by ppm; frames every 10 ms come
 * late_ns and minus late_ns off in turn. */
static void feed(unsigned frames, int64_t offset_ns, double ppm, int64_t late_ns)
{
    for (unsigned i = 0; i < frames; i++) {
        int64_t hardware_ns = 5000 * MS + i * 10 * MS;
        int64_t drift_ns = llround((double)(i * 10 * MS) * ppm / 1e6);
        int64_t jitter_ns = i & 1 ? late_ns : -late_ns;
        lt_stamps_add(&stamps, hardware_ns + offset_ns + drift_ns + jitter_ns, hardware_ns);
    }
}

static int begin(void **state)
{
    (void)state;
    stamps = (struct lt_stamps){0};
    line = (struct lt_stamps_line){.offset_ns = -7};
    return 0;
}

static void offset_drift_and_jitter_are_found(void **state)
{
    (void)state;
    const int64_t since_1970 = INT64_C(1764000000) * 1000 * MS;
    feed(60000, since_1970, 42.5, 20000); /* ten minutes */
    assert_true(lt_stamps_line(&stamps, &line));
    assert_true(llabs(line.offset_ns - since_1970) < 1000);
    assert_true(fabs(line.drift_ppm - 42.5) < 0.01);
    assert_true(fabs(line.jitter_ns - 20000.0) < 100.0);
    assert_true(fabs(line.jitter_99_ns - 20000.0) < 100.0);
    assert_int_equal(stamps.frames, 60000);
    assert_int_equal(stamps.jumps, 0);
}

static void a_slow_host_has_a_negative_drift(void **state)
{
    (void)state;
    feed(1000, -3000 * MS, -120.0, 0);
    assert_true(lt_stamps_line(&stamps, &line));
    assert_true(fabs(line.drift_ppm + 120.0) < 0.01);
    assert_true(line.jitter_ns < 2.0);
    assert_true(llabs(line.offset_ns + 3000 * MS) < 10);
}

/* An hour at 10 ms is 180 times the room: what is kept stays spread over all of it. */
static void what_is_kept_is_spread_over_the_whole_recording(void **state)
{
    (void)state;
    feed(360000, 0, 10.0, 5000);
    assert_true(stamps.kept_count > LT_STAMPS_KEPT / 2 && stamps.kept_count <= LT_STAMPS_KEPT);
    double last = stamps.kept[stamps.kept_count - 1].x, step = stamps.kept[1].x;
    for (size_t i = 0; i < stamps.kept_count; i++)
        assert_true(fabs(stamps.kept[i].x - (double)i * step) < 1e-6);
    assert_true(3600.0 - last <= step);
}

/* 2 % of the frames half a millisecond late. */
static void rare_late_frames_show_in_the_99th_of_a_hundred(void **state)
{
    (void)state;
    for (unsigned i = 0; i < 1000; i++)
        lt_stamps_add(&stamps, i * 10 * MS + (i % 50 == 25 ? 500000 : 0), i * 10 * MS);
    assert_true(lt_stamps_line(&stamps, &line));
    assert_true(line.jitter_99_ns > 400000.0);
    assert_true(line.jitter_ns < 100000.0);
}

static void a_clock_that_is_set_begins_anew(void **state)
{
    (void)state;
    feed(1000, 0, 0.0, 0);
    feed(1000, 90000 * MS, 0.0, 0); /* the adapter's time begins again, and the host's was set */
    assert_int_equal(stamps.jumps, 1);
    assert_int_equal(stamps.frames, 1000);
    assert_true(lt_stamps_line(&stamps, &line));
    assert_int_equal(line.offset_ns, 90000 * MS);
}

static void without_stamps_of_both_there_is_no_line(void **state)
{
    (void)state;
    for (unsigned i = 0; i < 1000; i++) {
        lt_stamps_add(&stamps, i * 10 * MS, LT_NO_TIME);
        lt_stamps_add(&stamps, LT_NO_TIME, i * 10 * MS);
    }
    assert_int_equal(stamps.frames, 0);
    assert_false(lt_stamps_line(&stamps, &line));
    assert_int_equal(line.offset_ns, -7);
}

static void a_moment_is_too_short_for_a_line(void **state)
{
    (void)state;
    feed(99, 0, 0.0, 0);
    assert_false(lt_stamps_line(&stamps, &line));
    begin(state);
    for (unsigned i = 0; i < 15; i++)
        lt_stamps_add(&stamps, i * 1000 * MS, i * 1000 * MS);
    assert_false(lt_stamps_line(&stamps, &line));
}

static void the_sheet_has_it_for_buses_with_stamps_of_their_own(void **state)
{
    (void)state;
    const char *buses[] = {"can0", "can1"};
    const struct lt_can_bus_state states[2] = {{0}, {0}};
    char text[4096] = "";
    feed(1000, 2500, 0.0, 0);
    const struct lt_stamps_report clocks[2] = {lt_stamps_report(&stamps), {0}};
    struct lt_record_sheet sheet = {.program = "test",
                                    .ended_ns = LT_NO_TIME,
                                    .buses = buses,
                                    .states = states,
                                    .clocks = clocks,
                                    .bus_count = 2};
    struct lt_record *record;
    struct lt_record_options options = {0};
    assert_int_equal(lt_record_open(&record, path_of("x.log"), &options, NULL), LT_OK);
    assert_int_equal(lt_record_write_sheet(record, &sheet, false, path_of("x.json"), NULL), LT_OK);
    lt_record_free(record);
    FILE *file = fopen(path_of("x.json"), "r");
    assert_non_null(file);
    text[fread(text, 1, sizeof text - 1, file)] = '\0';
    fclose(file);
    assert_non_null(strstr(text, "\"adapter_clock\":{\"frames\":1000,\"jumps\":0,"
                                 "\"offset_ns\":2500,\"drift_ppm\":0,"));
    assert_non_null(strstr(text, "\"adapter_clock\":null"));
    assert_int_equal(unlink(path_of("x.json")) + unlink(path_of("x.log")), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(offset_drift_and_jitter_are_found, begin),
        cmocka_unit_test_setup(a_slow_host_has_a_negative_drift, begin),
        cmocka_unit_test_setup(what_is_kept_is_spread_over_the_whole_recording, begin),
        cmocka_unit_test_setup(rare_late_frames_show_in_the_99th_of_a_hundred, begin),
        cmocka_unit_test_setup(a_clock_that_is_set_begins_anew, begin),
        cmocka_unit_test_setup(without_stamps_of_both_there_is_no_line, begin),
        cmocka_unit_test_setup(a_moment_is_too_short_for_a_line, begin),
        cmocka_unit_test_setup(the_sheet_has_it_for_buses_with_stamps_of_their_own, begin),
    };
    return cmocka_run_group_tests(tests, make_folder, drop_folder);
}
