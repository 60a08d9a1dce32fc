/* Recordings put together frame by frame, and their survey, for tests of what a survey says of
 * whole buses. All randomness comes from a seed. */
#ifndef LOOMTAP_TESTS_MADE_BUS_H
#define LOOMTAP_TESTS_MADE_BUS_H

#include <math.h>

#include "unit.h"

#include "loomtap/core/frame.h"
#include "loomtap/survey/survey.h"

#define MADE_MS INT64_C(1000000)
#define MADE_S  INT64_C(1000000000)

struct made_bus {
    struct lt_frame *frames;
    size_t count, room;
    uint64_t seed;
    bool as_added; /* not sorted by time */
    struct lt_collect *collect;
    struct lt_arena arena;
    struct lt_survey *survey;
};

static inline void made_begin(struct made_bus *made, uint64_t seed)
{
    memset(made, 0, sizeof *made);
    made->seed = seed * UINT64_C(0x9E3779B97F4A7C15) + 1;
}

/* SplitMix64. */
static inline uint64_t made_random(struct made_bus *made)
{
    uint64_t z = made->seed += UINT64_C(0x9E3779B97F4A7C15);
    z = (z ^ z >> 30) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ z >> 27) * UINT64_C(0x94D049BB133111EB);
    return z ^ z >> 31;
}

static inline double made_normal(struct made_bus *made)
{
    double sum = 0;
    for (int i = 0; i < 12; i++)
        sum += (double)(made_random(made) >> 11) / 9007199254740992.0;
    return sum - 6;
}

static inline struct lt_frame *made_add(struct made_bus *made, unsigned bus, uint32_t id,
                                        int64_t time_ns, const void *data, unsigned length)
{
    if (made->count == made->room) {
        made->room = made->room ? 2 * made->room : 1024;
        made->frames = realloc(made->frames, made->room * sizeof *made->frames);
        assert_non_null(made->frames);
    }
    struct lt_frame *frame = &made->frames[made->count];
    memset(frame, 0, sizeof *frame);
    frame->bus = (uint16_t)bus;
    frame->id = id;
    frame->flags = id > LT_ID_MAX_STANDARD ? LT_FRAME_EXTENDED : 0;
    frame->time_ns = time_ns;
    frame->len = (uint8_t)length;
    frame->raw_dlc = lt_len_to_dlc((uint8_t)length, false);
    frame->number = ++made->count;
    memcpy(frame->data, data, length);
    return frame;
}

static inline int made_by_time(const void *a, const void *b)
{
    const struct lt_frame *x = a, *y = b;
    if (x->time_ns != y->time_ns)
        return x->time_ns < y->time_ns ? -1 : 1;
    return x->number < y->number ? -1 : x->number > y->number;
}

static inline struct lt_survey *made_survey(struct made_bus *made, uint32_t bitrate_hz)
{
    static const char *const names[] = {"engine", "body"};
    struct lt_survey_options options = {bitrate_hz, names, 2};
    struct lt_error error;
    if (made->count && !made->as_added)
        qsort(made->frames, made->count, sizeof *made->frames, made_by_time);
    assert_int_equal(lt_collect_new(&made->collect, NULL, &error), LT_OK);
    for (size_t i = 0; i < made->count; i++)
        assert_int_equal(lt_collect_add(made->collect, &made->frames[i], &error), LT_OK);
    assert_int_equal(lt_collect_finish(made->collect, &error), LT_OK);
    lt_arena_init(&made->arena, 0);
    assert_int_equal(lt_survey_make(made->collect, &options, &made->arena, &made->survey, &error),
                     LT_OK);
    return made->survey;
}

static inline void made_end(struct made_bus *made)
{
    if (made->collect) {
        lt_collect_free(made->collect);
        lt_arena_release(&made->arena);
    }
    free(made->frames);
}

/* The frame with this identifier on a bus, or NULL. */
static inline struct lt_survey_frame *made_find(struct made_bus *made, unsigned bus, uint32_t id)
{
    for (size_t i = 0; i < made->survey->frame_count; i++) {
        const struct lt_stream_key *key = &made->survey->frames[i].stream->key;
        if (key->bus == bus && key->id == id)
            return &made->survey->frames[i];
    }
    return NULL;
}

/* A quantity that wanders smoothly about a middle: values every 10 ms. */
static inline double *made_course(struct made_bus *made, size_t count, double middle, double reach)
{
    double *course = malloc(count * sizeof *course), slow = 0, smooth = 0;
    assert_non_null(course);
    for (size_t i = 0; i < count; i++) {
        slow += 0.01 * (-slow / 3.0) + 0.1 * made_normal(made) * sqrt(2.0 / 3.0);
        smooth += (slow - smooth) * 0.01 / 0.3;
        course[i] = middle + reach * smooth;
    }
    return course;
}

static inline void made_put16(uint8_t *at, double value)
{
    unsigned raw = value < 0 ? 0 : value > 65535 ? 65535 : (unsigned)(value + 0.5);
    at[0] = (uint8_t)(raw >> 8);
    at[1] = (uint8_t)raw;
}

/* The same frame over and over. */
static inline void made_cyclic(struct made_bus *made, unsigned bus, uint32_t id, int64_t period_ns,
                               int64_t end_ns, const char *text)
{
    uint8_t data[8] = {0};
    memcpy(data, text, strlen(text) < 8 ? strlen(text) : 8);
    for (int64_t t = id % 97 * 1000; t < end_ns; t += period_ns)
        made_add(made, bus, id, t, data, 8);
}

#endif
