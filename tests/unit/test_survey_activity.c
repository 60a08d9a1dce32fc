/* Frames that come only with something. */
#include "made_bus.h"

/* A flag in 0x210 goes over nine times; 0x3A0 is sent every 50 ms while it is on. */
static void press(struct made_bus *made)
{
    bool on = false;
    int64_t next = 4 * MADE_S;
    for (int64_t t = 0; t < 90 * MADE_S; t += 50 * MADE_MS) {
        uint8_t data[8] = {0x12, 0};
        if (t >= next) {
            on = !on;
            next = t + (int64_t)(3 + made_random(made) % 6) * MADE_S;
        }
        data[1] = on ? 4 : 0;
        made_add(made, 0, 0x210, t, data, 8);
        if (on)
            made_add(made, 0, 0x3A0, t + 20 * MADE_MS, "\x11\x22", 2);
    }
    for (uint32_t id = 0x100; id < 0x106; id++)
        made_cyclic(made, 0, id, 20 * MADE_MS, 90 * MADE_S, "always");
}

static void a_frame_that_comes_with_a_flag_is_said_to(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 1);
    press(&made);
    made_survey(&made, 0);
    struct lt_survey_frame *frame = made_find(&made, 0, 0x3A0);
    assert_true(frame->only_with_activity);
    assert_non_null(strstr(frame->say, "bursts"));
    assert_non_null(strstr(frame->say, "changes of 1.2 in 210"));
    for (uint32_t id = 0x100; id < 0x106; id++)
        assert_false(made_find(&made, 0, id)->only_with_activity);
    assert_false(made_find(&made, 0, 0x210)->only_with_activity);
    made_end(&made);
}

static void frames_that_start_late_or_come_once_are_told(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 2);
    for (uint32_t id = 0x100; id < 0x106; id++)
        made_cyclic(&made, 0, id, 20 * MADE_MS, 60 * MADE_S, "always");
    for (int64_t t = 21 * MADE_S; t < 60 * MADE_S; t += 100 * MADE_MS)
        made_add(&made, 0, 0x222, t, "\x01", 1);
    made_add(&made, 0, 0x333, 42 * MADE_S, "\x01", 1);
    made_survey(&made, 0);
    assert_true(made_find(&made, 0, 0x222)->only_with_activity);
    assert_non_null(strstr(made_find(&made, 0, 0x222)->say, "from 21.00 s"));
    assert_true(made_find(&made, 0, 0x333)->only_with_activity);
    assert_non_null(strstr(made_find(&made, 0, 0x333)->say, "Came once, 42.00 s in"));
    made_end(&made);
}

/* The whole recording stops for a while: that is no frame's own doing. */
static void a_pause_of_all_is_no_activity(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 3);
    for (uint32_t id = 0x100; id < 0x106; id++)
        for (int64_t t = 0; t < 60 * MADE_S; t += 20 * MADE_MS)
            if (t < 20 * MADE_S || t > 40 * MADE_S)
                made_add(&made, 0, id, t, "\x01", 1);
    made_survey(&made, 0);
    for (size_t i = 0; i < made.survey->frame_count; i++)
        assert_false(made.survey->frames[i].only_with_activity);
    made_end(&made);
}

/* A tool that tries out identifiers: thousands of frames of which every byte has a flag. */
static void thousands_of_flags_are_no_lack_of_memory(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 4);
    for (int64_t i = 0; i < 16; i++)
        for (uint32_t id = 0; id < 2040; id++) {
            uint8_t data[8];
            for (unsigned k = 0; k < 8; k++)
                data[k] = (uint8_t)(made_random(&made) % 4 == 0 ? 0x10 : 0);
            made_add(&made, 0, id, i * MADE_S + id * 400000, data, 8);
        }
    made_survey(&made, 0);
    assert_int_equal(made.survey->frame_count, 2040);
    made_end(&made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_frame_that_comes_with_a_flag_is_said_to),
        cmocka_unit_test(frames_that_start_late_or_come_once_are_told),
        cmocka_unit_test(a_pause_of_all_is_no_activity),
        cmocka_unit_test(thousands_of_flags_are_no_lack_of_memory),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
