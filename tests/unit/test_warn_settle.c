/* When warnings come on and go off: timelines worked out by hand from the rules in
 * loomtap/warn/warn.h, to the nanosecond. */
#include "warn_stage.h"

#define WARNING(keys) STAGE_CAR "[warning w]\nlimp = yes\n" keys

static void on_when_it_has_held_off_when_it_has_been_long_enough(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, WARNING("when = a > 10\nfor_ms = 30\nhold_ms = 50\n"));
    stage_frame(&s, 0, "100#0B00");
    stage_tick(&s, 30 * MS - 1);
    stage_expect(&s, "");
    /* The next frame is far behind: it comes on at its own time. */
    stage_frame(&s, 40 * MS, "100#0A00");
    stage_expect(&s, "30000000 w on condition\n");
    stage_tick(&s, 80 * MS - 1);
    stage_expect(&s, "");
    stage_tick(&s, 90 * MS);
    stage_expect(&s, "80000000 w off condition\n");
    stage_end(&s);
}

static void what_is_due_comes_before_the_frames_of_its_instant(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, WARNING("when = a > 10\nfor_ms = 30\n"));
    stage_frame(&s, 0, "100#0B00");
    /* It held from 0 up to 30 ms. */
    stage_frame(&s, 30 * MS, "100#0A00");
    stage_expect(&s, "30000000 w on condition\n30000000 w off condition\n");
    stage_end(&s);
}

static void a_break_begins_the_time_anew(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, WARNING("when = a > 10\nfor_ms = 30\n"));
    stage_frame(&s, 0, "100#0B00");
    stage_frame(&s, 30 * MS - 1, "100#0A00");
    stage_frame(&s, 30 * MS, "100#0B00");
    stage_tick(&s, 60 * MS - 1);
    stage_expect(&s, "");
    stage_tick(&s, 60 * MS);
    stage_expect(&s, "60000000 w on condition\n");
    stage_end(&s);
}

static void until_leaves_a_gap_between_on_and_off(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, WARNING("when = a > 10\nuntil = a < 5\n"));
    stage_frame(&s, 0, "100#0B00");
    stage_frame(&s, 10 * MS, "100#0500");
    stage_frame(&s, 20 * MS, "100#0A00");
    stage_expect(&s, "0 w on condition\n");
    stage_frame(&s, 30 * MS, "100#0400");
    stage_frame(&s, 40 * MS, "100#0A00");
    stage_expect(&s, "30000000 w off condition\n");
    stage_end(&s);
}

static void it_never_ends_while_it_holds(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, WARNING("when = a > 10\nuntil = a < 20\n"));
    stage_frame(&s, 0, "100#0F00"); /* both are true */
    stage_tick(&s, 50 * MS);
    stage_expect(&s, "0 w on condition\n");
    stage_frame(&s, 60 * MS, "100#0A00");
    stage_expect(&s, "60000000 w off condition\n");
    stage_end(&s);
}

static void an_until_that_comes_late_latches(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, WARNING("when = a > 10\nuntil = b == 1\n"));
    stage_frame(&s, 0, "100#0B00");
    for (int64_t t = 10; t < 1000; t += 10)
        stage_frame(&s, t * MS, "100#0000");
    stage_expect(&s, "0 w on condition\n");
    stage_frame(&s, 1000 * MS, "100#0001");
    stage_expect(&s, "1000000000 w off condition\n");
    stage_end(&s);
}

static void a_lost_input_warns_for_as_long_as_it_is_lost(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, WARNING("when = a > 10\nfor_ms = 30\nuntil = a < 5\n"));
    stage_frame(&s, 0, "100#0700");
    /* Too old from 100 ms + 1 ns on, held for 30 ms. */
    stage_tick(&s, 130 * MS);
    stage_expect(&s, "");
    stage_frame(&s, 200 * MS, "100#0700");
    /* The inputs are back and `when` is false: no need for `until`. */
    stage_expect(&s, "130000001 w on lost\n200000000 w off lost\n");
    stage_end(&s);
}

static void a_loss_that_becomes_true_is_a_condition(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, WARNING("when = a > 10\nuntil = a < 5\n"));
    stage_frame(&s, 0, "100#0700");
    stage_frame(&s, 150 * MS, "100#0B00");
    stage_frame(&s, 160 * MS, "100#0700"); /* between: it stays on now */
    stage_expect(&s, "100000001 w on lost\n");
    stage_frame(&s, 170 * MS, "100#0400");
    stage_expect(&s, "170000000 w off condition\n");
    stage_end(&s);
}

static void ignored_losses_neither_bring_it_on_nor_end_it(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, WARNING("when = a > 10\nfor_ms = 30\non_lost = ignore\n"));
    stage_frame(&s, 0, "100#0700");
    stage_tick(&s, 300 * MS);
    stage_expect(&s, "");
    stage_frame(&s, 300 * MS, "100#0B00");
    stage_frame(&s, 320 * MS, "100#FF00"); /* unavailable breaks the time */
    stage_frame(&s, 340 * MS, "100#0B00");
    stage_tick(&s, 370 * MS);
    stage_expect(&s, "370000000 w on condition\n");
    stage_tick(&s, 900 * MS); /* lost at 440 ms + 1 ns */
    stage_expect(&s, "");
    stage_frame(&s, 900 * MS, "100#0700");
    stage_expect(&s, "900000000 w off condition\n");
    stage_end(&s);
}

static void what_never_came_is_missed_after_its_largest_age(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, WARNING("when = a > 10\n"));
    stage_frame(&s, 5, "300#00"); /* another frame begins the time */
    stage_tick(&s, 100 * MS + 5);
    stage_expect(&s, "");
    stage_tick(&s, 200 * MS);
    stage_expect(&s, "100000006 w on lost\n");
    stage_end(&s);
}

static void what_is_known_decides_beside_what_is_lost(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, STAGE_CAR "[warning both]\nlimp = yes\nwhen = a > 10 and c > 10\n"
                              "[warning either]\nlimp = yes\nwhen = a > 10 or c > 10\n"
                              "[warning not]\nlimp = yes\nwhen = not (a > 10 and c > 10)\n");
    stage_frame(&s, 0, "100#0000");
    stage_frame(&s, 0, "200#00");
    stage_expect(&s, "0 not on condition\n");
    stage_frame(&s, 90 * MS, "100#0000");
    stage_tick(&s, 101 * MS); /* c is lost, a is 0 */
    stage_expect(&s, "100000001 either on lost\n");
    stage_frame(&s, 110 * MS, "100#0B00"); /* c is lost, a is 11 */
    stage_expect(&s, "110000000 both on lost\n");
    stage_end(&s);
}

static void limp_is_read_at_the_instant_at_which_it_changes(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, STAGE_CAR "[warning first]\nwhen = limp\nfor_ms = 20\nsend = out lamp=1\n"
                              "[warning second]\nwhen = a > 10\nlimp = yes\n"
                              "[warning third]\nwhen = not limp and a > 5\nsend = out lamp=2\n");
    stage_frame(&s, 0, "100#0700");
    stage_expect(&s, "0 third on condition\n0 send 6A0#0200\n");
    assert_false(lt_warn_limp(s.warn));
    stage_frame(&s, 10 * MS, "100#0B00");
    assert_true(lt_warn_limp(s.warn));
    stage_expect(&s, "10000000 second on condition\n10000000 third off condition\n");
    stage_tick(&s, 30 * MS);
    stage_expect(&s, "30000000 first on condition\n30000000 send 6A0#0101\n");
    stage_end(&s);
}

static void a_warning_that_undoes_itself_changes_once_an_instant(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, STAGE_CAR "[warning w]\nlimp = yes\nwhen = not limp and a > 10\n");
    stage_frame(&s, 0, "100#0B00");
    stage_tick(&s, 5 * MS); /* a tick is no instant at which something is due */
    stage_expect(&s, "0 w on condition\n");
    stage_frame(&s, 10 * MS, "100#0B00");
    stage_frame(&s, 20 * MS, "100#0B00");
    stage_expect(&s, "10000000 w off condition\n20000000 w on condition\n");
    stage_end(&s);
}

static void a_step_back_or_a_long_pause_begins_anew(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, WARNING("when = a > 10\non_lost = ignore\nsend = out lamp=1\n"));
    stage_frame(&s, 5000 * MS, "100#0B00");
    stage_frame(&s, 4500 * MS, "100#0B00"); /* half a second back: taken at the newest time */
    stage_expect(&s, "5000000000 w on condition\n5000000000 send 6A0#0100\n");
    stage_frame(&s, 3999 * MS, "100#0000");
    /* No all-clear: it did not end by its condition. */
    stage_expect(&s, "5000000000 w off lost\n");
    stage_frame(&s, 4010 * MS, "100#0B00");
    stage_expect(&s, "4010000000 w on condition\n4010000000 send 6A0#0101\n");
    stage_frame(&s, 4020 * MS, "100#0000");
    stage_expect(&s, "4020000000 w off condition\n");
    assert_int_equal(lt_warn_counts(s.warn)->restarts, 1);
    /* Ticks go no further than a pause, and make it no shorter. */
    stage_tick(&s, 4020 * MS + LT_WARN_PAUSE_NS + 5000 * MS);
    assert_int_equal(lt_warn_counts(s.warn)->restarts, 1);
    stage_frame(&s, 4020 * MS + LT_WARN_PAUSE_NS + 1, "300#00");
    assert_int_equal(lt_warn_counts(s.warn)->restarts, 2);
    assert_int_equal(lt_warn_counts(s.warn)->backward, 2);
    stage_end(&s);
}

static uint32_t next_random(uint32_t *state)
{
    *state = *state * 1664525u + 1013904223u;
    return *state >> 16;
}

/* The same frames, with ticks of a random grain between. */
static void play(struct stage *stage, uint32_t seed, uint32_t grain_us)
{
    int64_t now = 0;
    for (unsigned i = 0; i < 400; i++) {
        char text[24];
        int64_t before = now;
        now += (int64_t)(next_random(&seed) % 60000) * 1000 + next_random(&seed) % 7;
        unsigned a = next_random(&seed) % 16, b = next_random(&seed) % 16;
        for (int64_t t = before; i && grain_us && t < now; t += (int64_t)grain_us * 1000)
            stage_tick(stage, t);
        lt_text_format(text, sizeof text, i % 5 == 4 ? "200#%02X" : "100#%02X%02X",
                       a == 15 ? 0xFF : a, b);
        stage_frame(stage, now, text);
    }
    stage_tick(stage, now + 300 * MS);
}

static void ticks_change_nothing(void **state)
{
    static const char text[] = STAGE_CAR
        "[warning w]\nlimp = yes\nwhen = a > 10\nfor_ms = 30\nhold_ms = 50\nuntil = b < 8\n"
        "send = out lamp=1\n"
        "[warning old]\nwhen = age(a) > 0.04 or age(c) * 2 > 0.3\nsend = out lamp=2\npriority = 3\n"
        "[warning fast]\nwhen = rate(a) > 100 and limp\non_lost = ignore\nsend = out buzzer=1\n";
    (void)state;
    for (uint32_t seed = 1; seed < 20; seed++) {
        struct stage without, with;
        stage_begin(&without, text);
        stage_begin(&with, text);
        play(&without, seed, 0);
        play(&with, seed, 100 + seed * 977 % 5000);
        assert_true(without.log.len > 1000);
        assert_string_equal(without.log.at, with.log.at);
        stage_end(&without);
        stage_end(&with);
    }
}

static void the_next_due_time_is_never_too_late(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, WARNING("when = a > 10\nfor_ms = 30\n"));
    assert_int_equal(lt_warn_next_ns(s.warn), INT64_MAX);
    stage_frame(&s, 0, "100#0B00");
    assert_true(lt_warn_next_ns(s.warn) <= 30 * MS);
    stage_end(&s);
}

static void ages_that_are_multiplied_are_refused(void **state)
{
    static const char *const bad[] = {"age(a) * age(b) > 1", "1 / age(a) < 20",
                                      "a * (1 + age(a)) * age(b) > 3"};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(bad); i++) {
        char text[2000];
        struct lt_warn *warn = NULL;
        struct lt_error error;
        const struct lt_warn_sink sink = {0};
        lt_text_format(text, sizeof text, WARNING("when = %s\n"), bad[i]);
        struct lt_profile *profile = stage_profile(text);
        assert_int_equal(lt_warn_new(&warn, profile, NULL, 0, &sink, &error), LT_E_CONFLICT);
        assert_null(warn);
        assert_non_null(strstr(error.text, "warning w: when"));
        lt_profile_free(profile);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(on_when_it_has_held_off_when_it_has_been_long_enough),
        cmocka_unit_test(what_is_due_comes_before_the_frames_of_its_instant),
        cmocka_unit_test(a_break_begins_the_time_anew),
        cmocka_unit_test(until_leaves_a_gap_between_on_and_off),
        cmocka_unit_test(it_never_ends_while_it_holds),
        cmocka_unit_test(an_until_that_comes_late_latches),
        cmocka_unit_test(a_lost_input_warns_for_as_long_as_it_is_lost),
        cmocka_unit_test(a_loss_that_becomes_true_is_a_condition),
        cmocka_unit_test(ignored_losses_neither_bring_it_on_nor_end_it),
        cmocka_unit_test(what_never_came_is_missed_after_its_largest_age),
        cmocka_unit_test(what_is_known_decides_beside_what_is_lost),
        cmocka_unit_test(limp_is_read_at_the_instant_at_which_it_changes),
        cmocka_unit_test(a_warning_that_undoes_itself_changes_once_an_instant),
        cmocka_unit_test(a_step_back_or_a_long_pause_begins_anew),
        cmocka_unit_test(ticks_change_nothing),
        cmocka_unit_test(the_next_due_time_is_never_too_late),
        cmocka_unit_test(ages_that_are_multiplied_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
