/* The warning engine alone: all frames of a capture from memory, ROUNDS times one after another.
 * Or, with `guard`, all that `loomtap guard` does with a frame but for the system calls: the gate,
 * the engine, the queue to the log; with LOG also the log's own thread, which writes there.
 *
 *     bench_warn CAPTURE PROFILE ROUNDS [guard [LOG]]
 *
 * Prints frames fed, events and frames to send, and the time a frame takes. What one round costs is
 * the difference between two runs: see live_instructions.py. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "held_capture.h"
#include "loomtap/base/clock.h"
#include "loomtap/base/number.h"
#include "loomtap/live/guard.h"
#include "loomtap/live/outflow.h"
#include "loomtap/live/record.h"
#include "loomtap/warn/warn.h"

#define LOG_ROOM   ((size_t)64 << 20)
#define HEAD_BYTES offsetof(struct lt_frame, data)

static uint64_t events, sent;

static void count_event(void *context, const struct lt_warn_event *event)
{
    (void)context;
    (void)event;
    events++;
}

static struct lt_guard *guard;
static struct lt_outflow *flow;
static struct lt_record *record;

static void count_frame(void *context, uint32_t index, const struct lt_frame *frame, bool is_clear)
{
    (void)context;
    if (guard)
        lt_guard_wants(guard, index, frame, is_clear, frame->time_ns);
    else
        sent++;
}

/* ---- with a guard ---- */

static bool write_frame(void *context, unsigned kind, const void *bytes, size_t len)
{
    struct lt_frame frame = {0};
    (void)kind;
    memcpy(&frame, bytes, len);
    frame.time_len = 0; /* the text was the reader's */
    return lt_record_put(context, &frame, "can0");
}

static void begin_guard(const struct lt_profile *profile, const char *log)
{
    static uint16_t buses[LT_FRAMES_MAX];
    const struct lt_guard_options options = {
        .profile = profile, .buses = buses, .armed = true, .listen_ns = LT_GUARD_LISTEN_NS};
    const struct lt_record_options recording = {.writing.form = "log"};
    if (lt_guard_new(&guard, &options, NULL) != LT_OK ||
        (log && lt_record_open(&record, log, &recording, NULL) != LT_OK))
        exit(4);
    const struct lt_outflow_work work = {.context = record, .take = write_frame};
    if (log && lt_outflow_start(&flow, &work, LOG_ROOM, NULL) != LT_OK)
        exit(4);
}

static void send_due(int64_t now_ns)
{
    struct lt_guard_out out;
    struct lt_frame unseen;
    while (lt_guard_next(guard, now_ns, &out)) {
        lt_guard_sent(guard, now_ns, now_ns, true);
        sent++;
    }
    while (lt_guard_unseen(guard, now_ns, &unseen))
        ;
}

static void feed_guard(struct lt_warn *warn, const struct lt_frame *frame)
{
    lt_guard_alive(guard, frame->time_ns);
    lt_guard_heard(guard, frame, frame->time_ns);
    if (flow)
        lt_outflow_put(flow, 0, frame, HEAD_BYTES + frame->len);
    lt_warn_frame(warn, frame);
    send_due(frame->time_ns);
}

static struct lt_warn *make(const struct held_capture *held)
{
    const struct lt_warn_sink sink = {.event = count_event, .send = count_frame};
    struct lt_warn *warn;
    if (lt_warn_new(&warn, held->profile, held->bindings, held->binding_count, &sink, NULL) !=
        LT_OK)
        exit(4);
    return warn;
}

int main(int argc, char **argv)
{
    uint64_t rounds;
    if (argc < 4 || argc > 6 || !lt_parse_u64(lt_text_of(argv[3]), &rounds))
        return 2;
    struct held_capture *held = hold_capture(argv[1], argv[2]);
    struct lt_warn *warn = make(held);
    if (argc > 4)
        begin_guard(held->profile, argc > 5 ? argv[5] : NULL);
    int64_t began_ns = lt_clock_ns(CLOCK_MONOTONIC);
    for (uint64_t round = 0; round < rounds; round++) {
        for (size_t i = 0; i < held->count; i++)
            if (guard)
                feed_guard(warn, &held->frames[i]);
            else
                lt_warn_frame(warn, &held->frames[i]);
        next_round(held);
    }
    int64_t took_ns = lt_clock_ns(CLOCK_MONOTONIC) - began_ns;
    uint64_t lost = 0;
    if (lt_outflow_end(flow, INT64_C(600000000000), &lost))
        lt_record_free(record);
    uint64_t fed = lt_warn_counts(warn)->frames;
    printf("%" PRIu64 " frames, %" PRIu64 " events, %" PRIu64 " sent, %" PRIu64
           " lost, %.0f ns a frame\n",
           fed, events, sent, lost, fed ? (double)took_ns / (double)fed : 0.0);
    lt_guard_free(guard);
    lt_warn_free(warn);
    return 0;
}
