/* Questions and answers, as a table of parameters and two small machines.
 *
 * Layouts and formulas: SAE J1979 as published (service 01 parameters, support masks, service 09),
 * ISO 15765-2 (first, consecutive, flow-control frames), ISO 14229-1 (negative replies). The
 * identification texts are invented and no maker's. */
#include <string.h>

#include "mimic/tester.h"

#define MS_NS      1000000
#define REQUEST    0x7DF
#define PHYSICAL   0x7E0
#define REPLY      0x7E8
#define FIRST_NS   (1000 * (int64_t)MS_NS)
#define ASK_PAD    0x00
#define ANSWER_PAD 0xAA

static const char vin[] = "TARN0TURBO0ESTATE"; /* 17 characters */
static const char calibration[16] = "TARN0042";

/* raw = (value + offset) * num / den, cut to the bytes it has; `fraction` bytes are added behind.
 */
struct parameter {
    uint8_t pid, bytes;
    double num, den, offset;
    size_t at;
    uint8_t extra; /* bytes behind, see put_extra */
};

#define AT(member) offsetof(struct lt_mimic_car, member)

static const struct parameter parameters[] = {
    {0x04, 1, 255, 100, 0, AT(load_pct), 0},
    {0x05, 1, 1, 1, 40, AT(coolant_c), 0},
    {0x0B, 1, 1, 1, 0, AT(manifold_kpa), 0},
    {0x0C, 2, 4, 1, 0, AT(engine_speed_rpm), 0},
    {0x0D, 1, 1, 1, 0, AT(vehicle_kmh), 0},
    {0x0E, 1, 2, 1, 64, AT(timing_deg), 0},
    {0x0F, 1, 1, 1, 40, AT(intake_c), 0},
    {0x10, 2, 100, 1, 0, AT(air_mass_g_s), 0},
    {0x11, 1, 255, 100, 0, AT(throttle_pct), 0},
    {0x1F, 2, 1, 1, 0, AT(run_time_s), 0},
    {0x2F, 1, 255, 100, 0, AT(fuel_level_pct), 0},
    {0x33, 1, 1, 1, 0, AT(barometric_kpa), 0},
    {0x34, 2, 32768, 1, 0, AT(lambda), 2},
    {0x42, 2, 1000, 1, 0, AT(battery_v), 0},
    {0x43, 2, 255, 100, 0, AT(absolute_load_pct), 0},
    {0x44, 2, 32768, 1, 0, AT(lambda_target), 0},
    {0x46, 1, 1, 1, 40, AT(ambient_c), 0},
    {0x49, 1, 255, 100, 0, AT(pedal_pct), 0},
    {0x5C, 1, 1, 1, 40, AT(oil_c), 0},
    {0x62, 1, 100, 310, 125, AT(engine_torque_nm), 0},
    {0x63, 2, 1, 1, 0, AT(engine_torque_nm), 0}, /* reference torque: see below */
};
#define PARAMETERS   (sizeof(parameters) / sizeof(parameters)[0])
#define REFERENCE_NM 310.0

/* Asked once, in this order, before the live values: service and what follows, then length. */
struct question {
    uint16_t id;
    uint8_t len, bytes[7];
};

static const struct question opening[] = {
    {REQUEST, 2, {0x01, 0x00}}, {REQUEST, 2, {0x01, 0x20}}, {REQUEST, 2, {0x01, 0x40}},
    {REQUEST, 2, {0x01, 0x60}}, {REQUEST, 2, {0x09, 0x02}}, {REQUEST, 2, {0x09, 0x04}},
};
#define OPENING (sizeof(opening) / sizeof(opening)[0])

static const uint8_t live[] = {0x0C, 0x0D, 0x04, 0x11, 0x49, 0x0C, 0x0B, 0x34,
                               0x44, 0x05, 0x0C, 0x0F, 0x10, 0x0E, 0x43, 0x33};

/* Now and then something else: three values in one, one that the car does not have, and one that
 * it keeps locked. Every `every`-th question from `first` on. */
static const struct extra {
    size_t first, every;
    struct question question;
} extras[] = {
    {40, 90, {PHYSICAL, 4, {0x01, 0x0C, 0x0D, 0x04}}},
    {55, 400, {REQUEST, 2, {0x01, 0x52}}},
    {70, 400, {PHYSICAL, 3, {0x22, 0xF1, 0x8C}}},
};

void lt_mimic_tester_init(struct lt_mimic_tester *tester, uint64_t seed)
{
    *tester = (struct lt_mimic_tester){0};
    lt_mimic_rng_init(&tester->rng, seed, 3);
    tester->pending[LT_MIMIC_ASKS].set = true;
    tester->pending[LT_MIMIC_ASKS].due_ns = FIRST_NS;
}

static int64_t delay_ns(struct lt_mimic_tester *tester, double low_ms, double high_ms)
{
    return (int64_t)(lt_mimic_rng_between(&tester->rng, low_ms, high_ms) * MS_NS);
}

static bool is_extra(size_t number, const struct extra *extra)
{
    return number >= extra->first && (number - extra->first) % extra->every == 0;
}

static struct question next_question(struct lt_mimic_tester *tester)
{
    size_t number = tester->asked++;
    if (number < OPENING)
        return opening[number];
    for (size_t i = 0; i < sizeof(extras) / sizeof(extras)[0]; i++)
        if (is_extra(number, &extras[i]))
            return extras[i].question;
    uint8_t pid = live[tester->round++ % sizeof(live)];
    return (struct question){REQUEST, 2, {0x01, pid}};
}

static void build_question(struct lt_mimic_tester *tester)
{
    struct lt_mimic_pending *out = &tester->pending[LT_MIMIC_ASKS];
    memset(out->data, ASK_PAD, sizeof(out->data));
    out->id = PHYSICAL;
    if (tester->expects_more) {
        out->data[0] = 0x30; /* go on, no more flow control, no gap wanted */
        return;
    }
    struct question question = next_question(tester);
    out->id = question.id;
    out->data[0] = question.len;
    memcpy(out->data + 1, question.bytes, question.len);
    memcpy(tester->request, question.bytes, question.len);
    tester->request_len = question.len;
}

/* --- the controller's side --- */

static const struct parameter *find_parameter(uint8_t pid)
{
    for (size_t i = 0; i < PARAMETERS; i++)
        if (parameters[i].pid == pid)
            return &parameters[i];
    return NULL;
}

static uint32_t support_mask(uint8_t base)
{
    uint32_t mask = 0;
    for (size_t i = 0; i < PARAMETERS; i++) {
        unsigned pid = parameters[i].pid;
        if (pid > base && pid <= base + 32u)
            mask |= 1u << (32u - (pid - base));
        if (pid > base + 32u)
            mask |= 1; /* there is a next mask */
    }
    return mask;
}

static double car_value(const struct lt_mimic_car *car, const struct parameter *parameter)
{
    double value;
    memcpy(&value, (const char *)car + parameter->at, sizeof(value));
    return parameter->pid == 0x63 ? REFERENCE_NM : value;
}

static size_t put_number(uint8_t *out, uint32_t number, unsigned bytes)
{
    for (unsigned i = 0; i < bytes; i++)
        out[i] = (uint8_t)(number >> 8 * (bytes - 1 - i));
    return bytes;
}

static size_t put_parameter(uint8_t *out, const struct parameter *parameter,
                            const struct lt_mimic_car *car)
{
    double limit = parameter->bytes == 1 ? 255.0 : 65535.0;
    double raw = (car_value(car, parameter) * parameter->num) / parameter->den;
    raw += parameter->offset * (parameter->pid == 0x62 ? 1.0 : parameter->num / parameter->den);
    raw = raw < 0.0 ? 0.0 : raw > limit ? limit : raw;
    size_t len = put_number(out, (uint32_t)(raw + 0.5), parameter->bytes);
    if (parameter->extra) /* pump current of the lambda sensor: 0 mA is 8000 */
        len += put_number(out + len, 0x8000, parameter->extra);
    return len;
}

/* Service 01: each number asked for that the car has; nothing at all if it has none. */
static size_t answer_live(const struct lt_mimic_tester *tester, const struct lt_mimic_car *car,
                          uint8_t *out)
{
    size_t len = 0;
    out[len++] = 0x41;
    for (size_t i = 1; i < tester->request_len; i++) {
        uint8_t pid = tester->request[i];
        const struct parameter *parameter = find_parameter(pid);
        if (!parameter && pid % 32 != 0)
            continue;
        out[len++] = pid;
        len += parameter ? put_parameter(out + len, parameter, car)
                         : put_number(out + len, support_mask(pid), 4);
    }
    return len > 1 ? len : 0;
}

static size_t answer(const struct lt_mimic_tester *tester, const struct lt_mimic_car *car,
                     uint8_t *out)
{
    switch (tester->request[0]) {
    case 0x01:
        return answer_live(tester, car, out);
    case 0x09: {
        bool is_vin = tester->request[1] == 0x02;
        size_t len = is_vin ? sizeof(vin) - 1 : sizeof(calibration);
        out[0] = 0x49;
        out[1] = tester->request[1];
        out[2] = 1; /* one item */
        memcpy(out + 3, is_vin ? vin : calibration, len);
        return 3 + len;
    }
    default: /* security access denied */
        out[0] = 0x7F;
        out[1] = tester->request[0];
        out[2] = 0x33;
        return 3;
    }
}

static void build_answer(struct lt_mimic_tester *tester, const struct lt_mimic_car *car)
{
    uint8_t *data = tester->pending[LT_MIMIC_ANSWERS].data;
    tester->pending[LT_MIMIC_ANSWERS].id = REPLY;
    memset(data, ANSWER_PAD, 8);
    if (tester->answer_at == 0) {
        tester->answer_len = answer(tester, car, tester->answer);
        tester->sequence = 1;
    }
    const uint8_t *from = tester->answer + tester->answer_at;
    size_t left = tester->answer_len - tester->answer_at;
    size_t used;
    if (tester->answer_at == 0 && left <= 7) {
        used = left;
        data[0] = (uint8_t)used;
        memcpy(data + 1, from, used);
    } else if (tester->answer_at == 0) {
        used = 6;
        data[0] = (uint8_t)(0x10 | left >> 8);
        data[1] = (uint8_t)left;
        memcpy(data + 2, from, used);
    } else {
        used = left < 7 ? left : 7;
        data[0] = (uint8_t)(0x20 | tester->sequence++ % 16);
        memcpy(data + 1, from, used);
    }
    tester->answer_at += used;
}

void lt_mimic_tester_build(struct lt_mimic_tester *tester, int speaker,
                           const struct lt_mimic_car *car)
{
    if (speaker == LT_MIMIC_ASKS)
        build_question(tester);
    else
        build_answer(tester, car);
}

static void plan(struct lt_mimic_tester *tester, int speaker, int64_t due_ns)
{
    tester->pending[speaker].set = true;
    tester->pending[speaker].due_ns = due_ns;
}

/* The next question comes a while after the last one began, or soon after a late answer. */
static void plan_question(struct lt_mimic_tester *tester, int64_t now_ns)
{
    int64_t due_ns = tester->asked_ns + delay_ns(tester, 138, 162);
    tester->expects_more = false;
    plan(tester, LT_MIMIC_ASKS, due_ns > now_ns + 5 * MS_NS ? due_ns : now_ns + 5 * MS_NS);
}

static void asked(struct lt_mimic_tester *tester, int64_t now_ns, const struct lt_mimic_car *car)
{
    if (tester->expects_more) {
        tester->expects_more = false;
        plan(tester, LT_MIMIC_ANSWERS, now_ns + delay_ns(tester, 1.5, 4));
        return;
    }
    tester->asked_ns = now_ns;
    tester->answer_at = 0;
    uint8_t scratch[64];
    bool awake = car->seconds_on > 0.0;
    if (awake && answer(tester, car, scratch) > 0)
        plan(tester, LT_MIMIC_ANSWERS, now_ns + delay_ns(tester, 5, 40));
    else
        plan_question(tester, now_ns); /* silence */
}

static void answered(struct lt_mimic_tester *tester, int64_t now_ns)
{
    if (tester->answer_at >= tester->answer_len) {
        plan_question(tester, now_ns);
    } else if (tester->answer_at == 6) { /* the first frame: wait for flow control */
        tester->expects_more = true;
        plan(tester, LT_MIMIC_ASKS, now_ns + delay_ns(tester, 1, 3));
    } else {
        plan(tester, LT_MIMIC_ANSWERS, now_ns + delay_ns(tester, 1.5, 4));
    }
}

void lt_mimic_tester_sent(struct lt_mimic_tester *tester, int speaker, int64_t time_ns,
                          const struct lt_mimic_car *car)
{
    tester->pending[speaker].set = false;
    if (speaker == LT_MIMIC_ASKS)
        asked(tester, time_ns, car);
    else
        answered(tester, time_ns);
}
