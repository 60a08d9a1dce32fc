/* Claims about quantities that hang together by how a car is built. Each names the signal that
 * would be wrong. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "prove/inside.h"

#define LOOKS        4000
#define STANDS_KMH   0.5
#define WHEEL_KMH    3.0
#define NOISE_QUANTA 4
#define STILL_LEAST  20
#define KEY_ON_LEAST 5
#define KEY_ON_NEAR  6.0 /* kPa */
#define KEY_ON_FAR   15.0
#define GEARS_MAX    16
#define RATIOS_MAX   512
#define RATIO_LEAST  30
#define RATIO_NEAR   0.15 /* of the median, between the quarters */
#define RATIO_FAR    0.6

#define RUNS_RPM      600
#define PAIRS_LEAST   200
#define LOAD_SPAN     40.0 /* % */
#define PRESSURE_SPAN 25.0 /* kPa */
#define RISE_R        0.5
#define FALL_R        0.7
#define RATIO_BINS    400
#define RATIO_FIRST   3.0 /* revolutions a minute for a km/h */
#define RATIO_WIDTH   0.015
#define RATIO_KMH     15
#define RATIO_RPM     900
#define GEAR_PART     20 /* a gear is one part in so many of the drive, at least */
#define SPEEDS_APART  1.15
#define CLUSTERED     0.6

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
    return watch && !is_contradicted(judge, watch->def->name);
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
            turning += fabs(v) > WHEEL_KMH + NOISE_QUANTA * (quantum_of(wheel) + quantum_of(speed));
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

/* --- load and manifold pressure: the more air, the more load --- */

struct moments {
    double n, x, y, xx, yy, xy, least_x, most_x, least_y, most_y;
};

static void add_pair(struct moments *m, double x, double y)
{
    if (!(m->n > 0)) {
        m->least_x = m->most_x = x;
        m->least_y = m->most_y = y;
    }
    m->n++;
    double dx = x - m->x, dy = y - m->y;
    m->x += dx / m->n;
    m->y += dy / m->n;
    m->xx += dx * (x - m->x);
    m->yy += dy * (y - m->y);
    m->xy += dx * (y - m->y);
    m->least_x = fmin(m->least_x, x);
    m->most_x = fmax(m->most_x, x);
    m->least_y = fmin(m->least_y, y);
    m->most_y = fmax(m->most_y, y);
}

/* Exhaust gas let in again, a turbocharger, overrun: all loosen the law, none turns it round. So it
 * is broken only by what falls where the other rises, all over the drive; and whose fault that is,
 * only diagnostics can say. */
static void law_load(struct judge *judge, const struct signal_watch *load,
                     const struct signal_watch *pressure, const struct signal_watch *engine)
{
    struct moments m = {0};
    size_t at = 0, at_engine = 0;
    char r_text[NUMBER_ROOM];
    for (size_t i = 0; i < pressure->samples.count; i += stride(pressure)) {
        int64_t time_ns = pressure->samples.time_ns[i];
        double l = samples_at(&load->samples, time_ns, hold_of(judge, load), &at);
        double n = samples_at(&engine->samples, time_ns, hold_of(judge, engine), &at_engine);
        if (isfinite(l) && n > RUNS_RPM)
            add_pair(&m, l, pressure->samples.value[i]);
    }
    bool moved = m.n >= PAIRS_LEAST && m.most_x - m.least_x >= LOAD_SPAN &&
                 m.most_y - m.least_y >= PRESSURE_SPAN;
    double r = m.xx > 0 && m.yy > 0 ? m.xy / sqrt(m.xx * m.yy) : 0;
    bool of_load =
        !is_borne_out(judge, load->def->name) && is_borne_out(judge, pressure->def->name);
    bool of_pressure =
        is_borne_out(judge, load->def->name) && !is_borne_out(judge, pressure->def->name);
    enum lt_proof_verdict verdict = LT_NOT_EXERCISED;
    if (moved && r >= RISE_R)
        verdict = LT_PROVEN;
    else if (moved && r <= -FALL_R && (of_load || of_pressure))
        verdict = LT_CONTRADICTED;
    const struct signal_watch *subject = of_load ? load : pressure;
    struct lt_claim *c = claim(judge, LT_CLAIM_LAW, subject->def->name, verdict);
    claim_expected(judge, c, "load and manifold pressure rise together while the engine runs");
    claim_measured(judge, c, "r %s in %zu looks", number_text(r_text, r), (size_t)m.n);
    if (verdict == LT_CONTRADICTED)
        claim_say(judge, c, "it falls where %s rises, which agrees with diagnostics",
                  (of_load ? pressure : load)->def->name);
    else if (verdict == LT_NOT_EXERCISED && !moved)
        claim_say(judge, c, "accelerate hard and coast, so that both move");
    else if (verdict == LT_NOT_EXERCISED)
        claim_say(judge, c, "they hang together too loosely to say anything");
}

/* --- engine speed over vehicle speed, without knowing the gear --- */

struct bins {
    unsigned count[RATIO_BINS];
    double slowest[RATIO_BINS], fastest[RATIO_BINS];
    unsigned all;
};

static void add_ratio(struct bins *bins, double ratio, double speed)
{
    double place = log(ratio / RATIO_FIRST) / log1p(RATIO_WIDTH);
    if (!(place >= 1 && place < RATIO_BINS - 1))
        return;
    size_t at = (size_t)place;
    bool first = !bins->count[at]++;
    bins->slowest[at] = first ? speed : fmin(bins->slowest[at], speed);
    bins->fastest[at] = first ? speed : fmax(bins->fastest[at], speed);
    bins->all++;
}

/* How many ratios there are that a good part of the drive keeps to, over different speeds, and how
 * much of it they are together. */
static unsigned count_gears(const struct bins *bins, double *ret_share)
{
    unsigned gears = 0, within = 0;
    for (size_t i = 1; i + 1 < RATIO_BINS; i++) {
        unsigned here = bins->count[i - 1] + bins->count[i] + bins->count[i + 1];
        bool is_peak = bins->count[i] > bins->count[i - 1] && bins->count[i] >= bins->count[i + 1];
        if (!is_peak || here * GEAR_PART < bins->all ||
            bins->fastest[i] < SPEEDS_APART * bins->slowest[i])
            continue;
        gears++;
        within += here;
    }
    *ret_share = bins->all ? (double)within / bins->all : 0;
    return gears;
}

/* A converter that slips, a belt or a motor in between keep to no ratio: that is no fault. */
static void law_ratio(struct judge *judge, const struct signal_watch *engine,
                      const struct signal_watch *speed)
{
    struct bins *bins = calloc(1, sizeof *bins);
    size_t at = 0;
    double share = 0;
    char text[NUMBER_ROOM];
    if (!bins) {
        judge->arena->failed = true;
        return;
    }
    for (size_t i = 0; i < engine->samples.count; i += stride(engine)) {
        double n = engine->samples.value[i];
        double v =
            samples_at(&speed->samples, engine->samples.time_ns[i], hold_of(judge, speed), &at);
        if (v > RATIO_KMH && n > RATIO_RPM)
            add_ratio(bins, n / v, v);
    }
    unsigned gears = count_gears(bins, &share);
    bool keeps = bins->all >= PAIRS_LEAST && gears >= 2 && share >= CLUSTERED;
    struct lt_claim *c =
        claim(judge, LT_CLAIM_LAW, speed->def->name, keeps ? LT_PROVEN : LT_NOT_EXERCISED);
    claim_expected(judge, c, "engine speed over vehicle speed keeps to a few ratios");
    claim_measured(judge, c, "%s %% of %u looks at %u ratios", number_text(text, 100 * share),
                   bins->all, gears);
    if (!keeps)
        claim_say(judge, c, "drive at several speeds in each gear; a converter keeps to none");
    free(bins);
}

void judge_laws(struct judge *judge)
{
    const struct signal_watch *load = ready(judge, "load");
    const struct signal_watch *speed = ready(judge, "vehicle_speed");
    const struct signal_watch *engine = ready(judge, "engine_speed");
    const struct signal_watch *pressure = ready(judge, "manifold_pressure");
    const struct signal_watch *outside = ready(judge, "barometric_pressure");
    const struct signal_watch *gear = ready(judge, "gear");
    bool moves = is_sound(judge, speed), turns = is_sound(judge, engine);
    if (moves)
        law_standstill(judge, speed);
    if (moves && turns)
        law_ratio(judge, engine, speed);
    if (turns && is_sound(judge, load) && is_sound(judge, pressure))
        law_load(judge, load, pressure, engine);
    if (pressure && turns && is_sound(judge, outside))
        law_key_on(judge, pressure, outside, engine);
    if (gear && gear->labels && turns && moves)
        law_gear(judge, gear, engine, speed);
}
