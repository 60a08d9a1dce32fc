/* Streams of frames made by hand, for tests of what looks for selectors and counters: the test
 * fills rows, some of them get lost, and the flags are as the collector gives them. */
#ifndef LOOMTAP_TESTS_MEASURE_STREAM_H
#define LOOMTAP_TESTS_MEASURE_STREAM_H

#include "unit.h"

#include "loomtap/core/frame.h"
#include "loomtap/measure/kept.h"

#define STREAM_ROWS_MAX 8192
#define STREAM_MS       INT64_C(1000000)

struct stream {
    struct lt_kept kept;
    int64_t period_ns;
    uint64_t state; /* of the random numbers */
    size_t sent;
    int64_t time_ns[STREAM_ROWS_MAX];
    uint8_t flags[STREAM_ROWS_MAX];
    uint8_t bytes[STREAM_ROWS_MAX * 8 + 8];
};

static inline uint64_t stream_random(struct stream *s)
{
    s->state ^= s->state << 13;
    s->state ^= s->state >> 7;
    s->state ^= s->state << 17;
    return s->state;
}

static inline unsigned stream_below(struct stream *s, unsigned limit)
{
    return (unsigned)(stream_random(s) >> 20) % limit;
}

static inline void stream_begin(struct stream *s, uint64_t seed, uint8_t length, int64_t period_ns)
{
    memset(s, 0, sizeof *s);
    s->state = (seed + 1) * 0x9E3779B97F4A7C15;
    s->period_ns = period_ns;
    s->kept = (struct lt_kept){.key = {.id = 0x123, .length = length},
                               .time_ns = s->time_ns,
                               .flags = s->flags,
                               .bytes = s->bytes,
                               .whole = true};
    for (unsigned i = 0; i < 8; i++)
        stream_random(s);
}

/* The frame is sent one period after the one before it (event-driven: at any time after), and kept
 * unless it got lost. */
static inline void stream_send(struct stream *s, const uint8_t *data, bool lost)
{
    size_t row = s->kept.count;
    int64_t step_ns = s->period_ns ? s->period_ns : (int64_t)(1 + stream_below(s, 900)) * STREAM_MS;
    int64_t at_ns = (row || s->sent ? s->time_ns[row] : 0) + step_ns;
    s->sent++;
    s->time_ns[row] = at_ns; /* kept for the next one if this is lost */
    if (lost)
        return;
    assert_true(row + 1 < STREAM_ROWS_MAX);
    memcpy(s->bytes + row * s->kept.key.length, data, s->kept.key.length);
    s->flags[row] = row == 0 ? 0 : LT_KEPT_FOLLOWS;
    if (row && (s->period_ns == 0 || at_ns - s->time_ns[row - 1] <= s->period_ns * 3 / 2))
        s->flags[row] |= LT_KEPT_NEXT;
    s->time_ns[row + 1] = at_ns;
    s->kept.count++;
}

/* Most recent rows fall out, as the collector thins long captures: every second run of `run`. */
static inline void stream_thin(struct stream *s, size_t run)
{
    size_t to = 0, length = s->kept.key.length;
    for (size_t row = 0; row < s->kept.count; row++) {
        if (row / run % 2)
            continue;
        memmove(s->bytes + to * length, s->bytes + row * length, length);
        s->time_ns[to] = s->time_ns[row];
        s->flags[to++] = row % run == 0 ? 0 : s->flags[row];
    }
    s->kept.count = to;
    s->kept.whole = false;
}

static inline struct lt_bits stream_bits(const char *text)
{
    struct lt_bits bits = {0};
    assert_true(lt_bits_parse(lt_text_of(text), &bits));
    return bits;
}

static inline void stream_put(uint8_t *data, const char *place, uint64_t raw)
{
    struct lt_bits bits = stream_bits(place);
    lt_bits_put(data, &bits, raw);
}

/* A number that wanders by steps of up to `most`, kept inside 0..limit. */
static inline int stream_wander(struct stream *s, int value, int most, int limit)
{
    value += (int)stream_below(s, (unsigned)(2 * most + 1)) - most;
    return value < 0 ? 0 : value > limit ? limit : value;
}

#endif
