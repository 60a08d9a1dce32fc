/* Claims about signals, each on captures in which it holds, does not, or cannot be told. */
#include <math.h>

#include "proving.h"

#define FRAME  BUS "[frame f]\nbus = b\nid = 0x123\nlength = 8\nperiod_ms = 10\n"
#define FRAMES 6000
#define PI     3.14159265358979323846

/* A quantity that swings slowly about the middle, with a faster part. */
static double swing(double seconds, double middle, double half)
{
    return middle + half * (0.8 * sin(2 * PI * seconds / 7) + 0.2 * sin(2 * PI * seconds / 1.3));
}

static void store(uint8_t *data, unsigned at, unsigned value)
{
    data[at] = (uint8_t)(value >> 8);
    data[at + 1] = (uint8_t)value;
}

/* Bytes 0 and 1: 16 bits, high byte first, 2000..30000. Bytes 2 and 3: the same around zero, two's
 * complement, +-3000. Byte 4: a code 0..2. Byte 5: stands. Bytes 6 and 7: 0..60000, high byte
 * first.
 */
static void drive(void)
{
    begin_capture();
    for (unsigned i = 0; i < FRAMES; i++) {
        uint8_t data[8] = {0};
        double t = i / 100.0;
        store(data, 0, (unsigned)lround(swing(t, 16000, 14000)));
        store(data, 2, (unsigned)lround(swing(t, 0, 3000)) & 0xFFFF);
        data[4] = (uint8_t)(i / 1000 % 3);
        data[5] = 40;
        store(data, 6, (unsigned)lround(swing(t, 30000, 30000)));
        put(i * 10, "can0", "123", data, 8);
    }
}

static const struct lt_proof *with(const char *signal)
{
    static char profile[1000];
    lt_text_format(profile, sizeof profile, "%s[signal s]\nframe = f\n%s", HEAD FRAME, signal);
    return prove(profile);
}

static void range(void **state)
{
    (void)state;
    drive();
    expect(with("bits = 0.7..1.0\norder = motorola\nrange = 0..40000\n"), "range", "s", "proven");
    expect(with("bits = 0.7..1.0\norder = motorola\nrange = 0..20000\n"), "range", "s",
           "contradicted");
    /* Common practice: no engine turns 12000 a minute and more. */
    expect(with("bits = 0.7..1.0\norder = motorola\nunit = rpm\nrole = engine_speed\n"), "range",
           "s", "contradicted");
    expect(with("bits = 0.7..1.0\norder = motorola\nscale = 0.25\nunit = rpm\nrole = "
                "engine_speed\n"),
           "range", "s", "proven");
}

static void slew(void **state)
{
    (void)state;
    drive();
    expect(with("bits = 0.7..1.0\norder = motorola\nscale = 0.25\nunit = rpm\nrole = "
                "engine_speed\n"),
           "slew", "s", "proven");
    expect(with("bits = 1.7..0.0\norder = intel\nscale = 0.1\nunit = rpm\nrole = engine_speed\n"),
           "slew", "s", "contradicted");
}

static void exercised(void **state)
{
    (void)state;
    drive();
    expect(with("bits = 0.7..1.0\norder = motorola\n"), "exercised", "s", "proven");
    /* 2000..30000 needs 15 bits. */
    assert_string_equal(
        find_claim(with("bits = 0.7..1.0\norder = motorola\n"), "exercised", "s")->say,
        "bits that stood: 0.7");
    expect(with("bits = 5.7..5.0\n"), "exercised", "s", "not exercised");
    expect(with("bits = 4.1..4.0\nvalues = 0 a, 1 b, 2 c\n"), "exercised", "s", "proven");
    expect(with("bits = 5.7..5.0\nvalues = 40 a, 41 b\n"), "exercised", "s", "not exercised");
}

static void labels(void **state)
{
    (void)state;
    drive();
    expect(with("bits = 4.1..4.0\nrole = drive_mode\nvalues = 0 a, 1 b, 2 c\n"), "labels", "s",
           "proven");
    expect(with("bits = 4.1..4.0\nrole = drive_mode\nvalues = 0 a, 1 b\n"), "labels", "s",
           "contradicted");
    expect(with("bits = 4.1..4.0\nvalues = 0 a, 1 b\n"), "labels", "s", "not exercised");
}

static void edges(void **state)
{
    (void)state;
    drive();
    expect(with("bits = 6.7..7.0\norder = motorola\n"), "edges", "s", "proven");
    const struct lt_proof *proof = with("bits = 6.6..7.0\norder = motorola\n");
    expect(proof, "edges", "s", "contradicted");
    assert_non_null(strstr(find_claim(proof, "edges", "s")->say, "goes on at bit 6.7"));
    /* The sign once more above it adds nothing to what came. */
    expect(with("bits = 2.6..3.0\norder = motorola\nsign = twos\n"), "edges", "s", "proven");
    proof = with("bits = 4.0..7.0\norder = motorola\n"); /* with a bit of the code on top */
    expect(proof, "edges", "s", "not exercised");        /* it flips too seldom */
    begin_capture();
    for (unsigned i = 0; i < FRAMES; i++) {
        uint8_t data[8] = {(uint8_t)(i / 100 & 1)};
        store(data, 1, (unsigned)lround(swing(i / 100.0, 30000, 30000)));
        put(i * 10, "can0", "123", data, 8);
    }
    proof = with("bits = 0.0..2.0\norder = motorola\n");
    expect(proof, "edges", "s", "contradicted");
    assert_non_null(strstr(find_claim(proof, "edges", "s")->say, "bit 0.0 is no part"));
}

static void order(void **state)
{
    (void)state;
    drive();
    expect(with("bits = 0.7..1.0\norder = motorola\n"), "order", "s", "proven");
    const struct lt_proof *proof = with("bits = 1.7..0.0\norder = intel\n");
    expect(proof, "order", "s", "contradicted");
    assert_non_null(strstr(find_claim(proof, "order", "s")->say, "motorola"));
    expect(with("bits = 5.7..4.0\norder = intel\n"), "order", "s", "not exercised");
    expect(with("bits = 5.7..5.0\n"), "order", "s", "absent");
}

static void sign(void **state)
{
    (void)state;
    drive();
    expect(with("bits = 2.7..3.0\norder = motorola\nsign = twos\n"), "sign", "s", "proven");
    const struct lt_proof *proof = with("bits = 2.7..3.0\norder = motorola\n");
    expect(proof, "sign", "s", "contradicted");
    assert_non_null(strstr(find_claim(proof, "sign", "s")->say, "twos"));
    expect(with("bits = 6.7..7.0\norder = motorola\n"), "sign", "s", "proven");
    expect(with("bits = 6.7..7.0\norder = motorola\nsign = twos\n"), "sign", "s", "contradicted");
    expect(with("bits = 0.7..1.0\norder = motorola\nsign = twos\n"), "sign", "s", "not exercised");
}

static void unavailable(void **state)
{
    (void)state;
    drive();
    expect(with("bits = 5.7..5.0\nunit = %\nrole = pedal\n"), "unavailable", "s", "proven");
    expect(with("bits = 5.7..5.0\nunit = %\nrole = pedal\nunavailable = 40\n"), "unavailable", "s",
           "not exercised");
}

static void fresh(void **state)
{
    (void)state;
    drive();
    expect(with("bits = 5.7..5.0\nunit = %\nrole = pedal\n"), "fresh", "s", "proven");
    expect(with("bits = 5.7..5.0\nunit = %\nrole = pedal\nmax_age_ms = 5\n"), "fresh", "s",
           "contradicted");
    begin_capture();
    for (unsigned i = 0; i < 30; i++)
        put(i * 500, "can0", "123", (const uint8_t[8]){0}, 8);
    expect(with("bits = 5.7..5.0\nunit = %\nrole = pedal\n"), "fresh", "s", "not exercised");
}

/* --- against a reference --- */

static struct {
    int64_t time_ns[200];
    double value[200];
} asked;

/* Answers each 0.3 s with scale 0.25 of bytes 0 and 1, from 0.1 s before. */
static struct lt_proof_reference answers(double scale, double offset)
{
    for (unsigned i = 0; i < 200; i++) {
        double t = i * 0.3;
        asked.time_ns[i] = INT64_C(1700000000000000000) + (int64_t)(t * 1e9);
        asked.value[i] = floor(scale * swing(t - 0.1, 16000, 14000) + offset);
    }
    return (struct lt_proof_reference){.name = "obd 01 0C 7E8",
                                       .target = "engine_speed",
                                       .count = 200,
                                       .time_ns = asked.time_ns,
                                       .value = asked.value,
                                       .quantum = 1};
}

static const struct lt_proof *against(const char *signal, struct lt_proof_reference reference)
{
    static char profile[1000];
    struct lt_prove_given given = {.references = &reference, .reference_count = 1};
    lt_text_format(profile, sizeof profile,
                   "%s[signal s]\nframe = f\nunit = rpm\nrole = "
                   "engine_speed\n%s",
                   HEAD FRAME, signal);
    return prove_given(profile, &given);
}

static void obd(void **state)
{
    static const char right[] = "bits = 0.7..1.0\norder = motorola\nscale = 0.25\n";
    (void)state;
    drive();
    expect(with("bits = 0.7..1.0\norder = motorola\nscale = 0.25\nunit = rpm\nrole = "
                "engine_speed\n"),
           "obd", "s", "not exercised"); /* nobody asked */
    const struct lt_proof *proof = against(right, answers(0.25, 0));
    expect(proof, "obd", "s", "proven");
    assert_non_null(strstr(find_claim(proof, "obd", "s")->measured, "lag 0.1 s"));
    proof = against(right, answers(0.5, 0));
    expect(proof, "obd", "s", "contradicted");
    assert_non_null(strstr(find_claim(proof, "obd", "s")->say, "a scale of 0.5"));
    proof = against(right, answers(0.25, 500));
    expect(proof, "obd", "s", "contradicted");
    assert_non_null(strstr(find_claim(proof, "obd", "s")->say, "more: the offset is wrong"));
    proof = against("bits = 6.7..7.0\norder = motorola\nscale = -0.1\noffset = 6000\n",
                    answers(0.1, 0));
    expect(proof, "obd", "s", "contradicted");
    assert_non_null(strstr(find_claim(proof, "obd", "s")->say, "moves against"));
    expect(against(right, answers(0, 4000)), "obd", "s", "not exercised"); /* it stood still */
    expect(against(right, answers(0, 9000)), "obd", "s", "contradicted");  /* and is far off */
}

static void frozen(void **state)
{
    (void)state;
    drive();
    expect(against("bits = 0.7..1.0\norder = motorola\nscale = 0.25\n", answers(0.25, 0)), "frozen",
           "s", "proven");
    expect(against("bits = 5.7..5.0\nscale = 100\n", answers(0.25, 0)), "frozen", "s",
           "contradicted");
}

/* Three speeds in one frame, the second by a factor. */
static const char speeds[] = HEAD FRAME
    "[signal v]\nframe = f\nbits = 0.7..1.0\norder = motorola\nscale = %s\nunit = km/h\nrole = "
    "vehicle_speed\n"
    "[signal left]\nframe = f\nbits = 2.7..3.0\norder = motorola\nscale = 0.01\nunit = km/h\nrole "
    "= wheel_speed_fl\n"
    "[signal right]\nframe = f\nbits = 4.7..5.0\norder = motorola\nscale = 0.01\nunit = "
    "km/h\noffset = %s\nrole = wheel_speed_fr\n";

static const struct lt_proof *drive_speeds(const char *scale, const char *offset)
{
    static char profile[1200];
    begin_capture();
    for (unsigned i = 0; i < FRAMES; i++) {
        uint8_t data[8] = {0};
        double v = fmax(0, swing(i / 400.0, 3000, 6000));
        for (unsigned at = 0; at < 6; at += 2)
            store(data, at, (unsigned)lround(v));
        put(i * 10, "can0", "123", data, 8);
    }
    /* The forms are the two literals above. */
    struct lt_text rest = lt_text_of(speeds), part;
    size_t len = 0;
    const char *put_in[] = {scale, offset, ""};
    for (unsigned i = 0; i < 3; i++) {
        const char *end = strstr(rest.at, "%s");
        part = (struct lt_text){rest.at, end ? (size_t)(end - rest.at) : rest.len};
        len += lt_text_format(profile + len, sizeof profile - len, "%.*s%s", LT_TEXT_ARG(part),
                              put_in[i]);
        if (!end)
            break;
        rest.len -= part.len + 2;
        rest.at = end + 2;
    }
    return prove(profile);
}

static void copy(void **state)
{
    (void)state;
    const struct lt_proof *proof = drive_speeds("0.01", "0");
    expect(proof, "copy", "v", "proven");
    expect(proof, "copy", "left", "proven");
    proof = drive_speeds("0.02", "0");
    expect(proof, "copy", "v", "contradicted");
    expect(proof, "copy", "left", "proven");
    expect(proof, "copy", "right", "proven");
}

static void law(void **state)
{
    (void)state;
    const struct lt_proof *proof = drive_speeds("0.01", "0");
    expect(proof, "law", "left", "proven");
    proof = drive_speeds("0.01", "8");
    expect(proof, "law", "right", "contradicted");
    expect(proof, "law", "left", "proven");
}

/* Load in bytes 0 and 1 (0.01 %), manifold pressure in 2 and 3 (0.01 kPa), engine speed in 4 and 5;
 * and a second load in 6 and 7. `sign`: the pressure rises with the load, or falls. */
static const struct lt_proof *drive_load(double sign, double again, const char *second)
{
    static char profile[1600];
    static int64_t times[FRAMES / 50];
    static double replies[FRAMES / 50];
    static struct lt_proof_reference reference = {"obd 01 04 7E8", "load",  FRAMES / 50,
                                                  times,           replies, 100 / 255.};
    begin_capture();
    for (unsigned i = 0; i < FRAMES; i++) {
        uint8_t data[8];
        double load = swing(i / 100.0, 50, 45);
        store(data, 0, (unsigned)lround(100 * load));
        store(data, 2, (unsigned)lround(100 * (60 + sign * 0.4 * (load - 50))));
        store(data, 4, 2000);
        store(data, 6, (unsigned)lround(100 * again * load));
        put(i * 10, "can0", "123", data, 8);
        if (i % 50 == 0) {
            times[i / 50] = INT64_C(1700000000000000000) + i * INT64_C(10000000);
            replies[i / 50] = load;
        }
    }
    struct lt_proof_reference *list = &reference;
    struct lt_prove_given given = {list, 1, NULL};
    lt_text_format(profile, sizeof profile,
                   "%s[signal load]\nframe = f\nbits = 0.7..1.0\norder = motorola\nscale = "
                   "0.01\nunit = %%\nrole = load\n"
                   "[signal air]\nframe = f\nbits = 2.7..3.0\norder = motorola\nscale = "
                   "0.01\nunit = kPa\nrole = manifold_pressure\n"
                   "[signal turns]\nframe = f\nbits = 4.7..5.0\norder = motorola\nunit = "
                   "rpm\nrole = engine_speed\n%s",
                   HEAD FRAME, second);
    return prove_given(profile, &given);
}

static void law_of_load_and_pressure(void **state)
{
    (void)state;
    expect(drive_load(1, 1, ""), "law", "air", "proven");
    /* The load agrees with diagnostics, so it is the pressure that is wrong. */
    expect(drive_load(-1, 1, ""), "law", "air", "contradicted");
    expect(drive_load(0, 1, ""), "law", "air", "not exercised");
}

/* Two signals of one role: of those that differ the one is wrong that diagnostics do not bear out.
 */
static void copy_of_a_role(void **state)
{
    static const char second[] = "[signal other]\nframe = f\nbits = 6.7..7.0\norder = "
                                 "motorola\nscale = 0.01\nunit = %\nrole = load\n";
    (void)state;
    const struct lt_proof *proof = drive_load(1, 1, second);
    expect(proof, "copy", "load", "proven");
    expect(proof, "copy", "other", "proven");
    proof = drive_load(1, 0.5, second);
    expect(proof, "copy", "other", "contradicted");
    expect(proof, "copy", "load", "not exercised");
}

/* Four gears: engine speed over vehicle speed keeps to four ratios; with a converter that slips by
 * anything it keeps to none, which is no fault. */
static void law_of_gears(void **state)
{
    static const char profile[] =
        HEAD FRAME "[signal turns]\nframe = f\nbits = 0.7..1.0\norder = motorola\nunit = "
                   "rpm\nrole = engine_speed\n"
                   "[signal v]\nframe = f\nbits = 2.7..3.0\norder = motorola\nscale = "
                   "0.01\nunit = km/h\nrole = vehicle_speed\n";
    static const double ratios[] = {100, 60, 40, 28};
    (void)state;
    for (unsigned slips = 0; slips < 2; slips++) {
        begin_capture();
        for (unsigned i = 0; i < FRAMES; i++) {
            uint8_t data[8] = {0};
            double v = swing(i / 100.0, 50, 30), ratio = ratios[i / 1500 % 4];
            if (slips)
                ratio = swing(i / 170.0, 70, 40);
            store(data, 0, (unsigned)lround(v * ratio));
            store(data, 2, (unsigned)lround(100 * v));
            put(i * 10, "can0", "123", data, 8);
        }
        expect(prove(profile), "law", "v", slips ? "not exercised" : "proven");
    }
}

static void marks(void **state)
{
    static const char *const labels[] = {"a", "b", "c", "a", "b", "c"};
    int64_t times[6];
    struct lt_proof_marks list = {"drive_mode", 6, times, labels};
    struct lt_prove_given given = {.marks = &list};
    static const char form[] =
        HEAD FRAME "[signal s]\nframe = f\nbits = 4.1..4.0\nrole = drive_mode\nvalues = ";
    char profile[400];
    (void)state;
    for (unsigned i = 0; i < 6; i++)
        times[i] = INT64_C(1700000000500000000) + i * INT64_C(10000000000);
    drive();
    lt_text_format(profile, sizeof profile, "%s0 a, 1 b, 2 c\n", form);
    expect(prove_given(profile, &given), "marks", "s", "proven");
    expect(prove(profile), "marks", "s", "not exercised");
    lt_text_format(profile, sizeof profile, "%s1 a, 0 b, 2 c\n", form);
    expect(prove_given(profile, &given), "marks", "s", "contradicted");
}

/* A profile of parameters alone: SAE J1979 service 01, parameter 04 is byte * 100 / 255 %. */
static void answered(void **state)
{
    static const char profile[] =
        HEAD "requires = load\n[parameter p]\nservice = 1\npid = 4\n"
             "[signal asked]\nparameter = p\nbits = 0.7..0.0\nscale = 100/255\nunit = "
             "%\nrole = load\n[parameter q]\nservice = 1\npid = 5\n"
             "[signal other]\nparameter = q\nbits = 0.7..0.0\noffset = -40\nunit = °C\nrole = "
             "coolant_temp\n";
    static const int64_t times[] = {1, 2, 3, 4};
    double values[] = {10, 20, 30, 40};
    struct lt_proof_reference reference = {"obd 01 04 7E8", "load", 4, times, values, 0};
    struct lt_prove_given given = {&reference, 1, NULL};
    (void)state;
    begin_capture();
    const struct lt_proof *proof = prove_given(profile, &given);
    expect(proof, "answered", "asked", "proven");
    expect(proof, "answered", "other", "not exercised");
    expect(proof, "role", "asked", "proven");
    assert_int_equal(proof->verdict, LT_PROVEN);
    for (size_t i = 0; i < COUNT_OF(values); i++)
        values[i] += 200;
    proof = prove_given(profile, &given);
    expect(proof, "answered", "asked", "contradicted");
    assert_int_equal(proof->verdict, LT_CONTRADICTED);
}

/* Values of frames with a wrong checksum are no values. */
static void spoiled_frames_are_left_out(void **state)
{
    (void)state;
    begin_capture();
    for (unsigned i = 0; i < 1000; i++) {
        uint8_t data[8] = {(uint8_t)(i / 10)};
        data[7] = data[0];
        if (i % 100 == 50)
            data[0] = 250;
        put(i * 10, "can0", "123", data, 8);
    }
    const struct lt_proof *proof =
        prove(HEAD FRAME "checksum = xor over 0..6 in 7\n"
                         "[signal s]\nframe = f\nbits = 0.7..0.0\nrange = 0..100\n");
    expect(proof, "range", "s", "proven");
    assert_non_null(strstr(find_claim(proof, "range", "s")->measured, "0..99,"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(range),
        cmocka_unit_test(slew),
        cmocka_unit_test(exercised),
        cmocka_unit_test(labels),
        cmocka_unit_test(edges),
        cmocka_unit_test(order),
        cmocka_unit_test(sign),
        cmocka_unit_test(unavailable),
        cmocka_unit_test(fresh),
        cmocka_unit_test(obd),
        cmocka_unit_test(frozen),
        cmocka_unit_test(copy),
        cmocka_unit_test(law),
        cmocka_unit_test(law_of_load_and_pressure),
        cmocka_unit_test(copy_of_a_role),
        cmocka_unit_test(law_of_gears),
        cmocka_unit_test(marks),
        cmocka_unit_test(answered),
        cmocka_unit_test(spoiled_frames_are_left_out),
    };
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    end_proof();
    lt_buf_release(&capture);
    return failed;
}
