/* How an invented car moves, two milliseconds a step: air, fuel, driveline, chassis, heat, and what
 * else lives on its buses. */
#include <math.h>

#include "mimic/random_step.h"

static void step_engine_state(struct lt_mimic_motion *motion)
{
    if (motion->act == CRANK && V(ENGINE_STATE) == ENGINE_KEY_ON)
        V(ENGINE_STATE) = ENGINE_CRANKING;
    if (V(ENGINE_STATE) == ENGINE_CRANKING) {
        motion->crank_s += STEP;
        if (motion->crank_s > 0.8)
            V(ENGINE_STATE) = ENGINE_RUNNING;
    }
}

static double pedal_map(double mode, double pedal)
{
    static const double slope[] = {0.8, 1.5, 0.5, 0.65};
    double x = pedal / 100, s = slope[(unsigned)mode & 3];
    return 100 * x * (s + (1 - s) * x);
}

static void step_air(struct lt_mimic_motion *motion)
{
    const struct lt_mimic_habits *h = &motion->habits;
    bool running = V(ENGINE_STATE) == ENGINE_RUNNING;
    double rpm = V(ENGINE_SPEED);
    V(PEDAL) = clamp(lag(V(PEDAL), motion->pedal_want, 0.025), 0, 100);
    double demand = pedal_map(V(DRIVE_MODE), V(PEDAL));
    V(TORQUE_DEMAND) = demand / 100 * h->torque_nm * 1.05 - h->friction_nm * (rpm > 300);
    double idle = running ? 4.5 + clamp((h->idle_rpm - rpm) * 0.01, -1.5, 4) : 6.5;
    motion->shake[1] = lag(motion->shake[1], draw_between(&motion->noise, -1, 1), 0.03);
    V(THROTTLE) =
        clamp(lag(V(THROTTLE), idle + demand * 0.9 + motion->shake[1] * 0.4, 0.06), 0, 97);
    double share = clamp((rpm - 1200) / 1700, 0, 1);
    double opened = clamp((V(THROTTLE) - 24) / 45, 0, 1);
    V(BOOST_TARGET) = h->baro_kpa + h->boost_kpa * opened;
    double goal = h->boost_kpa * share * opened;
    motion->boost_now = lag(motion->boost_now, goal, goal > motion->boost_now ? 0.6 : 0.2);
    double plate = V(THROTTLE) / 100, flow = 0.55 * plate + 2.3 * plate * plate;
    double draw = 0.9 * rpm / 6000;
    double settled = h->baro_kpa + motion->boost_now;
    if (draw > 0)
        settled = settled * flow / sqrt(flow * flow + draw * draw);
    settled = clamp(settled, 17, 290);
    motion->shake[2] = lag(motion->shake[2], draw_between(&motion->noise, -1, 1), 0.01);
    motion->map_kpa = lag(motion->map_kpa, settled, 0.05);
    V(MANIFOLD_PRESSURE) = motion->map_kpa + motion->shake[2] * h->noise * (rpm > 100 ? 2.0 : 0.1);
    double volumetric = 0.97 - 0.13 * (rpm / 3700 - 1) * (rpm / 3700 - 1);
    double charge = V(MANIFOLD_PRESSURE) / 101.3 * 293 / (273 + V(INTAKE_TEMP)) * volumetric;
    V(ABSOLUTE_LOAD) = rpm > 100 ? 100 * charge : 0;
    double best = h->baro_kpa + h->boost_kpa * share;
    V(LOAD) = running ? clamp(100 * V(MANIFOLD_PRESSURE) / best, 0, 100) : 0;
    V(AIR_MASS_FLOW) = rpm > 100 ? charge * 2.0 * 1.2 * 0.5 * rpm / 60 : 0;
}

static void step_fuel(struct lt_mimic_motion *motion)
{
    const struct lt_mimic_habits *h = &motion->habits;
    bool running = V(ENGINE_STATE) == ENGINE_RUNNING;
    bool overrun = running && V(PEDAL) < 1 && motion->gear > 0 &&
                   V(ENGINE_SPEED) > h->idle_rpm * (V(FUEL_CUT) > 0 ? 1.4 : 1.8);
    motion->cut_s = overrun ? motion->cut_s + STEP : 0;
    V(FUEL_CUT) = motion->cut_s > 0.3 || V(ENGINE_SPEED) > h->limit_rpm;
    bool rich = V(LOAD) > 84 && V(PEDAL) > 60;
    double base = 1 - clamp((55 - V(COOLANT_TEMP)) * 0.0012, 0, 0.08);
    V(LAMBDA_TARGET) = lag(V(LAMBDA_TARGET), rich ? h->lambda_rich : base, 0.12);
    /* The controller hunts around its target; fresh air goes past in a fuel cut. */
    motion->pump_phase += STEP * (0.6 + V(ENGINE_SPEED) / 3000);
    if (motion->pump_phase > 2)
        motion->pump_phase -= 2;
    double hunt = (motion->pump_phase < 1 ? motion->pump_phase : 2 - motion->pump_phase) - 0.5;
    motion->shake[3] = lag(motion->shake[3], draw_between(&motion->noise, -1, 1), 0.05);
    double burnt = V(LAMBDA_TARGET) + hunt * 0.035 + motion->shake[3] * 0.03;
    if (!running || (V(FUEL_CUT) > 0 && h->lean_on_cut))
        burnt = 1.99;
    motion->lambda_true = lag(motion->lambda_true, burnt, burnt > 1.5 ? 0.35 : 0.12);
    V(LAMBDA) = clamp(motion->lambda_true, 0.6, 1.99);
    double trim = hunt * -6 + 2.5 + motion->shake[3] * 4;
    V(FUEL_TRIM) = lag(V(FUEL_TRIM), running && !rich && V(FUEL_CUT) == 0 ? trim : 0, 0.2);
    double fuel = V(FUEL_CUT) > 0 || !running ? 0 : V(AIR_MASS_FLOW) / 14.7 / V(LAMBDA_TARGET);
    motion->fuel_g_s = fuel;
    V(INJECTOR_DUTY) = clamp(lag(V(INJECTOR_DUTY), fuel * 9 * 240 / h->torque_nm, 0.03), 0, 100);
    V(FUEL_USED) += fuel / 0.75 * STEP;
    double advance = 34 - V(LOAD) * 0.28 + V(ENGINE_SPEED) * 0.0022 - (V(LOAD) > 90 ? 4 : 0);
    advance += motion->shake[1] * 2;
    V(TIMING_ADVANCE) = lag(V(TIMING_ADVANCE), V(ENGINE_SPEED) > 100 ? advance : 0, 0.06);
}

static void step_driveline(struct lt_mimic_motion *motion)
{
    const struct lt_mimic_habits *h = &motion->habits;
    bool running = V(ENGINE_STATE) == ENGINE_RUNNING;
    double peak = V(ABSOLUTE_LOAD) / (100 + h->boost_kpa) * h->torque_nm;
    double friction = h->friction_nm * (0.6 + V(ENGINE_SPEED) / 6000);
    double made = running && V(FUEL_CUT) == 0 ? peak * (0.97 + 0.3 * (1 - V(LAMBDA_TARGET))) : 0;
    V(ENGINE_TORQUE) = lag(V(ENGINE_TORQUE), V(ENGINE_SPEED) > 50 ? made - friction : 0, 0.03);
    motion->coupled = approach(motion->coupled, motion->gear > 0 && motion->shift_s <= 0.05, 5);
    double ratio = (motion->gear > 0 ? h->ratio[motion->gear] : 0) * h->final_drive;
    double locked = motion->speed_m_s / h->wheel_m * ratio * RPM_OF_RAD_S;
    /* Free: what pedal and idle governor make of it; driving off, clutch or converter slip. */
    double cold = clamp((60 - V(COOLANT_TEMP)) * 5, 0, 350);
    double idle = h->idle_rpm + cold + motion->shake[1] * 30;
    double own = idle + V(THROTTLE) * (motion->gear > 0 ? 14 : 45) - 65;
    motion->shake[4] = lag(motion->shake[4], draw_between(&motion->noise, -1, 1), 0.02);
    double turning = locked > idle && motion->gear > 0 ? locked : 0;
    double slip = h->automatic ? V(ENGINE_TORQUE) * 0.6 : 0;
    double goal = turning > 0 && turning + slip > own * (1 - motion->coupled)
                      ? turning + clamp(slip, -60, 300)
                      : own;
    if (turning > 0 && motion->coupled < 0.5)
        goal = goal > own ? goal * 0.93 : own;
    goal = clamp(goal + motion->shake[4] * 12 * h->noise, 0, h->limit_rpm + 250);
    double starter = 220 + motion->shake[4] * 60;
    if (!running)
        goal = V(ENGINE_STATE) == ENGINE_CRANKING ? starter : 0;
    V(ENGINE_SPEED) = lag(V(ENGINE_SPEED), goal, running ? (turning > 0 ? 0.08 : 0.22) : 0.1);
    V(TURBINE_SPEED) = lag(V(TURBINE_SPEED), turning > 0 ? locked : V(ENGINE_SPEED) * 0.9, 0.06);
    double drive = V(ENGINE_TORQUE) * motion->coupled * ratio * 0.92 / h->wheel_m;
    if (motion->gear > 0 && h->automatic && motion->speed_m_s < 2)
        drive += 420;
    double v = motion->speed_m_s;
    double resist = v > 0 ? 0.4 * v * v + h->mass_kg * 0.11 + motion->brake_want * 165 : 0;
    if (v <= 0 && motion->brake_want > 1)
        drive = 0;
    double after = v + (drive - resist) / h->mass_kg * STEP;
    motion->speed_m_s = after > 0 ? after : 0;
    motion->body_g = lag(motion->body_g, (motion->speed_m_s - v) / STEP, 0.06);
    V(REVOLUTIONS) += V(ENGINE_SPEED) / 60 * STEP;
    V(DISTANCE) += motion->speed_m_s * STEP;
    V(RUN_TIME) += running ? STEP : 0;
}

static void step_chassis(struct lt_mimic_motion *motion)
{
    const struct lt_mimic_habits *h = &motion->habits;
    double v = motion->speed_m_s, kmh = v * 3.6;
    double moving = clamp(v, 0, 1);
    V(VEHICLE_SPEED) = lag(V(VEHICLE_SPEED), kmh, 0.05);
    double road_rad = V(STEERING_ANGLE) / h->steering_ratio * 0.017453292519943295;
    /* The tangent's first two terms: enough up to full lock. */
    double bend = (road_rad + road_rad * road_rad * road_rad / 3) / h->wheelbase_m;
    double yaw = v * bend;
    V(YAW_RATE) = lag(V(YAW_RATE), yaw * 57.29577951308232 + motion->shake[0] * 0.9 * moving, 0.03);
    V(LATERAL_ACCELERATION) =
        lag(V(LATERAL_ACCELERATION), yaw * v + motion->shake[3] * 0.8 * moving, 0.04);
    V(LONGITUDINAL_ACCELERATION) = motion->body_g + motion->shake[4] * 0.25 * moving;
    static const double side[4] = {-1, 1, -1, 1};
    double inner = yaw * h->track_m * 0.5 * 3.6;
    double slip = 1 + clamp(motion->body_g, -9, 9) * 0.004;
    for (int i = 0; i < 4; i++) {
        double wheel = kmh * (i < 2 ? slip : 1) + side[i] * inner;
        wheel += draw_between(&motion->noise, -0.05, 0.05) * h->noise * moving;
        if (i < 2) /* the front wheels go the longer way round */
            wheel += kmh * road_rad * road_rad * 0.4;
        V(WHEEL_SPEED_FL + i) = clamp(lag(V(WHEEL_SPEED_FL + i), wheel, 0.01), 0, 285);
    }
    double bar = motion->brake_want * 110 + (motion->brake_want > 1 ? motion->foot * 60 : 0);
    V(BRAKE_PRESSURE) = clamp(lag(V(BRAKE_PRESSURE), bar, 0.04), 0, 16000);
    V(BRAKE_ON) = motion->brake_want > 1;
    V(GEAR) = motion->gear;
    V(IDLING) = V(ENGINE_STATE) == ENGINE_RUNNING && V(PEDAL) < 1 && v < 0.5;
    V(KICKDOWN) = V(PEDAL) > 96;
    V(STANDING) = v < 0.3;
    motion->blink_s += STEP;
    if (motion->blink_s > 0.72)
        motion->blink_s = 0;
    bool lit = motion->blink_s < 0.36;
    V(INDICATOR_LEFT) = lit && V(STEERING_ANGLE) > 55;
    V(INDICATOR_RIGHT) = lit && V(STEERING_ANGLE) < -55;
}

static void step_heat(struct lt_mimic_motion *motion)
{
    const struct lt_mimic_habits *h = &motion->habits;
    bool running = V(ENGINE_STATE) == ENGINE_RUNNING;
    bool starter = V(ENGINE_STATE) == ENGINE_CRANKING;
    double goal = 95 + clamp(motion->fuel_g_s * 4, 0, 12);
    double held = V(COOLANT_TEMP) > 88 ? 89 + (V(VEHICLE_SPEED) < 30 ? 4 : 0) : goal;
    if (running)
        V(COOLANT_TEMP) = lag(V(COOLANT_TEMP), held, held < 94 ? 40 : h->warm_tau_s);
    V(OIL_TEMP) = lag(V(OIL_TEMP), V(COOLANT_TEMP) + V(ENGINE_SPEED) * 0.003, h->warm_tau_s * 0.6);
    double heated = h->ambient_c + 6 + 0.28 * motion->boost_now + (motion->speed_m_s < 2 ? 9 : 0);
    V(INTAKE_TEMP) = lag(V(INTAKE_TEMP), heated, 14);
    double gas = running ? 260 + V(LOAD) * 4.2 + V(ENGINE_SPEED) * 0.04 : h->ambient_c;
    V(EXHAUST_TEMP) = lag(V(EXHAUST_TEMP), gas, running ? 5 : 300);
    double bend = V(AMBIENT_TEMP) - h->ambient_c;
    V(AMBIENT_TEMP) = lag(V(AMBIENT_TEMP), h->ambient_c + (motion->speed_m_s < 2 ? 1.5 : 0), 90);
    V(BAROMETRIC_PRESSURE) = h->baro_kpa - 0.3 * clamp(bend, 0, 1);
    V(FUEL_LEVEL) -= motion->fuel_g_s / 0.75 / 55000 * 100 * STEP;
    double oil = V(ENGINE_SPEED) > 50 ? clamp(85 + 0.09 * V(ENGINE_SPEED), 0, 480) : 0;
    V(OIL_PRESSURE) = clamp(lag(V(OIL_PRESSURE), oil + motion->shake[2] * 3, 0.25), 0, 600);
    double load_a = V(BLOWER) * 3 + V(LIGHTS) * 9 + V(BRAKE_ON) * 4;
    double amps = starter ? -190 : running ? 14 - load_a * 0.3 + motion->shake[4] * 5 : -6 - load_a;
    V(BATTERY_CURRENT) = lag(V(BATTERY_CURRENT), amps, 0.08);
    double volts = starter ? 9.6 : running ? 14.1 - load_a * 0.004 : 12.3;
    V(BATTERY_VOLTAGE) = lag(V(BATTERY_VOLTAGE), volts + motion->shake[2] * 0.12, 0.1);
}

/* --- the rest of the bus --- */

static void step_process(struct lt_mimic_motion *motion, unsigned i)
{
    struct lt_mimic_process *p = &motion->process[i];
    double *value = &motion->value[LT_MIMIC_Q_PROCESS + i], span = p->high - p->low;
    switch (p->manner) {
    case 0: /* a first-order process, smoothed */
        p->inner = lag(p->inner, draw_between(&motion->noise, -1, 1), p->tau_s);
        p->goal = p->low + span * (0.5 + p->inner * 0.35 * sqrt(p->tau_s / 0.004));
        *value = clamp(lag(*value, p->goal, p->second_s), p->low, p->high);
        return;
    case 1: /* steps to new goals, smoothed: a position that is set */
    case 3:
        if (motion->time_s >= p->next_s) {
            p->goal = draw_between(&motion->rng, p->low, p->high);
            p->next_s = motion->time_s + draw_between(&motion->rng, 0.5, 4) * p->tau_s;
        }
        *value = lag(*value, p->goal, p->tau_s * 0.4);
        return;
    case 2: /* ramps up and down */
        if (motion->time_s >= p->next_s) {
            p->inner = draw_between(&motion->rng, -1, 1) * span / (3 * p->tau_s);
            p->next_s = motion->time_s + draw_between(&motion->rng, 0.3, 3) * p->tau_s;
        }
        *value += p->inner * STEP;
        if (*value < p->low || *value > p->high)
            p->inner = -p->inner;
        *value = clamp(*value, p->low, p->high);
        return;
    default: /* rests at one end, and now and then does something */
        if (motion->time_s >= p->next_s) {
            bool rest = p->goal != p->low && draw_chance(&motion->rng, 0.7);
            p->goal = rest ? p->low : draw_between(&motion->rng, p->low, p->high);
            p->next_s = motion->time_s + draw_between(&motion->rng, 1, 10);
        }
        *value = lag(*value, p->goal, p->second_s + 0.05);
    }
}

/* How long a choice or flag stays: some flags blink evenly, some only flash, most are held. */
static double wait_s(struct lt_mimic_motion *motion, unsigned i)
{
    bool is_flag = i >= LT_MIMIC_WANDERING_CHOICES;
    if (is_flag && i % 5 == 1)
        return 0.15 + 0.06 * i;
    if (is_flag && i % 5 == 2 && motion->value[LT_MIMIC_Q_WANDERING_CHOICE + i] == 0)
        return draw_between(&motion->rng, 0.04, 0.4); /* it is about to come on */
    return draw_log(&motion->rng, 1, 12) * (1 + i % 5);
}

static void step_others(struct lt_mimic_motion *motion)
{
    for (unsigned i = 0; i < LT_MIMIC_PROCESSES; i++)
        step_process(motion, i);
    for (unsigned i = 0; i < LT_MIMIC_WANDERING_CHOICES + LT_MIMIC_WANDERING_FLAGS; i++) {
        if (motion->time_s < motion->flip_s[i])
            continue;
        unsigned at = LT_MIMIC_Q_WANDERING_CHOICE + i;
        double wait = wait_s(motion, i);
        motion->flip_s[i] = motion->time_s + wait;
        unsigned codes = (unsigned)motion->quantity[at].high + 1;
        motion->value[at] =
            ((unsigned)motion->value[at] + 1 + draw_below(&motion->rng, codes - 1)) % codes;
    }
    if ((motion->steps & 4095) == 7 && draw_chance(&motion->rng, 0.25)) {
        V(WIPER) = draw_below(&motion->rng, 4);
        V(BLOWER) = draw_below(&motion->rng, 8);
    }
    if ((motion->steps & 8191) == 9 && draw_chance(&motion->rng, 0.3))
        V(LIGHTS) = 1 - V(LIGHTS);
    V(DOOR) = motion->act == STAND && motion->act_s > 1.5 && motion->act_s < 2.6;
}

void lt_mimic_motion_step(struct lt_mimic_motion *motion)
{
    motion->steps++;
    motion->time_s = (double)motion->steps * STEP;
    lt_mimic_motion_drive(motion);
    step_engine_state(motion);
    step_air(motion);
    step_fuel(motion);
    step_driveline(motion);
    step_chassis(motion);
    step_heat(motion);
    step_others(motion);
}
