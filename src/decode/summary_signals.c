/* The summary's part on the signals: numbers, states, what was never valid and why, and the roles.
 */
#include <inttypes.h>

#include "decode/summary_text.h"
#include "loomtap/report/table.h"

/* As in rows, but seven figures where the exact value has no end ("0.8504983"). */
static const char *print_value(char *text, const struct lt_scaler *scaler, uint64_t raw)
{
    if (scaler->decimals < 0)
        lt_text_format(text, LT_VALUE_ROOM, "%.7g", lt_scaler_f64(scaler, raw));
    else
        text[lt_scaler_print(scaler, raw, text)] = 0;
    return text;
}

/* The mean with one decimal more than the values have, at most seven figures. */
static void print_mean(char *text, size_t size, const struct summary_row *row)
{
    const struct lt_scaler *scaler = row->field->scaler;
    double mean = tally_mean(row->tally, scaler);
    if (scaler->decimals >= 0 && scaler->decimals < 6)
        lt_text_format(text, size, "%.*f", scaler->decimals + 1, mean);
    else
        lt_text_format(text, size, "%.7g", mean);
}

static void role_line(struct page *page, const char *role)
{
    struct summary_row row;
    char period[32], low[LT_VALUE_ROOM + 1], high[LT_VALUE_ROOM + 1], mean[48];
    struct lt_buf why;
    if (!row_of_role(page->decode, role, &row)) {
        lt_sink_format(page->sink, "  %-22s MISSING: no profile has a signal for it\n", role);
        return;
    }
    const struct lt_scaler *scaler = row.field->scaler;
    if (!row_is_valid(&row)) {
        lt_buf_init(&why, 4096);
        say_why(page->decode, &row, &why);
        lt_sink_format(page->sink, "  %-22s NEVER VALID: %s\n", role, why.at ? why.at : "");
        lt_buf_release(&why);
        return;
    }
    print_period(period, sizeof period, timing_period_ns(row.tally->timing));
    lt_sink_format(page->sink, "  %-22s every %-9s ", role, period);
    if (row.tally->labels) {
        for (size_t i = 0, said = 0; i <= scaler->def->label_count; i++)
            if (row.tally->labels[i])
                lt_sink_format(page->sink, "%s%s %.1f %%", said++ ? ", " : "",
                               i < scaler->def->label_count ? scaler->def->labels[i].name
                                                            : "without label",
                               100.0 * (double)row.tally->labels[i] / (double)row.tally->values);
    } else {
        uint64_t least, greatest;
        tally_ends(row.tally, scaler, &least, &greatest);
        print_mean(mean, sizeof mean, &row);
        const char *unit = lt_signal_unit(scaler->def);
        lt_sink_format(page->sink, "%s .. %s%s%s, mean %s", print_value(low, scaler, least),
                       print_value(high, scaler, greatest), *unit ? " " : "", unit, mean);
    }
    lt_sink_char(page->sink, '\n');
}

void say_roles(struct page *page)
{
    const char *names[ROLES_ROOM];
    size_t count = roles_wanted(page->decode, names, ROLES_ROOM);
    if (!count)
        return;
    heading(page, "Roles");
    for (size_t i = 0; i < count; i++)
        role_line(page, names[i]);
}

/* "3 suspect, 12 unavailable" */
static void print_troubles(char *text, size_t size, const struct tally *tally)
{
    const struct {
        uint64_t count;
        const char *word;
    } parts[] = {{tally->suspect, "suspect"},
                 {tally->unavailable, "unavailable"},
                 {tally->error_codes, "error"},
                 {tally->not_finite, "not finite"},
                 {tally->too_short, "too short"}};
    size_t at = 0;
    text[0] = 0;
    for (size_t i = 0; i < sizeof parts / sizeof *parts; i++)
        if (parts[i].count)
            at += lt_text_format(text + at, size - at, "%s%" PRIu64 " %s", at ? ", " : "",
                                 parts[i].count, parts[i].word);
}

static void common_cells(struct page *page, const struct summary_row *row)
{
    char period[32], frame[80];
    print_period(period, sizeof period, timing_period_ns(row->tally->timing));
    print_frame_name(frame, sizeof frame, row);
    lt_table_cell(page->table, "%s", row->field->scaler->def->name);
    lt_table_cell(page->table, "%s", frame);
    lt_table_cell(page->table, "%" PRIu64, row->tally->values);
    lt_table_cell(page->table, "%s", period);
}

static void number_row(void *context, const struct summary_row *row)
{
    struct page *page = context;
    const struct lt_scaler *scaler = row->field->scaler;
    char text[LT_VALUE_ROOM + 1], mean[48], troubles[200];
    uint64_t ends[4];
    if (!row_is_valid(row) || row->tally->labels)
        return;
    common_cells(page, row);
    tally_ends(row->tally, scaler, &ends[0], &ends[1]);
    ends[2] = row->tally->raw_first;
    ends[3] = row->tally->raw_last;
    print_mean(mean, sizeof mean, row);
    lt_table_cell(page->table, "%s", print_value(text, scaler, ends[0]));
    lt_table_cell(page->table, "%s", mean);
    for (int i = 1; i < 4; i++)
        lt_table_cell(page->table, "%s", print_value(text, scaler, ends[i]));
    lt_table_cell(page->table, "%s", lt_signal_unit(scaler->def));
    print_troubles(troubles, sizeof troubles, row->tally);
    lt_table_cell(page->table, "%s", troubles);
    page->shown++;
}

static const char *state_name(const struct lt_scaler *scaler, uint64_t raw, char *text)
{
    const char *label = lt_signal_label(scaler->def, raw);
    return label ? label : print_value(text, scaler, raw);
}

static void state_row(void *context, const struct summary_row *row)
{
    struct page *page = context;
    const struct lt_scaler *scaler = row->field->scaler;
    char first[LT_VALUE_ROOM + 1], last[LT_VALUE_ROOM + 1], troubles[200], text[300];
    size_t at = 0;
    if (!row_is_valid(row) || !row->tally->labels)
        return;
    common_cells(page, row);
    lt_table_cell(page->table, "%s", state_name(scaler, row->tally->raw_first, first));
    lt_table_cell(page->table, "%s", state_name(scaler, row->tally->raw_last, last));
    for (size_t i = 0; i <= scaler->def->label_count; i++)
        if (row->tally->labels[i])
            at += lt_text_format(text + at, sizeof text - at, "%s%s %" PRIu64, at ? ", " : "",
                                 i < scaler->def->label_count ? scaler->def->labels[i].name
                                                              : "without label",
                                 row->tally->labels[i]);
    lt_table_cell(page->table, "%s", text);
    print_troubles(troubles, sizeof troubles, row->tally);
    lt_table_cell(page->table, "%s", troubles);
    page->shown++;
}

static void table_section(struct page *page, const char *title, const char *align,
                          const char *const *header,
                          void (*visit)(void *, const struct summary_row *))
{
    struct lt_table table;
    lt_table_init(&table, align);
    page->table = &table;
    page->shown = 0;
    for (size_t i = 0; i < strlen(align); i++)
        lt_table_cell(&table, "%s", header[i]);
    each_row(page->decode, visit, page);
    if (page->shown) {
        heading(page, title);
        lt_table_write(&table, page->sink, 2);
    }
    lt_table_release(&table);
}

/* One line a signal; but one line for all of a frame that never came. */
static void silent_row(void *context, const struct summary_row *row)
{
    struct page *page = context;
    bool whole_frame = !row->stream && row->plan->def && row->plan->field_count > 1;
    if (row_is_valid(row) || (row->plan->parameter && !row_was_tried(page->decode, row)) ||
        (whole_frame && row->field != row->plan->fields))
        return;
    struct lt_buf why;
    char frame[80];
    lt_buf_init(&why, 4096);
    say_why(page->decode, row, &why);
    print_frame_name(frame, sizeof frame, row);
    if (whole_frame)
        lt_table_cell(page->table, "(all %u)", row->plan->field_count);
    else
        lt_table_cell(page->table, "%s", row->field->scaler->def->name);
    lt_table_cell(page->table, "%s", frame);
    lt_table_cell(page->table, "%s", why.at ? why.at : "");
    lt_buf_release(&why);
    page->shown++;
}

void say_signals(struct page *page)
{
    static const char *const numbers[] = {"signal", "frame", "values",   "every",
                                          "least",  "mean",  "greatest", "first",
                                          "last",   "unit",  "not valid"};
    static const char *const states[] = {"signal", "frame", "values",    "every",
                                         "first",  "last",  "how often", "not valid"};
    static const char *const silent[] = {"signal", "frame", "why"};
    table_section(page, "Numbers (suspect values are counted, and left out of the figures)",
                  "llrrrrrrrll", numbers, number_row);
    table_section(page, "States", "llrrllll", states, state_row);
    table_section(page, "Never valid", "lll", silent, silent_row);
}
