/* A signal that a profile knows, as a reference. */
#include "unit.h"

#include "loomtap/defs/load.h"
#include "loomtap/measure/collect.h"
#include "loomtap/seek/reference.h"

#define MS_NS INT64_C(1000000)

static const char text[] =
    "[profile]\nformat = 1\nname = tarn\ntitle = Tarn (invented)\n\n"
    "[bus powertrain]\nbitrate = 500000\n\n"
    "[frame engine]\nbus = powertrain\nid = 0x0C4\nlength = 8\n\n"
    "[frame absent]\nbus = powertrain\nid = 0x0C5\nlength = 8\n\n"
    "[signal engine_speed]\nframe = engine\nbits = 0.7..1.0\norder = motorola\nscale = 0.25\n"
    "unit = rpm\nrole = engine_speed\nunavailable = 0xFFFF\n\n"
    "[signal drive_mode]\nframe = engine\nbits = 3.1..3.0\nrole = drive_mode\n"
    "values = 0 comfort, 1 sport\n\n"
    "[signal nowhere]\nframe = absent\nbits = 0.7..0.0\n";

static struct lt_profile *load(void)
{
    struct lt_profile *profile = NULL;
    struct lt_faults faults;
    lt_faults_init(&faults, 0);
    assert_int_equal(lt_profile_load_memory(&profile, "t.ini", LT_TEXT(text), &faults), LT_OK);
    lt_faults_release(&faults);
    return profile;
}

static struct lt_collect *collect_engine(void)
{
    struct lt_collect *collect;
    assert_int_equal(lt_collect_new(&collect, NULL, NULL), LT_OK);
    for (int i = 0; i < 100; i++) {
        struct lt_frame frame = {
            .time_ns = i * 10 * MS_NS, .id = 0x0C4, .bus = 1, .len = 8, .raw_dlc = 8};
        unsigned raw = i == 50 ? 0xFFFF : 4000u + (unsigned)i;
        frame.data[0] = (uint8_t)(raw >> 8);
        frame.data[1] = (uint8_t)raw;
        assert_int_equal(lt_collect_add(collect, &frame, NULL), LT_OK);
    }
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    return collect;
}

static void values_come_from_the_kept_frames(void **state)
{
    (void)state;
    struct lt_profile *profile = load();
    struct lt_collect *collect = collect_engine();
    struct lt_arena arena;
    struct lt_reference reference;
    lt_arena_init(&arena, 0);
    assert_int_equal(lt_reference_from_profile(profile, "engine_speed", LT_NONE, collect, &arena,
                                               &reference, NULL),
                     LT_OK);
    assert_int_equal(reference.from, LT_FROM_PROFILE);
    assert_int_equal(reference.count, 99); /* without the code for "not available" */
    assert_true(reference.value[0] == 1000 && reference.value[98] == 1024.75);
    assert_true(reference.quantum == 0.25);
    assert_string_equal(reference.target, "engine_speed");
    assert_true(reference.lag_low_ns < 0 && reference.lag_high_ns > 0);
    lt_arena_release(&arena);
    lt_collect_free(collect);
    lt_profile_free(profile);
}

static void its_own_bits_are_no_copy(void **state)
{
    (void)state;
    struct lt_profile *profile = load();
    struct lt_collect *collect = collect_engine();
    struct lt_arena arena;
    struct lt_reference reference;
    struct lt_bits low, beside;
    lt_arena_init(&arena, 0);
    assert_int_equal(
        lt_reference_from_profile(profile, "engine_speed", 1, collect, &arena, &reference, NULL),
        LT_OK);
    assert_true(lt_bits_parse(LT_TEXT("1.7..1.0"), &low));
    assert_true(lt_bits_parse(LT_TEXT("2.7..2.0"), &beside));
    struct lt_stream_key key = reference.source;
    assert_true(lt_reference_is_source(&reference, &key, false, 0, &low));
    assert_false(lt_reference_is_source(&reference, &key, false, 0, &beside));
    key.bus = 0; /* the gateway's copy of the frame is one */
    assert_false(lt_reference_is_source(&reference, &key, false, 0, &low));
    lt_arena_release(&arena);
    lt_collect_free(collect);
    lt_profile_free(profile);
}

static void what_is_no_reference_is_told(void **state)
{
    (void)state;
    static const struct {
        const char *signal;
        uint32_t bus;
        enum lt_code code;
    } wrong[] = {
        {"boost", LT_NONE, LT_E_UNKNOWN},
        {"drive_mode", LT_NONE, LT_E_CONFLICT},
        {"nowhere", LT_NONE, LT_E_MISSING},
        {"engine_speed", 0, LT_E_MISSING},
    };
    struct lt_profile *profile = load();
    struct lt_collect *collect = collect_engine();
    struct lt_arena arena;
    struct lt_reference reference;
    struct lt_error error;
    lt_arena_init(&arena, 0);
    for (size_t i = 0; i < COUNT_OF(wrong); i++) {
        assert_int_equal(lt_reference_from_profile(profile, wrong[i].signal, wrong[i].bus, collect,
                                                   &arena, &reference, &error),
                         wrong[i].code);
        assert_non_null(strstr(error.text, wrong[i].signal));
        assert_true(error.advice[0] != '\0');
    }
    lt_arena_release(&arena);
    lt_collect_free(collect);
    lt_profile_free(profile);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(values_come_from_the_kept_frames),
        cmocka_unit_test(its_own_bits_are_no_copy),
        cmocka_unit_test(what_is_no_reference_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
