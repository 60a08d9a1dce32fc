/* Motion of the invented car, one millisecond a step: air, fuel, torque, driveline, heat, chassis,
 * kit. Each part reads what the parts before it left, so the order in lt_mimic_car_step matters.
 *
 * Assumes a dry road and a driver (driver.c) who does nothing absurd: reverse gear, stalling and
 * wheelspin are left out. */
#include <math.h>

#include "mimic/car.h"

#define STEP          LT_MIMIC_STEP_S
#define PI            3.14159265358979
#define RPM_OF_RAD_S  (60.0 / (2.0 * PI))
#define MASS_KG       1580.0
#define WHEEL_M       0.315
#define FINAL_DRIVE   3.9
#define INERTIA_KG_M2 0.17
#define LITRES        1.8
#define TANK_LITRES   20.0
#define AIR_LAMBDA    4.5 /* the sensor's last step towards free air */
#define STOICH        14.7
#define IDLE_RPM      760.0
#define LIMIT_RPM     6400.0

static const double gear_ratio[7] = {0, 3.6, 2.1, 1.4, 1.03, 0.82, 0.68};
static const double boost_max_kpa[3] = {75, 95, 50}; /* by drive mode */

static double clamp(double value, double low, double high)
{
    return value < low ? low : value > high ? high : value;
}

/* First-order lag with time constant tau_s, as an explicit update. */
static double lag(double now, double target, double tau_s)
{
    return now + (target - now) * (STEP / (tau_s + STEP));
}

static double wander(struct lt_mimic_car *car, double now, double amplitude, double tau_s)
{
    return lag(now, lt_mimic_rng_between(&car->rng, -amplitude, amplitude), tau_s);
}

static bool is_state(const struct lt_mimic_car *car, enum lt_mimic_engine state)
{
    return car->engine_state == (double)state;
}

void lt_mimic_car_init(struct lt_mimic_car *car, uint64_t seed, bool cold)
{
    *car = (struct lt_mimic_car){
        .ambient_c = 12.0,
        .barometric_kpa = 99.2,
        .manifold_kpa = 99.2,
        .coolant_c = cold ? 12.0 : 43.0,
        .oil_c = cold ? 12.0 : 46.0,
        .fuel_c = cold ? 12.0 : 21.0,
        .intake_c = cold ? 12.0 : 24.0,
        .cabin_c = cold ? 12.0 : 17.0,
        .cabin_set_c = 21.5,
        .battery_v = 12.5,
        .idle_air_pct = 5.5,
        .lambda = AIR_LAMBDA,
        .lambda_target = 1.0,
        .tank_litres = cold ? 13.0 : 2.03,
        .fuel_level_pct = 58.0,
        .odometer_km = 84213.4,
        .service_km = 11400.0,
        .oil_quality_pct = 71.0,
        .air_filter_pct = 12.0,
        .misfires = 3.0,
        .revolutions = 91276543.0,
        .fuel_used_l = 6417.25,
        /* "TARN-F42" in ASCII as one 64-bit number: more than a double holds, so frames.c has the
         * bits and this only names the size of it. */
        .part_code = 6071222164010873906.0,
        .key_off_s = LT_MIMIC_AFTER_RUN_S,
        .coolant_sensor = LT_MIMIC_SENSOR_UNAVAILABLE,
        .oil_sensor = LT_MIMIC_SENSOR_UNAVAILABLE,
        .lambda_sensor = LT_MIMIC_SENSOR_UNAVAILABLE,
        .engine_speed_sensor = LT_MIMIC_SENSOR_UNAVAILABLE,
        .rail_sensor = LT_MIMIC_SENSOR_UNAVAILABLE,
    };
    lt_mimic_rng_init(&car->rng, seed, 1);
}

/* Key and engine state. The starter turns the crankshaft for half a second before it fires. */
static void step_state(struct lt_mimic_car *car, const struct lt_mimic_inputs *in)
{
    car->key_off_s = in->key == LT_MIMIC_KEY_OFF ? car->key_off_s + STEP : 0.0;
    car->seconds_on = in->key == LT_MIMIC_KEY_OFF ? 0.0 : car->seconds_on + STEP;
    enum lt_mimic_engine state = (enum lt_mimic_engine)car->engine_state;
    if (in->key == LT_MIMIC_KEY_OFF)
        state = LT_MIMIC_ENGINE_OFF;
    else if (state == LT_MIMIC_ENGINE_OFF)
        state = LT_MIMIC_ENGINE_KEY_ON;
    else if (state == LT_MIMIC_ENGINE_KEY_ON && in->key == LT_MIMIC_KEY_CRANK)
        state = LT_MIMIC_ENGINE_CRANKING;
    else if (state == LT_MIMIC_ENGINE_CRANKING && car->engine_speed_rpm > 480.0)
        state = LT_MIMIC_ENGINE_RUNNING;
    else if (state == LT_MIMIC_ENGINE_RUNNING && in->auto_stop)
        state = LT_MIMIC_ENGINE_AUTO_STOP;
    else if (state == LT_MIMIC_ENGINE_AUTO_STOP && !in->auto_stop)
        state = LT_MIMIC_ENGINE_CRANKING;
    else if (state == LT_MIMIC_ENGINE_RUNNING && car->engine_speed_rpm < 200.0)
        state = LT_MIMIC_ENGINE_KEY_ON; /* stalled */
    car->engine_state = (double)state;
    car->ignition = state == LT_MIMIC_ENGINE_OFF        ? LT_MIMIC_ENGINE_OFF
                    : state == LT_MIMIC_ENGINE_CRANKING ? LT_MIMIC_ENGINE_CRANKING
                                                        : LT_MIMIC_ENGINE_KEY_ON;
    bool running = state == LT_MIMIC_ENGINE_RUNNING;
    car->crank_s = state == LT_MIMIC_ENGINE_CRANKING ? car->crank_s + STEP : 0.0;
    car->run_time_s = state == LT_MIMIC_ENGINE_OFF ? 0.0 : car->run_time_s + (running ? STEP : 0.0);
}

/* The pedal map: sport answers early, wet late; all agree at both ends. */
static double pedal_map(enum lt_mimic_mode mode, double pedal_pct)
{
    static const double slope[3] = {0.72, 1.45, 0.5};
    double x = pedal_pct / 100.0;
    return x * (slope[mode] + (1.0 - slope[mode]) * x);
}

static void step_pedal(struct lt_mimic_car *car, const struct lt_mimic_inputs *in)
{
    bool running = is_state(car, LT_MIMIC_ENGINE_RUNNING);
    car->pedal_pct = clamp(lag(car->pedal_pct, in->pedal_pct, 0.03), 0.0, 100.0);
    double idle_target = IDLE_RPM + clamp((60.0 - car->coolant_c) * 6.0, 0.0, 320.0);
    double missing_rpm = idle_target - car->engine_speed_rpm;
    car->idling = running && car->pedal_pct < 1.5 && car->speed_m_s < 1.0;
    if (running && car->pedal_pct < 1.5 && missing_rpm > -400.0)
        car->idle_air_pct =
            clamp(car->idle_air_pct + clamp(missing_rpm, -150, 150) * 0.006 * STEP, 2.5, 14.0);
    car->spark_nm = car->idling ? clamp(missing_rpm * 0.15, -18.0, 18.0) : 0.0;
    double opening = car->idle_air_pct + pedal_map(in->mode, car->pedal_pct) * (91.0 - 5.5);
    if (car->idling)
        opening += clamp(missing_rpm * 0.006, -1.5, 2.0);
    if (!running && !is_state(car, LT_MIMIC_ENGINE_CRANKING))
        opening = car->pedal_pct * 0.85 + 7.5; /* springs hold it a little open */
    car->throttle_pct = clamp(lag(car->throttle_pct, opening, 0.055), 0.0, 92.0);
    car->kickdown = car->pedal_pct > 97.0;
}

/* Share of the full boost that the turbine could give at this engine speed. */
static double boost_share(double rpm)
{
    return clamp((rpm - 1300.0) / 1500.0, 0.0, 1.0);
}

/* Manifold pressure settles where the flow through the throttle equals what the engine draws. */
static void step_air(struct lt_mimic_car *car, const struct lt_mimic_inputs *in)
{
    double rpm = car->engine_speed_rpm;
    double share = boost_share(rpm);
    double opened = clamp((car->throttle_pct - 25.0) / 45.0, 0.0, 1.0);
    car->boost_target_kpa = car->barometric_kpa + boost_max_kpa[in->mode] * opened;
    double boost_goal = boost_max_kpa[in->mode] * share * opened;
    car->boost_kpa = lag(car->boost_kpa, boost_goal, boost_goal > car->boost_kpa ? 0.55 : 0.22);

    double plate = car->throttle_pct / 100.0;
    double conductance = 0.6 * plate + 2.2 * plate * plate;
    double draw = 0.9 * rpm / 6000.0;
    double before = car->barometric_kpa + car->boost_kpa;
    double settled = before;
    if (draw > 0.0)
        settled = before * conductance / sqrt(conductance * conductance + draw * draw);
    car->noise_map = wander(car, car->noise_map, 6.0, 0.02);
    double pulses = draw > 0.0 ? car->noise_map * 0.3 : 0.0;
    car->manifold_kpa =
        clamp(lag(car->manifold_kpa, clamp(settled, 16.0, 260.0) + pulses, 0.06), 14.0, 260.0);

    double off_peak = (rpm - 3800.0) / 3800.0;
    double volumetric = 0.97 - 0.12 * off_peak * off_peak;
    double charge = car->manifold_kpa / 101.3 * 293.0 / (273.0 + car->intake_c) * volumetric;
    bool turning = rpm > 30.0;
    car->absolute_load_pct = turning ? 100.0 * charge : 0.0;
    double best_kpa = car->barometric_kpa + boost_max_kpa[in->mode] * share;
    /* Calculated load is that of a running engine; the controller says 0 for any other. */
    bool runs = is_state(car, LT_MIMIC_ENGINE_RUNNING);
    car->load_pct = runs ? clamp(100.0 * car->manifold_kpa / best_kpa, 0.0, 100.0) : 0.0;
    car->air_mass_g_s = turning ? charge * LITRES * 1.2 * 0.5 * rpm / 60.0 : 0.0;
    double heated = car->ambient_c + 9.0 + 0.27 * car->boost_kpa + (car->speed_m_s < 2.0 ? 6.0 : 0);
    if (rpm > 30.0)
        car->intake_c = lag(car->intake_c, heated, 9.0);
}

/* Overrun cut, rev limiter, closed loop and enrichment. */
static void step_mixture_state(struct lt_mimic_car *car, const struct lt_mimic_inputs *in)
{
    double rpm = car->engine_speed_rpm;
    bool driven = in->gear > 0 && in->clutch > 0.9;
    bool coasting = is_state(car, LT_MIMIC_ENGINE_RUNNING) && car->pedal_pct < 1.5 && driven &&
                    rpm > (car->fuel_cut > 0.0 ? 1180.0 : 1450.0);
    car->overrun_s = coasting ? car->overrun_s + STEP : 0.0;
    car->fuel_cut = car->overrun_s > 0.25;
    car->rev_limit = rpm > (car->rev_limit > 0.0 ? LIMIT_RPM - 150.0 : LIMIT_RPM);

    bool wants_rich = car->load_pct > 82.0 && car->pedal_pct > 75.0;
    car->seconds_enriched = wants_rich ? car->seconds_enriched + STEP : 0.0;
    car->enriched = car->seconds_enriched > 0.2;
    double base = 1.0 - clamp((60.0 - car->coolant_c) * 0.001, 0.0, 0.05);
    car->lambda_target = lag(car->lambda_target, car->enriched > 0.0 ? 0.85 : base, 0.35);
    bool running = is_state(car, LT_MIMIC_ENGINE_RUNNING);
    car->running_s = running ? car->running_s + STEP : 0.0;
    car->closed_loop = car->lambda_sensor == LT_MIMIC_SENSOR_GOOD && car->enriched == 0.0 &&
                       car->fuel_cut == 0.0 && car->running_s > 1.0;
}

/* The two-point controller hunts around its target: the ripple that every such car shows. */
static void step_trim(struct lt_mimic_car *car)
{
    if (car->closed_loop == 0.0) {
        car->fuel_trim_pct = lag(car->fuel_trim_pct, 1.5, 2.0);
        return;
    }
    double direction = car->lambda > car->lambda_target ? 1.0 : -1.0;
    car->trim_held_s += STEP;
    /* It answers late: the mixture needs a while from the valve to the sensor. */
    if (direction != car->trim_step && car->trim_held_s > 0.28) {
        car->fuel_trim_pct += direction * 0.9; /* the jump on crossing */
        car->trim_step = direction;
        car->trim_held_s = 0.0;
    }
    car->fuel_trim_pct = clamp(car->fuel_trim_pct + car->trim_step * 4.0 * STEP, -20.0, 20.0);
}

static void step_fuel(struct lt_mimic_car *car, const struct lt_mimic_troubles *troubles)
{
    step_trim(car);
    bool fires = (is_state(car, LT_MIMIC_ENGINE_RUNNING) ||
                  (is_state(car, LT_MIMIC_ENGINE_CRANKING) && car->crank_s > 0.5)) &&
                 car->fuel_cut == 0.0 && car->rev_limit == 0.0;
    car->noise_lambda = wander(car, car->noise_lambda, 0.09, 0.03);
    double mixed = car->lambda_target / (1.0 + (car->fuel_trim_pct - 1.5) / 100.0);
    mixed += car->noise_lambda * 0.06;
    /* The engine counts on the kit's share of the fuel under load. Without pressure it is missing.
     */
    if (troubles->rail_pressure_dips && car->load_pct > 55.0)
        mixed *= 1.0 + 0.3 * clamp((car->load_pct - 55.0) / 25.0, 0.0, 1.0);
    double phi = fires ? 1.0 / mixed : 0.0;
    car->fuel_g_s = fires ? car->air_mass_g_s * phi / STOICH : 0.0;
    car->fuel_used_l += car->fuel_g_s / 745.0 * STEP;
    car->injector_duty_pct = clamp(car->fuel_g_s / 17.5 * 100.0, 0.0, 99.0);
    /* Exhaust in the pipe needs a while to leave when nothing flows. */
    double tau_s = car->engine_speed_rpm > 300.0 ? 0.13 : 4.0;
    car->phi_measured = lag(car->phi_measured, phi, tau_s);
    car->lambda = car->phi_measured > 1.0 / AIR_LAMBDA ? 1.0 / car->phi_measured : AIR_LAMBDA;

    double off_best = mixed - 0.92;
    double burn = fires ? 1.0 - 0.7 * off_best * off_best : 0.0;
    double charge = car->absolute_load_pct / 100.0;
    car->engine_torque_indicated_nm = burn * 185.0 * clamp(charge - 0.1, 0.0, 3.0);
}

static void step_torque(struct lt_mimic_car *car)
{
    double rpm = car->engine_speed_rpm;
    bool starter = is_state(car, LT_MIMIC_ENGINE_CRANKING);
    double cold = clamp((90.0 - car->oil_c) * 0.08, 0.0, 8.0);
    double pumping = clamp(car->barometric_kpa - car->manifold_kpa, 0.0, 100.0) * 0.143;
    car->friction_nm = rpm > 1.0 ? 13.0 + 0.0032 * rpm + cold + pumping : 0.0;
    double spark = car->engine_torque_indicated_nm > 0.0 ? car->spark_nm : 0.0;
    double starting = starter ? clamp((260.0 - rpm) * 1.5, 0.0, 130.0) : 0.0;
    car->noise_rpm = wander(car, car->noise_rpm, 110.0, 0.03); /* no two burns are alike */
    double uneven = car->engine_torque_indicated_nm > 0.0 ? car->noise_rpm : 0.0;
    double net = car->engine_torque_indicated_nm + spark + uneven - car->friction_nm;
    car->engine_torque_nm = net + starting;
    car->torque_demand_nm =
        is_state(car, LT_MIMIC_ENGINE_RUNNING)
            ? pedal_map((enum lt_mimic_mode)car->drive_mode, car->pedal_pct) * 310.0 - 24.0
            : 0.0;
    double advance = 9.0 + 26.0 * (1.0 - car->load_pct / 100.0) + rpm / 600.0;
    advance = car->idling > 0.0 ? 11.0 + car->spark_nm * 0.4 : advance;
    car->timing_deg = lag(car->timing_deg, rpm > 30.0 ? advance : 0.0, 0.05);
}

/* A clutch that slips up to what its springs hold joins crankshaft and road. */
static void step_driveline(struct lt_mimic_car *car, const struct lt_mimic_inputs *in)
{
    double crank = car->engine_speed_rpm / RPM_OF_RAD_S;
    double ratio = gear_ratio[in->gear] * FINAL_DRIVE;
    double road = car->speed_m_s / WHEEL_M * ratio;
    double holds = in->gear > 0 ? in->clutch * in->clutch * 430.0 : 0.0;
    double carried = clamp(100.0 * (crank - road), -holds, holds);
    crank += (car->engine_torque_nm - carried) / INERTIA_KG_M2 * STEP;
    if (crank < 0.0)
        crank = 0.0;
    car->engine_speed_rpm = crank * RPM_OF_RAD_S;
    car->revolutions += car->engine_speed_rpm / 60.0 * STEP;

    double drive = carried * ratio * 0.93 / WHEEL_M;
    double v = car->speed_m_s;
    double resist = v > 0.0 ? 0.41 * v * v + MASS_KG * 9.81 * 0.011 + in->brake_pct * 125.0 : 0.0;
    if (v <= 0.0 && in->brake_pct > 1.0)
        drive = 0.0;
    double after = v + (drive - resist) / MASS_KG * STEP;
    car->speed_m_s = after > 0.0 ? after : 0.0;
    car->longitudinal_m_s2 = lag(car->longitudinal_m_s2, (car->speed_m_s - v) / STEP, 0.04);
    car->distance_m += car->speed_m_s * STEP;
}

static void step_heat(struct lt_mimic_car *car)
{
    double made = 0.03 + clamp(0.09 * car->fuel_g_s, 0.0, 0.3);
    double thermostat = clamp((car->coolant_c - 86.0) / 6.0, 0.0, 1.0);
    double lost = 0.0003 * (car->coolant_c - car->ambient_c) + thermostat * 0.3;
    bool running = is_state(car, LT_MIMIC_ENGINE_RUNNING);
    car->coolant_c += ((running ? made : 0.0) - (running ? lost : 0.0002)) * STEP;
    car->oil_c = lag(car->oil_c, car->coolant_c + 0.002 * car->engine_speed_rpm, 160.0);
    car->fuel_c = lag(car->fuel_c, car->ambient_c + 16.0, 900.0);
    car->cabin_c = lag(car->cabin_c, car->coolant_c > 40.0 ? car->cabin_set_c : 14.0, 180.0);
    car->blower = car->seconds_on > 1.0 ? 2.0 + (car->cabin_set_c - car->cabin_c > 2.0) : 0.0;
    double rpm = car->engine_speed_rpm;
    double pressure = rpm > 30.0 ? clamp(90.0 + 0.085 * rpm, 0.0, 440.0) : 0.0;
    car->oil_kpa = lag(car->oil_kpa, pressure, 0.3);
    car->fan_pct = clamp((car->coolant_c - 92.0) * 20.0, 0.0, 100.0);
    bool starter = is_state(car, LT_MIMIC_ENGINE_CRANKING) && rpm < 300.0;
    car->battery_v = lag(car->battery_v, starter ? 9.9 : running ? 14.2 : 12.3, 0.15);
    car->battery_a = lag(car->battery_a, starter ? -210.0 : running ? 14.0 : -8.5, 0.1);
    car->alternator_pct = lag(car->alternator_pct, running ? 38.0 + car->blower * 4.0 : 0.0, 0.8);
    for (int i = 0; i < 4; i++) {
        double knock = car->load_pct > 90.0 && rpm > 2500.0 ? -1.2 - 0.7 * i : 0.6 - 0.3 * i;
        car->knock_deg[i] = lag(car->knock_deg[i], running ? knock : 0.0, 0.8);
    }
}

static void step_chassis(struct lt_mimic_car *car, const struct lt_mimic_inputs *in)
{
    double before = car->steering_deg;
    car->steering_deg = lag(car->steering_deg, in->steering_deg, 0.35);
    car->steering_rate_deg_s =
        lag(car->steering_rate_deg_s, (car->steering_deg - before) / STEP, 0.02);
    car->noise_road = wander(car, car->noise_road, 0.8, 0.02);
    double v = car->speed_m_s;
    double road_rad = car->steering_deg / 15.5 * PI / 180.0;
    double yaw_rad_s = v * road_rad / 2.72;
    double moving = v > 0.3 ? 1.0 : 0.0;
    car->yaw_deg_s = yaw_rad_s * 180.0 / PI + car->noise_road * 0.3 * moving;
    car->lateral_m_s2 = yaw_rad_s * v + car->noise_road * 0.2 * moving;

    double kmh = v * 3.6;
    car->vehicle_kmh = lag(car->vehicle_kmh, kmh, 0.08);
    double turn = yaw_rad_s * 0.77 * 3.6; /* half the track */
    double slip = 1.0 + clamp(car->longitudinal_m_s2, -8.0, 8.0) * 0.004;
    static const double side[4] = {-1.0, 1.0, -1.0, 1.0};
    for (int i = 0; i < 4; i++) {
        double wheel = kmh * (i < 2 ? slip : 1.0) + side[i] * turn;
        wheel += lt_mimic_rng_between(&car->rng, -0.08, 0.08);
        car->wheel_kmh[i] = moving > 0.0 ? clamp(wheel, 0.0, 400.0) : 0.0;
    }
    car->odometer_km = 84213.4 + car->distance_m / 1000.0;
    double pulses = car->distance_m * 40.0 + 61000.0;
    car->distance_pulses = (double)((uint64_t)pulses & 0xFFFF);
    car->service_km = 11400.0 - car->distance_m / 1000.0;
    car->fuel_level_pct = 58.0 - (car->fuel_used_l - 6417.25) / 0.52 + car->slosh_pct * 0.3;
    car->brake_kpa = lag(car->brake_kpa, in->brake_pct * 110.0, 0.05);
    car->brake_on = in->brake_pct > 1.0;
    car->clutch_down = in->clutch < 0.5;
    car->drive_mode = (double)in->mode;
    car->gear = (double)in->gear;
    car->cruise_set_kmh = in->cruise_set_kmh;
    car->cruise_on = in->cruise_set_kmh > 0.0;
    car->handbrake = in->handbrake;
    car->lights = in->lights;
    car->indicator = car->steering_deg > 60.0 ? 1.0 : car->steering_deg < -60.0 ? 2.0 : 0.0;
    car->wipers = in->mode == LT_MIMIC_WET ? 2.0 : 0.0;
    car->door_open = car->key_off_s > 0.9 && car->seconds_on == 0.0 && car->distance_m > 1.0;
}

static void kit_event(struct lt_mimic_car *car, enum lt_mimic_kit_event event, double value)
{
    car->kit_event = (double)event;
    car->kit_event_count = car->kit_event_count >= 255.0 ? 0.0 : car->kit_event_count + 1.0;
    car->kit_event_value = clamp(value, 0.0, 655.0);
}

/* Feeds blend under load, and drops to a fault state where its own sensors say so. */
static void step_kit_state(struct lt_mimic_car *car, const struct lt_mimic_troubles *troubles)
{
    bool running = is_state(car, LT_MIMIC_ENGINE_RUNNING);
    enum lt_mimic_kit was = (enum lt_mimic_kit)car->kit_state;
    enum lt_mimic_kit now = was;
    if (!running)
        now = LT_MIMIC_KIT_OFF;
    else if (troubles->pump_open_circuit)
        now = LT_MIMIC_KIT_FAULT;
    else if (was == LT_MIMIC_KIT_FEEDING)
        now = car->load_pct < 60.0 ? LT_MIMIC_KIT_READY : was;
    else
        now = car->load_pct > 72.0 && car->engine_speed_rpm > 1800.0 ? LT_MIMIC_KIT_FEEDING
                                                                     : LT_MIMIC_KIT_READY;
    car->kit_state = (double)now;
    if (now == was)
        return;
    if (now == LT_MIMIC_KIT_FEEDING)
        kit_event(car, LT_MIMIC_EVENT_FEED_START, car->rail_kpa);
    else if (now == LT_MIMIC_KIT_FAULT)
        kit_event(car, LT_MIMIC_EVENT_PUMP_OPEN, car->rail_kpa);
    else if (was == LT_MIMIC_KIT_FEEDING)
        kit_event(car, LT_MIMIC_EVENT_FEED_END, car->rail_kpa);
    else if (was == LT_MIMIC_KIT_FAULT)
        kit_event(car, LT_MIMIC_EVENT_CLEARED, car->rail_kpa);
}

static void step_kit(struct lt_mimic_car *car, const struct lt_mimic_troubles *troubles)
{
    step_kit_state(car, troubles);
    bool feeding = car->kit_state == (double)LT_MIMIC_KIT_FEEDING;
    bool primed = car->kit_state != (double)LT_MIMIC_KIT_OFF;
    car->pump_pct = lag(car->pump_pct, feeding ? 78.0 : primed ? 34.0 : 0.0, 0.12);
    double valve = feeding ? clamp((car->load_pct - 55.0) * 1.7, 0.0, 92.0) : 0.0;
    car->valve_pct = lag(car->valve_pct, valve, 0.06);
    double rail = primed ? 552.0 - 0.35 * car->valve_pct + 0.2 * car->pump_pct : 0.0;
    if (troubles->rail_pressure_dips)
        rail = 215.0;
    if (troubles->pump_open_circuit)
        rail = 120.0;
    bool was_low = car->rail_kpa < 300.0;
    car->noise_sensor = wander(car, car->noise_sensor, 30.0, 0.02);
    car->rail_kpa = clamp(lag(car->rail_kpa, rail, 0.2) + car->noise_sensor * 0.002, 0.0, 1000.0);
    if (feeding && !was_low && car->rail_kpa < 300.0)
        kit_event(car, LT_MIMIC_EVENT_PRESSURE_LOST, car->rail_kpa);
    double root = sqrt(car->rail_kpa / 550.0);
    double flow = car->valve_pct > 0.5 ? 0.27 * car->valve_pct * root : 0.0;
    car->flow_l_h = lag(car->flow_l_h, flow, 0.1);
    if (flow == 0.0 && car->flow_l_h < 0.02) /* below what the sensor turns at */
        car->flow_l_h = 0.0;
    car->tank_litres = clamp(car->tank_litres - car->flow_l_h / 3600.0 * STEP, 0.0, TANK_LITRES);
    /* The float sits at one end: acceleration moves the surface, and the reading with it. */
    car->slosh_pct = lag(car->slosh_pct, car->longitudinal_m_s2 * 0.9, 0.4);
    car->tank_pct =
        clamp(car->tank_litres / TANK_LITRES * 100.0 - car->slosh_pct * 0.6, 0.0, 100.0);
    double amps = car->pump_pct * 0.085 + car->rail_kpa * 0.0035 + car->noise_sensor * 0.01;
    if (troubles->pump_open_circuit)
        amps = 0.1;
    car->pump_a = clamp(lag(car->pump_a, primed ? amps : 0.0, 0.02), 0.0, 25.0);
    car->kit_v = car->battery_v - 0.25 - car->pump_a * 0.02;
}

/* Sensors that sleep at first, and one that fails for a while. What is awake when the key is turned
 * off stays so until the bus is silent. */
static void step_sensors(struct lt_mimic_car *car, const struct lt_mimic_troubles *troubles)
{
    const double asleep = LT_MIMIC_SENSOR_UNAVAILABLE;
    car->cruise_sensor = car->cruise_on > 0.0 ? LT_MIMIC_SENSOR_GOOD : asleep;
    if (car->seconds_on == 0.0) {
        car->heater_s = 0.0;
        return;
    }
    if (is_state(car, LT_MIMIC_ENGINE_RUNNING))
        car->heater_s += STEP;
    car->lambda_sensor = car->heater_s < 4.0 ? asleep : LT_MIMIC_SENSOR_GOOD;
    car->coolant_sensor = car->seconds_on < 0.7 ? asleep : LT_MIMIC_SENSOR_GOOD;
    car->oil_sensor = car->seconds_on < 1.1 ? asleep : LT_MIMIC_SENSOR_GOOD;
    car->engine_speed_sensor = car->seconds_on < 0.15 ? asleep : LT_MIMIC_SENSOR_GOOD;
    car->rail_sensor = car->seconds_on < 0.9 ? asleep : LT_MIMIC_SENSOR_GOOD;
    car->intake_sensor =
        troubles->intake_sensor_error ? LT_MIMIC_SENSOR_ERROR : LT_MIMIC_SENSOR_GOOD;
}

void lt_mimic_car_step(struct lt_mimic_car *car, const struct lt_mimic_inputs *inputs,
                       const struct lt_mimic_troubles *troubles)
{
    car->steps++;
    step_state(car, inputs);
    step_pedal(car, inputs);
    step_air(car, inputs);
    step_mixture_state(car, inputs);
    step_fuel(car, troubles);
    step_torque(car);
    step_driveline(car, inputs);
    step_heat(car);
    step_chassis(car, inputs);
    step_kit(car, troubles);
    step_sensors(car, troubles);
}
