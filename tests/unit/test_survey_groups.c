/* The same quantity in several places, and quantities that only look alike. */
#include "made_bus.h"

static bool in_one_group(struct made_bus *made, uint32_t a, uint32_t b)
{
    const struct lt_survey *survey = made->survey;
    for (size_t g = 0; g < survey->group_count; g++) {
        bool has_a = false, has_b = false;
        for (size_t i = 0; i < survey->groups[g].count; i++) {
            uint32_t id = survey->frames[survey->groups[g].members[i].frame].stream->key.id;
            has_a |= id == a;
            has_b |= id == b;
        }
        if (has_a && has_b)
            return true;
    }
    return false;
}

#define POINTS ((size_t)12000) /* two minutes */

static void send(struct made_bus *made, uint32_t id, const double *course, size_t step, size_t late,
                 double scale, double offset)
{
    for (size_t i = late; i < POINTS; i += step) {
        uint8_t data[8] = {0};
        made_put16(data, course[i - late] * scale + offset);
        made_add(made, 0, id, (int64_t)i * 10 * MADE_MS + id * 1000, data, 8);
    }
}

static void a_scaled_and_slower_copy_of_a_quantity_is_found(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 4; seed++) {
        struct made_bus made;
        made_begin(&made, seed);
        double *speed = made_course(&made, POINTS, 9000, 2500);
        double *other = made_course(&made, POINTS, 9000, 2500);
        send(&made, 0x110, speed, 1, 0, 1, 0);
        send(&made, 0x210, speed, 5, 2, 0.25, 100);
        send(&made, 0x310, other, 2, 0, 1, 0);
        made_survey(&made, 0);
        assert_true(in_one_group(&made, 0x110, 0x210));
        assert_false(in_one_group(&made, 0x110, 0x310));
        assert_false(in_one_group(&made, 0x210, 0x310));
        const struct lt_survey_group *group = &made.survey->groups[0];
        /* The fastest and finest leads; the other is a quarter of it and 100 more. */
        assert_int_equal(made.survey->frames[group->members[0].frame].stream->key.id, 0x110);
        assert_true(fabs(group->members[1].scale - 0.25) < 0.003);
        assert_true(fabs(group->members[1].offset_quanta - 100) < 5);
        assert_true(fabs(group->members[1].lag_s - 0.02) < 0.01);
        assert_non_null(strstr(group->say, "same quantity in 2 places"));
        free(speed);
        free(other);
        made_end(&made);
    }
}

/* A warm-up and a clock both only rise. */
static void two_ramps_are_no_group(void **state)
{
    struct made_bus made;
    double warm[POINTS], rising[POINTS];
    (void)state;
    made_begin(&made, 9);
    for (size_t i = 0; i < POINTS; i++) {
        warm[i] = 4000 + 6000 * (1 - exp(-(double)i / 9000.0));
        rising[i] = 300 + (double)i * 0.37;
    }
    send(&made, 0x110, warm, 2, 0, 1, 0);
    send(&made, 0x210, rising, 2, 0, 1, 0);
    send(&made, 0x310, rising, 5, 0, 2.31, 700);
    made_survey(&made, 0);
    assert_false(in_one_group(&made, 0x110, 0x210));
    assert_false(in_one_group(&made, 0x110, 0x310));
    assert_false(in_one_group(&made, 0x210, 0x310));
    made_end(&made);
}

static void unrelated_courses_are_no_group(void **state)
{
    (void)state;
    for (uint64_t seed = 0; seed < 3; seed++) {
        struct made_bus made;
        made_begin(&made, 40 + seed);
        for (uint32_t n = 0; n < 16; n++) {
            double *course = made_course(&made, POINTS, 500, 60);
            send(&made, 0x110 + n, course, 2 + n % 4, 0, 1, 0);
            free(course);
        }
        assert_int_equal(made_survey(&made, 0)->group_count, 0);
        made_end(&made);
    }
}

/* A filtered cousin follows with a smaller swing: alike, not the same. */
static void a_filtered_cousin_is_no_member(void **state)
{
    struct made_bus made;
    double filtered[POINTS];
    (void)state;
    made_begin(&made, 50);
    double *course = made_course(&made, POINTS, 20000, 5000), smooth = course[0];
    for (size_t i = 0; i < POINTS; i++)
        filtered[i] = smooth += (course[i] - smooth) * 0.01 / 1.5;
    send(&made, 0x110, course, 1, 0, 1, 0);
    send(&made, 0x210, filtered, 1, 0, 1, 0);
    made_survey(&made, 0);
    assert_false(in_one_group(&made, 0x110, 0x210));
    free(course);
    made_end(&made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_scaled_and_slower_copy_of_a_quantity_is_found),
        cmocka_unit_test(two_ramps_are_no_group),
        cmocka_unit_test(unrelated_courses_are_no_group),
        cmocka_unit_test(a_filtered_cousin_is_no_member),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
