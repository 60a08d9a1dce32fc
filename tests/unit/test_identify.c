/* Which of several profiles is a car's: small captures and profiles whose answer is plain. The
 * weights are those of the table in docs/man/loomtap-identify.1. */
#include "proving.h"

#include "loomtap/prove/identify.h"

#define PROFILES_MAX 8
#define FRAME_A      "[frame a]\nbus = b\nid = 0x120\nlength = 8\nperiod_ms = 10\n"
#define FRAME_B      "[frame b]\nbus = b\nid = 0x121\nlength = 8\nperiod_ms = 20\n"
#define FRAME_C      "[frame c]\nbus = b\nid = 0x122\nlength = 8\nperiod_ms = 50\n"
#define CHECKED      "counter = 1.3..1.0\nchecksum = xor over 0..6 in 7\n"
#define CAR          HEAD BUS FRAME_A CHECKED FRAME_B CHECKED FRAME_C CHECKED

static struct lt_profile *profiles[PROFILES_MAX];
static struct lt_arena arena;

static void put_checked(double ms, const char *bus, const char *id, unsigned i)
{
    uint8_t data[8] = {(uint8_t)(i / 3), (uint8_t)(0x20 | (i & 15)), 7, 0, 0, 0, 0, 0};
    for (unsigned k = 0; k < 7; k++)
        data[7] ^= data[k];
    put(ms, bus, id, data, 8);
}

/* Three seconds of the car, from `start_ms` on. */
static void drive_at(double start_ms, const char *bus)
{
    for (unsigned ms = 0; ms < 3000; ms += 10) {
        put_checked(start_ms + ms, bus, "120", ms / 10);
        if (ms % 20 == 0)
            put_checked(start_ms + ms + 1, bus, "121", ms / 20);
        if (ms % 50 == 0)
            put_checked(start_ms + ms + 2, bus, "122", ms / 50);
    }
}

static void drop_all(void)
{
    for (size_t i = 0; i < PROFILES_MAX; i++) {
        lt_profile_free(profiles[i]);
        profiles[i] = NULL;
    }
    lt_arena_release(&arena);
}

static const struct lt_identification *identify_given(const char *const *texts, size_t count,
                                                      const struct lt_identify_given *given)
{
    struct lt_prove_reading reading = {.threads = 1};
    struct lt_identify *identify;
    struct lt_identification *result = NULL;
    struct lt_reader *reader;
    struct lt_faults faults;
    struct lt_error error;
    drop_all();
    lt_arena_init(&arena, 0);
    lt_faults_init(&faults, 0);
    for (size_t i = 0; i < count; i++)
        if (lt_profile_load_memory(&profiles[i], "t.ini", lt_text_of(texts[i]), &faults) != LT_OK)
            fail_msg("%s", faults.count ? faults.items[0].text : "no profile");
    lt_faults_release(&faults);
    assert_int_equal(
        lt_identify_new(&identify, (const struct lt_profile *const *)profiles, count, &error),
        LT_OK);
    assert_int_equal(
        lt_reader_open_memory(&reader, "t.log", capture.at, capture.len, 0, NULL, &error), LT_OK);
    assert_int_equal(lt_identify_read(identify, reader, &reading, &error), LT_OK);
    assert_int_equal(lt_identify_finish(identify, given, &arena, &result, &error), LT_OK);
    lt_reader_free(reader);
    lt_identify_free(identify);
    return result;
}

static const struct lt_identification *identify(const char *const *texts, size_t count)
{
    return identify_given(texts, count, &(struct lt_identify_given){.threads = 2});
}

#define EXPECT(result, first, word)                                                                \
    do {                                                                                           \
        assert_int_equal((result)->ranking[0].profile, first);                                     \
        assert_string_equal(lt_identify_verdict_name((result)->verdict), word);                    \
    } while (0)

static void right_one_is_first(void **state)
{
    static const char *const texts[] = {
        HEAD BUS FRAME_A "counter = 1.2..1.0\n" FRAME_B CHECKED FRAME_C CHECKED, /* counter */
        HEAD BUS "[frame a]\nbus = b\nid = 0x130\nlength = 8\nperiod_ms = 10\n" CHECKED FRAME_B
            CHECKED FRAME_C CHECKED, /* identifier */
        CAR,
        HEAD BUS FRAME_A CHECKED FRAME_B CHECKED
        "[frame c]\nbus = b\nid = 0x122\nlength = 8\nperiod_ms = 100\n" CHECKED, /* period */
        HEAD BUS FRAME_A CHECKED FRAME_B
        "counter = 1.3..1.0\nchecksum = xor over 0..6 in 7 start 1\n" FRAME_C CHECKED, /* check */
        HEAD BUS FRAME_A CHECKED FRAME_B CHECKED
        "[frame c]\nbus = b\nid = 0x122\nlength = 7\nperiod_ms = 50\n", /* length */
    };
    (void)state;
    begin_capture();
    drive_at(0, "can0");
    const struct lt_identification *result = identify(texts, COUNT_OF(texts));
    EXPECT(result, 2, "fits");
    assert_int_equal(result->ranking[0].misfit_count, 0);
    assert_int_equal(result->ranking[0].frames_here, 3);
    assert_int_equal(result->ranking[0].checks_right, 3);
    for (size_t i = 1; i < result->count; i++) {
        assert_false(result->ranking[i].fits);
        assert_int_not_equal(result->ranking[i].misfit_count, 0);
    }
    /* Without it none fits. */
    result = identify(texts, 2);
    assert_int_equal(result->verdict, LT_IDENTIFY_NONE);
}

static bool is_said(const struct lt_identity *entry, const char *text)
{
    for (size_t i = 0; i < entry->misfit_count; i++)
        if (strstr(entry->misfits[i], text))
            return true;
    return false;
}

/* A claimed frame that is absent weighs more than one that is not known; a wrong checksum on a
 * frame that is there weighs most. */
static void absent_weighs_more_than_unknown(void **state)
{
    static const char *const texts[] = {
        HEAD BUS FRAME_A CHECKED FRAME_B CHECKED, /* 0x122 not known */
        CAR "[frame d]\nbus = b\nid = 0x123\nlength = 8\nperiod_ms = 50\n",
        HEAD BUS FRAME_A CHECKED FRAME_B CHECKED FRAME_C "checksum = xor over 0..6 in 7 start 9\n",
    };
    (void)state;
    begin_capture();
    drive_at(0, "can0");
    const struct lt_identification *result = identify(texts, COUNT_OF(texts));
    EXPECT(result, 0, "fits");
    assert_int_equal(result->ranking[1].profile, 1);
    assert_true(is_said(&result->ranking[1], "1 of 4 frames never came"));
    assert_int_equal(result->ranking[2].profile, 2);
    assert_true(is_said(&result->ranking[2], "checksum of c"));
    assert_true(result->ranking[0].unexplained > 0);
    assert_true(result->ranking[1].against > result->ranking[0].unexplained);
}

/* A name in [bus] is of whoever recorded the profile's first capture. */
static void buses_go_by_content(void **state)
{
    static const char *const text =
        HEAD "[bus one]\nbitrate = 500000\ninterface = can0\n[bus two]\nbitrate = 500000\n"
             "interface = can1\n"
             "[frame a]\nbus = one\nid = 0x120\nlength = 8\nperiod_ms = 10\n" CHECKED
             "[frame b]\nbus = one\nid = 0x121\nlength = 8\nperiod_ms = 20\n" CHECKED
             "[frame k]\nbus = two\nid = 0x200\nlength = 8\nperiod_ms = 10\n" CHECKED;
    (void)state;
    begin_capture();
    for (unsigned ms = 0; ms < 3000; ms += 10) {
        put_checked(ms, "can1", "120", ms / 10);
        put_checked(ms, "can1", "121", ms / 10);
        put_checked(ms, "can0", "200", ms / 10);
    }
    const struct lt_identification *result = identify(&text, 1);
    assert_int_equal(result->ranking[0].frames_here, 3);
    /* What is said goes before that. */
    const struct lt_bus_said said = {lt_text_of("one"), lt_text_of("can0")};
    result = identify_given(&text, 1, &(struct lt_identify_given){.said = &said, .said_count = 1});
    assert_int_equal(result->ranking[0].frames_here, 0);
}

#define LOAD_CAR(scale)                                                                            \
    CAR "[signal load]\nframe = a\nbits = 0.7..0.0\nscale = " scale "\nunit = %\nrole = load\n"

/* Variants that differ in a scale alone. */
static void diagnostics_tell_scales_apart(void **state)
{
    static const char *const texts[] = {LOAD_CAR("0.5"), LOAD_CAR("0.25"), LOAD_CAR("1")};
    int64_t times[100];
    double values[100];
    (void)state;
    begin_capture();
    for (unsigned i = 0; i < 2000; i++) { /* a triangle of 200 frames */
        unsigned at = i % 200 < 100 ? i % 200 : 199 - i % 200;
        uint8_t data[8] = {(uint8_t)at, (uint8_t)(i & 15), 0, 0, 0, 0, 0, 0};
        data[7] = data[0] ^ data[1];
        put(10 * i, "can0", "120", data, 8);
        if (i % 2 == 0)
            put_checked(10 * i, "can0", "121", i / 2);
        if (i % 5 == 0)
            put_checked(10 * i, "can0", "122", i / 5);
        if (i % 20 == 0) {
            times[i / 20] = INT64_C(1700000000000000000) + (int64_t)i * 10000000;
            values[i / 20] = at * 0.25;
        }
    }
    const struct lt_proof_reference reference = {"obd 01 04 7E8", "load", 100, times, values, 0.4};
    const struct lt_identification *result =
        identify_given(texts, COUNT_OF(texts),
                       &(struct lt_identify_given){.references = &reference, .reference_count = 1});
    EXPECT(result, 1, "fits");
    assert_true(is_said(&result->ranking[1], "obd of load"));
    /* Nothing tells them apart without. */
    result = identify(texts, 2);
    assert_int_equal(result->verdict, LT_IDENTIFY_AMBIGUOUS);
}

/* The second piece begins before the first ended: the gap is no lost frame, no counter jumps. */
static void clock_steps_are_no_faults(void **state)
{
    static const char *const text = CAR;
    (void)state;
    begin_capture();
    drive_at(100000, "can0");
    drive_at(0, "can0");
    drive_at(500000, "can0");
    const struct lt_identification *result = identify(&text, 1);
    EXPECT(result, 0, "fits");
    assert_int_equal(result->ranking[0].misfit_count, 0);
}

#define OTHER_CAR                                                                                  \
    HEAD "[bus b]\nbitrate = 500000\n"                                                             \
         "[frame x]\nbus = b\nid = 0x300\nlength = 8\nperiod_ms = 10\n" CHECKED                    \
         "[frame y]\nbus = b\nid = 0x301\nlength = 8\nperiod_ms = 10\n" CHECKED                    \
         "[frame z]\nbus = b\nid = 0x302\nlength = 8\nperiod_ms = 10\n" CHECKED

static void two_cars_in_one_capture_are_ambiguous(void **state)
{
    static const char *const texts[] = {CAR, OTHER_CAR};
    (void)state;
    begin_capture();
    for (unsigned ms = 0; ms < 3000; ms += 10) {
        put_checked(ms, "can0", "300", ms / 10);
        put_checked(ms, "can0", "301", ms / 10);
        put_checked(ms, "can0", "302", ms / 10);
    }
    drive_at(3000, "can0");
    const struct lt_identification *result = identify(texts, 2);
    assert_int_equal(result->verdict, LT_IDENTIFY_AMBIGUOUS);
    assert_non_null(strstr(result->say, "two cars"));
}

static void strange_captures_fit_none(void **state)
{
    static const char *const texts[] = {CAR, OTHER_CAR};
    (void)state;
    begin_capture();
    assert_int_equal(identify(texts, 2)->verdict, LT_IDENTIFY_NONE);
    for (unsigned i = 0; i < 300; i++)
        put_checked(10 * i, "can0", "7A0", i);
    const struct lt_identification *result = identify(texts, 2);
    assert_int_equal(result->verdict, LT_IDENTIFY_NONE);
    assert_true(result->ranking[0].score <= 0);
    assert_int_equal(identify(texts, 0)->count, 0);
}

/* A [prove] section that cannot be used counts against its profile alone. */
static void broken_thresholds_leave_the_others(void **state)
{
    static const char *const texts[] = {CAR "[prove]\nperiod.tolerance_percent = much\n", CAR};
    (void)state;
    begin_capture();
    drive_at(0, "can0");
    const struct lt_identification *result = identify(texts, 2);
    EXPECT(result, 1, "fits");
    assert_true(is_said(&result->ranking[1], "is no number"));
}

/* Sections of one frame that others name otherwise are watched once; the words are each's own. */
static void names_are_of_each_profile(void **state)
{
    static const char *const texts[] = {
        CAR, HEAD BUS "[frame motor]\nbus = b\nid = 0x120\nlength = 8\nperiod_ms = 10\n"
                      "counter = 1.3..1.0\nchecksum = xor over 0..6 in 7\n"
                      "[frame gone]\nbus = b\nid = 0x1F0\nlength = 8\nperiod_ms = 10\n"};
    (void)state;
    begin_capture();
    drive_at(0, "can0");
    const struct lt_identification *result = identify(texts, 2);
    EXPECT(result, 0, "fits");
    assert_true(is_said(&result->ranking[1], "alive: gone"));
}

static int release(void **state)
{
    (void)state;
    drop_all();
    lt_buf_release(&capture);
    end_proof();
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(right_one_is_first),
        cmocka_unit_test(absent_weighs_more_than_unknown),
        cmocka_unit_test(buses_go_by_content),
        cmocka_unit_test(diagnostics_tell_scales_apart),
        cmocka_unit_test(clock_steps_are_no_faults),
        cmocka_unit_test(two_cars_in_one_capture_are_ambiguous),
        cmocka_unit_test(strange_captures_fit_none),
        cmocka_unit_test(broken_thresholds_leave_the_others),
        cmocka_unit_test(names_are_of_each_profile),
    };
    return cmocka_run_group_tests(tests, NULL, release);
}
