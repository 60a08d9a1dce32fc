/* The invented car moves as a car does: ratios, lags, mixture and warmth follow their laws, values
 * stay plausible, and the drive shows all that it should.
 *
 * Limits of "plausible" are the table in the reference sheet, section 10: common practice for a
 * road car. */
#include "mimic_drive.h"

#include <math.h>

/* Limits as in the table of plausible values (common practice). */
static void values_stay_plausible(void **state)
{
    (void)state;
    static const struct {
        const char *signal;
        double low, high, must_reach_low, must_reach_high;
    } table[] = {
        {"engine_speed", 0, 7000, 1, 4500},
        {"manifold_pressure", 10, 300, 25, 170},
        {"barometric_pressure", 70, 105, 100, 90},
        {"coolant_temp", -40, 130, 45, 50},
        {"intake_temp", 12, 70, 30, 30},
        {"lambda", 0.65, 5, 0.87, 2},
        {"battery_voltage", 8, 16, 11, 14},
        {"vehicle_speed", 0, 250, 0, 80},
        {"load", 0, 100, 20, 90},
        {"pedal", 0, 100, 0, 99},
        {"throttle", 0, 100, 8, 80},
        {"engine_torque", -150, 400, -30, 200},
        {"steering_angle", -720, 720, -50, 50},
        {"rail_pressure", 0, 1000, 250, 500},
        {"pump_current", 0, 15, 0.3, 7},
    };
    enum { ROWS = sizeof(table) / sizeof(table)[0] };
    static const char *const scenarios[] = {"drive", "warmup"};
    for (size_t s = 0; s < 2; s++) {
        double low[ROWS], high[ROWS];
        for (size_t i = 0; i < ROWS; i++)
            low[i] = 1e9, high[i] = -1e9;
        struct drive drive = begin(scenarios[s], 2, 0);
        while (next(&drive)) {
            for (size_t i = 0; i < ROWS; i++) {
                double value;
                if (!update(&drive, table[i].signal, &value))
                    continue;
                assert_true(value >= table[i].low && value <= table[i].high);
                low[i] = fmin(low[i], value);
                high[i] = fmax(high[i], value);
            }
        }
        for (size_t i = 0; s == 0 && i < ROWS; i++)
            assert_true(low[i] <= table[i].must_reach_low && high[i] >= table[i].must_reach_high);
    }
}

/* Engine and road are joined by gear and clutch: wheel radius 0.315 m, final drive 3.9. */
static void speeds_follow_the_gear_ratios(void **state)
{
    (void)state;
    static const double ratio[7] = {0, 3.6, 2.1, 1.4, 1.03, 0.82, 0.68};
    double left = 0, right = 0, gear = 0, clutch = 1, changed_s = 0, before_gear = 0;
    unsigned held[7] = {0};
    struct drive drive = begin("drive", 1, 0);
    while (next(&drive)) {
        double rpm;
        update(&drive, "wheel_speed_rl", &left);
        update(&drive, "wheel_speed_rr", &right);
        double speed = (left + right) / 2;
        update(&drive, "clutch_pedal", &clutch);
        if (update(&drive, "gear", &gear) && gear != before_gear) {
            before_gear = gear;
            changed_s = drive.at_s;
        }
        if (clutch != 0)
            changed_s = drive.at_s;
        bool settled = drive.at_s - changed_s > 0.7 && gear >= 1 && speed > 20;
        if (!settled || !update(&drive, "engine_speed", &rpm))
            continue;
        double wheel_rpm = speed / 3.6 / (2 * 3.14159265 * 0.315) * 60;
        double expected = wheel_rpm * ratio[(int)gear] * 3.9;
        /* Wheel speeds come every 20 ms, and the clutch gives a little. */
        assert_true(fabs(rpm - expected) < 40 + 0.01 * expected);
        held[(int)gear]++;
    }
    assert_true(held[1] > 20 && held[2] > 100 && held[3] > 100 && held[4] > 20);
}

static void engine_speed_has_no_steps(void **state)
{
    (void)state;
    double before = 0, before_s = 0;
    struct drive drive = begin("warmup", 4, 240);
    while (next(&drive)) {
        double rpm;
        if (!update(&drive, "engine_speed", &rpm))
            continue;
        /* Freely revving, 200 Nm on 0.17 kg m2 make 11000 rpm a second, 120 in 10 ms; with the
         * clutch coming in it falls faster, but never at once. */
        assert_true(fabs(rpm - before) < 25 + 25000 * (drive.at_s - before_s));
        before = rpm;
        before_s = drive.at_s;
    }
}

static void mixture_follows_what_the_engine_does(void **state)
{
    (void)state;
    double load = 0, cut = 0, enriched = 0, loop = 0, since_s = 0;
    unsigned air = 0, rich = 0, closed = 0;
    double sum = 0, low = 9, high = 0;
    struct drive drive = begin("drive", 1, 0);
    while (next(&drive)) {
        double before = cut + 2 * enriched + 4 * loop, lambda;
        update(&drive, "load", &load);
        update(&drive, "fuel_cut", &cut);
        update(&drive, "enriched", &enriched);
        update(&drive, "closed_loop", &loop);
        if (cut + 2 * enriched + 4 * loop != before)
            since_s = drive.at_s;
        if (!update(&drive, "lambda", &lambda))
            continue;
        /* The lean event, from second 30, has its own test. */
        bool lean = drive.at_s > 29.9 && drive.at_s < 32.5;
        bool settled = drive.at_s - since_s > 1.5 && !lean;
        if (cut != 0 && settled) {
            assert_true(lambda > 2); /* overrun: the sensor sees air */
            air++;
        } else if (enriched != 0 && settled) {
            assert_true(lambda > 0.80 && lambda < 0.91); /* full load: rich */
            rich++;
        } else if (loop != 0 && settled) {
            assert_true(lambda > 0.93 && lambda < 1.08);
            sum += lambda;
            low = fmin(low, lambda);
            high = fmax(high, lambda);
            closed++;
        }
    }
    assert_true(air > 100 && rich > 50 && closed > 500);
    assert_true(fabs(sum / closed - 0.985) < 0.02); /* a little rich while cold */
    assert_true(high - low > 0.01);                 /* the controller's ripple */
}

/* More pressure in the manifold means more load; the throttle is behind the pedal, and no copy. */
static void causes_come_before_effects(void **state)
{
    (void)state;
    double pedal = 0, throttle = 0, manifold = 100, load = 0, rpm = 0;
    unsigned pressed = 0, cousins = 0, boosted = 0;
    struct drive drive = begin("drive", 1, 0);
    while (next(&drive)) {
        update(&drive, "engine_speed", &rpm);
        update(&drive, "pedal", &pedal);
        update(&drive, "manifold_pressure", &manifold);
        update(&drive, "load", &load);
        if (!update(&drive, "throttle", &throttle) || rpm < 600)
            continue;
        pressed += pedal > 20;
        cousins += pedal > 20 && fabs(pedal - throttle) > 3;
        if (manifold > 130) {
            assert_true(load > 45);
            boosted++;
        }
        if (manifold < 40 && rpm > 1000)
            assert_true(load < 55);
    }
    assert_true(boosted > 100 && pressed > 300 && cousins > pressed / 2);
}

static void coolant_warms_slowly_to_the_thermostat(void **state)
{
    (void)state;
    double first = 0, last = 0, before = 0, before_s = 0;
    struct drive drive = begin("warmup", 1, 0);
    while (next(&drive)) {
        double now;
        if (!update(&drive, "coolant_temp", &now))
            continue;
        if (first == 0)
            first = now;
        else
            assert_true(fabs(now - before) < 1.0 * (drive.at_s - before_s) + 0.01);
        before = last = now;
        before_s = drive.at_s;
    }
    assert_true(first > 11 && first < 13); /* ambient 12 */
    assert_true(last > 78 && last < 95);
}

/* --- what the scenario shows --- */

static void the_drive_shows_all_that_it_should(void **state)
{
    (void)state;
    unsigned states = 0, gears = 0, modes = 0, visits[3] = {0}, events = 0;
    int mode_before = -1;
    double speed = 0;
    bool stood = false;
    unsigned blips = 0, stops = 0;
    bool above = false;
    struct drive drive = begin("drive", 1, 0);
    while (next(&drive)) {
        const struct lt_mimic_truth *row;
        double rpm;
        if ((row = row_of(&drive, "engine_state")))
            states |= 1u << row->raw;
        if ((row = row_of(&drive, "gear")))
            gears |= 1u << row->raw;
        events += drive.frame->id == 0x618;
        if ((row = row_of(&drive, "drive_mode")) && (int)row->raw != mode_before) {
            mode_before = (int)row->raw;
            modes |= 1u << row->raw;
            visits[row->raw]++;
            static const char *const names[3] = {"comfort", "sport", "wet"};
            assert_string_equal(row->label, names[row->raw]);
        }
        if (update(&drive, "vehicle_speed", &speed)) {
            stops += !stood && speed < 0.1 && drive.at_s > 20;
            stood = speed < 0.1;
        }
        if (update(&drive, "engine_speed", &rpm) && speed < 0.1 && (rpm > 2200) != above) {
            above = rpm > 2200;
            blips += above;
        }
    }
    assert_int_equal(states, 0x1F); /* off, key_on, cranking, running, auto_stop */
    assert_int_equal(gears & 0x1F, 0x1F);
    assert_int_equal(modes, 7);
    assert_true(visits[0] >= 2);
    assert_true(stops >= 2 && blips >= 2 && events >= 5);
}

static void the_drive_has_its_troubles(void **state)
{
    (void)state;
    double load = 0, amps = 0, lean_s = 0, open_s = 0, low_s = 0, before_s = 0, kit = 0;
    double lambda = 1, rail = 500, duty = 0;
    unsigned unavailable = 0, later = 0, errors = 0;
    struct drive drive = begin("drive", 1, 0);
    while (next(&drive)) {
        double passed_s = drive.at_s - before_s;
        before_s = drive.at_s;
        update(&drive, "load", &load);
        update(&drive, "lambda", &lambda);
        update(&drive, "rail_pressure", &rail);
        update(&drive, "kit_state", &kit);
        update(&drive, "pump_current", &amps);
        update(&drive, "pump_duty", &duty);
        lean_s += lambda > 1.05 && lambda < 1.4 && load > 60 && rail < 300 ? passed_s : 0;
        low_s += rail < 300 && kit == 2 ? passed_s : 0;
        open_s += amps < 0.5 && duty > 20 ? passed_s : 0;
        const struct lt_mimic_truth *row = row_of(&drive, "lambda");
        if (row && strcmp(row->label, "unavailable") == 0) {
            assert_true(row->raw == 0xFFFF);
            assert_true(later == 0); /* at the start alone, until it is hot */
            unavailable++;
        } else if (row) {
            later++;
        }
        row = row_of(&drive, "intake_temp");
        if (row && strcmp(row->label, "error") == 0) {
            assert_true(row->raw == 0xFE);
            errors++;
        }
    }
    assert_true(lean_s > 0.5 && low_s > 0.5 && open_s > 0.5);
    assert_true(unavailable > 100 && later > 1000 && errors > 20);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(values_stay_plausible),
        cmocka_unit_test(speeds_follow_the_gear_ratios),
        cmocka_unit_test(engine_speed_has_no_steps),
        cmocka_unit_test(mixture_follows_what_the_engine_does),
        cmocka_unit_test(causes_come_before_effects),
        cmocka_unit_test(coolant_warms_slowly_to_the_thermostat),
        cmocka_unit_test(the_drive_shows_all_that_it_should),
        cmocka_unit_test(the_drive_has_its_troubles),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
