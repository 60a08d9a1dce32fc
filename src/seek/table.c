/* What was found as text for people: target by target a line, the sentence, and the best
 * candidates. The rest is in the JSON. */
#include <inttypes.h>

#include "loomtap/report/table.h"
#include "seek/words.h"

#define COLUMNS   100
#define SHOWN_MAX 5

static const char *plural(uint64_t count)
{
    return count == 1 ? "" : "s";
}

/* --- candidates --- */

static void put_number_cells(struct lt_table *table, const struct lt_candidate *candidate)
{
    char lag[LT_TIME_ROOM], r[LT_FIGURE_ROOM], rest[LT_FIGURE_ROOM];
    seek_print_lag(lag, candidate->lag_s);
    lt_figure_fixed(r, candidate->r, 4);
    lt_figure_digits(rest, candidate->rmse, 2);
    lt_table_cell(table, "%s", lag);
    lt_table_cell(table, "%s", r);
    lt_table_cell(table, "%s", rest);
}

static void put_label_cells(struct lt_table *table, const struct lt_candidate *candidate)
{
    char lag[LT_TIME_ROOM], r[LT_FIGURE_ROOM];
    seek_print_lag(lag, candidate->lag_s);
    lt_figure_fixed(r, candidate->r, 2);
    lt_table_cell(table, "%s", lag);
    lt_table_cell(table, "%s", r);
}

static void put_row(struct lt_table *table, const struct lt_seek_report *report,
                    const struct lt_seek_target *target, const struct lt_candidate *candidate)
{
    char id[LT_STREAM_ID_ROOM], bits[128], meaning[SEEK_MEANING_ROOM], sure[LT_FIGURE_ROOM];
    lt_stream_id_print(id, &candidate->stream->key);
    lt_bits_print(bits, sizeof bits, &candidate->bits);
    seek_print_meaning(meaning, target, candidate);
    lt_figure_percent(sure, candidate->confidence);
    lt_table_cell(table, "%s", seek_bus_name(report, candidate->stream->key.bus));
    lt_table_cell(table, "%s", id);
    if (candidate->has_page)
        lt_table_cell(table, "%s page %u", bits, candidate->page);
    else
        lt_table_cell(table, "%s", bits);
    lt_table_cell(table, "%s",
                  candidate->order == LT_ORDER_NONE ? "-" : lt_order_name(candidate->order));
    lt_table_cell(table, "%s",
                  candidate->sign == LT_UNSIGNED ? "-" : lt_sign_name(candidate->sign));
    lt_table_cell(table, "%s", meaning);
    if (seek_is_labels(target))
        put_label_cells(table, candidate);
    else
        put_number_cells(table, candidate);
    lt_table_cell(table, "%s", sure);
}

static void put_candidates(const struct lt_seek_report *report, const struct lt_seek_target *target,
                           struct lt_sink *sink)
{
    static const char *const numbers[] = {"bus",   "frame", "bits", "order",     "sign",
                                          "value", "lag",   "r",    "left over", "sure"};
    static const char *const labels[] = {"bus",   "frame", "bits",  "order", "sign",
                                         "value", "lag",   "agree", "sure"};
    bool is_labels = seek_is_labels(target);
    struct lt_table table;
    lt_table_init(&table, is_labels ? "llllllrrr" : "lllllllrrr");
    for (size_t i = 0; i < table.columns; i++)
        lt_table_cell(&table, "%s", is_labels ? labels[i] : numbers[i]);
    size_t shown = target->count < SHOWN_MAX ? target->count : SHOWN_MAX;
    for (size_t i = 0; i < shown; i++)
        put_row(&table, report, target, &target->candidates[i]);
    if (shown)
        lt_table_write(&table, sink, 2);
    lt_table_release(&table);
    if (target->count > shown)
        lt_sink_format(sink, "  and %zu more in the JSON\n", target->count - shown);
}

/* --- targets --- */

static void put_target(const struct lt_seek_report *report, const struct lt_seek_target *target,
                       struct lt_sink *sink)
{
    const struct lt_reference *reference = target->reference;
    char n_eff[LT_FIGURE_ROOM], needed[LT_FIGURE_ROOM], clock[SEEK_CLOCK_ROOM];
    lt_figure_fixed(n_eff, target->n_eff, 0);
    lt_figure_fixed(needed, target->r_needed, 2);
    lt_sink_format(sink, "\n%s: %s", reference->target, lt_seek_verdict_name(target->verdict));
    if (seek_is_labels(target))
        lt_sink_format(sink, "  (%s, %zu mark%s, %s change%s)\n", reference->name, reference->count,
                       plural(reference->count), n_eff, plural((uint64_t)target->n_eff));
    else
        lt_sink_format(sink, "  (%s, %zu value%s worth %s, r %s needed)\n", reference->name,
                       reference->count, plural(reference->count), n_eff, needed);
    lt_put_wrapped(sink, 2, COLUMNS, target->say ? target->say : "");
    if (seek_print_clock(clock, target))
        lt_sink_format(sink, "  (%s)\n", clock);
    put_candidates(report, target, sink);
}

static void put_missing(const struct lt_seek_report *report, struct lt_sink *sink)
{
    for (size_t i = 0; i < report->missing_count; i++) {
        lt_sink_format(sink, "\n%s: no reference\n", report->missing[i].target);
        lt_put_wrapped(sink, 2, COLUMNS, report->missing[i].say);
    }
}

/* --- head and foot --- */

static void put_verdicts(const struct lt_seek_report *report, struct lt_sink *sink)
{
    static const enum lt_seek_verdict verdicts[] = {LT_SEEK_FOUND, LT_SEEK_AMBIGUOUS,
                                                    LT_SEEK_NOT_EXERCISED, LT_SEEK_NOT_ON_BUS};
    lt_sink_format(sink, "%zu reference%s", report->target_count, plural(report->target_count));
    for (size_t v = 0; v < sizeof verdicts / sizeof *verdicts; v++) {
        size_t count = 0;
        for (size_t i = 0; i < report->target_count; i++)
            count += report->targets[i].verdict == verdicts[v];
        if (count)
            lt_sink_format(sink, "; %zu %s", count, lt_seek_verdict_name(verdicts[v]));
    }
    lt_sink_char(sink, '\n');
}

static void put_head(const struct lt_seek_report *report, struct lt_sink *sink)
{
    const struct lt_collect_counts *counts = report->collected;
    char seconds[LT_FIGURE_ROOM];
    int64_t span_ns = counts->frames ? counts->last_ns - counts->first_ns : 0;
    for (size_t i = 0; i < report->file_count; i++)
        lt_sink_format(sink, "%s%s", i ? ", " : "", report->files[i]);
    lt_figure_fixed(seconds, (double)span_ns / 1e9, 3);
    lt_sink_format(sink, "\n%" PRIu64 " frame%s in %s s", counts->frames, plural(counts->frames),
                   seconds);
    if (report->read && report->read->malformed)
        lt_sink_format(sink, ", %" PRIu64 " malformed", report->read->malformed);
    lt_sink_char(sink, '\n');
    put_verdicts(report, sink);
}

static void put_unanswered(const struct lt_seek_report *report, struct lt_sink *sink)
{
    struct lt_buf text;
    if (!report->asked_count)
        return;
    lt_buf_init(&text, 0);
    lt_buf_string(&text, "asked, and never answered with a value:");
    for (size_t i = 0; i < report->asked_count; i++)
        lt_buf_format(&text, "%s %s", i ? "," : "", report->asked[i]);
    lt_sink_char(sink, '\n');
    if (text.failed)
        lt_sink_format(sink,
                       "%zu were asked, and never answered with a value; no memory for names\n",
                       report->asked_count);
    else
        lt_put_wrapped(sink, 0, COLUMNS, text.at);
    lt_buf_release(&text);
}

void lt_seek_table(const struct lt_seek_report *report, struct lt_sink *sink)
{
    put_head(report, sink);
    for (size_t i = 0; i < report->target_count; i++)
        put_target(report, &report->targets[i], sink);
    put_missing(report, sink);
    put_unanswered(report, sink);
}
