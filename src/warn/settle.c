/* The life of warnings: on, off, and when to look again. The rules stand in loomtap/warn/warn.h
 * under A WARNING. */
#include "warn/internal.h"

static bool any_awaited(const struct lt_warn *warn, const struct warning *warning)
{
    for (size_t i = 0; i < warning->input_count; i++)
        if (warn->inputs[warning->inputs[i]].is.source == LT_WARN_AWAITED)
            return true;
    return false;
}

static void tell(const struct lt_warn *warn, const struct warning *warning)
{
    struct lt_warn_event event = {
        .time_ns = warn->now_ns,
        .warning = (uint32_t)(warning - warn->warnings),
        .on = warning->on,
        .cause = warning->cause,
        .on_ns = warning->on_ns,
        .inputs = warning->inputs,
        .input_count = warning->input_count,
    };
    if (warn->sink.event)
        warn->sink.event(warn->sink.context, &event);
}

static void turn(struct lt_warn *warn, struct warning *warning, bool on)
{
    warning->on = on;
    warning->changed_step = warn->step;
    warning->since_ns = NEVER;
    if (on)
        warning->on_ns = warn->now_ns;
    tell(warn, warning);
    if (warning->send != LT_NONE)
        frame_changed(warn, warning->send, !on && warning->cause == LT_WARN_CAUSE_CONDITION);
}

/* At `at_ns`, if that is now or past and nothing was changed at this instant; else then. */
static bool is_time(struct lt_warn *warn, struct warning *warning, int64_t at_ns)
{
    if (warn->now_ns < at_ns) {
        if (at_ns < warning->due_ns)
            warning->due_ns = at_ns;
        return false;
    }
    if (warning->changed_step != warn->step)
        return true;
    warning->held_back = warn->any_held_back = true;
    return false;
}

static void look_while_off(struct lt_warn *warn, struct warning *warning, enum truth when,
                           bool holds)
{
    if (!holds) {
        warning->since_ns = NEVER;
        return;
    }
    if (warning->since_ns == NEVER)
        warning->since_ns = warn->now_ns;
    int64_t at_ns = later(warning->since_ns, warning->def->for_ms * NS_PER_MS);
    if (!is_time(warn, warning, at_ns))
        return;
    warning->cause = when == YES ? LT_WARN_CAUSE_CONDITION : LT_WARN_CAUSE_LOST;
    turn(warn, warning, true);
}

static void look_while_on(struct lt_warn *warn, struct warning *warning, enum truth when,
                          enum truth until, bool holds)
{
    if (when == YES)
        warning->cause = LT_WARN_CAUSE_CONDITION;
    bool is_back = warning->cause == LT_WARN_CAUSE_LOST && when == NO;
    if (holds || !(until == YES || is_back))
        return;
    int64_t at_ns = later(warning->on_ns, warning->def->hold_ms * NS_PER_MS);
    if (is_time(warn, warning, at_ns))
        turn(warn, warning, false);
}

static void look(struct lt_warn *warn, struct warning *warning)
{
    int64_t next_ns = NEVER;
    warning->dirty = warning->held_back = false;
    enum truth when = warn_evaluate(warn, &warning->when, &next_ns), until;
    if (warning->until.count)
        until = warn_evaluate(warn, &warning->until, &next_ns);
    else
        until = when == UNKNOWN ? UNKNOWN : when == YES ? NO : YES;
    bool holds = when == YES || (when == UNKNOWN && warning->def->on_lost == LT_WARNING_LOST_WARN &&
                                 !any_awaited(warn, warning));
    warning->due_ns = next_ns;
    if (warning->on)
        look_while_on(warn, warning, when, until, holds);
    else
        look_while_off(warn, warning, when, holds);
    if (warning->due_ns < warn->next_ns)
        warn->next_ns = warning->due_ns;
}

/* What `limp` says; those that read it are looked at again when it changes. */
static void settle_limp(struct lt_warn *warn)
{
    bool limp = false;
    for (size_t i = 0; i < warn->warning_count; i++)
        limp |= warn->warnings[i].on && warn->warnings[i].def->limp;
    if (limp == warn->limp)
        return;
    warn->limp = limp;
    for (size_t i = 0; i < warn->warning_count; i++) {
        struct warning *warning = &warn->warnings[i];
        if (!warning->when.reads_limp && !warning->until.reads_limp)
            continue;
        warning->dirty = true;
        warn->dirty = true;
    }
}

/* What may not change twice at one instant is looked at with the next. */
static void keep_held_back(struct lt_warn *warn)
{
    if (!warn->any_held_back)
        return;
    warn->any_held_back = false;
    for (size_t i = 0; i < warn->warning_count; i++) {
        struct warning *warning = &warn->warnings[i];
        warning->dirty |= warning->held_back;
        warn->dirty |= warning->held_back;
        warning->held_back = false;
    }
}

/* Ends: each pass but the last changes limp, and no warning changes twice. */
void warn_settle(struct lt_warn *warn)
{
    warn->step++;
    while (warn->dirty) {
        warn->dirty = false;
        for (size_t i = 0; i < warn->warning_count; i++)
            if (warn->warnings[i].dirty)
                look(warn, &warn->warnings[i]);
        settle_limp(warn);
    }
    keep_held_back(warn);
}

void warnings_begin(struct lt_warn *warn)
{
    for (size_t i = 0; i < warn->warning_count; i++) {
        struct warning *warning = &warn->warnings[i];
        warning->on = false;
        warning->since_ns = warning->due_ns = NEVER;
        warning->dirty = true;
    }
    warn->limp = false;
    warn->dirty = true;
}

void warnings_drop(struct lt_warn *warn)
{
    warn->step++;
    for (size_t i = 0; i < warn->warning_count; i++) {
        if (!warn->warnings[i].on)
            continue;
        warn->warnings[i].cause = LT_WARN_CAUSE_LOST;
        turn(warn, &warn->warnings[i], false);
    }
}
