/* The Tarn turbo estate (invented): a four-cylinder turbo petrol engine of 1.8 litres, six manual
 * gears, and the fuel-support kit with its pump and valve. Motion is computed in steps of one
 * millisecond from what the driver does.
 *
 * All figures are invented, inside what is common practice for a road car. Only + - * / and square
 * root are used, each of which IEEE 754 fixes to the last bit: so the same seed gives the same
 * bytes whatever the compiler. */
#ifndef MIMIC_CAR_H
#define MIMIC_CAR_H

#include <stdbool.h>
#include <stdint.h>

#include "mimic/rng.h"

#define LT_MIMIC_STEP_S 0.001
/* How long after the key is turned off the powertrain bus and the chassis bus stay awake. */
#define LT_MIMIC_AFTER_RUN_S  0.7
#define LT_MIMIC_BODY_AWAKE_S 1.15

enum lt_mimic_key { LT_MIMIC_KEY_OFF, LT_MIMIC_KEY_ON, LT_MIMIC_KEY_CRANK };
enum lt_mimic_engine {
    LT_MIMIC_ENGINE_OFF,
    LT_MIMIC_ENGINE_KEY_ON,
    LT_MIMIC_ENGINE_CRANKING,
    LT_MIMIC_ENGINE_RUNNING,
    LT_MIMIC_ENGINE_AUTO_STOP,
};
enum lt_mimic_mode { LT_MIMIC_COMFORT, LT_MIMIC_SPORT, LT_MIMIC_WET };
enum lt_mimic_kit {
    LT_MIMIC_KIT_OFF,
    LT_MIMIC_KIT_READY,
    LT_MIMIC_KIT_FEEDING,
    LT_MIMIC_KIT_FAULT
};
/* What happened to the kit last; sent in its event frame. */
enum lt_mimic_kit_event {
    LT_MIMIC_EVENT_NONE,
    LT_MIMIC_EVENT_FEED_START,
    LT_MIMIC_EVENT_FEED_END,
    LT_MIMIC_EVENT_PRESSURE_LOST,
    LT_MIMIC_EVENT_PUMP_OPEN,
    LT_MIMIC_EVENT_CLEARED,
};
/* A sensor's state beside its value. */
enum lt_mimic_sensor { LT_MIMIC_SENSOR_GOOD, LT_MIMIC_SENSOR_UNAVAILABLE, LT_MIMIC_SENSOR_ERROR };

/* What the driver does now. */
struct lt_mimic_inputs {
    enum lt_mimic_key key;
    enum lt_mimic_mode mode;
    int gear;       /* 0 neutral, 1..6 */
    bool auto_stop; /* the stop-start system holds the engine off */
    bool handbrake, lights;
    double pedal_pct;      /* 0..100 */
    double brake_pct;      /* 0..100 */
    double clutch;         /* 0 open .. 1 closed */
    double steering_deg;   /* at the wheel, left positive */
    double cruise_set_kmh; /* 0 = cruise control off */
};

/* Faults that the scenario switches on for a while. */
struct lt_mimic_troubles {
    bool rail_pressure_dips; /* the kit feeds less: lean under load follows */
    bool pump_open_circuit;
    bool intake_sensor_error;
};

/* Everything the car's controllers could put into a frame is a double here, in the unit of the
 * signal's role (frames.c names the member for each field). Labels hold their code. */
struct lt_mimic_car {
    struct lt_mimic_rng rng;
    uint64_t steps; /* milliseconds since the start */

    /* engine */
    double engine_state, ignition, engine_speed_rpm, pedal_pct, throttle_pct, load_pct;
    double absolute_load_pct, timing_deg, engine_torque_nm, torque_demand_nm;
    double fuel_cut, rev_limit, idling, closed_loop, enriched;
    double manifold_kpa, boost_target_kpa, barometric_kpa, intake_c, air_mass_g_s;
    double lambda, lambda_target, injector_duty_pct, fuel_trim_pct;
    double coolant_c, oil_c, fuel_c, ambient_c, oil_kpa, battery_v, battery_a;
    double run_time_s, revolutions, fuel_used_l, alternator_pct, fan_pct, knock_deg[4];
    double service_km, oil_quality_pct, misfires, air_filter_pct, part_code, selector, sub_selector;

    /* kit */
    double kit_state, rail_kpa, flow_l_h, tank_pct, pump_a, pump_pct, valve_pct, kit_v;
    double kit_event, kit_event_count, kit_event_value;

    /* chassis and body */
    double drive_mode, gear, vehicle_kmh, wheel_kmh[4]; /* front left, front right, rear ... */
    double steering_deg, steering_rate_deg_s, brake_kpa, brake_on, clutch_down, kickdown;
    double lateral_m_s2, longitudinal_m_s2, yaw_deg_s, odometer_km, distance_pulses, fuel_level_pct;
    double cruise_on, cruise_set_kmh, handbrake, lights, door_open, indicator, wipers;
    double cabin_c, cabin_set_c, blower;

    /* sensor states, enum lt_mimic_sensor */
    double coolant_sensor, oil_sensor, intake_sensor, lambda_sensor, engine_speed_sensor;
    double cruise_sensor, rail_sensor;

    /* inside, not sent */
    double speed_m_s, boost_kpa, idle_air_pct, phi_measured, trim_step, trim_held_s, spark_nm,
        fuel_g_s;
    double tank_litres, slosh_pct, heater_s, crank_s, overrun_s, key_off_s, friction_nm;
    double seconds_on, running_s, seconds_enriched, distance_m, engine_torque_indicated_nm;
    double noise_rpm, noise_map, noise_lambda, noise_road, noise_sensor;
};

/* `cold` starts at the ambient 12 °C; else the car stood for an hour or so. */
void lt_mimic_car_init(struct lt_mimic_car *car, uint64_t seed, bool cold);
void lt_mimic_car_step(struct lt_mimic_car *car, const struct lt_mimic_inputs *inputs,
                       const struct lt_mimic_troubles *troubles);

#endif
