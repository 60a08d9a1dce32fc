/* How invented cars move: whatever the seed, the quantities hang together as physics wants, and a
 * drive of five minutes shows what a finder of signals needs to see. */
#include "unit.h"

#include <math.h>

#include "mimic/random_motion.h"

#define SEEDS   12
#define MINUTES 5
#define Q(name) motion->value[LT_MIMIC_Q_##name]

static struct lt_mimic_motion *make(uint64_t seed)
{
    struct lt_mimic_motion *motion = malloc(sizeof(*motion));
    assert_non_null(motion);
    lt_mimic_motion_init(motion, seed);
    return motion;
}

static void quantities_stay_where_they_can_be(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= SEEDS; seed++) {
        struct lt_mimic_motion *motion = make(seed);
        for (int i = 0; i < MINUTES * 60 * 500; i++) {
            lt_mimic_motion_step(motion);
            for (unsigned q = 0; q < LT_MIMIC_QUANTITIES; q++) {
                double value = motion->value[q];
                if (!(value >= motion->quantity[q].low - 1e-9 &&
                      value <= motion->quantity[q].high + 1e-9))
                    fail_msg("seed %u: %s is %g", (unsigned)seed, motion->quantity[q].name, value);
            }
        }
        free(motion);
    }
}

/* Speed from engine speed, gear and wheel, where the clutch is closed and nothing shifts. */
static void in_gear_engine_speed_follows_the_road(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= SEEDS; seed++) {
        struct lt_mimic_motion *motion = make(seed);
        const struct lt_mimic_habits *h = &motion->habits;
        unsigned looked = 0, agreed = 0;
        for (int i = 0; i < MINUTES * 60 * 500; i++) {
            lt_mimic_motion_step(motion);
            if (Q(GEAR) < 2 || motion->coupled < 1 || motion->rest_s < 1.5)
                continue;
            double wheel_rpm = motion->speed_m_s / h->wheel_m * 9.5493;
            double locked = wheel_rpm * h->final_drive * h->ratio[(unsigned)Q(GEAR)];
            looked++;
            agreed += fabs(Q(TURBINE_SPEED) - locked) < 0.03 * locked + 30;
        }
        assert_true(looked > 5000);
        assert_true(agreed > looked * 0.97);
        free(motion);
    }
}

static void wheels_differ_in_bends_as_the_bend_has_it(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= SEEDS; seed++) {
        struct lt_mimic_motion *motion = make(seed);
        unsigned bends = 0, right = 0;
        for (int i = 0; i < MINUTES * 60 * 500; i++) {
            lt_mimic_motion_step(motion);
            if (fabs(Q(YAW_RATE)) < 8)
                continue;
            bends++;
            /* To the left (positive) the right wheel has the longer way. */
            right += (Q(WHEEL_SPEED_RR) > Q(WHEEL_SPEED_RL)) == (Q(YAW_RATE) > 0);
        }
        assert_true(bends > 500);
        assert_true(right > bends * 0.97);
        free(motion);
    }
}

/* Each manoeuvre that tells cousins apart occurs in most drives. */
static void drives_show_what_tells_cousins_apart(void **state)
{
    (void)state;
    unsigned blips = 0, coasts = 0, full = 0, rich = 0, modes = 0;
    for (uint64_t seed = 1; seed <= SEEDS; seed++) {
        struct lt_mimic_motion *motion = make(seed);
        bool blip = false, coast = false, wide = false, fat = false;
        unsigned changes = 0;
        for (int i = 0; i < MINUTES * 60 * 500; i++) {
            lt_mimic_motion_step(motion);
            bool warm = Q(ENGINE_STATE) == 3;
            blip = blip || (Q(VEHICLE_SPEED) < 1 && Q(ENGINE_SPEED) > 1500);
            coast = coast || (Q(PEDAL) < 1 && Q(GEAR) > 1 && Q(FUEL_CUT) > 0);
            wide = wide || Q(THROTTLE) > 85;
            fat = fat || (warm && Q(LAMBDA) < 0.95 && Q(LOAD) > 80);
            changes += motion->mode_changed;
        }
        blips += blip;
        coasts += coast;
        full += wide;
        rich += fat;
        modes += changes >= 6;
        free(motion);
    }
    assert_true(blips >= SEEDS / 2);
    assert_true(coasts >= SEEDS * 3 / 4);
    assert_true(full >= SEEDS * 3 / 4);
    assert_true(rich >= SEEDS * 3 / 4);
    assert_true(modes >= SEEDS * 3 / 4);
}

/* From cold the coolant rises, by less and less, to where the thermostat holds it. */
static void a_cold_engine_warms_up(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= SEEDS; seed++) {
        struct lt_mimic_motion *motion = make(seed);
        double start_c = Q(COOLANT_TEMP), at_300_c = 0;
        bool cold = motion->habits.cold;
        for (int i = 0; cold && i < 900 * 500; i++) {
            lt_mimic_motion_step(motion);
            if (i == 300 * 500)
                at_300_c = Q(COOLANT_TEMP);
        }
        if (cold) {
            assert_true(at_300_c > start_c + 15);
            assert_true(Q(COOLANT_TEMP) > at_300_c && Q(COOLANT_TEMP) < 106);
            assert_true(Q(COOLANT_TEMP) - at_300_c < 2.2 * (at_300_c - start_c));
        }
        free(motion);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(quantities_stay_where_they_can_be),
        cmocka_unit_test(in_gear_engine_speed_follows_the_road),
        cmocka_unit_test(wheels_differ_in_bends_as_the_bend_has_it),
        cmocka_unit_test(drives_show_what_tells_cousins_apart),
        cmocka_unit_test(a_cold_engine_warms_up),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
