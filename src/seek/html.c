/* What was found as a page with pictures: for each target the sentence, the reference and the best
 * candidates over time, the fit, what is left over, and the lag. pairs.c works out what is drawn,
 * picture.c draws. */
#include <inttypes.h>
#include <math.h>

#include "seek/picture.h"
#include "seek/words.h"

#define TARGETS_MAX   100 /* that are drawn */
#define CANDIDATES    8   /* of each target's table */
#define ARENA_CEILING ((size_t)64 << 20)

static const char style[] =
    ".target{margin:0 0 1.6em}.target h2{break-after:avoid}.say{font-size:1.05em;margin:.4em 0}"
    ".verdict{font:600 .78em system-ui,sans-serif;border:1.5px solid #1b1f24;border-radius:2px;"
    "padding:.05em .5em;margin-left:.6em;vertical-align:.12em}"
    ".open{border-style:dashed}"
    ".row{display:flex;flex-wrap:wrap;gap:12px;break-inside:avoid}"
    ".row figure{margin:0;width:352px}td.number,th{white-space:nowrap}.row "
    "figcaption{font-size:.85em;color:#59636e}"
    ".chart{break-inside:avoid}"
    ".border{fill:none;stroke:#59636e}.rule{stroke:#cfdcd3;stroke-width:1}"
    ".heard{fill:none;stroke:#b0410e;stroke-width:1.1}"
    ".pen{fill:none;stroke-linejoin:round}.best{stroke:#1d3b5c;stroke-width:1.3}"
    ".rival{stroke:#77838f;stroke-width:1.1;stroke-dasharray:4 2.5}"
    ".fitted{stroke:#1d3b5c;stroke-width:1.3}"
    ".band{fill:#eadfc9}.needed{stroke:#1b1f24;stroke-dasharray:1.5 3}"
    ".mark{stroke:#b0410e;stroke-width:1;stroke-dasharray:2 2}"
    "svg text.quiet{fill:#59636e}";

struct page {
    struct lt_html html;
    const struct lt_seek_report *report;
    struct picture_span span;
};

/* --- tables --- */

static void put_place(struct page *page, const struct lt_candidate *candidate)
{
    struct lt_html *html = &page->html;
    char id[LT_STREAM_ID_ROOM], bits[128], proven[SEEK_PROVEN_ROOM];
    lt_stream_id_print(id, &candidate->stream->key);
    lt_bits_print(bits, sizeof bits, &candidate->bits);
    lt_html_line(html, "td", NULL, "%s", seek_bus_name(page->report, candidate->stream->key.bus));
    lt_html_line(html, "td", "mono", "%s", id);
    lt_html_open(html, "td", "mono");
    lt_html_string(html, bits);
    if (candidate->has_page)
        lt_html_text(html, " (page %u)", candidate->page);
    seek_print_proven(proven, candidate);
    lt_html_string(html, proven);
    lt_html_close(html);
}

static void put_sure(struct lt_html *html, double confidence)
{
    char text[LT_FIGURE_ROOM];
    lt_figure_percent(text, confidence);
    lt_html_line(html, "td", "number", "%s", text);
}

static void put_overview_row(struct page *page, const struct lt_seek_target *target)
{
    struct lt_html *html = &page->html;
    char meaning[SEEK_MEANING_ROOM];
    bool named = target->verdict == LT_SEEK_FOUND && target->count;
    lt_html_open(html, "tr", NULL);
    lt_html_line(html, "td", NULL, "%s", target->reference->target);
    lt_html_line(html, "td", NULL, "%s", target->reference->name);
    lt_html_line(html, "td", NULL, "%s", lt_seek_verdict_name(target->verdict));
    if (named) {
        seek_print_meaning(meaning, target, target->candidates);
        put_place(page, target->candidates);
        lt_html_line(html, "td", NULL, "%s", meaning);
        put_sure(html, target->candidates->confidence);
    }
    lt_html_close(html);
}

static void put_heads(struct lt_html *html, const char *const *heads, size_t count)
{
    lt_html_open(html, "tr", NULL);
    for (size_t i = 0; i < count; i++)
        lt_html_line(html, "th", NULL, "%s", heads[i]);
    lt_html_close(html);
}

static void put_overview(struct page *page)
{
    static const char *const heads[] = {"target", "reference", "verdict", "bus",
                                        "frame",  "bits",      "value",   "sure"};
    lt_html_open(&page->html, "table", NULL);
    put_heads(&page->html, heads, sizeof heads / sizeof *heads);
    for (size_t i = 0; i < page->report->target_count; i++)
        put_overview_row(page, &page->report->targets[i]);
    lt_html_close(&page->html);
}

static void put_candidate(struct page *page, const struct lt_seek_target *target,
                          const struct lt_candidate *candidate)
{
    struct lt_html *html = &page->html;
    char meaning[SEEK_MEANING_ROOM], lag[LT_TIME_ROOM];
    seek_print_meaning(meaning, target, candidate);
    seek_print_lag(lag, candidate->lag_s);
    lt_html_open(html, "tr", NULL);
    lt_html_line(html, "td", "number", "%u%s", candidate->group, candidate->copy ? " copy" : "");
    put_place(page, candidate);
    lt_html_line(html, "td", NULL, "%s",
                 candidate->order == LT_ORDER_NONE ? "" : lt_order_name(candidate->order));
    lt_html_line(html, "td", NULL, "%s",
                 candidate->sign == LT_UNSIGNED ? "" : lt_sign_name(candidate->sign));
    lt_html_line(html, "td", NULL, "%s", meaning);
    lt_html_line(html, "td", "number", "%s", lag);
    put_sure(html, candidate->confidence);
    lt_html_line(html, "td", "quiet", "%s", candidate->why ? candidate->why : "");
    lt_html_close(html);
}

static void put_candidates(struct page *page, const struct lt_seek_target *target)
{
    static const char *const heads[] = {"group", "bus",   "frame", "bits", "order",
                                        "sign",  "value", "lag",   "sure", "why"};
    size_t count = target->count < CANDIDATES ? target->count : CANDIDATES;
    lt_html_open(&page->html, "table", NULL);
    put_heads(&page->html, heads, sizeof heads / sizeof *heads);
    for (size_t i = 0; i < count; i++)
        put_candidate(page, target, &target->candidates[i]);
    lt_html_close(&page->html);
    if (target->count > count)
        lt_html_line(&page->html, "p", "quiet", "%zu more are in the JSON.", target->count - count);
}

/* --- pictures --- */

/* The best candidate that is another quantity than the first. */
static const struct lt_candidate *rival_of(const struct lt_seek_target *target)
{
    for (size_t i = 1; i < target->count; i++)
        if (target->candidates[i].group != target->candidates->group)
            return &target->candidates[i];
    return NULL;
}

static void put_legend(struct page *page, const struct lt_seek_target *target,
                       const struct lt_candidate *rival)
{
    struct lt_html *html = &page->html;
    char id[LT_STREAM_ID_ROOM], bits[128];
    const char *unit = target->reference->unit ? target->reference->unit : "";
    if (strstr(target->reference->name, unit)) /* a column's name says it */
        unit = "";
    lt_stream_id_print(id, &target->candidates->stream->key);
    lt_bits_print(bits, sizeof bits, &target->candidates->bits);
    lt_html_open(html, "p", "quiet");
    lt_html_text(html, "Dots: %s%s%s. Solid line: frame %s, bits %s.", target->reference->name,
                 *unit ? ", " : "", unit, id, bits);
    if (rival) {
        lt_stream_id_print(id, &rival->stream->key);
        lt_bits_print(bits, sizeof bits, &rival->bits);
        lt_html_text(html, " Dashed: frame %s, bits %s, another quantity.", id, bits);
    }
    lt_html_close(html);
}

static void open_part(struct lt_html *html, const char *caption)
{
    lt_html_open(html, "figure", NULL);
    lt_html_line(html, "figcaption", NULL, "%s", caption);
}

static void put_parts(struct page *page, const struct lt_seek_target *target,
                      const struct lt_reference *reference, const struct seek_trace *best,
                      const struct seek_trace *second, const struct lt_candidate *rival,
                      struct lt_arena *arena)
{
    const struct lt_candidate *first = target->candidates;
    struct lt_html *html = &page->html;
    struct seek_pairs pairs;
    struct seek_lags lags, others;
    lt_html_open(html, "div", "row");
    if (seek_pairs_make(best, reference, first->lag_s, arena, &pairs) && pairs.count) {
        open_part(html, "Reference against raw value, and the line that was fitted");
        picture_scatter(html, first, &pairs);
        lt_html_close(html);
        open_part(html, reference->quantum > 0 ? "What is left over; the band is the reference's "
                                                 "own step"
                                               : "What is left over");
        picture_rest(html, &page->span, reference, &pairs);
        lt_html_close(html);
    }
    if (seek_lags_make(best, reference, first->form == LT_FORM_RECIPROCAL, first->lag_s, &lags)) {
        bool both = rival && seek_lags_make(second, reference, rival->form == LT_FORM_RECIPROCAL,
                                            first->lag_s, &others);
        open_part(html, "Correlation over the lag; dotted is what chance may reach");
        picture_lags(html, target, &lags, both ? &others : NULL);
        lt_html_close(html);
    }
    lt_html_close(html);
}

/* By the recording's clock. */
static bool move_reference(const struct lt_seek_target *target, struct lt_arena *arena,
                           struct lt_reference *ret_moved)
{
    double by_ns = target->clock_found ? -target->clock_s * 1e9 : 0;
    *ret_moved = *target->reference;
    if (!(fabs(by_ns) < 9e18))
        return false;
    return by_ns == 0 ||
           lt_reference_move(target->reference, llround(by_ns), arena, ret_moved, NULL) == LT_OK;
}

static bool draw(struct page *page, const struct lt_seek_target *target, struct lt_arena *arena)
{
    struct seek_trace best = {0}, second = {0};
    struct lt_reference reference;
    bool labels = seek_is_labels(target);
    const struct lt_candidate *rival = labels ? NULL : rival_of(target);
    if (!seek_trace_make(target->candidates, labels, arena, &best) ||
        (rival && !seek_trace_make(rival, false, arena, &second)) ||
        !move_reference(target, arena, &reference))
        return false;
    if (labels) {
        picture_of_marks(&page->html, &page->span, &reference, target->candidates, &best);
        return true;
    }
    picture_over_time(&page->html, &page->span, &reference, &best, rival ? &second : NULL);
    put_legend(page, target, rival);
    put_parts(page, target, &reference, &best, &second, rival, arena);
    return !arena->failed;
}

static void put_pictures(struct page *page, const struct lt_seek_target *target)
{
    struct lt_arena arena;
    lt_arena_init(&arena, ARENA_CEILING);
    if (!target->count && !seek_is_labels(target))
        picture_over_time(&page->html, &page->span, target->reference, NULL, NULL);
    else if (target->count && !draw(page, target, &arena))
        lt_html_line(&page->html, "p", "quiet", "There was no memory for all pictures.");
    lt_arena_release(&arena);
}

/* --- the page --- */

static void put_target(struct page *page, const struct lt_seek_target *target)
{
    struct lt_html *html = &page->html;
    const struct lt_reference *reference = target->reference;
    char n_eff[LT_FIGURE_ROOM], needed[LT_FIGURE_ROOM], clock[SEEK_CLOCK_ROOM];
    lt_figure_fixed(n_eff, target->n_eff, 0);
    lt_figure_fixed(needed, target->r_needed, 2);
    lt_html_open(html, "div", "target");
    lt_html_open(html, "h2", NULL);
    lt_html_string(html, reference->target);
    lt_html_line(html, "span", target->verdict == LT_SEEK_FOUND ? "verdict" : "verdict open", "%s",
                 lt_seek_verdict_name(target->verdict));
    lt_html_close(html);
    lt_html_line(html, "p", "say", "%s", target->say ? target->say : "");
    if (seek_is_labels(target))
        lt_html_line(html, "p", "quiet", "%s: %zu marks, %s changes of the label.", reference->name,
                     reference->count, n_eff);
    else
        lt_html_line(html, "p", "quiet",
                     "%s: %zu values, worth %s independent ones; a correlation of %s is needed.",
                     reference->name, reference->count, n_eff, needed);
    if (seek_print_clock(clock, target))
        lt_html_line(html, "p", "quiet", "Times are the recording's: %s.", clock);
    put_pictures(page, target);
    if (target->count)
        put_candidates(page, target);
    lt_html_close(html);
}

static void put_rest(struct page *page)
{
    const struct lt_seek_report *report = page->report;
    struct lt_html *html = &page->html;
    if (report->missing_count)
        lt_html_line(html, "h2", NULL, "Wanted, and not measured by anything");
    for (size_t i = 0; i < report->missing_count; i++)
        lt_html_line(html, "p", NULL, "%s: %s", report->missing[i].target, report->missing[i].say);
    if (!report->asked_count)
        return;
    lt_html_line(html, "h2", NULL, "Asked, and never answered with a value");
    lt_html_open(html, "p", NULL);
    for (size_t i = 0; i < report->asked_count; i++)
        lt_html_text(html, "%s%s", i ? ", " : "", report->asked[i]);
    lt_html_close(html);
}

static void put_head(struct page *page)
{
    const struct lt_seek_report *report = page->report;
    struct lt_html *html = &page->html;
    char span[LT_FIGURE_ROOM];
    lt_figure_fixed(span, (double)(page->span.last_ns - page->span.first_ns) / 1e9, 3);
    lt_html_line(html, "h1", NULL, "What follows the references");
    lt_html_open(html, "p", NULL);
    for (size_t i = 0; i < report->file_count; i++)
        lt_html_text(html, i ? ", %s" : "%s", report->files[i]);
    lt_html_text(html, ": %" PRIu64 " frames in %s s, %" PRIu64 " malformed lines.",
                 report->collected->frames, span, report->read ? report->read->malformed : 0);
    lt_html_close(html);
    lt_html_line(html, "p", "quiet",
                 "value = raw value x scale + offset, in the reference's unit. Bits are named "
                 "byte.bit, the most significant end first. A lag above 0 means that the reference "
                 "comes later than the frame. Candidates of one group say the same quantity. "
                 "Nothing here is proven: that is a matter of another recording.");
}

void lt_seek_html(const struct lt_seek_report *report, struct lt_sink *sink)
{
    struct page page = {.report = report};
    char title[256];
    if (report->collected->frames > report->collected->without_time)
        page.span = (struct picture_span){report->collected->first_ns, report->collected->last_ns};
    lt_text_format(title, sizeof title, "Sought in %s",
                   report->file_count ? report->files[0] : "a recording");
    lt_html_begin(&page.html, sink, title, style);
    put_head(&page);
    put_overview(&page);
    for (size_t i = 0; i < report->target_count && i < TARGETS_MAX; i++)
        put_target(&page, &report->targets[i]);
    if (report->target_count > TARGETS_MAX)
        lt_html_line(&page.html, "p", NULL, "%zu more are in the JSON.",
                     report->target_count - TARGETS_MAX);
    put_rest(&page);
    lt_html_end(&page.html);
}
