/* What the controllers of an invented car know about it, and what the seed makes of car and driver.
 * Figures are invented, within what is common for road cars. */
#include <stdio.h>
#include <string.h>

#include "mimic/random_step.h"

/* --- what there is to be known --- */

static const struct lt_mimic_quantity known[LT_MIMIC_Q_PROCESS] = {
    {"engine_speed", "rpm", LT_MIMIC_SMOOTH, 0, 7500, true},
    {"pedal", "%", LT_MIMIC_SMOOTH, 0, 100, true},
    {"throttle", "%", LT_MIMIC_SMOOTH, 0, 100, true},
    {"load", "%", LT_MIMIC_SMOOTH, 0, 100, true},
    {"absolute_load", "%", LT_MIMIC_SMOOTH, 0, 250, true},
    {"engine_torque", "Nm", LT_MIMIC_SMOOTH, -120, 520, true},
    {"torque_demand", "Nm", LT_MIMIC_SMOOTH, -120, 520, false},
    {"manifold_pressure", "kPa", LT_MIMIC_SMOOTH, 0, 300, true},
    {"boost_target", "kPa", LT_MIMIC_SMOOTH, 0, 300, false},
    {"lambda", "1", LT_MIMIC_SMOOTH, 0.6, 1.999, true},
    {"lambda_target", "1", LT_MIMIC_SMOOTH, 0.6, 1.999, true},
    {"timing_advance", "deg", LT_MIMIC_SMOOTH, -30, 60, false},
    {"air_mass_flow", "g/s", LT_MIMIC_SMOOTH, 0, 400, false},
    {"injector_duty", "%", LT_MIMIC_SMOOTH, 0, 100, true},
    {"fuel_trim", "%", LT_MIMIC_SMOOTH, -30, 30, false},
    {"vehicle_speed", "km/h", LT_MIMIC_SMOOTH, 0, 280, true},
    {"wheel_speed_fl", "km/h", LT_MIMIC_SMOOTH, 0, 290, true},
    {"wheel_speed_fr", "km/h", LT_MIMIC_SMOOTH, 0, 290, true},
    {"wheel_speed_rl", "km/h", LT_MIMIC_SMOOTH, 0, 290, true},
    {"wheel_speed_rr", "km/h", LT_MIMIC_SMOOTH, 0, 290, true},
    {"turbine_speed", "rpm", LT_MIMIC_SMOOTH, 0, 7500, false},
    {"steering_angle", "deg", LT_MIMIC_SMOOTH, -600, 600, false},
    {"steering_rate", "deg/s", LT_MIMIC_SMOOTH, -1000, 1000, false},
    {"yaw_rate", "deg/s", LT_MIMIC_SMOOTH, -80, 80, false},
    {"lateral_acceleration", "m/s2", LT_MIMIC_SMOOTH, -14, 14, false},
    {"longitudinal_acceleration", "m/s2", LT_MIMIC_SMOOTH, -14, 14, false},
    {"brake_pressure", "kPa", LT_MIMIC_SMOOTH, 0, 16000, false},
    {"battery_current", "A", LT_MIMIC_SMOOTH, -250, 150, false},
    {"battery_voltage", "V", LT_MIMIC_SMOOTH, 8, 16, false},
    {"oil_pressure", "kPa", LT_MIMIC_SMOOTH, 0, 600, false},
    {"coolant_temp", "degC", LT_MIMIC_SLOW, -40, 140, true},
    {"intake_temp", "degC", LT_MIMIC_SLOW, -40, 120, true},
    {"oil_temp", "degC", LT_MIMIC_SLOW, -40, 160, false},
    {"exhaust_temp", "degC", LT_MIMIC_SLOW, -40, 1000, false},
    {"ambient_temp", "degC", LT_MIMIC_SLOW, -40, 60, false},
    {"barometric_pressure", "kPa", LT_MIMIC_SLOW, 60, 110, true},
    {"fuel_level", "%", LT_MIMIC_SLOW, 0, 100, false},
    {"distance", "m", LT_MIMIC_GROWING, 0, 1e9, false},
    {"fuel_used", "ml", LT_MIMIC_GROWING, 0, 1e9, false},
    {"run_time", "s", LT_MIMIC_GROWING, 0, 1e9, false},
    {"revolutions", "1", LT_MIMIC_GROWING, 0, 1e9, false},
    {"drive_mode", "", LT_MIMIC_CHOICE, 0, 3, true},
    {"gear", "", LT_MIMIC_CHOICE, 0, 8, true},
    {"engine_state", "", LT_MIMIC_CHOICE, 0, 3, true},
    {"wiper", "", LT_MIMIC_CHOICE, 0, 3, false},
    {"blower", "", LT_MIMIC_CHOICE, 0, 7, false},
    {"brake_on", "", LT_MIMIC_FLAG, 0, 1, false},
    {"fuel_cut", "", LT_MIMIC_FLAG, 0, 1, false},
    {"idling", "", LT_MIMIC_FLAG, 0, 1, false},
    {"indicator_left", "", LT_MIMIC_FLAG, 0, 1, false},
    {"indicator_right", "", LT_MIMIC_FLAG, 0, 1, false},
    {"lights", "", LT_MIMIC_FLAG, 0, 1, false},
    {"kickdown", "", LT_MIMIC_FLAG, 0, 1, false},
    {"standing", "", LT_MIMIC_FLAG, 0, 1, false},
    {"door", "", LT_MIMIC_FLAG, 0, 1, false},
};

static const char *const modes[] = {"comfort", "sport", "wet", "eco"};
static const char *const states[] = {"off", "key_on", "cranking", "running"};

const char *lt_mimic_motion_label(unsigned quantity, unsigned code)
{
    if (quantity == LT_MIMIC_Q_DRIVE_MODE && code < 4)
        return modes[code];
    if (quantity == LT_MIMIC_Q_ENGINE_STATE && code < 4)
        return states[code];
    return NULL;
}

/* --- habits --- */

static void draw_habits(struct lt_mimic_motion *motion)
{
    struct lt_mimic_habits *h = &motion->habits;
    struct lt_mimic_rng *rng = &motion->rng;
    h->mass_kg = draw_between(rng, 1050, 2300);
    h->wheel_m = draw_between(rng, 0.29, 0.37);
    h->final_drive = draw_between(rng, 3.0, 4.3);
    h->gears = 5 + draw_below(rng, 4);
    double first = draw_between(rng, 3.1, 4.5), last = draw_between(rng, 0.6, 0.85);
    for (unsigned i = 1; i <= h->gears; i++) {
        /* Steps that grow smaller towards the top, as gearboxes have them. */
        double part = (double)(i - 1) / (h->gears - 1), left = 1.0 - part;
        h->ratio[i] = last + (first - last) * left * (0.35 + 0.65 * left);
    }
    h->idle_rpm = draw_between(rng, 640, 900);
    h->limit_rpm = draw_between(rng, 4700, 7100);
    h->boost_kpa = draw_chance(rng, 0.65) ? draw_between(rng, 45, 150) : 0;
    h->torque_nm = h->mass_kg * draw_between(rng, 0.11, 0.17) * (1 + h->boost_kpa / 130);
    h->friction_nm = draw_between(rng, 14, 40);
    h->wheelbase_m = draw_between(rng, 2.4, 3.1);
    h->track_m = draw_between(rng, 1.4, 1.7);
    h->steering_ratio = draw_between(rng, 12, 18);
    h->ambient_c = draw_between(rng, -12, 33);
    h->baro_kpa = draw_between(rng, 82, 103);
    h->warm_tau_s = draw_between(rng, 160, 420);
    h->lambda_rich = draw_between(rng, 0.78, 0.93);
    h->vigour = draw_between(rng, 0.7, 1.4);
    h->calm_s = draw_between(rng, 0.6, 1.5);
    h->noise = draw_between(rng, 0.3, 2.0);
    h->modes = 2 + draw_below(rng, 3);
    h->automatic = draw_chance(rng, 0.5);
    h->cold = draw_chance(rng, 0.6);
    h->running_at_start = draw_chance(rng, 0.35);
    h->lean_on_cut = draw_chance(rng, 0.7);
}

static void name_process(struct lt_mimic_motion *motion, unsigned index, const char *word,
                         unsigned number)
{
    char *name = motion->names[index - LT_MIMIC_Q_PROCESS];
    snprintf(name, sizeof(motion->names[0]), "%s_%u", word, number);
    motion->quantity[index].name = name;
    motion->quantity[index].unit = "";
}

static void draw_processes(struct lt_mimic_motion *motion)
{
    struct lt_mimic_rng *rng = &motion->rng;
    for (unsigned i = 0; i < LT_MIMIC_PROCESSES; i++) {
        struct lt_mimic_process *p = &motion->process[i];
        struct lt_mimic_quantity *q = &motion->quantity[LT_MIMIC_Q_PROCESS + i];
        name_process(motion, LT_MIMIC_Q_PROCESS + i, "process", i);
        double span = draw_log(rng, 5, 20000);
        p->low = draw_chance(rng, 0.45) ? -span * draw_between(rng, 0.3, 1.0) : 0;
        p->high = span;
        p->manner = (uint8_t)draw_below(rng, 5);
        p->tau_s = draw_log(rng, 0.15, p->manner == 3 ? 90 : 12);
        p->second_s = p->tau_s * draw_between(rng, 0.05, 0.6);
        q->kind = p->tau_s > 30 ? LT_MIMIC_SLOW : LT_MIMIC_SMOOTH;
        /* What it can reach is more than what it does reach. */
        double room = draw_between(rng, 0.0, 1.5);
        q->low = p->low * (1 + room);
        q->high = p->high * (1 + room);
        p->goal = p->inner = motion->value[LT_MIMIC_Q_PROCESS + i] =
            draw_between(rng, p->low, p->high);
    }
    for (unsigned i = 0; i < LT_MIMIC_WANDERING_CHOICES; i++) {
        unsigned at = LT_MIMIC_Q_WANDERING_CHOICE + i;
        name_process(motion, at, "choice", i);
        motion->quantity[at].kind = LT_MIMIC_CHOICE;
        motion->quantity[at].high = 2 + draw_below(rng, 11);
    }
    for (unsigned i = 0; i < LT_MIMIC_WANDERING_FLAGS; i++) {
        unsigned at = LT_MIMIC_Q_WANDERING_FLAG + i;
        name_process(motion, at, "flag", i);
        motion->quantity[at].kind = LT_MIMIC_FLAG;
        motion->quantity[at].high = 1;
    }
}

void lt_mimic_motion_init(struct lt_mimic_motion *motion, uint64_t seed)
{
    memset(motion, 0, sizeof(*motion));
    lt_mimic_rng_init(&motion->rng, seed, 21);
    lt_mimic_rng_init(&motion->noise, seed, 22);
    memcpy(motion->quantity, known, sizeof(known));
    draw_habits(motion);
    draw_processes(motion);
    const struct lt_mimic_habits *h = &motion->habits;
    motion->quantity[LT_MIMIC_Q_DRIVE_MODE].high = h->modes - 1;
    motion->quantity[LT_MIMIC_Q_GEAR].high = h->gears;
    double start_c = h->cold ? h->ambient_c : draw_between(&motion->rng, 60, 92);
    V(COOLANT_TEMP) = V(OIL_TEMP) = start_c;
    V(INTAKE_TEMP) = h->ambient_c + 3;
    V(AMBIENT_TEMP) = h->ambient_c;
    V(EXHAUST_TEMP) = h->cold ? h->ambient_c + 5 : 260;
    V(BAROMETRIC_PRESSURE) = motion->map_kpa = h->baro_kpa;
    V(FUEL_LEVEL) = draw_between(&motion->rng, 15, 95);
    V(BATTERY_VOLTAGE) = 12.4;
    V(DISTANCE) = draw_between(&motion->rng, 0, 200000);
    V(FUEL_USED) = draw_between(&motion->rng, 0, 60000);
    V(RUN_TIME) = h->running_at_start ? draw_between(&motion->rng, 5, 3000) : 0;
    V(REVOLUTIONS) = draw_between(&motion->rng, 0, 1e6);
    V(ENGINE_STATE) = h->running_at_start ? ENGINE_RUNNING : ENGINE_KEY_ON;
    V(ENGINE_SPEED) = h->running_at_start ? h->idle_rpm : 0;
    V(LIGHTS) = draw_chance(&motion->rng, 0.5);
    V(BLOWER) = draw_below(&motion->rng, 5);
    motion->lambda_true = h->running_at_start ? 1.0 : 1.99;
    V(LAMBDA) = motion->lambda_true;
    V(LAMBDA_TARGET) = 1.0;
    motion->act = h->running_at_start ? STAND : KEY_ON;
    motion->act_until_s = draw_between(&motion->rng, 0.7, 3.0);
    motion->mode_next_s = draw_between(&motion->rng, 6, 14);
    motion->quantity[LT_MIMIC_Q_ENGINE_SPEED].high = h->limit_rpm + 800;
    motion->quantity[LT_MIMIC_Q_TURBINE_SPEED].high = h->limit_rpm + 800;
    motion->quantity[LT_MIMIC_Q_ENGINE_TORQUE].high = h->torque_nm * 1.2;
    motion->quantity[LT_MIMIC_Q_TORQUE_DEMAND].high = h->torque_nm * 1.2;
}
