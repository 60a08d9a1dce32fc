/* Buses, identifiers, lengths, periods and gateways of an invented car, and its maker's habits. */
#include <string.h>

#include "mimic/random_car.h"
#include "mimic/random_draw.h"

#define MS_NS 1000000

static const uint8_t usual_ms[] = {10, 20, 25, 40, 50, 100, 200, 250};

static void draw_maker(struct lt_mimic_random_car *car)
{
    struct lt_mimic_rng *rng = &car->rng;
    unsigned luck = draw_below(rng, 10);
    car->order_bias = luck < 4 ? 0 : luck < 7 ? 1 : draw_between(rng, 0.2, 0.8);
    car->tight = draw_chance(rng, 0.3) ? draw_between(rng, 0.7, 1) : draw_between(rng, 0, 0.7);
    car->nibble = draw_between(rng, 0, 1);
    car->check_share = draw_chance(rng, 0.2) ? 0.03 : draw_between(rng, 0.15, 0.85);
    car->counter_share = draw_between(rng, 0.05, 0.6);
    car->nice = draw_between(rng, 0.4, 1);
    car->signed_offset =
        draw_chance(rng, 0.5) ? draw_between(rng, 0, 0.3) : draw_between(rng, 0.3, 1);
    car->empty = draw_chance(rng, 0.3) ? draw_between(rng, 0.2, 0.5) : draw_between(rng, 0.03, 0.2);
    car->dither_share = draw_chance(rng, 0.3) ? 0 : draw_between(rng, 0.05, 0.4);
    car->filter_share = draw_between(rng, 0, 0.45);
    car->hold_share = draw_chance(rng, 0.4) ? 0 : draw_between(rng, 0.05, 0.45);
    car->codes_share = draw_chance(rng, 0.25) ? 0 : draw_between(rng, 0.05, 0.5);
    car->cut_share = draw_chance(rng, 0.5) ? 0 : draw_between(rng, 0.1, 1);
    car->magnitude_share = draw_chance(rng, 0.85) ? 0 : draw_between(rng, 0.05, 0.25);
    car->filler = draw_chance(rng, 0.7) ? 0x00 : 0xFF;
    car->family_count = 1 + draw_below(rng, 3);
    for (unsigned i = 0; i < car->family_count; i++)
        car->families[i] = draw_below(rng, LT_MIMIC_KEYED);
    car->buses = 1 + draw_below(rng, 3);
    for (unsigned i = 0; i < LT_MIMIC_RANDOM_BUSES; i++) {
        unsigned rate = draw_below(rng, 20);
        car->bitrate_hz[i] = i > 0 && rate < 3 ? 250000 : i > 0 && rate == 3 ? 125000 : 500000;
    }
    if (draw_chance(rng, 0.3))
        car->bus_fd[draw_below(rng, car->buses)] = true;
}

/* How many identifiers have 29 bits. */
static double draw_extended(struct lt_mimic_rng *rng)
{
    unsigned luck = draw_below(rng, 10);
    return luck < 5 ? 0 : luck < 8 ? draw_between(rng, 0.05, 0.4) : draw_between(rng, 0.6, 1);
}

static bool is_taken(const struct lt_mimic_random_car *car, uint32_t id, bool extended)
{
    for (size_t i = 0; i < car->frame_count; i++)
        if (car->frame[i].id == id && car->frame[i].extended == extended)
            return true;
    if (extended) /* a tester's own */
        return (id & 0x1FFF0000) == 0x18DA0000 || (id & 0x1FFF0000) == 0x18DB0000;
    return id < 0x40 || id >= 0x700;
}

static void draw_id(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame)
{
    uint32_t id;
    do {
        /* Fast frames have low identifiers, mostly. */
        uint32_t rank = (uint32_t)(frame->period_ns / MS_NS);
        uint32_t base = rank <= 20 ? 0x60 : rank <= 50 ? 0x180 : 0x300;
        id = draw_chance(&car->rng, 0.8) ? base + draw_below(&car->rng, 0x2A0)
                                         : draw_below(&car->rng, 0x7FF);
        if (frame->extended) {
            uint32_t group = draw_chance(&car->rng, 0.4) ? 0xFE00 + draw_below(&car->rng, 256)
                                                         : draw_below(&car->rng, 0xEFFF);
            id = (3u + draw_below(&car->rng, 4)) << 26 | group << 8 | draw_below(&car->rng, 64);
        }
    } while (is_taken(car, id, frame->extended));
    frame->id = id;
}

/* Now and then one identifier is sent in two lengths, which are two layouts. */
static bool share_id(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame)
{
    if (car->frame_count == 0 || !draw_chance(&car->rng, 0.015))
        return false;
    const struct lt_mimic_random_frame *other =
        &car->frame[draw_below(&car->rng, (unsigned)car->frame_count)];
    if (other->fd || frame->fd || other->len == frame->len)
        return false;
    for (size_t i = 0; i < car->frame_count; i++) /* not a third one */
        if (&car->frame[i] != other && car->frame[i].id == other->id)
            return false;
    frame->bus = other->bus;
    frame->id = other->id;
    frame->extended = other->extended;
    return true;
}

static void draw_length(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame)
{
    static const double classic[] = {.5, .4, .6, 1, .7, 1.2, .8, 12}; /* 1 .. 8 */
    static const uint8_t flexible[] = {12, 16, 20, 24, 32, 48, 64};
    frame->len = (uint8_t)(1 + draw_weighted(&car->rng, classic, 8));
    if (!car->bus_fd[frame->bus])
        return;
    frame->fd = draw_chance(&car->rng, 0.5);
    frame->brs = frame->fd && draw_chance(&car->rng, 0.8);
    if (frame->fd && draw_chance(&car->rng, 0.4))
        frame->len = flexible[draw_below(&car->rng, 7)];
}

static void draw_period(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame)
{
    static const double weights[] = {3, 4, .5, 1, 2.5, 4, 2, .6};
    struct lt_mimic_rng *rng = &car->rng;
    int64_t ms = usual_ms[draw_weighted(rng, weights, 8)];
    if (draw_chance(rng, 0.12))
        ms = draw_chance(rng, 0.6) ? 500 : 1000;
    if (draw_chance(rng, 0.05)) /* a timer that somebody set by hand */
        ms = 11 + draw_below(rng, 180);
    frame->period_ns = ms * MS_NS;
    frame->jitter_ns = (int64_t)(draw_log(rng, 0.004, 0.06) * (double)frame->period_ns);
    /* Clocks of controllers are not the same. */
    frame->period_ns += frame->period_ns / 1000000 * (int64_t)(draw_between(rng, -150, 150));
    unsigned luck = draw_below(rng, 100);
    frame->cadence = luck < 5    ? LT_MIMIC_ON_EVENT
                     : luck < 13 ? LT_MIMIC_CYCLIC_AND_EVENT
                                 : LT_MIMIC_CYCLIC;
}

static double rate_of(const struct lt_mimic_random_frame *frame)
{
    return frame->cadence == LT_MIMIC_ON_EVENT ? 0.2 : 1e9 / (double)frame->period_ns;
}

/* Frames a second that a bus carries without running full. */
static double most_of(const struct lt_mimic_random_car *car, unsigned bus)
{
    return 2100.0 * car->bitrate_hz[bus] / 500000;
}

/* Frames a second that stay below what was wished and what a bus can carry. */
static void fit_rates(struct lt_mimic_random_car *car, double wished)
{
    for (unsigned tries = 0; tries < 400; tries++) {
        double total = 0, bus[LT_MIMIC_RANDOM_BUSES] = {0};
        for (size_t i = 0; i < car->frame_count; i++) {
            total += rate_of(&car->frame[i]);
            bus[car->frame[i].bus] += rate_of(&car->frame[i]);
        }
        bool full = total > wished;
        for (unsigned i = 0; i < car->buses; i++)
            full = full || bus[i] > most_of(car, i);
        if (!full && total > wished * 0.75)
            return;
        struct lt_mimic_random_frame *frame =
            &car->frame[draw_below(&car->rng, (unsigned)car->frame_count)];
        if (frame->cadence == LT_MIMIC_ON_EVENT)
            continue;
        if (full && frame->period_ns < 400 * MS_NS) {
            frame->period_ns *= 2;
            frame->jitter_ns *= 2;
        } else if (!full && frame->period_ns > 19 * MS_NS &&
                   bus[frame->bus] < 0.9 * most_of(car, frame->bus)) {
            frame->period_ns /= 2;
            frame->jitter_ns /= 2;
        }
    }
}

static bool knows_its_id(const struct lt_mimic_random_frame *frame)
{
    for (size_t i = 0; i < frame->field_count; i++) {
        const struct lt_mimic_seal *seal = &frame->field[i].seal;
        if (frame->field[i].kind == LT_MIMIC_FIELD_CHECK &&
            (seal->with_id || seal->family == LT_MIMIC_TSC1 || seal->family == LT_MIMIC_XBR))
            return true;
    }
    return false;
}

/* A gateway repeats whole frames on another bus, some under the same identifier. */
static void add_copies(struct lt_mimic_random_car *car)
{
    if (car->buses < 2)
        return;
    size_t originals = car->frame_count;
    unsigned copies = draw_below(&car->rng, 7);
    while (copies-- > 0 && car->frame_count < LT_MIMIC_RANDOM_FRAMES) {
        unsigned from = draw_below(&car->rng, (unsigned)originals);
        const struct lt_mimic_random_frame *source = &car->frame[from];
        bool again = source->fd || source->cadence != LT_MIMIC_CYCLIC;
        for (size_t i = originals; i < car->frame_count; i++)
            again = again || car->frame[i].copy_of == (int)from;
        if (again)
            continue;
        struct lt_mimic_random_frame *copy = &car->frame[car->frame_count];
        memset(copy, 0, sizeof(*copy));
        copy->bus =
            (uint8_t)((source->bus + 1 + draw_below(&car->rng, car->buses - 1)) % car->buses);
        copy->len = source->len;
        copy->controller = 7;
        copy->extended = source->extended;
        copy->period_ns = source->period_ns;
        copy->cadence = LT_MIMIC_CYCLIC;
        copy->selector = -1;
        copy->copy_of = (int)from;
        copy->copy_delay_ns = (int64_t)(draw_log(&car->rng, 0.3, 12) * MS_NS);
        copy->id = source->id;
        if (!knows_its_id(source) && draw_chance(&car->rng, 0.4))
            draw_id(car, copy);
        car->frame_count++;
    }
}

void lt_mimic_random_plan(struct lt_mimic_random_car *car, uint64_t seed, double duration_s)
{
    memset(car, 0, sizeof(*car));
    car->seed = seed;
    car->duration_s = duration_s;
    lt_mimic_rng_init(&car->rng, seed, 20);
    lt_mimic_motion_init(&car->motion, seed);
    draw_maker(car);
    struct lt_mimic_rng *rng = &car->rng;
    double extended = draw_extended(rng);
    car->loss = draw_chance(rng, 0.4) ? 0 : draw_log(rng, 0.0005, 0.05);
    car->polling = draw_chance(rng, 0.6);
    car->polling_extended = draw_chance(rng, extended > 0.5 ? 0.7 : 0.1);
    double wished =
        draw_chance(rng, 0.12) ? draw_between(rng, 150, 800) : draw_between(rng, 900, 2300);
    unsigned count = 30 + draw_below(rng, 49);
    for (unsigned i = 0; i < count; i++) {
        struct lt_mimic_random_frame *frame = &car->frame[i];
        frame->bus = (uint8_t)draw_below(rng, car->buses);
        frame->controller = (uint8_t)draw_below(rng, 6);
        frame->copy_of = -1;
        frame->extended = draw_chance(rng, extended);
        draw_period(car, frame);
        draw_length(car, frame);
        if (!share_id(car, frame))
            draw_id(car, frame);
        car->frame_count++;
    }
    fit_rates(car, wished);
    lt_mimic_random_fill(car);
    add_copies(car);
}
