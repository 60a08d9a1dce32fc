/* Buses of profiles and buses of a capture (loomtap/core/binding.h). */
#include "loomtap/core/binding.h"

static void note(const struct lt_bind *bind, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
static void note(const struct lt_bind *bind, const char *format, ...)
{
    struct lt_error error;
    va_list args;
    if (!bind->notes)
        return;
    lt_error_clear(&error);
    error.severity = LT_SEVERITY_NOTE;
    va_start(args, format);
    lt_text_vformat(error.text, sizeof error.text, format, args);
    va_end(args);
    lt_faults_add(bind->notes, &error);
}

static uint32_t capture_bus(const struct lt_bind *bind, struct lt_text name)
{
    for (uint32_t i = 0; i < bind->bus_count; i++)
        if (lt_text_is(name, bind->bus_name(bind->context, i)))
            return i;
    return LT_NONE;
}

/* Does the profile define this identifier on its bus `bus`? */
static bool defines(const struct lt_profile *profile, uint32_t bus, const struct lt_frame *frame)
{
    bool extended = lt_frame_has(frame, LT_FRAME_EXTENDED);
    for (size_t i = 0; i < profile->frame_count; i++) {
        const struct lt_frame_def *def = &profile->frames[i];
        if (def->bus != bus || def->extended != extended)
            continue;
        if (def->is_pgn ? lt_plan_pgn(frame->id) == def->pgn : def->id == frame->id)
            return true;
    }
    return false;
}

static uint32_t busiest(const struct lt_bind *bind, const struct lt_profile *profile, uint32_t bus,
                        const bool *taken)
{
    uint64_t hits[LT_BUSES_MAX] = {0};
    uint32_t best = LT_NONE;
    for (size_t i = 0; i < bind->frame_count; i++) {
        const struct lt_frame *frame = bind->frame(bind->context, i);
        if (!taken[frame->bus])
            hits[frame->bus] += defines(profile, bus, frame);
    }
    for (uint32_t i = 0; i < LT_BUSES_MAX; i++)
        if (hits[i] && (best == LT_NONE || hits[i] > hits[best]))
            best = i;
    return best;
}

static uint32_t said_by_user(const struct lt_bind *bind, const struct lt_bus_def *bus,
                             bool *ret_said)
{
    for (size_t i = 0; i < bind->said_count; i++) {
        if (!lt_text_is(bind->said[i].profile_bus, bus->name))
            continue;
        struct lt_text name = bind->said[i].capture_bus;
        uint32_t found = capture_bus(bind, name);
        *ret_said = true;
        if (found == LT_NONE)
            note(bind, "bus %s: the capture has no bus %.*s", bus->name, LT_TEXT_ARG(name));
        return found;
    }
    return LT_NONE;
}

/* The buses that are named by the user or by `interface` go first, so that the others do not take
 * theirs. */
static void bind_named(const struct lt_bind *bind, struct lt_binding *binding, bool *taken,
                       bool *ret_done)
{
    const struct lt_bus_def *bus = &bind->profiles[binding->profile]->buses[binding->bus];
    bool said = false;
    binding->capture_bus = said_by_user(bind, bus, &said);
    if (!said && bus->interface)
        binding->capture_bus = capture_bus(bind, lt_text_of(bus->interface));
    *ret_done = said || binding->capture_bus != LT_NONE;
    if (binding->capture_bus != LT_NONE)
        taken[binding->capture_bus] = true;
}

static void bind_by_content(const struct lt_bind *bind, struct lt_binding *binding,
                            const bool *taken)
{
    const struct lt_profile *profile = bind->profiles[binding->profile];
    const struct lt_bus_def *bus = &profile->buses[binding->bus];
    if (bind->bus_count == 1 && !taken[0]) {
        binding->capture_bus = 0;
        return;
    }
    binding->capture_bus = busiest(bind, profile, binding->bus, taken);
    if (binding->capture_bus == LT_NONE)
        note(bind,
             "bus %s is not in this capture: none of its identifiers was seen on a free bus; "
             "`--bus %s=NAME` says which it is",
             bus->name, bus->name);
    else
        note(bind,
             "bus %s is taken to be %s, where most of its identifiers are; `--bus %s=NAME` "
             "says otherwise",
             bus->name, bind->bus_name(bind->context, binding->capture_bus), bus->name);
}

static enum lt_code check_bus_options(const struct lt_bind *bind, struct lt_error *error)
{
    for (size_t i = 0; i < bind->said_count; i++) {
        struct lt_text name = bind->said[i].profile_bus;
        bool known = false;
        for (size_t p = 0; p < bind->profile_count; p++)
            known |= lt_profile_find_bus(bind->profiles[p], name) != LT_NONE;
        if (!known)
            return lt_fail(error, LT_E_UNKNOWN, "--bus: no profile has a bus `%.*s`",
                           LT_TEXT_ARG(name));
    }
    return LT_OK;
}

enum lt_code lt_bind_buses(const struct lt_bind *bind, struct lt_arena *arena,
                           struct lt_binding **ret_bindings, size_t *ret_count,
                           struct lt_error *error)
{
    enum lt_code code = check_bus_options(bind, error);
    size_t most = 0, count = 0;
    if (code != LT_OK)
        return code;
    for (size_t p = 0; p < bind->profile_count; p++)
        most += bind->profiles[p]->bus_count;
    struct lt_binding *bindings = lt_arena_array(arena, most, sizeof *bindings);
    bool *done = lt_arena_array(arena, most, sizeof *done);
    if (!bindings || !done)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    for (uint32_t p = 0; p < bind->profile_count; p++) {
        bool taken[LT_BUSES_MAX] = {false}; /* by this profile: others may use the same bus */
        size_t first = count;
        for (uint32_t b = 0; b < bind->profiles[p]->bus_count; b++) {
            size_t at = count++;
            bindings[at] = (struct lt_binding){p, b, LT_NONE};
            bind_named(bind, &bindings[at], taken, &done[at]);
        }
        for (size_t at = first; at < count; at++)
            if (!done[at])
                bind_by_content(bind, &bindings[at], taken);
    }
    *ret_bindings = bindings;
    *ret_count = count;
    return LT_OK;
}
