/* The frames that warnings put on the bus: when, and with what in them. The rules stand in
 * loomtap/warn/warn.h under FRAMES. */
#include "warn/internal.h"

static bool is_on(const struct lt_warn *warn, const struct to_send *out, size_t i)
{
    return warn->warnings[out->warnings[i]].on;
}

static bool any_on(const struct lt_warn *warn, const struct to_send *out)
{
    for (size_t i = 0; i < out->warning_count; i++)
        if (is_on(warn, out, i))
            return true;
    return false;
}

/* The earliest time at which the next one may go out. */
static int64_t slot(const struct lt_warn *warn, const struct to_send *out)
{
    if (out->last_ns == LT_NO_TIME)
        return warn->now_ns;
    int64_t at_ns = later(out->last_ns, out->period_ns);
    return at_ns > warn->now_ns ? at_ns : warn->now_ns;
}

static void plan_next(struct lt_warn *warn, struct to_send *out)
{
    out->next_ns = slot(warn, out);
    if (out->next_ns < warn->next_ns)
        warn->next_ns = out->next_ns;
}

void frame_changed(struct lt_warn *warn, uint32_t send, bool ended_well)
{
    struct to_send *out = &warn->frames[send];
    out->is_made = false;
    out->ended_well = ended_well && !any_on(warn, out);
    if (!any_on(warn, out))
        out->next_ns = NEVER; /* the frames end; an all-clear is for the end of the run */
    else if (out->next_ns == NEVER || out->period_ns == 0)
        plan_next(warn, out);
}

static bool is_set(const struct to_send *out, size_t count, const char *name)
{
    for (size_t i = 0; i < count; i++)
        if (lt_text_is(out->settings[i].signal, name))
            return true;
    return false;
}

size_t add_settings(const struct lt_warn *warn, struct to_send *out, size_t count,
                    const struct lt_warning_def *def)
{
    size_t before = count;
    for (size_t i = 0; i < def->assign_count; i++) {
        const char *name = warn->profile->signals[def->assign[i].signal].name;
        if (!is_set(out, before, name))
            out->settings[count++] =
                (struct lt_setting){lt_text_of(name), lt_text_of(def->assign[i].value)};
    }
    return count;
}

static bool encodes(const struct lt_warn *warn, const struct to_send *out, size_t count,
                    struct lt_frame *frame)
{
    return lt_encode(warn->profile, out->frame, out->settings, count, out->counter, frame, NULL) ==
           LT_OK;
}

/* Where not all can stand in one frame, the less urgent give way, one by one. */
static bool encode_what_goes(const struct lt_warn *warn, struct to_send *out,
                             struct lt_frame *ret_frame)
{
    const struct lt_frame blank = *ret_frame;
    size_t count = 0;
    for (size_t i = 0; i < out->warning_count; i++) {
        if (!is_on(warn, out, i))
            continue;
        size_t more = add_settings(warn, out, count, warn->warnings[out->warnings[i]].def);
        struct lt_frame tried = blank;
        if (encodes(warn, out, more, &tried))
            count = more;
    }
    return encodes(warn, out, count, ret_frame);
}

static bool encode_all(const struct lt_warn *warn, struct to_send *out, struct lt_frame *ret_frame)
{
    size_t count = 0;
    for (size_t i = 0; i < out->warning_count && !out->is_clear; i++)
        if (is_on(warn, out, i))
            count = add_settings(warn, out, count, warn->warnings[out->warnings[i]].def);
    return encodes(warn, out, count, ret_frame) || encode_what_goes(warn, out, ret_frame);
}

/* The settings once a change; then counter and check alone go on, over bytes that stay. */
static bool make_next(const struct lt_warn *warn, struct to_send *out)
{
    if (out->is_made)
        return encodes(warn, out, 0, &out->made);
    out->made = (struct lt_frame){.bus = out->bus};
    return out->is_made = encode_all(warn, out, &out->made);
}

static void send_one(struct lt_warn *warn, struct to_send *out)
{
    if (make_next(warn, out)) {
        out->made.time_ns = warn->now_ns;
        warn->counts.sent++;
        if (warn->sink.send)
            warn->sink.send(warn->sink.context, out->frame, &out->made, out->is_clear);
    } else {
        warn->counts.not_encoded++;
    }
    out->is_made &= !out->is_clear;
    out->counter++;
    out->last_ns = warn->now_ns;
    out->is_lit = !out->is_clear;
    out->next_ns =
        out->is_clear || out->period_ns == 0 ? NEVER : later(warn->now_ns, out->period_ns);
    out->is_clear = false;
    if (out->next_ns < warn->next_ns)
        warn->next_ns = out->next_ns;
}

void frames_due(struct lt_warn *warn)
{
    for (size_t i = 0; i < warn->frame_count; i++)
        if (warn->frames[i].next_ns <= warn->now_ns)
            send_one(warn, &warn->frames[i]);
}

void frames_drop(struct lt_warn *warn)
{
    for (size_t i = 0; i < warn->frame_count; i++) {
        warn->frames[i].next_ns = NEVER;
        warn->frames[i].last_ns = LT_NO_TIME;
        warn->frames[i].is_lit = warn->frames[i].is_clear = warn->frames[i].ended_well = false;
    }
}

static bool has_lost_input(const struct lt_warn *warn, const struct warning *warning)
{
    for (size_t i = 0; i < warning->input_count; i++)
        if (warn->inputs[warning->inputs[i]].is.loss != LT_WARN_NOT_LOST)
            return true;
    return false;
}

static bool may_be_cleared(const struct lt_warn *warn, const struct to_send *out)
{
    if (!out->is_lit || (!any_on(warn, out) && !out->ended_well))
        return false; /* nothing to clear, or it ended with a loss */
    for (size_t i = 0; i < out->warning_count; i++) {
        const struct warning *warning = &warn->warnings[out->warnings[i]];
        if ((warning->on && warning->cause == LT_WARN_CAUSE_LOST) || has_lost_input(warn, warning))
            return false;
    }
    return true;
}

void frames_clear(struct lt_warn *warn)
{
    int64_t now_ns = warn->now_ns;
    for (size_t i = 0; i < warn->frame_count; i++) {
        struct to_send *out = &warn->frames[i];
        warn->now_ns = now_ns;
        if (may_be_cleared(warn, out)) {
            warn->now_ns = slot(warn, out);
            out->is_clear = true;
            out->is_made = false;
            send_one(warn, out);
        }
        out->next_ns = NEVER;
    }
}
