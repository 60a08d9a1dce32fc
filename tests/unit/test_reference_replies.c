/* References from diagnostic replies. Formulas of the parameters: SAE J1979 as publicly tabulated
 * (0C: (256 A + B) / 4 rpm; 0D: A km/h; 05: A - 40 degrees C; 04: A / 2.55 %); 34: (256 A + B) /
 * 32768). Identifiers: ISO 15765-4. */
#include "unit.h"

#include <math.h>

#include "loomtap/defs/load.h"
#include "loomtap/seek/reference.h"
#include "proto_frame.h"

static struct lt_profile *load(void)
{
    const char *root = getenv("LOOMTAP_SOURCE");
    char path[1024];
    struct lt_profile *profile = NULL;
    struct lt_faults faults;
    lt_faults_init(&faults, 0);
    snprintf(path, sizeof path, "%s/signaldefs/obd-ii.ini", root ? root : "../..");
    assert_int_equal(lt_profile_load(&profile, path, &faults), LT_OK);
    lt_faults_release(&faults);
    return profile;
}

struct got {
    struct lt_arena arena;
    struct lt_reference *list;
    const char *const *asked;
    size_t count, asked_count;
};

static struct got run(const struct lt_profile *const *profiles, size_t profile_count,
                      const char *const *frames, size_t count, uint16_t bus)
{
    struct lt_replies *replies;
    struct got got;
    assert_int_equal(lt_replies_new(&replies, profiles, profile_count, NULL), LT_OK);
    for (size_t i = 0; i < count; i++) {
        struct lt_frame frame = frame_of(frames[i], (int64_t)(i + 1) * 10 * MS);
        frame.bus = bus;
        assert_int_equal(lt_replies_feed(replies, &frame, NULL), LT_OK);
    }
    lt_arena_init(&got.arena, 0);
    assert_int_equal(lt_replies_references(replies, &got.arena, &got.list, &got.count, &got.asked,
                                           &got.asked_count, NULL),
                     LT_OK);
    lt_replies_free(replies);
    return got;
}

static const struct lt_reference *find(const struct got *got, const char *name, const char *target)
{
    for (size_t i = 0; i < got->count; i++)
        if (strcmp(got->list[i].name, name) == 0 && strcmp(got->list[i].target, target) == 0)
            return &got->list[i];
    print_message("no %s %s\n", name, target);
    fail();
    return NULL;
}

static void controllers_are_kept_apart_and_targets_are_roles(void **state)
{
    (void)state;
    static const char *const frames[] = {
        "7DF#02010C0000000000", "7E8#04410C1AF8000000", "7E9#04410C1B00000000",
        "7DF#02010D0000000000", "7E8#03410D3200000000", "7DF#02010C0000000000",
        "7E8#04410C1F40000000", "7DF#0201050000000000", "7E8#0341057B00000000",
        "7DF#02015C0000000000",
    };
    const struct lt_profile *profile = load();
    struct got got = run(&profile, 1, frames, COUNT_OF(frames), 3);
    const struct lt_reference *speed = find(&got, "obd 01 0C 7E8", "engine_speed");
    assert_int_equal(speed->count, 2);
    assert_true(speed->value[0] == 1726 && speed->value[1] == 2000);
    assert_int_equal(speed->time_ns[0], 20 * MS);
    assert_string_equal(speed->unit, "rpm");
    assert_true(speed->quantum == 0.25);
    assert_int_equal(speed->bus, 3);
    assert_true(speed->lag_low_ns < 0 && speed->lag_high_ns >= 500 * MS);
    assert_false(speed->clock_unknown);
    assert_true(find(&got, "obd 01 0C 7E9", "engine_speed")->value[0] == 1728);
    assert_true(find(&got, "obd 01 0D 7E8", "vehicle_speed")->value[0] == 50);
    assert_true(find(&got, "obd 01 05 7E8", "coolant_temp")->value[0] == 83);
    assert_int_equal(got.count, 4);
    /* In the order service, number, controller. */
    assert_string_equal(got.list[0].name, "obd 01 05 7E8");
    assert_string_equal(got.list[1].name, "obd 01 0C 7E8");
    assert_string_equal(got.list[2].name, "obd 01 0C 7E9");
    assert_int_equal(got.asked_count, 1);
    assert_string_equal(got.asked[0], "01 5C");
    lt_arena_release(&got.arena);
    lt_profile_free((struct lt_profile *)(uintptr_t)profile);
}

/* One question for several, one answer in two frames; 29-bit identifiers. */
static void several_parameters_in_one_reply(void **state)
{
    (void)state;
    static const char *const frames[] = {
        "18DB33F1#04010C0D04000000", "18DAF110#1008410C1AF80D32", "18DA10F1#3000000000000000",
        "18DAF110#2104FF0000000000", "18DAF118#04410C1AFC000000",
    };
    const struct lt_profile *profile = load();
    struct got got = run(&profile, 1, frames, COUNT_OF(frames), 0);
    assert_int_equal(got.count, 4);
    assert_true(find(&got, "obd 01 0C 18DAF110", "engine_speed")->value[0] == 1726);
    assert_true(find(&got, "obd 01 0D 18DAF110", "vehicle_speed")->value[0] == 50);
    assert_true(find(&got, "obd 01 04 18DAF110", "load")->value[0] == 100);
    assert_int_equal(find(&got, "obd 01 04 18DAF110", "load")->time_ns[0], 40 * MS);
    assert_true(find(&got, "obd 01 0C 18DAF118", "engine_speed")->value[0] == 1727);
    lt_arena_release(&got.arena);
    lt_profile_free((struct lt_profile *)(uintptr_t)profile);
}

static void lambda_comes_beside_a_current_too(void **state)
{
    (void)state;
    static const char *const frames[] = {"7E8#0641348800800000", "7E8#0641248000800000"};
    const struct lt_profile *profile = load();
    struct got got = run(&profile, 1, frames, COUNT_OF(frames), 0);
    const struct lt_reference *lambda = find(&got, "obd 01 34 7E8", "lambda");
    assert_true(lambda->value[0] == 1.0625 && lambda->role);
    assert_true(find(&got, "obd 01 24 7E8", "lambda")->value[0] == 1);
    find(&got, "obd 01 34 7E8", "obd_o2_s1_current");
    lt_arena_release(&got.arena);
    lt_profile_free((struct lt_profile *)(uintptr_t)profile);
}

/* Lambda of an engine in overrun is beyond what two bytes over 32768 can say; 100 % of a load is
 * not. */
static void the_end_of_a_fine_scale_is_no_value(void **state)
{
    (void)state;
    static const char *const frames[] = {"7E8#064134FFFF800000", "7E8#0641348000800000",
                                         "7E8#064134FFFE800000", "7E8#034104FF00000000"};
    const struct lt_profile *profile = load();
    struct got got = run(&profile, 1, frames, COUNT_OF(frames), 0);
    const struct lt_reference *lambda = find(&got, "obd 01 34 7E8", "lambda");
    assert_int_equal(lambda->count, 2);
    assert_true(lambda->value[0] == 1 && lambda->value[1] == 65534 / 32768.0);
    assert_int_equal(find(&got, "obd 01 34 7E8", "obd_o2_s1_current")->count, 3);
    assert_true(find(&got, "obd 01 04 7E8", "load")->value[0] == 100);
    lt_arena_release(&got.arena);
    lt_profile_free((struct lt_profile *)(uintptr_t)profile);
}

static void identifiers_of_a_cars_own_profile(void **state)
{
    (void)state;
    static const char text[] = "[profile]\nformat = 1\nname = t\ntitle = t\n\n"
                               "[parameter oil]\nservice = 0x22\npid = 0xF40A\nlength = 2\n"
                               "responder = 0x7E8\n\n"
                               "[signal oil_temp]\nparameter = oil\nbits = 0.7..1.0\n"
                               "order = motorola\nscale = 0.5\noffset = -40\nunit = degC\n"
                               "role = oil_temp\nunavailable = 0xFFFF\n";
    static const char *const frames[] = {
        "7E0#0322F40A00000000", "7E8#0562F40A00C80000", "7E0#0322F40A00000000",
        "7E8#0562F40AFFFF0000", "7E0#0322F40B00000000", "7E8#0462F40B11000000",
        "7E0#0322F40C00000000", "7E8#037F223100000000",
    };
    struct lt_profile *profile = NULL;
    struct lt_faults faults;
    lt_faults_init(&faults, 0);
    assert_int_equal(lt_profile_load_memory(&profile, "t.ini", LT_TEXT(text), &faults), LT_OK);
    lt_faults_release(&faults);
    const struct lt_profile *list[] = {profile};
    struct got got = run(list, 1, frames, COUNT_OF(frames), 0);
    assert_int_equal(got.count, 1);
    const struct lt_reference *oil = find(&got, "obd 22 F40A 7E8", "oil_temp");
    assert_int_equal(oil->count, 1); /* the code for "not available" is no value */
    assert_true(oil->value[0] == 60);
    assert_int_equal(got.asked_count, 2);
    assert_non_null(strstr(got.asked[0], "22 F40B (answered"));
    assert_string_equal(got.asked[1], "22 F40C");
    lt_arena_release(&got.arena);
    lt_profile_free(profile);
}

static void a_capture_without_diagnostics_gives_none(void **state)
{
    (void)state;
    static const char *const frames[] = {"123#00", "7E7F#00"};
    const struct lt_profile *profile = load();
    struct got got = run(&profile, 1, frames, 1, 0);
    assert_int_equal(got.count, 0);
    assert_int_equal(got.asked_count, 0);
    lt_arena_release(&got.arena);
    lt_profile_free((struct lt_profile *)(uintptr_t)profile);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(controllers_are_kept_apart_and_targets_are_roles),
        cmocka_unit_test(several_parameters_in_one_reply),
        cmocka_unit_test(lambda_comes_beside_a_current_too),
        cmocka_unit_test(the_end_of_a_fine_scale_is_no_value),
        cmocka_unit_test(identifiers_of_a_cars_own_profile),
        cmocka_unit_test(a_capture_without_diagnostics_gives_none),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
