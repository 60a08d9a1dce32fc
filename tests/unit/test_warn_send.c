/* The frames that warnings put on the bus: timelines worked out by hand from the rules in
 * loomtap/warn/warn.h. In the frame of the stage byte 0 holds lamp (3..0) and buzzer (7), byte 1
 * the counter; its period is 20 ms. */
#include <malloc.h>

#include "warn_stage.h"

static void a_frame_each_period_with_its_counter_while_it_holds(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, STAGE_CAR "[warning w]\nwhen = a > 10\nsend = out lamp=3\n");
    stage_frame(&s, 5 * MS, "100#0B00");
    stage_tick(&s, 45 * MS - 1);
    stage_frame(&s, 50 * MS, "100#0000");
    stage_tick(&s, 500 * MS);
    /* They end with the warning: it is no end of the run. Later the input is lost. */
    stage_expect(&s, "5000000 w on condition\n"
                     "5000000 send 6A0#0300\n"
                     "25000000 send 6A0#0301\n"
                     "45000000 send 6A0#0302\n"
                     "50000000 w off condition\n"
                     "150000001 w on lost\n"
                     "150000001 send 6A0#0303\n"
                     "170000001 send 6A0#0304\n"
                     "190000001 send 6A0#0305\n"
                     "210000001 send 6A0#0306\n"
                     "230000001 send 6A0#0307\n"
                     "250000001 send 6A0#0308\n"
                     "270000001 send 6A0#0309\n"
                     "290000001 send 6A0#030A\n"
                     "310000001 send 6A0#030B\n"
                     "330000001 send 6A0#030C\n"
                     "350000001 send 6A0#030D\n"
                     "370000001 send 6A0#030E\n"
                     "390000001 send 6A0#030F\n"
                     "410000001 send 6A0#0300\n"
                     "430000001 send 6A0#0301\n"
                     "450000001 send 6A0#0302\n"
                     "470000001 send 6A0#0303\n"
                     "490000001 send 6A0#0304\n");
    stage_frame(&s, 505 * MS, "100#0000");
    stage_tick(&s, 600 * MS);
    stage_expect(&s, "505000000 w off lost\n"); /* no all-clear after a loss */
    stage_end(&s);
}

static void several_share_a_frame_and_the_most_urgent_wins(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s,
                STAGE_CAR "[warning low]\nwhen = a > 10\nsend = out lamp=1 buzzer=1\npriority = 5\n"
                          "[warning high]\nwhen = a > 20\nsend = out lamp=2\npriority = 1\n"
                          "[warning same]\nwhen = a > 30\nsend = out lamp=4\npriority = 1\n");
    stage_frame(&s, 0, "100#0B00");
    stage_frame(&s, 10 * MS, "100#1500"); /* waits for the slot */
    stage_frame(&s, 30 * MS, "100#1F00");
    stage_frame(&s, 50 * MS, "100#0B00");
    stage_tick(&s, 60 * MS);
    stage_expect(&s, "0 low on condition\n0 send 6A0#8100\n"
                     "10000000 high on condition\n20000000 send 6A0#8201\n"
                     "30000000 same on condition\n40000000 send 6A0#8202\n"
                     "50000000 high off condition\n50000000 same off condition\n"
                     "60000000 send 6A0#8103\n");
    stage_end(&s);
}

static void a_warning_that_comes_again_waits_for_its_slot(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, STAGE_CAR "[warning w]\nwhen = a > 10\nsend = out lamp=3\n");
    stage_frame(&s, 0, "100#0B00");
    stage_frame(&s, 5 * MS, "100#0000");
    stage_frame(&s, 10 * MS, "100#0B00");
    stage_tick(&s, 20 * MS);
    stage_expect(&s, "0 w on condition\n0 send 6A0#0300\n5000000 w off condition\n"
                     "10000000 w on condition\n20000000 send 6A0#0301\n");
    stage_end(&s);
}

static void a_normal_end_gives_the_all_clear_and_no_other(void **state)
{
    static const struct {
        const char *last;
        bool normal;
        const char *wanted;
    } cases[] = {
        {"100#0C00", true, "20000000 clear 6A0#0001\n"},
        {"100#0C00", false, ""},
        {"100#FF00", true, ""}, /* on by its condition, but now its input is lost */
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        struct stage s;
        stage_begin(&s, STAGE_CAR "[warning w]\nwhen = a > 10\nsend = out lamp=3\n");
        stage_frame(&s, 0, "100#0B00");
        stage_frame(&s, 10 * MS, cases[i].last);
        stage_expect(&s, "0 w on condition\n0 send 6A0#0300\n");
        lt_warn_end(s.warn, 12 * MS, cases[i].normal);
        stage_expect(&s, cases[i].wanted);
        stage_end(&s);
    }
}

/* The warning has ended before the run does: what it sent last is still what receivers know. */
static void an_all_clear_after_the_warning_only_where_it_ended_well(void **state)
{
    struct stage s;
    (void)state;
    for (int lost = 0; lost < 2; lost++) {
        stage_begin(&s, STAGE_CAR "[warning w]\nwhen = a > 10\nsend = out lamp=3\n");
        stage_frame(&s, 0, lost ? "100#FF00" : "100#0B00");
        stage_frame(&s, 10 * MS, "100#0000");
        stage_expect(&s, lost ? "0 w on lost\n0 send 6A0#0300\n10000000 w off lost\n"
                              : "0 w on condition\n0 send 6A0#0300\n10000000 w off condition\n");
        lt_warn_end(s.warn, 50 * MS, true);
        stage_expect(&s, lost ? "" : "50000000 clear 6A0#0001\n");
        stage_end(&s);
    }
}

static void no_all_clear_while_an_input_is_lost(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, STAGE_CAR "[warning w]\nwhen = a > 10\nsend = out lamp=3\non_lost = ignore\n");
    stage_frame(&s, 0, "100#0B00");
    stage_frame(&s, 10 * MS, "100#0000");
    stage_frame(&s, 15 * MS, "100#FF00");
    stage_expect(&s, "0 w on condition\n0 send 6A0#0300\n10000000 w off condition\n");
    lt_warn_end(s.warn, 50 * MS, true);
    stage_expect(&s, "");
    stage_end(&s);
}

/* The profile's check wants a period; who builds a profile otherwise may leave it out. */
static void without_a_period_one_frame_goes_at_each_change(void **state)
{
    struct stage s;
    const struct lt_warn_sink sink = {.context = &s, .event = stage_event, .send = stage_send};
    struct lt_error error;
    (void)state;
    stage_begin(&s, STAGE_CAR
                "[warning w]\nwhen = a > 10\nsend = out lamp=1\npriority = 2\n"
                "[warning x]\nwhen = a > 20\nsend = out lamp=2\npriority = 1\non_lost = ignore\n");
    lt_warn_free(s.warn);
    s.profile->frames[2].period_ns = 0;
    const struct lt_binding binding = {0, 0, 0};
    assert_int_equal(lt_warn_new(&s.warn, s.profile, &binding, 1, &sink, &error), LT_OK);
    stage_frame(&s, 0, "100#0B00");
    stage_frame(&s, 1, "100#1500");
    stage_frame(&s, 2, "100#0000");
    stage_tick(&s, 50 * MS);
    stage_expect(&s, "0 w on condition\n0 send 6A0#0100\n1 x on condition\n1 send 6A0#0201\n"
                     "2 w off condition\n2 x off condition\n");
    stage_end(&s);
}

static void pages_that_cannot_stand_together_give_way(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s,
                "[profile]\nformat = 1\nname = stage\n[bus b]\ninterface = can0\n"
                "[frame f]\nbus = b\nid = 0x100\nlength = 1\n"
                "[signal a]\nframe = f\nbits = 0.7..0.0\n"
                "[frame out]\nbus = b\nid = 0x6A0\nlength = 2\nperiod_ms = 20\ndirection = send\n"
                "[signal page]\nframe = out\nbits = 0.7..0.0\n"
                "[signal one]\nframe = out\nbits = 1.7..1.0\npage = page 1\n"
                "[signal two]\nframe = out\nbits = 1.7..1.0\npage = page 2\n"
                "[warning w]\nwhen = a > 10\nsend = out one=17\npriority = 2\n"
                "[warning x]\nwhen = a > 20\nsend = out two=34\npriority = 1\n");
    stage_frame(&s, 0, "100#0B");
    stage_frame(&s, 10 * MS, "100#15");
    stage_tick(&s, 20 * MS);
    stage_expect(&s, "0 w on condition\n0 send 6A0#0111\n10000000 x on condition\n"
                     "20000000 send 6A0#0222\n");
    stage_end(&s);
}

static void a_foreign_sender_of_its_identifier_is_counted(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, STAGE_CAR "[warning w]\nwhen = a > 10\nsend = out lamp=3\n");
    stage_frame(&s, 7, "6A0#0000");
    stage_frame(&s, 9, "6A0#0001");
    assert_int_equal(lt_warn_counts(s.warn)->foreign, 2);
    assert_int_equal(lt_warn_counts(s.warn)->first_foreign_ns, 7);
    assert_string_equal(s.profile->frames[lt_warn_counts(s.warn)->foreign_frame].name, "out");
    stage_end(&s);
}

static void nothing_is_allocated_while_it_runs(void **state)
{
    struct stage s;
    (void)state;
    stage_begin(&s, STAGE_CAR "[warning w]\nwhen = a > 10 and age(c) < 5\nsend = out lamp=3\n");
    lt_buf_format(&s.log, "%50000s", ""); /* room for the log itself */
    lt_buf_clear(&s.log);
    size_t before = mallinfo2().uordblks;
    for (int64_t t = 0; t < 1000; t += 10)
        stage_frame(&s, t * MS, t % 70 ? "100#0B00" : "100#0000");
    assert_true(s.log.len > 500);
    assert_int_equal(mallinfo2().uordblks, before);
    stage_end(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_frame_each_period_with_its_counter_while_it_holds),
        cmocka_unit_test(several_share_a_frame_and_the_most_urgent_wins),
        cmocka_unit_test(a_warning_that_comes_again_waits_for_its_slot),
        cmocka_unit_test(a_normal_end_gives_the_all_clear_and_no_other),
        cmocka_unit_test(an_all_clear_after_the_warning_only_where_it_ended_well),
        cmocka_unit_test(no_all_clear_while_an_input_is_lost),
        cmocka_unit_test(without_a_period_one_frame_goes_at_each_change),
        cmocka_unit_test(pages_that_cannot_stand_together_give_way),
        cmocka_unit_test(a_foreign_sender_of_its_identifier_is_counted),
        cmocka_unit_test(nothing_is_allocated_while_it_runs),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
