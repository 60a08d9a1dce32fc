/* A car for the tests of the tester: controllers that answer from a table, on a clock of its own.
 * Nothing here knows how the tester works; what it sends is kept with its time.
 *
 * Rows: who answers (reply identifier), the request's payload in hex ("010C"), the reply's payload
 * ("410C1AF8"), after how many milliseconds. A reply longer than 7 bytes goes in parts, and only
 * after flow control. Payloads of ISO 15765-2, replies within P2 = 50 ms (ISO 15765-4). */
#ifndef TESTS_ASK_CAR_H
#define TESTS_ASK_CAR_H

#include "loomtap/live/ask.h"
#include "loomtap/proto/isotp.h"
#include "proto_frame.h"

#define STEP_NS  (5 * MS)
#define SENT_MAX 4096
#define HEARD    2048

struct row {
    uint32_t reply_id;
    const char *request, *reply;
    int after_ms;
    bool functional_only; /* deaf to requests to it alone */
};

struct sent {
    int64_t time_ns;
    struct lt_frame frame;
};

struct coming {
    int64_t time_ns;
    struct lt_frame frame;
};

struct car {
    const struct row *rows;
    size_t row_count;
    bool asleep;       /* answers nothing */
    int life_every_ms; /* other traffic: 0 none */
    int64_t now_ns, life_ns;
    struct lt_ask *ask;
    struct sent sent[SENT_MAX];
    size_t sent_count;
    struct coming coming[256];
    size_t coming_count;
    /* The reply that waits for flow control, per controller. */
    struct {
        uint32_t reply_id;
        uint8_t bytes[512];
        size_t length;
    } parts[8];
    size_t part_count;
    struct lt_obd_reply heard[HEARD]; /* items' data are copied into data[] */
    uint8_t data[HEARD][64];
    size_t heard_count;
};

static inline size_t bytes_of(const char *hex, uint8_t *ret_bytes)
{
    size_t length = strlen(hex) / 2;
    for (size_t i = 0; i < length; i++) {
        uint64_t value = 0;
        lt_parse_hex((struct lt_text){hex + 2 * i, 2}, &value);
        ret_bytes[i] = (uint8_t)value;
    }
    return length;
}

/* "7DF#02010C0000000000" */
static inline const char *text_of(const struct lt_frame *frame)
{
    static char text[32];
    int at =
        snprintf(text, sizeof text, frame->id > 0x7FF ? "%08X#" : "%03X#", (unsigned)frame->id);
    for (unsigned i = 0; i < frame->len && i < 8; i++)
        at += snprintf(text + at, sizeof text - (size_t)at, "%02X", frame->data[i]);
    return text;
}

static inline void come(struct car *car, int64_t time_ns, const struct lt_frame *frame)
{
    if (car->coming_count < 256)
        car->coming[car->coming_count++] = (struct coming){time_ns, *frame};
}

static inline void segment(struct car *car, uint32_t id, const uint8_t *bytes, size_t length,
                           size_t n, int64_t time_ns)
{
    struct lt_frame frame = {.id = id, .flags = id > 0x7FF ? LT_FRAME_EXTENDED : 0};
    if (lt_isotp_segment(bytes, length, n, 0xAA, &frame))
        come(car, time_ns, &frame);
}

static inline void answer(struct car *car, const struct row *row)
{
    uint8_t bytes[512];
    const char *reply = row->reply;
    int64_t time_ns = car->now_ns + row->after_ms * MS;
    /* "7F0178 then ..": pending first, the rest two seconds later. */
    if (strncmp(reply, "7F", 2) == 0 && strlen(reply) > 6) {
        uint8_t pending[3];
        bytes_of("7F0178", pending);
        pending[1] = (uint8_t)(bytes_of(reply + 2, bytes), bytes[0]);
        segment(car, row->reply_id, pending, 3, 0, time_ns);
        time_ns += 2000 * MS;
        reply += 6;
    }
    size_t length = bytes_of(reply, bytes);
    segment(car, row->reply_id, bytes, length, 0, time_ns);
    if (length <= 7 || car->part_count == 8)
        return;
    car->parts[car->part_count].reply_id = row->reply_id;
    car->parts[car->part_count].length = length;
    memcpy(car->parts[car->part_count++].bytes, bytes, length);
}

static inline void flow(struct car *car, uint32_t reply_id)
{
    for (size_t i = 0; i < car->part_count; i++) {
        if (car->parts[i].reply_id != reply_id)
            continue;
        for (size_t n = 1; 6 + 7 * (n - 1) < car->parts[i].length; n++)
            segment(car, reply_id, car->parts[i].bytes, car->parts[i].length, n,
                    car->now_ns + (int64_t)n * 5 * MS);
        car->parts[i] = car->parts[--car->part_count];
        return;
    }
}

static inline void take_from_tester(struct car *car, const struct lt_frame *frame)
{
    uint32_t partner;
    enum lt_obd_kind kind = lt_obd_classify(frame, &partner);
    bool extended = lt_frame_has(frame, LT_FRAME_EXTENDED);
    if (car->asleep)
        return;
    if (frame->data[0] >> 4 == 3) {
        flow(car, partner);
        return;
    }
    for (size_t i = 0; i < car->row_count; i++) {
        const struct row *row = &car->rows[i];
        uint8_t bytes[8];
        size_t length = bytes_of(row->request, bytes);
        if (extended != (row->reply_id > 0x7FF) || length != frame->data[0] ||
            memcmp(bytes, frame->data + 1, length) != 0)
            continue;
        if (kind == LT_OBD_FUNCTIONAL || (partner == row->reply_id && !row->functional_only))
            answer(car, row);
    }
}

static inline void hear(struct car *car, enum lt_ask_where where, const struct lt_frame *frame)
{
    struct lt_obd_reply reply;
    struct lt_frame stamped = *frame;
    stamped.time_ns = car->now_ns;
    if (!lt_ask_hear(car->ask, where, &stamped, car->now_ns, &reply) || car->heard_count == HEARD)
        return;
    size_t at = 0;
    uint8_t *data = car->data[car->heard_count];
    for (size_t i = 0; i < reply.count; i++) {
        size_t count = reply.item[i].length < 64 - at ? reply.item[i].length : 64 - at;
        memcpy(data + at, reply.item[i].data, count);
        reply.item[i].data = data + at;
        at += count;
    }
    car->heard[car->heard_count++] = reply;
}

static inline void hear_text(struct car *car, const char *text)
{
    struct lt_frame frame = frame_of(text, car->now_ns);
    hear(car, LT_ASK_HERE, &frame);
}

static inline void step(struct car *car)
{
    struct lt_frame frame;
    car->now_ns += STEP_NS;
    for (size_t i = 0; i < car->coming_count;) {
        if (car->coming[i].time_ns > car->now_ns) {
            i++;
            continue;
        }
        frame = car->coming[i].frame;
        memmove(&car->coming[i], &car->coming[i + 1],
                (--car->coming_count - i) * sizeof car->coming[0]);
        hear(car, LT_ASK_HERE, &frame);
    }
    if (car->life_every_ms && car->now_ns - car->life_ns >= car->life_every_ms * MS) {
        car->life_ns = car->now_ns;
        hear_text(car, "0C4#0011223344556677");
    }
    while (lt_ask_next(car->ask, car->now_ns, &frame)) {
        lt_ask_sent(car->ask, true, car->now_ns);
        if (car->sent_count < SENT_MAX)
            car->sent[car->sent_count++] = (struct sent){car->now_ns, frame};
        hear(car, LT_ASK_HERE, &frame); /* the kernel gives it back */
        take_from_tester(car, &frame);
    }
}

static inline void run_ms(struct car *car, int64_t ms)
{
    for (int64_t i = 0; i < ms; i += 5)
        step(car);
}

static inline bool has_ended(const struct car *car)
{
    enum lt_ask_end end;
    return lt_ask_state(car->ask, &end) == LT_ASK_ENDED;
}

static inline enum lt_ask_end run_to_end(struct car *car)
{
    enum lt_ask_end end;
    for (int i = 0; i < 200 * 600 && !has_ended(car); i++)
        step(car);
    lt_ask_state(car->ask, &end);
    return end;
}

static inline size_t count_sent(const struct car *car, const char *text)
{
    size_t count = 0;
    for (size_t i = 0; i < car->sent_count; i++)
        count += strcmp(text_of(&car->sent[i].frame), text) == 0;
    return count;
}

#endif
