/* When invented frames are sent. As schedule.c: one frame at a time on a bus, of those due the
 * lowest identifier first, the time of a frame is its end. What the logger misses, a gateway
 * repeats, or a sender leaves out, is decided here; the content is made in random_pack.c. */
#include <stdlib.h>
#include <string.h>

#include "mimic/random_draw.h"
#include "mimic/random_send.h"

#define MS_NS   1000000
#define POLL_NS (10 * (int64_t)MS_NS) /* how often an event sender looks at its inputs */
#define NEVER   INT64_MAX

static void init_senders(struct lt_mimic_random *random)
{
    for (size_t i = 0; i < random->car.frame_count; i++) {
        struct lt_mimic_random_frame *frame = &random->car.frame[i];
        frame->slot_ns = (int64_t)(draw_between(&random->rng, 0.02, 1) * (double)frame->period_ns);
        if (draw_chance(&random->rng, 0.1))
            frame->slot_ns += (int64_t)(draw_between(&random->rng, 0, 2) * 1e9);
        frame->due_ns = frame->cadence == LT_MIMIC_ON_EVENT ? NEVER : frame->slot_ns;
        frame->poll_ns = frame->cadence == LT_MIMIC_CYCLIC ? NEVER : frame->slot_ns + POLL_NS;
        frame->last_sent_ns = -1000 * (int64_t)MS_NS;
        if (frame->copy_of >= 0) {
            frame->slot_ns = 0;
            frame->due_ns = frame->poll_ns = NEVER;
        }
        frame->watched = lt_mimic_random_watch(&random->car, frame);
    }
}

static void draw_pause(struct lt_mimic_random *random)
{
    random->pause_from_ns = random->pause_to_ns = NEVER;
    if (!draw_chance(&random->rng, 0.35))
        return;
    double at = draw_between(&random->rng, 0.2, 0.8) * (double)random->length_ns;
    random->pause_from_ns = (int64_t)at;
    random->pause_to_ns = (int64_t)(at + draw_log(&random->rng, 0.3, 5) * 1e9);
    random->pause_controller = draw_below(&random->rng, 6);
}

struct lt_mimic_random *lt_mimic_random_new(const struct lt_mimic_options *options,
                                            double duration_s)
{
    struct lt_mimic_random *random = calloc(1, sizeof(*random));
    if (!random)
        return NULL;
    lt_mimic_random_plan(&random->car, options->seed, duration_s);
    if (!lt_mimic_random_facts_init(&random->car)) {
        lt_mimic_random_free(random);
        return NULL;
    }
    lt_mimic_rng_init(&random->rng, options->seed, 23);
    if (!options->loss_by_seed)
        random->car.loss = options->loss;
    if (!options->polling_by_seed)
        random->car.polling = options->polling;
    random->start_ns = options->start_ns;
    random->length_ns = (int64_t)(duration_s * 1e9);
    random->marks[random->mark_count++] = (struct lt_mimic_mark){
        options->start_ns + (int64_t)(draw_between(&random->rng, 0.4, 1.2) * 1e9),
        lt_mimic_motion_label(LT_MIMIC_Q_DRIVE_MODE, 0)};
    lt_mimic_ask_init(&random->ask, &random->car);
    init_senders(random);
    draw_pause(random);
    return random;
}

void lt_mimic_random_free(struct lt_mimic_random *random)
{
    if (random)
        lt_mimic_random_facts_release(&random->car);
    free(random);
}

/* --- who is next --- */

struct candidate {
    int64_t due_ns, start_ns, end_ns;
    unsigned bus, rank;
    int frame; /* -1: the tester, -2 - n: the n-th copy at the gateway */
    bool found, poll;
};

/* With about one stuff bit in twelve; FD frames send their data four times as fast. */
static int64_t wire_ns(const struct lt_mimic_random_frame *frame, unsigned bitrate_hz)
{
    int64_t bit_ns = 1000000000 / bitrate_hz;
    unsigned head = frame->extended ? 67 : 47, bits = head + 8u * frame->len;
    if (!frame->fd)
        return (int64_t)(bits + bits / 12) * bit_ns;
    return (frame->extended ? 52 : 32) * bit_ns +
           (40 + 9 * (int64_t)frame->len) * (frame->brs ? bit_ns / 4 : bit_ns);
}

static unsigned rank_of(uint32_t id, bool extended)
{
    return extended ? id : id << 18;
}

static void consider(struct candidate *best, int64_t free_ns, struct candidate next)
{
    next.start_ns = next.due_ns > free_ns ? next.due_ns : free_ns;
    if (best->found && (next.start_ns > best->start_ns ||
                        (next.start_ns == best->start_ns && next.rank >= best->rank)))
        return;
    next.found = true;
    *best = next;
}

static struct candidate choose(struct lt_mimic_random *random, unsigned bus)
{
    struct candidate best = {.bus = bus};
    int64_t free_ns = random->free_ns[bus];
    for (size_t i = 0; i < random->car.frame_count; i++) {
        const struct lt_mimic_random_frame *frame = &random->car.frame[i];
        bool poll = frame->poll_ns < frame->due_ns;
        int64_t due_ns = poll ? frame->poll_ns : frame->due_ns;
        if (frame->bus == bus && due_ns != NEVER)
            consider(&best, poll ? due_ns : free_ns,
                     (struct candidate){.due_ns = due_ns,
                                        .bus = bus,
                                        .frame = (int)i,
                                        .rank = rank_of(frame->id, frame->extended),
                                        .poll = poll});
    }
    for (size_t i = 0; i < random->waiting_count; i++) {
        const struct lt_mimic_random_frame *copy = &random->car.frame[random->waiting[i].frame];
        if (copy->bus == bus)
            consider(&best, free_ns,
                     (struct candidate){.due_ns = random->waiting[i].due_ns,
                                        .bus = bus,
                                        .frame = -2 - (int)i,
                                        .rank = rank_of(copy->id, copy->extended)});
    }
    const struct lt_mimic_said *said = bus == 0 ? lt_mimic_ask_next(&random->ask) : NULL;
    if (said)
        consider(&best, free_ns,
                 (struct candidate){.due_ns = said->due_ns,
                                    .bus = bus,
                                    .frame = -1,
                                    .rank = rank_of(said->id, random->ask.extended)});
    int64_t takes_ns = 0;
    if (best.frame >= 0 && !best.poll)
        takes_ns = wire_ns(&random->car.frame[best.frame], random->car.bitrate_hz[bus]);
    else if (best.frame < 0)
        takes_ns = 125000000000 / random->car.bitrate_hz[bus];
    best.end_ns = best.start_ns + takes_ns;
    return best;
}

/* --- sending --- */

static void note_mode(struct lt_mimic_random *random)
{
    if (!random->car.motion.mode_changed || random->mark_count >= LT_MIMIC_MARKS_MAX)
        return;
    /* A passenger sees it and presses a key. */
    double delay_s = draw_between(&random->rng, 0.08, 0.75);
    unsigned code = (unsigned)random->car.motion.value[LT_MIMIC_Q_DRIVE_MODE];
    int64_t at_ns = (int64_t)random->car.motion.steps * LT_MIMIC_MOTION_STEP_NS;
    random->marks[random->mark_count++] =
        (struct lt_mimic_mark){random->start_ns + at_ns + (int64_t)(delay_s * 1e9),
                               lt_mimic_motion_label(LT_MIMIC_Q_DRIVE_MODE, code)};
}

static void run_to(struct lt_mimic_random *random, int64_t time_ns)
{
    while ((int64_t)random->car.motion.steps * LT_MIMIC_MOTION_STEP_NS < time_ns) {
        lt_mimic_motion_step(&random->car.motion);
        lt_mimic_ask_step(&random->ask, &random->car.motion);
        note_mode(random);
    }
}

static bool is_lost(struct lt_mimic_random *random)
{
    if (random->burst > 0) {
        random->burst--;
        return true;
    }
    if (random->car.loss <= 0 || !draw_chance(&random->rng, random->car.loss * 0.83))
        return false;
    /* One in eight begins a short run: 1 + 1/8 x 1.5 in the mean, hence the 0.83. */
    if (draw_chance(&random->rng, 0.125))
        random->burst = 1 + draw_below(&random->rng, 2);
    return true;
}

static void give(struct lt_mimic_random *random, unsigned bus, uint32_t id, unsigned flags,
                 unsigned len, const uint8_t *data)
{
    struct lt_frame *frame = &random->frame;
    memset(frame, 0, sizeof(*frame));
    frame->time_ns = random->start_ns + (random->now_ns + 500) / 1000 * 1000;
    frame->number = ++random->frames;
    frame->id = id;
    frame->bus = (uint16_t)bus;
    frame->flags = (uint16_t)flags;
    frame->len = (uint8_t)len;
    frame->raw_dlc = lt_len_to_dlc((uint8_t)len, (flags & LT_FRAME_FD) != 0);
    memcpy(frame->data, data, len);
}

static bool write_down(struct lt_mimic_random *random, struct lt_mimic_random_frame *frame,
                       const uint8_t *data)
{
    frame->sent++;
    if (is_lost(random)) {
        frame->lost++;
        return false;
    }
    frame->written++;
    unsigned flags = (frame->extended ? LT_FRAME_EXTENDED : 0u) | (frame->fd ? LT_FRAME_FD : 0u) |
                     (frame->brs ? LT_FRAME_BRS : 0u);
    lt_mimic_random_note(frame, data);
    give(random, frame->bus, frame->id, flags, frame->len, data);
    return true;
}

/* The gateway has it in its hands: what was lost for the logger was not lost for it. */
static void pass_on(struct lt_mimic_random *random, size_t from)
{
    for (size_t i = from + 1; i < random->car.frame_count; i++) {
        struct lt_mimic_random_frame *copy = &random->car.frame[i];
        if (copy->copy_of != (int)from || random->waiting_count >= LT_MIMIC_COPIES_WAITING)
            continue;
        struct lt_mimic_waiting *waiting = &random->waiting[random->waiting_count++];
        double more = draw_between(&random->rng, 0.9, 1.3);
        waiting->due_ns = random->now_ns + (int64_t)(more * (double)copy->copy_delay_ns);
        if (waiting->due_ns <= copy->slot_ns) /* a gateway does not change the order */
            waiting->due_ns = copy->slot_ns + 1;
        copy->slot_ns = waiting->due_ns;
        waiting->frame = (uint8_t)i;
        memcpy(waiting->data, random->car.frame[from].data, sizeof(waiting->data));
    }
}

static bool send_copy(struct lt_mimic_random *random, size_t which)
{
    struct lt_mimic_waiting waiting = random->waiting[which];
    random->waiting_count--;
    memmove(&random->waiting[which], &random->waiting[which + 1],
            (random->waiting_count - which) * sizeof(waiting));
    return write_down(random, &random->car.frame[waiting.frame], waiting.data);
}

static void plan_cyclic(struct lt_mimic_random *random, struct lt_mimic_random_frame *frame)
{
    if (frame->cadence == LT_MIMIC_ON_EVENT) {
        frame->due_ns = NEVER;
        return;
    }
    if (!frame->moved) /* a frame for an event leaves the beat alone */
        frame->slot_ns += frame->period_ns;
    frame->moved = false;
    double late = draw_bell(&random->rng) * 0.5 * (double)frame->jitter_ns;
    frame->due_ns = frame->slot_ns + (int64_t)late;
    if (frame->due_ns <= random->now_ns)
        frame->due_ns = random->now_ns + 1;
}

static bool is_paused(const struct lt_mimic_random *random,
                      const struct lt_mimic_random_frame *frame)
{
    return random->now_ns >= random->pause_from_ns && random->now_ns < random->pause_to_ns &&
           frame->controller == random->pause_controller;
}

static bool send_frame(struct lt_mimic_random *random, size_t which)
{
    struct lt_mimic_random_frame *frame = &random->car.frame[which];
    bool paused = is_paused(random, frame);
    if (!paused) {
        lt_mimic_random_build(&random->car, frame, random->now_ns);
        frame->last_sent_ns = random->now_ns;
    }
    plan_cyclic(random, frame);
    if (paused)
        return false;
    pass_on(random, which);
    return write_down(random, frame, frame->data);
}

/* An event sender looks: where something changed it sends soon, never closer than 20 ms. */
static void look(struct lt_mimic_random *random, struct lt_mimic_random_frame *frame)
{
    uint64_t now = lt_mimic_random_watch(&random->car, frame);
    frame->poll_ns += POLL_NS;
    if (now == frame->watched || random->now_ns - frame->last_sent_ns < 2 * POLL_NS)
        return;
    frame->watched = now;
    if (frame->due_ns < random->now_ns + MS_NS)
        return; /* it is about to be sent anyway */
    frame->moved = true;
    frame->due_ns = random->now_ns + MS_NS / 2;
}

bool lt_mimic_random_next(struct lt_mimic_random *random)
{
    for (;;) {
        struct candidate next = choose(random, 0);
        for (unsigned bus = 1; bus < random->car.buses; bus++) {
            struct candidate other = choose(random, bus);
            if (other.found && (!next.found || other.end_ns < next.end_ns))
                next = other;
        }
        if (!next.found || next.end_ns > random->length_ns)
            return false;
        run_to(random, next.end_ns);
        random->now_ns = next.end_ns;
        if (next.poll) {
            look(random, &random->car.frame[next.frame]);
            continue;
        }
        random->free_ns[next.bus] = next.end_ns;
        bool given = false;
        if (next.frame >= 0) {
            given = send_frame(random, (size_t)next.frame);
        } else if (next.frame <= -2) {
            given = send_copy(random, (size_t)(-2 - next.frame));
        } else {
            uint8_t data[8];
            struct lt_mimic_said *said = lt_mimic_ask_next(&random->ask);
            uint32_t id = said->id;
            lt_mimic_ask_send(&random->ask, said, random->now_ns, data);
            give(random, 0, id, random->ask.extended ? LT_FRAME_EXTENDED : 0u, 8, data);
            given = true;
        }
        if (given)
            return true;
    }
}
