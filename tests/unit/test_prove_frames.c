/* Claims about frames, buses and the profile, each on captures in which it holds, does not, or
 * cannot be told. */
#include "proving.h"

#define FRAME BUS "[frame f]\nbus = b\nid = 0x123\nlength = 8\nperiod_ms = 10\n"

/* 3 s of a frame each `step_ms`: byte 0 runs, byte 1 has a counter in its low nibble, byte 7 is the
 * XOR of the others. Every `lose`-th is left out. */
static void drive(double step_ms, unsigned lose, size_t len)
{
    begin_capture();
    for (unsigned i = 0; i * step_ms < 3000; i++) {
        uint8_t data[8] = {(uint8_t)(i / 3), (uint8_t)(0x20 | (i & 15)), 7, 0, 0, 0, 0, 0};
        for (unsigned k = 0; k < 7; k++)
            data[7] ^= data[k];
        if (!lose || i % lose)
            put(i * step_ms, "can0", "123", data, len);
    }
}

static void role(void **state)
{
    (void)state;
    drive(10, 0, 8);
    const struct lt_proof *proof =
        prove(HEAD "requires = pedal load\n" FRAME
                   "[signal s]\nframe = f\nbits = 0.7..0.0\nunit = %\nrole = pedal\n"
                   "[parameter p]\nservice = 1\npid = 4\n"
                   "[signal asked]\nparameter = p\nbits = 0.7..0.0\nunit = %\nrole = load\n");
    expect(proof, "role", "s", "proven");
    expect(proof, "role", "load", "contradicted"); /* only in answers, in no frame */
    assert_int_equal(proof->verdict, LT_CONTRADICTED);
}

static void reachable(void **state)
{
    (void)state;
    drive(10, 0, 8);
    const struct lt_proof *proof = prove(HEAD FRAME "[bus other]\ninterface = can5\n");
    expect(proof, "reachable", "b", "proven");
    expect(proof, "reachable", "other", "not exercised");
}

/* Two buses of the profile by the name of one: the frames of the other are missed there. */
static void two_buses_may_be_one(void **state)
{
    (void)state;
    drive(10, 0, 8);
    const struct lt_proof *proof =
        prove(HEAD FRAME "[bus other]\ninterface = can0\n"
                         "[frame g]\nbus = other\nid = 0x300\nlength = 8\nperiod_ms = 10\n");
    expect(proof, "reachable", "other", "proven");
    expect(proof, "present", "g", "contradicted");
}

static void present(void **state)
{
    (void)state;
    drive(10, 0, 8);
    const struct lt_proof *proof =
        prove(HEAD FRAME "[frame gone]\nbus = b\nid = 0x124\nperiod_ms = 100\n"
                         "[frame event]\nbus = b\nid = 0x125\n"
                         "[frame slow]\nbus = b\nid = 0x126\nperiod_ms = 2000\n");
    expect(proof, "present", "f", "proven");
    expect(proof, "present", "gone", "contradicted");
    expect(proof, "present", "event", "not exercised");
    expect(proof, "present", "slow", "not exercised"); /* one second is too short for it */
}

static void length(void **state)
{
    (void)state;
    drive(10, 0, 8);
    expect(prove(HEAD FRAME), "length", "f", "proven");
    drive(10, 0, 7);
    const struct lt_proof *proof = prove(HEAD FRAME);
    expect(proof, "length", "f", "contradicted");
    assert_non_null(strstr(find_claim(proof, "length", "f")->say, "7 bytes"));
}

static void period(void **state)
{
    static const struct {
        double step_ms;
        const char *verdict;
    } rows[] = {{10, "proven"},
                {11, "proven"},
                {20, "contradicted"},
                {5, "contradicted"},
                {1000, "not exercised"}};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        drive(rows[i].step_ms, 0, 8);
        expect(prove(HEAD FRAME), "period", "f", rows[i].verdict);
    }
}

static void gaps(void **state)
{
    (void)state;
    drive(10, 100, 8);
    expect(prove(HEAD FRAME), "gaps", "f", "proven");
    drive(10, 5, 8);
    expect(prove(HEAD FRAME), "gaps", "f", "contradicted");
}

static void counter(void **state)
{
    static const struct {
        const char *line, *verdict, *say;
    } rows[] = {
        {"1.3..1.0", "proven", ""},
        {"1.2..1.0", "contradicted", "goes on counting"},
        {"1.3..1.0 mod 15", "contradicted", "beyond 14"},
        {"1.3..1.1", "contradicted", "stands still"},
        {"1.3..1.0 step 2", "contradicted", "steps are not 2"},
        {"1.4..1.0", "contradicted", "codes 0 to 15"},
        {"2.3..2.0", "contradicted", "stands still"},
        {"1.0", "contradicted", "goes on counting"},
        {"1.5..1.0", "contradicted", "codes 32 to 47"},
    };
    char profile[400];
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        drive(10, i == 0 ? 50 : 0, 8); /* steps over lost frames are allowed for */
        lt_text_format(profile, sizeof profile, "%scounter = %s\n", HEAD FRAME, rows[i].line);
        const struct lt_proof *proof = prove(profile);
        expect(proof, "counter", "f", rows[i].verdict);
        assert_non_null(strstr(find_claim(proof, "counter", "f")->say, rows[i].say));
    }
}

/* A width is proven by going round: before that a bit above may belong to it. */
static void counter_has_to_go_round(void **state)
{
    static const struct {
        unsigned frames;
        const char *line, *verdict;
    } rows[] = {{14, "1.3..1.0", "not exercised"}, /* never went round */
                {20, "1.3..1.0", "proven"},        /* once, and nothing above flips */
                {14, "1.2..1.0", "not exercised"}, /* once, and the bit above flips with it */
                {60, "1.2..1.0", "contradicted"}};
    char profile[400];
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        begin_capture();
        for (unsigned k = 0; k < rows[i].frames; k++)
            put(10.0 * k, "can0", "123", (const uint8_t[8]){1, (uint8_t)(k & 15)}, 8);
        lt_text_format(profile, sizeof profile, "%scounter = %s\n", HEAD FRAME, rows[i].line);
        expect(prove(profile), "counter", "f", rows[i].verdict);
    }
}

/* 256 codes: in 600 frames the last of them comes twice, as it should. */
static void counter_beyond_its_modulus(void **state)
{
    (void)state;
    begin_capture();
    for (unsigned i = 0; i < 600; i++)
        put(10.0 * i, "can0", "123", (const uint8_t[8]){(uint8_t)i, 1}, 8);
    const struct lt_proof *proof = prove(HEAD FRAME "counter = 0.7..0.0 mod 255\n");
    expect(proof, "counter", "f", "contradicted");
    expect(prove(HEAD FRAME "counter = 0.7..0.0\n"), "counter", "f", "proven");
}

static void checksum(void **state)
{
    (void)state;
    drive(10, 0, 8);
    expect(prove(HEAD FRAME "checksum = xor over 0..6 in 7\n"), "checksum", "f", "proven");
    expect(prove(HEAD FRAME "checksum = xor over 0..6 in 7 start 1\n"), "checksum", "f",
           "contradicted");
    expect(prove(HEAD FRAME "checksum = sum over 0..6 in 7\n"), "checksum", "f", "contradicted");
    begin_capture(); /* one and the same frame says little about how its check is made */
    for (unsigned i = 0; i < 300; i++)
        put(i * 10, "can0", "123", (const uint8_t[]){1, 2, 3, 0, 0, 0, 0, 0}, 8);
    expect(prove(HEAD FRAME "checksum = xor over 0..6 in 7\n"), "checksum", "f", "not exercised");
}

/* Two frames of one car, 30 s: one counts and carries a code that stands; from 10 s to 15 s (where
 * `repeats`) it comes on with the very same bytes. The other runs. */
static void gateway(bool repeats, bool counts)
{
    begin_capture();
    for (unsigned i = 0; i < 3000; i++) {
        unsigned n = repeats && i > 1000 && i < 1500 ? 1000 : i;
        uint8_t data[8] = {7, counts ? (uint8_t)(n & 15) : 0, (uint8_t)(n / 1600)};
        uint8_t other[8] = {(uint8_t)i, (uint8_t)(i >> 8)};
        put(i * 10, "can0", "123", data, 8);
        put(i * 10 + 1, "can0", "200", other, 8);
    }
}

static void repeated(void **state)
{
    static const char profile[] = HEAD FRAME "counter = 1.3..1.0\n"
                                             "[frame g]\nbus = b\nid = 0x200\nlength = 8\n"
                                             "period_ms = 10\n";
    (void)state;
    gateway(false, true);
    expect(prove(profile), "repeated", "f", "proven");
    gateway(true, true);
    const struct lt_proof *proof = prove(profile);
    expect(proof, "repeated", "f", "contradicted");
    expect(proof, "repeated", "g", "proven");
    expect(proof, "counter", "f", "proven"); /* it is not the counter that is wrong */
    gateway(true, false);
    proof = prove(HEAD FRAME "[frame g]\nbus = b\nid = 0x200\nlength = 8\nperiod_ms = 10\n");
    expect(proof, "repeated", "f", "not exercised"); /* what it carries may well stand */
}

/* A run of one content ends with the capture, or where a clock is set. */
static void a_run_ends_where_the_clock_is_set(void **state)
{
    (void)state;
    begin_capture();
    for (unsigned part = 0; part < 3; part++)
        for (unsigned i = 0; i < 150; i++) {
            unsigned n = i < 30 ? 100 * part + i : 100 * part + 30;
            put(i * 10 - part * 1e8, "can0", "123", (const uint8_t[8]){0, (uint8_t)(n & 15)}, 8);
            put(i * 10 - part * 1e8 + 1, "can0", "200", (const uint8_t[8]){(uint8_t)i}, 8);
        }
    const struct lt_proof *proof =
        prove(HEAD FRAME "counter = 1.3..1.0\n[frame g]\nbus = b\nid = 0x200\nlength = "
                         "8\nperiod_ms = 10\n");
    expect(proof, "repeated", "f", "proven");
    assert_non_null(strstr(find_claim(proof, "repeated", "f")->measured, "for 1.19 s"));
}

/* The whole bus is silent or stands: nobody had news. */
static void a_car_that_stands_repeats_nothing(void **state)
{
    (void)state;
    begin_capture();
    for (unsigned i = 0; i < 3000; i++)
        put(i * 10, "can0", "123", (const uint8_t[8]){1, (uint8_t)(i < 300 ? i & 15 : 0)}, 8);
    expect(prove(HEAD FRAME), "repeated", "f", "proven");
}

static void send_free(void **state)
{
    (void)state;
    drive(10, 0, 8);
    const struct lt_proof *proof =
        prove(HEAD FRAME "[frame free]\nbus = b\nid = 0x700\nperiod_ms = 100\ndirection = send\n");
    expect(proof, "send-free", "free", "proven");
    expect(proof, "present", "free", "absent");
    proof =
        prove(HEAD BUS "[frame used]\nbus = b\nid = 0x123\nperiod_ms = 100\ndirection = send\n");
    expect(proof, "send-free", "used", "contradicted");
    begin_capture();
    proof = prove(HEAD BUS "[frame free]\nbus = b\nid = 0x700\nperiod_ms = 50\ndirection = send\n");
    expect(proof, "send-free", "free", "not exercised");
}

/* A checksum like that of a frame that came, like that of none, and of its own frames. */
static void send_made(void **state)
{
    char profile[600];
    static const struct {
        const char *more, *verdict;
    } rows[] = {
        {"", "proven"}, {" start 7", "not exercised"}, {" complement ones", "not exercised"}};
    (void)state;
    drive(10, 0, 8);
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        lt_text_format(profile, sizeof profile,
                       "%schecksum = xor over 0..6 in 7\n[frame kit]\nbus = b\nid = "
                       "0x700\nlength = 4\nperiod_ms = 100\ndirection = send\nchecksum = xor over "
                       "0..2 in 3%s\n",
                       HEAD FRAME, rows[i].more);
        expect(prove(profile), "send-made", "kit", rows[i].verdict);
    }
    begin_capture();
    for (unsigned i = 0; i < 100; i++)
        put(i * 100, "can0", "700", (const uint8_t[4]){(uint8_t)i, 1, 2, (uint8_t)(i ^ 3)}, 4);
    lt_text_format(profile, sizeof profile,
                   "%s[frame kit]\nbus = b\nid = 0x700\nlength = "
                   "4\nperiod_ms = 100\ndirection = send\nchecksum = xor over 0..2 in 3\n",
                   HEAD BUS);
    const struct lt_proof *proof = prove(profile);
    expect(proof, "send-made", "kit", "proven");
    expect(proof, "checksum", "kit", "proven");
    expect(proof, "send-free", "kit", "contradicted");
    assert_non_null(strstr(find_claim(proof, "send-free", "kit")->say, "is the kit itself"));
}

/* 100 frames a second of at most 135 bits (Davis, Burns, Bril, Lukkien 2007, 11-bit identifier and
 * 8 bytes) are 2.7 % of 500 kbit/s; 5000 more a second are another 135 %. */
static void send_room(void **state)
{
    (void)state;
    drive(10, 0, 8);
    const struct lt_proof *proof =
        prove(HEAD FRAME "[frame kit]\nbus = b\nid = 0x700\nperiod_ms = 100\ndirection = send\n");
    expect(proof, "send-room", "b", "proven");
    assert_non_null(strstr(find_claim(proof, "send-room", "b")->measured, "2.7"));
    proof =
        prove(HEAD FRAME "[frame kit]\nbus = b\nid = 0x700\nperiod_ms = 0.2\ndirection = send\n");
    expect(proof, "send-room", "b", "contradicted");
}

/* SAE J1979 service 09, information type 04: 16 characters, padded with zeros. */
static void calibration(void **state)
{
    static const char profile[] =
        HEAD "[fits]\ncalibration_ids = TARN0042 TARN0043\n[bus b]\ninterface = can0\n";
    static const uint8_t first[] = {0x10, 0x13, 0x49, 0x04, 0x01, 'T', 'A', 'R'};
    static const uint8_t second[] = {0x21, 'N', '0', '0', '4', '3', 0, 0};
    static const uint8_t other[] = {0x21, 'N', '0', '0', '4', '9', 0, 0};
    static const uint8_t third[] = {0x22, 0, 0, 0, 0, 0, 0, 0};
    (void)state;
    drive(10, 0, 8);
    expect(prove(profile), "calibration", "t", "not exercised");
    for (unsigned i = 0; i < 2; i++) {
        drive(10, 0, 8);
        put(3000, "can0", "7E8", first, 8);
        put(3001, "can0", "7E8", i ? other : second, 8);
        put(3002, "can0", "7E8", third, 8);
        expect(prove(profile), "calibration", "t", i ? "contradicted" : "proven");
    }
}

/* SAE J1979 service 09, information type 06: four bytes for each calibration. */
static void verification_numbers(void **state)
{
    static const uint8_t reply[] = {0x07, 0x49, 0x06, 0x01, 0x17, 0x91, 0xBC, 0x82};
    (void)state;
    drive(10, 0, 8);
    put(3000, "can0", "7E8", reply, 8);
    expect(prove(HEAD "[fits]\nverification_numbers = 1791BC82\n[bus b]\ninterface = can0\n"),
           "calibration", "t", "proven");
    expect(prove(HEAD "[fits]\nverification_numbers = 1791BC83\n[bus b]\ninterface = can0\n"),
           "calibration", "t", "contradicted");
    expect(prove(HEAD "[fits]\ncalibration_ids = X\n[bus b]\ninterface = can0\n"), "calibration",
           "t", "not exercised");
}

/* What is wrong with a signal that nobody requires is listed and leaves the verdict alone. */
static void faults_elsewhere_leave_the_verdict_alone(void **state)
{
    (void)state;
    drive(10, 0, 8);
    const struct lt_proof *proof =
        prove(HEAD "requires = brake\n" FRAME
                   "[signal brake]\nframe = f\nbits = 0.0\nrole = brake\nvalues = 0 off, 1 on\n"
                   "[frame gone]\nbus = b\nid = 0x124\nperiod_ms = 100\n");
    expect(proof, "present", "gone", "contradicted");
    assert_int_equal(proof->verdict, LT_PROVEN);
}

/* Without `requires` the verdict rests on every signal with a role, and on all where none has one.
 */
static void what_requires_nothing_rests_on_all_roles(void **state)
{
    (void)state;
    drive(10, 0, 8);
    const struct lt_proof *proof =
        prove(HEAD FRAME "[signal runs]\nframe = f\nbits = 0.7..0.0\n"
                         "[signal stands]\nframe = f\nbits = 2.7..2.0\n");
    assert_int_equal(proof->verdict, LT_NOT_EXERCISED);
    proof = prove(HEAD FRAME "[signal runs]\nframe = f\nbits = 0.7..0.0\n");
    assert_int_equal(proof->verdict, LT_PROVEN);
    proof = prove(HEAD FRAME "[signal s]\nframe = f\nbits = 0.0\nrole = brake\nvalues = 0 off, 1 "
                             "on\n[signal stands]\nframe = f\nbits = 2.7..2.0\n"
                             "[frame gone]\nbus = b\nid = 0x124\nperiod_ms = 100\n");
    expect(proof, "present", "gone", "contradicted"); /* and carries no role */
    assert_int_equal(proof->verdict, LT_PROVEN);
}

static void an_empty_capture_exercises_nothing(void **state)
{
    (void)state;
    begin_capture();
    const struct lt_proof *proof = prove(HEAD FRAME);
    assert_int_equal(proof->verdict, LT_NOT_EXERCISED);
    assert_int_equal(proof->counts[LT_CONTRADICTED], 0);
    assert_int_equal(proof->counts[LT_PROVEN], 0);
}

/* The second bus has nothing to say before 6000 frames of the first have come: it is bound all the
 * same, by its name or by what it says. */
static void a_bus_that_speaks_late_is_bound(void **state)
{
    static const char *const interfaces[] = {"interface = can1\n", ""};
    char profile[600];
    (void)state;
    for (size_t k = 0; k < COUNT_OF(interfaces); k++) {
        begin_capture();
        for (unsigned i = 0; i < 9000; i++) {
            put(i, "can0", "123", (const uint8_t[8]){(uint8_t)i}, 8);
            if (i > 6000 && i % 10 == 0)
                put(i + 0.5, "can1", "124", (const uint8_t[8]){(uint8_t)(i / 10)}, 8);
        }
        lt_text_format(profile, sizeof profile,
                       "%s[bus b]\ninterface = can0\n[frame f]\nbus = b\nid = 0x123\nlength = "
                       "8\nperiod_ms = 1\n[bus late]\n%s[frame g]\nbus = late\nid = "
                       "0x124\nlength = 8\nperiod_ms = 10\n",
                       HEAD, interfaces[k]);
        const struct lt_proof *proof = prove(profile);
        expect(proof, "present", "g", "proven");
        expect(proof, "period", "g", "proven");
        expect(proof, "reachable", "late", "proven");
        expect(proof, "period", "f", "proven");
        assert_int_equal(proof->frames, 9000 + 299);
        assert_int_equal(proof->claimed_frames, 9000 + 299);
    }
}

/* SAE J1939-21 as in the kernel's Documentation/networking/j1939.rst: a BAM of 14 bytes, PGN FEE3,
 * from address 0: EC00 with control byte 20, then two packets. Once a second, the first word runs.
 */
static void a_message_in_packets_is_a_frame(void **state)
{
    static const char form[] = HEAD "[bus b]\ninterface = can0\n[frame long]\nbus = b\npgn = "
                                    "65251\nlength = %s\nperiod_ms = %s\n[signal run]\nframe = "
                                    "long\nbits = 9.7..8.0\norder = intel\n";
    char profile[500];
    (void)state;
    begin_capture();
    for (unsigned i = 0; i < 60; i++) {
        uint8_t first[8] = {1, 0, 0, 0, 0, 0, 0, 0};
        uint8_t second[8] = {2, 0, (uint8_t)(7 * i), (uint8_t)(7 * i >> 8), 0, 0, 0, 0};
        put(i * 1000, "can0", "18ECFF00", (const uint8_t[8]){0x20, 14, 0, 2, 0xFF, 0xE3, 0xFE, 0},
            8);
        put(i * 1000 + 50, "can0", "18EBFF00", first, 8);
        put(i * 1000 + 100, "can0", "18EBFF00", second, 8);
    }
    lt_text_format(profile, sizeof profile, form, "14", "1000");
    const struct lt_proof *proof = prove(profile);
    expect(proof, "present", "long", "proven");
    expect(proof, "length", "long", "proven");
    expect(proof, "period", "long", "proven");
    assert_non_null(strstr(find_claim(proof, "exercised", "run")->measured, "9 of 16 bits moved"));
    assert_int_equal(proof->claimed_frames, 60);
    lt_text_format(profile, sizeof profile, form, "15", "500");
    proof = prove(profile);
    expect(proof, "length", "long", "contradicted");
    expect(proof, "period", "long", "contradicted");
    assert_non_null(strstr(find_claim(proof, "length", "long")->say, "14 bytes"));
    lt_text_format(profile, sizeof profile, form, "264", "1000");
    expect(prove(profile), "length", "long", "contradicted");
}

/* A clock that is set back begins a new stretch: no gap, no jump of the counter. */
static void a_clock_set_back_is_no_fault(void **state)
{
    (void)state;
    drive(10, 0, 8);
    for (unsigned i = 0; i < 300; i++) {
        uint8_t data[8] = {(uint8_t)i, (uint8_t)((i + 9) & 15)};
        put(i * 10 - 500000, "can0", "123", data, 8);
    }
    const struct lt_proof *proof = prove(HEAD FRAME "counter = 1.3..1.0\n");
    expect(proof, "counter", "f", "proven");
    expect(proof, "gaps", "f", "proven");
    expect(proof, "period", "f", "proven");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(role),
        cmocka_unit_test(reachable),
        cmocka_unit_test(two_buses_may_be_one),
        cmocka_unit_test(present),
        cmocka_unit_test(length),
        cmocka_unit_test(period),
        cmocka_unit_test(gaps),
        cmocka_unit_test(counter),
        cmocka_unit_test(counter_has_to_go_round),
        cmocka_unit_test(counter_beyond_its_modulus),
        cmocka_unit_test(checksum),
        cmocka_unit_test(repeated),
        cmocka_unit_test(a_run_ends_where_the_clock_is_set),
        cmocka_unit_test(a_car_that_stands_repeats_nothing),
        cmocka_unit_test(send_free),
        cmocka_unit_test(send_made),
        cmocka_unit_test(send_room),
        cmocka_unit_test(calibration),
        cmocka_unit_test(verification_numbers),
        cmocka_unit_test(faults_elsewhere_leave_the_verdict_alone),
        cmocka_unit_test(what_requires_nothing_rests_on_all_roles),
        cmocka_unit_test(an_empty_capture_exercises_nothing),
        cmocka_unit_test(a_bus_that_speaks_late_is_bound),
        cmocka_unit_test(a_message_in_packets_is_a_frame),
        cmocka_unit_test(a_clock_set_back_is_no_fault),
    };
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    end_proof();
    lt_buf_release(&capture);
    return failed;
}
