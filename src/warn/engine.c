/* The engine: frames and time in, through inputs and conditions, events and frames out. */
#include "warn/internal.h"

#include <stdlib.h>

#define ARENA_CEILING ((size_t)64 << 20)

/* --- life --- */

enum lt_code lt_warn_new(struct lt_warn **ret_warn, const struct lt_profile *profile,
                         const struct lt_binding *bindings, size_t binding_count,
                         const struct lt_warn_sink *sink, struct lt_error *error)
{
    struct lt_warn *warn = calloc(1, sizeof *warn);
    if (!warn)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    lt_arena_init(&warn->arena, ARENA_CEILING);
    warn->profile = profile;
    warn->sink = *sink;
    warn->now_ns = LT_NO_TIME;
    warn->next_ns = NEVER;
    warn->counts.foreign_frame = LT_NONE;
    enum lt_code code = warn_setup(warn, bindings, binding_count, error);
    if (code != LT_OK) {
        lt_warn_free(warn);
        return code;
    }
    *ret_warn = warn;
    return LT_OK;
}

void lt_warn_free(struct lt_warn *warn)
{
    if (!warn)
        return;
    lt_route_free(warn->route);
    lt_plan_free(warn->plan);
    lt_arena_release(&warn->arena);
    free(warn);
}

/* --- time --- */

static int64_t least(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

static int64_t earliest(const struct lt_warn *warn)
{
    int64_t due_ns = NEVER;
    for (size_t i = 0; i < warn->input_count; i++)
        due_ns = least(due_ns, warn->inputs[i].due_ns);
    for (size_t i = 0; i < warn->warning_count; i++)
        due_ns = least(due_ns, warn->warnings[i].due_ns);
    for (size_t i = 0; i < warn->frame_count; i++)
        due_ns = least(due_ns, warn->frames[i].next_ns);
    return due_ns;
}

/* All that is due at this instant: inputs, then warnings, then frames. */
static void do_due(struct lt_warn *warn)
{
    for (size_t i = 0; i < warn->input_count; i++)
        if (warn->inputs[i].due_ns <= warn->now_ns)
            input_due(warn, (uint32_t)i);
    for (size_t i = 0; i < warn->warning_count; i++) {
        struct warning *warning = &warn->warnings[i];
        if (warning->due_ns > warn->now_ns)
            continue;
        warning->due_ns = NEVER;
        warning->dirty = warn->dirty = true;
    }
    warn_settle(warn);
    frames_due(warn);
}

static void advance(struct lt_warn *warn, int64_t to_ns)
{
    while (warn->next_ns <= to_ns) {
        int64_t due_ns = earliest(warn);
        warn->next_ns = due_ns; /* the old one may have been too early */
        if (due_ns > to_ns)
            break;
        if (due_ns > warn->now_ns)
            warn->now_ns = due_ns;
        do_due(warn);
    }
    if (to_ns > warn->now_ns)
        warn->now_ns = to_ns;
}

static void begin(struct lt_warn *warn, int64_t start_ns)
{
    warn->now_ns = warn->heard_ns = start_ns;
    warn->next_ns = NEVER;
    lt_route_restart(warn->route);
    inputs_begin(warn, start_ns);
    warnings_begin(warn);
    warn_settle(warn);
    frames_due(warn);
}

static void restart(struct lt_warn *warn, int64_t start_ns)
{
    warn->counts.restarts++;
    warnings_drop(warn);
    frames_drop(warn);
    if (warn->sink.restart)
        warn->sink.restart(warn->sink.context, warn->now_ns);
    begin(warn, start_ns);
}

static bool go_back(struct lt_warn *warn, int64_t time_ns)
{
    int64_t back_ns;
    warn->counts.backward++;
    if (__builtin_sub_overflow(warn->now_ns, time_ns, &back_ns) || back_ns > LT_WARN_BACK_NS)
        restart(warn, time_ns);
    return true;
}

/* By a frame. False: there is no time yet. */
static bool move_to(struct lt_warn *warn, int64_t time_ns)
{
    if (time_ns == LT_NO_TIME) {
        warn->counts.no_time++;
        return warn->now_ns != LT_NO_TIME;
    }
    if (warn->now_ns == LT_NO_TIME) {
        begin(warn, time_ns);
        return true;
    }
    if (time_ns < warn->now_ns)
        return go_back(warn, time_ns);
    int64_t last_ns = later(warn->heard_ns, LT_WARN_PAUSE_NS);
    if (time_ns <= last_ns) {
        advance(warn, time_ns);
        warn->heard_ns = time_ns;
    } else {
        advance(warn, last_ns);
        restart(warn, time_ns);
    }
    return true;
}

/* --- frames --- */

void warn_take(void *context, const struct lt_message *message)
{
    struct lt_warn *warn = context;
    const struct lt_frame_plan *plan = message->plan;
    uint64_t pages =
        plan->page_set_count ? lt_frame_plan_pages(plan, message->data, message->len) : 0;
    for (unsigned i = 0; i < plan->field_count; i++) {
        const struct lt_field *field = &plan->fields[i];
        if (message->len < field->end_byte || !lt_field_on_page(field, pages))
            continue;
        input_take(warn, warn->input_of_field[field->index], lt_field_fetch(field, message->data),
                   message->suspect);
        warn->any_input = true;
    }
}

static void note_foreign(struct lt_warn *warn, const struct lt_frame_plan *plan,
                         const struct lt_frame *frame)
{
    for (; plan; plan = plan->next) {
        if (plan->def->direction != LT_SEND || lt_frame_has(frame, LT_FRAME_SENT))
            continue;
        if (!warn->counts.foreign++) {
            warn->counts.first_foreign_ns = warn->now_ns;
            warn->counts.foreign_frame = (uint32_t)(plan->def - warn->profile->frames);
        }
    }
}

void lt_warn_frame(struct lt_warn *warn, const struct lt_frame *frame)
{
    warn->counts.frames++;
    if (!move_to(warn, frame->time_ns) || frame->flags & (LT_FRAME_ERROR | LT_FRAME_REMOTE))
        return;
    const struct lt_frame_plan *plan = lt_plan_lookup(warn->plan, frame);
    note_foreign(warn, plan, frame);
    warn->any_input = false;
    lt_route_known(warn->route, plan, frame);
    warn->counts.matched += warn->any_input;
    warn->counts.other_senders = lt_route_other_senders(warn->route);
    if (!warn->any_input || !warn->dirty)
        return;
    warn_settle(warn);
    frames_due(warn);
}

/* No further than a pause: what a longer one means is decided by the frame that ends it, as in a
 * recording, which has no ticks. */
void lt_warn_tick(struct lt_warn *warn, int64_t now_ns)
{
    if (warn->now_ns == LT_NO_TIME)
        begin(warn, now_ns);
    else if (now_ns >= warn->now_ns)
        advance(warn, least(now_ns, later(warn->heard_ns, LT_WARN_PAUSE_NS)));
    else
        go_back(warn, now_ns);
}

void lt_warn_end(struct lt_warn *warn, int64_t now_ns, bool normal)
{
    if (warn->now_ns == LT_NO_TIME)
        return;
    if (now_ns > warn->now_ns)
        lt_warn_tick(warn, now_ns);
    if (normal)
        frames_clear(warn);
}

/* --- what can be asked --- */

int64_t lt_warn_next_ns(const struct lt_warn *warn)
{
    return warn->next_ns;
}

size_t lt_warn_input_count(const struct lt_warn *warn)
{
    return warn->input_count;
}

const struct lt_warn_input *lt_warn_input(const struct lt_warn *warn, uint32_t input)
{
    return &warn->inputs[input].is;
}

size_t lt_warn_inputs_of(const struct lt_warn *warn, uint32_t warning, const uint32_t **ret_inputs)
{
    *ret_inputs = warn->warnings[warning].inputs;
    return warn->warnings[warning].input_count;
}

bool lt_warn_is_on(const struct lt_warn *warn, uint32_t warning, enum lt_warn_cause *ret_cause)
{
    if (warn->warnings[warning].on && ret_cause)
        *ret_cause = warn->warnings[warning].cause;
    return warn->warnings[warning].on;
}

bool lt_warn_limp(const struct lt_warn *warn)
{
    return warn->limp;
}

const struct lt_warn_counts *lt_warn_counts(const struct lt_warn *warn)
{
    return &warn->counts;
}

const char *const lt_warn_cautions[] = {
    "Transmitting on a vehicle bus can change how the vehicle behaves.",
    "Do it with the vehicle stationary and its wheels chocked, never on a public road.",
    "Keep clear of restraint, brake and steering networks.",
    "Follow the maker's workshop information, local law (emission control, type approval) and a "
    "licensed technician's judgement.",
    "A passenger operates it, not the driver. This program is no safety device.",
    NULL,
};
