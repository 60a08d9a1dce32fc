/* The summary for people, first what was read and what the profiles do not know; its other parts
 * are in summary_bus.c and summary_signals.c. From it alone a stranger can tell which roles are
 * there, how often each comes, what was never valid and why, what the profiles do not know, and
 * what was not read. */
#include <inttypes.h>
#include <stdlib.h>

#include "decode/summary_text.h"
#include "loomtap/report/table.h"

#define UNKNOWN_SHOWN 20

void heading(struct page *page, const char *text)
{
    lt_sink_format(page->sink, "\n%s\n", text);
}

void print_period(char *text, size_t size, double ns)
{
    if (ns <= 0)
        lt_text_format(text, size, "-");
    else if (ns < 999.5e6)
        lt_text_format(text, size, "%.*f ms", ns < 99.95e6 ? 1 : 0, ns / 1e6);
    else
        lt_text_format(text, size, "%.*f s", ns < 9.995e9 ? 2 : 1, ns / 1e9);
}

/* --- what was read --- */

static void say_sources(struct page *page)
{
    const struct lt_decode *decode = page->decode;
    size_t count = lt_reader_source_count(decode->reader);
    for (size_t i = 0; i < count; i++)
        lt_sink_format(page->sink, "%s%s", i ? ", " : "", lt_reader_source_name(decode->reader, i));
    lt_sink_format(page->sink, ": %" PRIu64 " frames", decode->frames);
    if (decode->first_ns != LT_NO_TIME)
        lt_sink_format(page->sink, " in %.3f s",
                       (double)(decode->last_ns - decode->first_ns) / 1e9);
    const char *packing = lt_reader_packing(decode->reader);
    lt_sink_format(page->sink, ", %s%s%s\n", lt_form_name(lt_reader_form(decode->reader)),
                   *packing ? " packed by " : "", packing);
}

static const char *profile_bus_of(const struct lt_decode *decode, uint32_t bus)
{
    for (size_t i = 0; i < decode->binding_count; i++) {
        const struct lt_binding *binding = &decode->bindings[i];
        if (binding->capture_bus == bus)
            return decode->profiles[binding->profile]->buses[binding->bus].name;
    }
    return NULL;
}

static void say_buses(struct page *page)
{
    const struct lt_decode *decode = page->decode;
    for (uint32_t i = 0; i < lt_reader_bus_count(decode->reader); i++) {
        const char *name = lt_reader_bus_name(decode->reader, i);
        const char *known = profile_bus_of(decode, i);
        lt_sink_format(page->sink, "  bus %s: %" PRIu64 " frames%s%s\n", *name ? name : "(unnamed)",
                       decode->frames_by_bus[i], known ? ", the profile's bus " : "",
                       known ? known : "");
    }
}

void say_count(struct page *page, uint64_t count, const char *text)
{
    if (count)
        lt_sink_format(page->sink, "  %" PRIu64 " %s\n", count, text);
}

static void say_malformed(struct page *page, const struct lt_reader_counts *counts)
{
    if (!counts->malformed) {
        lt_sink_string(page->sink, "  every line could be read\n");
        return;
    }
    lt_sink_format(page->sink, "  %" PRIu64 " of %" PRIu64 " lines COULD NOT BE READ:\n",
                   counts->malformed, counts->lines);
    for (int i = 0; i < LT_BAD_COUNT; i++)
        if (counts->bad[i])
            lt_sink_format(page->sink, "    %" PRIu64 ": %s\n", counts->bad[i],
                           lt_bad_line_text((enum lt_bad_line)i));
    for (size_t i = 0; i < counts->first_bad_count && i < 3; i++) {
        const struct lt_bad_place *place = &counts->first_bad[i];
        lt_sink_format(page->sink, "    %s:%" PRIu64 ":",
                       lt_reader_source_name(page->decode->reader, place->source), place->line);
        if (place->column) /* a packet has a place in the file instead, in its text */
            lt_sink_format(page->sink, "%u:", (unsigned)place->column);
        lt_sink_format(page->sink, " %s\n", place->text);
    }
}

static void say_reading(struct page *page)
{
    const struct lt_decode *decode = page->decode;
    const struct lt_reader_counts *counts = lt_reader_counts(decode->reader);
    say_malformed(page, counts);
    say_count(page, counts->banner_lines, "lines of text above the first frame were passed over");
    say_count(page, counts->other_packets, "packets hold no CAN frame and were passed over");
    say_count(page, counts->oddities, "lines were read that a writer should not write so");
    say_count(page, counts->dropped_frames,
              "frames WERE LOST while recording (the recorder's own drop count)");
    say_count(page, decode->error_frames, "error frames of the controller");
    say_count(page, decode->remote_frames, "remote requests");
    say_count(page, decode->streams_refused,
              "messages NOT DECODED, from more senders than are kept apart");
    say_count(page, decode->outside_span, "frames are outside the time span asked for");
    if (counts->backward_steps)
        lt_sink_format(page->sink, "  time stepped back %" PRIu64 " times, by %.6f s at most\n",
                       counts->backward_steps, (double)counts->backward_most_ns / 1e9);
    else if (decode->out_of_order)
        lt_sink_format(page->sink,
                       "  the buses' frames are not in one order of time: %" PRIu64
                       " times a frame "
                       "is earlier than the line above it\n",
                       decode->out_of_order);
    if (counts->bad[LT_BAD_CUT])
        lt_sink_string(page->sink, "  the recording ends inside a packet: it is cut\n");
    else if (counts->cut_at_end)
        lt_sink_string(page->sink, "  the last line has no line break: it may be cut\n");
    if (counts->no_times)
        lt_sink_string(page->sink, "  there are frames without time\n");
    if (counts->wall_clock)
        lt_sink_string(page->sink, "  times are dates, taken as UTC\n");
    if (counts->looks_like_differences)
        lt_sink_string(page->sink, "  the times look like differences between frames: "
                                   "`--differences` adds them up\n");
}

/* --- what the profiles do not know --- */

static void say_unknown(struct page *page)
{
    struct lt_decode *decode = page->decode;
    const struct unknown **list = calloc(UNKNOWN_SLOTS, sizeof *list);
    heading(page, "Not in the profile");
    if (!decode->unknown_frames || !list) {
        lt_sink_string(page->sink, "  nothing: every identifier on the bus is known\n");
        free(list);
        return;
    }
    size_t count = unknown_sorted(decode, list, UNKNOWN_SLOTS);
    lt_sink_format(page->sink, "  %" PRIu64 " frames of %zu identifiers\n", decode->unknown_frames,
                   count);
    struct lt_table table;
    lt_table_init(&table, "lrrrr");
    static const char *const header[] = {"bus", "id", "length", "frames", "every"};
    for (size_t i = 0; i < 5; i++)
        lt_table_cell(&table, "%s", header[i]);
    for (size_t i = 0; i < count && i < UNKNOWN_SHOWN; i++) {
        char id[16], period[32];
        const struct unknown *u = list[i];
        print_id(id, sizeof id, u->id, u->extended);
        print_period(period, sizeof period,
                     u->count > 1 && u->first_ns != LT_NO_TIME
                         ? (double)(u->last_ns - u->first_ns) / (double)(u->count - 1)
                         : 0);
        lt_table_cell(&table, "%s", lt_reader_bus_name(decode->reader, u->bus));
        lt_table_cell(&table, "%s", id);
        lt_table_cell(&table, "%u", u->len);
        lt_table_cell(&table, "%" PRIu64, u->count);
        lt_table_cell(&table, "%s", period);
    }
    lt_table_write(&table, page->sink, 4);
    if (count > UNKNOWN_SHOWN)
        lt_sink_format(page->sink, "    and %zu more\n", count - UNKNOWN_SHOWN);
    lt_table_release(&table);
    free(list);
    say_count(page, decode->unknown_not_kept,
              "frames more, of identifiers past the "
              "number that is kept apart");
}

void lt_decode_summary(struct lt_decode *decode, struct lt_sink *sink)
{
    struct page page = {.decode = decode, .sink = sink};
    /* The roles come last: that is where a terminal stands when the command has ended. */
    say_sources(&page);
    say_buses(&page);
    say_reading(&page);
    say_unknown(&page);
    say_diagnostics(&page);
    say_j1939(&page);
    say_checks(&page);
    say_signals(&page);
    say_roles(&page);
}
