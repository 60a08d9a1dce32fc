/* A proof as one page for the customer's file: verdict, required roles with pictures of each over
 * its diagnostics, claims, what to drive next, cautions, hashes. Prints in black on paper. */
#include <inttypes.h>
#include <math.h>
#include <string.h>

#include "loomtap/prove/output.h"
#include "loomtap/report/svg.h"
#include "prove/inside.h"

#define WIDTH    640.0
#define HEIGHT   130.0
#define LEFT     60.0
#define BOTTOM   18.0
#define TOP      8.0
#define GAP_PART 0.02 /* of the time shown: a longer gap is no line */

static const char style[] =
    ".verdict{font-size:1.6em;font-weight:700;border:3px solid #1b1f24;padding:.3em .6em;"
    "display:inline-block;margin:.3em 0}"
    ".bad{font-weight:700}"
    "path.signal{fill:none;stroke:#1b1f24;stroke-width:1}"
    "circle.reference{fill:none;stroke:#1b1f24;stroke-width:1}"
    "line.axis{stroke:#8a929b;stroke-width:1}"
    "table.claims{font-size:.85em;width:100%}"
    "table.claims td{border-bottom:1px solid #d0d7de;overflow-wrap:anywhere}"
    ".plot{break-inside:avoid;margin:.8em 0}"
    "@media print{h2{break-after:avoid}tr{break-inside:avoid}@page{margin:15mm}}";

struct frame_of_plot {
    double t0, t1, v0, v1;
};

static void stretch(struct frame_of_plot *box, const double *s, const double *v, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        box->t0 = fmin(box->t0, s[i]);
        box->t1 = fmax(box->t1, s[i]);
        box->v0 = fmin(box->v0, v[i]);
        box->v1 = fmax(box->v1, v[i]);
    }
}

static double at_x(const struct frame_of_plot *box, double s)
{
    return LEFT + (WIDTH - LEFT - 10) * (s - box->t0) / (box->t1 - box->t0);
}

static double at_y(const struct frame_of_plot *box, double v)
{
    return HEIGHT - BOTTOM - (HEIGHT - BOTTOM - TOP) * (v - box->v0) / (box->v1 - box->v0);
}

static void put_axes(struct lt_html *html, const struct frame_of_plot *box)
{
    char text[NUMBER_ROOM];
    lt_svg_line(html, "axis", LEFT, TOP, LEFT, HEIGHT - BOTTOM);
    lt_svg_line(html, "axis", LEFT, HEIGHT - BOTTOM, WIDTH - 10, HEIGHT - BOTTOM);
    lt_svg_text(html, NULL, LT_SVG_RIGHT, LEFT - 4, TOP + 8, "%s", number_text(text, box->v1));
    lt_svg_text(html, NULL, LT_SVG_RIGHT, LEFT - 4, HEIGHT - BOTTOM, "%s",
                number_text(text, box->v0));
    lt_svg_text(html, NULL, LT_SVG_LEFT, LEFT, HEIGHT - 4, "%s s", number_text(text, box->t0));
    lt_svg_text(html, NULL, LT_SVG_RIGHT, WIDTH - 10, HEIGHT - 4, "%s s",
                number_text(text, box->t1));
}

static void put_plot(struct lt_html *html, const struct lt_proof_plot *plot)
{
    struct frame_of_plot box = {INFINITY, -INFINITY, INFINITY, -INFINITY};
    char say[200];
    stretch(&box, plot->signal_s, plot->signal_value, plot->signal_count);
    stretch(&box, plot->reference_s, plot->reference_value, plot->reference_count);
    if (!(box.t1 > box.t0))
        return;
    if (!(box.v1 > box.v0))
        box.v1 = box.v0 + 1;
    lt_html_open(html, "div", "plot");
    lt_html_line(html, "h3", NULL, "%s: %s%s%s%s%s", plot->role, plot->signal,
                 *plot->unit ? " in " : "", plot->unit, plot->reference ? ", rings: " : "",
                 plot->reference ? plot->reference : "");
    lt_text_format(say, sizeof say, "%s over time%s%s", plot->signal,
                   plot->reference ? ", and " : "", plot->reference ? plot->reference : "");
    lt_svg_open(html, NULL, WIDTH, HEIGHT, say);
    put_axes(html, &box);
    lt_svg_path_begin(html, "signal");
    for (size_t i = 0; i < plot->signal_count; i++) {
        double x = at_x(&box, plot->signal_s[i]), y = at_y(&box, plot->signal_value[i]);
        bool gap = i && plot->signal_s[i] - plot->signal_s[i - 1] > GAP_PART * (box.t1 - box.t0);
        if (i == 0 || gap)
            lt_svg_move(html, x, y);
        else
            lt_svg_draw(html, x, y);
    }
    lt_svg_path_end(html);
    for (size_t i = 0; i < plot->reference_count; i++)
        lt_svg_dot(html, "reference", at_x(&box, plot->reference_s[i] - plot->lag_s),
                   at_y(&box, plot->reference_value[i]), 2.5);
    lt_html_close(html);
    lt_html_close(html);
}

static void put_claims(struct lt_html *html, const struct lt_proof *proof, const char *title,
                       enum lt_proof_verdict verdict)
{
    if (!proof->counts[verdict])
        return;
    static const char *const heads[] = {"subject", "claim", "expected", "measured", "what"};
    lt_html_line(html, "h2", NULL, "%s", title);
    lt_html_open(html, "table", "claims");
    lt_html_open(html, "tr", NULL);
    for (size_t i = 0; i < sizeof heads / sizeof *heads; i++)
        lt_html_line(html, "th", NULL, "%s", heads[i]);
    lt_html_close(html);
    for (size_t i = 0; i < proof->claim_count; i++) {
        const struct lt_claim *claim = &proof->claims[i];
        if (claim->verdict != verdict)
            continue;
        lt_html_open(html, "tr", NULL);
        lt_html_line(html, "td", claim->required ? "bad" : NULL, "%s", claim->subject);
        lt_html_line(html, "td", NULL, "%s", lt_claim_kind(claim->id)->sentence);
        lt_html_line(html, "td", NULL, "%s", claim->expected);
        lt_html_line(html, "td", NULL, "%s", claim->measured);
        lt_html_line(html, "td", NULL, "%s", claim->say);
        lt_html_close(html);
    }
    lt_html_close(html);
}

static void put_head(struct lt_html *html, const struct lt_proof *proof)
{
    char seconds[NUMBER_ROOM];
    const struct lt_profile *profile = proof->profile;
    lt_html_line(html, "h1", NULL, "Proof of %s", profile->title ? profile->title : profile->name);
    lt_html_line(html, "p", "verdict", "%s", lt_proof_verdict_name(proof->verdict));
    lt_html_line(html, "p", NULL,
                 "%zu claims: %zu proven, %zu contradicted, %zu not exercised, on %" PRIu64
                 " frames in %s s.",
                 proof->claim_count, proof->counts[LT_PROVEN], proof->counts[LT_CONTRADICTED],
                 proof->counts[LT_NOT_EXERCISED], proof->frames,
                 number_text(seconds, proof->duration_s));
    if (profile->require_count) {
        lt_html_open(html, "p", NULL);
        lt_html_text(html, "The verdict is the worst of what is claimed about the required roles:");
        for (size_t i = 0; i < profile->require_count; i++)
            lt_html_text(html, "%s %s", i ? "," : "", profile->requires[i]);
        lt_html_text(html, ". Subjects in bold belong to them.");
        lt_html_close(html);
    } else {
        lt_html_line(
            html, "p", NULL,
            "The profile requires no role: the verdict is the worst of what is claimed about "
            "its signals with a role, or about all where none has one. Their subjects are in "
            "bold.");
    }
}

static void put_changes(struct lt_html *html, const struct lt_proof_about *about)
{
    if (!about->compared)
        return;
    lt_html_line(html, "h2", NULL, "Since the last proof");
    lt_html_line(html, "p", NULL, "%s: %s%s. %zu claims have another verdict.", about->old_name,
                 about->old_verdict, about->other_profile ? ", of another profile" : "",
                 about->change_count);
    lt_html_open(html, "table", "claims");
    for (size_t i = 0; i < about->change_count; i++) {
        const struct lt_proof_change *change = &about->changes[i];
        lt_html_open(html, "tr", NULL);
        lt_html_line(html, "td", NULL, "%s", change->subject);
        lt_html_line(html, "td", NULL, "%s", change->id);
        lt_html_line(html, "td", NULL, "%s, now %s", change->before, change->now);
        lt_html_line(html, "td", NULL, "%s", change->say);
        lt_html_close(html);
    }
    lt_html_close(html);
}

static void put_origin(struct lt_html *html, const struct lt_proof *proof,
                       const struct lt_proof_about *about)
{
    const struct lt_profile *profile = proof->profile;
    lt_html_line(html, "h2", NULL, "What was proven, on what");
    lt_html_open(html, "table", NULL);
    lt_html_open(html, "tr", NULL);
    lt_html_line(html, "td", NULL, "profile %s", profile->name);
    lt_html_line(html, "td", "mono", "%s", profile->hash);
    lt_html_close(html);
    for (size_t i = 0; i < profile->fit_count; i++) {
        lt_html_open(html, "tr", NULL);
        lt_html_line(html, "td", NULL, "fits: %s", profile->fits[i].key);
        lt_html_line(html, "td", NULL, "%s", profile->fits[i].value);
        lt_html_close(html);
    }
    for (size_t i = 0; i < about->capture_count; i++) {
        lt_html_open(html, "tr", NULL);
        lt_html_line(html, "td", NULL, "capture %s", about->captures[i].name);
        lt_html_line(html, "td", "mono", "%s", about->captures[i].hash);
        lt_html_close(html);
    }
    lt_html_open(html, "tr", NULL);
    lt_html_line(html, "td", NULL, "loomtap");
    lt_html_line(html, "td", NULL, "%s", about->version);
    lt_html_close(html);
    lt_html_close(html);
}

static void put_cautions(struct lt_html *html)
{
    static const char *const cautions[] = {
        "What was not exercised is not proven: a value that the drive did not reach may be read "
        "wrongly.",
        "A proof holds for this car, this profile (hash) and these captures; software updates "
        "change cars.",
        "Transmitting on a vehicle bus can change how the vehicle behaves: do it stationary, "
        "wheels chocked, never on a public road, and keep clear of restraint, brake and steering "
        "networks.",
        "Follow the maker's workshop information, local law (emission control, type approval) and "
        "a licensed technician's judgement. This program is no safety device.",
    };
    lt_html_line(html, "h2", NULL, "Cautions");
    lt_html_open(html, "ul", NULL);
    for (size_t i = 0; i < sizeof cautions / sizeof *cautions; i++)
        lt_html_line(html, "li", NULL, "%s", cautions[i]);
    lt_html_close(html);
}

void lt_proof_write_html(const struct lt_proof *proof, const struct lt_proof_about *about,
                         struct lt_sink *sink)
{
    struct lt_html html;
    char title[200];
    lt_text_format(title, sizeof title, "Proof of %s", proof->profile->name);
    lt_html_begin(&html, sink, title, style);
    put_head(&html, proof);
    put_claims(&html, proof, "Contradicted", LT_CONTRADICTED);
    if (proof->todo_count) {
        lt_html_line(&html, "h2", NULL, "What to drive next");
        lt_html_open(&html, "ul", NULL);
        for (size_t i = 0; i < proof->todo_count; i++)
            lt_html_line(&html, "li", NULL, "%s", proof->todo[i]);
        lt_html_close(&html);
    }
    put_changes(&html, about);
    if (proof->plot_count)
        lt_html_line(&html, "h2", NULL, "Signals, and what diagnostics read");
    for (size_t i = 0; i < proof->plot_count; i++)
        put_plot(&html, &proof->plots[i]);
    put_claims(&html, proof, "Proven", LT_PROVEN);
    put_claims(&html, proof, "Not exercised", LT_NOT_EXERCISED);
    put_cautions(&html);
    put_origin(&html, proof, about);
    lt_html_end(&html);
}
