/* What makes a candidate likelier and what less so: the direction of each piece of evidence, from a
 * made fit of which nothing else changes. */
#include "unit.h"

#include "seek/judge.h"

struct made {
    struct seek_found found;
    struct lt_reference reference;
    struct seek_window window;
    struct seek_fit fit;
    struct judging judging;
    struct entry entry;
};

/* A speed in tenths that follows five minutes of whole km/h as a true carrier does. */
static struct made *make(void)
{
    static struct made made;
    made = (struct made){
        .reference = {.target = "vehicle_speed", .role = lt_role_find(LT_TEXT("vehicle_speed"))},
        .window = {.length = 11, .lsb = 0, .order = LT_ORDER_INTEL},
        .fit = {.scale = 0.1,
                .scale_error = 0.0003,
                .fitted_scale = 0.1001,
                .r = 0.9999,
                .rmse = 0.3,
                .loss = 0.01,
                .split_rmse = 0.011,
                .excess = 0.6,
                .coarse = 1,
                .used = 300,
                .snapped = true,
                .strong = true},
        .entry = {.loss = 0.01,
                  .proven = {1, {{10, 3}}},
                  .evidence = {.samples = 300, .free_r = 0.9998, .explained = 0.005}},
    };
    made.found.course = (struct seek_course){.reference = &made.reference,
                                             .quantum = 1,
                                             .sd = 30,
                                             .span_s = 300,
                                             .n_eff = 30,
                                             .r_needed = 0.7,
                                             .levels = 90,
                                             .spread = 9};
    made.judging = (struct judging){.found = &made.found, .course = &made.found.course};
    made.entry.window = &made.window;
    made.entry.fit = &made.fit;
    return &made;
}

static double odds(struct made *made)
{
    return seek_odds(&made->judging, &made->entry);
}

static void a_true_carrier_is_likely(void **state)
{
    (void)state;
    assert_true(seek_sigmoid(odds(make())) > 0.95);
}

static void a_residual_that_another_reference_explains_speaks_for_a_cousin(void **state)
{
    (void)state;
    double before = odds(make());
    struct made *made = make();
    made->entry.evidence.explained = 0.3;
    assert_true(odds(made) < before - 1);
}

static void what_follows_no_more_without_the_trend_drifts_along(void **state)
{
    (void)state;
    double before = odds(make());
    struct made *made = make();
    made->entry.evidence.free_r = 0.2;
    assert_true(odds(made) < before - 1);
}

static void a_scale_that_is_hardly_known_may_be_any(void **state)
{
    (void)state;
    double before = odds(make());
    struct made *made = make();
    made->fit.scale_error = 0.003;
    assert_true(odds(made) < before - 1);
}

static void a_scale_that_nobody_uses_is_never_quite_sure(void **state)
{
    (void)state;
    struct made *made = make();
    made->fit.snapped = made->fit.strong = false;
    assert_true(seek_sigmoid(odds(made)) < 0.95);
}

static void a_rare_scale_is_less_than_a_common_one(void **state)
{
    (void)state;
    double before = odds(make());
    struct made *made = make();
    made->fit.usual = 3;
    assert_true(odds(made) < before - 1);
}

static void low_bits_that_nothing_proves_make_the_whole_less_sure(void **state)
{
    (void)state;
    double before = odds(make());
    struct made *made = make();
    made->entry.proven.part[0].lsb = 10;
    assert_true(odds(made) < before);
}

static void a_short_drive_proves_less(void **state)
{
    (void)state;
    double before = odds(make());
    struct made *made = make();
    made->found.course.span_s = 60;
    assert_true(odds(made) < before);
}

static void one_that_another_serves_better_stands_back(void **state)
{
    (void)state;
    double before = odds(make());
    struct made *made = make();
    made->entry.behind = 1;
    assert_true(odds(made) < before);
    made = make();
    made->entry.claimed = 1;
    assert_true(odds(made) < before - 1);
}

static void a_number_that_is_as_good_for_two_quantities_is_not_sure(void **state)
{
    (void)state;
    struct made *made = make();
    made->entry.shared = true;
    assert_true(seek_sigmoid(odds(made)) < 0.9);
}

static void what_chance_alone_reaches_is_no_find(void **state)
{
    (void)state;
    struct made *made = make();
    made->fit.r = 0.98;
    assert_true(seek_sigmoid(odds(made)) > 0.5);
    made->found.null_r = 0.985;
    assert_true(seek_sigmoid(odds(made)) < 0.5);
}

static void few_samples_say_nothing(void **state)
{
    (void)state;
    struct made *made = make();
    made->fit.used = 5;
    assert_true(seek_sigmoid(odds(made)) < 0.01);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_true_carrier_is_likely),
        cmocka_unit_test(a_residual_that_another_reference_explains_speaks_for_a_cousin),
        cmocka_unit_test(what_follows_no_more_without_the_trend_drifts_along),
        cmocka_unit_test(a_scale_that_is_hardly_known_may_be_any),
        cmocka_unit_test(a_scale_that_nobody_uses_is_never_quite_sure),
        cmocka_unit_test(a_rare_scale_is_less_than_a_common_one),
        cmocka_unit_test(low_bits_that_nothing_proves_make_the_whole_less_sure),
        cmocka_unit_test(a_short_drive_proves_less),
        cmocka_unit_test(one_that_another_serves_better_stands_back),
        cmocka_unit_test(a_number_that_is_as_good_for_two_quantities_is_not_sure),
        cmocka_unit_test(what_chance_alone_reaches_is_no_find),
        cmocka_unit_test(few_samples_say_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
