/* Each bus carries one frame at a time: of those that are due when it falls free the lowest
 * identifier goes first (ISO 11898-1), and a frame's time is its end. The two buses are merged by
 * that time. A frame's content is the car's state at that time, so the motion runs ahead exactly to
 * the frame under way. */
#include <string.h>

#include "mimic/schedule.h"

#define MS_NS  1000000
#define BIT_NS 2000 /* 500 kbit/s */

enum mishap { MISHAP_LOST, MISHAP_FROZEN, MISHAP_SPOILED };

/* What went wrong on the bus, as a share of the drive: frames lost on the way (the counter steps by
 * two), a sender that repeats itself, a byte turned over after the check was made. */
static const struct {
    double part;
    enum mishap mishap;
    uint16_t id;
    unsigned count;
} mishaps[] = {
    {0.21, MISHAP_LOST, 0x0C4, 1},    {0.33, MISHAP_LOST, 0x1B0, 1},
    {0.45, MISHAP_SPOILED, 0x1A8, 1}, {0.52, MISHAP_FROZEN, 0x0D0, 3},
    {0.61, MISHAP_LOST, 0x0C4, 1},    {0.70, MISHAP_SPOILED, 0x0A6, 1},
    {0.78, MISHAP_LOST, 0x0B2, 1},
};
#define MISHAPS (sizeof(mishaps) / sizeof(mishaps)[0])

static int64_t jitter_ns(struct lt_mimic_schedule *schedule, int64_t period_ns)
{
    double most = (double)period_ns * 0.02;
    return (int64_t)lt_mimic_rng_between(&schedule->rng, -most, most);
}

static void init_senders(struct lt_mimic_schedule *schedule)
{
    for (size_t i = 0; i < lt_mimic_frame_count; i++) {
        struct lt_mimic_sender *sender = &schedule->senders[schedule->sender_count++];
        sender->frame = &lt_mimic_frame_list[i];
        int64_t period_ns = (int64_t)sender->frame->period_ms * MS_NS;
        sender->waits = period_ns == 0;
        /* Controllers do not wake in step; the jitter of the first sending stays behind 0. */
        double share = lt_mimic_rng_between(&schedule->rng, 0.05, 1.0);
        sender->slot_ns = (int64_t)(share * (double)period_ns);
        sender->due_ns = sender->slot_ns;
    }
}

void lt_mimic_schedule_init(struct lt_mimic_schedule *schedule, size_t scenario,
                            const struct lt_mimic_options *options, double duration_s)
{
    memset(schedule, 0, sizeof(*schedule));
    schedule->polling = options->polling;
    schedule->start_ns = options->start_ns;
    schedule->length_ns = (int64_t)(duration_s * 1e9);
    schedule->mishap_scale = lt_mimic_scenario_list[scenario].duration_s * 1e9;
    lt_mimic_rng_init(&schedule->rng, options->seed, 4);
    lt_mimic_driver_init(&schedule->driver, scenario, options->seed);
    lt_mimic_car_init(&schedule->car, options->seed, lt_mimic_driver_is_cold(&schedule->driver));
    lt_mimic_tester_init(&schedule->tester, options->seed);
    init_senders(schedule);
}

static bool is_awake(const struct lt_mimic_schedule *schedule, unsigned bus)
{
    double limit_s = bus == LT_MIMIC_CHASSIS ? LT_MIMIC_BODY_AWAKE_S : LT_MIMIC_AFTER_RUN_S;
    return schedule->car.key_off_s < limit_s;
}

/* One that could be sent: a sender's index, or the tester's speakers behind them. */
struct candidate {
    size_t who;
    int64_t due_ns, end_ns;
    unsigned id;
    bool found;
};

static int64_t wire_ns(unsigned len)
{
    /* Without stuff bits 47 + 8n, and about one stuff bit in ten. */
    return (int64_t)(47 + 8 * len + (34 + 8 * len) / 10) * BIT_NS;
}

/* Whoever is due first, or, among those due when the bus falls free, the lowest identifier. */
static void consider(struct candidate *best, int64_t free_ns, size_t who, int64_t due_ns,
                     unsigned id, unsigned len)
{
    int64_t start_ns = due_ns > free_ns ? due_ns : free_ns;
    int64_t best_start_ns = best->due_ns > free_ns ? best->due_ns : free_ns;
    bool wins =
        !best->found || start_ns < best_start_ns || (start_ns == best_start_ns && id < best->id);
    if (wins)
        *best = (struct candidate){who, due_ns, start_ns + wire_ns(len), id, true};
}

static struct candidate choose_on_bus(const struct lt_mimic_schedule *schedule, unsigned bus)
{
    struct candidate best = {0};
    int64_t free_ns = schedule->free_ns[bus];
    for (size_t i = 0; i < schedule->sender_count; i++) {
        const struct lt_mimic_sender *sender = &schedule->senders[i];
        if (sender->frame->bus == bus && !sender->waits)
            consider(&best, free_ns, i, sender->due_ns, sender->frame->id, sender->frame->len);
    }
    if (bus != LT_MIMIC_POWERTRAIN || !schedule->polling)
        return best;
    static const unsigned ids[LT_MIMIC_SPEAKERS] = {0x7DF, 0x7E8};
    for (size_t i = 0; i < LT_MIMIC_SPEAKERS; i++)
        if (schedule->tester.pending[i].set)
            consider(&best, free_ns, schedule->sender_count + i, schedule->tester.pending[i].due_ns,
                     ids[i], 8);
    return best;
}

/* Lets the car move on to this time, and notes what the kit has to report. */
static void run_to(struct lt_mimic_schedule *schedule, int64_t time_ns)
{
    while ((int64_t)schedule->car.steps * MS_NS < time_ns) {
        lt_mimic_driver_step(&schedule->driver, &schedule->car);
        lt_mimic_car_step(&schedule->car, &schedule->driver.inputs, &schedule->driver.troubles);
    }
    if (schedule->car.kit_event_count == schedule->kit_events_seen)
        return;
    schedule->kit_events_seen = schedule->car.kit_event_count;
    for (size_t i = 0; i < schedule->sender_count; i++)
        if (schedule->senders[i].frame->period_ms == 0) {
            schedule->senders[i].waits = false;
            schedule->senders[i].due_ns = time_ns + 2 * MS_NS;
        }
}

static void plan_next(struct lt_mimic_schedule *schedule, struct lt_mimic_sender *sender)
{
    int64_t period_ns = (int64_t)sender->frame->period_ms * MS_NS;
    sender->waits = period_ns == 0;
    sender->slot_ns += period_ns;
    sender->due_ns = sender->slot_ns + jitter_ns(schedule, period_ns);
}

/* The mishap that is due for this identifier, or none. They come in the table's order. */
static const enum mishap *take_mishap(struct lt_mimic_schedule *schedule, unsigned id,
                                      unsigned *ret_count)
{
    if (schedule->next_mishap >= MISHAPS)
        return NULL;
    size_t i = schedule->next_mishap;
    double at_ns = mishaps[i].part * schedule->mishap_scale;
    if (mishaps[i].id != id || (double)schedule->now_ns < at_ns)
        return NULL;
    schedule->next_mishap++;
    *ret_count = mishaps[i].count;
    return &mishaps[i].mishap;
}

static void mark_suspect(struct lt_mimic_sender *sender)
{
    for (size_t i = 0; i < sender->row_count; i++)
        sender->rows[i].suspect = true;
}

/* False when the frame was lost on the way. */
static bool send(struct lt_mimic_schedule *schedule, struct lt_mimic_sender *sender)
{
    unsigned count = 0;
    const enum mishap *mishap = NULL;
    if (sender->frozen == 0)
        mishap = take_mishap(schedule, sender->frame->id, &count);
    if (mishap && *mishap == MISHAP_FROZEN)
        sender->frozen = count;
    if (mishap && *mishap == MISHAP_LOST) {
        sender->turn++;
        return false;
    }
    if (sender->frozen > 0) {
        sender->frozen--;
        mark_suspect(sender);
    } else {
        sender->row_count = lt_mimic_frame_build(sender->frame, &schedule->car, sender->turn++,
                                                 sender->data, sender->rows);
    }
    if (mishap && *mishap == MISHAP_SPOILED) {
        sender->data[7] ^= 0x24;
        mark_suspect(sender);
    }
    schedule->rows = sender->rows;
    schedule->row_count = sender->row_count;
    return true;
}

static void give(struct lt_mimic_schedule *schedule, unsigned bus, unsigned id, unsigned len,
                 const uint8_t *data)
{
    struct lt_frame *frame = &schedule->frame;
    memset(frame, 0, sizeof(*frame));
    /* A logger's clock has microseconds. */
    frame->time_ns = schedule->start_ns + (schedule->now_ns + 500) / 1000 * 1000;
    frame->number = ++schedule->frames;
    frame->id = id;
    frame->bus = (uint16_t)bus;
    frame->len = (uint8_t)len;
    frame->raw_dlc = (uint8_t)len;
    memcpy(frame->data, data, len);
}

static bool send_tester(struct lt_mimic_schedule *schedule, int speaker)
{
    struct lt_mimic_tester *tester = &schedule->tester;
    lt_mimic_tester_build(tester, speaker, &schedule->car);
    schedule->rows = NULL;
    schedule->row_count = 0;
    struct lt_mimic_pending sent = tester->pending[speaker];
    lt_mimic_tester_sent(tester, speaker, schedule->now_ns, &schedule->car);
    /* With the bus asleep nobody acknowledges, and the logger sees nothing. */
    if (!is_awake(schedule, LT_MIMIC_POWERTRAIN))
        return false;
    give(schedule, LT_MIMIC_POWERTRAIN, sent.id, 8, sent.data);
    return true;
}

static bool send_sender(struct lt_mimic_schedule *schedule, struct lt_mimic_sender *sender)
{
    bool sent = is_awake(schedule, sender->frame->bus) && send(schedule, sender);
    if (sent)
        give(schedule, sender->frame->bus, sender->frame->id, sender->frame->len, sender->data);
    plan_next(schedule, sender);
    return sent;
}

bool lt_mimic_schedule_next(struct lt_mimic_schedule *schedule)
{
    for (;;) {
        unsigned bus = LT_MIMIC_POWERTRAIN;
        struct candidate next = choose_on_bus(schedule, bus);
        struct candidate other = choose_on_bus(schedule, LT_MIMIC_CHASSIS);
        if (other.end_ns < next.end_ns) {
            next = other;
            bus = LT_MIMIC_CHASSIS;
        }
        if (next.end_ns > schedule->length_ns)
            return false;
        run_to(schedule, next.end_ns);
        schedule->now_ns = next.end_ns;
        schedule->free_ns[bus] = next.end_ns;
        bool given = next.who < schedule->sender_count
                         ? send_sender(schedule, &schedule->senders[next.who])
                         : send_tester(schedule, (int)(next.who - schedule->sender_count));
        if (given)
            return true;
    }
}
