/* Courses in bins. All begin narrow; when the run outgrows them, neighbours are put together and
 * all are twice as wide. */
#include "warn/course.h"

#include "loomtap/warn/line.h"

#include "warn/show.h"

#define FIRST_WIDTH_NS INT64_C(1000000)

static void join(struct bin *into, const struct bin *other)
{
    if (other->flags & COURSE_VALUE) {
        bool has = into->flags & COURSE_VALUE;
        into->low = has && into->low < other->low ? into->low : other->low;
        into->high = has && into->high > other->high ? into->high : other->high;
        into->raw = other->raw;
    }
    into->flags |= other->flags;
}

static void halve(struct track *track)
{
    for (size_t i = 0; i < COURSE_BINS / 2; i++) {
        struct bin pair = track->bins[2 * i];
        join(&pair, &track->bins[2 * i + 1]);
        track->bins[i] = pair;
    }
    memset(track->bins + COURSE_BINS / 2, 0, COURSE_BINS / 2 * sizeof *track->bins);
    track->filled /= 2;
}

static void halve_all(struct course *course)
{
    for (size_t i = 0; i < course->input_count; i++)
        halve(&course->inputs[i]);
    for (size_t i = 0; i < course->warning_count; i++)
        halve(&course->warnings[i]);
    for (size_t i = 0; i < course->frame_count; i++)
        if (course->frames[i].bins)
            halve(&course->frames[i]);
    course->width_ns *= 2;
}

static size_t bin_at(struct course *course, int64_t at_ns)
{
    if (at_ns < 0)
        return 0;
    while (at_ns / course->width_ns >= COURSE_BINS)
        halve_all(course);
    return (size_t)(at_ns / course->width_ns);
}

/* What holds up to `to` goes into the bins on the way. */
static void fill(struct track *track, size_t to)
{
    for (size_t i = track->filled; i <= to; i++)
        join(&track->bins[i], &track->now);
    track->filled = to;
}

static void change(struct track *track, size_t at, struct bin now)
{
    fill(track, at);
    track->now = now;
    join(&track->bins[at], &now);
}

static struct track *make_tracks(struct lt_arena *arena, size_t count, bool with_bins)
{
    struct track *tracks = lt_arena_array(arena, count, sizeof *tracks);
    for (size_t i = 0; tracks && with_bins && i < count; i++) {
        tracks[i].bins = lt_arena_array(arena, COURSE_BINS, sizeof *tracks[i].bins);
        if (!tracks[i].bins)
            return NULL;
    }
    return tracks;
}

static size_t at_most(size_t count, size_t most)
{
    return count < most ? count : most;
}

bool course_begin(struct lt_rehearse *rehearse)
{
    struct lt_arena *arena = &rehearse->arena;
    const struct lt_profile *profile = rehearse->profile;
    struct course *course = lt_arena_alloc(arena, sizeof *course);
    if (!course)
        return false;
    course->width_ns = FIRST_WIDTH_NS;
    course->input_count = at_most(lt_warn_input_count(rehearse->warn), COURSE_TRACKS);
    course->warning_count = at_most(profile->warning_count, COURSE_TRACKS);
    course->frame_count = profile->frame_count;
    course->inputs = make_tracks(arena, course->input_count, true);
    course->warnings = make_tracks(arena, course->warning_count, true);
    course->frames = make_tracks(arena, course->frame_count, false);
    course->events = lt_arena_array(arena, COURSE_EVENTS, sizeof *course->events);
    if (!course->inputs || !course->warnings || !course->frames || !course->events)
        return false;
    for (size_t i = 0; i < course->warning_count; i++) {
        uint32_t frame = profile->warnings[i].send;
        if (frame == LT_NONE || course->frames[frame].bins)
            continue;
        course->frames[frame].bins =
            lt_arena_array(arena, COURSE_BINS, sizeof *course->frames[frame].bins);
        if (!course->frames[frame].bins)
            return false;
    }
    rehearse->course = course;
    return true;
}

void course_input(struct lt_rehearse *rehearse, int64_t at_ns, uint32_t input)
{
    struct course *course = rehearse->course;
    const struct lt_warn_input *is = lt_warn_input(rehearse->warn, input);
    struct bin now = {0};
    if (input >= course->input_count)
        return;
    if (is->loss != LT_WARN_NOT_LOST)
        now.flags |= COURSE_LOST;
    if (is->source == LT_WARN_OWN || is->source == LT_WARN_HELD ||
        is->source == LT_WARN_SUBSTITUTED) {
        now.flags |= COURSE_VALUE;
        now.low = now.high = is->value;
        now.raw = is->has_raw ? is->raw : UINT64_MAX;
    }
    change(&course->inputs[input], bin_at(course, at_ns), now);
}

void course_event(struct lt_rehearse *rehearse, int64_t at_ns, const struct lt_warn_event *event)
{
    struct course *course = rehearse->course;
    struct bin now = {0};
    if (event->on)
        now.flags = event->cause == LT_WARN_CAUSE_LOST ? COURSE_ON_LOST : COURSE_ON;
    if (event->warning < course->warning_count)
        change(&course->warnings[event->warning], bin_at(course, at_ns), now);
    if (course->event_count == COURSE_EVENTS)
        return;
    struct listed *listed = &course->events[course->event_count++];
    *listed = (struct listed){.at_ns = at_ns,
                              .lasted_ns = event->time_ns - event->on_ns,
                              .warning = event->warning,
                              .on = event->on,
                              .cause = event->cause};
    lt_warn_inputs_text(rehearse->warn, rehearse->profile, event, listed->inputs,
                        sizeof listed->inputs);
}

void course_frame(struct lt_rehearse *rehearse, int64_t at_ns, uint32_t frame)
{
    struct course *course = rehearse->course;
    if (course->frames[frame].bins)
        course->frames[frame].bins[bin_at(course, at_ns)].flags |= COURSE_SENT;
}

static void fill_all(struct lt_rehearse *rehearse)
{
    struct course *course = rehearse->course;
    size_t last = bin_at(course, rehearse->last_ns);
    for (size_t i = 0; i < course->input_count; i++)
        fill(&course->inputs[i], last);
    for (size_t i = 0; i < course->warning_count; i++)
        fill(&course->warnings[i], last);
}

/* Nothing is known between two recordings. */
void course_restart(struct lt_rehearse *rehearse)
{
    struct course *course = rehearse->course;
    fill_all(rehearse);
    for (size_t i = 0; i < course->input_count; i++)
        course->inputs[i].now = (struct bin){0};
    for (size_t i = 0; i < course->warning_count; i++)
        course->warnings[i].now = (struct bin){0};
}

void course_end(struct lt_rehearse *rehearse)
{
    fill_all(rehearse);
}
