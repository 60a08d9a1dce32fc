/* [signal] and [values] of the canonical text. */
#include "defs/write.h"

/* Up to this width labels stand on one line, else in a section of their own. */
#define INLINE_VALUES_MAX 80

static const char *const order_words[] = {
    [LT_ORDER_NONE] = NULL, [LT_ORDER_INTEL] = "intel", [LT_ORDER_MOTOROLA] = "motorola"};
static const char *const sign_words[] = {[LT_UNSIGNED] = NULL,
                                         [LT_TWOS] = "twos",
                                         [LT_OFFSET_BINARY] = "offset-binary",
                                         [LT_SIGN_MAGNITUDE] = "sign-magnitude",
                                         [LT_FLOAT] = "float"};

static bool is(struct lt_ratio value, int64_t number)
{
    return value.num == number && value.den == 1;
}

static void write_place(struct lt_writer *writer, const struct lt_signal_def *signal)
{
    const struct lt_profile *profile = writer->profile;
    char bits[128];
    if (signal->frame != LT_NONE)
        lt_write_text(writer, "frame", profile->frames[signal->frame].name);
    if (signal->parameter != LT_NONE)
        lt_write_text(writer, "parameter", profile->parameters[signal->parameter].name);
    lt_bits_print(bits, sizeof bits, &signal->bits);
    lt_write_text(writer, signal->bits.parts > 1 ? "parts" : "bits", bits);
    lt_write_text(writer, "order", order_words[signal->order]);
    lt_write_text(writer, "sign", sign_words[signal->sign]);
}

static void write_scaling(struct lt_writer *writer, const struct lt_signal_def *signal)
{
    char low[45], high[45];
    if (!is(signal->scale, 1))
        lt_write_ratio(writer, "scale", signal->scale);
    if (!is(signal->offset, 0))
        lt_write_ratio(writer, "offset", signal->offset);
    if (signal->form == LT_FORM_RECIPROCAL)
        lt_write_text(writer, "form", "reciprocal");
    if (signal->curve != LT_NONE)
        lt_write_text(writer, "curve", writer->profile->curves[signal->curve].name);
    lt_write_text(writer, "unit", signal->unit);
    if (!signal->has_range)
        return;
    low[lt_print_ratio(low, signal->range_low)] = '\0';
    high[lt_print_ratio(high, signal->range_high)] = '\0';
    lt_write_format(writer, "range", "%s..%s", low, high);
}

/* The labels as one line, cut where they are longer than `size`. */
static size_t print_labels(char *ret_text, size_t size, const struct lt_signal_def *signal)
{
    size_t used = 0;
    ret_text[0] = '\0';
    for (size_t i = 0; i < signal->label_count && used + 1 < size; i++)
        used += lt_text_format(ret_text + used, size - used, "%s%llu %s", i ? ", " : "",
                               (unsigned long long)signal->labels[i].raw, signal->labels[i].name);
    return used;
}

static bool fits_inline(const struct lt_signal_def *signal)
{
    char text[INLINE_VALUES_MAX + 2];
    for (size_t i = 0; i < signal->label_count; i++)
        if (strchr(signal->labels[i].name, ','))
            return false;
    return print_labels(text, sizeof text, signal) <= INLINE_VALUES_MAX;
}

static void write_page(struct lt_writer *writer, const struct lt_signal_def *signal, bool shortest,
                       char *ret_text, size_t size)
{
    size_t used = 0;
    ret_text[0] = '\0';
    for (size_t i = 0; i < signal->page_count && used + 1 < size; i++) {
        const struct lt_page_clause *clause = &signal->page[i];
        used += lt_text_format(ret_text + used, size - used, "%s%s ", i ? " and " : "",
                               writer->profile->signals[clause->selector].name);
        used +=
            lt_print_codes(ret_text + used, size - used, clause->range, clause->ranges, shortest);
    }
}

static void write_pages(struct lt_writer *writer, const struct lt_signal_def *signal)
{
    char text[4096];
    if (signal->page_count == 0)
        return;
    write_page(writer, signal, false, text, sizeof text);
    if (strlen(text) > 190)
        write_page(writer, signal, true, text, sizeof text);
    lt_write_text(writer, "page", text);
}

static void write_lost(struct lt_writer *writer, const struct lt_signal_def *signal)
{
    char number[45];
    if (signal->on_lost == LT_LOST_MISSING)
        return;
    number[lt_print_ratio(number, signal->on_lost_value)] = '\0';
    lt_write_format(writer, "on_lost", "%s %s", signal->on_lost == LT_LOST_HOLD ? "hold" : "value",
                    number);
}

void lt_write_signal(struct lt_writer *writer, const struct lt_signal_def *signal)
{
    char labels[INLINE_VALUES_MAX + 2];
    bool is_inline = fits_inline(signal);
    lt_write_section(writer, "signal", signal->name, signal->place);
    write_place(writer, signal);
    write_scaling(writer, signal);
    lt_write_text(writer, "role", signal->role_name);
    lt_write_codes(writer, "unavailable", signal->unavailable, signal->unavailable_count);
    lt_write_codes(writer, "error", signal->error, signal->error_count);
    if (is_inline && signal->label_count) {
        print_labels(labels, sizeof labels, signal);
        lt_write_text(writer, "values", labels);
    }
    write_pages(writer, signal);
    if (signal->max_age_ms)
        lt_write_u64(writer, "max_age_ms", signal->max_age_ms);
    write_lost(writer, signal);
    if (signal->stoich.num)
        lt_write_ratio(writer, "stoich", signal->stoich);
    lt_write_text(writer, "evidence", signal->evidence);
    if (is_inline)
        return;
    lt_write_section(writer, "values", signal->name, signal->place);
    for (size_t i = 0; i < signal->label_count; i++) {
        char raw[24];
        lt_text_format(raw, sizeof raw, "%llu", (unsigned long long)signal->labels[i].raw);
        lt_write_text(writer, raw, signal->labels[i].name);
    }
}
