/* Finding things in a profile. */
#include "sketch.h"

static void names_are_found_whole(void **state)
{
    struct sketch s;
    (void)state;
    sketch_begin(&s);
    sketch_bus(&s, "powertrain");
    sketch_bus(&s, "body");
    sketch_frame(&s, "engine_a", 0, 0xC4, 8);
    sketch_signal(&s, "engine_speed", "0.7..1.0", LT_UNSIGNED, "1", "0");
    sketch_signal(&s, "engine", "2.7..2.0", LT_UNSIGNED, "1", "0");
    assert_int_equal(lt_profile_find_bus(&s.profile, LT_TEXT("body")), 1);
    assert_int_equal(lt_profile_find_bus(&s.profile, LT_TEXT("bod")), LT_NONE);
    assert_int_equal(lt_profile_find_frame(&s.profile, LT_TEXT("engine_a")), 0);
    assert_int_equal(lt_profile_find_frame(&s.profile, LT_TEXT("engine_ab")), LT_NONE);
    assert_int_equal(lt_profile_find_signal(&s.profile, LT_TEXT("engine")), 1);
    assert_int_equal(lt_profile_find_signal(&s.profile, LT_TEXT("")), LT_NONE);
}

static void the_unit_outside_is_the_roles(void **state)
{
    static const struct lt_role role = {.name = "oil_pressure", .unit = "kPa"};
    struct sketch s;
    (void)state;
    sketch_begin(&s);
    sketch_frame(&s, "f", LT_NONE, 1, 8);
    struct lt_signal_def *signal = sketch_signal(&s, "p", "0.7..0.0", LT_UNSIGNED, "1", "0");
    assert_string_equal(lt_signal_unit(signal), "");
    signal->unit = "bar";
    assert_string_equal(lt_signal_unit(signal), "bar");
    signal->role = &role;
    signal->role_unit = "kPa";
    assert_string_equal(lt_signal_unit(signal), "kPa");
    signal->role = NULL;
    signal->unit = "1";
    assert_string_equal(lt_signal_unit(signal), "");
}

static void labels_by_raw_value(void **state)
{
    static const struct lt_label labels[] = {
        {.raw = 0, .name = "comfort"},
        {.raw = 2, .name = "sport"},
        {.raw = UINT64_MAX, .name = "wet"},
    };
    struct lt_signal_def signal = {.labels = labels, .label_count = COUNT_OF(labels)};
    (void)state;
    assert_string_equal(lt_signal_label(&signal, 0), "comfort");
    assert_string_equal(lt_signal_label(&signal, 2), "sport");
    assert_string_equal(lt_signal_label(&signal, UINT64_MAX), "wet");
    assert_null(lt_signal_label(&signal, 1));
    assert_null(lt_signal_label(&signal, 3));
    signal.label_count = 0;
    assert_null(lt_signal_label(&signal, 0));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(names_are_found_whole),
        cmocka_unit_test(the_unit_outside_is_the_roles),
        cmocka_unit_test(labels_by_raw_value),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
