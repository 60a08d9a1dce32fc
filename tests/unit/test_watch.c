/* Live values and their last minutes (src/live/watch.c), and the view of them (watch_view.c). */
#include "unit.h"

#include <math.h>
#include <stdio.h>

#include "loomtap/defs/load.h"
#include "loomtap/live/watch.h"
#include "proto_frame.h"

#define S    (1000 * MS)
#define NOON (43200 * S) /* some time */

static const char profile_text[] =
    "[profile]\nformat = 1\nname = small\n"
    "[frame engine]\nid = 0x100\nlength = 4\nperiod_ms = 10\ncounter = 3.3..3.0\n"
    "[signal speed]\nframe = engine\nbits = 0.7..1.0\norder = motorola\nscale = 0.25\nunit = rpm\n"
    "role = engine_speed\nunavailable = 0xFFFF\nmax_age_ms = 100\n"
    "[signal mode]\nframe = engine\nbits = 2.1..2.0\nrole = drive_mode\nvalues = 0 comfort, 1 "
    "sport\n"
    "[frame other]\nid = 0x200\nlength = 1\n"
    "[signal warmth]\nframe = other\nbits = 0.7..0.0\noffset = -40\nunit = °C\n"
    "[parameter asked]\nservice = 0x01\npid = 0x0C\n"
    "[signal speed_asked]\nparameter = asked\nbits = 0.7..1.0\norder = motorola\nscale = 0.25\n"
    "unit = rpm\n";

static struct lt_profile *profile;
static struct lt_watch *watch;
static unsigned values_told;

static void count_value(void *context, const struct lt_message *message,
                        const struct lt_field *field, uint64_t raw)
{
    (void)context;
    (void)message;
    (void)field;
    (void)raw;
    values_told++;
}

static int begin(void **state)
{
    struct lt_faults faults;
    (void)state;
    lt_faults_init(&faults, 0);
    assert_int_equal(lt_profile_load_memory(&profile, "t.ini", lt_text_of(profile_text), &faults),
                     LT_OK);
    lt_faults_release(&faults);
    const struct lt_profile *profiles[] = {profile};
    struct lt_watch_setup setup = {.profiles = profiles, .profile_count = 1, .value = count_value};
    values_told = 0;
    assert_int_equal(lt_watch_new(&watch, &setup, NULL), LT_OK);
    return 0;
}

static int end(void **state)
{
    (void)state;
    lt_watch_free(watch);
    lt_profile_free(profile);
    return 0;
}

static bool feed(const char *text, int64_t time_ns)
{
    struct lt_frame frame = frame_of(text, time_ns);
    return lt_watch_frame(watch, &frame);
}

static size_t row_of(const char *name)
{
    for (size_t i = 0; i < lt_watch_rows(watch); i++)
        if (strcmp(lt_watch_scaler(watch, i)->def->name, name) == 0)
            return i;
    fail();
    return 0;
}

static struct lt_watch_value look(const char *name, int64_t at_ns)
{
    return lt_watch_look(watch, row_of(name), at_ns);
}

static void rows_are_in_groups_and_those_without_role_last(void **state)
{
    (void)state;
    assert_int_equal(lt_watch_rows(watch), 4);
    assert_int_equal(row_of("speed"), 0);
    assert_int_equal(row_of("mode"), 1);
    assert_int_equal(row_of("warmth"), 2);
    assert_int_equal(row_of("speed_asked"), 3);
}

static void a_value_is_awaited_good_and_lost(void **state)
{
    (void)state;
    assert_int_equal(look("speed", NOON).state, LT_WATCH_AWAITED);
    assert_true(feed("100#1AF80001", NOON)); /* 6904 quarters */
    struct lt_watch_value value = look("speed", NOON + 100 * MS);
    assert_int_equal(value.state, LT_WATCH_GOOD);
    assert_int_equal(value.raw, 0x1AF8);
    assert_int_equal(value.age_ns, 100 * MS);
    assert_int_equal(look("speed", NOON + 100 * MS + 1).state, LT_WATCH_LOST);
    assert_int_equal(look("speed", NOON + 100 * MS + 1).raw, 0x1AF8);
    assert_false(feed("300#00", NOON));
    assert_int_equal(values_told, 2);
}

static void a_counter_that_stands_still_makes_suspect(void **state)
{
    (void)state;
    feed("100#00040001", NOON);
    feed("100#00080001", NOON + 10 * MS);
    assert_int_equal(look("speed", NOON + 10 * MS).state, LT_WATCH_SUSPECT);
    feed("100#00080002", NOON + 20 * MS);
    assert_int_equal(look("speed", NOON + 20 * MS).state, LT_WATCH_GOOD);
    feed("100#FFFF0003", NOON + 30 * MS);
    assert_int_equal(look("speed", NOON + 30 * MS).state, LT_WATCH_UNAVAILABLE);
}

static void the_past_is_kept_for_three_minutes(void **state)
{
    char text[32];
    (void)state;
    for (int i = 0; i <= 2000; i++) { /* every 100 ms for 200 s: raw is the number */
        snprintf(text, sizeof text, "100#%04X00%02X", i, i & 15);
        feed(text, NOON + i * 100 * MS);
    }
    assert_int_equal(look("speed", NOON + 200 * S).raw, 2000);
    assert_int_equal(look("speed", NOON + 150 * S).raw, 1500);
    assert_int_equal(look("speed", NOON + 150 * S + 50 * MS).raw, 1500);
    assert_int_equal(look("speed", NOON + 10 * S).state, LT_WATCH_AWAITED); /* 190 s ago */
    assert_true(fabs(look("speed", NOON + 200 * S).rate_hz - 10) < 0.01);
    assert_true(isnan(look("speed", NOON + 150 * S).rate_hz));
}

static void the_worst_of_a_tenth_of_a_second_is_kept(void **state)
{
    (void)state;
    feed("100#00040001", NOON);
    feed("100#00050001", NOON + 10 * MS); /* suspect */
    feed("100#00060002", NOON + 20 * MS);
    feed("100#00070003", NOON + 500 * MS);
    assert_int_equal(look("speed", NOON + 40 * MS).state, LT_WATCH_SUSPECT);
    assert_int_equal(look("speed", NOON + 40 * MS).raw, 6);
}

/* SAE J1979 worked example: 41 0C 1A F8 is 1726 rpm. */
static void diagnostic_answers_are_values_too(void **state)
{
    (void)state;
    assert_true(feed("7E8#04410C1AF8", NOON));
    assert_int_equal(look("speed_asked", NOON).raw, 6904);
    feed("7E9#04410C0000", NOON + MS); /* a second controller is passed over */
    assert_int_equal(look("speed_asked", NOON + MS).raw, 6904);
    assert_int_equal(look("speed_asked", NOON + 5001 * MS).state, LT_WATCH_LOST);
}

/* ---- the view ---- */

static struct lt_watch_line lines[LT_WATCH_HEIGHT_MAX];
static size_t list_lines;

static size_t draw(struct lt_watch_view view)
{
    view.width = view.width ? view.width : 80;
    view.height = view.height ? view.height : 24;
    view.filter = view.filter ? view.filter : "";
    view.title = "small on can0";
    view.is_plain = true;
    return lt_watch_draw(watch, &view, lines, &list_lines);
}

static void a_line_has_value_unit_age_rate_and_the_last_minute(void **state)
{
    char text[32];
    (void)state;
    for (int i = 0; i < 600; i++) {
        snprintf(text, sizeof text, "100#%04X0%d%02X", i < 300 ? 400 : 800, i < 300 ? 0 : 1,
                 i & 15);
        feed(text, NOON + i * 100 * MS);
    }
    assert_int_equal(draw((struct lt_watch_view){.now_ns = NOON + 59912 * MS}), 9);
    assert_int_equal(list_lines, 7);
    assert_memory_equal(lines[1].text, "engine  ", 8);
    assert_int_equal(lines[1].style, LT_WATCH_STYLE_GROUP);
    assert_string_equal(lines[2].text, "speed                       200.00 rpm       12 ms   10/s  "
                                       "__________-##########");
    assert_int_equal(lines[2].style, LT_WATCH_STYLE_GOOD);
    assert_non_null(strstr(lines[4].text, "mode                         sport"));
    assert_non_null(strstr(lines[4].text, "ccccccccccsssssssssss"));
    assert_non_null(strstr(lines[6].text, "warmth                           - °C"));
    assert_int_equal(lines[6].style, LT_WATCH_STYLE_DIM);
}

static void paused_it_shows_the_past(void **state)
{
    (void)state;
    feed("100#00640001", NOON);
    feed("100#00C80002", NOON + S);
    draw((struct lt_watch_view){.now_ns = NOON + S, .is_paused = true, .back_ns = S});
    assert_non_null(strstr(lines[0].text, "paused, 1.0 s back"));
    assert_non_null(strstr(lines[2].text, "25.00 rpm"));
    draw((struct lt_watch_view){.now_ns = NOON + S, .lost = 3, .frames_hz = 99.6});
    assert_non_null(strstr(lines[0].text, "live  100 frames/s, lost 3"));
    assert_non_null(strstr(lines[2].text, "50.00 rpm"));
}

static void rows_are_chosen_by_name_role_and_unit(void **state)
{
    (void)state;
    draw((struct lt_watch_view){.filter = "warm"});
    assert_int_equal(list_lines, 2);
    draw((struct lt_watch_view){.filter = "drive_mode"});
    assert_int_equal(list_lines, 2);
    draw((struct lt_watch_view){.filter = "rpm"});
    assert_int_equal(list_lines, 4);
    draw((struct lt_watch_view){.filter = "nothing"});
    assert_int_equal(list_lines, 0);
}

static void a_small_terminal_scrolls_and_no_line_is_too_wide(void **state)
{
    (void)state;
    for (size_t width = 40; width <= LT_WATCH_WIDTH_MAX; width += 20) {
        assert_int_equal(draw((struct lt_watch_view){.width = width, .height = 5}), 5);
        for (size_t i = 0; i < 5; i++) {
            size_t count = 0;
            for (const char *at = lines[i].text; *at; at++)
                count += ((unsigned char)*at & 0xC0) != 0x80;
            assert_true(count <= width);
        }
    }
    assert_non_null(strstr(lines[4].text, "more"));
    draw((struct lt_watch_view){.height = 5, .first = 4});
    assert_non_null(strstr(lines[1].text, "without role") ? lines[1].text
                                                          : strstr(lines[2].text, "warmth"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
#define T(name) cmocka_unit_test_setup_teardown(name, begin, end)
        T(rows_are_in_groups_and_those_without_role_last),
        T(a_value_is_awaited_good_and_lost),
        T(a_counter_that_stands_still_makes_suspect),
        T(the_past_is_kept_for_three_minutes),
        T(the_worst_of_a_tenth_of_a_second_is_kept),
        T(diagnostic_answers_are_values_too),
        T(a_line_has_value_unit_age_rate_and_the_last_minute),
        T(paused_it_shows_the_past),
        T(rows_are_chosen_by_name_role_and_unit),
        T(a_small_terminal_scrolls_and_no_line_is_too_wide),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
