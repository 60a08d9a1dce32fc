/* The loop of `loomtap guard`: see guarding.h.
 *
 * Three threads. The one that guards reads the interfaces, runs the engine and sends; it writes to
 * no file and no terminal. What there is to write goes through two queues (loomtap/live/outflow.h),
 * one to the thread of the log and one to that of the terminal, so that neither a failing disk nor
 * a held terminal delays a frame, and neither delays the other.
 *
 * Time. The engine gets the kernel's receive stamps. What is due between frames is done by a tick,
 * whose time is taken before the sockets are found empty; a frame that was stamped before a tick
 * and came after it is taken, and logged, at the tick's time. So the log has each frame at the time
 * at which the engine took it, and a rehearsal of the log gives the same events, to the nanosecond.
 */
#include "cli/guarding.h"

#include <errno.h>
#include <inttypes.h>
#include <sched.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <sys/prctl.h>

#include "cli/cautions.h"
#include "cli/stop.h"
#include "loomtap/base/clock.h"
#include "loomtap/base/sink.h"
#include "loomtap/capture/can_send.h"
#include "loomtap/capture/text.h"
#include "loomtap/live/guard.h"
#include "loomtap/live/outflow.h"
#include "loomtap/live/record.h"
#include "loomtap/warn/line.h"
#include "loomtap/warn/warn.h"

#define MS               INT64_C(1000000)
#define LOOK_NS          (100 * MS) /* the longest wait: signals, lost inputs and the like */
#define GATHER_NS        (500 * INT64_C(1000)) /* see gather() */
#define GATHER_MOST      256
#define ECHO_WAIT_NS     (100 * MS) /* at the end, for what was sent to be heard */
#define WRITE_WAIT_NS    (5 * LT_SECOND_NS)
#define LOG_ROOM         ((size_t)16 << 20) /* some 30 s of a full 500 kbit/s bus */
#define TALK_ROOM        ((size_t)1 << 20)
#define EVENTS_END       ".jsonl"
#define FRAME_HEAD_BYTES offsetof(struct lt_frame, data)

enum record_kind { KIND_FRAME, KIND_LINE };            /* for the log */
enum talk_kind { TALK_RESULT, TALK_NOTE, TALK_ERROR }; /* for the terminal */

struct logging { /* of the log's thread, but for the beginning and the end */
    struct lt_record *record;
    struct lt_file_sink events;
    bool has_events;
    const char *const *names;
    uint64_t frames, frames_flushed;
    int64_t flushed_ns;
    struct lt_error error;
    bool is_broken;
};

struct talking { /* of the terminal's thread */
    struct lt_sink out;
    atomic_bool is_broken; /* whoever read the results has gone */
};

struct guard_run {
    const struct guarding *wanted;
    struct lt_can_bus *bus;
    struct lt_can_sender *senders[LT_BUSES_MAX];
    struct lt_warn *warn;
    struct lt_guard *guard;
    struct lt_outflow *log_flow, *talk_flow;
    struct logging logging;
    struct talking talking;
    struct lt_buf buf; /* for a line */
    struct lt_sink line;
    int64_t newest_ns, ticked_ns, first_ns; /* of the capture's clock; LT_NO_TIME */
    int64_t began_ns, lost_looked_ns;
    size_t name_width;
    enum lt_guard_state state; /* as it was said last */
    bool said_stop, engine_ended, is_away[LT_BUSES_MAX];
    bool is_busy; /* frames came in the round before */
    uint64_t frames, taken_late;
    const char *why_ended;
};

/* ---- the log's thread ---- */

static bool fail_log(struct logging *logging)
{
    if (!logging->is_broken && logging->record)
        lt_record_end(logging->record, &logging->error);
    logging->is_broken = true;
    return false;
}

static bool flush_events(struct logging *logging, bool all)
{
    struct lt_sink *sink = &logging->events.sink;
    if (all ? lt_sink_flush(sink) : !sink->failed)
        return true;
    fail_log(logging);
    if (logging->error.code == LT_OK)
        lt_fail(&logging->error, LT_E_IO, "writing %s failed: %s", logging->events.path,
                strerror(sink->failed_errno));
    return false;
}

static bool log_frame(struct logging *logging, const void *bytes, size_t len)
{
    struct lt_frame frame = {0};
    memcpy(&frame, bytes, len);
    logging->frames++;
    return lt_record_put(logging->record, &frame, logging->names[frame.bus]) || fail_log(logging);
}

static bool log_take(void *context, unsigned kind, const void *bytes, size_t len)
{
    struct logging *logging = context;
    if (kind == KIND_FRAME)
        return log_frame(logging, bytes, len);
    lt_sink_put(&logging->events.sink, bytes, len);
    return flush_events(logging, false);
}

static bool log_idle(void *context)
{
    struct logging *logging = context;
    int64_t now_ns = lt_clock_ns(CLOCK_MONOTONIC);
    if (now_ns - logging->flushed_ns < LT_SECOND_NS)
        return true;
    logging->flushed_ns = now_ns;
    if (!lt_record_tick(logging->record, now_ns))
        return fail_log(logging);
    if (!flush_events(logging, true))
        return false;
    logging->frames_flushed = logging->frames;
    return true;
}

static enum lt_code open_log(struct guard_run *run, struct lt_error *error)
{
    const struct guarding *wanted = run->wanted;
    struct logging *logging = &run->logging;
    const struct lt_record_options options = {.writing.form = wanted->form};
    const struct lt_outflow_work work = {.context = logging, .take = log_take, .idle = log_idle};
    char path[4096];
    if (!wanted->log)
        return LT_OK;
    if (lt_text_format(path, sizeof path, "%s" EVENTS_END, wanted->log) >= sizeof path - 1)
        return lt_fail(error, LT_E_LIMIT, "--log: the name is too long");
    logging->names = wanted->names;
    enum lt_code code = lt_record_open(&logging->record, wanted->log, &options, error);
    if (code == LT_OK)
        code = lt_file_sink_open_growing(&logging->events, path, error);
    logging->has_events = code == LT_OK;
    return code == LT_OK ? lt_outflow_start(&run->log_flow, &work, LOG_ROOM, error) : code;
}

/* ---- the terminal's thread ---- */

static bool talk_take(void *context, unsigned kind, const void *bytes, size_t len)
{
    struct talking *talking = context;
    if (kind == TALK_RESULT) {
        lt_sink_put(&talking->out, bytes, len);
        if (!lt_sink_flush(&talking->out))
            atomic_store(&talking->is_broken, true);
        return true;
    }
    if (kind == TALK_ERROR)
        complain("%.*s", (int)len, (const char *)bytes);
    else
        say(false, "%.*s\n", (int)len, (const char *)bytes);
    return true;
}

static enum lt_code open_talk(struct guard_run *run, struct lt_error *error)
{
    const struct lt_outflow_work work = {.context = &run->talking, .take = talk_take};
    lt_sink_init_fd(&run->talking.out, STDOUT_FILENO);
    return lt_outflow_start(&run->talk_flow, &work, TALK_ROOM, error);
}

/* ---- lines ---- */

static struct lt_sink *begin_line(struct guard_run *run)
{
    lt_buf_clear(&run->buf);
    lt_sink_init_buf(&run->line, &run->buf);
    return &run->line;
}

/* Into the log of events and, with --json, onto the terminal. */
static void end_json(struct guard_run *run)
{
    lt_sink_char(&run->line, '\n');
    if (!lt_sink_flush(&run->line))
        return;
    if (run->log_flow)
        lt_outflow_put(run->log_flow, KIND_LINE, run->buf.at, run->buf.len);
    if (run->wanted->json)
        lt_outflow_put(run->talk_flow, TALK_RESULT, run->buf.at, run->buf.len);
}

static void end_text(struct guard_run *run)
{
    if (lt_sink_flush(&run->line))
        lt_outflow_put(run->talk_flow, TALK_RESULT, run->buf.at, run->buf.len);
}

static int64_t from_start(const struct guard_run *run, int64_t time_ns)
{
    return run->first_ns == LT_NO_TIME ? 0 : time_ns - run->first_ns;
}

/* What happens beside events and frames: `text` for people and, as `note`, for programs. */
static void note(struct guard_run *run, enum talk_kind kind, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
static void note(struct guard_run *run, enum talk_kind kind, const char *format, ...)
{
    char text[500];
    struct lt_json json;
    va_list args;
    va_start(args, format);
    size_t len = lt_text_vformat(text, sizeof text, format, args);
    va_end(args);
    if (kind == TALK_ERROR || !run->wanted->quiet)
        lt_outflow_put(run->talk_flow, kind, text, len);
    lt_json_init(&json, begin_line(run));
    lt_json_open(&json, NULL, '{');
    lt_warn_time_json(&json, lt_clock_ns(CLOCK_REALTIME));
    lt_json_string(&json, "note", text);
    lt_json_close(&json, '}');
    end_json(run);
}

static void tell_event(void *context, const struct lt_warn_event *event)
{
    struct guard_run *run = context;
    const struct lt_profile *profile = run->wanted->profile;
    struct lt_json json;
    lt_json_init(&json, begin_line(run));
    lt_json_open(&json, NULL, '{');
    lt_warn_event_json(run->warn, profile, event, &json);
    lt_json_close(&json, '}');
    end_json(run);
    if (run->wanted->json)
        return;
    lt_warn_event_text(run->warn, profile, event, from_start(run, event->time_ns), run->name_width,
                       begin_line(run));
    end_text(run);
}

static const char *name_of_bus(const struct guard_run *run, uint32_t index)
{
    uint16_t bus = run->wanted->bus_of_frame[index];
    return bus == LT_WARN_NO_BUS ? "" : run->wanted->names[bus];
}

/* sent_ns LT_NO_TIME: it did not go out, and `why` says why. */
static void tell_frame(struct guard_run *run, uint32_t index, const struct lt_frame *frame,
                       bool is_clear, int64_t sent_ns, const char *why)
{
    char text[LT_FRAME_TEXT_ROOM + 1], time[LT_WARN_TIME_ROOM];
    const char *bus = name_of_bus(run, index);
    bool is_sent = sent_ns != LT_NO_TIME;
    struct lt_json json;
    text[lt_frame_print(frame, text)] = '\0';
    lt_json_init(&json, begin_line(run));
    lt_json_open(&json, NULL, '{');
    lt_warn_time_json(&json, frame->time_ns);
    lt_json_string(&json, "bus", bus);
    lt_json_string(&json, "frame", text);
    lt_json_bool(&json, "sent", is_sent);
    if (is_sent)
        lt_json_raw(&json, "sent_s", (struct lt_text){time, lt_warn_time_text(sent_ns, time)});
    else
        lt_json_string(&json, "why", why);
    if (is_clear)
        lt_json_bool(&json, "all_clear", true);
    lt_json_close(&json, '}');
    end_json(run);
    if (run->wanted->json || !run->wanted->frames)
        return;
    lt_warn_time_text(from_start(run, frame->time_ns), time);
    lt_sink_format(begin_line(run), "%14s  %-*s  %-4s  %-9s  %s%s%s%s\n", time,
                   (int)run->name_width, run->wanted->profile->frames[index].name,
                   is_sent ? "sent" : "not", bus, text, is_clear ? "  all-clear" : "",
                   is_sent ? "" : "  ", is_sent ? "" : why);
    end_text(run);
}

/* ---- out ---- */

/* From the engine. */
static void take_wanted(void *context, uint32_t index, const struct lt_frame *frame, bool is_clear)
{
    struct guard_run *run = context;
    enum lt_guard_fate fate =
        lt_guard_wants(run->guard, index, frame, is_clear, lt_clock_ns(CLOCK_REALTIME));
    if (fate != LT_GUARD_WAITS)
        tell_frame(run, index, frame, is_clear, LT_NO_TIME, lt_guard_fate_text(fate));
}

static void send_one(struct guard_run *run, const struct lt_guard_out *out, int64_t now_ns)
{
    struct lt_error error;
    int64_t real_ns = lt_clock_ns(CLOCK_REALTIME);
    bool is_taken =
        lt_can_sender_send(run->senders[out->frame.bus], &out->frame, 0, &error) == LT_OK;
    lt_guard_sent(run->guard, now_ns, real_ns, is_taken);
    tell_frame(run, out->index, &out->frame, out->is_clear, is_taken ? real_ns : LT_NO_TIME,
               is_taken ? "" : error.text);
    if (!is_taken)
        note(run, TALK_ERROR, "%s%s%s", error.text, error.advice[0] ? "; " : "", error.advice);
}

static void send_due(struct guard_run *run)
{
    struct lt_guard_out out;
    while (lt_guard_due_ns(run->guard) != INT64_MAX) {
        int64_t now_ns = lt_clock_ns(CLOCK_MONOTONIC);
        if (!lt_guard_next(run->guard, now_ns, &out))
            break;
        send_one(run, &out, now_ns);
    }
}

/* ---- in ---- */

static void log_one(struct guard_run *run, const struct lt_frame *frame)
{
    if (run->log_flow)
        lt_outflow_put(run->log_flow, KIND_FRAME, frame, FRAME_HEAD_BYTES + frame->len);
}

/* The time at which the engine takes it: see above. */
static void set_time(struct guard_run *run, struct lt_frame *frame)
{
    if (run->first_ns == LT_NO_TIME)
        run->first_ns = frame->time_ns;
    if (run->newest_ns != LT_NO_TIME && frame->time_ns < run->newest_ns &&
        run->newest_ns - frame->time_ns <= LT_WARN_BACK_NS) {
        frame->time_ns = run->newest_ns;
        run->taken_late++;
    }
    if (frame->time_ns < run->newest_ns)
        run->ticked_ns = LT_NO_TIME; /* the clock was set back */
    run->newest_ns = frame->time_ns;
}

static void take_frame(struct guard_run *run, const struct lt_frame *heard, int64_t now_ns)
{
    struct lt_frame frame = *heard;
    frame.time_len = 0; /* the time may change */
    run->frames++;
    set_time(run, &frame);
    lt_guard_heard(run->guard, &frame, now_ns);
    log_one(run, &frame);
    if (!run->engine_ended)
        lt_warn_frame(run->warn, &frame);
}

static void take_away(struct guard_run *run, uint16_t bus, bool gone)
{
    lt_guard_bus_away(run->guard, bus, gone);
    if (!run->is_away[bus])
        note(run, TALK_NOTE, "%s: the interface is %s", run->wanted->names[bus],
             gone ? "gone" : "down");
    run->is_away[bus] = true;
}

static void take_heard(struct guard_run *run, enum lt_can_event event,
                       const struct lt_can_heard *heard, int64_t now_ns)
{
    switch (event) {
    case LT_CAN_FRAME:
        take_frame(run, heard->frame, now_ns);
        break;
    case LT_CAN_DOWN:
    case LT_CAN_GONE:
        take_away(run, heard->bus, event == LT_CAN_GONE);
        break;
    case LT_CAN_BACK:
        run->is_away[heard->bus] = false;
        note(run, TALK_NOTE, "%s: back after %.1f s", run->wanted->names[heard->bus],
             (double)heard->gap_ns / 1e9);
        break;
    case LT_CAN_TIMEOUT:
        break;
    }
}

/* What the interface took and the bus did not give back stands in the log all the same. */
static void log_unseen(struct guard_run *run, int64_t now_ns)
{
    struct lt_frame frame;
    while (lt_guard_unseen(run->guard, now_ns, &frame)) {
        frame.flags |= LT_FRAME_SENT;
        if (run->newest_ns != LT_NO_TIME)
            frame.time_ns = run->newest_ns;
        log_one(run, &frame);
    }
}

/* ---- states ---- */

static void say_stop(struct guard_run *run)
{
    uint32_t index;
    enum lt_refusal refusal;
    enum lt_guard_stop why = lt_guard_stop(run->guard, &index, &refusal);
    const struct lt_profile *profile = run->wanted->profile;
    char what[200] = "";
    if (why == LT_GUARD_GOES_ON || run->said_stop)
        return;
    run->said_stop = true;
    if (index != LT_NONE && refusal != LT_REFUSE_NOTHING)
        lt_text_format(what, sizeof what, ": frame %s (%X) on %s: %s", profile->frames[index].name,
                       profile->frames[index].id, name_of_bus(run, index),
                       lt_refusal_text(refusal));
    else if (index != LT_NONE)
        lt_text_format(what, sizeof what, ": %s", name_of_bus(run, index));
    if (run->state == LT_GUARD_SHOWING)
        note(run, TALK_NOTE, "armed, this would end it: %s%s", lt_guard_stop_text(why), what);
    else
        note(run, TALK_ERROR, "%s: %s%s; nothing is sent any more",
             why == LT_GUARD_REFUSED || why == LT_GUARD_SILENT ? "refused" : "stopped",
             lt_guard_stop_text(why), what);
}

static void look_at_state(struct guard_run *run)
{
    enum lt_guard_state state = lt_guard_state(run->guard);
    if (state != run->state && state == LT_GUARD_SENDING)
        note(run, TALK_NOTE, "listened for %.1f s: from now on frames are sent",
             (double)run->wanted->listen_ns / 1e9);
    run->state = state;
    say_stop(run);
    if (state == LT_GUARD_STOPPED)
        run->why_ended = lt_guard_stop_text(lt_guard_stop(run->guard, NULL, NULL));
}

static void look_at_inputs(struct guard_run *run, int64_t now_ns)
{
    size_t count = lt_warn_input_count(run->warn);
    bool all_lost = count > 0;
    if (now_ns - run->lost_looked_ns < LOOK_NS)
        return;
    run->lost_looked_ns = now_ns;
    for (size_t i = 0; i < count && all_lost; i++)
        all_lost = lt_warn_input(run->warn, (uint32_t)i)->loss != LT_WARN_NOT_LOST;
    lt_guard_inputs(run->guard, all_lost, now_ns);
}

static bool is_over(struct guard_run *run, int64_t now_ns)
{
    if (run->why_ended)
        return true;
    if (stop_asked)
        run->why_ended = "a signal";
    else if (run->wanted->duration_ns && now_ns - run->began_ns >= run->wanted->duration_ns)
        run->why_ended = "the time";
    else if (!run->wanted->armed && atomic_load(&run->talking.is_broken))
        run->why_ended = "nobody reading the results";
    return run->why_ended != NULL;
}

/* ---- the loop ---- */

static int64_t sooner(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

/* Is something due that a tick would do? After a tick that did not do it, only a frame can. */
static bool wants_tick(const struct guard_run *run, int64_t real_ns)
{
    int64_t next_ns = lt_warn_next_ns(run->warn);
    return run->newest_ns != LT_NO_TIME && !run->engine_ended && next_ns <= real_ns &&
           next_ns > run->ticked_ns;
}

static int64_t wait_for(const struct guard_run *run, int64_t now_ns, int64_t real_ns)
{
    int64_t next_ns = lt_warn_next_ns(run->warn), due_ns = lt_guard_due_ns(run->guard);
    int64_t wait_ns = LOOK_NS;
    if (run->newest_ns != LT_NO_TIME && !run->engine_ended && next_ns > real_ns)
        wait_ns = sooner(wait_ns, next_ns - real_ns);
    if (due_ns != INT64_MAX)
        wait_ns = sooner(wait_ns, due_ns > now_ns ? due_ns - now_ns : 0);
    return wait_ns;
}

/* The clock may have been set back: then a frame decides what that means. */
static void tick(struct guard_run *run, int64_t real_ns)
{
    run->ticked_ns = real_ns;
    if (real_ns < run->newest_ns)
        return;
    run->newest_ns = real_ns;
    lt_warn_tick(run->warn, real_ns);
}

/* To be woken by each frame of a full bus is most of what guarding costs. While frames come one on
 * the heels of the other they are let gather for a moment, well below the millisecond within which
 * a condition shall bring its frame. The time left to wait is given: none, after such a moment. */
static int64_t gather(const struct guard_run *run, int64_t wait_ns)
{
    if (!run->is_busy || wait_ns < GATHER_NS)
        return wait_ns;
    nanosleep(&(struct timespec){0, GATHER_NS}, NULL);
    return 0;
}

static void one_round(struct guard_run *run)
{
    struct lt_can_heard heard;
    int64_t now_ns = lt_clock_ns(CLOCK_MONOTONIC), real_ns = lt_clock_ns(CLOCK_REALTIME);
    if (!lt_guard_alive(run->guard, now_ns))
        note(run, TALK_NOTE, "this process stood still for more than a second%s",
             lt_guard_state(run->guard) == LT_GUARD_LISTENING ? ": listening anew" : "");
    look_at_inputs(run, now_ns);
    look_at_state(run);
    send_due(run);
    log_unseen(run, now_ns);
    bool ticks = wants_tick(run, real_ns);
    int64_t wait_ns = ticks ? 0 : wait_for(run, now_ns, real_ns);
    enum lt_can_event event = lt_can_bus_next(run->bus, gather(run, wait_ns), &heard);
    run->is_busy = event == LT_CAN_FRAME;
    for (int i = 0; i < GATHER_MOST && event != LT_CAN_TIMEOUT; i++) {
        take_heard(run, event, &heard, now_ns);
        send_due(run);
        event = lt_can_bus_next(run->bus, 0, &heard);
    }
    if (ticks && event == LT_CAN_TIMEOUT)
        tick(run, real_ns);
}

/* The all-clear waits for its slot; then what was sent has a moment to be heard. */
static void finish(struct guard_run *run)
{
    bool normal = lt_guard_state(run->guard) == LT_GUARD_SENDING;
    if (run->newest_ns != LT_NO_TIME)
        lt_warn_end(run->warn, run->newest_ns, normal);
    run->engine_ended = true;
    int64_t ended_ns = run->newest_ns;
    while (normal && lt_guard_due_ns(run->guard) != INT64_MAX &&
           lt_guard_state(run->guard) == LT_GUARD_SENDING)
        one_round(run);
    int64_t until_ns = lt_clock_ns(CLOCK_MONOTONIC) + ECHO_WAIT_NS;
    while (lt_clock_ns(CLOCK_MONOTONIC) < until_ns)
        one_round(run);
    log_unseen(run, INT64_MAX);
    struct lt_json json;
    lt_json_init(&json, begin_line(run));
    lt_json_open(&json, NULL, '{');
    if (ended_ns == LT_NO_TIME)
        lt_json_null(&json, "time_s");
    else
        lt_warn_time_json(&json, ended_ns);
    lt_json_string(&json, "ended_by", run->why_ended);
    lt_json_u64(&json, "sent", lt_guard_counts(run->guard)->sent);
    lt_json_u64(&json, "left_out", lt_guard_counts(run->guard)->left_out);
    lt_json_u64(&json, "taken_late", run->taken_late);
    lt_json_close(&json, '}');
    end_json(run);
}

/* ---- beginning ---- */

static void tell_begin(struct guard_run *run)
{
    const struct guarding *wanted = run->wanted;
    struct lt_json json;
    lt_json_init(&json, begin_line(run));
    lt_json_open(&json, NULL, '{');
    lt_warn_time_json(&json, lt_clock_ns(CLOCK_REALTIME));
    lt_json_string(&json, "program", "loomtap " LOOMTAP_VERSION);
    lt_json_string(&json, "profile", wanted->profile->name);
    lt_json_string(&json, "profile_hash", wanted->profile->hash);
    lt_json_bool(&json, "armed", wanted->armed);
    lt_json_string(&json, "proof", wanted->proof);
    lt_json_string(&json, "reason", wanted->reason);
    lt_json_open(&json, "buses", '[');
    for (size_t i = 0; i < wanted->bus_count; i++)
        lt_json_string(&json, NULL, wanted->names[i]);
    lt_json_close(&json, ']');
    lt_json_close(&json, '}');
    end_json(run);
}

static void begin_text(struct guard_run *run)
{
    const struct lt_profile *profile = run->wanted->profile;
    for (size_t i = 0; i < profile->warning_count; i++)
        if (strlen(profile->warnings[i].name) > run->name_width)
            run->name_width = strlen(profile->warnings[i].name);
    if (run->wanted->frames && run->name_width < LT_NAME_MAX / 2)
        run->name_width = LT_NAME_MAX / 2;
    if (run->wanted->json)
        return;
    lt_sink_format(begin_line(run), "%14s  %-*s  %-4s  %-9s  %s\n", "at s", (int)run->name_width,
                   "warning", "", "cause", "inputs");
    end_text(run);
}

static enum lt_code open_senders(struct guard_run *run, bool *ret_virtual, struct lt_error *error)
{
    const struct lt_profile *profile = run->wanted->profile;
    *ret_virtual = true;
    for (size_t i = 0; i < profile->warning_count; i++) {
        uint32_t send = profile->warnings[i].send;
        if (send == LT_NONE)
            continue;
        uint16_t bus = run->wanted->bus_of_frame[send];
        enum lt_code code = LT_OK;
        if (!run->senders[bus])
            code = lt_can_sender_open(&run->senders[bus], run->wanted->names[bus], error);
        if (code != LT_OK)
            return code;
        *ret_virtual = *ret_virtual && lt_can_sender_is_virtual(run->senders[bus]);
    }
    return LT_OK;
}

static int fail(const struct lt_error *error)
{
    say_error(error);
    return error->code == LT_E_CONFLICT ? EXIT_NO : EXIT_SYSTEM;
}

static int arm(struct guard_run *run)
{
    struct lt_error error;
    bool all_virtual;
    if (!run->wanted->armed)
        return EXIT_FINE;
    if (open_senders(run, &all_virtual, &error) != LT_OK)
        return fail(&error);
    return accept_cautions("guard", "sends the frames of the profile's warnings",
                           run->wanted->cautions_read, all_virtual);
}

static enum lt_code make_parts(struct guard_run *run, struct lt_error *error)
{
    const struct guarding *wanted = run->wanted;
    const struct lt_warn_sink sink = {.context = run, .event = tell_event, .send = take_wanted};
    const struct lt_guard_options options = {.profile = wanted->profile,
                                             .buses = wanted->bus_of_frame,
                                             .armed = wanted->armed,
                                             .listen_ns = wanted->listen_ns};
    enum lt_code code = lt_warn_new(&run->warn, wanted->profile, wanted->bindings,
                                    wanted->binding_count, &sink, error);
    return code == LT_OK ? lt_guard_new(&run->guard, &options, error) : code;
}

/* ---- the end ---- */

static void say_counts(const struct guard_run *run)
{
    const struct lt_guard_counts *counts = lt_guard_counts(run->guard);
    bool quiet = run->wanted->quiet;
    lt_can_bus_count_drops(run->bus);
    say(quiet, "%" PRIu64 " frames heard; ended by %s\n", run->frames, run->why_ended);
    for (size_t i = 0; i < run->wanted->bus_count; i++) {
        const struct lt_can_bus_state *state = lt_can_bus_state(run->bus, i);
        if (state->drops)
            say(false, "%s: %" PRIu64 " frames were lost in the kernel's queue\n",
                run->wanted->names[i], state->drops);
    }
    if (run->wanted->armed)
        say(quiet,
            "%" PRIu64 " frames sent, all-clears among them: %" PRIu64
            "; at most %.3f ms behind their time\n",
            counts->sent, counts->clears, (double)counts->late_most_ns / 1e6);
    if (counts->left_out)
        say(false, "%" PRIu64 " frames were left out: this machine was late\n", counts->left_out);
    if (counts->unseen)
        say(false, "%" PRIu64 " frames were taken by the interface and not heard on the bus\n",
            counts->unseen);
}

/* What is lost in writing is said, and is a fault of the system. */
static int end_log(struct guard_run *run)
{
    struct logging *logging = &run->logging;
    struct lt_error error;
    uint64_t lost = 0;
    if (!run->log_flow)
        return EXIT_FINE;
    if (!lt_outflow_end(run->log_flow, WRITE_WAIT_NS, &lost)) {
        logging->record = NULL; /* they are its thread's for good */
        logging->has_events = false;
        complain("the log is not written to its end: the disk does not answer");
        return EXIT_SYSTEM;
    }
    if (!logging->is_broken && lt_record_end(logging->record, &logging->error) != LT_OK)
        logging->is_broken = true;
    if (lt_file_sink_commit(&logging->events, &error) != LT_OK && !logging->is_broken) {
        logging->is_broken = true;
        logging->error = error;
    }
    logging->has_events = false;
    if (logging->is_broken) {
        say_error(&logging->error);
        lost += logging->frames - logging->frames_flushed;
    }
    if (lost)
        complain("the log misses up to %" PRIu64 " frames and lines: the disk was full or too slow",
                 lost);
    return lost || logging->is_broken ? EXIT_SYSTEM : EXIT_FINE;
}

static int status_of_end(const struct guard_run *run)
{
    switch (lt_guard_stop(run->guard, NULL, NULL)) {
    case LT_GUARD_GOES_ON:
        break;
    case LT_GUARD_REFUSED:
    case LT_GUARD_SILENT:
        return run->wanted->armed ? EXIT_NO : EXIT_FINE;
    default:
        return run->wanted->armed ? EXIT_SYSTEM : EXIT_FINE;
    }
    if (run->frames == 0)
        say(run->wanted->quiet, "no frame came: is the bus awake, the bit rate right?\n");
    return run->frames == 0 ? EXIT_NO : EXIT_FINE;
}

static int end(struct guard_run *run)
{
    uint64_t lost = 0;
    int status = EXIT_FINE;
    if (!lt_outflow_end(run->talk_flow, LT_SECOND_NS, &lost)) {
        /* The thread holds the terminal: nothing more is said there. */
        return worse(end_log(run), status_of_end(run));
    }
    if (lost)
        say(false, "%" PRIu64 " lines were not shown: the terminal was too slow\n", lost);
    if (run->talking.out.failed)
        status = EXIT_SYSTEM;
    status = worse(status, end_log(run));
    say_counts(run);
    return worse(status, status_of_end(run));
}

/* This thread alone; the others are there already. The usual slack of a sleep, 50 us, is too much
 * of a millisecond. Where it is permitted it goes before what else the machine does: it is awake
 * for less than a twentieth of the time, and what it may delay is less urgent than a frame. */
static void hurry(void)
{
    const struct sched_param least = {.sched_priority = 1};
    prctl(PR_SET_TIMERSLACK, 1000UL, 0UL, 0UL, 0UL);
    sched_setscheduler(0, SCHED_FIFO | SCHED_RESET_ON_FORK, &least);
}

static int work(struct guard_run *run)
{
    struct lt_error error;
    int status = EXIT_FINE;
    if (make_parts(run, &error) != LT_OK)
        return fail(&error);
    status = arm(run);
    if (status != EXIT_FINE)
        return status;
    if (lt_can_bus_open(&run->bus, run->wanted->names, run->wanted->bus_count, run->wanted->bus,
                        &error) != LT_OK ||
        open_log(run, &error) != LT_OK || open_talk(run, &error) != LT_OK)
        return fail(&error);
    stop_on_signals();
    if (run->wanted->armed)
        hurry();
    run->state = lt_guard_state(run->guard);
    tell_begin(run);
    begin_text(run);
    run->began_ns = lt_clock_ns(CLOCK_MONOTONIC);
    while (!is_over(run, lt_clock_ns(CLOCK_MONOTONIC)))
        one_round(run);
    finish(run);
    return end(run);
}

static void release(struct guard_run *run)
{
    if (run->logging.has_events)
        lt_file_sink_abort(&run->logging.events);
    lt_record_free(run->logging.record);
    lt_warn_free(run->warn);
    lt_guard_free(run->guard);
    lt_can_bus_free(run->bus);
    for (size_t i = 0; i < LT_BUSES_MAX; i++)
        lt_can_sender_free(run->senders[i]);
    lt_buf_release(&run->buf);
}

int guard_buses(const struct guarding *wanted)
{
    static struct guard_run run; /* large, and a thread that is given up may still look at it */
    run.wanted = wanted;
    run.newest_ns = run.ticked_ns = run.first_ns = LT_NO_TIME;
    lt_buf_init(&run.buf, 0);
    int status = work(&run);
    release(&run);
    return status;
}
