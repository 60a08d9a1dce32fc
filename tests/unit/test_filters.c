/* Kernel filters: a range is let through and nothing beside it, with few masks; a profile's frames
 * and conversations pass. The masks are applied as linux/can.h says: id & mask == filter & mask. */
#include "unit.h"

#include "loomtap/core/plan.h"
#include "loomtap/live/filters.h"

static struct lt_can_filter filters[LT_CAN_FILTERS_MAX];
static size_t count;

static bool passes(uint32_t id, bool extended)
{
    for (size_t i = 0; i < count; i++)
        if (filters[i].extended == extended && ((id ^ filters[i].id) & filters[i].mask) == 0)
            return true;
    return false;
}

static void check_range(uint32_t first, uint32_t last, size_t masks)
{
    count = 0;
    assert_true(lt_filters_add_range(filters, &count, first, last, false));
    assert_int_equal(count, masks);
    for (uint32_t id = 0; id <= LT_ID_MAX_STANDARD; id++)
        assert_int_equal(passes(id, false), id >= first && id <= last);
    assert_false(passes(first, true));
}

static void a_range_passes_and_nothing_beside_it(void **state)
{
    (void)state;
    check_range(0x123, 0x123, 1);
    check_range(0x100, 0x1FF, 1);
    check_range(0, 0x7FF, 1);
    check_range(0x7DF, 0x7EF, 2);
    check_range(1, 0x7FE, 20); /* 1, 2-3, 4-7 ... and the same downwards */
    check_range(0x0FF, 0x101, 2);
}

static void extended_ranges_reach_the_last_identifier(void **state)
{
    (void)state;
    count = 0;
    assert_true(lt_filters_add_range(filters, &count, 0x1FFFFF00, 0x1FFFFFFF, true));
    assert_int_equal(count, 1);
    assert_true(passes(0x1FFFFFFF, true));
    assert_false(passes(0x1FFFFEFF, true));
}

static void what_passes_already_takes_no_room(void **state)
{
    (void)state;
    count = 0;
    for (int i = 0; i < 3; i++)
        assert_true(lt_filters_add_range(filters, &count, 0x100, 0x100, false));
    assert_int_equal(count, 1);
}

static void too_many_are_refused(void **state)
{
    (void)state;
    count = 0;
    bool good = true;
    for (uint32_t id = 0; good && id <= LT_ID_MAX_STANDARD; id += 2)
        good = lt_filters_add_range(filters, &count, id, id, false);
    assert_false(good);
    assert_int_equal(count, LT_CAN_FILTERS_MAX);
}

static struct lt_profile profile_of(struct lt_frame_def *frames, size_t frame_count,
                                    struct lt_parameter_def *parameters, size_t parameter_count)
{
    count = 0;
    return (struct lt_profile){.frames = frames,
                               .frame_count = frame_count,
                               .parameters = parameters,
                               .parameter_count = parameter_count};
}

/* SAE J1939-21: EEC1 is PGN 61444, F004, from source 0 as 0CF00400; TSC1 is PGN 0, whose PS is the
 * destination. */
static void pgns_pass_whatever_their_priority_and_destination(void **state)
{
    struct lt_frame_def frames[] = {
        {.is_pgn = true, .pgn = 61444, .source = LT_NONE, .extended = true, .length = 8},
        {.is_pgn = true, .pgn = 0, .source = 0x03, .extended = true, .length = 8},
        {.id = 0x0C4, .length = 8},
    };
    (void)state;
    struct lt_profile profile = profile_of(frames, 3, NULL, 0);
    assert_true(lt_filters_add_profile(filters, &count, &profile));
    assert_true(passes(0x0CF00400, true) && passes(0x18F004FE, true));
    assert_false(passes(0x0CF00500, true));
    assert_true(passes(0x0C000003, true) && passes(0x0C00FF03, true));
    assert_false(passes(0x0C000004, true));
    assert_true(passes(0x0C4, false));
    assert_false(passes(0x0C4, true) || passes(0x7E8, false) || passes(0x1CECFF00, true));
}

/* SAE J1939-21: more than 8 bytes come by TP.CM (60416) and TP.DT (60160). */
static void long_groups_pass_with_their_transport(void **state)
{
    struct lt_frame_def frame = {
        .is_pgn = true, .pgn = 65251, .source = LT_NONE, .extended = true, .length = 39};
    (void)state;
    struct lt_profile profile = profile_of(&frame, 1, NULL, 0);
    assert_true(lt_filters_add_profile(filters, &count, &profile));
    assert_true(passes(0x1CECFF00, true) && passes(0x1CEBFF00, true));
}

/* ISO 15765-4: 7DF and 7E0..7EF; 18DB33F1, 18DAF110. */
static void parameters_pass_with_their_questions(void **state)
{
    struct lt_parameter_def parameters[] = {{.service = 1, .pid = 0x0C, .responder = LT_NONE},
                                            {.service = 0x22, .pid = 0x1234, .responder = 0x7A8}};
    (void)state;
    struct lt_profile profile = profile_of(NULL, 0, parameters, 2);
    assert_true(lt_filters_add_profile(filters, &count, &profile));
    assert_true(passes(0x7DF, false) && passes(0x7E8, false) && passes(0x7A8, false));
    assert_true(passes(0x18DB33F1, true) && passes(0x18DAF110, true));
    assert_false(passes(0x7F0, false) || passes(0x18DC0000, true));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_range_passes_and_nothing_beside_it),
        cmocka_unit_test(extended_ranges_reach_the_last_identifier),
        cmocka_unit_test(what_passes_already_takes_no_room),
        cmocka_unit_test(too_many_are_refused),
        cmocka_unit_test(pgns_pass_whatever_their_priority_and_destination),
        cmocka_unit_test(long_groups_pass_with_their_transport),
        cmocka_unit_test(parameters_pass_with_their_questions),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
