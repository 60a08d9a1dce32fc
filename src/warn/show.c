/* Times, causes and inputs as text. See show.h. */
#include "warn/show.h"

#include "loomtap/base/number.h"
#include "loomtap/core/value.h"

size_t time_text(int64_t ns, char ret_text[LT_TIME_TEXT_ROOM])
{
    size_t len = lt_print_fixed(ret_text, ns, 9);
    while (ret_text[len - 1] == '0' && ret_text[len - 2] != '.')
        len--;
    ret_text[len] = '\0';
    return len;
}

const char *cause_text(enum lt_warn_cause cause)
{
    return cause == LT_WARN_CAUSE_LOST ? "lost" : "condition";
}

static bool has_value(const struct lt_warn_input *input)
{
    return input->source == LT_WARN_OWN || input->source == LT_WARN_HELD ||
           input->source == LT_WARN_SUBSTITUTED;
}

static const char *label_of(const struct lt_warn_input *input)
{
    return input->has_raw ? lt_signal_label(input->scaler->def, input->raw) : NULL;
}

/* As decode prints it; a value that stands in without bits of its own in its shortest form. */
static size_t number_text(const struct lt_warn_input *input, char ret_text[LT_VALUE_ROOM])
{
    if (input->has_raw)
        return lt_scaler_print(input->scaler, input->raw, ret_text);
    return lt_print_f64(ret_text, input->value);
}

size_t input_text(const struct lt_profile *profile, const struct lt_warn_input *input, char *buffer,
                  size_t size)
{
    const struct lt_signal_def *def = &profile->signals[input->signal];
    const char *label = label_of(input), *why = lt_warn_loss_text(input->loss);
    const char *unit = lt_signal_unit(def);
    char number[LT_VALUE_ROOM];
    if (input->source == LT_WARN_AWAITED)
        return lt_text_format(buffer, size, "%s awaited", def->name);
    if (!has_value(input))
        return lt_text_format(buffer, size, "%s lost (%s)", def->name, why);
    size_t at;
    if (label) {
        at = lt_text_format(buffer, size, "%s %s", def->name, label);
    } else {
        size_t len = number_text(input, number);
        at = lt_text_format(buffer, size, "%s %.*s%s%s", def->name, (int)len, number,
                            *unit ? " " : "", unit);
    }
    if (input->source != LT_WARN_OWN)
        at += lt_text_format(buffer + at, size - at, " (%s%s%s)",
                             input->source == LT_WARN_HELD ? "held" : "stands in", *why ? ", " : "",
                             why);
    return at;
}

void input_json(const struct lt_profile *profile, const struct lt_warn_input *input,
                struct lt_json *json)
{
    const char *name = profile->signals[input->signal].name;
    char number[LT_VALUE_ROOM];
    if (!has_value(input))
        lt_json_null(json, name);
    else if (label_of(input))
        lt_json_string(json, name, label_of(input));
    else
        lt_json_raw(json, name, (struct lt_text){number, number_text(input, number)});
}
