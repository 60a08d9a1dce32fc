/* For benches of what live buses feed: a capture in memory, bound to a profile, to be gone through
 * many times as if it went on. What is wrong with it ends the bench. */
#ifndef TESTS_BENCH_HELD_CAPTURE_H
#define TESTS_BENCH_HELD_CAPTURE_H

#include <stdlib.h>

#include "loomtap/capture/reader.h"
#include "loomtap/core/binding.h"
#include "loomtap/defs/load.h"

#define HELD_MAX 200000

struct held_capture {
    struct lt_profile *profile;
    struct lt_frame frames[HELD_MAX];
    size_t count, buses;
    const char *names[LT_BUSES_MAX];
    struct lt_arena arena;
    struct lt_binding *bindings;
    size_t binding_count;
};

static struct held_capture held_capture;

static const char *held_name(const void *context, size_t bus)
{
    (void)context;
    return held_capture.names[bus];
}

static const struct lt_frame *held_frame(const void *context, size_t index)
{
    (void)context;
    return &held_capture.frames[index];
}

/* The reader stays open for its names. */
static void hold_frames(struct held_capture *held, const char *path)
{
    struct lt_reader *reader;
    const struct lt_frame *frame;
    if (lt_reader_open(&reader, path, NULL, NULL) != LT_OK)
        exit(3);
    while (held->count < HELD_MAX && (frame = lt_reader_next(reader)) != NULL) {
        held->frames[held->count] = *frame;
        held->frames[held->count++].time_len = 0; /* the text is the reader's */
    }
    held->buses = lt_reader_bus_count(reader);
    for (size_t i = 0; i < held->buses; i++)
        held->names[i] = lt_reader_bus_name(reader, i);
}

static struct held_capture *hold_capture(const char *capture, const char *profile)
{
    struct held_capture *held = &held_capture;
    struct lt_faults faults;
    lt_faults_init(&faults, 0);
    if (lt_profile_load(&held->profile, profile, &faults) != LT_OK)
        exit(3);
    hold_frames(held, capture);
    const struct lt_profile *const profiles[] = {held->profile};
    const struct lt_bind request = {.profiles = profiles,
                                    .profile_count = 1,
                                    .bus_name = held_name,
                                    .bus_count = held->buses,
                                    .frame = held_frame,
                                    .frame_count = held->count < 4096 ? held->count : 4096};
    lt_arena_init(&held->arena, 0);
    if (held->count == 0 ||
        lt_bind_buses(&request, &held->arena, &held->bindings, &held->binding_count, NULL) != LT_OK)
        exit(4);
    return held;
}

/* The same again, later. */
static void next_round(struct held_capture *held)
{
    int64_t span_ns = held->frames[held->count - 1].time_ns - held->frames[0].time_ns + 1000000;
    for (size_t i = 0; i < held->count; i++)
        held->frames[i].time_ns += span_ns;
}

#endif
