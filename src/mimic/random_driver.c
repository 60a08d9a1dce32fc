/* Who drives an invented car. One act after the other, drawn at random but such that each follows
 * from the last: standing, driving off, holding a speed, coasting in gear, braking, full load,
 * blips in neutral, turning tightly both ways. */
#include "mimic/random_step.h"

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
    /* Nobody takes a bend faster than tyres and passengers like. */
    double v = motion->speed_m_s > 1 ? motion->speed_m_s : 1;
    double tight_rad = 5.5 * motion->habits.wheelbase_m / (v * v);
    double tight = tight_rad * motion->habits.steering_ratio * 57.29577951308232;
    double before = V(STEERING_ANGLE);
    motion->shake[0] = lag(motion->shake[0], draw_between(&motion->noise, -1, 1), 0.08);
    double goal = motion->steer_want + motion->shake[0] * 2.5 * clamp(V(VEHICLE_SPEED), 0, 30) / 30;
    motion->shake[5] = approach(motion->shake[5], clamp(goal, -tight, tight), 520);
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

void lt_mimic_motion_drive(struct lt_mimic_motion *motion)
{
    motion->act_s += STEP;
    if (act_is_over(motion))
        choose_act(motion);
    choose_mode(motion);
    use_feet(motion);
    steer(motion);
    shift(motion);
}
