/* Leading through a drive. */
#include "unit.h"

#include "loomtap/live/lead.h"

static struct lt_lead lead;
static struct lt_lead_step steps[3];

static int start(void **state)
{
    (void)state;
    lead = (struct lt_lead){0};
    for (size_t i = 0; i < 3; i++)
        steps[i] = (struct lt_lead_step){100 * (int64_t)(i + 1), false};
    return 0;
}

static void test_steps_come_in_turn_each_for_its_time(void **state)
{
    (void)state;
    assert_int_equal(lt_lead_next(&lead, steps, 3, 1000), 0);
    assert_int_equal(lt_lead_next(&lead, steps, 3, 1099), LT_LEAD_SAME);
    assert_int_equal(lt_lead_next(&lead, steps, 3, 1100), 1);
    assert_int_equal(lt_lead_next(&lead, steps, 3, 1299), LT_LEAD_SAME);
    assert_int_equal(lt_lead_next(&lead, steps, 3, 1300), 2);
    assert_int_equal(lt_lead_next(&lead, steps, 3, 1600), 0);
}

static void test_what_is_done_is_passed_over(void **state)
{
    (void)state;
    steps[0].done = steps[1].done = true;
    assert_int_equal(lt_lead_next(&lead, steps, 3, 0), 2);
    assert_int_equal(lt_lead_next(&lead, steps, 3, 300), 2);
}

static void test_a_step_is_driven_to_its_end(void **state)
{
    (void)state;
    assert_int_equal(lt_lead_next(&lead, steps, 3, 0), 0);
    steps[0].done = true;
    assert_int_equal(lt_lead_next(&lead, steps, 3, 50), LT_LEAD_SAME);
    assert_int_equal(lt_lead_next(&lead, steps, 3, 100), 1);
}

static void test_the_end_is_said_once(void **state)
{
    (void)state;
    for (size_t i = 0; i < 3; i++)
        steps[i].done = true;
    assert_int_equal(lt_lead_next(&lead, steps, 3, 0), LT_LEAD_END);
    assert_int_equal(lt_lead_next(&lead, steps, 3, 1), LT_LEAD_SAME);
    steps[1].done = false;
    assert_int_equal(lt_lead_next(&lead, steps, 3, 2), 1);
}

static void test_without_steps_it_ends_at_once(void **state)
{
    (void)state;
    assert_int_equal(lt_lead_next(&lead, steps, 0, 0), LT_LEAD_END);
    assert_int_equal(lt_lead_next(&lead, steps, 0, 1), LT_LEAD_SAME);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(test_steps_come_in_turn_each_for_its_time, start),
        cmocka_unit_test_setup(test_what_is_done_is_passed_over, start),
        cmocka_unit_test_setup(test_a_step_is_driven_to_its_end, start),
        cmocka_unit_test_setup(test_the_end_is_said_once, start),
        cmocka_unit_test_setup(test_without_steps_it_ends_at_once, start),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
