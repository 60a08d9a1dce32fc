/* Questions and answers on an invented car's first bus.
 *
 * Formulas: SAE J1979 as published (service 01); ISO 15765-2 for answers of more than one frame;
 * ISO 15765-4 for the identifiers of 11 and 29 bits. Only service 01 is asked. */
#include <string.h>

#include "mimic/random_ask.h"
#include "mimic/random_draw.h"

#define MS_NS 1000000

/* raw = (value + offset) * num / den, rounded, in so many bytes; `extra` bytes follow. */
static const struct parameter {
    uint8_t pid, bytes, extra;
    double num, den, offset;
    uint16_t quantity;
} parameters[LT_MIMIC_ASK_PARAMETERS] = {
    {0x0C, 2, 0, 4, 1, 0, LT_MIMIC_Q_ENGINE_SPEED},
    {0x0D, 1, 0, 1, 1, 0, LT_MIMIC_Q_VEHICLE_SPEED},
    {0x04, 1, 0, 255, 100, 0, LT_MIMIC_Q_LOAD},
    {0x11, 1, 0, 255, 100, 0, LT_MIMIC_Q_THROTTLE},
    {0x49, 1, 0, 255, 100, 0, LT_MIMIC_Q_PEDAL},
    {0x0B, 1, 0, 1, 1, 0, LT_MIMIC_Q_MANIFOLD_PRESSURE},
    {0x34, 2, 2, 32768, 1, 0, LT_MIMIC_Q_LAMBDA},
    {0x44, 2, 0, 32768, 1, 0, LT_MIMIC_Q_LAMBDA_TARGET},
    {0x43, 2, 0, 255, 100, 0, LT_MIMIC_Q_ABSOLUTE_LOAD},
    {0x05, 1, 0, 1, 1, 40, LT_MIMIC_Q_COOLANT_TEMP},
    {0x0F, 1, 0, 1, 1, 40, LT_MIMIC_Q_INTAKE_TEMP},
    {0x10, 2, 0, 100, 1, 0, LT_MIMIC_Q_AIR_MASS_FLOW},
    {0x0E, 1, 0, 2, 1, 64, LT_MIMIC_Q_TIMING_ADVANCE},
    {0x33, 1, 0, 1, 1, 0, LT_MIMIC_Q_BAROMETRIC_PRESSURE},
    {0x46, 1, 0, 1, 1, 40, LT_MIMIC_Q_AMBIENT_TEMP},
};

bool lt_mimic_ask_parameter(unsigned n, unsigned *ret_pid, unsigned *ret_quantity)
{
    if (n >= LT_MIMIC_ASK_PARAMETERS)
        return false;
    *ret_pid = parameters[n].pid;
    *ret_quantity = parameters[n].quantity;
    return true;
}

static uint32_t asks_id(const struct lt_mimic_ask *ask)
{
    return ask->extended ? 0x18DB33F1 : 0x7DF;
}

void lt_mimic_ask_init(struct lt_mimic_ask *ask, const struct lt_mimic_random_car *car)
{
    memset(ask, 0, sizeof(*ask));
    lt_mimic_rng_init(&ask->rng, car->seed, 24);
    struct lt_mimic_rng *rng = &ask->rng;
    ask->on = car->polling;
    ask->extended = car->polling_extended;
    ask->several = draw_chance(rng, 0.35);
    ask->controllers = 1 + draw_below(rng, 3);
    ask->period_ns = (int64_t)(draw_log(rng, 30, 200) * MS_NS);
    for (unsigned i = 0; i < LT_MIMIC_ASK_PARAMETERS; i++) {
        ask->tau_s[i] = draw_chance(rng, 0.5) ? 0 : draw_log(rng, 0.01, 0.2);
        ask->knows[i] = i < 4 || draw_chance(rng, 0.88);
        ask->value[i] = car->motion.value[parameters[i].quantity];
    }
    if (!ask->on)
        return;
    ask->said[0] = (struct lt_mimic_said){
        .set = true, .due_ns = 300 * (int64_t)MS_NS, .id = asks_id(ask), .answer = -1};
}

void lt_mimic_ask_step(struct lt_mimic_ask *ask, const struct lt_mimic_motion *motion)
{
    for (unsigned i = 0; ask->on && i < LT_MIMIC_ASK_PARAMETERS; i++) {
        double now = motion->value[parameters[i].quantity];
        ask->value[i] += (now - ask->value[i]) * (0.002 / (0.002 + ask->tau_s[i]));
    }
}

struct lt_mimic_said *lt_mimic_ask_next(struct lt_mimic_ask *ask)
{
    struct lt_mimic_said *best = NULL;
    for (unsigned i = 0; i < LT_MIMIC_ASK_WAITING; i++) {
        struct lt_mimic_said *said = &ask->said[i];
        if (said->set && (!best || said->due_ns < best->due_ns))
            best = said;
    }
    return best;
}

static uint32_t answers_id(const struct lt_mimic_ask *ask, unsigned controller)
{
    static const uint8_t address[] = {0x10, 0x18, 0x28};
    return ask->extended ? 0x18DAF100u | address[controller % 3] : 0x7E8 + controller;
}

static uint32_t replies_to_id(const struct lt_mimic_ask *ask, unsigned controller)
{
    static const uint8_t address[] = {0x10, 0x18, 0x28};
    return ask->extended ? 0x18DA00F1u | (uint32_t)address[controller % 3] << 8
                         : 0x7E0 + controller;
}

static struct lt_mimic_said *plan(struct lt_mimic_ask *ask, int64_t due_ns, uint32_t id)
{
    for (unsigned i = 0; i < LT_MIMIC_ASK_WAITING; i++) {
        if (ask->said[i].set)
            continue;
        ask->said[i] =
            (struct lt_mimic_said){.set = true, .due_ns = due_ns, .id = id, .answer = -1};
        return &ask->said[i];
    }
    return &ask->said[0]; /* does not happen: at most five wait */
}

static int64_t after_ms(struct lt_mimic_ask *ask, double low, double high)
{
    return (int64_t)(draw_between(&ask->rng, low, high) * MS_NS);
}

static int find(uint8_t pid)
{
    for (int i = 0; i < LT_MIMIC_ASK_PARAMETERS; i++)
        if (parameters[i].pid == pid)
            return i;
    return -1;
}

/* What a controller knows: the first all that the car has, the others their share of it. */
static bool answers(const struct lt_mimic_ask *ask, unsigned controller, int parameter)
{
    if (parameter < 0 || !ask->knows[parameter])
        return false;
    return controller == 0 || parameter == 1 || (controller == 1 && parameter == 0);
}

static unsigned put_mask(const struct lt_mimic_ask *ask, unsigned controller, uint8_t base,
                         uint8_t *to)
{
    uint32_t mask = base < 0x40 && controller == 0; /* the next mask follows */
    for (int i = 0; i < LT_MIMIC_ASK_PARAMETERS; i++) {
        unsigned pid = parameters[i].pid;
        if (answers(ask, controller, i) && pid > base && pid <= base + 0x20u)
            mask |= 1u << (0x20 - (pid - base));
    }
    for (unsigned i = 0; i < 4; i++)
        to[i] = (uint8_t)(mask >> (24 - 8 * i));
    return 4;
}

static unsigned put_parameter(const struct lt_mimic_ask *ask, int index, uint8_t *to)
{
    const struct parameter *p = &parameters[index];
    double steps = (ask->value[index] + p->offset) * p->num / p->den + 0.5;
    double most = p->bytes == 1 ? 255 : 65535;
    unsigned raw = steps < 0 ? 0 : steps > most ? (unsigned)most : (unsigned)steps;
    unsigned used = 0;
    if (p->bytes == 2)
        to[used++] = (uint8_t)(raw >> 8);
    to[used++] = (uint8_t)raw;
    for (unsigned i = 0; i < p->extra; i++)
        to[used++] = i == 0 ? 0x80 : 0x00;
    return used;
}

/* Service, then each parameter's number and value; 0 where this controller stays silent. */
static unsigned make_answer(const struct lt_mimic_ask *ask, unsigned controller, uint8_t to[64])
{
    unsigned used = 0;
    to[used++] = 0x41;
    for (unsigned i = 0; i < ask->asked_count; i++) {
        uint8_t pid = ask->asked[i];
        bool mask = pid % 0x20 == 0;
        if (!mask && !answers(ask, controller, find(pid)))
            continue;
        if (mask && controller > 0 && pid > 0)
            continue;
        to[used++] = pid;
        used += mask ? put_mask(ask, controller, pid, to + used)
                     : put_parameter(ask, find(pid), to + used);
    }
    return used > 1 ? used : 0;
}

static void choose_question(struct lt_mimic_ask *ask)
{
    static const uint8_t opening[] = {0x00, 0x20, 0x40};
    static const uint8_t live[] = {0, 1, 2,  0,  3, 4,  0, 5, 6,  1, 7, 8,
                                   0, 9, 10, 11, 2, 12, 6, 3, 13, 4, 5, 14};
    ask->asked_count = 1;
    if (ask->turn < 3) {
        ask->asked[0] = opening[ask->turn++];
        return;
    }
    unsigned count = ask->several ? 2 + draw_below(&ask->rng, 5) : 1, found = 0;
    for (unsigned tries = 0; found < count && tries < 60; tries++) {
        unsigned which = live[ask->turn++ % sizeof(live)];
        bool again = !ask->knows[which];
        for (unsigned i = 0; i < found; i++)
            again = again || ask->asked[i] == parameters[which].pid;
        if (!again)
            ask->asked[found++] = parameters[which].pid;
    }
    ask->asked_count = found;
}

static void send_question(struct lt_mimic_ask *ask, int64_t now_ns, uint8_t data[8])
{
    choose_question(ask);
    memset(data, 0, 8);
    data[0] = (uint8_t)(1 + ask->asked_count);
    data[1] = 0x01;
    memcpy(data + 2, ask->asked, ask->asked_count);
    for (unsigned i = 0; i < ask->controllers; i++) {
        uint8_t whole[64];
        if (make_answer(ask, i, whole) == 0)
            continue;
        struct lt_mimic_said *said = plan(ask, now_ns + after_ms(ask, 5, 40), answers_id(ask, i));
        said->answer = (int)i;
    }
    plan(ask, now_ns + ask->period_ns + after_ms(ask, 45, 55), asks_id(ask));
}

static void send_answer(struct lt_mimic_ask *ask, unsigned controller, int64_t now_ns,
                        uint8_t data[8])
{
    uint8_t whole[64];
    unsigned len = make_answer(ask, controller, whole);
    memset(data, controller ? 0x55 : 0xAA, 8);
    if (len <= 7) {
        data[0] = (uint8_t)len;
        memcpy(data + 1, whole, len);
        return;
    }
    data[0] = 0x10;
    data[1] = (uint8_t)len;
    memcpy(data + 2, whole, 6);
    int64_t at = now_ns + after_ms(ask, 0.5, 3);
    struct lt_mimic_said *flow = plan(ask, at, replies_to_id(ask, controller));
    flow->data[0] = 0x30;
    unsigned sequence = 1;
    for (unsigned from = 6; from < len; from += 7, sequence++) {
        at += after_ms(ask, 1, 5);
        struct lt_mimic_said *said = plan(ask, at, answers_id(ask, controller));
        memset(said->data, 0xAA, 8);
        said->data[0] = (uint8_t)(0x20 | (sequence & 15));
        memcpy(said->data + 1, whole + from, len - from < 7 ? len - from : 7);
    }
}

void lt_mimic_ask_send(struct lt_mimic_ask *ask, struct lt_mimic_said *said, int64_t now_ns,
                       uint8_t ret_data[8])
{
    struct lt_mimic_said now = *said;
    said->set = false;
    if (now.answer >= 0)
        send_answer(ask, (unsigned)now.answer, now_ns, ret_data);
    else if (now.id == asks_id(ask))
        send_question(ask, now_ns, ret_data);
    else
        memcpy(ret_data, now.data, 8);
}
