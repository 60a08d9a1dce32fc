/* How an invented car and its driver move, two milliseconds a step.
 *
 * The driver does one act after the other, drawn at random but such that each of them follows from
 * the last: standing, driving off, holding a speed, coasting in gear, braking, full load, blips in
 * neutral, turning tightly both ways. Figures are invented, within what is common for road cars. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "mimic/random_draw.h"
#include "mimic/random_motion.h"

#define STEP         0.002
#define V(name)      motion->value[LT_MIMIC_Q_##name]
#define RPM_OF_RAD_S 9.549296585513721

enum act { KEY_ON, CRANK, STAND, GO, HOLD, COAST, BRAKE, FULL, BLIP, CREEP };
enum engine { ENGINE_OFF, ENGINE_KEY_ON, ENGINE_CRANKING, ENGINE_RUNNING };

static double clamp(double value, double low, double high)
{
    return value < low ? low : value > high ? high : value;
}

static double lag(double now, double target, double tau_s)
{
    return now + (target - now) * (STEP / (tau_s + STEP));
}

static double approach(double now, double target, double per_s)
{
    double most = per_s * STEP;
    return now + clamp(target - now, -most, most);
}

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
    {"exhaust_temp", "degC", LT_MIMIC_SLOW, 0, 1000, false},
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
}

/* --- the driver --- */

static void begin(struct lt_mimic_motion *motion, enum act act, double low_s, double high_s)
{
    motion->act = act;
    motion->act_s = 0;
    motion->act_until_s =
        draw_between(&motion->rng, low_s, high_s) * (act == CRANK ? 1 : motion->habits.calm_s);
    motion->sum_kmh = 0;
}

static void begin_go(struct lt_mimic_motion *motion)
{
    static const double usual[] = {28, 45, 52, 68, 85, 102, 122};
    double target = usual[draw_below(&motion->rng, 7)] * draw_between(&motion->rng, 0.85, 1.15);
    if (target < V(VEHICLE_SPEED) + 12)
        target = V(VEHICLE_SPEED) + draw_between(&motion->rng, 15, 40);
    motion->target_kmh = clamp(target, 0, 165);
    motion->act_pedal = clamp(draw_between(&motion->rng, 24, 68) * motion->habits.vigour, 18, 92);
    begin(motion, GO, 12, 20);
}

static void after_standing(struct lt_mimic_motion *motion)
{
    unsigned luck = draw_below(&motion->rng, 100);
    if (luck < 22)
        begin(motion, BLIP, 1.5, 4);
    else if (luck < 40) {
        motion->target_kmh = draw_between(&motion->rng, 7, 17);
        begin(motion, CREEP, 7, 16);
    } else {
        begin_go(motion);
    }
}

static void after_driving(struct lt_mimic_motion *motion)
{
    unsigned luck = draw_below(&motion->rng, 100);
    motion->target_kmh = V(VEHICLE_SPEED);
    if (luck < 30)
        begin(motion, HOLD, 3, 12);
    else if (luck < 50)
        begin(motion, COAST, 3, 10);
    else if (luck < 68) {
        motion->target_kmh = luck < 58 ? V(VEHICLE_SPEED) * 0.5 : 0;
        motion->act_pedal = draw_between(&motion->rng, 15, 60);
        begin(motion, BRAKE, 14, 15);
    } else if (luck < 82 && V(VEHICLE_SPEED) < 120) {
        begin(motion, FULL, 3, 8);
    } else {
        begin_go(motion);
    }
}

static bool act_is_over(const struct lt_mimic_motion *motion)
{
    double kmh = V(VEHICLE_SPEED);
    switch (motion->act) {
    case CRANK:
        return V(ENGINE_STATE) == ENGINE_RUNNING;
    case GO:
        return kmh > motion->target_kmh - 2 || motion->act_s > motion->act_until_s;
    case COAST:
        return motion->act_s > motion->act_until_s || kmh < 14;
    case BRAKE:
        return kmh <= motion->target_kmh + 0.3 || motion->act_s > motion->act_until_s;
    case FULL:
        return motion->act_s > motion->act_until_s || kmh > 178;
    default:
        return motion->act_s > motion->act_until_s;
    }
}

static void choose_act(struct lt_mimic_motion *motion)
{
    switch (motion->act) {
    case KEY_ON:
        begin(motion, CRANK, 1, 2);
        break;
    case CRANK:
        begin(motion, STAND, 2, 6);
        break;
    case STAND:
        after_standing(motion);
        break;
    case BLIP:
    case BRAKE:
        if (V(VEHICLE_SPEED) < 3)
            begin(motion, STAND, 1.5, 6);
        else
            after_driving(motion);
        break;
    case CREEP:
        begin(motion, BRAKE, 4, 5);
        motion->target_kmh = 0;
        motion->act_pedal = 18;
        break;
    default:
        if (V(VEHICLE_SPEED) < 15) {
            motion->target_kmh = 0;
            motion->act_pedal = draw_between(&motion->rng, 12, 30);
            begin(motion, BRAKE, 10, 11);
        } else {
            after_driving(motion);
        }
    }
}

static double hold_speed(struct lt_mimic_motion *motion)
{
    double error = motion->target_kmh - V(VEHICLE_SPEED);
    motion->sum_kmh = clamp(motion->sum_kmh + error * STEP, -20, 20);
    return clamp(12 + error * 2.0 + motion->sum_kmh * 0.9, 0, 55);
}

static void use_feet(struct lt_mimic_motion *motion)
{
    double pedal = 0, brake = 0;
    switch (motion->act) {
    case STAND:
        brake = 20;
        break;
    case BLIP: {
        double beat = motion->act_s - (double)(int)motion->act_s;
        pedal = beat > 0.25 && beat < 0.65 ? 45 * motion->habits.vigour : 0;
        brake = 15;
        break;
    }
    case GO:
        pedal = motion->act_pedal;
        break;
    case HOLD:
        pedal = hold_speed(motion);
        break;
    case CREEP:
        pedal = clamp((motion->target_kmh - V(VEHICLE_SPEED)) * 2.0 + 4, 0, 22);
        break;
    case FULL:
        pedal = 100;
        break;
    case BRAKE:
        brake = motion->act_pedal;
        break;
    default:
        break;
    }
    if (motion->shift_s > 0 && !motion->habits.automatic)
        pedal = 0;
    /* A foot trembles while it presses. */
    motion->foot = lag(motion->foot, draw_between(&motion->noise, -1, 1), 0.15);
    if (pedal > 1 && pedal < 99)
        pedal = clamp(pedal + motion->foot * 14, 1, 99);
    /* How firmly the driver means it, whatever the foot does while changing gear. */
    if (motion->shift_s <= 0)
        motion->firm = lag(motion->firm, pedal, 0.35);
    motion->pedal_want =
        approach(motion->pedal_want, pedal, pedal > motion->pedal_want ? 190 : 420);
    motion->brake_want = approach(motion->brake_want, brake, 130);
}

static void steer(struct lt_mimic_motion *motion)
{
    if (motion->time_s >= motion->steer_until_s) {
        double kmh = V(VEHICLE_SPEED);
        double most = motion->act == CREEP ? 480 : kmh < 25 ? 200 : kmh < 60 ? 70 : 14;
        bool straight = draw_chance(&motion->rng, motion->act == CREEP ? 0.1 : 0.45);
        motion->steer_want = straight ? 0 : draw_between(&motion->rng, -most, most);
        if (V(ENGINE_STATE) != ENGINE_RUNNING || motion->act == STAND)
            motion->steer_want *= 0.1;
        motion->steer_until_s = motion->time_s + draw_between(&motion->rng, 0.8, 4.5);
    }
    double before = V(STEERING_ANGLE);
    motion->shake[0] = lag(motion->shake[0], draw_between(&motion->noise, -1, 1), 0.08);
    double goal = motion->steer_want + motion->shake[0] * 2.5 * clamp(V(VEHICLE_SPEED), 0, 30) / 30;
    motion->shake[5] = approach(motion->shake[5], goal, 520);
    V(STEERING_ANGLE) = lag(before, motion->shake[5], 0.12);
    V(STEERING_RATE) = lag(V(STEERING_RATE), (V(STEERING_ANGLE) - before) / STEP, 0.02);
}

static void choose_mode(struct lt_mimic_motion *motion)
{
    motion->mode_changed = false;
    if (motion->time_s < motion->mode_next_s)
        return;
    unsigned count = motion->habits.modes;
    V(DRIVE_MODE) = ((unsigned)V(DRIVE_MODE) + 1 + draw_below(&motion->rng, count - 1)) % count;
    motion->mode_next_s = motion->time_s + draw_between(&motion->rng, 9, 32);
    motion->mode_changed = true;
}

/* --- the car --- */

static void shift(struct lt_mimic_motion *motion)
{
    const struct lt_mimic_habits *h = &motion->habits;
    motion->rest_s += STEP;
    if (motion->shift_s > 0) {
        motion->rest_s = 0;
        motion->shift_s -= STEP;
        if (motion->shift_s <= 0.15)
            motion->gear = motion->gear_next;
        return;
    }
    bool wants_to_move = motion->act != STAND && motion->act != BLIP && motion->act > CRANK;
    double locked = motion->speed_m_s / h->wheel_m * h->final_drive * RPM_OF_RAD_S;
    double up = h->idle_rpm * 3.0 + motion->firm * (h->limit_rpm - h->idle_rpm * 3.0) * 0.0105;
    unsigned gear = motion->gear, next = gear;
    if (motion->rest_s < 0.8)
        return;
    if (gear == 0 && wants_to_move)
        next = 1;
    else if (gear == 1 && motion->speed_m_s < 0.5 && !wants_to_move)
        next = 0;
    else if (gear > 1 && locked * h->ratio[gear] < h->idle_rpm * 1.35)
        next = gear - 1;
    else if (gear > 0 && gear < h->gears && locked * h->ratio[gear] > up &&
             locked * h->ratio[gear + 1] > h->idle_rpm * 1.8)
        next = gear + 1;
    else if (gear > 2 && motion->firm > 70 && locked * h->ratio[gear - 1] < up * 0.8)
        next = gear - 1; /* kick-down, over two gears where that fits */
    if (next + 1 == gear && next > 2 && motion->firm > 70 && locked * h->ratio[next - 1] < up * 0.8)
        next--;
    if (next != gear) {
        motion->gear_next = next;
        motion->shift_s = h->automatic ? 0.3 : 0.55;
    }
}

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
    V(OIL_PRESSURE) = lag(V(OIL_PRESSURE), oil + motion->shake[2] * 3, 0.25);
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
    motion->act_s += STEP;
    if (act_is_over(motion))
        choose_act(motion);
    choose_mode(motion);
    use_feet(motion);
    steer(motion);
    shift(motion);
    step_engine_state(motion);
    step_air(motion);
    step_fuel(motion);
    step_driveline(motion);
    step_chassis(motion);
    step_heat(motion);
    step_others(motion);
}
