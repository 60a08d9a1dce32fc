/* Motion of a car that one seed invents: who drives it, how it answers, and what its controllers
 * know about it. Every quantity that a frame can carry is a number in one array, so that a layout
 * can name it by its index.
 *
 * Physics are plain but coherent: pedal, throttle, manifold pressure, load and torque have one
 * cause and are not the same; wheels differ in turns; engine speed leaves the road in neutral;
 * temperatures warm up exponentially. Only + - * / and square root, as in car.h. */
#ifndef MIMIC_RANDOM_MOTION_H
#define MIMIC_RANDOM_MOTION_H

#include <stdbool.h>
#include <stdint.h>

#include "mimic/rng.h"

#define LT_MIMIC_MOTION_STEP_NS 2000000 /* two milliseconds */

enum lt_mimic_quantity_kind {
    LT_MIMIC_SMOOTH, /* a physical value */
    LT_MIMIC_SLOW,   /* a physical value that needs minutes */
    LT_MIMIC_GROWING,
    LT_MIMIC_CHOICE, /* one of a few codes */
    LT_MIMIC_FLAG,
};

enum {
    LT_MIMIC_Q_ENGINE_SPEED,
    LT_MIMIC_Q_PEDAL,
    LT_MIMIC_Q_THROTTLE,
    LT_MIMIC_Q_LOAD,
    LT_MIMIC_Q_ABSOLUTE_LOAD,
    LT_MIMIC_Q_ENGINE_TORQUE,
    LT_MIMIC_Q_TORQUE_DEMAND,
    LT_MIMIC_Q_MANIFOLD_PRESSURE,
    LT_MIMIC_Q_BOOST_TARGET,
    LT_MIMIC_Q_LAMBDA,
    LT_MIMIC_Q_LAMBDA_TARGET,
    LT_MIMIC_Q_TIMING_ADVANCE,
    LT_MIMIC_Q_AIR_MASS_FLOW,
    LT_MIMIC_Q_INJECTOR_DUTY,
    LT_MIMIC_Q_FUEL_TRIM,
    LT_MIMIC_Q_VEHICLE_SPEED,
    LT_MIMIC_Q_WHEEL_SPEED_FL,
    LT_MIMIC_Q_WHEEL_SPEED_FR,
    LT_MIMIC_Q_WHEEL_SPEED_RL,
    LT_MIMIC_Q_WHEEL_SPEED_RR,
    LT_MIMIC_Q_TURBINE_SPEED,
    LT_MIMIC_Q_STEERING_ANGLE,
    LT_MIMIC_Q_STEERING_RATE,
    LT_MIMIC_Q_YAW_RATE,
    LT_MIMIC_Q_LATERAL_ACCELERATION,
    LT_MIMIC_Q_LONGITUDINAL_ACCELERATION,
    LT_MIMIC_Q_BRAKE_PRESSURE,
    LT_MIMIC_Q_BATTERY_CURRENT,
    LT_MIMIC_Q_BATTERY_VOLTAGE,
    LT_MIMIC_Q_OIL_PRESSURE,
    LT_MIMIC_Q_COOLANT_TEMP,
    LT_MIMIC_Q_INTAKE_TEMP,
    LT_MIMIC_Q_OIL_TEMP,
    LT_MIMIC_Q_EXHAUST_TEMP,
    LT_MIMIC_Q_AMBIENT_TEMP,
    LT_MIMIC_Q_BAROMETRIC_PRESSURE,
    LT_MIMIC_Q_FUEL_LEVEL,
    LT_MIMIC_Q_DISTANCE,
    LT_MIMIC_Q_FUEL_USED,
    LT_MIMIC_Q_RUN_TIME,
    LT_MIMIC_Q_REVOLUTIONS,
    LT_MIMIC_Q_DRIVE_MODE,
    LT_MIMIC_Q_GEAR,
    LT_MIMIC_Q_ENGINE_STATE,
    LT_MIMIC_Q_WIPER,
    LT_MIMIC_Q_BLOWER,
    LT_MIMIC_Q_BRAKE_ON,
    LT_MIMIC_Q_FUEL_CUT,
    LT_MIMIC_Q_IDLING,
    LT_MIMIC_Q_INDICATOR_LEFT,
    LT_MIMIC_Q_INDICATOR_RIGHT,
    LT_MIMIC_Q_LIGHTS,
    LT_MIMIC_Q_KICKDOWN,
    LT_MIMIC_Q_STANDING,
    LT_MIMIC_Q_DOOR,
    /* What else lives on a bus and has nothing to do with the drive. */
    LT_MIMIC_Q_PROCESS,
    LT_MIMIC_PROCESSES = 40,
    LT_MIMIC_Q_WANDERING_CHOICE = LT_MIMIC_Q_PROCESS + LT_MIMIC_PROCESSES,
    LT_MIMIC_WANDERING_CHOICES = 8,
    LT_MIMIC_Q_WANDERING_FLAG = LT_MIMIC_Q_WANDERING_CHOICE + LT_MIMIC_WANDERING_CHOICES,
    LT_MIMIC_WANDERING_FLAGS = 14,
    LT_MIMIC_QUANTITIES = LT_MIMIC_Q_WANDERING_FLAG + LT_MIMIC_WANDERING_FLAGS,
};

struct lt_mimic_quantity {
    const char *name, *unit;
    enum lt_mimic_quantity_kind kind;
    double low, high; /* what it can reach; choices: codes 0 .. high */
    bool role;        /* the name is that of a role */
};

struct lt_mimic_process {
    double low, high, tau_s, second_s, next_s;
    double goal, inner;
    uint8_t manner;
};

/* What the seed made of car and driver. */
struct lt_mimic_habits {
    double mass_kg, wheel_m, final_drive, ratio[9], idle_rpm, limit_rpm, torque_nm, boost_kpa;
    double friction_nm, wheelbase_m, track_m, steering_ratio, ambient_c, baro_kpa, warm_tau_s;
    double lambda_rich, vigour, calm_s, noise;
    unsigned gears, modes;
    bool automatic, cold, running_at_start, lean_on_cut;
};

struct lt_mimic_motion {
    struct lt_mimic_habits habits;
    struct lt_mimic_rng rng, noise;
    struct lt_mimic_quantity quantity[LT_MIMIC_QUANTITIES];
    char names[LT_MIMIC_QUANTITIES - LT_MIMIC_Q_PROCESS][20];
    double value[LT_MIMIC_QUANTITIES];
    struct lt_mimic_process process[LT_MIMIC_PROCESSES];
    double flip_s[LT_MIMIC_WANDERING_CHOICES + LT_MIMIC_WANDERING_FLAGS];
    uint64_t steps;
    double time_s;
    /* the driver */
    unsigned act;
    double act_s, act_until_s, target_kmh, act_pedal, pedal_want, brake_want, foot, sum_kmh;
    double steer_want, steer_until_s, mode_next_s, shift_s, rest_s, firm;
    unsigned gear, gear_next;
    bool mode_changed; /* within the step just made */
    /* the car's insides */
    double speed_m_s, throttle, map_kpa, boost_now, lambda_true, pump_phase, cut_s, coupled;
    double crank_s, shake[6], fuel_g_s, body_g, blink_s;
};

void lt_mimic_motion_init(struct lt_mimic_motion *motion, uint64_t seed);
void lt_mimic_motion_step(struct lt_mimic_motion *motion);
/* The name of a code of a choice, or NULL. */
const char *lt_mimic_motion_label(unsigned quantity, unsigned code);

#endif
