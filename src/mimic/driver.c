/* The scenarios, and a driver who follows them: changes up and down by engine speed, lets the
 * clutch in gently, holds a speed. What a step asks for is a manoeuvre, not a trace: so every car
 * state stays one that physics could reach. */
#include "mimic/driver.h"

#define STEP LT_MIMIC_STEP_S

enum act {
    ACT_KEY_OFF,
    ACT_KEY_ON,
    ACT_CRANK,
    ACT_IDLE,
    ACT_BLIP,      /* pedal to `pedal` % and back, out of gear */
    ACT_GO,        /* from rest to `target` km/h with `pedal` % */
    ACT_CRUISE,    /* hold `target` km/h */
    ACT_FULL,      /* down to gear `target`, then everything */
    ACT_OVERRUN,   /* off the pedal, in gear */
    ACT_STOP,      /* brake with `pedal` % */
    ACT_AUTO_STOP, /* standing, the engine stopped by itself */
};

enum { STAY = -1 };
enum trouble { NONE, LEAN, OPEN_PUMP, INTAKE };

struct step {
    enum act act;
    double seconds, target, pedal, steering_deg;
    int mode;             /* STAY, or an enum lt_mimic_mode chosen halfway through the step */
    enum trouble trouble; /* in the middle third of the step */
};

struct lt_mimic_script {
    const struct step *steps;
    size_t count;
    /* Steps cycle_from .. cycle_to - 1 are driven `laps` times in all. */
    size_t cycle_from, cycle_to;
    unsigned laps;
    bool cold;
};

static const struct step drive_steps[] = {
    {ACT_KEY_OFF, 0.4, 0, 0, 0, LT_MIMIC_COMFORT, NONE},
    {ACT_KEY_ON, 2.2, 0, 0, 0, STAY, NONE},
    {ACT_CRANK, 0.9, 0, 0, 0, STAY, NONE},
    {ACT_IDLE, 5.0, 0, 0, 0, STAY, NONE},
    {ACT_BLIP, 1.6, 0, 38, 0, STAY, NONE},
    {ACT_BLIP, 1.9, 0, 62, 0, STAY, NONE},
    {ACT_GO, 9.6, 52, 46, -75, STAY, NONE},   /* 12.0 */
    {ACT_CRUISE, 3.0, 56, 0, 32, STAY, NONE}, /* 21.6 */
    {ACT_CRUISE, 2.4, 56, 0, 0, LT_MIMIC_SPORT, NONE},
    {ACT_FULL, 6.0, 3, 100, 3, STAY, LEAN},                 /* 27.0 */
    {ACT_OVERRUN, 5.0, 0, 0, -8, STAY, NONE},               /* 33.0 */
    {ACT_CRUISE, 4.5, 94, 0, -11, LT_MIMIC_WET, INTAKE},    /* 38.0 */
    {ACT_STOP, 9.5, 0, 38, 20, STAY, NONE},                 /* 42.5 */
    {ACT_AUTO_STOP, 3.2, 0, 20, 0, LT_MIMIC_COMFORT, NONE}, /* 52.0 */
    {ACT_GO, 6.6, 50, 58, 95, STAY, OPEN_PUMP},             /* 55.2 */
    {ACT_FULL, 3.6, 2, 100, 0, STAY, NONE},                 /* 61.8 */
    {ACT_OVERRUN, 2.4, 0, 0, 12, STAY, NONE},
    {ACT_STOP, 4.9, 0, 52, -10, STAY, NONE}, /* 67.8 */
    {ACT_IDLE, 0.9, 0, 0, 0, STAY, NONE},
    {ACT_KEY_OFF, 1.4, 0, 0, 0, STAY, NONE}, /* 73.6 */
};

static const struct step idle_steps[] = {
    {ACT_KEY_OFF, 0.4, 0, 0, 0, LT_MIMIC_COMFORT, NONE},
    {ACT_KEY_ON, 1.6, 0, 0, 0, STAY, NONE},
    {ACT_CRANK, 0.9, 0, 0, 0, STAY, NONE},
    {ACT_IDLE, 8.6, 0, 0, 0, STAY, NONE},
    {ACT_BLIP, 1.5, 0, 40, 0, STAY, NONE},
    {ACT_IDLE, 5.6, 0, 0, 40, LT_MIMIC_SPORT, NONE},
    {ACT_KEY_OFF, 1.4, 0, 0, 0, STAY, NONE},
};

/* 12 laps of 72 s between a start and a stop: 900 s. */
static const struct step warmup_steps[] = {
    {ACT_KEY_OFF, 0.4, 0, 0, 0, LT_MIMIC_COMFORT, NONE},
    {ACT_KEY_ON, 2.1, 0, 0, 0, STAY, NONE},
    {ACT_CRANK, 1.0, 0, 0, 0, STAY, NONE},
    {ACT_IDLE, 30.5, 0, 0, 0, STAY, NONE},
    {ACT_GO, 12.0, 50, 42, 70, STAY, NONE},
    {ACT_CRUISE, 10.0, 52, 0, -30, LT_MIMIC_SPORT, NONE},
    {ACT_FULL, 5.0, 3, 100, 2, STAY, NONE},
    {ACT_CRUISE, 12.0, 88, 0, 14, LT_MIMIC_COMFORT, NONE},
    {ACT_OVERRUN, 6.0, 0, 0, -10, STAY, NONE},
    {ACT_CRUISE, 11.0, 60, 0, 45, LT_MIMIC_WET, NONE},
    {ACT_STOP, 10.0, 0, 32, -20, LT_MIMIC_COMFORT, NONE},
    {ACT_IDLE, 6.0, 0, 0, 0, STAY, NONE},
    {ACT_KEY_OFF, 2.0, 0, 0, 0, STAY, NONE},
};

#define COUNT(list) (sizeof(list) / sizeof(list)[0])

static const struct lt_mimic_script scripts[] = {
    {drive_steps, COUNT(drive_steps), 0, 0, 0, false},
    {idle_steps, COUNT(idle_steps), 0, 0, 0, false},
    {warmup_steps, COUNT(warmup_steps), 4, 12, 12, true},
};

const struct lt_mimic_scenario lt_mimic_scenario_list[] = {
    {"drive", "a short drive: start, blips, gears, full load, overrun, stops, three drive modes",
     75},
    {"idle", "start, idle, one blip, key off", 20},
    {"warmup", "fifteen minutes of mixed driving from cold", 900},
    {"random", "a whole car that the seed invents: buses, frames, layouts, drive", 300},
};
const size_t lt_mimic_scenario_count = COUNT(lt_mimic_scenario_list);

void lt_mimic_driver_init(struct lt_mimic_driver *driver, size_t scenario, uint64_t seed)
{
    *driver = (struct lt_mimic_driver){.script = &scripts[scenario], .shift_to = -1};
    lt_mimic_rng_init(&driver->rng, seed, 2);
    driver->vigour = lt_mimic_rng_between(&driver->rng, 0.95, 1.05);
}

bool lt_mimic_driver_is_cold(const struct lt_mimic_driver *driver)
{
    return driver->script->cold;
}

static double clamp(double value, double low, double high)
{
    return value < low ? low : value > high ? high : value;
}

/* Moves towards a target at a limited rate: feet and hands are not instant. */
static double approach(double now, double target, double per_s)
{
    return now + clamp(target - now, -per_s * STEP, per_s * STEP);
}

static void begin_shift(struct lt_mimic_driver *driver, int gear)
{
    if (driver->shift_to >= 0 || gear == driver->inputs.gear)
        return;
    driver->shift_to = gear;
    driver->shift_s = 0.0;
}

/* Clutch down, lever through neutral, clutch up. Returns the share of the pedal meanwhile. */
static double follow_shift(struct lt_mimic_driver *driver)
{
    struct lt_mimic_inputs *in = &driver->inputs;
    driver->since_shift_s += STEP;
    if (driver->shift_to < 0)
        return 1.0;
    driver->shift_s += STEP;
    if (driver->shift_s < 0.4)
        in->clutch = approach(in->clutch, 0.0, 9.0);
    if (driver->shift_s > 0.16)
        in->gear = 0;
    if (driver->shift_s > 0.32) {
        in->gear = driver->shift_to;
        driver->shift_to = -1;
        driver->since_shift_s = 0.0;
    }
    return 0.0;
}

/* Lets the clutch in, more slowly from rest, and waits where the engine would stall. */
static void engage(struct lt_mimic_driver *driver, const struct lt_mimic_car *car)
{
    struct lt_mimic_inputs *in = &driver->inputs;
    if (driver->shift_to >= 0 || in->gear == 0)
        return;
    double rate = in->gear == 1 && car->speed_m_s < 4.0 ? 0.45 : 2.8;
    if (car->engine_speed_rpm < 950.0)
        rate = in->gear == 1 ? -1.0 : rate;
    in->clutch = clamp(in->clutch + rate * STEP, 0.0, 1.0);
}

static void choose_gear(struct lt_mimic_driver *driver, const struct lt_mimic_car *car,
                        double up_rpm)
{
    int gear = driver->inputs.gear;
    if (driver->shift_to >= 0 || driver->since_shift_s < 0.9 || driver->inputs.clutch < 0.95)
        return;
    if (car->engine_speed_rpm > up_rpm && gear > 0 && gear < 6)
        begin_shift(driver, gear + 1);
    else if (car->engine_speed_rpm < 1350.0 && gear > 2)
        begin_shift(driver, gear - 1);
}

static double hold_speed(struct lt_mimic_driver *driver, const struct lt_mimic_car *car,
                         double target_kmh)
{
    double error = target_kmh - car->vehicle_kmh;
    driver->speed_error_sum = clamp(driver->speed_error_sum + error * STEP, -15.0, 15.0);
    return clamp(14.0 + error * 2.2 + driver->speed_error_sum * 0.8, 0.0, 48.0);
}

static void drive_off(struct lt_mimic_driver *driver, const struct lt_mimic_car *car,
                      const struct step *step, double *pedal)
{
    struct lt_mimic_inputs *in = &driver->inputs;
    if (in->gear == 0 && driver->shift_to < 0 && car->speed_m_s < 1.0)
        begin_shift(driver, 1);
    bool slipping = in->gear == 1 && in->clutch < 0.95;
    double wanted = step->pedal * driver->vigour;
    *pedal = slipping ? clamp(wanted, 0.0, 19.0) : wanted;
    if (car->vehicle_kmh > step->target - 4.0)
        *pedal = hold_speed(driver, car, step->target);
    choose_gear(driver, car, 2300.0 + step->pedal * 22.0);
    engage(driver, car);
}

static void full_load(struct lt_mimic_driver *driver, const struct lt_mimic_car *car,
                      const struct step *step, double *pedal)
{
    if (driver->step_ms == 1 && driver->inputs.gear > (int)step->target)
        begin_shift(driver, (int)step->target);
    *pedal = 100.0;
    choose_gear(driver, car, 5900.0);
    engage(driver, car);
}

static void slow_down(struct lt_mimic_driver *driver, const struct lt_mimic_car *car,
                      const struct step *step, double *brake)
{
    struct lt_mimic_inputs *in = &driver->inputs;
    *brake = car->speed_m_s > 0.4 ? step->pedal * driver->vigour : 22.0;
    if (car->speed_m_s < 3.2 || car->engine_speed_rpm < 900.0) {
        in->clutch = approach(in->clutch, 0.0, 6.0);
        if (car->speed_m_s < 0.5 && in->clutch < 0.05)
            in->gear = 0;
        return;
    }
    choose_gear(driver, car, 9000.0);
    engage(driver, car);
}

/* What the feet would like, before their own speed limits them. */
static void follow_step(struct lt_mimic_driver *driver, const struct lt_mimic_car *car,
                        const struct step *step, double *pedal, double *brake)
{
    struct lt_mimic_inputs *in = &driver->inputs;
    double at_s = (double)driver->step_ms * STEP;
    in->auto_stop = step->act == ACT_AUTO_STOP && at_s > 0.6;
    switch (step->act) {
    case ACT_KEY_OFF:
        in->key = LT_MIMIC_KEY_OFF;
        in->handbrake = true;
        break;
    case ACT_KEY_ON:
        in->key = LT_MIMIC_KEY_ON;
        break;
    case ACT_CRANK:
        in->key = car->engine_state == (double)LT_MIMIC_ENGINE_RUNNING ? LT_MIMIC_KEY_ON
                                                                       : LT_MIMIC_KEY_CRANK;
        *brake = 15.0;
        break;
    case ACT_IDLE:
        *brake = 18.0;
        break;
    case ACT_BLIP:
        *brake = 18.0;
        *pedal = at_s > 0.25 && at_s < 0.7 ? step->pedal * driver->vigour : 0.0;
        break;
    case ACT_GO:
        in->handbrake = false;
        drive_off(driver, car, step, pedal);
        break;
    case ACT_CRUISE:
        *pedal = hold_speed(driver, car, step->target);
        choose_gear(driver, car, 3300.0);
        engage(driver, car);
        break;
    case ACT_FULL:
        full_load(driver, car, step, pedal);
        break;
    case ACT_OVERRUN:
        engage(driver, car);
        break;
    case ACT_STOP:
        slow_down(driver, car, step, brake);
        break;
    case ACT_AUTO_STOP:
        *brake = 26.0;
        break;
    }
    /* Held by the cruise control after a while at steady speed. */
    in->cruise_set_kmh = step->act == ACT_CRUISE && at_s > 1.2 ? step->target : 0.0;
}

static void set_troubles(struct lt_mimic_driver *driver, const struct step *step)
{
    double part = (double)driver->step_ms * STEP / step->seconds;
    bool now = part > 0.5 && part < 0.75;
    driver->troubles = (struct lt_mimic_troubles){
        .rail_pressure_dips = now && step->trouble == LEAN,
        .pump_open_circuit = now && step->trouble == OPEN_PUMP,
        .intake_sensor_error = now && step->trouble == INTAKE,
    };
}

/* The next step, round the cycle as often as the script says, and from the start after the end. */
static void next_step(struct lt_mimic_driver *driver)
{
    const struct lt_mimic_script *script = driver->script;
    driver->step_ms = 0;
    driver->speed_error_sum = 0.0;
    driver->step++;
    if (script->laps && driver->step == script->cycle_to && driver->lap + 1 < script->laps) {
        driver->lap++;
        driver->step = script->cycle_from;
        driver->vigour = lt_mimic_rng_between(&driver->rng, 0.92, 1.08);
    }
    if (driver->step >= script->count) {
        driver->step = 0;
        driver->lap = 0;
    }
}

void lt_mimic_driver_step(struct lt_mimic_driver *driver, const struct lt_mimic_car *car)
{
    struct lt_mimic_inputs *in = &driver->inputs;
    const struct step *step = &driver->script->steps[driver->step];
    driver->step_ms++;
    double pedal = 0.0, brake = 0.0;
    follow_step(driver, car, step, &pedal, &brake);
    pedal *= follow_shift(driver);
    in->pedal_pct = approach(in->pedal_pct, pedal, pedal > in->pedal_pct ? 320.0 : 700.0);
    in->brake_pct = approach(in->brake_pct, brake, 160.0);
    in->lights = in->key != LT_MIMIC_KEY_OFF;
    if (step->act == ACT_KEY_OFF) /* hands off at once */
        in->gear = 0;
    set_troubles(driver, step);
    double at_s = (double)driver->step_ms * STEP;
    /* A bend in the second third of the step. */
    bool bend = at_s > step->seconds / 3.0 && at_s < step->seconds / 1.5;
    in->steering_deg = bend ? step->steering_deg : 0.6;
    if (step->mode != STAY && at_s >= step->seconds * 0.5)
        in->mode = (enum lt_mimic_mode)step->mode;
    if (at_s >= step->seconds)
        next_step(driver);
}
