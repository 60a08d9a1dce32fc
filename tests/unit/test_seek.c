/* The numeric search from end to end, on made traffic whose truth is known; and what it must not
 * say of references that it cannot compare. */
#include "unit.h"

#include <math.h>

#include "loomtap/measure/collect.h"
#include "loomtap/seek/seek.h"

#define MS_NS  INT64_C(1000000)
#define FRAMES 12000u
#define ASKED  600u

struct asked {
    struct lt_collect *collect;
    struct lt_arena arena;
    int64_t time_ns[ASKED];
    double value[ASKED];
    struct lt_reference reference;
};

static double noise(uint32_t *state)
{
    *state = *state * 1664525u + 1013904223u;
    return (double)(*state >> 16) / 32768 - 1;
}

/* Two minutes. 0x0C4 each 10 ms: bytes 0 and 1 an engine's speed in quarters of a revolution, most
 * significant byte first; byte 4 a number of its own. Asked each 200 ms, in whole quarters. */
static void drive(struct asked *asked, bool carries)
{
    uint32_t state = 5, other_state = 77;
    double slow = 0, speed = 2000, other = 0;
    memset(asked, 0, sizeof *asked);
    lt_arena_init(&asked->arena, 0);
    assert_int_equal(lt_collect_new(&asked->collect, NULL, NULL), LT_OK);
    size_t count = 0;
    for (unsigned i = 0; i < FRAMES; i++) {
        struct lt_frame frame = {
            .time_ns = i * 10 * MS_NS, .id = 0x0C4, .len = 8, .raw_dlc = 8, .number = i + 1};
        slow += -slow * 0.005 + noise(&state) * 0.12;
        speed += (2600 + 900 * slow - speed) * 0.03;
        other += -other * 0.01 + noise(&other_state) * 0.1;
        speed = speed < 700 ? 700 : speed > 7000 ? 7000 : speed;
        unsigned raw = (unsigned)lround(speed * 4);
        if (carries) {
            frame.data[0] = (uint8_t)(raw >> 8);
            frame.data[1] = (uint8_t)raw;
        }
        frame.data[4] = (uint8_t)lround(128 + fmax(fmin(50 * other, 120), -120));
        assert_int_equal(lt_collect_add(asked->collect, &frame, NULL), LT_OK);
        if (i % 20 == 3 && count < ASKED) {
            asked->time_ns[count] = frame.time_ns + MS_NS;
            asked->value[count++] = raw / 4.0;
        }
    }
    assert_int_equal(lt_collect_finish(asked->collect, NULL), LT_OK);
    asked->reference = (struct lt_reference){.from = LT_FROM_CSV,
                                             .name = "drive.csv rpm",
                                             .target = "engine_speed",
                                             .role = lt_role_find(LT_TEXT("engine_speed")),
                                             .unit = "rpm",
                                             .count = count,
                                             .time_ns = asked->time_ns,
                                             .value = asked->value,
                                             .quantum = 0.25,
                                             .lag_low_ns = -100 * MS_NS,
                                             .lag_high_ns = 300 * MS_NS};
}

static void forget(struct asked *asked)
{
    lt_collect_free(asked->collect);
    lt_arena_release(&asked->arena);
}

static const struct lt_seek_target *seek(struct asked *asked)
{
    struct lt_seek_target *target = NULL;
    assert_int_equal(
        lt_seek(asked->collect, &asked->reference, 1, NULL, &asked->arena, &target, NULL), LT_OK);
    print_message("%s\n", target->say);
    return target;
}

static void a_number_is_found_with_its_scale(void **state)
{
    (void)state;
    struct asked asked;
    drive(&asked, true);
    const struct lt_seek_target *target = seek(&asked);
    assert_int_equal(target->verdict, LT_SEEK_FOUND);
    const struct lt_candidate *best = &target->candidates[0];
    char text[128];
    lt_bits_print(text, sizeof text, &best->bits);
    assert_string_equal(strchr(text, '.') + 2, "..1.0"); /* the top bits hardly move */
    assert_int_equal(best->bits.part[0].msb / 8, 0);
    assert_int_equal(best->order, LT_ORDER_MOTOROLA);
    assert_int_equal(best->sign, LT_UNSIGNED);
    assert_true(fabs(best->scale - 0.25) < 0.0025 && fabs(best->offset) < 0.5);
    assert_true(fabs(best->lag_s) < 0.03);
    assert_true(target->null_r > 0 && target->null_r < fabs(best->r));
    forget(&asked);
}

static void what_no_frame_carries_is_not_found(void **state)
{
    (void)state;
    struct asked asked;
    drive(&asked, false);
    assert_int_equal(seek(&asked)->verdict, LT_SEEK_NOT_ON_BUS);
    forget(&asked);
}

/* Nothing was compared, so nothing may be said of the bus. */
static void times_of_another_clock_say_nothing_of_the_bus(void **state)
{
    (void)state;
    struct asked asked;
    drive(&asked, true);
    for (size_t i = 0; i < asked.reference.count; i++)
        asked.time_ns[i] += 3600 * 1000 * MS_NS;
    asked.reference.clock_unknown = true;
    const struct lt_seek_target *target = seek(&asked);
    assert_int_equal(target->verdict, LT_SEEK_NOT_EXERCISED);
    assert_non_null(strstr(target->say, "another clock"));
    assert_int_equal(target->count, 0);
    forget(&asked);
}

static void labels_are_refused_and_not_found(void **state)
{
    (void)state;
    struct asked asked;
    drive(&asked, true);
    struct lt_seek_target *target = NULL;
    struct lt_error error;
    const char *labels[] = {"comfort", "sport"};
    struct lt_reference marks = {.from = LT_FROM_MARKS,
                                 .name = "marks.csv",
                                 .target = "drive_mode",
                                 .count = 2,
                                 .time_ns = asked.time_ns,
                                 .label = labels};
    assert_int_equal(lt_seek(asked.collect, &marks, 1, NULL, &asked.arena, &target, &error),
                     LT_E_CONFLICT);
    assert_null(target);
    assert_non_null(strstr(error.text, "marks.csv"));
    assert_true(error.advice[0] != '\0');
    forget(&asked);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_number_is_found_with_its_scale),
        cmocka_unit_test(what_no_frame_carries_is_not_found),
        cmocka_unit_test(times_of_another_clock_say_nothing_of_the_bus),
        cmocka_unit_test(labels_are_refused_and_not_found),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
