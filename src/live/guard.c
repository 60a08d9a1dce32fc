/* The gate between warnings and the bus: see loomtap/live/guard.h. Which frames may be sent at all
 * is refuse.c's; encoding is core's. */
#include "loomtap/live/guard.h"

#include <stdlib.h>
#include <string.h>

#include "loomtap/core/encode.h"

#define NEVER       INT64_MAX
#define ECHOES_MAX  64 /* frames under way at once: more than a queue of the kernel has usually */
#define ERR_BUS_OFF 0x40u /* linux/can/error.h: CAN_ERR_BUSOFF, a bit of an error frame's id */

struct outlet {     /* one frame that warnings send */
    uint32_t index; /* of the profile */
    int64_t period_ns;
    uint64_t made;    /* by the engine: its counter */
    uint64_t counter; /* of those that went out */
    uint64_t sent;
    int64_t last_ns; /* when the last went out; LT_NO_TIME before the first */
    bool waits, is_clear;
    struct lt_frame frame;
};

struct echo {
    struct lt_frame frame;
    int64_t sent_ns;
};

struct lt_guard {
    struct lt_guard_options options;
    struct outlet *outlets;
    size_t count;
    enum lt_guard_state state;
    enum lt_guard_stop stop;
    uint32_t stop_index;
    enum lt_refusal stop_refusal;
    int64_t alive_ns, listen_until_ns, lost_since_ns; /* LT_NO_TIME: not yet, not now */
    bool heard_any;                                   /* while listening */
    struct outlet *going;                             /* between lt_guard_next and lt_guard_sent */
    struct echo echoes[ECHOES_MAX];                   /* oldest first */
    size_t echo_count;
    struct lt_guard_counts counts;
};

/* ---- how long to listen ---- */

static int64_t longest_of(const struct lt_profile *profile, const struct lt_condition *condition)
{
    int64_t longest_ns = 0;
    for (size_t i = 0; i < condition->count; i++) {
        enum lt_op op = condition->steps[i].op;
        if (op != LT_OP_SIGNAL && op != LT_OP_RAW && op != LT_OP_AGE && op != LT_OP_MISSING &&
            op != LT_OP_SUSPECT && op != LT_OP_RATE)
            continue;
        uint32_t frame = profile->signals[condition->steps[i].signal].frame;
        if (frame != LT_NONE && profile->frames[frame].period_ns > longest_ns)
            longest_ns = profile->frames[frame].period_ns;
    }
    return longest_ns;
}

static int64_t larger(int64_t a, int64_t b)
{
    return a > b ? a : b;
}

int64_t lt_guard_listen_ns(const struct lt_profile *profile)
{
    int64_t longest_ns = LT_GUARD_LISTEN_NS / LT_GUARD_LISTEN_TIMES;
    for (size_t i = 0; i < profile->warning_count; i++) {
        const struct lt_warning_def *warning = &profile->warnings[i];
        longest_ns = larger(longest_ns, longest_of(profile, &warning->when));
        longest_ns = larger(longest_ns, longest_of(profile, &warning->until));
        if (warning->send != LT_NONE)
            longest_ns = larger(longest_ns, profile->frames[warning->send].period_ns);
    }
    return longest_ns * LT_GUARD_LISTEN_TIMES;
}

/* ---- life ---- */

static void add_outlet(struct lt_guard *guard, uint32_t index)
{
    for (size_t i = 0; i < guard->count; i++)
        if (guard->outlets[i].index == index)
            return;
    guard->outlets[guard->count++] =
        (struct outlet){.index = index,
                        .period_ns = guard->options.profile->frames[index].period_ns,
                        .last_ns = LT_NO_TIME};
}

enum lt_code lt_guard_new(struct lt_guard **ret_guard, const struct lt_guard_options *options,
                          struct lt_error *error)
{
    const struct lt_profile *profile = options->profile;
    struct lt_guard *guard = calloc(1, sizeof *guard);
    if (guard)
        guard->outlets = calloc(profile->warning_count + 1, sizeof *guard->outlets);
    if (!guard || !guard->outlets) {
        lt_guard_free(guard);
        return lt_fail(error, LT_E_MEMORY, "out of memory for guarding");
    }
    guard->options = *options;
    if (guard->options.lost_ns <= 0)
        guard->options.lost_ns = LT_GUARD_LOST_NS;
    for (size_t i = 0; i < profile->warning_count; i++)
        if (profile->warnings[i].send != LT_NONE)
            add_outlet(guard, profile->warnings[i].send);
    guard->state = options->armed ? LT_GUARD_LISTENING : LT_GUARD_SHOWING;
    guard->stop_index = LT_NONE;
    guard->alive_ns = guard->listen_until_ns = guard->lost_since_ns = LT_NO_TIME;
    *ret_guard = guard;
    return LT_OK;
}

void lt_guard_free(struct lt_guard *guard)
{
    if (!guard)
        return;
    free(guard->outlets);
    free(guard);
}

static void drop_waiting(struct lt_guard *guard)
{
    for (size_t i = 0; i < guard->count; i++) {
        guard->counts.left_out += guard->outlets[i].waits;
        guard->outlets[i].waits = false;
    }
}

/* The first reason stays; what is not armed only takes note. */
static void stop(struct lt_guard *guard, enum lt_guard_stop why, uint32_t index,
                 enum lt_refusal refusal)
{
    if (guard->stop == LT_GUARD_GOES_ON) {
        guard->stop = why;
        guard->stop_index = index;
        guard->stop_refusal = refusal;
    }
    if (guard->state == LT_GUARD_SHOWING)
        return;
    guard->state = LT_GUARD_STOPPED;
    drop_waiting(guard);
}

/* ---- what is heard ---- */

static bool is_same(const struct lt_frame *a, const struct lt_frame *b)
{
    uint16_t kind = LT_FRAME_EXTENDED | LT_FRAME_FD | LT_FRAME_REMOTE | LT_FRAME_ERROR;
    return a->bus == b->bus && a->id == b->id && (a->flags & kind) == (b->flags & kind) &&
           a->len == b->len && memcmp(a->data, b->data, a->len) == 0;
}

static void remove_echo(struct lt_guard *guard, size_t at)
{
    guard->echo_count--;
    memmove(&guard->echoes[at], &guard->echoes[at + 1],
            (guard->echo_count - at) * sizeof *guard->echoes);
}

/* The kernel gives back what this machine sent, marked; but it marks so what any program of this
 * machine sends. Ours is what was given to the interface and has not come back yet. */
static bool take_echo(struct lt_guard *guard, const struct lt_frame *frame)
{
    if (!lt_frame_has(frame, LT_FRAME_SENT))
        return false;
    for (size_t i = 0; i < guard->echo_count; i++)
        if (is_same(&guard->echoes[i].frame, frame)) {
            remove_echo(guard, i);
            return true;
        }
    return false;
}

static void look_for_foreign(struct lt_guard *guard, const struct lt_frame *frame)
{
    for (size_t i = 0; i < guard->count; i++) {
        uint32_t index = guard->outlets[i].index;
        if (guard->options.buses[index] != frame->bus)
            continue;
        enum lt_refusal refusal = lt_refuse_heard(&guard->options.profile->frames[index], frame);
        if (refusal == LT_REFUSE_NOTHING)
            continue;
        guard->counts.foreign++;
        stop(guard, guard->state == LT_GUARD_SENDING ? LT_GUARD_FOREIGN : LT_GUARD_REFUSED, index,
             refusal);
    }
}

static uint32_t outlet_of_bus(const struct lt_guard *guard, uint16_t bus)
{
    for (size_t i = 0; i < guard->count; i++)
        if (guard->options.buses[guard->outlets[i].index] == bus)
            return guard->outlets[i].index;
    return LT_NONE;
}

/* Listening begins with the first look at the clock, and ends with one. */
static void end_listening(struct lt_guard *guard, int64_t now_ns)
{
    if (guard->state != LT_GUARD_LISTENING || guard->listen_until_ns == LT_NO_TIME ||
        now_ns < guard->listen_until_ns)
        return;
    if (!guard->heard_any)
        stop(guard, LT_GUARD_SILENT, LT_NONE, LT_REFUSE_NOTHING);
    else
        guard->state = LT_GUARD_SENDING;
}

bool lt_guard_heard(struct lt_guard *guard, const struct lt_frame *frame, int64_t now_ns)
{
    (void)now_ns;
    if (lt_frame_has(frame, LT_FRAME_ERROR)) {
        uint32_t index = outlet_of_bus(guard, frame->bus);
        if (frame->id & ERR_BUS_OFF && index != LT_NONE)
            stop(guard, LT_GUARD_BUS_OFF, index, LT_REFUSE_NOTHING);
        return false;
    }
    if (take_echo(guard, frame))
        return true;
    guard->heard_any = true;
    look_for_foreign(guard, frame);
    return false;
}

void lt_guard_bus_away(struct lt_guard *guard, uint16_t bus, bool gone)
{
    uint32_t index = outlet_of_bus(guard, bus);
    if (index != LT_NONE)
        stop(guard, gone ? LT_GUARD_GONE : LT_GUARD_DOWN, index, LT_REFUSE_NOTHING);
}

void lt_guard_inputs(struct lt_guard *guard, bool all_lost, int64_t now_ns)
{
    if (!all_lost)
        guard->lost_since_ns = LT_NO_TIME;
    else if (guard->lost_since_ns == LT_NO_TIME)
        guard->lost_since_ns = now_ns;
    else if (now_ns - guard->lost_since_ns >= guard->options.lost_ns)
        stop(guard, LT_GUARD_LOST, LT_NONE, LT_REFUSE_NOTHING);
}

/* ---- time ---- */

static void begin_listening(struct lt_guard *guard, int64_t now_ns)
{
    guard->listen_until_ns = now_ns + guard->options.listen_ns;
    guard->heard_any = false;
    drop_waiting(guard);
}

bool lt_guard_alive(struct lt_guard *guard, int64_t now_ns)
{
    bool stood = guard->alive_ns != LT_NO_TIME && now_ns - guard->alive_ns > LT_GUARD_STALL_NS;
    bool first = guard->alive_ns == LT_NO_TIME;
    guard->alive_ns = now_ns;
    guard->counts.stalls += stood;
    if (stood && guard->state == LT_GUARD_SENDING)
        guard->state = LT_GUARD_LISTENING;
    if ((first || stood) && guard->state == LT_GUARD_LISTENING)
        begin_listening(guard, now_ns);
    end_listening(guard, now_ns);
    return !stood;
}

/* ---- what is to be sent ---- */

static struct outlet *find_outlet(struct lt_guard *guard, uint32_t index)
{
    for (size_t i = 0; i < guard->count; i++)
        if (guard->outlets[i].index == index)
            return &guard->outlets[i];
    return NULL;
}

enum lt_guard_fate lt_guard_wants(struct lt_guard *guard, uint32_t index,
                                  const struct lt_frame *frame, bool is_clear, int64_t real_ns)
{
    struct outlet *outlet = find_outlet(guard, index);
    if (!outlet)
        return LT_GUARD_NOT_ARMED;
    uint64_t number = outlet->made++;
    if (guard->state == LT_GUARD_SHOWING)
        return LT_GUARD_NOT_ARMED;
    if (guard->state != LT_GUARD_SENDING)
        return guard->state == LT_GUARD_LISTENING ? LT_GUARD_NOT_YET : LT_GUARD_ENDED;
    if (is_clear && outlet->sent == 0)
        return LT_GUARD_NO_CLEAR;
    if (real_ns - frame->time_ns > outlet->period_ns && !is_clear) {
        guard->counts.left_out++;
        return LT_GUARD_LATE;
    }
    guard->counts.left_out += outlet->waits;
    if (outlet->sent == 0)
        outlet->counter = number;
    outlet->waits = true;
    outlet->is_clear = is_clear;
    outlet->frame = *frame;
    return LT_GUARD_WAITS;
}

static int64_t slot_ns(const struct outlet *outlet)
{
    int64_t jitter_ns = outlet->period_ns / LT_GUARD_JITTER_PART;
    if (jitter_ns > LT_GUARD_JITTER_NS)
        jitter_ns = LT_GUARD_JITTER_NS;
    return outlet->last_ns == LT_NO_TIME ? INT64_MIN
                                         : outlet->last_ns + outlet->period_ns - jitter_ns;
}

/* The settings are in the bytes already: counter and check alone are made anew. */
static bool make(struct lt_guard *guard, struct outlet *outlet)
{
    if (lt_encode(guard->options.profile, outlet->index, NULL, 0, outlet->counter, &outlet->frame,
                  NULL) == LT_OK)
        return true;
    stop(guard, LT_GUARD_NOT_MADE, outlet->index, LT_REFUSE_NOTHING);
    return false;
}

bool lt_guard_next(struct lt_guard *guard, int64_t now_ns, struct lt_guard_out *ret_out)
{
    /* It stood still since the round began: the next round sees to that. */
    bool stood = now_ns - guard->alive_ns > LT_GUARD_STALL_NS;
    if (guard->state != LT_GUARD_SENDING || stood)
        return false;
    for (size_t i = 0; i < guard->count; i++) {
        struct outlet *outlet = &guard->outlets[i];
        if (!outlet->waits || now_ns < slot_ns(outlet))
            continue;
        if (!make(guard, outlet))
            return false;
        guard->going = outlet;
        *ret_out = (struct lt_guard_out){outlet->index, outlet->is_clear, outlet->frame};
        return true;
    }
    return false;
}

static void expect_echo(struct lt_guard *guard, const struct lt_frame *frame, int64_t now_ns)
{
    if (guard->echo_count == ECHOES_MAX) {
        remove_echo(guard, 0);
        guard->counts.unseen++;
    }
    guard->echoes[guard->echo_count++] = (struct echo){*frame, now_ns};
}

void lt_guard_sent(struct lt_guard *guard, int64_t now_ns, int64_t real_ns, bool is_taken)
{
    struct outlet *outlet = guard->going;
    guard->going = NULL;
    if (!is_taken) {
        stop(guard, LT_GUARD_NOT_TAKEN, outlet->index, LT_REFUSE_NOTHING);
        return;
    }
    int64_t late_ns = real_ns - outlet->frame.time_ns;
    guard->counts.late_most_ns = larger(guard->counts.late_most_ns, late_ns);
    guard->counts.sent++;
    guard->counts.clears += outlet->is_clear;
    outlet->sent++;
    outlet->counter++;
    outlet->last_ns = now_ns;
    outlet->waits = false;
    expect_echo(guard, &outlet->frame, now_ns);
}

int64_t lt_guard_due_ns(const struct lt_guard *guard)
{
    int64_t due_ns = NEVER;
    if (guard->state == LT_GUARD_LISTENING && guard->listen_until_ns != LT_NO_TIME)
        due_ns = guard->listen_until_ns;
    for (size_t i = 0; i < guard->count && guard->state == LT_GUARD_SENDING; i++)
        if (guard->outlets[i].waits && slot_ns(&guard->outlets[i]) < due_ns)
            due_ns = slot_ns(&guard->outlets[i]);
    return due_ns;
}

bool lt_guard_unseen(struct lt_guard *guard, int64_t now_ns, struct lt_frame *ret_frame)
{
    if (guard->echo_count == 0 ||
        (now_ns != NEVER && now_ns - guard->echoes[0].sent_ns < LT_GUARD_UNSEEN_NS))
        return false;
    *ret_frame = guard->echoes[0].frame;
    remove_echo(guard, 0);
    guard->counts.unseen++;
    return true;
}

/* ---- what can be asked ---- */

enum lt_guard_state lt_guard_state(const struct lt_guard *guard)
{
    return guard->state;
}

enum lt_guard_stop lt_guard_stop(const struct lt_guard *guard, uint32_t *ret_index,
                                 enum lt_refusal *ret_refusal)
{
    if (ret_index)
        *ret_index = guard->stop_index;
    if (ret_refusal)
        *ret_refusal = guard->stop_refusal;
    return guard->stop;
}

const struct lt_guard_counts *lt_guard_counts(const struct lt_guard *guard)
{
    return &guard->counts;
}

const char *lt_guard_stop_text(enum lt_guard_stop stop)
{
    static const char *const texts[] = {
#define LT_GUARD_STOP_TEXT(name, text) [name] = text,
        LT_GUARD_STOPS(LT_GUARD_STOP_TEXT)
#undef LT_GUARD_STOP_TEXT
    };
    return stop < LT_GUARD_STOP_COUNT ? texts[stop] : "";
}

const char *lt_guard_fate_text(enum lt_guard_fate fate)
{
    static const char *const texts[] = {
        [LT_GUARD_WAITS] = "",
        [LT_GUARD_NOT_ARMED] = "not armed",
        [LT_GUARD_NOT_YET] = "listening first",
        [LT_GUARD_LATE] = "too late",
        [LT_GUARD_ENDED] = "stopped",
        [LT_GUARD_NO_CLEAR] = "nothing to clear",
    };
    return texts[fate];
}
