/* An engine put together from a profile: which signals its conditions name, programs that name
 * inputs instead of signals, and the frames to send. All memory is taken here. */
#include "warn/internal.h"

#include <stdlib.h>

#include "loomtap/core/age.h"

#define AWAIT_NS       INT64_C(1000000000)
#define LONGEST_AGE_NS INT64_C(3600000000000)

struct making {
    struct lt_warn *warn;
    const struct lt_binding *bindings;
    size_t binding_count;
    uint32_t *input_of_signal; /* by signal; LT_NONE */
    struct lt_error *error;
};

static enum lt_code no_memory(struct making *m)
{
    return lt_fail(m->error, LT_E_MEMORY, "out of memory");
}

static bool names_signal(enum lt_op op)
{
    return op == LT_OP_SIGNAL || op == LT_OP_RAW || op == LT_OP_AGE || op == LT_OP_MISSING ||
           op == LT_OP_SUSPECT || op == LT_OP_RATE;
}

/* --- which signals --- */

static void find_signals(struct making *m, const struct lt_condition *condition)
{
    for (size_t i = 0; i < condition->count; i++) {
        const struct lt_step *step = &condition->steps[i];
        if (names_signal(step->op) && m->input_of_signal[step->signal] == LT_NONE)
            m->input_of_signal[step->signal] = (uint32_t)m->warn->input_count++;
    }
}

static bool wants(void *context, const struct lt_profile *profile, uint32_t signal)
{
    const struct making *m = context;
    (void)profile;
    return m->input_of_signal[signal] != LT_NONE;
}

static uint32_t bound_bus(const struct making *m, uint32_t bus)
{
    for (size_t i = 0; i < m->binding_count; i++)
        if (m->bindings[i].profile == 0 && m->bindings[i].bus == bus)
            return m->bindings[i].capture_bus;
    return LT_NONE;
}

/* --- inputs --- */

/* Milliseconds with any decimals, to whole nanoseconds. */
static int64_t hold_of(const struct lt_signal_def *def)
{
    struct lt_ratio ns;
    if (!lt_ratio_mul(def->on_lost_value, (struct lt_ratio){NS_PER_MS, 1}, &ns))
        return LONGEST_AGE_NS;
    return ns.num / ns.den;
}

/* It has bits of its own only where these say exactly it: they give its label, and its text. */
static void set_substitute(struct input *input, const struct lt_signal_def *def)
{
    char text[48];
    size_t len = lt_print_ratio(text, def->on_lost_value);
    uint64_t raw;
    input->substitute = lt_ratio_f64(def->on_lost_value);
    if (lt_scaler_parse(input->is.scaler, (struct lt_text){text, len}, &raw, NULL) != LT_OK ||
        lt_scaler_f64(input->is.scaler, raw) != input->substitute)
        return;
    input->has_substitute_raw = true;
    input->substitute_raw = raw;
}

static void set_input(struct making *m, const struct lt_frame_plan *plan,
                      const struct lt_field *field)
{
    struct input *input = &m->warn->inputs[m->input_of_signal[field->signal]];
    const struct lt_signal_def *def = field->scaler->def;
    m->warn->input_of_field[field->index] = m->input_of_signal[field->signal];
    input->is.signal = field->signal;
    input->is.scaler = field->scaler;
    input->max_age_ns = lt_largest_age_ns(plan, field);
    input->await_ns = input->max_age_ns == NEVER ? AWAIT_NS : input->max_age_ns;
    input->on_lost = def->on_lost;
    input->labels_only = def->role && def->role->is_labels && def->label_count;
    input->due_ns = NEVER;
    if (def->on_lost == LT_LOST_HOLD)
        input->hold_ns = hold_of(def);
    if (def->on_lost == LT_LOST_VALUE)
        set_substitute(input, def);
}

static void set_inputs(struct making *m, const struct lt_frame_plan *const *plans, size_t count)
{
    for (size_t i = 0; i < count; i++)
        for (unsigned k = 0; k < plans[i]->field_count; k++)
            set_input(m, plans[i], &plans[i]->fields[k]);
}

static enum lt_code make_inputs(struct making *m)
{
    struct lt_warn *warn = m->warn;
    struct lt_plan_options options = {.wants = wants, .context = m};
    const struct lt_frame_plan *const *frames, *const *parameters;
    enum lt_code code = lt_plan_new(&warn->plan, &warn->profile, 1, m->bindings, m->binding_count,
                                    &options, m->error);
    if (code != LT_OK)
        return code;
    size_t frame_count = lt_plan_frames(warn->plan, &frames);
    size_t parameter_count = lt_plan_parameters(warn->plan, &parameters);
    warn->inputs = lt_arena_array(&warn->arena, warn->input_count, sizeof *warn->inputs);
    warn->input_of_field =
        lt_arena_array(&warn->arena, lt_plan_field_count(warn->plan), sizeof *warn->input_of_field);
    if (!warn->inputs || !warn->input_of_field)
        return no_memory(m);
    set_inputs(m, frames, frame_count);
    set_inputs(m, parameters, parameter_count);
    return LT_OK;
}

/* --- warnings --- */

static enum lt_code make_program(struct making *m, const struct lt_condition *condition,
                                 struct program *program)
{
    struct step *steps = lt_arena_array(&m->warn->arena, condition->count, sizeof *steps);
    if (!steps)
        return no_memory(m);
    for (size_t i = 0; i < condition->count; i++) {
        const struct lt_step *from = &condition->steps[i];
        steps[i] = (struct step){.op = from->op, .raw = from->raw, .number = from->number};
        program->reads_limp |= from->op == LT_OP_LIMP;
        if (!names_signal(from->op))
            continue;
        steps[i].input = m->input_of_signal[from->signal];
        if (from->op == LT_OP_AGE || from->op == LT_OP_RATE)
            m->warn->inputs[steps[i].input].time_counts = true;
    }
    program->steps = steps;
    program->count = condition->count;
    return LT_OK;
}

static void add_inputs(const struct program *program, uint32_t *list, size_t *count)
{
    for (size_t i = 0; i < program->count; i++) {
        size_t at = 0;
        if (!names_signal(program->steps[i].op))
            continue;
        while (at < *count && list[at] != program->steps[i].input)
            at++;
        if (at == *count)
            list[(*count)++] = program->steps[i].input;
    }
}

static enum lt_code check_age(struct making *m, const struct warning *warning,
                              const struct program *program, const char *key)
{
    if (is_linear_in_age(program))
        return LT_OK;
    lt_fail(m->error, LT_E_CONFLICT,
            "warning %s: %s multiplies an age with an age, or divides by one", warning->def->name,
            key);
    lt_error_advise(m->error,
                    "multiply both sides out: `age(s) > 2` instead of `1 / age(s) < 0.5`");
    return LT_E_CONFLICT;
}

static enum lt_code make_warning(struct making *m, struct warning *warning)
{
    enum lt_code code = make_program(m, &warning->def->when, &warning->when);
    if (code == LT_OK)
        code = make_program(m, &warning->def->until, &warning->until);
    if (code == LT_OK)
        code = check_age(m, warning, &warning->when, "when");
    if (code == LT_OK)
        code = check_age(m, warning, &warning->until, "until");
    if (code != LT_OK)
        return code;
    uint32_t *list =
        lt_arena_array(&m->warn->arena, warning->when.count + warning->until.count, sizeof *list);
    if (!list)
        return no_memory(m);
    add_inputs(&warning->when, list, &warning->input_count);
    add_inputs(&warning->until, list, &warning->input_count);
    warning->inputs = list;
    return LT_OK;
}

static bool program_uses(const struct program *program, uint32_t input, bool value)
{
    for (size_t i = 0; i < program->count; i++) {
        enum lt_op op = program->steps[i].op;
        bool is_state = op == LT_OP_MISSING || op == LT_OP_SUSPECT;
        if (names_signal(op) && program->steps[i].input == input && !(value && is_state))
            return true;
    }
    return false;
}

static bool uses(const struct warning *warning, uint32_t input, bool value)
{
    return program_uses(&warning->when, input, value) ||
           program_uses(&warning->until, input, value);
}

static enum lt_code list_users(struct making *m, uint32_t index)
{
    struct lt_warn *warn = m->warn;
    uint32_t *list = lt_arena_array(&warn->arena, warn->warning_count, sizeof *list);
    struct input *input = &warn->inputs[index];
    if (!list)
        return no_memory(m);
    for (uint32_t i = 0; i < warn->warning_count; i++)
        if (uses(&warn->warnings[i], index, true))
            list[input->user_count++] = i;
    input->value_user_count = input->user_count;
    for (uint32_t i = 0; i < warn->warning_count; i++)
        if (uses(&warn->warnings[i], index, false) && !uses(&warn->warnings[i], index, true))
            list[input->user_count++] = i;
    input->users = list;
    return LT_OK;
}

static enum lt_code make_warnings(struct making *m)
{
    struct lt_warn *warn = m->warn;
    enum lt_code code = LT_OK;
    for (size_t i = 0; i < warn->warning_count && code == LT_OK; i++)
        code = make_warning(m, &warn->warnings[i]);
    for (uint32_t i = 0; i < warn->input_count && code == LT_OK; i++)
        code = list_users(m, i);
    return code;
}

/* --- frames to send --- */

static uint16_t bus_of(const struct making *m, uint32_t bus)
{
    uint32_t bound = bus == LT_NONE && m->binding_count == 1 ? m->bindings[0].capture_bus
                     : bus == LT_NONE                        ? LT_NONE
                                                             : bound_bus(m, bus);
    return bound == LT_NONE ? LT_WARN_NO_BUS : (uint16_t)bound;
}

/* By priority, then as in the profile. */
static void sort_in(const struct lt_warn *warn, uint32_t *list, size_t *count, uint32_t index)
{
    size_t at = (*count)++;
    uint32_t priority = warn->warnings[index].def->priority;
    for (; at > 0 && warn->warnings[list[at - 1]].def->priority > priority; at--)
        list[at] = list[at - 1];
    list[at] = index;
}

/* Each warning's own settings must make a frame. */
static enum lt_code check_settings(struct making *m, struct to_send *out)
{
    for (size_t i = 0; i < out->warning_count; i++) {
        const struct lt_warning_def *def = m->warn->warnings[out->warnings[i]].def;
        struct lt_frame frame = {0};
        struct lt_error why;
        size_t count = add_settings(m->warn, out, 0, def);
        if (lt_encode(m->warn->profile, out->frame, out->settings, count, 0, &frame, &why) != LT_OK)
            return lt_fail(m->error, LT_E_CONFLICT, "warning %s: %s", def->name, why.text);
    }
    return LT_OK;
}

static enum lt_code make_frame(struct making *m, struct to_send *out)
{
    struct lt_warn *warn = m->warn;
    const struct lt_frame_def *def = &warn->profile->frames[out->frame];
    uint32_t *list = lt_arena_array(&warn->arena, warn->warning_count, sizeof *list);
    size_t settings = 0;
    if (!list)
        return no_memory(m);
    for (uint32_t i = 0; i < warn->warning_count; i++) {
        if (warn->warnings[i].def->send != out->frame)
            continue;
        warn->warnings[i].send = (uint32_t)(out - warn->frames);
        settings += warn->warnings[i].def->assign_count;
        sort_in(warn, list, &out->warning_count, i);
    }
    out->warnings = list;
    out->settings = lt_arena_array(&warn->arena, settings, sizeof *out->settings);
    if (!out->settings)
        return no_memory(m);
    out->bus = bus_of(m, def->bus);
    out->period_ns = def->period_ns;
    out->next_ns = NEVER;
    out->last_ns = LT_NO_TIME;
    return check_settings(m, out);
}

static enum lt_code make_frames(struct making *m)
{
    struct lt_warn *warn = m->warn;
    enum lt_code code = LT_OK;
    warn->frames = lt_arena_array(&warn->arena, warn->warning_count, sizeof *warn->frames);
    if (!warn->frames)
        return no_memory(m);
    for (size_t i = 0; i < warn->warning_count && code == LT_OK; i++) {
        uint32_t frame = warn->warnings[i].def->send;
        bool known = frame == LT_NONE;
        for (size_t k = 0; k < warn->frame_count; k++)
            known |= warn->frames[k].frame == frame;
        if (known)
            continue;
        warn->frames[warn->frame_count].frame = frame;
        code = make_frame(m, &warn->frames[warn->frame_count++]);
    }
    return code;
}

/* --- diagnostics and transport --- */

static enum lt_code make_route(struct making *m)
{
    struct lt_warn *warn = m->warn;
    struct lt_route_setup setup = {warn->plan, &warn->profile, 1, m->bindings, m->binding_count};
    return lt_route_new(&warn->route, &setup, warn_take, warn, m->error);
}

static enum lt_code make_all(struct making *m)
{
    struct lt_warn *warn = m->warn;
    const struct lt_profile *profile = warn->profile;
    m->input_of_signal =
        lt_arena_array(&warn->arena, profile->signal_count, sizeof *m->input_of_signal);
    warn->warnings = lt_arena_array(&warn->arena, profile->warning_count, sizeof *warn->warnings);
    if (!m->input_of_signal || !warn->warnings)
        return no_memory(m);
    for (size_t i = 0; i < profile->signal_count; i++)
        m->input_of_signal[i] = LT_NONE;
    warn->warning_count = profile->warning_count;
    for (size_t i = 0; i < profile->warning_count; i++) {
        warn->warnings[i] = (struct warning){.def = &profile->warnings[i], .send = LT_NONE};
        find_signals(m, &profile->warnings[i].when);
        find_signals(m, &profile->warnings[i].until);
    }
    enum lt_code code = make_inputs(m);
    if (code == LT_OK)
        code = make_warnings(m);
    if (code == LT_OK)
        code = make_frames(m);
    return code == LT_OK ? make_route(m) : code;
}

enum lt_code warn_setup(struct lt_warn *warn, const struct lt_binding *bindings,
                        size_t binding_count, struct lt_error *error)
{
    struct making m = {
        .warn = warn, .bindings = bindings, .binding_count = binding_count, .error = error};
    return make_all(&m);
}
