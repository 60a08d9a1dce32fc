/* The summary's part on the bus: counters and checksums, diagnostics, J1939. */
#include <inttypes.h>

#include "decode/summary_text.h"
#include "loomtap/report/table.h"

/* --- checks --- */

static bool has_fault(const struct stream *stream)
{
    return stream->failed_checks || stream->short_for_check || stream->counter_frozen ||
           stream->counter_jumps || stream->counter_lost;
}

void say_checks(struct page *page)
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

void say_diagnostics(struct page *page)
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
    say_count(page, decode->trouble_not_kept, "trouble codes more than are kept apart");
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
    say_count(page, dm1->left_out, "codes more than are kept");
}

void say_j1939(struct page *page)
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
    say_count(page, decode->dm1_not_kept,
              "messages of active codes from more addresses than are "
              "kept apart");
}
