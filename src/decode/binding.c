/* The head of the capture, read ahead, and which of its buses stands for which bus of a profile.
 *
 * In this order: what the user said; the bus whose name is the profile's `interface`; the only bus
 * of the capture; the bus on which most of the profile's identifiers live. */
#include "decode/decode_internal.h"

void note(struct lt_decode *decode, const char *format, ...)
{
    struct lt_error error;
    va_list args;
    lt_error_clear(&error);
    error.severity = LT_SEVERITY_NOTE;
    va_start(args, format);
    lt_text_vformat(error.text, sizeof error.text, format, args);
    va_end(args);
    lt_faults_add(decode->notes, &error);
}

enum lt_code read_head(struct lt_decode *decode, struct lt_error *error)
{
    decode->head = lt_arena_array(&decode->arena, HEAD_FRAMES, sizeof *decode->head);
    if (!decode->head)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    while (decode->head_count < HEAD_FRAMES) {
        const struct lt_frame *frame = lt_reader_next(decode->reader);
        if (!frame)
            break;
        struct kept_frame *kept = &decode->head[decode->head_count++];
        kept->frame = *frame;
        if (!frame->time_len)
            continue;
        if (frame->time_len > sizeof kept->time_text) { /* absurdly many digits: keep the number */
            kept->frame.time_len = 0;
            kept->frame.time_text = NULL;
            continue;
        }
        memcpy(kept->time_text, frame->time_text, frame->time_len);
        kept->frame.time_text = kept->time_text;
    }
    return LT_OK;
}

static uint32_t capture_bus(const struct lt_decode *decode, struct lt_text name)
{
    for (uint32_t i = 0; i < lt_reader_bus_count(decode->reader); i++)
        if (lt_text_is(name, lt_reader_bus_name(decode->reader, i)))
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
        if (def->is_pgn ? lt_j1939_split(frame->id).pgn == def->pgn : def->id == frame->id)
            return true;
    }
    return false;
}

static uint32_t busiest(const struct lt_decode *decode, const struct lt_profile *profile,
                        uint32_t bus, const bool *taken)
{
    uint64_t hits[LT_BUSES_MAX] = {0};
    uint32_t best = LT_NONE;
    for (size_t i = 0; i < decode->head_count; i++) {
        const struct lt_frame *frame = &decode->head[i].frame;
        if (!taken[frame->bus])
            hits[frame->bus] += defines(profile, bus, frame);
    }
    for (uint32_t i = 0; i < LT_BUSES_MAX; i++)
        if (hits[i] && (best == LT_NONE || hits[i] > hits[best]))
            best = i;
    return best;
}

static uint32_t said_by_user(struct lt_decode *decode, const struct lt_bus_def *bus, bool *ret_said)
{
    for (size_t i = 0; i < decode->options.bus_count; i++) {
        if (!lt_text_is(decode->options.buses[i].profile_bus, bus->name))
            continue;
        struct lt_text name = decode->options.buses[i].capture_bus;
        uint32_t found = capture_bus(decode, name);
        *ret_said = true;
        if (found == LT_NONE)
            note(decode, "bus %s: the capture has no bus %.*s", bus->name, LT_TEXT_ARG(name));
        return found;
    }
    return LT_NONE;
}

/* The buses that are named by the user or by `interface` go first, so that the others do not take
 * theirs. */
static void bind_named(struct lt_decode *decode, struct lt_binding *binding, bool *taken,
                       bool *ret_done)
{
    const struct lt_bus_def *bus = &decode->profiles[binding->profile]->buses[binding->bus];
    bool said = false;
    binding->capture_bus = said_by_user(decode, bus, &said);
    if (!said && bus->interface)
        binding->capture_bus = capture_bus(decode, lt_text_of(bus->interface));
    *ret_done = said || binding->capture_bus != LT_NONE;
    if (binding->capture_bus != LT_NONE)
        taken[binding->capture_bus] = true;
}

static void bind_by_content(struct lt_decode *decode, struct lt_binding *binding, const bool *taken)
{
    const struct lt_profile *profile = decode->profiles[binding->profile];
    const struct lt_bus_def *bus = &profile->buses[binding->bus];
    if (lt_reader_bus_count(decode->reader) == 1 && !taken[0]) {
        binding->capture_bus = 0;
        return;
    }
    binding->capture_bus = busiest(decode, profile, binding->bus, taken);
    if (binding->capture_bus == LT_NONE)
        note(decode,
             "bus %s is not in this capture: none of its identifiers was seen on a free bus; "
             "`--bus %s=NAME` says which it is",
             bus->name, bus->name);
    else
        note(decode,
             "bus %s is taken to be %s, where most of its identifiers are; `--bus %s=NAME` "
             "says otherwise",
             bus->name, lt_reader_bus_name(decode->reader, binding->capture_bus), bus->name);
}

static enum lt_code check_bus_options(const struct lt_decode *decode, struct lt_error *error)
{
    for (size_t i = 0; i < decode->options.bus_count; i++) {
        struct lt_text name = decode->options.buses[i].profile_bus;
        bool known = false;
        for (size_t p = 0; p < decode->profile_count; p++)
            known |= lt_profile_find_bus(decode->profiles[p], name) != LT_NONE;
        if (!known)
            return lt_fail(error, LT_E_UNKNOWN, "--bus: no profile has a bus `%.*s`",
                           LT_TEXT_ARG(name));
    }
    return LT_OK;
}

enum lt_code bind_buses(struct lt_decode *decode, struct lt_error *error)
{
    enum lt_code code = check_bus_options(decode, error);
    size_t most = 0;
    if (code != LT_OK)
        return code;
    for (size_t p = 0; p < decode->profile_count; p++)
        most += decode->profiles[p]->bus_count;
    decode->bindings = lt_arena_array(&decode->arena, most, sizeof *decode->bindings);
    bool *done = lt_arena_array(&decode->arena, most, sizeof *done);
    if (!decode->bindings || !done)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    for (uint32_t p = 0; p < decode->profile_count; p++) {
        bool taken[LT_BUSES_MAX] = {false}; /* by this profile: others may use the same bus */
        size_t first = decode->binding_count;
        for (uint32_t b = 0; b < decode->profiles[p]->bus_count; b++) {
            size_t at = decode->binding_count++;
            decode->bindings[at] = (struct lt_binding){p, b, LT_NONE};
            bind_named(decode, &decode->bindings[at], taken, &done[at]);
        }
        for (size_t at = first; at < decode->binding_count; at++)
            if (!done[at])
                bind_by_content(decode, &decode->bindings[at], taken);
    }
    return LT_OK;
}

uint32_t bound_bus(const struct lt_decode *decode, const struct lt_profile *profile, uint32_t bus)
{
    for (size_t i = 0; i < decode->binding_count; i++)
        if (decode->profiles[decode->bindings[i].profile] == profile &&
            decode->bindings[i].bus == bus)
            return decode->bindings[i].capture_bus;
    return LT_NONE;
}
