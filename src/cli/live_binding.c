/* See live_binding.h. */
#include "cli/live_binding.h"

#include "cli/stop.h"
#include "loomtap/base/clock.h"

#define LISTEN_NS  (2 * LT_SECOND_NS)
#define LOOK_NS    INT64_C(50000000)
#define HEARD_MOST 4096 /* as many as a recording's head (src/decode/binding.c) */

static const char *interface_name(const void *context, size_t bus)
{
    const struct live_binding *with = context;
    return with->interfaces[bus];
}

static const struct lt_frame *heard_frame(const void *context, size_t index)
{
    const struct live_binding *with = context;
    return &with->heard[index];
}

static bool is_said(const struct live_binding *with, const struct lt_bus_def *bus)
{
    for (size_t i = 0; i < with->said_count; i++)
        if (lt_text_is(with->said[i].profile_bus, bus->name))
            return true;
    for (size_t i = 0; bus->interface && i < with->interface_count; i++)
        if (strcmp(bus->interface, with->interfaces[i]) == 0)
            return true;
    return false;
}

/* Is there a bus that only its traffic can tell? */
static bool must_listen(const struct live_binding *with)
{
    for (size_t p = 0; p < with->profile_count; p++) {
        const struct lt_profile *profile = with->profiles[p];
        for (size_t b = 0; b < profile->bus_count; b++)
            if (!is_said(with, &profile->buses[b]) &&
                (with->interface_count > 1 || profile->bus_count > 1))
                return true;
    }
    return false;
}

static bool listen(struct live_binding *with, struct lt_intake *intake, struct lt_arena *arena)
{
    int64_t end_ns = lt_clock_ns(CLOCK_MONOTONIC) + LISTEN_NS;
    with->heard = lt_arena_array(arena, HEARD_MOST, sizeof *with->heard);
    if (!with->heard)
        return false;
    say(with->quiet, "listening, to tell the buses apart\n");
    while (!stop_asked && with->heard_count < HEARD_MOST && lt_clock_ns(CLOCK_MONOTONIC) < end_ns) {
        struct lt_can_heard heard;
        if (lt_intake_take(intake, LOOK_NS, &heard) != LT_CAN_FRAME)
            continue;
        struct lt_frame *frame = &with->heard[with->heard_count++];
        *frame = *heard.frame;
        frame->time_text = NULL;
        frame->time_len = 0;
    }
    return true;
}

enum lt_code bind_live(struct live_binding *with, struct lt_intake *intake, struct lt_arena *arena,
                       struct lt_binding **ret_bindings, size_t *ret_count, struct lt_error *error)
{
    struct lt_faults notes;
    if (must_listen(with) && !listen(with, intake, arena))
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    lt_faults_init(&notes, 0);
    struct lt_bind bind = {
        .profiles = with->profiles,
        .profile_count = with->profile_count,
        .said = with->said,
        .said_count = with->said_count,
        .bus_name = interface_name,
        .bus_count = with->interface_count,
        .frame = heard_frame,
        .frame_count = with->heard_count,
        .context = with,
        .notes = &notes,
    };
    enum lt_code code = lt_bind_buses(&bind, arena, ret_bindings, ret_count, error);
    if (code == LT_OK)
        say_faults(&notes, with->quiet);
    lt_faults_release(&notes);
    return code;
}
