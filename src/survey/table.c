/* A survey as text for people: bus by bus, a line for each frame and its fields below it. Lines of
 * fields are cut to LINE_MAX columns; the whole sentence of each is in the JSON and on the page. */
#include <inttypes.h>
#include <math.h>

#include "loomtap/survey/output.h"
#include "survey/survey_internal.h"
#include "survey/words.h"

#define LINE_MAX_COLUMNS 100

struct page {
    const struct lt_survey *survey;
    const struct lt_survey_about *about;
    struct lt_sink *sink;
};

/* --- lines --- */

static const char *plural(uint64_t count)
{
    return count == 1 ? "" : "s";
}

static void put_wrapped(struct lt_sink *sink, unsigned indent, const char *text)
{
    lt_put_wrapped(sink, indent, LINE_MAX_COLUMNS, text);
}

/* What is left of the line; cut at a word where it is longer. */
static void put_rest(struct lt_sink *sink, size_t column, const char *text)
{
    struct lt_text whole = lt_text_of(text);
    size_t room = column + 4 < LINE_MAX_COLUMNS ? LINE_MAX_COLUMNS - column : 4;
    if (whole.len <= room) {
        lt_sink_put(sink, whole.at, whole.len);
    } else {
        struct lt_text cut = lt_text_cut(whole, room - 3);
        size_t at = cut.len;
        while (at > cut.len / 2 && cut.at[at] != ' ')
            at--;
        if (at > cut.len / 2)
            cut.len = at;
        lt_sink_put(sink, cut.at, cut.len);
        lt_sink_string(sink, "...");
    }
    lt_sink_char(sink, '\n');
}

/* --- fields --- */

/* "page 3", "pages 1, 2, 5"; nothing for a field of all pages. */
static size_t print_pages(char *ret_text, size_t size, const struct lt_survey_field *field)
{
    size_t used = 0;
    ret_text[0] = '\0';
    for (size_t i = 0; i < field->page_count && used + 1 < size; i++)
        used += lt_text_format(ret_text + used, size - used, "%s%u",
                               i                       ? ", "
                               : field->page_count > 1 ? "pages "
                                                       : "page ",
                               field->pages[i]);
    return used;
}

static size_t print_why(char *ret_text, size_t size, const struct lt_survey_field *field)
{
    size_t used = print_pages(ret_text, size, field);
    if (used)
        used += lt_text_format(ret_text + used, size - used, ": ");
    if (field->kind == LT_FIELD_TEXT && field->text)
        used += lt_text_format(ret_text + used, size - used, "\"%s\"; ", field->text);
    if (field->sign != LT_UNSIGNED && !field->sign_exercised)
        used += lt_text_format(ret_text + used, size - used, "sign not exercised; ");
    if (field->group)
        used += lt_text_format(ret_text + used, size - used, "group %u; ", field->group);
    used += lt_text_format(ret_text + used, size - used, "%s", field->why ? field->why : "");
    return used;
}

static void put_row(const struct page *page, const struct lt_bits *bits, const char *sign,
                    const char *kind, double confidence, const char *why)
{
    char place[128], sure[LT_FIGURE_ROOM], line[256];
    enum lt_order order = lt_bits_order(bits);
    lt_bits_print(place, sizeof place, bits);
    lt_figure_percent(sure, confidence);
    size_t len = lt_text_format(
        line, sizeof line, "    %-13s %2u  %-8s  %-7s %-12s %5s  ", place, lt_bits_length(bits),
        order == LT_ORDER_NONE ? "-" : lt_order_name(order), sign, kind, sure);
    lt_sink_put(page->sink, line, len);
    put_rest(page->sink, len, why);
}

/* As it goes into a profile, on a line of its own: it is what a reader wants to copy. */
static void put_check(const struct page *page, const struct lt_check_found *check)
{
    char text[512];
    size_t used = lt_text_format(text, sizeof text, "= ");
    survey_print_check(text + used, sizeof text - used, check);
    used = strlen(text);
    if (check->form == LT_CHECK_FOUND)
        lt_text_format(text + used, sizeof text - used,
                       " (%" PRIu64 " frames right, %" PRIu64 " wrong)", check->verified,
                       check->failed);
    put_wrapped(page->sink, 8, text);
}

static const char *short_sign(const struct lt_survey_field *field)
{
    static const char *const words[] = {[LT_UNSIGNED] = "-",
                                        [LT_TWOS] = "twos",
                                        [LT_OFFSET_BINARY] = "offset",
                                        [LT_SIGN_MAGNITUDE] = "magn.",
                                        [LT_FLOAT] = "float"};
    return words[field->sign];
}

static void put_field(const struct page *page, const struct lt_survey_field *field)
{
    char why[1024];
    print_why(why, sizeof why, field);
    put_row(page, &field->bits, short_sign(field), lt_field_kind_name(field->kind),
            field->confidence, why);
    if (field->kind == LT_FIELD_CHECKSUM)
        put_check(page, &field->check);
}

/* "0x3F", or the bits' one value. */
static void put_constants(const struct page *page, const struct lt_survey_frame *frame)
{
    struct lt_buf text;
    lt_buf_init(&text, 65536);
    for (size_t i = 0; i < frame->field_count; i++) {
        const struct lt_survey_field *field = &frame->fields[i];
        char place[128], pages[64];
        if (field->kind != LT_FIELD_CONSTANT)
            continue;
        lt_bits_print(place, sizeof place, &field->bits);
        lt_buf_format(&text, "%s%s=%" PRIX64, text.len ? " " : "stands still (hex): ", place,
                      field->raw_min);
        if (print_pages(pages, sizeof pages, field) && field->page_count == 1)
            lt_buf_format(&text, "(%s)", pages);
    }
    if (text.len)
        put_wrapped(page->sink, 4, text.at);
    lt_buf_release(&text);
}

static void put_selector(const struct page *page, const struct lt_selector_found *selector)
{
    char why[512];
    size_t used = lt_text_format(why, sizeof why, "%u pages:", selector->count);
    for (unsigned i = 0; i < selector->count && used + 8 < sizeof why; i++)
        used += lt_text_format(why + used, sizeof why - used, " %u", selector->value[i]);
    put_row(page, &selector->bits, "-", "selector", selector->confidence, why);
}

static void put_fields(const struct page *page, const struct lt_survey_frame *frame)
{
    if (survey_is_paged(frame))
        put_selector(page, &frame->stream->selector);
    for (size_t i = 0; i < frame->field_count; i++)
        if (frame->fields[i].kind != LT_FIELD_CONSTANT)
            put_field(page, &frame->fields[i]);
    put_constants(page, frame);
}

/* --- frames --- */

/* What the fields come to, for the brief table: "3 physical, 1 counter". */
static void print_content(char *ret_text, size_t size, const struct lt_survey_frame *frame)
{
    unsigned of_kind[LT_FIELD_KINDS] = {0};
    size_t used = 0;
    ret_text[0] = '\0';
    for (size_t i = 0; i < frame->field_count; i++)
        of_kind[frame->fields[i].kind]++;
    if (survey_is_paged(frame))
        used += lt_text_format(ret_text, size, "%u pages", frame->stream->selector.count);
    for (int kind = LT_FIELD_COUNTER; kind < LT_FIELD_KINDS; kind++)
        if (of_kind[kind] && used + 1 < size)
            used += lt_text_format(ret_text + used, size - used, "%s%u %s", used ? ", " : "",
                                   of_kind[kind], lt_field_kind_name((enum lt_field_kind)kind));
    if (!used && frame->field_count)
        lt_text_format(ret_text, size, "stands still");
}

static void put_remarks(const struct page *page, const struct lt_survey_frame *frame)
{
    if (frame->diagnostic)
        put_wrapped(page->sink, 4, "diagnostics: not looked at for fields");
    if (frame->say)
        put_wrapped(page->sink, 4, frame->say);
}

static void put_frame(const struct page *page, const struct lt_survey_frame *frame)
{
    const struct lt_stream *stream = frame->stream;
    char id[LT_STREAM_ID_ROOM], timing[SURVEY_TIMING_ROOM], content[256];
    lt_stream_id_print(id, &stream->key);
    survey_print_timing(timing, &stream->timing);
    lt_sink_format(page->sink, "%-8s  %2u byte%s%s  %8" PRIu64 " frame%s  ", id, stream->key.length,
                   plural(stream->key.length), stream->key.fd ? " FD" : "", stream->timing.count,
                   plural(stream->timing.count));
    if (frame->pgn_name)
        lt_sink_format(page->sink, "%s  ", frame->pgn_name);
    lt_sink_string(page->sink, timing);
    print_content(content, sizeof content, frame);
    if (page->about->brief && content[0])
        lt_sink_format(page->sink, "; %s", content);
    if (page->about->brief && frame->diagnostic)
        lt_sink_string(page->sink, "; diagnostics");
    if (frame->authenticated)
        lt_sink_string(page->sink, "; authenticated");
    lt_sink_char(page->sink, '\n');
    if (page->about->brief)
        return;
    put_remarks(page, frame);
    put_fields(page, frame);
}

/* --- the whole --- */

static void put_bus(const struct page *page, size_t index)
{
    const struct lt_survey_bus *bus = &page->survey->buses[index];
    char number[LT_FIGURE_ROOM];
    lt_sink_format(page->sink, "\nbus %s: %" PRIu64 " frame%s",
                   bus->name[0] ? bus->name : "(unnamed)", bus->frames, plural(bus->frames));
    if (bus->bitrate_hz) {
        lt_figure_fixed(number, bus->load * 100, 1);
        lt_sink_format(page->sink, ", load %s %% of %u bit/s%s", number, (unsigned)bus->bitrate_hz,
                       bus->bitrate_given ? "" : " (assumed)");
    }
    lt_sink_char(page->sink, '\n');
    if (bus->say)
        put_wrapped(page->sink, 2, bus->say);
    lt_sink_char(page->sink, '\n');
    for (size_t i = 0; i < page->survey->frame_count; i++)
        if (page->survey->frames[i].stream->key.bus == index)
            put_frame(page, &page->survey->frames[i]);
}

static void put_groups(const struct page *page)
{
    const struct lt_survey *survey = page->survey;
    if (survey->group_count)
        lt_sink_string(page->sink, "\nthe same quantity in several places, the best first\n");
    for (size_t i = 0; i < survey->group_count; i++) {
        struct lt_buf text;
        lt_buf_init(&text, 65536);
        lt_buf_format(&text, "%zu:", i + 1);
        for (size_t k = 0; k < survey->groups[i].count; k++) {
            const struct lt_survey_frame *frame =
                &survey->frames[survey->groups[i].members[k].frame];
            const struct lt_survey_field *field =
                &frame->fields[survey->groups[i].members[k].field];
            char id[LT_STREAM_ID_ROOM], place[128];
            lt_stream_id_print(id, &frame->stream->key);
            lt_bits_print(place, sizeof place, &field->bits);
            lt_buf_format(&text, "%s %s/%s/%s", k ? "," : "", frame->bus, id, place);
        }
        if (survey->groups[i].say)
            lt_buf_format(&text, " (%s)", survey->groups[i].say);
        put_wrapped(page->sink, 4, text.at);
        lt_buf_release(&text);
    }
}

static void put_changes(const struct page *page)
{
    const struct lt_survey_about *about = page->about;
    if (!about->against)
        return;
    lt_sink_format(page->sink, "\nagainst %s: %s\n", about->against,
                   about->change_count ? "what stands out most first" : "no difference");
    for (size_t i = 0; i < about->change_count; i++) {
        const struct lt_change *change = &about->changes[i];
        char id[LT_STREAM_ID_ROOM], place[128] = "", line[200];
        lt_stream_id_print(id, &change->key);
        if (change->bits.parts)
            lt_bits_print(place, sizeof place, &change->bits);
        size_t len = lt_text_format(line, sizeof line, "  %-8s  %-8s  %-12s  %-16s  ", change->bus,
                                    id, place, survey_change_word(change->kind));
        lt_sink_put(page->sink, line, len);
        put_rest(page->sink, len, change->say ? change->say : "");
    }
}

static void put_head(const struct page *page)
{
    const struct lt_survey *survey = page->survey;
    const struct lt_collect_counts *counts = survey->counts;
    char seconds[LT_FIGURE_ROOM];
    for (size_t i = 0; i < page->about->file_count; i++)
        lt_sink_format(page->sink, "%s%s", i ? ", " : "", page->about->files[i]);
    lt_figure_fixed(seconds, survey->duration_s, 3);
    lt_sink_format(page->sink, "\n%" PRIu64 " frame%s in %s s", counts->frames,
                   plural(counts->frames), seconds);
    if (counts->remote)
        lt_sink_format(page->sink, ", %" PRIu64 " remote request%s", counts->remote,
                       plural(counts->remote));
    if (counts->error_frames)
        lt_sink_format(page->sink, ", %" PRIu64 " error report%s", counts->error_frames,
                       plural(counts->error_frames));
    if (counts->without_time)
        lt_sink_format(page->sink, ", %" PRIu64 " without time", counts->without_time);
    if (page->about->counts && page->about->counts->malformed)
        lt_sink_format(page->sink, ", %" PRIu64 " malformed", page->about->counts->malformed);
    lt_sink_char(page->sink, '\n');
}

void lt_survey_table(const struct lt_survey *survey, const struct lt_survey_about *about,
                     struct lt_sink *sink)
{
    const struct page page = {survey, about, sink};
    put_head(&page);
    for (size_t i = 0; i < survey->bus_count; i++)
        if (survey->buses[i].frames)
            put_bus(&page, i);
    if (!about->brief)
        put_groups(&page);
    put_changes(&page);
}
