/* A rehearsal: frames of a reader through the engine, events and frames to who wants them. See
 * loomtap/warn/rehearse.h. */
#include "warn/rehearse.h"

#include <stdlib.h>

#include "warn/show.h"

#define HEAD_FRAMES   4096
#define ARENA_CEILING ((size_t)128 << 20)
#define GAP_SHOWN_NS  INT64_C(1000000000) /* between recordings */

/* --- time --- */

int64_t from_start(struct lt_rehearse *rehearse, int64_t time_ns)
{
    if (rehearse->begins_anew) {
        rehearse->base_ns = time_ns - rehearse->last_ns - GAP_SHOWN_NS;
        rehearse->begins_anew = false;
    }
    int64_t at_ns = time_ns - rehearse->base_ns;
    if (at_ns > rehearse->last_ns)
        rehearse->last_ns = at_ns;
    return at_ns;
}

/* --- what comes out of the engine --- */

static void tally_event(struct lt_rehearse *rehearse, int64_t at_ns,
                        const struct lt_warn_event *event)
{
    struct warning_tally *tally = &rehearse->warnings[event->warning];
    rehearse->counts.events++;
    if (event->on) {
        tally->times++;
        tally->on_at_ns = at_ns;
        return;
    }
    int64_t lasted_ns = event->time_ns - event->on_ns;
    tally->by_loss += event->cause == LT_WARN_CAUSE_LOST;
    tally->total_ns += lasted_ns;
    if (lasted_ns > tally->longest_ns)
        tally->longest_ns = lasted_ns;
}

static void on_event(void *context, const struct lt_warn_event *event)
{
    struct lt_rehearse *rehearse = context;
    const struct lt_rehearse_options *options = &rehearse->options;
    int64_t at_ns = from_start(rehearse, event->time_ns);
    tally_event(rehearse, at_ns, event);
    if (options->text)
        timeline_event(rehearse, at_ns, event);
    if (options->json)
        json_event(rehearse, event);
    if (options->write_expect)
        lt_expect_write(options->write_expect, rehearse->profile, at_ns, event);
    if (options->expect)
        lt_expect_event(options->expect, at_ns, event, options->expect_faults);
    if (rehearse->course)
        course_event(rehearse, at_ns, event);
}

const char *bus_name(const struct lt_rehearse *rehearse, uint32_t frame_index, uint16_t bus)
{
    uint32_t own = rehearse->profile->frames[frame_index].bus;
    if (bus != LT_WARN_NO_BUS)
        return lt_reader_bus_name(rehearse->reader, bus);
    return own == LT_NONE ? "" : rehearse->profile->buses[own].name;
}

static void on_send(void *context, uint32_t frame_index, const struct lt_frame *frame,
                    bool is_clear)
{
    struct lt_rehearse *rehearse = context;
    struct frame_tally *tally = &rehearse->frames[frame_index];
    const char *bus = bus_name(rehearse, frame_index, frame->bus);
    int64_t at_ns = from_start(rehearse, frame->time_ns);
    if (!tally->count++)
        tally->first_ns = at_ns;
    tally->last_ns = at_ns;
    tally->bus = frame->bus;
    (void)is_clear; /* the end of a recording is no end of a run: there is none */
    if (rehearse->options.text && rehearse->options.text_frames)
        timeline_frame(rehearse, at_ns, rehearse->profile->frames[frame_index].name, bus, frame);
    if (rehearse->options.json_frames)
        json_frame(rehearse, bus, frame);
    if (rehearse->course)
        course_frame(rehearse, at_ns, frame_index);
}

static void on_input(void *context, int64_t time_ns, uint32_t input)
{
    struct lt_rehearse *rehearse = context;
    if (rehearse->course)
        course_input(rehearse, from_start(rehearse, time_ns), input);
}

static void on_restart(void *context, int64_t last_ns)
{
    struct lt_rehearse *rehearse = context;
    from_start(rehearse, last_ns);
    if (rehearse->course)
        course_restart(rehearse);
    rehearse->begins_anew = true;
}

/* --- making --- */

static void read_head(struct lt_rehearse *rehearse)
{
    const struct lt_frame *frame;
    while (rehearse->head_count < HEAD_FRAMES && (frame = lt_reader_next(rehearse->reader)) != NULL)
        rehearse->head[rehearse->head_count++] = *frame;
}

static void set_span(struct lt_rehearse *rehearse)
{
    int64_t first = LT_NO_TIME;
    for (size_t i = 0; i < rehearse->head_count && first == LT_NO_TIME; i++)
        first = rehearse->head[i].time_ns;
    rehearse->from_ns = lt_time_bound_ns(&rehearse->options.from, first, INT64_MIN);
    rehearse->to_ns = lt_time_bound_ns(&rehearse->options.to, first, INT64_MAX);
}

static const char *capture_bus_name(const void *context, size_t bus)
{
    const struct lt_rehearse *rehearse = context;
    return lt_reader_bus_name(rehearse->reader, bus);
}

static const struct lt_frame *head_frame(const void *context, size_t index)
{
    const struct lt_rehearse *rehearse = context;
    return &rehearse->head[index];
}

static enum lt_code bind(struct lt_rehearse *rehearse, struct lt_error *error)
{
    const struct lt_bind request = {
        .profiles = &rehearse->profile,
        .profile_count = 1,
        .said = rehearse->options.buses,
        .said_count = rehearse->options.bus_count,
        .bus_name = capture_bus_name,
        .bus_count = lt_reader_bus_count(rehearse->reader),
        .frame = head_frame,
        .frame_count = rehearse->head_count,
        .context = rehearse,
        .notes = rehearse->notes,
    };
    return lt_bind_buses(&request, &rehearse->arena, &rehearse->bindings, &rehearse->binding_count,
                         error);
}

static enum lt_code prepare(struct lt_rehearse *rehearse, struct lt_error *error)
{
    const struct lt_profile *profile = rehearse->profile;
    const struct lt_warn_sink sink = {
        .context = rehearse,
        .event = on_event,
        .send = on_send,
        .input = rehearse->options.page ? on_input : NULL,
        .restart = on_restart,
    };
    struct lt_arena *arena = &rehearse->arena;
    rehearse->head = lt_arena_array(arena, HEAD_FRAMES, sizeof *rehearse->head);
    rehearse->warnings = lt_arena_array(arena, profile->warning_count, sizeof *rehearse->warnings);
    rehearse->frames = lt_arena_array(arena, profile->frame_count, sizeof *rehearse->frames);
    if (!rehearse->head || !rehearse->warnings || !rehearse->frames)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    read_head(rehearse);
    set_span(rehearse);
    enum lt_code code = bind(rehearse, error);
    if (code == LT_OK)
        code = lt_warn_new(&rehearse->warn, profile, rehearse->bindings, rehearse->binding_count,
                           &sink, error);
    if (code == LT_OK && rehearse->options.page && !course_begin(rehearse))
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    return code;
}

enum lt_code lt_rehearse_new(struct lt_rehearse **ret_rehearse, struct lt_reader *reader,
                             const struct lt_profile *profile,
                             const struct lt_rehearse_options *options, struct lt_faults *notes,
                             struct lt_error *error)
{
    struct lt_rehearse *rehearse = calloc(1, sizeof *rehearse);
    if (!rehearse)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    lt_arena_init(&rehearse->arena, ARENA_CEILING);
    rehearse->reader = reader;
    rehearse->profile = profile;
    rehearse->options = *options;
    rehearse->notes = notes;
    enum lt_code code = prepare(rehearse, error);
    if (code != LT_OK) {
        lt_rehearse_free(rehearse);
        return code;
    }
    *ret_rehearse = rehearse;
    return LT_OK;
}

void lt_rehearse_free(struct lt_rehearse *rehearse)
{
    if (!rehearse)
        return;
    lt_warn_free(rehearse->warn);
    lt_arena_release(&rehearse->arena);
    free(rehearse);
}

/* --- the run --- */

static void take(struct lt_rehearse *rehearse, const struct lt_frame *frame)
{
    int64_t time_ns = frame->time_ns;
    bool has_time = time_ns != LT_NO_TIME;
    rehearse->counts.frames++;
    if (has_time && (time_ns < rehearse->from_ns || time_ns > rehearse->to_ns)) {
        rehearse->counts.outside_span++;
        return;
    }
    if (has_time && !rehearse->started) {
        rehearse->started = true;
        rehearse->base_ns = time_ns;
    }
    lt_warn_frame(rehearse->warn, frame);
    if (has_time)
        from_start(rehearse, time_ns);
}

static bool has_failed(const struct lt_rehearse *rehearse)
{
    const struct lt_rehearse_options *options = &rehearse->options;
    return (options->text && options->text->failed) || (options->json && options->json->failed) ||
           (options->json_frames && options->json_frames->failed);
}

enum lt_code lt_rehearse_run(struct lt_rehearse *rehearse, struct lt_error *error)
{
    const struct lt_rehearse_options *options = &rehearse->options;
    const struct lt_frame *frame;
    if (options->text)
        timeline_begin(rehearse);
    if (options->json)
        json_begin(rehearse);
    for (size_t i = 0; i < rehearse->head_count; i++)
        take(rehearse, &rehearse->head[i]);
    while (!has_failed(rehearse) && (frame = lt_reader_next(rehearse->reader)) != NULL)
        take(rehearse, frame);
    if (options->expect)
        lt_expect_finish(options->expect, options->expect_faults);
    if (rehearse->course)
        course_end(rehearse);
    if (options->json)
        json_end(rehearse);
    if (has_failed(rehearse))
        return lt_fail(error, LT_E_IO, "writing the results failed");
    return lt_reader_end(rehearse->reader, error);
}

struct lt_rehearse_counts lt_rehearse_counts(const struct lt_rehearse *rehearse)
{
    return rehearse->counts;
}

const struct lt_warn_counts *lt_rehearse_engine_counts(const struct lt_rehearse *rehearse)
{
    return lt_warn_counts(rehearse->warn);
}
