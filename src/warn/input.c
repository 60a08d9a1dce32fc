/* Inputs of conditions: what each is worth at every moment, and until when. The rules stand in
 * loomtap/warn/warn.h under INPUTS. */
#include "warn/internal.h"

#include <math.h>

static void mark(struct lt_warn *warn, const struct input *input, size_t count)
{
    for (size_t i = 0; i < count; i++)
        warn->warnings[input->users[i]].dirty = true;
    warn->dirty |= count > 0;
}

static void tell(struct lt_warn *warn, uint32_t index)
{
    if (warn->sink.input)
        warn->sink.input(warn->sink.context, warn->now_ns, index);
}

static void substitute(struct input *input)
{
    input->is.source = LT_WARN_SUBSTITUTED;
    input->is.has_raw = input->has_substitute_raw;
    input->is.raw = input->substitute_raw;
    input->is.value = input->substitute;
}

static void go_missing(struct input *input)
{
    input->is.source = LT_WARN_MISSING;
    input->is.has_raw = false;
}

/* Never too late: the bound of the engine follows. */
static void set_due(struct lt_warn *warn, struct input *input, int64_t due_ns)
{
    input->due_ns = due_ns;
    if (due_ns < warn->next_ns)
        warn->next_ns = due_ns;
}

static void lose(struct lt_warn *warn, struct input *input, enum lt_warn_loss loss)
{
    bool was_lost = input->is.loss != LT_WARN_NOT_LOST;
    input->is.loss = loss;
    if (was_lost)
        return; /* on_lost counts from the first loss */
    input->has_last = input->has_base = false;
    input->due_ns = NEVER;
    if (input->on_lost == LT_LOST_VALUE) {
        substitute(input);
    } else if (input->on_lost == LT_LOST_HOLD && input->has_good) {
        input->is.source = LT_WARN_HELD;
        set_due(warn, input, later(warn->now_ns, input->hold_ns));
    } else {
        go_missing(input);
    }
}

static void note_for_rate(struct input *input, double value, int64_t now_ns)
{
    if (input->has_last && now_ns > input->last_ns) {
        input->base = input->last;
        input->base_ns = input->last_ns;
        input->has_base = true;
    }
    input->last = value;
    input->last_ns = now_ns;
    input->has_last = true;
}

static void take_good(struct lt_warn *warn, struct input *input, uint64_t raw, double value)
{
    input->is.source = LT_WARN_OWN;
    input->is.loss = LT_WARN_NOT_LOST;
    input->is.has_raw = true;
    input->is.raw = raw;
    input->is.value = value;
    input->has_good = true;
    note_for_rate(input, value, warn->now_ns);
    /* Good while the age is the largest one, lost a nanosecond later. */
    int64_t end_ns = later(warn->now_ns, input->max_age_ns);
    set_due(warn, input, later(end_ns, 1));
}

static enum lt_warn_loss judge(const struct input *input, uint64_t raw, double *ret_value)
{
    const struct lt_scaler *scaler = input->is.scaler;
    switch (lt_scaler_state(scaler, raw)) {
    case LT_STATE_UNAVAILABLE:
        return LT_WARN_UNAVAILABLE;
    case LT_STATE_ERROR:
        return LT_WARN_ERROR;
    case LT_STATE_VALUE:
        break;
    }
    if (input->labels_only && !lt_signal_label(scaler->def, raw))
        return LT_WARN_NOT_KNOWN;
    *ret_value = lt_scaler_f64(scaler, raw);
    return isfinite(*ret_value) ? LT_WARN_NOT_LOST : LT_WARN_NOT_KNOWN;
}

void input_take(struct lt_warn *warn, uint32_t index, uint64_t raw, bool suspect)
{
    struct input *input = &warn->inputs[index];
    const struct lt_warn_input before = input->is;
    bool was_suspect = input->suspect;
    double number = 0;
    input->suspect = suspect;
    if (!suspect)
        input->seen_ns = warn->now_ns;
    /* The same again: nothing to work out but until when. */
    if (!suspect && before.source == LT_WARN_OWN && before.raw == raw && !input->time_counts) {
        input->last_ns = warn->now_ns;
        input->due_ns = later(later(warn->now_ns, input->max_age_ns), 1);
        if (was_suspect)
            mark(warn, input, input->user_count);
        return;
    }
    enum lt_warn_loss loss = suspect ? LT_WARN_SUSPECT : judge(input, raw, &number);
    if (loss == LT_WARN_NOT_LOST)
        take_good(warn, input, raw, number);
    else
        lose(warn, input, loss);
    bool state = input->is.source != before.source || input->is.loss != before.loss;
    bool value = input->is.has_raw != before.has_raw || input->is.raw != before.raw;
    if (state || suspect != was_suspect)
        mark(warn, input, input->user_count);
    else if (value || input->time_counts)
        mark(warn, input, input->value_user_count);
    if (state || value)
        tell(warn, index);
}

void input_due(struct lt_warn *warn, uint32_t index)
{
    struct input *input = &warn->inputs[index];
    input->due_ns = NEVER;
    if (input->is.source == LT_WARN_HELD)
        go_missing(input);
    else
        lose(warn, input, input->has_good ? LT_WARN_STALE : LT_WARN_NEVER_CAME);
    mark(warn, input, input->user_count);
    tell(warn, index);
}

void inputs_begin(struct lt_warn *warn, int64_t start_ns)
{
    for (size_t i = 0; i < warn->input_count; i++) {
        struct input *input = &warn->inputs[i];
        input->suspect = input->has_good = input->has_last = input->has_base = false;
        input->seen_ns = LT_NO_TIME;
        input->is.source = LT_WARN_AWAITED;
        input->is.loss = LT_WARN_NOT_LOST;
        input->is.has_raw = false;
        set_due(warn, input, later(later(start_ns, input->await_ns), 1));
    }
}

const char *lt_warn_loss_text(enum lt_warn_loss loss)
{
    static const char *const texts[] = {
        [LT_WARN_NOT_LOST] = "",
        [LT_WARN_NEVER_CAME] = "never came",
        [LT_WARN_STALE] = "too old",
        [LT_WARN_SUSPECT] = "suspect",
        [LT_WARN_UNAVAILABLE] = "unavailable",
        [LT_WARN_ERROR] = "error",
        [LT_WARN_NOT_KNOWN] = "not known",
    };
    return texts[loss];
}
