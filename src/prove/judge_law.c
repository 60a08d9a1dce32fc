/* Claims about quantities that hang together by how a car is built. Each names the signal that
 * would be wrong. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "prove/inside.h"

#define LOOKS        4000
#define STANDS_KMH   0.5
#define WHEEL_KMH    3.0
#define STILL_LEAST  20
#define KEY_ON_LEAST 5
#define KEY_ON_NEAR  6.0 /* kPa */
#define KEY_ON_FAR   15.0
#define GEARS_MAX    16
#define RATIOS_MAX   512
#define RATIO_LEAST  30
#define RATIO_NEAR   0.15 /* of the median, between the quarters */
#define RATIO_FAR    0.6

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static struct signal_watch *ready(const struct judge *judge, const char *role)
{
    struct signal_watch *watch = role_signal(judge, role);
    return watch && samples_put_in_order(&watch->samples) ? watch : NULL;
}

/* What is contradicted itself says nothing about others. */
static bool is_sound(const struct judge *judge, const struct signal_watch *watch)
{
    for (size_t i = 0; watch && i < judge->count; i++)
        if (judge->list[i].verdict == LT_CONTRADICTED &&
            strcmp(judge->list[i].subject, watch->def->name) == 0)
            return false;
    return watch != NULL;
}

static size_t stride(const struct signal_watch *watch)
{
    return watch->samples.count / LOOKS + 1;
}

/* Zero speed means zero wheel speeds. */
static void law_standstill(struct judge *judge, const struct signal_watch *speed)
{
    for (size_t w = 0; w < judge->prove->profile->signal_count; w++) {
        struct signal_watch *wheel = &judge->prove->signals[w];
        size_t at = 0, still = 0, turning = 0;
        if (!wheel->def || !wheel->samples.count || !wheel->def->role_name ||
            strncmp(wheel->def->role_name, "wheel_speed_", 12) != 0 ||
            !samples_put_in_order(&wheel->samples))
            continue;
        int64_t hold_ns = hold_of(judge, wheel);
        for (size_t i = 0; i < speed->samples.count; i += stride(speed)) {
            double v = samples_at(&wheel->samples, speed->samples.time_ns[i], hold_ns, &at);
            if (!(speed->samples.value[i] <= STANDS_KMH) || !isfinite(v))
                continue;
            still++;
            turning += fabs(v) > WHEEL_KMH + quantum_of(wheel) + quantum_of(speed);
        }
        enum lt_proof_verdict verdict = LT_PROVEN;
        if (still < STILL_LEAST)
            verdict = LT_NOT_EXERCISED;
        else if (turning * 10 > still)
            verdict = LT_CONTRADICTED;
        struct lt_claim *c = claim(judge, LT_CLAIM_LAW, wheel->def->name, verdict);
        claim_expected(judge, c, "0 when the car stands");
        claim_measured(judge, c, "turning in %zu of %zu looks at standstill", turning, still);
        if (verdict == LT_CONTRADICTED)
            claim_say(judge, c,
                      "the wheel turns while the car stands: its offset or place is "
                      "wrong");
        else if (verdict == LT_NOT_EXERCISED)
            claim_say(judge, c, "the car did not stand for long enough");
    }
}

/* With the engine at rest the manifold is at the pressure outside. */
static void law_key_on(struct judge *judge, const struct signal_watch *pressure,
                       const struct signal_watch *outside, const struct signal_watch *engine)
{
    size_t at = 0, at_engine = 0, count = 0;
    double sum = 0;
    char mean[NUMBER_ROOM];
    for (size_t i = 0; i < pressure->samples.count; i += stride(pressure)) {
        int64_t time_ns = pressure->samples.time_ns[i];
        double b = samples_at(&outside->samples, time_ns, hold_of(judge, outside), &at);
        double n = samples_at(&engine->samples, time_ns, hold_of(judge, engine), &at_engine);
        if (!isfinite(b) || !(n < 1))
            continue;
        sum += pressure->samples.value[i] - b;
        count++;
    }
    double off = count ? sum / (double)count : 0;
    enum lt_proof_verdict verdict = LT_NOT_EXERCISED;
    if (count >= KEY_ON_LEAST && fabs(off) <= KEY_ON_NEAR)
        verdict = LT_PROVEN;
    else if (count >= KEY_ON_LEAST && fabs(off) > KEY_ON_FAR)
        verdict = LT_CONTRADICTED;
    struct lt_claim *c = claim(judge, LT_CLAIM_LAW, pressure->def->name, verdict);
    claim_expected(judge, c, "the barometric pressure while the engine stands");
    claim_measured(judge, c, "%s kPa off in %zu looks", number_text(mean, off), count);
    if (verdict == LT_CONTRADICTED)
        claim_say(judge, c, "scale or offset is wrong, or it is no absolute pressure");
    else if (verdict == LT_NOT_EXERCISED)
        claim_say(judge, c, "record some seconds with the key on and the engine off");
}

struct ratios {
    double value[RATIOS_MAX];
    size_t count;
};

static double spread(struct ratios *ratios)
{
    qsort(ratios->value, ratios->count, sizeof *ratios->value, by_value);
    double middle = ratios->value[ratios->count / 2];
    return (ratios->value[3 * ratios->count / 4] - ratios->value[ratios->count / 4]) / middle;
}

/* Engine speed over vehicle speed is one number in each gear. */
static void law_gear(struct judge *judge, const struct signal_watch *gear,
                     const struct signal_watch *engine, const struct signal_watch *speed)
{
    struct ratios *gears = calloc(GEARS_MAX, sizeof *gears);
    size_t at_gear = 0, at_speed = 0, seen = 0, tight = 0, loose = 0;
    for (size_t i = 0; gears && i < engine->samples.count; i += stride(engine)) {
        int64_t time_ns = engine->samples.time_ns[i];
        double g = samples_at(&gear->samples, time_ns, hold_of(judge, gear), &at_gear);
        double v = samples_at(&speed->samples, time_ns, hold_of(judge, speed), &at_speed);
        if (!(v > 10) || !(engine->samples.value[i] > 500) || !(g >= 0 && g < GEARS_MAX) ||
            g > floor(g))
            continue;
        struct ratios *r = &gears[(size_t)g];
        if (r->count < RATIOS_MAX)
            r->value[r->count++] = engine->samples.value[i] / v;
    }
    for (size_t g = 1; gears && g < GEARS_MAX; g++) { /* 0: usually neutral, no ratio */
        if (gears[g].count < RATIO_LEAST)
            continue;
        double width = spread(&gears[g]);
        seen++;
        tight += width <= RATIO_NEAR;
        loose += width > RATIO_FAR;
    }
    free(gears);
    enum lt_proof_verdict verdict = LT_NOT_EXERCISED;
    if (seen >= 2 && tight * 2 > seen)
        verdict = LT_PROVEN;
    else if (seen >= 3 && loose == seen)
        verdict = LT_CONTRADICTED;
    struct lt_claim *c = claim(judge, LT_CLAIM_LAW, gear->def->name, verdict);
    claim_expected(judge, c, "engine speed over vehicle speed is one number in each gear");
    claim_measured(judge, c, "so in %zu of %zu gears driven", tight, seen);
    if (verdict == LT_CONTRADICTED)
        claim_say(judge, c, "in no gear is it: this is not the gear");
    else if (verdict == LT_NOT_EXERCISED)
        claim_say(judge, c, "drive for some seconds in each of three gears");
}

void judge_laws(struct judge *judge)
{
    const struct signal_watch *speed = ready(judge, "vehicle_speed");
    const struct signal_watch *engine = ready(judge, "engine_speed");
    const struct signal_watch *pressure = ready(judge, "manifold_pressure");
    const struct signal_watch *outside = ready(judge, "barometric_pressure");
    const struct signal_watch *gear = ready(judge, "gear");
    bool moves = is_sound(judge, speed), turns = is_sound(judge, engine);
    if (moves)
        law_standstill(judge, speed);
    if (pressure && turns && is_sound(judge, outside))
        law_key_on(judge, pressure, outside, engine);
    if (gear && gear->labels && turns && moves)
        law_gear(judge, gear, engine, speed);
}
