/* A rehearsal as a page: what happened as a list, then a picture a warning with its on-times and
 * the inputs of its conditions below each other on one axis of time. */
#include <math.h>

#include "loomtap/base/number.h"
#include "loomtap/report/svg.h"
#include "warn/course.h"
#include "warn/show.h"

#define LEFT       210.0
#define PLOT       820.0
#define WIDTH      (LEFT + PLOT + 40)
#define LANE       16.0 /* of on-times */
#define ROW        54.0 /* of an input */
#define ROW_INK    40.0
#define TICKS      8
#define LABEL_ROOM 60.0 /* px that a label's name wants */

static const char style[] =
    "svg{margin:.3em 0 1em}.axis{stroke:#1b1f24;stroke-width:1}.tick{stroke:#c9cdd2}"
    ".on{fill:#1b1f24}.onlost{fill:#fff;stroke:#1b1f24;stroke-dasharray:3 2}"
    ".behind{fill:#ece7db}.curve{fill:none;stroke:#1b1f24;stroke-width:1.1}"
    ".gone{fill:#fff;stroke:#8a929b;stroke-dasharray:2 2}.sent{stroke:#1b1f24;stroke-width:.8}"
    "svg .name{font-weight:700}svg .note{fill:#59636e}section{break-inside:avoid}"
    ".caution{border:2px solid #1b1f24;padding:.4em .8em;margin:1em 0}";

struct page {
    const struct lt_rehearse *rehearse;
    const struct course *course;
    struct lt_html html;
    size_t bins; /* that the run fills */
};

static double x_of(const struct page *page, size_t bin)
{
    return LEFT + PLOT * (double)bin / (double)page->bins;
}

/* --- words --- */

static void put_cautions(struct page *page)
{
    const struct lt_profile *profile = page->rehearse->profile;
    bool sends = false;
    for (size_t i = 0; i < profile->frame_count; i++)
        sends |= profile->frames[i].direction == LT_SEND;
    if (!sends)
        return;
    lt_html_open(&page->html, "div", "caution");
    lt_html_line(&page->html, "p", NULL,
                 "Nothing was sent in this rehearsal. The profile declares frames to send:");
    for (size_t i = 0; lt_warn_cautions[i]; i++)
        lt_html_line(&page->html, "p", NULL, "%s", lt_warn_cautions[i]);
    lt_html_close(&page->html);
}

static void put_head(struct page *page, const struct lt_rehearse_about *about)
{
    const struct lt_rehearse *rehearse = page->rehearse;
    const struct lt_warn_counts *counts = lt_warn_counts(rehearse->warn);
    char duration[LT_TIME_TEXT_ROOM];
    time_text(rehearse->last_ns, duration);
    lt_html_line(&page->html, "h1", NULL, "Warnings of %s, rehearsed", rehearse->profile->name);
    for (size_t i = 0; i < about->file_count; i++)
        lt_html_line(&page->html, "p", "mono", "%s", about->files[i]);
    lt_html_line(&page->html, "p", NULL,
                 "%s s, %llu frames, %llu of them with inputs of warnings. Profile %.16s.",
                 duration, (unsigned long long)counts->frames, (unsigned long long)counts->matched,
                 rehearse->profile->hash);
    if (counts->restarts)
        lt_html_line(&page->html, "p", NULL,
                     "%llu recordings one after another, drawn with a second between.",
                     (unsigned long long)counts->restarts + 1);
    put_cautions(page);
}

static void put_event(struct page *page, const struct listed *event)
{
    char time[LT_TIME_TEXT_ROOM], lasted[LT_TIME_TEXT_ROOM];
    time_text(event->at_ns, time);
    time_text(event->lasted_ns, lasted);
    lt_html_open(&page->html, "tr", NULL);
    lt_html_line(&page->html, "td", "number", "%s", time);
    lt_html_line(&page->html, "td", NULL, "%s",
                 page->rehearse->profile->warnings[event->warning].name);
    lt_html_line(&page->html, "td", NULL, "%s", event->on ? "on" : "off");
    lt_html_line(&page->html, "td", NULL, "%s", cause_text(event->cause));
    lt_html_line(&page->html, "td", "number", "%s", event->on ? "" : lasted);
    lt_html_line(&page->html, "td", NULL, "%s", event->inputs);
    lt_html_close(&page->html);
}

static void put_events(struct page *page)
{
    static const char *const heads[] = {"at s", "warning", "", "cause", "after s", "inputs"};
    const struct course *course = page->course;
    lt_html_line(&page->html, "h2", NULL, "What happened");
    if (!course->event_count) {
        lt_html_line(&page->html, "p", NULL, "No warning came on.");
        return;
    }
    lt_html_open(&page->html, "table", NULL);
    lt_html_open(&page->html, "tr", NULL);
    for (size_t i = 0; i < sizeof heads / sizeof *heads; i++)
        lt_html_line(&page->html, "th", NULL, "%s", heads[i]);
    lt_html_close(&page->html);
    for (size_t i = 0; i < course->event_count; i++)
        put_event(page, &course->events[i]);
    lt_html_close(&page->html);
    if (page->rehearse->counts.events > course->event_count)
        lt_html_line(&page->html, "p", "quiet", "%llu more are not listed here.",
                     (unsigned long long)page->rehearse->counts.events - course->event_count);
}

/* --- pictures --- */

/* A rectangle for each run of bins with the flag. */
static void put_runs(struct page *page, const struct track *track, unsigned flag,
                     const char *css_class, double y, double height)
{
    for (size_t i = 0; i < page->bins; i++) {
        size_t first = i;
        while (i < page->bins && track->bins[i].flags & flag)
            i++;
        if (i > first)
            lt_svg_rect(&page->html, css_class, x_of(page, first), y,
                        x_of(page, i) - x_of(page, first), height);
    }
}

static void find_ends(const struct page *page, const struct track *track, double *ret_low,
                      double *ret_high)
{
    bool any = false;
    *ret_low = *ret_high = 0;
    for (size_t i = 0; i < page->bins; i++) {
        const struct bin *bin = &track->bins[i];
        if (!(bin->flags & COURSE_VALUE))
            continue;
        *ret_low = any ? fmin(*ret_low, bin->low) : bin->low;
        *ret_high = any ? fmax(*ret_high, bin->high) : bin->high;
        any = true;
    }
}

static void put_curve(struct page *page, const struct track *track, double y, double low,
                      double high)
{
    double scale = high > low ? ROW_INK / (high - low) : 0, base = y + ROW_INK;
    bool drawing = false;
    lt_svg_path_begin(&page->html, "curve");
    for (size_t i = 0; i < page->bins; i++) {
        const struct bin *bin = &track->bins[i];
        bool has = bin->flags & COURSE_VALUE;
        if (has && !drawing)
            lt_svg_move(&page->html, x_of(page, i), base - (bin->low - low) * scale);
        else if (has)
            lt_svg_draw(&page->html, x_of(page, i), base - (bin->low - low) * scale);
        if (has && bin->high > bin->low)
            lt_svg_draw(&page->html, x_of(page, i), base - (bin->high - low) * scale);
        if (has)
            lt_svg_draw(&page->html, x_of(page, i + 1), base - (bin->high - low) * scale);
        drawing = has;
    }
    lt_svg_path_end(&page->html);
}

/* Names of states where they last long enough. */
static void put_labels(struct page *page, const struct lt_signal_def *def,
                       const struct track *track, double y)
{
    for (size_t i = 0; i < page->bins;) {
        const struct bin *bin = &track->bins[i];
        size_t first = i;
        while (i < page->bins && track->bins[i].flags & COURSE_VALUE &&
               track->bins[i].raw == bin->raw)
            i++;
        const char *label = i > first ? lt_signal_label(def, bin->raw) : NULL;
        if (label && x_of(page, i) - x_of(page, first) > LABEL_ROOM)
            lt_svg_text(&page->html, "note", LT_SVG_LEFT, x_of(page, first) + 3, y + ROW_INK + 10,
                        "%s", label);
        i += i == first;
    }
}

static void put_input(struct page *page, uint32_t input, double y)
{
    const struct lt_warn_input *is = lt_warn_input(page->rehearse->warn, input);
    const struct lt_signal_def *def = &page->rehearse->profile->signals[is->signal];
    char low_text[LT_F64_ROOM + 1], high_text[LT_F64_ROOM + 1];
    double low, high;
    if (input >= page->course->input_count) {
        lt_svg_text(&page->html, "note", LT_SVG_LEFT, 4, y + 20, "%s (not drawn)", def->name);
        return;
    }
    const struct track *track = &page->course->inputs[input];
    find_ends(page, track, &low, &high);
    low_text[lt_print_f32(low_text, (float)low)] = '\0';
    high_text[lt_print_f32(high_text, (float)high)] = '\0';
    lt_svg_text(&page->html, "name", LT_SVG_LEFT, 4, y + 14, "%s", def->name);
    lt_svg_text(&page->html, "note", LT_SVG_LEFT, 4, y + 28, "%s", lt_signal_unit(def));
    if (!def->label_count) {
        lt_svg_text(&page->html, "note", LT_SVG_RIGHT, LEFT - 6, y + 8, "%s", high_text);
        lt_svg_text(&page->html, "note", LT_SVG_RIGHT, LEFT - 6, y + ROW_INK, "%s", low_text);
    }
    put_runs(page, track, COURSE_LOST, "gone", y + ROW_INK + 2, 5);
    put_curve(page, track, y, low, high);
    if (def->label_count)
        put_labels(page, def, track, y);
}

/* 1, 2 or 5 times a power of ten. */
static double nice_step(double least)
{
    double power = pow(10, floor(log10(least)));
    double factor = least / power;
    return power * (factor <= 1 ? 1 : factor <= 2 ? 2 : factor <= 5 ? 5 : 10);
}

static void put_axis(struct page *page, double bottom)
{
    double seconds = (double)page->course->width_ns * (double)page->bins / 1e9;
    double step = nice_step(seconds / TICKS);
    for (unsigned i = 0; i <= 2 * TICKS && i * step <= seconds; i++) {
        char text[LT_F64_ROOM + 1];
        double x = LEFT + PLOT * (i * step) / seconds;
        text[lt_print_f32(text, (float)(i * step))] = '\0';
        lt_svg_line(&page->html, "tick", x, 4, x, bottom);
        lt_svg_text(&page->html, "note", LT_SVG_MIDDLE, x, bottom + 12, "%s", text);
    }
    lt_svg_line(&page->html, "axis", LEFT, bottom, LEFT + PLOT, bottom);
    lt_svg_text(&page->html, "note", LT_SVG_LEFT, LEFT + PLOT + 6, bottom + 12, "s");
}

static void put_sent(struct page *page, uint32_t frame, double y)
{
    const struct track *track = &page->course->frames[frame];
    lt_svg_text(&page->html, NULL, LT_SVG_LEFT, 4, y + 11, "%s sent",
                page->rehearse->profile->frames[frame].name);
    lt_svg_path_begin(&page->html, "sent");
    for (size_t i = 0; track->bins && i < page->bins; i++) {
        if (!(track->bins[i].flags & COURSE_SENT))
            continue;
        lt_svg_move(&page->html, x_of(page, i), y + 4);
        lt_svg_draw(&page->html, x_of(page, i), y + 12);
    }
    lt_svg_path_end(&page->html);
}

static void put_picture(struct page *page, uint32_t warning)
{
    const struct lt_warning_def *def = &page->rehearse->profile->warnings[warning];
    const struct track *on = &page->course->warnings[warning];
    const uint32_t *inputs;
    size_t count = lt_warn_inputs_of(page->rehearse->warn, warning, &inputs);
    bool sends = def->send != LT_NONE;
    double top = 4 + LANE + 6 + (sends ? LANE : 0), bottom = top + ROW * (double)count;
    char say[160];
    lt_text_format(say, sizeof say, "When %s was on, and its inputs", def->name);
    lt_svg_open(&page->html, NULL, WIDTH, bottom + 18, say);
    put_runs(page, on, COURSE_ON | COURSE_ON_LOST, "behind", 4, bottom - 4);
    put_axis(page, bottom);
    lt_svg_text(&page->html, "name", LT_SVG_LEFT, 4, 16, "on");
    put_runs(page, on, COURSE_ON, "on", 4, LANE - 4);
    put_runs(page, on, COURSE_ON_LOST, "onlost", 5, LANE - 6);
    if (sends)
        put_sent(page, def->send, 4 + LANE);
    for (size_t i = 0; i < count; i++)
        put_input(page, inputs[i], top + ROW * (double)i);
    lt_html_close(&page->html);
}

static void put_warning(struct page *page, uint32_t warning)
{
    const struct lt_warning_def *def = &page->rehearse->profile->warnings[warning];
    const struct warning_tally *tally = &page->rehearse->warnings[warning];
    lt_html_open(&page->html, "section", NULL);
    lt_html_line(&page->html, "h2", NULL, "%s%s%s", def->name, def->title ? ": " : "",
                 def->title ? def->title : "");
    lt_html_line(&page->html, "p", "mono", "when %s, for %u ms", def->when.text,
                 (unsigned)def->for_ms);
    if (def->until.count)
        lt_html_line(&page->html, "p", "mono", "until %s", def->until.text);
    lt_html_line(&page->html, "p", "quiet",
                 "at least %u ms; lost inputs %s; priority %u%s. Came on %llu time%s.",
                 (unsigned)def->hold_ms,
                 def->on_lost == LT_WARNING_LOST_WARN ? "warn" : "are ignored",
                 (unsigned)def->priority, def->limp ? "; goes into limp" : "",
                 (unsigned long long)tally->times, tally->times == 1 ? "" : "s");
    put_picture(page, warning);
    lt_html_close(&page->html);
}

void lt_rehearse_html(const struct lt_rehearse *rehearse, const struct lt_rehearse_about *about,
                      struct lt_sink *sink)
{
    struct page page = {.rehearse = rehearse, .course = rehearse->course};
    page.bins = (size_t)(rehearse->last_ns / page.course->width_ns) + 1;
    lt_html_begin(&page.html, sink, "Warnings rehearsed", style);
    put_head(&page, about);
    put_events(&page);
    lt_html_line(&page.html, "p", "quiet",
                 "In the pictures a filled bar is on by the condition, a dashed one on by lost "
                 "inputs; a dashed strip below a curve says that the input was lost.");
    for (uint32_t i = 0; i < page.course->warning_count; i++)
        put_warning(&page, i);
    if (rehearse->profile->warning_count > page.course->warning_count)
        lt_html_line(&page.html, "p", "quiet", "%zu more warnings are not drawn.",
                     rehearse->profile->warning_count - page.course->warning_count);
    lt_html_end(&page.html);
}
