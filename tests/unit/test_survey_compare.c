/* How two recordings differ: a switch that was planted in one of them comes out on top. */
#include "made_bus.h"

enum plant { PLANT_NONE, PLANT_FLAG, PLANT_ENUM, PLANT_EVENT };

#define SECONDS 60

/* A car of twelve frames: courses, counters, a flag and an enumeration that move anyway, bytes at
 * rest. The plant sits in byte 6 of frame 0x230, or is frame 0x3A7. */
static void drive(struct made_bus *made, uint64_t seed, enum plant plant, unsigned presses)
{
    made_begin(made, seed);
    size_t count = SECONDS * 100;
    for (uint32_t n = 0; n < 12; n++) {
        double *course = made_course(made, count, 20000, 3000 + 400 * n);
        size_t step = n % 3 == 0 ? 1 : n % 3 == 1 ? 2 : 10;
        unsigned counter = 0, mode = 1, brake = 0;
        for (size_t i = 0; i < count; i += step) {
            uint8_t data[8] = {0};
            int64_t t = (int64_t)i * 10 * MADE_MS + n * 300000;
            size_t every = count / (presses + 1), press = i / every;
            bool on = press % 2 == 1;
            made_put16(data, course[i]);
            data[2] = (uint8_t)(counter++ & 15);
            brake ^= made_random(made) % 700 == 0;
            mode = made_random(made) % 500 == 0 ? 1 + (unsigned)(made_random(made) % 3) : mode;
            data[3] = (uint8_t)(brake << 5 | mode);
            data[5] = 0x5A;
            data[6] = plant == PLANT_FLAG && n == 4 && on   ? 0x08
                      : plant == PLANT_ENUM && n == 4 && on ? 0x30
                                                            : 0x00;
            made_add(made, 0, 0x22C + n, t, data, 8);
        }
        free(course);
    }
    for (unsigned k = 1; plant == PLANT_EVENT && k <= presses; k++)
        made_add(made, 0, 0x3A7, (int64_t)(k * SECONDS / (presses + 1)) * MADE_S, "\x01\xFF", 2);
}

/* Two recordings, and how they differ. */
struct pair {
    struct made_bus a, b;
    struct lt_arena arena;
    struct lt_change *changes;
    size_t count, left_out;
};

static void pair_begin(struct pair *pair)
{
    made_begin(&pair->a, 1);
    made_begin(&pair->b, 1);
}

static void pair_compare(struct pair *pair)
{
    struct lt_error error;
    lt_arena_init(&pair->arena, 0);
    assert_int_equal(lt_survey_compare(made_survey(&pair->a, 0), made_survey(&pair->b, 0),
                                       &pair->arena, &pair->changes, &pair->count, &pair->left_out,
                                       &error),
                     LT_OK);
}

static void pair_end(struct pair *pair)
{
    lt_arena_release(&pair->arena);
    made_end(&pair->a);
    made_end(&pair->b);
}

static bool names_the_plant(const struct lt_change *change, enum plant plant)
{
    struct lt_bits flag = {.parts = 1, .part = {{51, 51}}};
    struct lt_bits mode = {.parts = 1, .part = {{53, 52}}};
    if (plant == PLANT_EVENT)
        return change->kind == LT_CHANGE_FRAME_ONLY_B && change->key.id == 0x3A7;
    return change->kind == LT_CHANGE_MOVES_ONLY_B && change->key.id == 0x230 &&
           lt_bits_overlap(&change->bits, plant == PLANT_FLAG ? &flag : &mode);
}

static void a_planted_switch_comes_first(enum plant plant, unsigned presses)
{
    for (uint64_t seed = 1; seed <= 4; seed++) {
        struct pair pair;
        drive(&pair.a, 2 * seed, PLANT_NONE, presses);
        drive(&pair.b, 2 * seed + 1, plant, presses);
        pair_compare(&pair);
        assert_true(pair.count >= 1);
        if (!names_the_plant(&pair.changes[0], plant))
            print_message("seed %d: %03X %s\n", (int)seed, (unsigned)pair.changes[0].key.id,
                          pair.changes[0].say);
        assert_true(names_the_plant(&pair.changes[0], plant));
        pair_end(&pair);
    }
}

static void a_planted_flag_comes_first(void **state)
{
    (void)state;
    a_planted_switch_comes_first(PLANT_FLAG, 6);
}

static void a_planted_enumeration_comes_first(void **state)
{
    (void)state;
    a_planted_switch_comes_first(PLANT_ENUM, 6);
}

static void a_planted_event_frame_comes_first(void **state)
{
    (void)state;
    a_planted_switch_comes_first(PLANT_EVENT, 5);
}

static void a_recording_does_not_differ_from_itself(void **state)
{
    struct pair pair;
    (void)state;
    drive(&pair.a, 5, PLANT_FLAG, 6);
    drive(&pair.b, 5, PLANT_FLAG, 6);
    pair_compare(&pair);
    assert_int_equal(pair.count, 0);
    pair_end(&pair);
}

static void counters_and_courses_do_not_stand_out(void **state)
{
    struct pair pair;
    (void)state;
    drive(&pair.a, 71, PLANT_NONE, 1);
    drive(&pair.b, 72, PLANT_NONE, 1);
    pair_compare(&pair);
    for (size_t i = 0; i < pair.count; i++)
        assert_true(pair.changes[i].weight < 0.75);
    pair_end(&pair);
}

static void a_bit_at_rest_elsewhere_is_a_value_that_differs(void **state)
{
    struct pair pair;
    (void)state;
    pair_begin(&pair);
    made_cyclic(&pair.a, 0, 0x155, 20 * MADE_MS, 10 * MADE_S, "@+-/");
    made_cyclic(&pair.b, 0, 0x155, 20 * MADE_MS, 10 * MADE_S, "D+-/");
    pair_compare(&pair);
    assert_int_equal(pair.count, 1);
    assert_int_equal(pair.changes[0].kind, LT_CHANGE_VALUE);
    assert_int_equal(pair.changes[0].bits.part[0].msb, 2); /* '@' is 40, 'D' is 44 */
    assert_int_equal(pair.changes[0].bits.part[0].lsb, 2);
    assert_int_equal(pair.changes[0].a_low, 0);
    assert_int_equal(pair.changes[0].b_low, 1);
    pair_end(&pair);
}

static void another_period_is_told(void **state)
{
    struct pair pair;
    (void)state;
    pair_begin(&pair);
    made_cyclic(&pair.a, 0, 0x155, 20 * MADE_MS, 10 * MADE_S, "abc");
    made_cyclic(&pair.b, 0, 0x155, 50 * MADE_MS, 10 * MADE_S, "abc");
    pair_compare(&pair);
    assert_int_equal(pair.count, 1);
    assert_int_equal(pair.changes[0].kind, LT_CHANGE_PERIOD);
    pair_end(&pair);
}

/* The adapters were swapped: bus 0 of B is bus 1 of A. */
static void buses_meet_by_what_is_on_them(void **state)
{
    struct pair pair;
    (void)state;
    pair_begin(&pair);
    for (uint32_t id = 0x100; id < 0x108; id++) {
        made_cyclic(&pair.a, 0, id, 20 * MADE_MS, 5 * MADE_S, "one");
        made_cyclic(&pair.b, 1, id, 20 * MADE_MS, 5 * MADE_S, "one");
        made_cyclic(&pair.a, 1, id + 0x300, 50 * MADE_MS, 5 * MADE_S, "two");
        made_cyclic(&pair.b, 0, id + 0x300, 50 * MADE_MS, 5 * MADE_S, "two");
    }
    pair_compare(&pair);
    assert_int_equal(pair.count, 0);
    pair_end(&pair);
}

/* Thousands of identifiers that A has and B has not, each once; what B has stands out more. */
static void the_most_telling_of_too_many_differences_stay(void **state)
{
    struct pair pair;
    (void)state;
    pair_begin(&pair);
    for (uint32_t i = 0; i < LT_STREAMS_MAX; i++)
        made_add(&pair.a, 0, 0x10000 + i, i * MADE_MS, "a", 1);
    for (uint32_t i = 0; i < 20; i++)
        made_cyclic(&pair.b, 0, 0x700 + i, 20 * MADE_MS, 4 * MADE_S, "b");
    pair_compare(&pair);
    assert_int_equal(pair.count, LT_CHANGES_MAX);
    assert_int_equal(pair.left_out, LT_STREAMS_MAX + 20 - LT_CHANGES_MAX);
    for (size_t i = 0; i < 20; i++)
        assert_int_equal(pair.changes[i].kind, LT_CHANGE_FRAME_ONLY_B);
    pair_end(&pair);
}

static void nothing_compares_with_something(void **state)
{
    struct pair pair;
    (void)state;
    pair_begin(&pair);
    made_cyclic(&pair.b, 0, 0x155, 20 * MADE_MS, 10 * MADE_S, "abc");
    pair_compare(&pair);
    assert_int_equal(pair.count, 1);
    assert_int_equal(pair.changes[0].kind, LT_CHANGE_FRAME_ONLY_B);
    pair_end(&pair);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_planted_flag_comes_first),
        cmocka_unit_test(a_planted_enumeration_comes_first),
        cmocka_unit_test(a_planted_event_frame_comes_first),
        cmocka_unit_test(a_recording_does_not_differ_from_itself),
        cmocka_unit_test(counters_and_courses_do_not_stand_out),
        cmocka_unit_test(a_bit_at_rest_elsewhere_is_a_value_that_differs),
        cmocka_unit_test(another_period_is_told),
        cmocka_unit_test(buses_meet_by_what_is_on_them),
        cmocka_unit_test(the_most_telling_of_too_many_differences_stay),
        cmocka_unit_test(nothing_compares_with_something),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
