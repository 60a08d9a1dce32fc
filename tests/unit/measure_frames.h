/* Frames for tests of the collector: several identifiers with periods, jitter and losses. */
#ifndef LOOMTAP_TESTS_MEASURE_FRAMES_H
#define LOOMTAP_TESTS_MEASURE_FRAMES_H

#include "unit.h"

#include "loomtap/measure/collect.h"

#define MS INT64_C(1000000)

static inline struct lt_collect *begin_collect(const struct lt_collect_options *options)
{
    struct lt_collect *collect;
    assert_int_equal(lt_collect_new(&collect, options, NULL), LT_OK);
    return collect;
}

static inline void add_frame(struct lt_collect *collect, const struct lt_frame *frame)
{
    assert_int_equal(lt_collect_add(collect, frame, NULL), LT_OK);
}

#define TRAFFIC_SOURCES 7

struct traffic {
    uint64_t state;
    struct {
        int64_t next_ns, period_ns;
        uint64_t value;
    } source[TRAFFIC_SOURCES];
};

static inline uint64_t traffic_random(struct traffic *traffic)
{
    traffic->state ^= traffic->state << 13;
    traffic->state ^= traffic->state >> 7;
    traffic->state ^= traffic->state << 17;
    return traffic->state;
}

static inline struct traffic begin_traffic(uint64_t seed)
{
    static const int64_t periods_ms[TRAFFIC_SOURCES] = {10, 10, 20, 20, 50, 100, 1000};
    struct traffic traffic = {.state = seed * 0x9E3779B97F4A7C15 + 1};
    for (unsigned i = 0; i < TRAFFIC_SOURCES; i++) {
        traffic.source[i].period_ns = periods_ms[i] * MS;
        traffic.source[i].next_ns = (int64_t)(traffic_random(&traffic) % 10000000);
        traffic.source[i].value = traffic_random(&traffic);
    }
    return traffic;
}

/* The frame that comes next; one in 64 is lost on the way. */
static inline struct lt_frame next_frame(struct traffic *traffic)
{
    unsigned at = 0;
    for (unsigned i = 1; i < TRAFFIC_SOURCES; i++)
        if (traffic->source[i].next_ns < traffic->source[at].next_ns)
            at = i;
    struct lt_frame frame = {.id = 0x100 + 0x11 * at,
                             .len = (uint8_t)(8 - at % 3),
                             .time_ns = traffic->source[at].next_ns};
    uint64_t moves = 0x00FF0003F0FFFF01 >> at, value = traffic->source[at].value;
    value += traffic_random(traffic) % 4 == 0 ? traffic_random(traffic) & moves : 1;
    for (unsigned byte = 0; byte < 8; byte++)
        frame.data[byte] = (uint8_t)(value >> 8 * byte);
    traffic->source[at].value = value;
    bool lost = traffic_random(traffic) % 64 == 0;
    traffic->source[at].next_ns += (lost ? 2 : 1) * traffic->source[at].period_ns +
                                   (int64_t)(traffic_random(traffic) % 200000) - 100000;
    return frame;
}

#endif
