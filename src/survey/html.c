/* A survey as a page with pictures: for each frame one strip of bits with how often each flips, the
 * fields found as brackets under it, and when the frame comes. picture.c draws. */
#include <inttypes.h>
#include <math.h>

#include "survey/picture.h"
#include "survey/survey_internal.h"
#include "survey/words.h"

#define PICTURES_MAX 400 /* frames that are drawn; a page of thousands would not open */
#define CHANGES_MAX  500

static const char style[] =
    ".frame{margin:1.3em 0}.frame .head{display:flex;flex-wrap:wrap;break-after:avoid;"
    "align-items:center}.head span{margin-right:1em}.id{font:700 1.15em ui-monospace,monospace}"
    ".bar{stroke:#30506f}.b8{stroke-width:8.5}.b16{stroke-width:5}.b32{stroke-width:3.2}"
    ".b64{stroke-width:2.2}.still{fill:#8a929b;font-size:8.5px}"
    ".tie{stroke:#59636e;stroke-width:1}"
    ".cell{stroke:#c9d0d7;stroke-width:1;fill:none}"
    ".rest{fill:#8a929b}.byte{stroke:#59636e;stroke-width:1.2;fill:none}"
    ".edge{stroke:#1b1f24;stroke-width:1;stroke-dasharray:2 2;fill:none}"
    ".bracket{fill:none;stroke:#1b1f24;stroke-width:2}"
    ".bracket.counter{stroke:#9a4a00}.bracket.checksum{stroke:#9a4a00;stroke-dasharray:5 2}"
    ".bracket.selector{stroke:#6b2a7a;stroke-width:3.5}"
    ".bracket.enum,.bracket.flag{stroke:#00614f;stroke-dasharray:2 1.5}"
    ".bracket.unknown{stroke:#8a929b}.bracket.text{stroke:#59636e;stroke-dasharray:8 3}"
    ".bracket.faint{stroke-width:1}.top{fill:#1b1f24}"
    ".axis{stroke:#8a929b;stroke-width:1}.reach{stroke:#c2a878;stroke-width:5}"
    ".spread{stroke:#30506f;stroke-width:9}.point{fill:#1b1f24}.small{font-size:8.5px}";

/* --- tables of fields --- */

static void put_pages(struct lt_html *html, const struct lt_survey_field *field)
{
    for (size_t i = 0; i < field->page_count; i++)
        lt_html_text(html, i ? " %u" : "%u", field->pages[i]);
}

static void put_field(struct lt_html *html, const struct lt_survey_field *field, bool paged)
{
    char place[128], check[512];
    lt_bits_print(place, sizeof place, &field->bits);
    lt_html_open(html, "tr", NULL);
    lt_html_line(html, "td", "mono", "%s", place);
    lt_html_line(html, "td", "number", "%u", lt_bits_length(&field->bits));
    lt_html_line(html, "td", NULL, "%s",
                 field->order == LT_ORDER_NONE ? "" : lt_order_name(field->order));
    lt_html_line(html, "td", NULL, "%s%s", lt_sign_name(field->sign),
                 field->sign != LT_UNSIGNED && !field->sign_exercised ? " ?" : "");
    lt_html_line(html, "td", NULL, "%s", lt_field_kind_name(field->kind));
    lt_html_line(html, "td", "number", "%d %%", (int)lround(field->confidence * 100));
    if (paged) {
        lt_html_open(html, "td", NULL);
        put_pages(html, field);
        lt_html_close(html);
    }
    lt_html_line(html, "td", "mono", "%" PRIX64 "..%" PRIX64, field->raw_min, field->raw_max);
    lt_html_open(html, "td", NULL);
    if (field->kind == LT_FIELD_CHECKSUM) {
        survey_print_check(check, sizeof check, &field->check);
        lt_html_line(html, "code", NULL, "%s", check);
        lt_html_text(html, " %" PRIu64 " right, %" PRIu64 " wrong. ", field->check.verified,
                     field->check.failed);
    }
    if (field->text)
        lt_html_text(html, "\"%s\" ", field->text);
    lt_html_string(html, field->why ? field->why : "");
    if (field->group)
        lt_html_text(html, " (group %u)", field->group);
    lt_html_close(html);
    lt_html_close(html);
}

static void put_fields(struct lt_html *html, const struct lt_survey_frame *frame)
{
    static const char *const heads[] = {"bits", "n", "order", "sign", "kind", "sure"};
    bool paged = survey_is_paged(frame);
    if (!frame->field_count)
        return;
    lt_html_fold(html, frame->field_count == 1 ? "%zu field" : "%zu fields", frame->field_count);
    lt_html_open(html, "table", NULL);
    lt_html_open(html, "tr", NULL);
    for (size_t i = 0; i < sizeof heads / sizeof *heads; i++)
        lt_html_line(html, "th", i == 1 || i == 5 ? "number" : NULL, "%s", heads[i]);
    if (paged)
        lt_html_line(html, "th", NULL, "page");
    lt_html_line(html, "th", NULL, "raw (hex)");
    lt_html_line(html, "th", NULL, "why");
    lt_html_close(html);
    for (size_t i = 0; i < frame->field_count; i++)
        put_field(html, &frame->fields[i], paged);
    lt_html_close(html);
    lt_html_close(html);
    lt_html_close(html);
}

/* --- frames --- */

static void put_frame(struct lt_html *html, const struct lt_survey_frame *frame)
{
    const struct lt_stream *stream = frame->stream;
    char id[LT_STREAM_ID_ROOM], timing[SURVEY_TIMING_ROOM];
    lt_stream_id_print(id, &stream->key);
    survey_print_timing(timing, &stream->timing);
    lt_html_open(html, "div", "frame");
    lt_html_open(html, "div", "head");
    lt_html_line(html, "span", "id", "%s", id);
    if (frame->pgn_name)
        lt_html_line(html, "span", NULL, "%s", frame->pgn_name);
    lt_html_line(html, "span", NULL, "%u bytes%s, %" PRIu64 " frames, %s", stream->key.length,
                 stream->key.fd ? " FD" : "", stream->timing.count, timing);
    picture_timing(html, &stream->timing);
    lt_html_close(html);
    if (frame->diagnostic)
        lt_html_line(html, "p", NULL, "Diagnostics: not looked at for fields.");
    if (frame->say)
        lt_html_line(html, "p", NULL, "%s", frame->say);
    if (stream->key.length)
        picture_strip(html, frame);
    put_fields(html, frame);
    lt_html_close(html);
}

static void put_bus(struct lt_html *html, const struct lt_survey *survey, size_t index,
                    size_t *drawn)
{
    const struct lt_survey_bus *bus = &survey->buses[index];
    char load[LT_FIGURE_ROOM];
    size_t left_out = 0;
    lt_html_line(html, "h2", NULL, "Bus %s", bus->name[0] ? bus->name : "(unnamed)");
    lt_html_open(html, "p", NULL);
    lt_html_text(html, "%" PRIu64 " frames", bus->frames);
    if (bus->bitrate_hz) {
        lt_figure_fixed(load, bus->load * 100, 1);
        lt_html_text(html, ", load %s %% of %u bit/s (%s)", load, (unsigned)bus->bitrate_hz,
                     bus->bitrate_given ? "given" : "assumed");
    }
    lt_html_text(html, ". %s", bus->say ? bus->say : "");
    lt_html_close(html);
    for (size_t i = 0; i < survey->frame_count; i++) {
        if (survey->frames[i].stream->key.bus != index)
            continue;
        if (*drawn < PICTURES_MAX)
            put_frame(html, &survey->frames[i]);
        else
            left_out++;
        ++*drawn;
    }
    if (left_out)
        lt_html_line(html, "p", NULL, "%zu more frames are not drawn; the JSON has them.",
                     left_out);
}

/* --- the rest of the page --- */

static void put_groups(struct lt_html *html, const struct lt_survey *survey)
{
    if (!survey->group_count)
        return;
    lt_html_line(html, "h2", NULL, "The same quantity in several places");
    lt_html_open(html, "table", NULL);
    for (size_t i = 0; i < survey->group_count; i++) {
        lt_html_open(html, "tr", NULL);
        lt_html_line(html, "td", "number", "%zu", i + 1);
        lt_html_open(html, "td", NULL);
        for (size_t k = 0; k < survey->groups[i].count; k++) {
            const struct lt_survey_frame *frame =
                &survey->frames[survey->groups[i].members[k].frame];
            char id[LT_STREAM_ID_ROOM], place[128];
            lt_stream_id_print(id, &frame->stream->key);
            lt_bits_print(place, sizeof place,
                          &frame->fields[survey->groups[i].members[k].field].bits);
            lt_html_text(html, "%s%s %s ", k ? ", " : "", frame->bus, id);
            lt_html_line(html, "code", NULL, "%s", place);
        }
        lt_html_close(html);
        lt_html_close(html);
    }
    lt_html_close(html);
}

static void put_changes(struct lt_html *html, const struct lt_survey_about *about)
{
    size_t count = about->change_count < CHANGES_MAX ? about->change_count : CHANGES_MAX;
    if (!about->against)
        return;
    lt_html_line(html, "h2", NULL, "Against %s", about->against);
    if (!count)
        lt_html_line(html, "p", NULL, "No difference.");
    lt_html_open(html, "table", NULL);
    for (size_t i = 0; i < count; i++) {
        const struct lt_change *change = &about->changes[i];
        char id[LT_STREAM_ID_ROOM], place[128] = "";
        lt_stream_id_print(id, &change->key);
        if (change->bits.parts)
            lt_bits_print(place, sizeof place, &change->bits);
        lt_html_open(html, "tr", NULL);
        lt_html_line(html, "td", NULL, "%s", change->bus);
        lt_html_line(html, "td", "mono", "%s", id);
        lt_html_line(html, "td", "mono", "%s", place);
        lt_html_line(html, "td", NULL, "%s", survey_change_word(change->kind));
        lt_html_line(html, "td", NULL, "%s", change->say ? change->say : "");
        lt_html_close(html);
    }
    lt_html_close(html);
    if (about->change_count > count)
        lt_html_line(html, "p", NULL, "%zu more differences are in the JSON.",
                     about->change_count - count);
}

static void put_head(struct lt_html *html, const struct lt_survey *survey,
                     const struct lt_survey_about *about)
{
    char seconds[LT_FIGURE_ROOM];
    lt_figure_fixed(seconds, survey->duration_s, 3);
    lt_html_line(html, "h1", NULL, "What is on this bus");
    lt_html_open(html, "p", NULL);
    for (size_t i = 0; i < about->file_count; i++)
        lt_html_text(html, i ? ", %s" : "%s", about->files[i]);
    lt_html_text(html, ": %" PRIu64 " frames in %s s, %" PRIu64 " malformed lines.",
                 survey->counts->frames, seconds, about->counts ? about->counts->malformed : 0);
    lt_html_close(html);
    lt_html_line(html, "p", "quiet",
                 "Each strip is one frame: bytes from left to right, bit 7 of each byte first. A "
                 "bar is how often the bit flips: to the top in every frame, to the lines below "
                 "it in every tenth, hundredth, thousandth; a small 0 or 1 stands for a bit that "
                 "never moved "
                 "in this recording. Brackets below are the fields found, the dot at their most "
                 "significant bit. Only what the recording exercised can be seen.");
    picture_legend(html);
}

void lt_survey_html(const struct lt_survey *survey, const struct lt_survey_about *about,
                    struct lt_sink *sink)
{
    struct lt_html html;
    char title[256];
    size_t drawn = 0;
    lt_text_format(title, sizeof title, "Survey of %s",
                   about->file_count ? about->files[0] : "a recording");
    lt_html_begin(&html, sink, title, style);
    put_head(&html, survey, about);
    for (size_t i = 0; i < survey->bus_count; i++)
        if (survey->buses[i].frames)
            put_bus(&html, survey, i, &drawn);
    put_groups(&html, survey);
    put_changes(&html, about);
    lt_html_end(&html);
}
