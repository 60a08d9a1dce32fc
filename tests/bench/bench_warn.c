/* The warning engine alone: all frames of a capture from memory, ROUNDS times one after another.
 *
 *     bench_warn CAPTURE PROFILE ROUNDS
 *
 * Prints frames fed, events and frames to send. What one round costs is the difference between two
 * runs: see warn_instructions.py. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

#include "loomtap/base/number.h"
#include "loomtap/capture/reader.h"
#include "loomtap/core/binding.h"
#include "loomtap/defs/load.h"
#include "loomtap/warn/warn.h"

#define FRAMES_MAX 200000

static uint64_t events, sent;

static void count_event(void *context, const struct lt_warn_event *event)
{
    (void)context;
    (void)event;
    events++;
}

static void count_frame(void *context, uint32_t index, const struct lt_frame *frame, bool is_clear)
{
    (void)context;
    (void)index;
    (void)frame;
    (void)is_clear;
    sent++;
}

static size_t read_all(const char *path, struct lt_frame *frames, const char **names,
                       size_t *ret_buses)
{
    struct lt_reader *reader;
    const struct lt_frame *frame;
    size_t count = 0;
    if (lt_reader_open(&reader, path, NULL, NULL) != LT_OK)
        exit(3);
    while (count < FRAMES_MAX && (frame = lt_reader_next(reader)) != NULL)
        frames[count++] = *frame;
    *ret_buses = lt_reader_bus_count(reader);
    for (size_t i = 0; i < *ret_buses; i++)
        names[i] = lt_reader_bus_name(reader, i);
    return count; /* the reader stays open for its names */
}

struct input {
    const struct lt_frame *frames;
    const char *names[LT_BUSES_MAX];
    size_t count, buses;
};

static const char *bus_name(const void *context, size_t bus)
{
    const struct input *input = context;
    return input->names[bus];
}

static const struct lt_frame *frame_at(const void *context, size_t index)
{
    const struct input *input = context;
    return &input->frames[index];
}

static struct lt_warn *make(const struct lt_profile *profile, const struct input *input)
{
    static struct lt_arena arena;
    const struct lt_bind request = {.profiles = &profile,
                                    .profile_count = 1,
                                    .bus_name = bus_name,
                                    .bus_count = input->buses,
                                    .frame = frame_at,
                                    .frame_count = input->count < 4096 ? input->count : 4096,
                                    .context = input};
    const struct lt_warn_sink sink = {.event = count_event, .send = count_frame};
    struct lt_binding *bindings;
    struct lt_warn *warn;
    size_t bound;
    lt_arena_init(&arena, 0);
    if (lt_bind_buses(&request, &arena, &bindings, &bound, NULL) != LT_OK ||
        lt_warn_new(&warn, profile, bindings, bound, &sink, NULL) != LT_OK)
        exit(4);
    return warn;
}

int main(int argc, char **argv)
{
    static struct lt_frame frames[FRAMES_MAX];
    static struct input input = {.frames = frames};
    struct lt_profile *profile;
    uint64_t rounds;
    if (argc != 4 || !lt_parse_u64(lt_text_of(argv[3]), &rounds))
        return 2;
    struct lt_faults faults;
    lt_faults_init(&faults, 0);
    if (lt_profile_load(&profile, argv[2], &faults) != LT_OK)
        return 3;
    size_t count = input.count = read_all(argv[1], frames, input.names, &input.buses);
    struct lt_warn *warn = make(profile, &input);
    for (uint64_t round = 0; count && round < rounds; round++) {
        int64_t span_ns = frames[count - 1].time_ns - frames[0].time_ns + 1000000;
        for (size_t i = 0; i < count; i++) {
            lt_warn_frame(warn, &frames[i]);
            frames[i].time_ns += span_ns;
        }
    }
    printf("%" PRIu64 " frames, %" PRIu64 " events, %" PRIu64 " sent\n",
           lt_warn_counts(warn)->frames, events, sent);
    lt_warn_free(warn);
    return 0;
}
