/* Layouts, packer and checks of the car's frames.
 *
 * A field is given by one end, length and order, as a maker's sheet would: for Motorola its most
 * significant bit, for Intel its least significant. Checks are bitwise and small on purpose;
 * sources are the CRC RevEng catalogue and AUTOSAR "PRS E2E Protocol" for the named ones.
 *
 * To add a frame: its fields, a row in lt_mimic_frame_list, and its sections in
 * signaldefs/tarn-turbo.ini. To add a signal to a frame: one row, and the same in the profile. */
#include <string.h>

#include "mimic/frames.h"

enum form {
    LINEAR,     /* raw = (value - offset) * num / den */
    RECIPROCAL, /* raw = num / den / value */
    TANK_CURVE, /* the float in the tank, straight lines between points */
    FLOAT32,
    EXACT, /* bits given by the row: more than a double holds */
};
enum sign { UNSIGNED, TWOS, OFFSET_BINARY, SIGN_MAGNITUDE };

struct place {
    uint8_t byte, bit, length; /* length 0 = not used */
    char order;                /* 'm' from its most significant bit, 'i' from its least */
};

/* One code that a sensor may send in place of a value. */
struct codes {
    uint64_t unavailable, error;
};

struct lt_mimic_field {
    const char *name, *unit;
    struct place high, low; /* a field in two parts has its upper bits in `high`; else only `low` */
    enum sign sign;
    enum form form;
    double num, den, offset; /* raw steps a unit = num / den */
    size_t at;               /* of the value in struct lt_mimic_car */
    size_t sensor_at;        /* of the sensor's state; 0 = always good */
    struct codes codes;
    const char *const *labels; /* by raw value */
    uint64_t exact;
    /* Pages: present when the selector has this value (and the second selector that one). */
    bool paged, nested;
    uint8_t page, sub_page;
};

#define AT(member)     .at = offsetof(struct lt_mimic_car, member)
#define SENSOR(member) .sensor_at = offsetof(struct lt_mimic_car, member)
#define BITS(b, k, n)  .low = {b, k, n, 'i'} /* inside one byte: byte, lowest bit, bits */
#define INTEL(b, k, n) .low = {b, k, n, 'i'} /* byte and bit of the least significant bit */
#define MOTOR(b, k, n) .low = {b, k, n, 'm'} /* byte and bit of the most significant bit */
#define STEPS(n, d)    .num = n, .den = d    /* raw = value * n / d */
#define PLAIN          STEPS(1, 1)
#define COUNT(list)    (sizeof(list) / sizeof(list)[0])

static const char *const engine_states[] = {"off",     "key_on",    "cranking",
                                            "running", "auto_stop", NULL};
static const char *const ignition_states[] = {"off", "key_on", "cranking", NULL};
static const char *const drive_modes[] = {"comfort", "sport", "wet", NULL};
static const char *const gears[] = {"neutral", "first", "second", "third",
                                    "fourth",  "fifth", "sixth",  NULL};
static const char *const kit_states[] = {"off", "ready", "feeding", "fault", NULL};
static const char *const kit_events[] = {"none",      "feed_start", "feed_end", "pressure_lost",
                                         "pump_open", "cleared",    NULL};
static const char *const pedals[] = {"released", "pressed", NULL};
static const char *const sides[] = {"none", "left", "right", NULL};

/* --- powertrain --- */

static const struct lt_mimic_field engine_a[] = {
    {"engine_speed", "rpm", MOTOR(0, 7, 16), STEPS(4, 1), AT(engine_speed_rpm),
     SENSOR(engine_speed_sensor), .codes = {0xFFFF, 0xFFFE}},
    {"engine_torque", "Nm", MOTOR(2, 7, 12), STEPS(2, 1), .sign = TWOS, AT(engine_torque_nm)},
    {"torque_demand", "Nm", MOTOR(3, 3, 12), STEPS(2, 1), .sign = OFFSET_BINARY,
     AT(torque_demand_nm)},
    {"fuel_cut", "", BITS(5, 7, 1), PLAIN, AT(fuel_cut)},
    {"rev_limit", "", BITS(5, 6, 1), PLAIN, AT(rev_limit)},
    {"idling", "", BITS(5, 5, 1), PLAIN, AT(idling)},
    {"engine_state", "", BITS(6, 4, 3), PLAIN, AT(engine_state), .labels = engine_states},
};

static const struct lt_mimic_field engine_b[] = {
    {"clutch_pedal", "", BITS(1, 4, 1), PLAIN, AT(clutch_down), .labels = pedals},
    {"brake_light", "", BITS(1, 5, 1), PLAIN, AT(brake_on)},
    {"kickdown", "", BITS(1, 6, 1), PLAIN, AT(kickdown)},
    {"pedal", "%", BITS(2, 0, 8), STEPS(5, 2), AT(pedal_pct)},
    {"throttle", "%", INTEL(3, 0, 10), STEPS(10, 1), AT(throttle_pct)},
    {"load", "%", INTEL(4, 2, 10), STEPS(10, 1), AT(load_pct), SENSOR(engine_speed_sensor),
     .codes = {0x3FF, 0x3FE}},
    {"absolute_load", "%", INTEL(5, 4, 10), STEPS(4, 1), AT(absolute_load_pct)},
    {"timing_advance", "\302\260", BITS(7, 0, 8), STEPS(2, 1), .offset = -64, AT(timing_deg)},
};

static const struct lt_mimic_field air[] = {
    {"manifold_pressure", "kPa", MOTOR(0, 7, 11), STEPS(4, 1), AT(manifold_kpa)},
    {"boost_target", "kPa", MOTOR(1, 4, 11), STEPS(4, 1), AT(boost_target_kpa)},
    {"intake_temp", "\302\260C", BITS(3, 0, 8), PLAIN, .offset = -40, AT(intake_c),
     SENSOR(intake_sensor), .codes = {0xFF, 0xFE}},
    {"barometric_pressure", "kPa", BITS(4, 0, 8), STEPS(2, 1), AT(barometric_kpa)},
    {"air_mass_flow", "g/s", INTEL(5, 0, 16), STEPS(100, 1), AT(air_mass_g_s)},
};

static const struct lt_mimic_field fuel_a[] = {
    {"closed_loop", "", BITS(1, 4, 1), PLAIN, AT(closed_loop)},
    {"enriched", "", BITS(1, 5, 1), PLAIN, AT(enriched)},
    {"lambda", "", INTEL(2, 0, 16), STEPS(10000, 1), AT(lambda), SENSOR(lambda_sensor),
     .codes = {0xFFFF, 0xFFFE}},
    {"lambda_target", "", INTEL(4, 0, 10), STEPS(512, 1), .form = RECIPROCAL, AT(lambda_target)},
    {"injector_duty", "%", .high = {5, 6, 2, 'i'}, INTEL(6, 0, 8), STEPS(10, 1),
     AT(injector_duty_pct)},
    {"fuel_trim", "%", BITS(7, 0, 8), STEPS(128, 100), .sign = TWOS, AT(fuel_trim_pct)},
};

static const struct lt_mimic_field temps[] = {
    {"coolant_temp", "\302\260C", BITS(0, 0, 8), PLAIN, .offset = -40, AT(coolant_c),
     SENSOR(coolant_sensor), .codes = {0xFF, 0xFE}},
    {"oil_temp", "\302\260C", INTEL(1, 0, 16), STEPS(32, 1), .offset = -273, AT(oil_c),
     SENSOR(oil_sensor), .codes = {0xFFFF, 0xFEFF}},
    {"fuel_temp", "\302\260C", BITS(3, 0, 8), PLAIN, .offset = -40, AT(fuel_c)},
    {"ambient_temp", "\302\260C", BITS(4, 0, 8), STEPS(2, 1), .offset = -40, AT(ambient_c)},
    {"oil_pressure", "kPa", BITS(5, 0, 8), STEPS(1, 4), AT(oil_kpa)},
    {"battery_voltage", "V", MOTOR(6, 7, 12), STEPS(100, 1), AT(battery_v)},
};

/* Four pages, the last with three of its own. The selectors are set by lt_mimic_frame_build. */
#define PAGE(n)        .paged = true, .page = n
#define SUB_PAGE(n, m) .paged = true, .page = n, .nested = true, .sub_page = m
static const struct lt_mimic_field slow[] = {
    {"slow_page", "", BITS(0, 0, 4), PLAIN, AT(selector)},
    {"run_time", "s", MOTOR(1, 7, 16), PLAIN, AT(run_time_s), PAGE(0)},
    {"engine_turns", "", MOTOR(3, 7, 32), PLAIN, AT(revolutions), PAGE(0)},
    {"fuel_used", "L", INTEL(1, 0, 24), STEPS(1000, 1), AT(fuel_used_l), PAGE(1)},
    {"battery_current", "A", INTEL(4, 0, 16), STEPS(10, 1), .sign = TWOS, AT(battery_a), PAGE(1)},
    {"alternator_load", "%", BITS(1, 0, 8), STEPS(5, 2), AT(alternator_pct), PAGE(2)},
    {"fan_duty", "%", BITS(2, 0, 8), STEPS(5, 2), AT(fan_pct), PAGE(2)},
    {"knock_1", "\302\260", BITS(3, 0, 8), STEPS(10, 1), .sign = SIGN_MAGNITUDE, AT(knock_deg[0]),
     PAGE(2)},
    {"knock_2", "\302\260", BITS(4, 0, 8), STEPS(10, 1), .sign = SIGN_MAGNITUDE, AT(knock_deg[1]),
     PAGE(2)},
    {"knock_3", "\302\260", BITS(5, 0, 8), STEPS(10, 1), .sign = SIGN_MAGNITUDE, AT(knock_deg[2]),
     PAGE(2)},
    {"knock_4", "\302\260", BITS(6, 0, 8), STEPS(10, 1), .sign = SIGN_MAGNITUDE, AT(knock_deg[3]),
     PAGE(2)},
    {"service_page", "", BITS(1, 0, 4), PLAIN, AT(sub_selector), PAGE(3)},
    {"service_distance", "km", MOTOR(2, 7, 16), PLAIN, AT(service_km), SUB_PAGE(3, 0)},
    {"oil_quality", "%", BITS(2, 0, 8), STEPS(2, 1), AT(oil_quality_pct), SUB_PAGE(3, 1)},
    {"misfires", "", MOTOR(2, 7, 16), PLAIN, AT(misfires), SUB_PAGE(3, 2)},
    {"air_filter", "%", BITS(4, 0, 8), STEPS(2, 1), AT(air_filter_pct), SUB_PAGE(3, 2)},
};

static const struct lt_mimic_field part_text[] = {
    /* "TARN-F42" in ASCII: constant, and as a number more than 2^53. */
    {"part_text", "", MOTOR(0, 7, 64), .form = EXACT, .exact = 0x5441524E2D463432u, AT(part_code)},
};

static const struct lt_mimic_field kit_a[] = {
    {"kit_state", "", BITS(0, 4, 3), PLAIN, AT(kit_state), .labels = kit_states},
    {"rail_pressure", "kPa", INTEL(1, 0, 16), PLAIN, AT(rail_kpa), SENSOR(rail_sensor),
     .codes = {0xFFFF, 0xFFFE}},
    {"tank_level", "%", BITS(3, 0, 8), .form = TANK_CURVE, AT(tank_pct)},
    {"pump_current", "A", BITS(4, 0, 8), STEPS(10, 1), AT(pump_a)},
    {"pump_duty", "%", BITS(5, 0, 8), STEPS(5, 2), AT(pump_pct)},
    {"valve_duty", "%", BITS(6, 0, 8), STEPS(5, 2), AT(valve_pct)},
};

static const struct lt_mimic_field kit_b[] = {
    {"flow_rate", "L/h", INTEL(3, 0, 32), .form = FLOAT32, AT(flow_l_h)},
    {"kit_voltage", "V", BITS(7, 0, 8), STEPS(10, 1), AT(kit_v)},
};

static const struct lt_mimic_field kit_event[] = {
    {"kit_event", "", BITS(0, 0, 8), PLAIN, AT(kit_event), .labels = kit_events},
    {"kit_event_count", "", BITS(1, 0, 8), PLAIN, AT(kit_event_count)},
    {"kit_event_pressure", "kPa", MOTOR(2, 7, 16), STEPS(10, 1), AT(kit_event_value)},
};

/* --- chassis and body --- */

static const struct lt_mimic_field wheels[] = {
    {"wheel_speed_fl", "km/h", MOTOR(0, 7, 13), STEPS(20, 1), AT(wheel_kmh[0])},
    {"wheel_speed_fr", "km/h", MOTOR(1, 2, 13), STEPS(20, 1), AT(wheel_kmh[1])},
    {"wheel_speed_rl", "km/h", MOTOR(3, 5, 13), STEPS(20, 1), AT(wheel_kmh[2])},
    {"wheel_speed_rr", "km/h", MOTOR(4, 0, 13), STEPS(20, 1), AT(wheel_kmh[3])},
};

static const struct lt_mimic_field steering[] = {
    {"steering_angle", "\302\260", INTEL(0, 0, 14), STEPS(10, 1), .sign = TWOS, AT(steering_deg)},
    {"steering_rate", "\302\260/s", INTEL(2, 0, 16), STEPS(2, 1), .sign = SIGN_MAGNITUDE,
     AT(steering_rate_deg_s)},
    {"brake_pressure", "kPa", INTEL(4, 0, 10), STEPS(1, 20), AT(brake_kpa)},
    {"brake_pedal", "", BITS(5, 2, 1), PLAIN, AT(brake_on), .labels = pedals},
};

static const struct lt_mimic_field motion[] = {
    {"lateral_acceleration", "m/s\302\262", MOTOR(0, 7, 12), STEPS(100, 1), .sign = OFFSET_BINARY,
     AT(lateral_m_s2)},
    {"yaw_rate", "\302\260/s", MOTOR(1, 3, 12), STEPS(10, 1), .sign = TWOS, AT(yaw_deg_s)},
    {"drive_acceleration", "m/s\302\262", MOTOR(3, 7, 12), STEPS(100, 1), .sign = TWOS,
     AT(longitudinal_m_s2)},
};

static const struct lt_mimic_field chassis_b[] = {
    {"gear", "", BITS(2, 0, 4), PLAIN, AT(gear), .labels = gears},
    {"drive_mode", "", BITS(3, 4, 3), PLAIN, AT(drive_mode), .labels = drive_modes},
    {"cruise_active", "", BITS(3, 3, 1), PLAIN, AT(cruise_on)},
    {"cruise_set", "km/h", BITS(4, 0, 8), PLAIN, AT(cruise_set_kmh), SENSOR(cruise_sensor),
     .codes = {0xFF, 0xFE}},
};

static const struct lt_mimic_field dash[] = {
    {"vehicle_speed", "km/h", MOTOR(0, 7, 16), STEPS(100, 1), AT(vehicle_kmh)},
    {"odometer", "km", INTEL(2, 0, 24), STEPS(10, 1), AT(odometer_km)},
    {"fuel_level", "%", BITS(5, 0, 8), STEPS(5, 2), AT(fuel_level_pct)},
    {"distance_pulses", "", INTEL(6, 0, 16), PLAIN, AT(distance_pulses)},
};

/* The gateway repeats engine values for the body, slower and coarser. */
static const struct lt_mimic_field gateway[] = {
    {"engine_speed_body", "rpm", BITS(1, 0, 8), STEPS(1, 32), AT(engine_speed_rpm)},
    {"coolant_temp_body", "\302\260C", BITS(2, 0, 8), STEPS(4, 3), .offset = -48, AT(coolant_c)},
};

static const struct lt_mimic_field body[] = {
    {"ignition", "", BITS(0, 0, 3), PLAIN, AT(ignition), .labels = ignition_states},
    {"door_driver", "", BITS(1, 0, 1), PLAIN, AT(door_open)},
    {"lights", "", BITS(1, 1, 1), PLAIN, AT(lights)},
    {"handbrake", "", BITS(1, 2, 1), PLAIN, AT(handbrake)},
    {"indicator", "", BITS(2, 2, 2), PLAIN, AT(indicator), .labels = sides},
    {"wiper_stage", "", BITS(2, 4, 3), PLAIN, AT(wipers)},
};

static const struct lt_mimic_field climate[] = {
    {"cabin_temp", "\302\260C", BITS(0, 0, 8), STEPS(4, 1), AT(cabin_c)},
    {"cabin_set", "\302\260C", INTEL(1, 2, 6), STEPS(2, 1), .offset = 10, AT(cabin_set_c)},
    {"blower_stage", "", INTEL(2, 5, 3), PLAIN, AT(blower)},
};

/* --- checks --- */

/* Bitwise CRC-8, most significant bit first. */
static uint8_t crc8(uint8_t crc, uint8_t poly, const uint8_t *bytes, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = (uint8_t)(crc & 0x80 ? crc << 1 ^ poly : crc << 1);
    }
    return crc;
}

static uint16_t crc16_ccitt(uint16_t crc, const uint8_t *bytes, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        crc = (uint16_t)(crc ^ bytes[i] << 8);
        for (int bit = 0; bit < 8; bit++)
            crc = (uint16_t)(crc & 0x8000 ? crc << 1 ^ 0x1021 : crc << 1);
    }
    return crc;
}

/* CRC-8/SAE-J1850 over bytes 0..6. */
static void seal_j1850(uint8_t *data, unsigned counter)
{
    (void)counter;
    data[7] = crc8(0xFF, 0x1D, data, 7) ^ 0xFF;
}

/* E2E profile 1, data id 0x0123, both bytes, low first; effective start and final XOR are 0. */
static void seal_e2e_p1(uint8_t *data, unsigned counter)
{
    (void)counter;
    static const uint8_t id[2] = {0x23, 0x01};
    data[0] = crc8(crc8(0x00, 0x1D, id, 2), 0x1D, data + 1, 7);
}

/* E2E profile 2: bytes 1..7, then the entry of the id list that the counter picks. */
static void seal_e2e_p2(uint8_t *data, unsigned counter)
{
    static const uint8_t ids[16] = {0x4A, 0x91, 0x0C, 0x77, 0xE2, 0x35, 0xB8, 0x1F,
                                    0xC4, 0x63, 0x2E, 0xD9, 0x86, 0x50, 0xFB, 0xA5};
    data[0] = crc8(crc8(0xFF, 0x2F, data + 1, 7), 0x2F, &ids[counter & 15], 1) ^ 0xFF;
}

/* E2E profile 5, data id 0x1A40: CCITT-FALSE over all but the check, then id low, id high; stored
 * low byte first. */
static void seal_e2e_p5(uint8_t *data, unsigned counter)
{
    (void)counter;
    static const uint8_t id[2] = {0x40, 0x1A};
    uint16_t crc = crc16_ccitt(crc16_ccitt(0xFFFF, data + 2, 6), id, 2);
    data[0] = (uint8_t)crc;
    data[1] = (uint8_t)(crc >> 8);
}

static void seal_xor(uint8_t *data, unsigned counter)
{
    (void)counter;
    data[7] = 0;
    for (int i = 0; i < 7; i++)
        data[7] ^= data[i];
}

static void seal_xor_from_5a(uint8_t *data, unsigned counter)
{
    seal_xor(data, counter);
    data[7] ^= 0x5A;
}

/* All bytes and the identifier's (00 A6) add to 0. */
static void seal_sum_with_id(uint8_t *data, unsigned counter)
{
    (void)counter;
    unsigned sum = 0x00 + 0xA6;
    for (int i = 0; i < 7; i++)
        sum += data[i];
    data[7] = (uint8_t)(0u - sum);
}

/* All nibbles but the check's own, which is the low one of byte 6. */
static void seal_nibble_sum(uint8_t *data, unsigned counter)
{
    (void)counter;
    data[6] &= 0xF0;
    unsigned sum = 0;
    for (int i = 0; i < 7; i++)
        sum += (data[i] >> 4) + (data[i] & 15u);
    data[6] = (uint8_t)(data[6] | (sum & 15));
}

/* CRC-8/AUTOSAR over bytes 0..6. */
static void seal_8h2f(uint8_t *data, unsigned counter)
{
    (void)counter;
    data[7] = crc8(0xFF, 0x2F, data, 7) ^ 0xFF;
}

/* CRC-8, poly 07 from AA, over bytes 1..7 and then a hidden byte C3. */
static void seal_hidden_byte(uint8_t *data, unsigned counter)
{
    (void)counter;
    static const uint8_t hidden = 0xC3;
    data[0] = crc8(crc8(0xAA, 0x07, data + 1, 7), 0x07, &hidden, 1);
}

#define FIELDS(list) .fields = list, .field_count = COUNT(list)

const struct lt_mimic_frame lt_mimic_frame_list[] = {
    {"engine_a", LT_MIMIC_POWERTRAIN, 0x0C4, 8, 10, 6, 0, 4, 16, seal_j1850, FIELDS(engine_a)},
    {"engine_b", LT_MIMIC_POWERTRAIN, 0x0D0, 8, 20, 1, 0, 4, 15, seal_e2e_p1, FIELDS(engine_b)},
    {"air", LT_MIMIC_POWERTRAIN, 0x1A8, 8, 20, 2, 0, 2, 4, seal_xor, FIELDS(air)},
    {"fuel_a", LT_MIMIC_POWERTRAIN, 0x1B0, 8, 20, 1, 0, 4, 16, seal_e2e_p2, FIELDS(fuel_a)},
    {"slow", LT_MIMIC_POWERTRAIN, 0x2C8, 8, 50, 0, 4, 4, 16, NULL, FIELDS(slow)},
    {"temps", LT_MIMIC_POWERTRAIN, 0x3A0, 8, 100, 0, 0, 0, 0, NULL, FIELDS(temps)},
    {NULL, LT_MIMIC_POWERTRAIN, 0x4D2, 6, 200, 0, 0, 8, 255, NULL, NULL, 0},
    {"part_text", LT_MIMIC_POWERTRAIN, 0x5E0, 8, 1000, 0, 0, 0, 0, NULL, FIELDS(part_text)},
    {"kit_a", LT_MIMIC_POWERTRAIN, 0x610, 8, 50, 0, 0, 4, 16, seal_8h2f, FIELDS(kit_a)},
    {"kit_b", LT_MIMIC_POWERTRAIN, 0x612, 8, 100, 2, 0, 8, 0, seal_e2e_p5, FIELDS(kit_b)},
    {"kit_event", LT_MIMIC_POWERTRAIN, 0x618, 4, 0, 0, 0, 0, 0, NULL, FIELDS(kit_event)},
    {"wheels", LT_MIMIC_CHASSIS, 0x0A6, 8, 20, 6, 0, 4, 16, seal_sum_with_id, FIELDS(wheels)},
    {"steering", LT_MIMIC_CHASSIS, 0x0B2, 8, 20, 6, 0, 4, 16, seal_xor_from_5a, FIELDS(steering)},
    {"motion", LT_MIMIC_CHASSIS, 0x0B8, 7, 20, 6, 4, 4, 16, seal_nibble_sum, FIELDS(motion)},
    {"chassis_b", LT_MIMIC_CHASSIS, 0x1C0, 8, 50, 1, 0, 4, 16, seal_hidden_byte, FIELDS(chassis_b)},
    {"dash", LT_MIMIC_CHASSIS, 0x280, 8, 40, 0, 0, 0, 0, NULL, FIELDS(dash)},
    {"gateway", LT_MIMIC_CHASSIS, 0x2F0, 4, 100, 0, 0, 0, 0, NULL, FIELDS(gateway)},
    {"body", LT_MIMIC_CHASSIS, 0x35A, 6, 200, 0, 0, 0, 0, NULL, FIELDS(body)},
    {NULL, LT_MIMIC_CHASSIS, 0x3F1, 8, 100, 0, 0, 8, 255, NULL, NULL, 0},
    {"climate", LT_MIMIC_CHASSIS, 0x430, 3, 500, 0, 0, 0, 0, NULL, FIELDS(climate)},
    {NULL, LT_MIMIC_CHASSIS, 0x525, 8, 500, 0, 0, 8, 255, NULL, NULL, 0},
};
const size_t lt_mimic_frame_count = COUNT(lt_mimic_frame_list);

/* --- packing --- */

static double car_value(const struct lt_mimic_car *car, size_t at)
{
    double value;
    memcpy(&value, (const char *)car + at, sizeof(value));
    return value;
}

/* Half to even, without the library: floor first, then look at what is left. */
static int64_t round_even(double value)
{
    int64_t whole = (int64_t)value;
    if ((double)whole > value)
        whole--;
    double rest = value - (double)whole;
    if (rest > 0.5 || (rest == 0.5 && (whole & 1)))
        whole++;
    return whole;
}

static int64_t limit(int64_t raw, int64_t low, int64_t high)
{
    return raw < low ? low : raw > high ? high : raw;
}

/* The tank is narrow at the bottom: raw counts of the float against per cent of the volume. */
static int64_t tank_raw(double percent)
{
    static const double raw[] = {0, 40, 100, 180, 250};
    static const double volume[] = {0, 6, 25, 65, 100};
    size_t i = 1;
    while (i < COUNT(raw) - 1 && percent > volume[i])
        i++;
    double share = (percent - volume[i - 1]) / (volume[i] - volume[i - 1]);
    return limit(round_even(raw[i - 1] + share * (raw[i] - raw[i - 1])), 0, 250);
}

static uint64_t float_raw(double value)
{
    float narrow = (float)value;
    uint32_t bits;
    memcpy(&bits, &narrow, sizeof(bits));
    return bits;
}

/* A number into `length` bits (below 64) of the field's sign, held inside what it can carry. The
 * codes for "unavailable" and "error" lie at the top and are kept free. */
static uint64_t signed_raw(const struct lt_mimic_field *field, unsigned length, int64_t number)
{
    int64_t span = (int64_t)1 << length, half = span / 2;
    int64_t top = field->sensor_at ? (int64_t)field->codes.error - 1 : span - 1;
    switch (field->sign) {
    case UNSIGNED:
        return (uint64_t)limit(number, 0, top);
    case TWOS:
        number = limit(number, -half, half - 1);
        return (uint64_t)(number < 0 ? number + span : number);
    case OFFSET_BINARY:
        return (uint64_t)(limit(number, -half, half - 1) + half);
    case SIGN_MAGNITUDE:
        number = limit(number, 1 - half, half - 1);
        return (uint64_t)(number < 0 ? half - number : number);
    }
    return 0;
}

static uint64_t value_raw(const struct lt_mimic_field *field, double value)
{
    unsigned length = field->high.length + field->low.length;
    switch (field->form) {
    case EXACT:
        return field->exact;
    case FLOAT32:
        return float_raw(value);
    case TANK_CURVE:
        return (uint64_t)tank_raw(value);
    case RECIPROCAL:
        return signed_raw(field, length, round_even(field->num / field->den / value));
    case LINEAR:
        break;
    }
    return signed_raw(field, length, round_even((value - field->offset) * field->num / field->den));
}

/* Bit by bit from the named end: Motorola walks down and on into the next byte's bit 7, Intel up
 * and on into the next byte's bit 0. */
static void put_bits(uint8_t *data, struct place place, uint64_t raw)
{
    unsigned byte = place.byte;
    int bit = place.bit;
    for (unsigned i = 0; i < place.length; i++) {
        bool motorola = place.order == 'm';
        unsigned which = motorola ? place.length - 1u - i : i;
        unsigned mask = 1u << bit;
        data[byte] = (uint8_t)(raw >> which & 1 ? data[byte] | mask : data[byte] & ~mask);
        bit += motorola ? -1 : 1;
        if (bit < 0 || bit > 7) {
            bit = motorola ? 7 : 0;
            byte++;
        }
    }
}

static void put_field(const struct lt_mimic_field *field, const struct lt_mimic_car *car,
                      uint8_t *data, struct lt_mimic_truth *row)
{
    double value = car_value(car, field->at);
    uint64_t raw = value_raw(field, value);
    const char *label = "";
    if (field->labels)
        label = field->labels[raw];
    double sensor = field->sensor_at ? car_value(car, field->sensor_at) : 0.0;
    if (sensor == (double)LT_MIMIC_SENSOR_UNAVAILABLE) {
        raw = field->codes.unavailable;
        label = "unavailable";
    } else if (sensor == (double)LT_MIMIC_SENSOR_ERROR) {
        raw = field->codes.error;
        label = "error";
    }
    if (field->high.length)
        put_bits(data, field->high, raw >> field->low.length);
    put_bits(data, field->low, raw);
    row->signal = field->name;
    row->unit = field->unit;
    row->value = value;
    row->raw = raw;
    row->label = label;
}

/* Frames of which nothing is known: a counter, and bytes that move with something. */
static void fill_unknown(const struct lt_mimic_frame *frame, const struct lt_mimic_car *car,
                         unsigned turn, uint8_t *data)
{
    unsigned speed = (unsigned)(car->vehicle_kmh * 3.0);
    data[1] = (uint8_t)(speed >> 4);
    data[2] = (uint8_t)(speed << 4 | frame->len);
    data[3] = (uint8_t)(car->brake_on > 0.0 ? 0x80 : 0x00);
    data[4] = (uint8_t)(turn / 7);
    data[5] = 0x3C;
}

size_t lt_mimic_frame_build(const struct lt_mimic_frame *frame, const struct lt_mimic_car *car,
                            unsigned turn, uint8_t data[8],
                            struct lt_mimic_truth rows[LT_MIMIC_ROWS_MAX])
{
    struct lt_mimic_car paged = *car;
    paged.selector = turn % 4;
    paged.sub_selector = turn / 4 % 3;
    memset(data, 0, 8);
    size_t count = 0;
    for (size_t i = 0; i < frame->field_count; i++) {
        const struct lt_mimic_field *field = &frame->fields[i];
        if (field->paged && (double)field->page != paged.selector)
            continue;
        if (field->nested && (double)field->sub_page != paged.sub_selector)
            continue;
        rows[count].frame = frame->name;
        rows[count].suspect = false;
        put_field(field, &paged, data, &rows[count++]);
    }
    if (!frame->name)
        fill_unknown(frame, car, turn, data);
    unsigned modulus =
        frame->counter_bits == 8 && !frame->counter_modulus ? 256 : frame->counter_modulus;
    unsigned counter = modulus ? turn % modulus : 0;
    struct place place = {frame->counter_byte, frame->counter_bit, frame->counter_bits, 'i'};
    put_bits(data, place, counter);
    if (frame->seal)
        frame->seal(data, counter);
    return count;
}
