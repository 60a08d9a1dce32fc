/* The invented car's traffic: the same seed gives the same bytes, time runs forward, counters
 * count, checks are right by core/checksum (which has its own tests against published values and
 * shares no code with the car), truth lies in the bits, and the tester's conversations hold
 * together. How the car moves is tested in test_mimic_motion.c.
 *
 * Scales and positions are written out here once more, so that car and test must agree. */
#include "mimic_drive.h"

#include <math.h>

#include "loomtap/core/checksum.h"

static uint64_t hash_frame(uint64_t hash, const struct lt_frame *frame)
{
    /* FNV-1a, 64 bits */
    const uint64_t words[3] = {(uint64_t)frame->time_ns, (uint64_t)frame->bus << 32 | frame->id,
                               frame->len};
    for (int i = 0; i < 3; i++)
        hash = (hash ^ words[i]) * 0x100000001B3u;
    for (int i = 0; i < frame->len; i++)
        hash = (hash ^ frame->data[i]) * 0x100000001B3u;
    return hash;
}

static uint64_t hash_drive(const char *scenario, uint64_t seed, double duration_s)
{
    uint64_t hash = 0xCBF29CE484222325u;
    struct drive drive = begin(scenario, seed, duration_s);
    while (next(&drive))
        hash = hash_frame(hash, drive.frame);
    return hash;
}

/* --- determinism, time, size --- */

static void same_seed_gives_the_same_traffic(void **state)
{
    (void)state;
    assert_true(hash_drive("drive", 1, 0) == hash_drive("drive", 1, 0));
    assert_true(hash_drive("idle", 1, 0) != hash_drive("idle", 2, 0));
    assert_true(hash_drive("idle", 1, 0) != hash_drive("drive", 1, 20));
}

static void two_cars_at_once_do_not_disturb_each_other(void **state)
{
    (void)state;
    uint64_t a = 0, b = 0;
    struct drive first = begin("idle", 5, 0), second = begin("drive", 6, 15);
    bool more_a = true, more_b = true;
    while (more_a || more_b) {
        if (more_a && (more_a = next(&first)))
            a = hash_frame(a, first.frame);
        if (more_b && (more_b = next(&second)))
            b = hash_frame(b, second.frame);
    }
    uint64_t alone = 0;
    struct drive again = begin("idle", 5, 0);
    while (next(&again))
        alone = hash_frame(alone, again.frame);
    assert_true(a == alone);
    alone = 0;
    again = begin("drive", 6, 15);
    while (next(&again))
        alone = hash_frame(alone, again.frame);
    assert_true(b == alone);
}

static void time_runs_forward_in_microseconds(void **state)
{
    (void)state;
    size_t count = 0;
    const struct lt_mimic_scenario *scenarios = lt_mimic_scenarios(&count);
    assert_true(count >= 3);
    for (size_t i = 0; i < count; i++) {
        if (strcmp(scenarios[i].name, "random") == 0) /* other cars: test_mimic_random.c */
            continue;
        int64_t before_ns = START_NS;
        uint64_t number = 0;
        struct drive drive = begin(scenarios[i].name, 3, 0);
        while (next(&drive)) {
            assert_true(drive.frame->time_ns >= before_ns);
            assert_int_equal(drive.frame->time_ns % 1000, 0);
            assert_true(drive.at_s <= scenarios[i].duration_s + 1e-6);
            assert_true(drive.frame->bus < 2 && drive.frame->len <= 8);
            assert_true(drive.frame->number == ++number);
            before_ns = drive.frame->time_ns;
        }
        /* Frames cease with the key, shortly before the end. */
        double last_s = (double)(before_ns - START_NS) / 1e9;
        assert_true(last_s < scenarios[i].duration_s - 0.1);
        assert_true(last_s > scenarios[i].duration_s - 2.0);
    }
}

/* Two frames of one bus cannot be on the wire at once: 47 bits at least lie between their ends,
 * each of 2 microseconds at 500 kbit/s. */
static void one_frame_at_a_time_on_each_bus(void **state)
{
    (void)state;
    int64_t before_ns[2] = {0, 0};
    struct drive drive = begin("drive", 1, 0);
    while (next(&drive)) {
        int64_t *before = &before_ns[drive.frame->bus];
        int64_t least_ns = (47 + 8 * drive.frame->len) * 2000;
        /* 1 microsecond for the rounding of the two times. */
        assert_true(drive.frame->time_ns - *before >= least_ns - 1000);
        *before = drive.frame->time_ns;
    }
}

/* As text in the log form, which writes two digits a byte and some 25 characters around them. */
static void the_drive_fits_into_its_folder(void **state)
{
    (void)state;
    size_t bytes = 0;
    struct drive drive = begin("drive", 1, 0);
    while (next(&drive))
        bytes += strlen("(1700000000.000000) can0 000#\n") + 2u * drive.frame->len;
    assert_in_range(bytes, 1000000, 2200000);
}

/* --- counters and checks --- */

/* What the receiver of each counter sees. */
struct counting {
    uint32_t id;
    int byte, bit;
    unsigned bits, modulus;
    unsigned skips, repeats; /* expected */
};

static void counters_count_but_for_what_was_lost(void **state)
{
    (void)state;
    static const struct counting table[] = {
        {0x0C4, 6, 0, 4, 16, 2, 0},  {0x0D0, 1, 0, 4, 15, 0, 3}, {0x1A8, 2, 0, 2, 4, 0, 0},
        {0x1B0, 1, 0, 4, 16, 1, 0},  {0x2C8, 0, 4, 4, 16, 0, 0}, {0x610, 0, 0, 4, 16, 0, 0},
        {0x612, 2, 0, 8, 256, 0, 0}, {0x0A6, 6, 0, 4, 16, 0, 0}, {0x0B2, 6, 0, 4, 16, 1, 0},
        {0x0B8, 6, 4, 4, 16, 0, 0},  {0x1C0, 1, 0, 4, 16, 0, 0},
    };
    enum { ROWS = sizeof(table) / sizeof(table)[0] };
    unsigned last[ROWS], seen[ROWS] = {0}, skips[ROWS] = {0}, repeats[ROWS] = {0};
    uint8_t bytes[ROWS][8];
    struct drive drive = begin("drive", 1, 0);
    while (next(&drive)) {
        for (size_t i = 0; i < ROWS; i++) {
            if (table[i].id != drive.frame->id)
                continue;
            unsigned now = drive.frame->data[table[i].byte] >> table[i].bit;
            now &= (1u << table[i].bits) - 1;
            assert_true(now < table[i].modulus);
            unsigned step = seen[i] ? (now + table[i].modulus - last[i]) % table[i].modulus : 1;
            assert_true(step <= 2);
            skips[i] += step == 2;
            repeats[i] += step == 0;
            /* What repeats its counter repeats all of it: it stands still. */
            if (step == 0)
                assert_memory_equal(bytes[i], drive.frame->data, 8);
            last[i] = now;
            memcpy(bytes[i], drive.frame->data, 8);
            seen[i]++;
        }
    }
    for (size_t i = 0; i < ROWS; i++) {
        assert_true(seen[i] > 500);
        assert_int_equal(skips[i], table[i].skips);
        assert_int_equal(repeats[i], table[i].repeats);
    }
}

static void checks_are_right_but_for_those_spoiled(void **state)
{
    (void)state;
    static const struct {
        uint32_t id;
        const char *text;
        unsigned spoiled;
    } table[] = {
        {0x0C4, "crc8-sae-j1850 over 0..6 in 7", 0},
        {0x0D0, "e2e-p1 over 1..7 in 0 data-id 0x23,0x01 both", 0},
        {0x1A8, "xor over 0..6 in 7", 1},
        {0x1B0,
         "e2e-p2 over 1..7 in 0 data-id "
         "0x4A,0x91,0x0C,0x77,0xE2,0x35,0xB8,0x1F,0xC4,0x63,0x2E,0xD9,"
         "0x86,0x50,0xFB,0xA5 list counter 1.3..1.0",
         0},
        {0x610, "crc8-autosar over 0..6 in 7", 0},
        {0x612, "e2e-p5 over 2..7 in 1.7..0.0 data-id 0x40,0x1A", 0},
        {0x0A6, "sum over 0..6 in 7 complement twos with-id", 1},
        {0x0B2, "xor over 0..6 in 7 start 0x5A", 0},
        {0x0B8, "nibble-sum over 0..6 in 6.3..6.0", 0},
        {0x1C0, "crc8 over 1..7 in 0 poly 0x07 init 0xAA data-id 0xC3 after", 0},
    };
    for (size_t i = 0; i < sizeof(table) / sizeof(table)[0]; i++) {
        struct lt_checksum check;
        struct lt_error error;
        assert_int_equal(lt_checksum_parse(lt_text_of(table[i].text), &check, &error), LT_OK);
        unsigned good = 0, bad = 0;
        struct drive drive = begin("drive", 1, 0);
        while (next(&drive)) {
            const struct lt_frame *frame = drive.frame;
            if (frame->id != table[i].id)
                continue;
            bool right = lt_checksum_verify(&check, frame->data, frame->len, frame->id, false);
            good += right;
            bad += !right;
            if (!right)
                assert_true(drive.row_count > 0 && drive.rows[0].suspect);
        }
        assert_true(good > 500);
        assert_int_equal(bad, table[i].spoiled);
    }
}

static void repeats_and_spoiled_frames_are_marked_in_the_truth(void **state)
{
    (void)state;
    unsigned suspects = 0;
    struct drive drive = begin("drive", 1, 0);
    while (next(&drive)) {
        for (size_t i = 1; i < drive.row_count; i++)
            assert_true(drive.rows[i].suspect == drive.rows[0].suspect);
        suspects += drive.row_count > 0 && drive.rows[0].suspect;
    }
    assert_int_equal(suspects, 3 + 2); /* three repeats, two spoiled checks */
}

/* --- truth and bits --- */

/* Reads bits down from the most significant one: bit 0 of a byte is followed by bit 7 of the next
 * (Motorola) or the previous byte (Intel). */
static uint64_t read_bits(const uint8_t *data, int byte, int bit, int length, bool intel)
{
    uint64_t raw = 0;
    while (length-- > 0) {
        raw = raw << 1 | (data[byte] >> bit & 1u);
        if (bit-- == 0) {
            bit = 7;
            byte += intel ? -1 : 1;
        }
    }
    return raw;
}

static void truth_lies_in_the_bits(void **state)
{
    (void)state;
    static const struct {
        uint32_t id;
        const char *signal;
        int byte, bit, length; /* from the most significant bit */
        bool intel;
        double scale, offset;
        int sign; /* 0 unsigned, 1 two's complement, 2 offset binary, 3 sign and magnitude */
    } table[] = {
        {0x0C4, "engine_speed", 0, 7, 16, false, 0.25, 0, 0},
        {0x0C4, "engine_torque", 2, 7, 12, false, 0.5, 0, 1},
        {0x0C4, "torque_demand", 3, 3, 12, false, 0.5, 0, 2},
        {0x0D0, "pedal", 2, 7, 8, false, 0.4, 0, 0},
        {0x0D0, "throttle", 4, 1, 10, true, 0.1, 0, 0},
        {0x0D0, "load", 5, 3, 10, true, 0.1, 0, 0},
        {0x1A8, "manifold_pressure", 0, 7, 11, false, 0.25, 0, 0},
        {0x1A8, "boost_target", 1, 4, 11, false, 0.25, 0, 0},
        {0x1A8, "intake_temp", 3, 7, 8, false, 1, -40, 0},
        {0x1B0, "lambda", 3, 7, 16, true, 0.0001, 0, 0},
        {0x3A0, "coolant_temp", 0, 7, 8, false, 1, -40, 0},
        {0x3A0, "oil_temp", 2, 7, 16, true, 0.03125, -273, 0},
        {0x2C8, "battery_current", 5, 7, 16, true, 0.1, 0, 1},
        {0x2C8, "knock_1", 3, 7, 8, false, 0.1, 0, 3},
        {0x610, "rail_pressure", 2, 7, 16, true, 1, 0, 0},
        {0x0A6, "wheel_speed_fl", 0, 7, 13, false, 0.05, 0, 0},
        {0x0A6, "wheel_speed_fr", 1, 2, 13, false, 0.05, 0, 0},
        {0x0A6, "wheel_speed_rl", 3, 5, 13, false, 0.05, 0, 0},
        {0x0A6, "wheel_speed_rr", 4, 0, 13, false, 0.05, 0, 0},
        {0x0B2, "steering_angle", 1, 5, 14, true, 0.1, 0, 1},
        {0x0B2, "steering_rate", 3, 7, 16, true, 0.5, 0, 3},
        {0x0B8, "lateral_acceleration", 0, 7, 12, false, 0.01, 0, 2},
        {0x0B8, "yaw_rate", 1, 3, 12, false, 0.1, 0, 1},
        {0x1C0, "drive_mode", 3, 6, 3, false, 1, 0, 0},
        {0x280, "vehicle_speed", 0, 7, 16, false, 0.01, 0, 0},
        {0x280, "odometer", 4, 7, 24, true, 0.1, 0, 0},
    };
    enum { ROWS = sizeof(table) / sizeof(table)[0] };
    unsigned compared[ROWS] = {0}, below_zero[ROWS] = {0};
    struct drive drive = begin("drive", 1, 0);
    while (next(&drive)) {
        for (size_t i = 0; i < ROWS; i++) {
            const struct lt_mimic_truth *row = row_of(&drive, table[i].signal);
            if (table[i].id != drive.frame->id || !row)
                continue;
            uint64_t raw = read_bits(drive.frame->data, table[i].byte, table[i].bit,
                                     table[i].length, table[i].intel);
            double value, half = (double)(1u << (table[i].length - 1));
            assert_true(raw == row->raw);
            if (!update(&drive, table[i].signal, &value))
                continue;
            double number = (double)raw;
            if (table[i].sign == 1 && number >= half)
                number -= 2 * half;
            else if (table[i].sign == 2)
                number -= half;
            else if (table[i].sign == 3 && number >= half)
                number = half - number;
            double decoded = number * table[i].scale + table[i].offset;
            assert_true(fabs(decoded - value) <= table[i].scale * 0.5000001);
            compared[i]++;
            below_zero[i] += number < 0;
        }
    }
    for (size_t i = 0; i < ROWS; i++) {
        assert_true(compared[i] > 200);
        if (table[i].sign) /* a sign that is never used would prove nothing */
            assert_true(below_zero[i] > 10 && below_zero[i] < compared[i]);
    }
}

static void fields_in_other_forms_carry_their_value(void **state)
{
    (void)state;
    unsigned duty = 0, target = 0, flow = 0, tank = 0, text = 0;
    struct drive drive = begin("drive", 1, 0);
    while (next(&drive)) {
        const uint8_t *data = drive.frame->data;
        double value;
        if (update(&drive, "injector_duty", &value)) {
            /* in two parts: 5.7..5.6, then 6.7..6.0 */
            double decoded = ((data[5] >> 6) * 256 + data[6]) * 0.1;
            assert_true(fabs(decoded - value) <= 0.0500001);
            duty++;
        }
        if (update(&drive, "lambda_target", &value)) {
            double phi = (double)((data[5] & 3) * 256 + data[4]) / 512.0; /* sent as 1/lambda */
            assert_true(fabs(phi - 1.0 / value) <= 0.5000001 / 512.0);
            target++;
        }
        if (update(&drive, "flow_rate", &value)) {
            uint32_t bits = (uint32_t)read_bits(data, 6, 7, 32, true);
            float narrow;
            memcpy(&narrow, &bits, sizeof(narrow));
            assert_true(narrow == (float)value);
            flow += value > 5;
        }
        if (update(&drive, "tank_level", &value)) {
            /* between the points (40, 6) and (100, 25) of the curve; beyond it nothing is asked */
            double decoded = 6 + (data[3] - 40) * 19.0 / 60.0;
            if (value > 6.2 && value < 24.8)
                assert_true(fabs(decoded - value) <= 19.0 / 60.0 * 0.5000001);
            tank += value < 10;
        }
        if (row_of(&drive, "part_text")) {
            assert_memory_equal(data, "TARN-F42", 8);
            assert_true(row_of(&drive, "part_text")->raw == 0x5441524E2D463432u);
            text++;
        }
    }
    assert_true(duty > 1000 && target > 1000 && flow > 50 && tank > 20 && text > 50);
}

static void pages_hold_their_own_signals_alone(void **state)
{
    (void)state;
    static const char *const marker[4] = {"run_time", "fuel_used", "fan_duty", "service_page"};
    static const char *const nested[3] = {"service_distance", "oil_quality", "misfires"};
    unsigned seen[4] = {0}, nested_seen[3] = {0};
    struct drive drive = begin("drive", 1, 0);
    while (next(&drive)) {
        if (drive.frame->id != 0x2C8)
            continue;
        unsigned page = drive.frame->data[0] & 15, sub = drive.frame->data[1] & 15;
        assert_true(page < 4);
        seen[page]++;
        for (unsigned i = 0; i < 4; i++)
            assert_true((row_of(&drive, marker[i]) != NULL) == (i == page));
        for (unsigned i = 0; i < 3; i++)
            assert_true((row_of(&drive, nested[i]) != NULL) == (page == 3 && i == sub));
        if (page == 3)
            nested_seen[sub]++;
    }
    assert_true(seen[0] > 100 && seen[1] > 100 && seen[2] > 100 && seen[3] > 100);
    assert_true(nested_seen[0] > 30 && nested_seen[1] > 30 && nested_seen[2] > 30);
}

/* --- the tester --- */

static void the_tester_asks_politely_and_is_answered_from_the_motion(void **state)
{
    (void)state;
    double rpm = 0, asked_s = 0, first_s = 0;
    unsigned asked = 0, compared = 0, flow_controls = 0, refused = 0, unsupported = 0;
    uint8_t pid = 0, long_answer[64];
    size_t long_at = 0, vins = 0;
    uint32_t masks[4] = {0};
    struct drive drive = begin("drive", 1, 0);
    while (next(&drive)) {
        const uint8_t *d = drive.frame->data;
        update(&drive, "engine_speed", &rpm);
        if (drive.frame->id < 0x7DF)
            continue;
        assert_int_equal(drive.row_count, 0);
        assert_true(drive.frame->bus == 0 && drive.frame->len == 8);
        if (drive.frame->id == 0x7E0 && d[0] == 0x30) {
            flow_controls++;
            continue;
        }
        if (drive.frame->id != 0x7E8) {
            assert_true(drive.at_s - asked_s > 0.09 || asked == 0);
            asked_s = drive.at_s;
            first_s = asked++ == 0 ? drive.at_s : first_s;
            pid = d[2];
            unsupported += d[1] == 0x01 && d[0] == 2 && pid == 0x52;
            continue;
        }
        double delay_s = drive.at_s - asked_s;
        if (d[0] >> 4 == 0) {
            assert_true(delay_s > 0.0049 && delay_s < 0.045);
            if (d[1] == 0x7F) {
                refused++;
                continue;
            }
            assert_int_equal(d[1], 0x41);
            assert_int_equal(d[2], pid);
            assert_true(pid != 0x52); /* never answered */
            if (pid % 0x20 == 0)
                masks[pid / 0x20] = (uint32_t)read_bits(d, 3, 7, 32, false);
            else /* what is answered is what the masks say */
                assert_true(masks[pid / 0x20] >> (31 - (pid - 1) % 0x20) & 1);
            if (pid == 0x0C && rpm > 0) {
                assert_true(fabs((d[3] * 256 + d[4]) / 4.0 - rpm) < 260);
                compared++;
            }
        } else if (d[0] >> 4 == 1) {
            memcpy(long_answer, d + 2, 6);
            long_at = 6;
        } else {
            assert_int_equal(d[0] & 15, (long_at - 6) / 7 + 1);
            memcpy(long_answer + long_at, d + 1, 7);
            long_at += 7;
            if (long_at == 20 && long_answer[1] == 0x02) {
                assert_memory_equal(long_answer, "\x49\x02\x01TARN0TURBO0ESTATE", 20);
                vins++;
            }
        }
    }
    double rate = asked / (asked_s - first_s);
    assert_true(rate > 5 && rate < 8);
    assert_true(compared > 50 && vins == 1 && refused >= 1 && unsupported >= 1);
    assert_true(flow_controls >= 3);
    /* Each mask says that the next exists, the last one does not. */
    assert_true((masks[0] & 1) && (masks[1] & 1) && (masks[2] & 1) && !(masks[3] & 1));
}

static void without_polling_there_are_no_diagnostics(void **state)
{
    (void)state;
    const struct lt_mimic_options options = {.seed = 1, .start_ns = START_NS};
    struct lt_mimic *mimic = NULL;
    const struct lt_frame *frame;
    size_t count = 0;
    assert_int_equal(lt_mimic_new(&mimic, "idle", &options, NULL), LT_OK);
    for (; (frame = lt_mimic_next(mimic)); count++)
        assert_true(frame->id < 0x7DF);
    assert_true(count > 5000);
    lt_mimic_free(mimic);
}

/* --- options --- */

static void what_cannot_be_is_refused(void **state)
{
    (void)state;
    struct lt_mimic *const poison = (struct lt_mimic *)(uintptr_t)0x55;
    struct lt_mimic *mimic = poison;
    struct lt_error error;
    struct lt_mimic_options options = {.seed = 1, .start_ns = START_NS};
    assert_int_equal(lt_mimic_new(&mimic, "drives", &options, &error), LT_E_UNKNOWN);
    assert_non_null(strstr(error.text, "drives"));
    assert_non_null(strstr(error.advice, "idle"));
    static const double durations[] = {-1, NAN, INFINITY, 1e300};
    for (size_t i = 0; i < 4; i++) {
        options.duration_s = durations[i];
        assert_int_equal(lt_mimic_new(&mimic, "idle", &options, &error), LT_E_RANGE);
    }
    options.duration_s = 1;
    options.start_ns = INT64_MAX;
    assert_int_equal(lt_mimic_new(&mimic, "idle", &options, &error), LT_E_RANGE);
    options.start_ns = -1;
    assert_int_equal(lt_mimic_new(&mimic, "idle", &options, NULL), LT_E_RANGE);
    assert_ptr_equal(mimic, poison);
    lt_mimic_free(NULL);
}

static void a_longer_drive_begins_again(void **state)
{
    (void)state;
    unsigned starts = 0;
    bool cranking = false;
    double last_s = 0, odometer = 0;
    struct drive drive = begin("idle", 1, 50);
    while (next(&drive)) {
        const struct lt_mimic_truth *row = row_of(&drive, "ignition");
        double now;
        if (row && (row->raw == 2) != cranking) {
            cranking = row->raw == 2;
            starts += cranking;
        }
        if (update(&drive, "odometer", &now)) {
            assert_true(now >= odometer);
            odometer = now;
        }
        last_s = drive.at_s;
    }
    assert_int_equal(starts, 3);
    assert_true(last_s > 49.5 && last_s <= 50);
}

static void buses_have_names(void **state)
{
    (void)state;
    struct drive drive = begin("idle", 1, 1);
    assert_int_equal(lt_mimic_bus_count(drive.mimic), 2);
    assert_string_equal(lt_mimic_bus_name(drive.mimic, 0), "can0");
    assert_string_equal(lt_mimic_bus_name(drive.mimic, 1), "can1");
    assert_null(lt_mimic_bus_name(drive.mimic, 2));
    while (next(&drive))
        ;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(same_seed_gives_the_same_traffic),
        cmocka_unit_test(two_cars_at_once_do_not_disturb_each_other),
        cmocka_unit_test(time_runs_forward_in_microseconds),
        cmocka_unit_test(one_frame_at_a_time_on_each_bus),
        cmocka_unit_test(the_drive_fits_into_its_folder),
        cmocka_unit_test(counters_count_but_for_what_was_lost),
        cmocka_unit_test(checks_are_right_but_for_those_spoiled),
        cmocka_unit_test(repeats_and_spoiled_frames_are_marked_in_the_truth),
        cmocka_unit_test(truth_lies_in_the_bits),
        cmocka_unit_test(fields_in_other_forms_carry_their_value),
        cmocka_unit_test(pages_hold_their_own_signals_alone),
        cmocka_unit_test(the_tester_asks_politely_and_is_answered_from_the_motion),
        cmocka_unit_test(without_polling_there_are_no_diagnostics),
        cmocka_unit_test(what_cannot_be_is_refused),
        cmocka_unit_test(a_longer_drive_begins_again),
        cmocka_unit_test(buses_have_names),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
