/* What is still missing while recording. The figures: n_eff = span / memory (Bartlett 1935), ten of
 * them as the least, after the method notes of seek; labels visited twice. Speeds of pull-aways are
 * made here: up in 10 s, down in 10 s, standing for 10 s, polled at two a second in whole km/h. */
#include "unit.h"

#include <math.h>

#include "loomtap/seek/coverage.h"

#define SECOND INT64_C(1000000000)
#define ROWS   2000

static int64_t time_ns[ROWS];
static double value[ROWS];

static struct lt_coverage number(const char *target, size_t count, double quantum)
{
    const struct lt_reference reference = {.from = LT_FROM_DIAGNOSTICS,
                                           .name = "made",
                                           .target = target,
                                           .unit = "km/h",
                                           .count = count,
                                           .time_ns = time_ns,
                                           .value = value,
                                           .quantum = quantum};
    struct lt_coverage coverage;
    struct lt_error error;
    memset(&coverage, 0x5A, sizeof coverage);
    assert_int_equal(lt_coverage_number(target, &reference, &coverage, &error), LT_OK);
    return coverage;
}

/* Pull-aways one after the other; returns the rows. */
static size_t drive(unsigned pull_aways)
{
    size_t rows = 60 * (size_t)pull_aways;
    for (size_t i = 0; i < rows; i++) {
        double s = fmod((double)i / 2, 30);
        time_ns[i] = (int64_t)i * SECOND / 2;
        value[i] = floor(s < 10 ? 5 * s : s < 20 ? 5 * (20 - s) : 0);
    }
    return rows;
}

static void test_nothing_was_heard(void **state)
{
    struct lt_coverage coverage;
    struct lt_error error;
    (void)state;
    assert_int_equal(lt_coverage_number("vehicle_speed", NULL, &coverage, &error), LT_OK);
    assert_false(coverage.enough);
    assert_string_equal(coverage.say, "no reply has brought it yet");
}

static void test_what_stands_has_not_moved(void **state)
{
    (void)state;
    for (size_t i = 0; i < 100; i++) {
        time_ns[i] = (int64_t)i * SECOND;
        value[i] = 0;
    }
    struct lt_coverage coverage = number("vehicle_speed", 100, 1);
    assert_false(coverage.enough);
    assert_string_equal(coverage.say, "it has not moved yet: three pull-aways to 50 km/h and back "
                                      "to a stop");
}

static void test_pull_aways_that_are_missing_are_counted_down(void **state)
{
    unsigned last = 4;
    bool enough = false;
    (void)state;
    for (unsigned n = 1; n <= 8; n++) {
        struct lt_coverage coverage = number("vehicle_speed", drive(n), 1);
        unsigned missing = coverage.enough                                           ? 0
                           : strncmp(coverage.say, "one more pull-away to", 21) == 0 ? 1
                           : strncmp(coverage.say, "two more pull-aways", 19) == 0   ? 2
                                                                                     : 3;
        assert_true(coverage.enough || strstr(coverage.say, "pull-away"));
        assert_true(missing <= last); /* never more than before */
        assert_int_equal(coverage.enough, coverage.n_eff >= 10);
        enough = enough || coverage.enough;
        last = missing;
    }
    assert_true(enough);
    assert_int_equal(last, 0);
}

static void test_a_quantity_that_trembles_in_its_last_step_has_not_moved(void **state)
{
    (void)state;
    for (size_t i = 0; i < 1000; i++) {
        time_ns[i] = (int64_t)i * SECOND / 2;
        value[i] = 14 + (double)(i * 7919 % 13 < 6);
    }
    assert_false(number("load", 1000, 1).enough);
}

static void test_a_warm_up_is_counted_by_its_values(void **state)
{
    (void)state;
    for (size_t i = 0; i < 400; i++) {
        time_ns[i] = (int64_t)i * SECOND;
        value[i] = 20 + (double)(i / 40);
    }
    struct lt_coverage early = number("coolant_temp", 100, 1);
    assert_false(early.enough);
    assert_non_null(strstr(early.say, "3 of 4 different values"));
    assert_true(number("coolant_temp", 400, 1).enough);
}

static struct lt_coverage marked(const char *const *labels, size_t count, unsigned *visits)
{
    static const char *const wanted[] = {"comfort", "sport", "wet"};
    int64_t times[16];
    struct lt_coverage coverage;
    struct lt_error error;
    for (size_t i = 0; i < count; i++)
        times[i] = (int64_t)(10 + 10 * i) * SECOND;
    const struct lt_coverage_marks marks = {.target = "drive_mode",
                                            .labels = wanted,
                                            .label_count = 3,
                                            .time_ns = times,
                                            .label = labels,
                                            .count = count,
                                            .last_ns = 200 * SECOND};
    assert_int_equal(lt_coverage_of_marks(&marks, visits, &coverage, &error), LT_OK);
    return coverage;
}

static void test_labels_are_to_be_visited_twice(void **state)
{
    static const char *const labels[] = {"comfort", "sport", "wet", "comfort", "wet", "sport"};
    unsigned visits[3];
    (void)state;
    assert_string_equal(marked(labels, 0, visits).say, "visit comfort twice, for at least 5 s");
    assert_string_equal(marked(labels, 1, visits).say, "visit sport twice, for at least 5 s");
    assert_string_equal(marked(labels, 5, visits).say, "visit sport once more, for at least 5 s");
    assert_int_equal(visits[0], 2);
    assert_int_equal(visits[1], 1);
    assert_int_equal(visits[2], 2);
    assert_true(marked(labels, 6, visits).enough);
}

static void test_a_label_pressed_twice_was_visited_once(void **state)
{
    static const char *const labels[] = {"comfort", "comfort", "sport", "sport"};
    unsigned visits[3];
    (void)state;
    assert_false(marked(labels, 4, visits).enough);
    assert_int_equal(visits[0], 1);
    assert_int_equal(visits[1], 1);
}

static void test_each_role_has_a_step_of_its_own_length(void **state)
{
    int64_t length_ns = 0;
    (void)state;
    assert_non_null(strstr(lt_coverage_step("vehicle_speed", &length_ns), "50 km/h"));
    assert_int_equal(length_ns, 40 * SECOND);
    assert_non_null(lt_coverage_step("gear", &length_ns));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_nothing_was_heard),
        cmocka_unit_test(test_what_stands_has_not_moved),
        cmocka_unit_test(test_pull_aways_that_are_missing_are_counted_down),
        cmocka_unit_test(test_a_quantity_that_trembles_in_its_last_step_has_not_moved),
        cmocka_unit_test(test_a_warm_up_is_counted_by_its_values),
        cmocka_unit_test(test_labels_are_to_be_visited_twice),
        cmocka_unit_test(test_a_label_pressed_twice_was_visited_once),
        cmocka_unit_test(test_each_role_has_a_step_of_its_own_length),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
