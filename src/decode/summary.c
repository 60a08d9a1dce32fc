/* The summary for people: from it alone a stranger can tell which roles are there, how often each
 * comes, what was never valid and why, what the profiles do not know, and what was not read. */
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>

#include "decode/summary.h"
#include "loomtap/base/number.h"
#include "loomtap/report/table.h"

#define UNKNOWN_SHOWN 20

struct page {
    struct lt_decode *decode;
    struct lt_sink *sink;
    struct lt_table *table;
    bool two_profiles;
    size_t shown;
};

static void heading(struct page *page, const char *text)
{
    lt_sink_format(page->sink, "\n%s\n", text);
}

/* "10.0 ms", "1.25 s": three figures are enough for people. */
static void print_period(char *text, size_t size, double ns)
{
    if (ns <= 0)
        lt_text_format(text, size, "-");
    else if (ns < 999.5e6)
        lt_text_format(text, size, "%.*f ms", ns < 99.95e6 ? 1 : 0, ns / 1e6);
    else
        lt_text_format(text, size, "%.*f s", ns < 9.995e9 ? 2 : 1, ns / 1e9);
}

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
    lt_sink_format(page->sink, ", %s\n", lt_form_name(lt_reader_form(decode->reader)));
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

static void say_count(struct page *page, uint64_t count, const char *text)
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
        lt_sink_format(page->sink, "    %s:%" PRIu64 ":%u: %s\n",
                       lt_reader_source_name(page->decode->reader, place->source), place->line,
                       (unsigned)place->column, place->text);
    }
}

static void say_reading(struct page *page)
{
    const struct lt_decode *decode = page->decode;
    const struct lt_reader_counts *counts = lt_reader_counts(decode->reader);
    say_malformed(page, counts);
    say_count(page, counts->banner_lines, "lines of text above the first frame were passed over");
    say_count(page, counts->oddities, "lines were read that a writer should not write so");
    say_count(page, counts->dropped_frames,
              "frames WERE LOST while recording (the recorder's own drop count)");
    say_count(page, decode->error_frames, "error frames of the controller");
    say_count(page, decode->remote_frames, "remote requests");
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
    if (counts->cut_at_end)
        lt_sink_string(page->sink, "  the last line has no line break: it may be cut\n");
    if (counts->no_times)
        lt_sink_string(page->sink, "  there are frames without time\n");
    if (counts->wall_clock)
        lt_sink_string(page->sink, "  times are dates, taken as UTC\n");
    if (counts->looks_like_differences)
        lt_sink_string(page->sink, "  the times look like differences between frames: "
                                   "`--differences` adds them up\n");
}

/* --- signals --- */

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

static void say_roles(struct page *page)
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

static void say_signals(struct page *page)
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

/* --- checks --- */

static bool has_fault(const struct stream *stream)
{
    return stream->failed_checks || stream->short_for_check || stream->counter_frozen ||
           stream->counter_jumps || stream->counter_lost;
}

static void say_checks(struct page *page)
{
    const struct lt_decode *decode = page->decode;
    uint64_t checked = 0, guarded = 0, faults = 0;
    for (size_t i = 0; i < decode->stream_count; i++) {
        checked += decode->streams[i]->checked;
        guarded +=
            decode->streams[i]->plan->has_counter || decode->streams[i]->plan->checksum_count;
        faults += has_fault(decode->streams[i]);
    }
    if (!guarded)
        return;
    heading(page, "Counters and checksums");
    if (!faults) {
        lt_sink_format(page->sink,
                       "  all right: %" PRIu64 " checksums verified, no counter stood "
                       "still or jumped\n",
                       checked);
        return;
    }
    struct lt_table table;
    lt_table_init(&table, "lrrrrrr");
    static const char *const header[] = {
        "frame",          "frames",     "checksum wrong", "too short for it", "counter stood still",
        "counter jumped", "frames lost"};
    for (size_t i = 0; i < 7; i++)
        lt_table_cell(&table, "%s", header[i]);
    for (size_t i = 0; i < decode->stream_count; i++) {
        const struct stream *s = decode->streams[i];
        if (!has_fault(s))
            continue;
        const uint64_t cells[] = {s->frames,         s->failed_checks, s->short_for_check,
                                  s->counter_frozen, s->counter_jumps, s->counter_lost};
        lt_table_cell(&table, "%s", s->name);
        for (size_t c = 0; c < 6; c++)
            lt_table_cell(&table, "%" PRIu64, cells[c]);
    }
    lt_table_write(&table, page->sink, 2);
    lt_table_release(&table);
}

/* --- diagnostics --- */

static const char *answer_text(const struct lt_obd_question *question)
{
    switch (question->answer) {
    case LT_OBD_NEVER_ANSWERED:
        return "never answered";
    case LT_OBD_UNSUPPORTED:
        /* Silence where a support mask leaves the number out is still silence. */
        return question->answered + question->negative ? "not supported"
                                                       : "never answered (not in the support mask)";
    case LT_OBD_LOCKED:
        return "locked (security access)";
    case LT_OBD_REFUSED:
        return lt_nrc_text(question->last_nrc) ? lt_nrc_text(question->last_nrc) : "refused";
    case LT_OBD_ANSWERED:
        break;
    }
    return "answered";
}

static void say_questions(struct page *page, struct lt_obd *obd)
{
    const struct lt_obd_question *list;
    struct lt_table table;
    size_t count = lt_obd_questions(obd, &list);
    if (!count)
        return;
    lt_table_init(&table, "lllrrl");
    static const char *const header[] = {"service", "number",   "controller",
                                         "asked",   "answered", "outcome"};
    for (size_t i = 0; i < 6; i++)
        lt_table_cell(&table, "%s", header[i]);
    for (size_t i = 0; i < count; i++) {
        char id[16];
        print_id(id, sizeof id, list[i].reply_id, list[i].extended);
        lt_table_cell(&table, "%02X", list[i].service);
        if (list[i].number == LT_OBD_NO_NUMBER)
            lt_table_cell(&table, "-");
        else
            lt_table_cell(&table, list[i].service == 0x22 ? "%04X" : "%02X", list[i].number);
        lt_table_cell(&table, "%s", list[i].reply_id ? id : "none");
        lt_table_cell(&table, "%" PRIu64, list[i].asked);
        lt_table_cell(&table, "%" PRIu64, list[i].answered);
        lt_table_cell(&table, "%s", answer_text(&list[i]));
    }
    lt_table_write(&table, page->sink, 4);
    lt_table_release(&table);
}

static void say_controllers(struct page *page, const struct lt_obd *obd)
{
    const struct lt_obd_controller *list;
    size_t count = lt_obd_controllers(obd, &list);
    for (size_t i = 0; i < count; i++) {
        char id[16];
        uint64_t broken = list[i].lost + list[i].replaced + list[i].timeouts + list[i].bad;
        print_id(id, sizeof id, list[i].reply_id, list[i].extended);
        lt_sink_format(page->sink, "    controller %s: %" PRIu64 " replies in %" PRIu64 " frames",
                       id, list[i].messages, list[i].frames);
        if (broken || list[i].stray)
            lt_sink_format(page->sink,
                           "; %" PRIu64 " messages broken, %" PRIu64 " frames without a beginning",
                           broken, list[i].stray);
        lt_sink_char(page->sink, '\n');
    }
}

static void say_diagnostics(struct page *page)
{
    struct lt_decode *decode = page->decode;
    if (!decode->diagnostic_frames)
        return;
    heading(page, "Diagnostics");
    for (uint32_t bus = 0; bus < LT_BUSES_MAX; bus++) {
        if (!decode->obd[bus])
            continue;
        struct lt_obd_counts counts = lt_obd_counts(decode->obd[bus]);
        lt_sink_format(
            page->sink,
            "  on %s: %" PRIu64 " request frames, %" PRIu64 " reply frames; %" PRIu64
            " requests, %" PRIu64 " replies (%" PRIu64 " negative, %" PRIu64 " pending)\n",
            lt_reader_bus_name(decode->reader, bus), counts.request_frames, counts.reply_frames,
            counts.requests, counts.replies, counts.negative, counts.pending);
        say_controllers(page, decode->obd[bus]);
        say_questions(page, decode->obd[bus]);
        say_count(page, counts.forgotten, "questions more were asked than are kept apart");
    }
    for (size_t i = 0; i < decode->trouble_count; i++)
        lt_sink_format(page->sink, "    trouble code %s from %X (service %02X)\n",
                       decode->trouble[i].code, decode->trouble[i].reply_id,
                       decode->trouble[i].service);
}

static void say_dm1(struct page *page, const struct dm1_seen *seen)
{
    const struct lt_dm1 *dm1 = &seen->last;
    const struct {
        uint8_t state;
        const char *name;
    } lamps[] = {{dm1->mil, "malfunction"},
                 {dm1->red_stop, "red stop"},
                 {dm1->amber_warning, "amber warning"},
                 {dm1->protect, "protect"}};
    lt_sink_format(page->sink, "  active codes (DM1) of address %02X:", seen->source);
    for (size_t i = 0; i < 4; i++)
        if (lamps[i].state == 1)
            lt_sink_format(page->sink, " %s lamp on;", lamps[i].name);
    if (!dm1->count)
        lt_sink_string(page->sink, " none");
    lt_sink_char(page->sink, '\n');
    for (size_t i = 0; i < dm1->count; i++) {
        const char *text = lt_fmi_text(dm1->code[i].fmi);
        lt_sink_format(page->sink, "    SPN %lu, FMI %u%s%s%s, ", (unsigned long)dm1->code[i].spn,
                       dm1->code[i].fmi, text ? " (" : "", text ? text : "", text ? ")" : "");
        if (dm1->code[i].count == 127)
            lt_sink_string(page->sink, "occurrences not given\n");
        else
            lt_sink_format(page->sink, "%u times\n", dm1->code[i].count);
    }
}

static void say_j1939(struct page *page)
{
    struct lt_decode *decode = page->decode;
    struct lt_j1939_counts sum = {0};
    for (size_t bus = 0; bus < LT_BUSES_MAX; bus++) {
        if (!decode->j1939[bus])
            continue;
        struct lt_j1939_counts counts = lt_j1939_counts(decode->j1939[bus]);
        sum.messages += counts.messages;
        sum.stray += counts.stray;
        for (size_t i = 0; i < 8; i++)
            sum.broken[i] += counts.broken[i];
    }
    uint64_t broken = 0;
    for (size_t i = 0; i < 8; i++)
        broken += sum.broken[i];
    if (!decode->dm1_count && !sum.messages && !broken && !sum.stray)
        return;
    heading(page, "J1939");
    lt_sink_format(page->sink, "  %" PRIu64 " messages of several packets, %" PRIu64 " broken\n",
                   sum.messages, broken);
    for (int i = 0; i < 8; i++)
        if (sum.broken[i])
            lt_sink_format(page->sink, "    %" PRIu64 ": %s\n", sum.broken[i],
                           lt_j1939_break_text((enum lt_j1939_break)i));
    say_count(page, sum.stray, "packets without a beginning");
    for (size_t i = 0; i < decode->dm1_count; i++)
        say_dm1(page, &decode->dm1[i]);
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
