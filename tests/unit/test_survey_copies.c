/* Frames that a gateway copies. */
#include "made_bus.h"

#define POINTS ((size_t)6000)

/* Every 10 ms; what the gateway sends comes `delay_ns` later, give or take a millisecond, every
 * n-th frame only. */
static void send_copied(struct made_bus *made, uint32_t id, unsigned to_bus, uint32_t to_id,
                        int64_t delay_ns, size_t every)
{
    double *course = made_course(made, POINTS, 20000, 4000);
    for (size_t i = 0; i < POINTS; i++) {
        uint8_t data[8] = {0};
        int64_t t = (int64_t)i * 10 * MADE_MS;
        made_put16(data, course[i]);
        data[3] = (uint8_t)(i & 15);
        made_add(made, 0, id, t, data, 8);
        if (i % every == 0)
            made_add(made, to_bus, to_id,
                     t + delay_ns + (int64_t)(made_random(made) % (uint64_t)MADE_MS), data, 8);
    }
    free(course);
}

static void a_copy_on_another_bus_has_its_delay(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 1);
    send_copied(&made, 0x120, 1, 0x120, 3 * MADE_MS, 1);
    made_survey(&made, 0);
    struct lt_survey_frame *source = made_find(&made, 0, 0x120), *copy = made_find(&made, 1, 0x120);
    assert_int_equal(source->copy_of, 0);
    assert_ptr_equal(&made.survey->frames[copy->copy_of - 1], source);
    assert_true(fabs(copy->copy_delay_s - 0.0035) < 0.001);
    assert_non_null(strstr(copy->say, "A copy of 120 on engine"));
    made_end(&made);
}

/* The copy's bus comes first in the list: direction is that of time, not of order. */
static void direction_follows_the_delay(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 2);
    send_copied(&made, 0x120, 1, 0x120, -4 * MADE_MS, 1);
    made_survey(&made, 0);
    assert_int_equal(made_find(&made, 1, 0x120)->copy_of, 0);
    assert_true(made_find(&made, 0, 0x120)->copy_of > 0);
    made_end(&made);
}

static void a_thinned_copy_is_one_too(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 3);
    send_copied(&made, 0x120, 1, 0x120, 2 * MADE_MS, 10);
    made_survey(&made, 0);
    struct lt_survey_frame *copy = made_find(&made, 1, 0x120);
    assert_true(copy->copy_of > 0);
    assert_int_equal(made_find(&made, 0, 0x120)->copy_of, 0);
    assert_non_null(strstr(copy->say, "with frames left out"));
    made_end(&made);
}

static void a_copy_under_another_identifier_is_found(void **state)
{
    (void)state;
    for (unsigned bus = 0; bus < 2; bus++) {
        struct made_bus made;
        made_begin(&made, 4 + bus);
        send_copied(&made, 0x120, bus, 0x5A0, 2 * MADE_MS, 1);
        made_survey(&made, 0);
        struct lt_survey_frame *copy = made_find(&made, bus, 0x5A0);
        assert_true(copy->copy_of > 0);
        assert_ptr_equal(&made.survey->frames[copy->copy_of - 1], made_find(&made, 0, 0x120));
        assert_int_equal(made_find(&made, 0, 0x120)->copy_of, 0);
        made_end(&made);
    }
}

/* Nothing but counters that run alike, flags that happen to be the same, and other courses. */
static void chance_is_no_copy(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 6);
    for (uint32_t n = 0; n < 8; n++) {
        double *course = made_course(&made, POINTS, 20000, 4000);
        for (size_t i = 0; i < POINTS; i++) {
            uint8_t data[8] = {0};
            data[0] = (uint8_t)(i & 15);
            data[1] = made_random(&made) % 400 == 0;
            if (n >= 4)
                made_put16(data + 4, course[i]);
            made_add(&made, n & 1, 0x100 + n / 2, (int64_t)i * 10 * MADE_MS + n * 100000, data, 8);
        }
        free(course);
    }
    made_survey(&made, 0);
    for (size_t i = 0; i < made.survey->frame_count; i++)
        assert_int_equal(made.survey->frames[i].copy_of, 0);
    made_end(&made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_copy_on_another_bus_has_its_delay),
        cmocka_unit_test(direction_follows_the_delay),
        cmocka_unit_test(a_thinned_copy_is_one_too),
        cmocka_unit_test(a_copy_under_another_identifier_is_found),
        cmocka_unit_test(chance_is_no_copy),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
