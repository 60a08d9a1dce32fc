/* A rehearsal as text: a line an event while reading, the sums behind. */
#include "loomtap/capture/text.h"
#include "loomtap/report/table.h"
#include "loomtap/warn/line.h"
#include "warn/rehearse.h"
#include "warn/show.h"

void timeline_begin(struct lt_rehearse *rehearse)
{
    struct lt_sink *sink = rehearse->options.text;
    for (size_t i = 0; i < rehearse->profile->warning_count; i++) {
        size_t len = strlen(rehearse->profile->warnings[i].name);
        rehearse->name_width = len > rehearse->name_width ? len : rehearse->name_width;
    }
    if (rehearse->options.text_frames && rehearse->name_width < LT_NAME_MAX / 2)
        rehearse->name_width = LT_NAME_MAX / 2;
    lt_sink_format(sink, "%14s  %-*s  %-4s  %-9s  %s\n", "at s", (int)rehearse->name_width,
                   "warning", "", "cause", "inputs");
}

static void put_time(struct lt_sink *sink, int64_t at_ns)
{
    char time[LT_TIME_TEXT_ROOM];
    time_text(at_ns, time);
    lt_sink_format(sink, "%14s  ", time);
}

void timeline_event(struct lt_rehearse *rehearse, int64_t at_ns, const struct lt_warn_event *event)
{
    lt_warn_event_text(rehearse->warn, rehearse->profile, event, at_ns, rehearse->name_width,
                       rehearse->options.text);
}

void timeline_frame(struct lt_rehearse *rehearse, int64_t at_ns, const char *name, const char *bus,
                    const struct lt_frame *frame)
{
    struct lt_sink *sink = rehearse->options.text;
    char text[LT_FRAME_TEXT_ROOM + 1];
    text[lt_frame_print(frame, text)] = '\0';
    put_time(sink, at_ns);
    lt_sink_format(sink, "%-*s  %-4s  %-9s  %s\n", (int)rehearse->name_width, name, "send", bus,
                   text);
}

/* --- sums --- */

static void cell_time(struct lt_table *table, int64_t ns)
{
    char text[LT_TIME_TEXT_ROOM];
    time_text((ns + 500000) / 1000000 * 1000000, text);
    lt_table_cell(table, "%s", text);
}

static void put_warnings(const struct lt_rehearse *rehearse, struct lt_sink *sink)
{
    static const char *const heads[] = {"warning",  "times on",  "by loss",
                                        "s in all", "longest s", "at the end"};
    struct lt_table table;
    lt_table_init(&table, "lrrrrl");
    for (size_t i = 0; i < sizeof heads / sizeof *heads; i++)
        lt_table_cell(&table, "%s", heads[i]);
    for (uint32_t i = 0; i < rehearse->profile->warning_count; i++) {
        const struct warning_tally *tally = &rehearse->warnings[i];
        enum lt_warn_cause cause = LT_WARN_CAUSE_CONDITION;
        bool on = lt_warn_is_on(rehearse->warn, i, &cause);
        int64_t now_ns = on ? rehearse->last_ns - tally->on_at_ns : 0;
        lt_table_cell(&table, "%s", rehearse->profile->warnings[i].name);
        lt_table_cell(&table, "%llu", (unsigned long long)tally->times);
        lt_table_cell(&table, "%llu",
                      (unsigned long long)tally->by_loss + (on && cause == LT_WARN_CAUSE_LOST));
        cell_time(&table, tally->total_ns + now_ns);
        cell_time(&table, tally->longest_ns > now_ns ? tally->longest_ns : now_ns);
        lt_table_cell(&table, "%s", !on ? "" : cause == LT_WARN_CAUSE_LOST ? "on (lost)" : "on");
    }
    lt_table_write(&table, sink, 0);
    lt_table_release(&table);
}

static void put_frames(const struct lt_rehearse *rehearse, struct lt_sink *sink)
{
    for (uint32_t i = 0; i < rehearse->profile->frame_count; i++) {
        const struct frame_tally *tally = &rehearse->frames[i];
        char first[LT_TIME_TEXT_ROOM], last[LT_TIME_TEXT_ROOM];
        if (!tally->count)
            continue;
        time_text(tally->first_ns, first);
        time_text(tally->last_ns, last);
        lt_sink_format(sink, "%s on %s: %llu frame%s would have been sent, from %s to %s s\n",
                       rehearse->profile->frames[i].name, bus_name(rehearse, i, tally->bus),
                       (unsigned long long)tally->count, tally->count == 1 ? "" : "s", first, last);
    }
}

void lt_rehearse_summary(const struct lt_rehearse *rehearse, struct lt_sink *sink)
{
    const struct lt_warn_counts *counts = lt_warn_counts(rehearse->warn);
    lt_sink_char(sink, '\n');
    put_warnings(rehearse, sink);
    lt_sink_char(sink, '\n');
    put_frames(rehearse, sink);
    char duration[LT_TIME_TEXT_ROOM];
    time_text(rehearse->last_ns, duration);
    lt_sink_format(sink, "%llu frames in %s s, %llu of them with inputs of warnings\n",
                   (unsigned long long)counts->frames, duration,
                   (unsigned long long)counts->matched);
}
