/* Setters of [signal], [values] and [curve]. */
#include "defs/setters.h"

#include <stdlib.h>

LT_SETTER(lt_set_signal_frame)
{
    struct lt_signal_def *signal = definition;
    signal->frame = lt_defs_resolve(loader, section, entry, entry->value, LT_SECTION_FRAME);
}

LT_SETTER(lt_set_signal_parameter)
{
    struct lt_signal_def *signal = definition;
    signal->parameter = lt_defs_resolve(loader, section, entry, entry->value, LT_SECTION_PARAMETER);
}

LT_SETTER(lt_set_parts)
{
    struct lt_signal_def *signal = definition;
    if (!lt_bits_parse(entry->value, &signal->bits))
        lt_defs_explain_bits(loader, section, entry, entry->value);
}

LT_SETTER(lt_set_bits)
{
    struct lt_text rest = entry->value, word;
    size_t words = 0;
    while (lt_text_word(&rest, &word))
        words++;
    if (words > 1) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_SYNTAX,
                                         "bits: `%.*s` names several places",
                                         LT_TEXT_ARG(entry->value)),
                        "a field in one place is `bits = 0.7..1.0`, without blanks; one in several "
                        "is `parts = 3.1..3.0 5.7..5.0`, most significant part first");
        return;
    }
    lt_set_parts(loader, section, entry, definition);
}

LT_SETTER(lt_set_order)
{
    static const char *const words[] = {"intel", "motorola", NULL};
    struct lt_signal_def *signal = definition;
    int choice = lt_defs_choice(loader, section, entry, words);
    if (choice >= 0)
        signal->order = choice ? LT_ORDER_MOTOROLA : LT_ORDER_INTEL;
}

LT_SETTER(lt_set_sign)
{
    static const char *const words[] = {"unsigned",       "twos",  "offset-binary",
                                        "sign-magnitude", "float", NULL};
    static const enum lt_sign signs[] = {LT_UNSIGNED, LT_TWOS, LT_OFFSET_BINARY, LT_SIGN_MAGNITUDE,
                                         LT_FLOAT};
    struct lt_signal_def *signal = definition;
    int choice = lt_defs_choice(loader, section, entry, words);
    if (choice >= 0)
        signal->sign = signs[choice];
}

LT_SETTER(lt_set_form)
{
    static const char *const words[] = {"linear", "reciprocal", NULL};
    struct lt_signal_def *signal = definition;
    int choice = lt_defs_choice(loader, section, entry, words);
    if (choice == 1)
        signal->form = LT_FORM_RECIPROCAL;
}

LT_SETTER(lt_set_curve)
{
    struct lt_signal_def *signal = definition;
    signal->curve = lt_defs_resolve(loader, section, entry, entry->value, LT_SECTION_CURVE);
    signal->form = LT_FORM_CURVE;
}

/* Whole numbers beyond 64 bits end the range of a field of 64 bits: they limit nothing. */
static bool range_end(struct lt_loader *loader, const struct lt_section *section,
                      const struct lt_entry *entry, struct lt_text text, struct lt_ratio *ret_end)
{
    double value;
    if (lt_parse_ratio(text, ret_end))
        return true;
    if (lt_parse_f64(text, &value) && (value >= 9.2e18 || value <= -9.2e18)) {
        *ret_end = (struct lt_ratio){value > 0 ? INT64_MAX : -INT64_MAX, 1};
        return true;
    }
    return lt_defs_ratio(loader, section, entry, text, ret_end); /* says what is wrong */
}

LT_SETTER(lt_set_range)
{
    struct lt_signal_def *signal = definition;
    struct lt_text low, high;
    if (!lt_defs_split_range(entry->value, &low, &high)) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_SYNTAX,
                                         "range: `%.*s` is not a range", LT_TEXT_ARG(entry->value)),
                        "write the least and the greatest value with two points between, such as "
                        "`0..9000` or `-40..210`");
        return;
    }
    if (!range_end(loader, section, entry, low, &signal->range_low) ||
        !range_end(loader, section, entry, high, &signal->range_high))
        return;
    signal->has_range = true;
    if (lt_ratio_f64(signal->range_low) <= lt_ratio_f64(signal->range_high))
        return;
    signal->has_range = false;
    lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_RANGE,
                                     "range: `%.*s` runs backwards", LT_TEXT_ARG(entry->value)),
                    "write the lower value first");
}

/* --- raw codes ------------------------------------------------------------------------------- */

static void set_codes(struct lt_loader *loader, const struct lt_section *section,
                      const struct lt_entry *entry, const struct lt_raw_range **ret_codes,
                      size_t *ret_count)
{
    struct lt_raw_range *codes = NULL;
    size_t count = 0, capacity = 0;
    struct lt_text rest = entry->value, item;
    while (lt_defs_list_item(&rest, &item)) {
        struct lt_raw_range range;
        if (!lt_defs_raw_range(loader, section, entry, item, &range))
            continue;
        struct lt_raw_range *slot =
            lt_arena_push(&loader->profile->arena, &codes, &count, &capacity, sizeof *codes);
        if (!slot)
            return;
        *slot = range;
    }
    if (count == 0)
        return;
    *ret_codes = codes;
    *ret_count = count;
}

LT_SETTER(lt_set_unavailable)
{
    struct lt_signal_def *signal = definition;
    set_codes(loader, section, entry, &signal->unavailable, &signal->unavailable_count);
}

LT_SETTER(lt_set_error)
{
    struct lt_signal_def *signal = definition;
    set_codes(loader, section, entry, &signal->error, &signal->error_count);
}

/* --- labels ---------------------------------------------------------------------------------- */

#define LABEL_MAX 64

static const char *label_fault(struct lt_text label)
{
    if (label.len == 0)
        return "is missing";
    if (label.len > LABEL_MAX)
        return "is longer than 64 bytes";
    if (memchr(label.at, '"', label.len) || memchr(label.at, '\'', label.len))
        return "holds a quote";
    if (lt_text_is(label, "unavailable") || lt_text_is(label, "error") ||
        lt_text_is(label, "suspect"))
        return "is one of the words that the program writes itself";
    return NULL;
}

/* One label, into its place in a list. False when there was a fault or no memory. */
static bool make_label(struct lt_loader *loader, const struct lt_section *section,
                       const struct lt_entry *entry, struct lt_text raw, struct lt_text label,
                       struct lt_label *ret_label)
{
    uint64_t value;
    struct lt_place place = raw.at >= entry->value.at && raw.at < entry->value.at + entry->value.len
                                ? lt_defs_place_at(entry->place, lt_defs_offset(entry, raw))
                                : entry->name_place;
    if (!lt_parse_u64(raw, &value)) {
        struct lt_error *error = lt_defs_fault(
            loader, place, LT_E_SYNTAX, "`%.*s` is not the raw value of a label", LT_TEXT_ARG(raw));
        if (raw.len && raw.at[0] == '-')
            lt_error_advise(error, "raw values are bit patterns without a sign: -1 in 4 bits is "
                                   "15");
        else
            lt_error_advise(error,
                            "write `values = 0 comfort, 1 sport`, or in a section "
                            "[values %.*s] a line `0 = comfort`",
                            LT_TEXT_ARG(section->name));
        return false;
    }
    const char *fault = label_fault(label);
    if (fault) {
        lt_error_advise(lt_defs_fault(loader, place, LT_E_SYNTAX,
                                      "the label `%.*s` of raw value %.*s %s", LT_TEXT_ARG(label),
                                      LT_TEXT_ARG(raw), fault),
                        lt_text_is(label, "unavailable") || lt_text_is(label, "error")
                            ? "give such codes by the keys `unavailable` and `error`"
                            : "choose another label");
        return false;
    }
    *ret_label = (struct lt_label){value, lt_defs_keep(loader, label), place};
    return ret_label->name != NULL;
}

static int compare_labels(const void *left, const void *right)
{
    const struct lt_label *a = left, *b = right;
    if (a->raw != b->raw)
        return a->raw < b->raw ? -1 : 1;
    if (a->place.line != b->place.line)
        return a->place.line < b->place.line ? -1 : 1;
    return (a->place.column > b->place.column) - (a->place.column < b->place.column);
}

static void refuse_label_twice(struct lt_loader *loader, const struct lt_label *first,
                               const struct lt_label *second, const char *what)
{
    char place[LT_PLACE_TEXT_ROOM];
    lt_error_advise(lt_defs_fault(loader, second->place, LT_E_DUPLICATE,
                                  "%llu %s: the %s is already used at %s (%llu %s)",
                                  (unsigned long long)second->raw, second->name, what,
                                  lt_defs_place_text(loader, first->place, place, sizeof place),
                                  (unsigned long long)first->raw, first->name),
                    "every raw value has one label, and every label one raw value");
}

static int compare_label_names(const void *left, const void *right)
{
    const struct lt_label *a = left, *b = right;
    int order = strcmp(a->name, b->name);
    return order ? order : compare_labels(left, right);
}

/* Ascending, and no raw value and no label twice. */
static void keep_labels(struct lt_loader *loader, struct lt_signal_def *signal,
                        struct lt_label *labels, size_t count)
{
    if (count == 0)
        return;
    qsort(labels, count, sizeof *labels, compare_label_names);
    for (size_t i = 1; i < count; i++)
        if (strcmp(labels[i - 1].name, labels[i].name) == 0)
            refuse_label_twice(loader, &labels[i - 1], &labels[i], "label");
    qsort(labels, count, sizeof *labels, compare_labels);
    for (size_t i = 1; i < count; i++)
        if (labels[i - 1].raw == labels[i].raw)
            refuse_label_twice(loader, &labels[i - 1], &labels[i], "raw value");
    signal->labels = labels;
    signal->label_count = count;
}

/* values = 0 comfort, 1 sport */
LT_SETTER(lt_set_values)
{
    struct lt_signal_def *signal = definition;
    struct lt_label *labels = NULL;
    size_t count = 0, capacity = 0;
    struct lt_text rest = entry->value, item;
    while (lt_text_split(&rest, ',', &item)) {
        struct lt_text label = lt_text_trim(item), raw;
        if (!lt_text_word(&label, &raw))
            raw = (struct lt_text){item.at, 0};
        struct lt_label made;
        if (!make_label(loader, section, entry, raw, lt_text_trim(label), &made))
            continue;
        struct lt_label *slot =
            lt_arena_push(&loader->profile->arena, &labels, &count, &capacity, sizeof *labels);
        if (!slot)
            return;
        *slot = made;
    }
    keep_labels(loader, signal, labels, count);
}

/* [values SIGNAL] */
void lt_set_value_section(struct lt_loader *loader, const struct lt_section *section)
{
    char place[LT_PLACE_TEXT_ROOM];
    struct lt_section *of = lt_defs_find(loader, LT_SECTION_SIGNAL, section->name);
    if (!of || !loader->profile->signals)
        return;
    const struct lt_entry *inline_values = lt_defs_entry(of, "values");
    if (inline_values) {
        lt_error_advise(
            lt_defs_fault(loader, section->place, LT_E_DUPLICATE,
                          "signal `%.*s` has its values already at %s", LT_TEXT_ARG(section->name),
                          lt_defs_place_text(loader, inline_values->place, place, sizeof place)),
            "keep the section or the key `values`, not both");
        return;
    }
    struct lt_arena *arena = &loader->profile->arena;
    struct lt_label *labels = lt_arena_array(arena, section->entry_count, sizeof *labels);
    size_t count = 0;
    for (size_t i = 0; labels && i < section->entry_count; i++) {
        const struct lt_entry *entry = &section->entries[i];
        count += make_label(loader, section, entry, entry->name, entry->value, &labels[count]);
    }
    keep_labels(loader, &loader->profile->signals[of->index], labels, count);
}

/* --- curves ---------------------------------------------------------------------------------- */

void lt_set_curve_points(struct lt_loader *loader, const struct lt_section *section,
                         struct lt_curve_def *curve)
{
    struct lt_curve_point *points =
        lt_arena_array(&loader->profile->arena, section->entry_count, sizeof *points);
    size_t count = 0;
    for (size_t i = 0; points && i < section->entry_count; i++) {
        const struct lt_entry *entry = &section->entries[i];
        struct lt_curve_point *point = &points[count];
        if (!lt_parse_ratio(entry->name, &point->raw)) {
            lt_error_advise(lt_defs_fault(loader, entry->name_place, LT_E_SYNTAX,
                                          "`%.*s` is not the raw value of a point",
                                          LT_TEXT_ARG(entry->name)),
                            "a point is a line `raw = physical`, such as `512 = 20.5`");
            continue;
        }
        if (!lt_defs_ratio(loader, section, entry, entry->value, &point->physical))
            continue;
        if (count && lt_ratio_f64(points[count - 1].raw) >= lt_ratio_f64(point->raw)) {
            lt_error_advise(lt_defs_fault(loader, entry->name_place, LT_E_CONFLICT,
                                          "raw value %.*s is not above the one of the point before",
                                          LT_TEXT_ARG(entry->name)),
                            "order the points by raw value, each once");
            continue;
        }
        count++;
    }
    curve->points = points;
    curve->count = count;
    if (section->entry_count < 2)
        lt_error_advise(lt_defs_fault(loader, section->place, LT_E_MISSING,
                                      "curve `%.*s` has %zu point%s", LT_TEXT_ARG(section->name),
                                      section->entry_count, section->entry_count == 1 ? "" : "s"),
                        "a curve has at least two points, one `raw = physical` a line");
}

/* --- page ------------------------------------------------------------------------------------ */

static bool is_clause_end(struct lt_text text, size_t i)
{
    return i + 5 <= text.len && memcmp(text.at + i, " and ", 5) == 0;
}

/* Takes the text up to ` and ` out of *rest. */
static bool next_clause(struct lt_text *rest, struct lt_text *ret_clause)
{
    if (!rest->at)
        return false;
    size_t i = 0;
    while (i < rest->len && !is_clause_end(*rest, i))
        i++;
    *ret_clause = lt_text_trim((struct lt_text){rest->at, i});
    if (i == rest->len) {
        rest->at = NULL;
    } else {
        rest->at += i + 5;
        rest->len -= i + 5;
    }
    return true;
}

static bool read_clause(struct lt_loader *loader, const struct lt_section *section,
                        const struct lt_entry *entry, struct lt_text text,
                        struct lt_page_clause *ret_clause)
{
    struct lt_page_clause clause = {0};
    struct lt_text rest = text, name, item;
    if (!lt_text_word(&rest, &name) || lt_text_trim(rest).len == 0) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, lt_defs_offset(entry, text),
                                         LT_E_SYNTAX, "page: `%.*s` is not a condition on a page",
                                         LT_TEXT_ARG(text)),
                        "write the selector signal and its values, such as `kind 3`, "
                        "`kind 1,4..7` or `kind 3 and sub 1`");
        return false;
    }
    clause.selector = lt_defs_resolve(loader, section, entry, name, LT_SECTION_SIGNAL);
    if (clause.selector == LT_NONE)
        return false;
    while (lt_defs_list_item(&rest, &item)) {
        if (clause.ranges == LT_PAGE_RANGES_MAX) {
            lt_error_advise(lt_defs_fault_in(loader, section, entry, lt_defs_offset(entry, item),
                                             LT_E_LIMIT, "page: more than %d values and ranges",
                                             LT_PAGE_RANGES_MAX),
                            "join neighbouring values to ranges such as 4..7");
            return false;
        }
        if (!lt_defs_raw_range(loader, section, entry, item, &clause.range[clause.ranges]))
            return false;
        clause.ranges++;
    }
    *ret_clause = clause;
    return clause.ranges > 0;
}

LT_SETTER(lt_set_page)
{
    struct lt_signal_def *signal = definition;
    struct lt_page_clause *clauses = NULL;
    size_t count = 0, capacity = 0;
    struct lt_text rest = entry->value, text;
    while (next_clause(&rest, &text)) {
        struct lt_page_clause clause;
        if (!read_clause(loader, section, entry, text, &clause))
            continue;
        struct lt_page_clause *slot =
            lt_arena_push(&loader->profile->arena, &clauses, &count, &capacity, sizeof *clauses);
        if (!slot)
            return;
        *slot = clause;
    }
    signal->page = clauses;
    signal->page_count = count;
}

/* --- on_lost --------------------------------------------------------------------------------- */

/* missing | hold MS | value V */
LT_SETTER(lt_set_signal_lost)
{
    struct lt_signal_def *signal = definition;
    struct lt_text rest = entry->value, word = entry->value;
    bool good = lt_text_word(&rest, &word);
    struct lt_text number = lt_text_trim(rest);
    bool has_number = number.len > 0;
    if (good && lt_text_is(word, "missing") && !has_number) {
        signal->on_lost = LT_LOST_MISSING;
        return;
    }
    bool is_hold = lt_text_is(word, "hold");
    if (!good || !has_number || !(is_hold || lt_text_is(word, "value"))) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, 0, LT_E_SYNTAX,
                                         "on_lost: `%.*s` is not understood",
                                         LT_TEXT_ARG(entry->value)),
                        "write `missing`, `hold MS` (the last value for that many milliseconds) or "
                        "`value V`");
        return;
    }
    if (!is_hold && !lt_parse_ratio(number, &signal->on_lost_value)) {
        signal->on_lost = LT_LOST_VALUE; /* a label: resolve.c, when the labels are known */
        return;
    }
    if (is_hold && !lt_defs_ratio(loader, section, entry, number, &signal->on_lost_value))
        return;
    if (is_hold &&
        (signal->on_lost_value.num <= 0 || lt_ratio_f64(signal->on_lost_value) > 3600000)) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, lt_defs_offset(entry, number),
                                         LT_E_RANGE, "on_lost: %.*s is no time to hold a value",
                                         LT_TEXT_ARG(number)),
                        "give milliseconds above 0 and up to 3600000");
        return;
    }
    signal->on_lost = is_hold ? LT_LOST_HOLD : LT_LOST_VALUE;
}
