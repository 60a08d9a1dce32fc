/* The pictures of a survey's page (picture.h).
 *
 * A frame is one strip, whatever its length: byte 0 at the left, in each byte bit 7 at the left, so
 * that a field of Motorola order is one run and its most significant bit leads. Bars are on a scale
 * of decades: a bit that flips once in a thousand frames is still seen beside one that flips in
 * every frame. */
#include "survey/picture.h"

#include <math.h>

#include "loomtap/measure/moments.h"
#include "survey/survey_internal.h"
#include "survey/words.h"

#define LEFT       58.0 /* for the pages' names */
#define BYTE_GAP   4.0
#define STRIP_TOP  13.0
#define STRIP_HIGH 36.0
#define DECADES    4.0
#define LANE_HIGH  23.0
#define LANES_MAX  12 /* pages drawn; the table has them all */
#define BITS_MAX   512
#define SURE_LEAST 0.5 /* below it a bracket is drawn faint */

struct strip {
    struct lt_html *html;
    const struct lt_survey_frame *frame;
    unsigned length;
    double cell;     /* width of a bit */
    const char *bar; /* class with the bars' width */
};

/* --- where things are --- */

static struct strip strip_of(struct lt_html *html, const struct lt_survey_frame *frame)
{
    static const struct {
        unsigned most;
        double cell;
        const char *bar;
    } sizes[] = {{8, 12, "bar b8"}, {16, 7, "bar b16"}, {32, 4.5, "bar b32"}, {64, 3, "bar b64"}};
    unsigned length = frame->stream->key.length;
    size_t i = 0;
    while (i < 3 && length > sizes[i].most)
        i++;
    return (struct strip){html, frame, length, sizes[i].cell, sizes[i].bar};
}

static double byte_x(const struct strip *strip, unsigned byte)
{
    return LEFT + byte * (8 * strip->cell + BYTE_GAP);
}

/* Left edge of the bit at a position 8 * byte + bit. */
static double bit_x(const struct strip *strip, unsigned position)
{
    return byte_x(strip, position / 8) + (7 - position % 8) * strip->cell;
}

static double strip_width(const struct strip *strip)
{
    return byte_x(strip, strip->length) + 8;
}

/* --- activity --- */

struct activity {
    uint64_t frames, steps;
    uint64_t ones[BITS_MAX], flips[BITS_MAX];
};

/* From the frames kept, where there are no counts of all. */
static void count_kept(const struct lt_kept *kept, struct activity *activity)
{
    unsigned bits = kept->key.length * 8u;
    for (size_t row = 0; row < kept->count; row++) {
        const uint8_t *now = lt_kept_row(kept, row);
        bool next = row > 0 && kept->flags[row] & LT_KEPT_NEXT;
        activity->steps += next;
        for (unsigned i = 0; i < bits; i++) {
            unsigned one = now[i / 8] >> i % 8 & 1;
            activity->ones[i] += one;
            if (next)
                activity->flips[i] += one != (lt_kept_row(kept, row - 1)[i / 8] >> i % 8 & 1u);
        }
    }
    activity->frames += kept->count;
}

/* All pages together: a step is from a frame to the next of its own page. */
static void count_activity(const struct lt_stream *stream, struct activity *activity)
{
    *activity = (struct activity){0};
    for (size_t p = 0; p < stream->page_count; p++) {
        uint64_t ones[BITS_MAX], flips[BITS_MAX];
        struct lt_moments *moments = stream->pages[p].moments;
        if (!moments) {
            *activity = (struct activity){0};
            count_kept(&stream->kept, activity);
            return;
        }
        lt_moments_activity(moments, ones, flips);
        activity->frames += lt_moments_frames(moments);
        activity->steps += lt_moments_steps(moments);
        for (unsigned i = 0; i < stream->key.length * 8u; i++) {
            activity->ones[i] += ones[i];
            activity->flips[i] += flips[i];
        }
    }
}

static bool stands_still(const struct activity *activity, unsigned position)
{
    return activity->ones[position] == 0 || activity->ones[position] == activity->frames;
}

static double bar_height(const struct activity *activity, unsigned position)
{
    double least = 2;
    if (!activity->flips[position] || !activity->steps)
        return least;
    double rate = (double)activity->flips[position] / (double)activity->steps;
    return fmax(least, STRIP_HIGH * (1 + log10(rate) / DECADES));
}

static void draw_cells(const struct strip *strip)
{
    double bottom = STRIP_TOP + STRIP_HIGH;
    lt_svg_path_begin(strip->html, "cell");
    for (unsigned decade = 1; decade < (unsigned)DECADES; decade++) {
        double y = STRIP_TOP + STRIP_HIGH * decade / DECADES;
        lt_svg_move(strip->html, LEFT, y);
        lt_svg_draw(strip->html, strip_width(strip) - 8 - BYTE_GAP, y);
    }
    lt_svg_path_end(strip->html);
    for (unsigned byte = 0; byte < strip->length; byte++) {
        lt_svg_rect(strip->html, "byte", byte_x(strip, byte), STRIP_TOP, 8 * strip->cell,
                    STRIP_HIGH);
        if (strip->length <= 16 || byte % 4 == 0)
            lt_svg_text(strip->html, "small", LT_SVG_MIDDLE, byte_x(strip, byte) + 4 * strip->cell,
                        STRIP_TOP - 4, "%u", byte);
    }
    lt_svg_text(strip->html, "small", LT_SVG_RIGHT, LEFT - 5, STRIP_TOP - 4, "byte");
    lt_svg_text(strip->html, "small", LT_SVG_RIGHT, LEFT - 5, bottom - 2, "flips");
}

static void draw_bars(const struct strip *strip, const struct activity *activity)
{
    double bottom = STRIP_TOP + STRIP_HIGH;
    lt_svg_path_begin(strip->html, strip->bar);
    for (unsigned i = 0; i < strip->length * 8; i++) {
        double x = bit_x(strip, i) + strip->cell / 2;
        if (stands_still(activity, i))
            continue;
        lt_svg_move(strip->html, x, bottom);
        lt_svg_draw(strip->html, x, bottom - bar_height(activity, i));
    }
    lt_svg_path_end(strip->html);
    for (unsigned i = 0; i < strip->length * 8; i++) {
        if (!stands_still(activity, i))
            continue;
        if (strip->cell >= 7)
            lt_svg_text(strip->html, "still", LT_SVG_MIDDLE, bit_x(strip, i) + strip->cell / 2,
                        bottom - 3, activity->ones[i] ? "1" : "0");
        else if (activity->ones[i])
            lt_svg_rect(strip->html, "rest", bit_x(strip, i) + 0.5, bottom - 2, strip->cell - 1, 2);
    }
}

/* --- brackets --- */

/* A run of neighbouring bits of one field, as the strip shows them. */
struct run {
    double from, to;
};

static size_t find_runs(const struct strip *strip, const struct lt_bits *bits,
                        struct run runs[BITS_MAX / 8])
{
    bool has[BITS_MAX] = {false};
    size_t count = 0;
    for (unsigned p = 0; p < bits->parts; p++)
        for (unsigned n = 0; n < lt_span_length(bits->part[p]); n++) {
            unsigned position = lt_span_position(bits->part[p], n);
            if (position < BITS_MAX)
                has[position] = true;
        }
    bool open = false;
    for (unsigned byte = 0; byte < strip->length; byte++)
        for (int bit = 7; bit >= 0; bit--) {
            unsigned position = byte * 8 + (unsigned)bit;
            double x = bit_x(strip, position);
            if (has[position] && !open && count < BITS_MAX / 8)
                runs[count++] = (struct run){x, x};
            if (has[position])
                runs[count - 1].to = x + strip->cell;
            open = has[position];
        }
    return count;
}

static double draw_bracket(const struct strip *strip, const char *css_class,
                           const struct lt_bits *bits, double y, double *ret_middle)
{
    struct run runs[BITS_MAX / 8];
    size_t count = find_runs(strip, bits, runs), widest = 0;
    double inset = strip->cell > 5 ? 1.5 : 0.5;
    if (!count)
        return 0;
    lt_svg_path_begin(strip->html, css_class);
    for (size_t i = 0; i < count; i++) {
        lt_svg_move(strip->html, runs[i].from + inset, y);
        lt_svg_draw(strip->html, runs[i].from + inset, y + 5);
        lt_svg_draw(strip->html, runs[i].to - inset, y + 5);
        lt_svg_draw(strip->html, runs[i].to - inset, y);
        if (runs[i].to - runs[i].from > runs[widest].to - runs[widest].from)
            widest = i;
    }
    lt_svg_path_end(strip->html);
    if (count > 1)
        lt_svg_line(strip->html, "tie", runs[0].to - inset, y + 7.5, runs[count - 1].from + inset,
                    y + 7.5);
    lt_svg_dot(strip->html, "top",
               bit_x(strip, lt_span_position(bits->part[0], 0)) + strip->cell / 2, y + 5, 2.2);
    *ret_middle = (runs[widest].from + runs[widest].to) / 2;
    return runs[widest].to - runs[widest].from;
}

/* The longest of the labels that fits under the bracket. */
static void put_label(const struct strip *strip, double middle, double width, double y,
                      const char *const *labels, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        if (labels[i][0] && (double)strlen(labels[i]) * 6.1 <= width) {
            lt_svg_text(strip->html, NULL, LT_SVG_MIDDLE, middle, y, "%s", labels[i]);
            return;
        }
    }
}

static void label_field(const struct strip *strip, const struct lt_survey_field *field,
                        double middle, double width, double y)
{
    char size[16], with_sign[40];
    const char *labels[3] = {lt_field_kind_name(field->kind), "", ""};
    lt_text_format(size, sizeof size, "%u bit", lt_bits_length(&field->bits));
    lt_text_format(with_sign, sizeof with_sign, "%s %s", size, lt_sign_name(field->sign));
    switch (field->kind) {
    case LT_FIELD_PHYSICAL:
    case LT_FIELD_ACCUMULATING:
        labels[0] = field->sign == LT_UNSIGNED ? size : with_sign;
        labels[1] = size;
        break;
    case LT_FIELD_COUNTER:
        labels[1] = "count";
        labels[2] = "+1";
        break;
    case LT_FIELD_CHECKSUM:
        labels[0] = field->check.form == LT_CHECK_AUTHENTICATED
                        ? "authenticated"
                        : lt_check_family_name(field->check.checksum.family);
        labels[1] = "check";
        break;
    case LT_FIELD_UNKNOWN:
        labels[1] = "?";
        break;
    default:
        break;
    }
    put_label(strip, middle, width, y, labels, 3);
}

static void draw_field(const struct strip *strip, const struct lt_survey_field *field, double y)
{
    char css_class[48];
    double middle = 0;
    lt_text_format(css_class, sizeof css_class, "bracket %s%s", lt_field_kind_name(field->kind),
                   field->confidence < SURE_LEAST ? " faint" : "");
    double width = draw_bracket(strip, css_class, &field->bits, y, &middle);
    label_field(strip, field, middle, width, y + 17);
}

static bool in_lane(const struct lt_survey_field *field, bool paged, uint64_t page)
{
    return field->kind != LT_FIELD_CONSTANT && paged == (field->pages != NULL) &&
           survey_on_page(field, page);
}

static void draw_lane(const struct strip *strip, bool paged, uint64_t page, double y)
{
    for (size_t i = 0; i < strip->frame->field_count; i++)
        if (in_lane(&strip->frame->fields[i], paged, page))
            draw_field(strip, &strip->frame->fields[i], y);
    if (paged)
        lt_svg_text(strip->html, NULL, LT_SVG_RIGHT, LEFT - 5, y + 8, "page %llu",
                    (unsigned long long)page);
}

/* Dashed borders of the fields that all pages have, through the strip. */
static void draw_edges(const struct strip *strip)
{
    lt_svg_path_begin(strip->html, "edge");
    for (size_t i = 0; i < strip->frame->field_count; i++) {
        const struct lt_survey_field *field = &strip->frame->fields[i];
        struct run runs[BITS_MAX / 8];
        if (field->pages || field->kind == LT_FIELD_CONSTANT)
            continue;
        size_t count = find_runs(strip, &field->bits, runs);
        for (size_t k = 0; k < count; k++) {
            lt_svg_move(strip->html, runs[k].from, STRIP_TOP);
            lt_svg_draw(strip->html, runs[k].from, STRIP_TOP + STRIP_HIGH + 3);
            lt_svg_move(strip->html, runs[k].to, STRIP_TOP);
            lt_svg_draw(strip->html, runs[k].to, STRIP_TOP + STRIP_HIGH + 3);
        }
    }
    lt_svg_path_end(strip->html);
}

void picture_strip(struct lt_html *html, const struct lt_survey_frame *frame)
{
    struct strip strip = strip_of(html, frame);
    struct activity activity;
    const struct lt_selector_found *selector = &frame->stream->selector;
    size_t pages = survey_is_paged(frame) ? selector->count : 0;
    size_t lanes = pages < LANES_MAX ? pages : LANES_MAX;
    double y = STRIP_TOP + STRIP_HIGH + 4, middle;
    char say[160], id[LT_STREAM_ID_ROOM];
    lt_stream_id_print(id, &frame->stream->key);
    lt_text_format(say, sizeof say, "How often each bit of %s flips, and its %zu fields", id,
                   frame->field_count);
    count_activity(frame->stream, &activity);
    lt_svg_open(html, "strip", strip_width(&strip), y + LANE_HIGH * (double)(lanes + 1), say);
    draw_cells(&strip);
    draw_bars(&strip, &activity);
    draw_edges(&strip);
    draw_lane(&strip, false, 0, y);
    if (pages) {
        static const char *const labels[] = {"selector", "page"};
        double width = draw_bracket(&strip, "bracket selector", &selector->bits, y, &middle);
        put_label(&strip, middle, width, y + 17, labels, 2);
    }
    for (size_t i = 0; i < lanes; i++)
        draw_lane(&strip, true, selector->value[i], y + LANE_HIGH * (double)(i + 1));
    lt_html_close(html);
    if (pages > lanes)
        lt_html_line(html, "p", "quiet", "%zu more pages are in the table.", pages - lanes);
}

/* --- time --- */

#define TIME_LEFT    8.0
#define TIME_DECADE  34.0
#define TIME_LEAST   1e5 /* ns at the left end */
#define TIME_DECADES 6.0

static double time_x(double ns)
{
    double decades = ns > TIME_LEAST ? log10(ns / TIME_LEAST) : 0;
    return TIME_LEFT + TIME_DECADE * fmin(decades, TIME_DECADES);
}

void picture_timing(struct lt_html *html, const struct lt_timing *timing)
{
    static const char *const names[] = {"", "1 ms", "", "", "1 s", "", ""};
    char say[SURVEY_TIMING_ROOM];
    if (timing->period_ns <= 0)
        return;
    survey_print_timing(say, timing);
    lt_svg_open(html, "time", 2 * TIME_LEFT + TIME_DECADE * TIME_DECADES + 4, 26, say);
    lt_svg_line(html, "axis", time_x(0), 10, time_x(1e12), 10);
    for (int i = 0; i <= (int)TIME_DECADES; i++) {
        double x = TIME_LEFT + TIME_DECADE * i;
        lt_svg_line(html, "axis", x, 6, x, 14);
        lt_svg_text(html, "small", LT_SVG_MIDDLE, x, 24, "%s", names[i]);
    }
    double period = (double)timing->period_ns, jitter = (double)timing->jitter_ns;
    lt_svg_line(html, "reach", time_x((double)timing->shortest_ns), 10,
                time_x((double)timing->longest_ns), 10);
    lt_svg_line(html, "spread", time_x(period - jitter) - 1, 10, time_x(period + jitter) + 1, 10);
    lt_svg_dot(html, "point", time_x(period), 10, 2.5);
    lt_html_close(html);
}

void picture_legend(struct lt_html *html)
{
    static const struct {
        const char *css_class, *name;
    } kinds[] = {{"bracket physical", "number"},   {"bracket enum", "enum, flag"},
                 {"bracket counter", "counter"},   {"bracket checksum", "checksum"},
                 {"bracket selector", "selector"}, {"bracket text", "text"},
                 {"bracket unknown", "unknown"},   {"bracket physical faint", "not sure"}};
    double x = 4;
    lt_svg_open(html, "legend", 940, 30, "What the brackets stand for");
    for (size_t i = 0; i < sizeof kinds / sizeof *kinds; i++) {
        lt_svg_path_begin(html, kinds[i].css_class);
        lt_svg_move(html, x, 6);
        lt_svg_draw(html, x, 11);
        lt_svg_draw(html, x + 38, 11);
        lt_svg_draw(html, x + 38, 6);
        lt_svg_path_end(html);
        lt_svg_text(html, NULL, LT_SVG_LEFT, x + 44, 13, "%s", kinds[i].name);
        x += 58 + 6.1 * (double)strlen(kinds[i].name);
    }
    lt_html_close(html);
}
