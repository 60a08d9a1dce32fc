/* What the inputs of conditions are worth, and until when: timelines worked out by hand from the
 * rules in loomtap/warn/warn.h. */
#include "warn_stage.h"

#define HEAD        "[profile]\nformat = 1\nname = stage\n[bus b]\ninterface = can0\n"
#define FRAME(keys) "[frame f]\nbus = b\nid = 0x100\nlength = 3\n" keys
#define SIGNAL(keys)                                                                               \
    "[signal a]\nframe = f\nbits = 0.7..0.0\nunavailable = 0xFF\nerror = 0xFE\n" keys
#define MISSED "[warning w]\nwhen = missing(a)\nlimp = yes\n"

static void a_value_is_good_at_its_largest_age_and_not_a_nanosecond_later(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, HEAD FRAME("") SIGNAL("max_age_ms = 100\n") MISSED);
    stage_frame(&s, 0, "100#010000");
    stage_frame(&s, 100 * MS, "100#010000");
    stage_frame(&s, 200 * MS + 1, "100#010000"); /* lost, and back at once */
    stage_expect(&s, "200000001 w on condition\n200000001 w off condition\n");
    stage_end(&s);
}

static void without_max_age_the_role_says_then_three_periods_then_never(void **state)
{
    static const struct {
        const char *text;
        int64_t lost_ns; /* 0: never */
    } cases[] = {
        /* src/core/role.c: load, 500 ms; common practice */
        {HEAD FRAME("period_ms = 10\n") SIGNAL("role = load\nunit = %\n") MISSED, 500 * MS + 1},
        {HEAD FRAME("period_ms = 10\n") SIGNAL("") MISSED, 30 * MS + 1},
        {HEAD FRAME("period_ms = 10\n") SIGNAL(
             "page = p 1\n") "[signal p]\nframe = f\nbits = 1.7..1.0\n"
                             "[signal other]\nframe = f\nbits = 2.7..2.0\npage = p 2..4\n" MISSED,
         120 * MS + 1}, /* four pages */
        {HEAD FRAME("") SIGNAL("") MISSED, 0},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        struct stage s;
        char wanted[64] = "";
        stage_begin(&s, cases[i].text);
        stage_frame(&s, 0, "100#010100");
        stage_tick(&s, 3600000 * MS / 8);
        if (cases[i].lost_ns)
            lt_text_format(wanted, sizeof wanted, "%lld w on condition\n",
                           (long long)cases[i].lost_ns);
        stage_expect(&s, wanted);
        stage_end(&s);
    }
}

static void what_never_came_and_does_not_grow_old_is_awaited_for_a_second(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, HEAD FRAME("") SIGNAL("") MISSED);
    stage_frame(&s, 0, "300#00");
    stage_tick(&s, 2000 * MS);
    stage_expect(&s, "1000000001 w on condition\n");
    stage_end(&s);
}

static void codes_lose_it_at_once(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, HEAD FRAME("") SIGNAL("") MISSED);
    stage_frame(&s, 0, "100#010000");
    stage_frame(&s, 10, "100#FF0000");
    assert_int_equal(lt_warn_input(s.warn, 0)->loss, LT_WARN_UNAVAILABLE);
    stage_frame(&s, 20, "100#FE0000");
    assert_int_equal(lt_warn_input(s.warn, 0)->loss, LT_WARN_ERROR);
    stage_frame(&s, 30, "100#020000");
    assert_int_equal(lt_warn_input(s.warn, 0)->loss, LT_WARN_NOT_LOST);
    stage_expect(&s, "10 w on condition\n30 w off condition\n");
    stage_end(&s);
}

/* XOR over bytes 0 and 1 in byte 2; a counter in byte 1. */
static void wrong_checks_and_counters_that_stand_still_lose_it(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, HEAD FRAME("counter = 1.3..1.0\nchecksum = xor over 0..1 in 2\n") SIGNAL("")
                        MISSED "[warning x]\nwhen = suspect(a)\nlimp = yes\n");
    stage_frame(&s, 0, "100#050104");
    stage_frame(&s, 10, "100#050206"); /* 05 ^ 02 is 07 */
    stage_expect(&s, "10 w on condition\n10 x on condition\n");
    stage_frame(&s, 20, "100#050306");
    stage_expect(&s, "20 w off condition\n20 x off condition\n");
    stage_frame(&s, 30, "100#060305"); /* right, but the counter stands */
    assert_int_equal(lt_warn_input(s.warn, 0)->loss, LT_WARN_SUSPECT);
    stage_expect(&s, "30 w on condition\n30 x on condition\n");
    stage_frame(&s, 40, "100#0604"); /* its check is cut off */
    stage_expect(&s, "");
    stage_end(&s);
}

static void hold_keeps_the_last_good_value_from_the_first_loss(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, HEAD FRAME("") SIGNAL("max_age_ms = 100\non_lost = hold 40.5\n") MISSED
                "[warning x]\nwhen = a == 7\nlimp = yes\n");
    stage_frame(&s, 0, "100#070000");
    stage_frame(&s, 10 * MS, "100#FF0000");
    stage_frame(&s, 30 * MS, "100#FE0000"); /* does not begin the time anew */
    stage_tick(&s, 50 * MS);
    assert_int_equal(lt_warn_input(s.warn, 0)->source, LT_WARN_HELD);
    stage_expect(&s, "0 x on condition\n");
    stage_tick(&s, 60 * MS);
    /* x is unknown now, which counts as holding */
    stage_expect(&s, "50500000 w on condition\n");
    stage_frame(&s, 70 * MS, "100#080000");
    stage_expect(&s, "70000000 w off condition\n70000000 x off condition\n");
    /* By age: the hold comes behind it. */
    stage_tick(&s, 300 * MS);
    stage_expect(&s, "210500001 w on condition\n210500001 x on lost\n");
    stage_end(&s);
}

static void nothing_good_came_so_nothing_is_held(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, HEAD FRAME("") SIGNAL("on_lost = hold 40\n") MISSED);
    stage_frame(&s, 0, "100#FF0000");
    stage_expect(&s, "0 w on condition\n");
    stage_end(&s);
}

static void a_value_stands_in_for_what_is_lost(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, HEAD FRAME("") SIGNAL("scale = 0.5\non_lost = value 3.25\nmax_age_ms = 100\n")
                        MISSED "[warning x]\nwhen = a == 3.25\nlimp = yes\n");
    stage_frame(&s, 0, "300#00");
    stage_tick(&s, 110 * MS);
    stage_expect(&s, "100000001 x on condition\n");
    stage_frame(&s, 110 * MS, "100#060000"); /* 3.0 */
    stage_tick(&s, 300 * MS);
    stage_expect(&s, "110000000 x off condition\n210000001 x on condition\n");
    assert_int_equal(lt_warn_input(s.warn, 0)->source, LT_WARN_SUBSTITUTED);
    assert_int_equal(lt_warn_input(s.warn, 0)->loss, LT_WARN_STALE);
    assert_false(lt_warn_input(s.warn, 0)->has_raw); /* no step of 0.5 is 3.25 */
    stage_end(&s);
}

#define MODE                                                                                       \
    "[signal m]\nframe = f\nbits = 1.7..1.0\nrole = drive_mode\nvalues = 0 comfort, 1 sport\n"

static void a_drive_mode_without_a_name_is_no_value(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, HEAD FRAME("") MODE "[warning sport]\nwhen = m == \"sport\"\nlimp = yes\n"
                                        "[warning other]\nwhen = m != \"sport\"\nlimp = yes\n"
                                        "on_lost = ignore\n");
    stage_frame(&s, 0, "100#000100");
    stage_frame(&s, 10, "100#000700");
    stage_expect(&s, "0 sport on condition\n");
    assert_int_equal(lt_warn_input(s.warn, 0)->loss, LT_WARN_NOT_KNOWN);
    stage_frame(&s, 20, "100#000000");
    stage_expect(&s, "20 sport off condition\n20 other on condition\n");
    stage_end(&s);
}

static void an_unknown_drive_mode_can_be_taken_as_another(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, HEAD FRAME("") MODE "on_lost = value comfort\n"
                                        "[warning w]\nwhen = m == \"comfort\"\nlimp = yes\n");
    stage_frame(&s, 0, "100#000100");
    stage_frame(&s, 10, "100#000700");
    stage_frame(&s, 20, "100#000100");
    stage_expect(&s, "10 w on condition\n20 w off condition\n");
    stage_end(&s);
}

static void a_mode_that_changes_too_fast_brings_nothing_on(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, HEAD FRAME("") MODE "[warning w]\nwhen = m == \"sport\"\nlimp = yes\n"
                                        "for_ms = 30\n");
    for (int64_t t = 0; t < 200; t += 20)
        stage_frame(&s, t * MS, t % 40 ? "100#000100" : "100#000000");
    stage_expect(&s, "");
    stage_end(&s);
}

static void age_is_looked_at_to_the_nanosecond(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, STAGE_CAR "[warning above]\nwhen = age(a) > 0.025\nlimp = yes\n"
                              "[warning least]\nwhen = age(a) >= 0.025\nlimp = yes\n"
                              "[warning twice]\nwhen = 2 * age(a) - 0.01 > b\nlimp = yes\n"
                              "[warning until]\nwhen = age(a) < 0.03\nlimp = yes\n"
                              "[warning most]\nwhen = max(age(a), age(c)) > 0.045\nlimp = yes\n");
    stage_frame(&s, 0, "100#0000");
    stage_frame(&s, 0, "200#00");
    stage_tick(&s, 60 * MS);
    stage_expect(&s, "0 until on condition\n"
                     "5000001 twice on condition\n"
                     "25000000 least on condition\n"
                     "25000001 above on condition\n"
                     "30000000 until off condition\n"
                     "45000001 most on condition\n");
    stage_frame(&s, 60 * MS, "100#0000"); /* c stays old */
    stage_expect(&s, "60000000 above off condition\n60000000 least off condition\n"
                     "60000000 twice off condition\n60000000 until on condition\n");
    stage_end(&s);
}

static void age_counts_from_frames_that_are_not_suspect(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, HEAD FRAME("checksum = xor over 0..1 in 2\n")
                        SIGNAL("") "[warning w]\nwhen = age(a) > 0.01\nlimp = yes\n");
    stage_frame(&s, 0, "100#050005");
    stage_frame(&s, 5 * MS, "100#FF00FF");  /* unavailable was received */
    stage_frame(&s, 10 * MS, "100#050006"); /* wrong check: was not */
    stage_tick(&s, 20 * MS);
    stage_expect(&s, "15000001 w on condition\n");
    stage_end(&s);
}

static void rate_wants_two_good_values_of_different_times(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, STAGE_CAR "[warning w]\nwhen = rate(a) > 99.9\nlimp = yes\non_lost = ignore\n"
                              "[warning u]\nwhen = rate(a) < 0\nlimp = yes\n");
    stage_frame(&s, 0, "100#0000");
    /* u is unknown, and nothing is awaited any more */
    stage_expect(&s, "0 u on lost\n");
    stage_frame(&s, 10 * MS, "100#0100"); /* 1 in 10 ms: 100 a second */
    stage_expect(&s, "10000000 w on condition\n10000000 u off lost\n");
    stage_frame(&s, 20 * MS, "100#0100");
    stage_expect(&s, "20000000 w off condition\n");
    stage_frame(&s, 20 * MS, "100#0200"); /* the same time: against 10 ms */
    stage_expect(&s, "20000000 w on condition\n");
    stage_frame(&s, 30 * MS, "100#FF00"); /* lost: unknown, so w stays and u comes */
    stage_expect(&s, "30000000 u on lost\n");
    stage_frame(&s, 40 * MS, "100#0000"); /* one value since the loss */
    stage_expect(&s, "");
    stage_frame(&s, 50 * MS, "100#0000");
    stage_expect(&s, "50000000 w off condition\n50000000 u off lost\n");
    stage_end(&s);
}

static void a_quotient_by_zero_is_unknown(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, STAGE_CAR "[warning w]\nwhen = a / b > 2\nlimp = yes\n"
                              "[warning i]\nwhen = a / b > 2\nlimp = yes\non_lost = ignore\n");
    stage_frame(&s, 0, "100#0501");
    stage_expect(&s, "0 w on condition\n0 i on condition\n");
    stage_frame(&s, 10, "100#0101");
    stage_expect(&s, "10 w off condition\n10 i off condition\n");
    stage_frame(&s, 20, "100#0100");
    stage_expect(&s, "20 w on lost\n");
    stage_end(&s);
}

/* The first sender of a PGN is taken; SAE J1939-21: the source is the lowest byte. */
static void a_second_sender_is_passed_over(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, HEAD "[frame p]\nbus = b\npgn = 65262\nlength = 8\n"
                         "[signal t]\nframe = p\nbits = 0.7..0.0\n"
                         "[warning w]\nwhen = t > 10\nlimp = yes\n");
    stage_frame(&s, 0, "18FEEE00#0500000000000000");
    stage_frame(&s, 10, "18FEEE21#FF00000000000000");
    stage_expect(&s, "");
    stage_frame(&s, 20, "0CFEEE00#0B00000000000000");
    stage_expect(&s, "20 w on condition\n");
    assert_int_equal(lt_warn_counts(s.warn)->other_senders, 1);
    stage_end(&s);
}

/* SAE J1979: service 01 PID 0C is (256 A + B) / 4 rpm; 0x1AF8 is 1726 rpm. */
static void a_diagnostic_answer_is_an_input(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, HEAD "[parameter n]\nservice = 0x01\npid = 0x0C\n"
                         "[signal speed]\nparameter = n\nbits = 0.7..1.0\norder = motorola\n"
                         "scale = 0.25\nunit = rpm\nrole = engine_speed\n"
                         "[warning w]\nwhen = speed >= 1726\nlimp = yes\n");
    stage_frame(&s, 0, "7DF#02010C0000000000");
    stage_frame(&s, 10 * MS, "7E8#04410C1AF8000000");
    stage_expect(&s, "10000000 w on condition\n");
    stage_frame(&s, 20 * MS, "7E8#04410C1AF7000000");
    stage_expect(&s, "20000000 w off condition\n");
    stage_tick(&s, 6000 * MS); /* asked for slowly: 5 s, not the role's age */
    stage_expect(&s, "5020000001 w on lost\n");
    stage_end(&s);
}

static void frames_without_a_time_are_taken_at_the_newest(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, STAGE_CAR "[warning w]\nwhen = a > 10\nlimp = yes\n");
    stage_frame(&s, LT_NO_TIME, "100#0B00"); /* before the first time: left out */
    stage_frame(&s, 5, "300#00");
    stage_expect(&s, "");
    stage_frame(&s, LT_NO_TIME, "100#0B00");
    stage_expect(&s, "5 w on condition\n");
    assert_int_equal(lt_warn_counts(s.warn)->no_time, 2);
    stage_end(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_value_is_good_at_its_largest_age_and_not_a_nanosecond_later),
        cmocka_unit_test(without_max_age_the_role_says_then_three_periods_then_never),
        cmocka_unit_test(what_never_came_and_does_not_grow_old_is_awaited_for_a_second),
        cmocka_unit_test(codes_lose_it_at_once),
        cmocka_unit_test(wrong_checks_and_counters_that_stand_still_lose_it),
        cmocka_unit_test(hold_keeps_the_last_good_value_from_the_first_loss),
        cmocka_unit_test(nothing_good_came_so_nothing_is_held),
        cmocka_unit_test(a_value_stands_in_for_what_is_lost),
        cmocka_unit_test(a_drive_mode_without_a_name_is_no_value),
        cmocka_unit_test(an_unknown_drive_mode_can_be_taken_as_another),
        cmocka_unit_test(a_mode_that_changes_too_fast_brings_nothing_on),
        cmocka_unit_test(age_is_looked_at_to_the_nanosecond),
        cmocka_unit_test(age_counts_from_frames_that_are_not_suspect),
        cmocka_unit_test(rate_wants_two_good_values_of_different_times),
        cmocka_unit_test(a_quotient_by_zero_is_unknown),
        cmocka_unit_test(a_second_sender_is_passed_over),
        cmocka_unit_test(a_diagnostic_answer_is_an_input),
        cmocka_unit_test(frames_without_a_time_are_taken_at_the_newest),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
