/* What tells a true carrier from what merely drifts along, and from a cousin. */
#include "unit.h"

#include "seek/evidence.h"

#define SAMPLES 240u
#define S_NS    INT64_C(1000000000)

struct made {
    struct lt_arena arena;
    int64_t time_ns[SAMPLES];
    double value[SAMPLES], other[SAMPLES], predicted[SAMPLES + 2];
    struct lt_reference reference[2];
    struct seek_found found[2];
    struct seek_all all;
    struct seek_fit fit;
};

static double noise(uint32_t *state)
{
    *state = *state * 1664525u + 1013904223u;
    return (double)(*state >> 16) / 32768 - 1;
}

static void make(struct made *made, const char *target, const char *other)
{
    const char *targets[] = {target, other};
    memset(made, 0, sizeof *made);
    lt_arena_init(&made->arena, 0);
    for (size_t i = 0; i < SAMPLES; i++)
        made->time_ns[i] = (int64_t)i * S_NS;
    for (size_t k = 0; k < 2; k++)
        made->reference[k] = (struct lt_reference){.name = targets[k],
                                                   .target = targets[k],
                                                   .count = SAMPLES,
                                                   .time_ns = made->time_ns,
                                                   .value = k ? made->other : made->value,
                                                   .quantum = 1};
    made->all = (struct seek_all){made->found, 2};
}

static struct seek_evidence look(struct made *made)
{
    struct seek_evidence evidence;
    double squares = 0;
    for (size_t k = 0; k < 2; k++)
        assert_int_equal(
            seek_course_make(&made->reference[k], &made->arena, &made->found[k].course, NULL),
            LT_OK);
    assert_int_equal(made->found[0].course.every, 1);
    for (size_t i = 0; i < SAMPLES; i++)
        squares += pow(made->predicted[i] - made->value[i], 2) / SAMPLES;
    made->fit = (struct seek_fit){.predicted = made->predicted, .rmse = sqrt(squares)};
    assert_true(
        seek_evidence_find(&made->all, &made->found[0], &made->fit, &made->arena, &evidence));
    return evidence;
}

/* A warm-up in whole degrees, with a wave of its own on it. */
static void warm_up(struct made *made)
{
    make(made, "coolant_temp", "pedal");
    for (size_t i = 0; i < SAMPLES; i++)
        made->value[i] = round(20 + 0.2 * (double)i + 3 * sin((double)i / 7));
}

static void what_only_drifts_along_follows_no_more_without_the_trend(void **state)
{
    (void)state;
    static struct made made;
    warm_up(&made);
    for (size_t i = 0; i < SAMPLES; i++)
        made.predicted[i] = 20 + 0.2 * (double)i;
    struct seek_evidence evidence = look(&made);
    assert_true(fabs(evidence.free_r) < 0.3);
    assert_true(fabs(evidence.changes_r) < 0.3);
    lt_arena_release(&made.arena);
}

static void a_true_carrier_follows_without_the_trend(void **state)
{
    (void)state;
    static struct made made;
    warm_up(&made);
    for (size_t i = 0; i < SAMPLES; i++)
        made.predicted[i] = 20 + 0.2 * (double)i + 3 * sin((double)i / 7);
    struct seek_evidence evidence = look(&made);
    assert_true(evidence.free_r > 0.98);
    assert_true(evidence.free_steps > 1.5 && evidence.free_steps < 3);
    lt_arena_release(&made.arena);
}

/* The reference is a sum of the candidate and a part of another reference: a cousin. */
static void a_cousins_residual_is_explained_by_another_reference(void **state)
{
    (void)state;
    static struct made made;
    uint32_t seed = 3;
    make(&made, "engine_speed", "vehicle_speed");
    for (size_t i = 0; i < SAMPLES; i++) {
        double slip = 40 * sin((double)i / 9), wander = 900 * sin((double)i / 5);
        made.other[i] = 60 + slip;
        made.predicted[i] = 2000 + wander;
        made.value[i] = round(2000 + wander + slip + 4 * noise(&seed));
    }
    struct seek_evidence evidence = look(&made);
    assert_true(evidence.explained > 0.9);
    assert_true(evidence.sticks > 0.9);
    lt_arena_release(&made.arena);
}

static void rounding_has_no_cause(void **state)
{
    (void)state;
    static struct made made;
    uint32_t seed = 5;
    make(&made, "engine_speed", "vehicle_speed");
    for (size_t i = 0; i < SAMPLES; i++) {
        made.other[i] = 60 + 40 * sin((double)i / 9);
        made.predicted[i] = 2000 + 900 * sin((double)i / 5);
        made.value[i] = made.predicted[i] + 4 * noise(&seed);
    }
    struct seek_evidence evidence = look(&made);
    assert_true(evidence.explained < 0.05);
    assert_true(fabs(evidence.sticks) < 0.2);
    lt_arena_release(&made.arena);
}

static void too_few_samples_say_nothing(void **state)
{
    (void)state;
    static struct made made;
    warm_up(&made);
    for (size_t i = 0; i < SAMPLES; i++)
        made.predicted[i] = i < 8 ? made.value[i] : NAN;
    for (size_t k = 0; k < 2; k++)
        assert_int_equal(
            seek_course_make(&made.reference[k], &made.arena, &made.found[k].course, NULL), LT_OK);
    made.fit = (struct seek_fit){.predicted = made.predicted, .rmse = 1};
    struct seek_evidence evidence;
    assert_true(seek_evidence_find(&made.all, &made.found[0], &made.fit, &made.arena, &evidence));
    assert_int_equal(evidence.samples, 8);
    assert_true(evidence.free_r == 0 && evidence.explained == 0);
    lt_arena_release(&made.arena);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_only_drifts_along_follows_no_more_without_the_trend),
        cmocka_unit_test(a_true_carrier_follows_without_the_trend),
        cmocka_unit_test(a_cousins_residual_is_explained_by_another_reference),
        cmocka_unit_test(rounding_has_no_cause),
        cmocka_unit_test(too_few_samples_say_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
