/* The pictures of the page (picture.h), after the pen recorder: ruled paper, the reference as dots
 * put down when it was heard, candidates as pen lines. Told apart by kind of line, not by colour
 * alone: solid is the best candidate, dashed the best of another group. */
#include "seek/picture.h"

#include <inttypes.h>
#include <math.h>

#include "loomtap/report/figures.h"

#define WIDE       1080.0
#define NARROW     352.0
#define HIGH       190.0
#define HIGH_SMALL 200.0
#define LEFT       58.0
#define RIGHT      10.0
#define TOP        10.0
#define BOTTOM     30.0
#define DOTS_MAX   1500u /* more would not be told apart */
#define TICKS      6.0

struct axis {
    double low, high;
};

struct plot {
    struct lt_html *html;
    double left, top, width, height;
    struct axis x, y;
};

/* --- axes --- */

static void stretch(struct axis *axis, double value)
{
    if (!isfinite(value))
        return;
    if (value < axis->low)
        axis->low = value;
    if (value > axis->high)
        axis->high = value;
}

static struct axis empty_axis(void)
{
    return (struct axis){INFINITY, -INFINITY};
}

/* A little air above and below; never without width. */
static struct axis with_air(struct axis axis, double share)
{
    if (!(axis.low <= axis.high))
        return (struct axis){0, 1};
    double width = axis.high - axis.low;
    double air = width > 0 ? width * share : fmax(fabs(axis.low) * 0.05, 0.5);
    return (struct axis){axis.low - air, axis.high + air};
}

/* The step of 1, 2 or 5 times a power of ten that gives about so many lines. */
static double tick_step(const struct axis *axis, double lines)
{
    double rough = (axis->high - axis->low) / lines;
    double power = pow(10, floor(log10(rough)));
    double part = rough / power;
    return power * (part < 1.5 ? 1 : part < 3.5 ? 2 : part < 7.5 ? 5 : 10);
}

static double x_of(const struct plot *plot, double x)
{
    return plot->left + (x - plot->x.low) / (plot->x.high - plot->x.low) * plot->width;
}

static double y_of(const struct plot *plot, double y)
{
    return plot->top + (plot->y.high - y) / (plot->y.high - plot->y.low) * plot->height;
}

static bool is_inside(const struct plot *plot, double x, double y)
{
    return x >= plot->x.low && x <= plot->x.high && y >= plot->y.low && y <= plot->y.high;
}

static void print_tick(char ret_text[LT_FIGURE_ROOM], double value, double step)
{
    int decimals = (int)ceil(-log10(step) - 1e-9);
    lt_figure_fixed(ret_text, fabs(value) < step / 2 ? 0 : value,
                    decimals > 0 ? (unsigned)decimals : 0);
}

static void rule_x(const struct plot *plot, const char *unit)
{
    double step = tick_step(&plot->x, plot->width / 110);
    double below = plot->top + plot->height;
    for (double at = ceil(plot->x.low / step) * step; at <= plot->x.high; at += step) {
        char text[LT_FIGURE_ROOM];
        print_tick(text, at, step);
        lt_svg_line(plot->html, "rule", x_of(plot, at), plot->top, x_of(plot, at), below);
        lt_svg_text(plot->html, NULL, LT_SVG_MIDDLE, x_of(plot, at), below + 12, "%s", text);
    }
    lt_svg_text(plot->html, "quiet", LT_SVG_RIGHT, plot->left + plot->width, below + 25, "%s",
                unit);
}

static void rule_y(const struct plot *plot)
{
    double step = tick_step(&plot->y, TICKS);
    for (double at = ceil(plot->y.low / step) * step; at <= plot->y.high; at += step) {
        char text[LT_FIGURE_ROOM];
        print_tick(text, at, step);
        lt_svg_line(plot->html, "rule", plot->left, y_of(plot, at), plot->left + plot->width,
                    y_of(plot, at));
        lt_svg_text(plot->html, NULL, LT_SVG_RIGHT, plot->left - 5, y_of(plot, at) + 3.5, "%s",
                    text);
    }
}

static struct plot begin(struct lt_html *html, const char *css_class, double width, double height,
                         const char *say, struct axis x, struct axis y)
{
    struct plot plot = {.html = html,
                        .left = LEFT,
                        .top = TOP,
                        .width = width - LEFT - RIGHT,
                        .height = height - TOP - BOTTOM,
                        .x = x,
                        .y = y};
    lt_svg_open(html, css_class, width, height, say);
    return plot;
}

static void end(const struct plot *plot)
{
    lt_svg_rect(plot->html, "border", plot->left, plot->top, plot->width, plot->height);
    lt_html_close(plot->html);
}

/* --- over time --- */

static double seconds(const struct picture_span *span, int64_t time_ns)
{
    return (double)(time_ns - span->first_ns) / 1e9;
}

static struct axis time_axis(const struct picture_span *span)
{
    return with_air((struct axis){0, seconds(span, span->last_ns)}, 0);
}

/* A pixel wide each: from what was there first over the least and the most to the last. */
static void draw_trace(const struct plot *plot, const struct picture_span *span,
                       const struct seek_trace *trace, const char *css_class)
{
    bool down = false;
    lt_svg_path_begin(plot->html, css_class);
    for (size_t i = 0; i < trace->count;) {
        double column = floor(x_of(plot, seconds(span, trace->time_ns[i])));
        double first = NAN, last = NAN, low = INFINITY, high = -INFINITY;
        int64_t before_ns = i ? trace->time_ns[i - 1] : trace->time_ns[0];
        bool gap = trace->time_ns[i] - before_ns > trace->hold_ns;
        for (; i < trace->count && floor(x_of(plot, seconds(span, trace->time_ns[i]))) == column;
             i++) {
            double value = trace->value[i];
            if (!isfinite(value))
                continue;
            first = isnan(first) ? value : first;
            low = fmin(low, value);
            high = fmax(high, value);
            last = value;
        }
        if (isnan(first)) {
            down = false;
            continue;
        }
        const double values[] = {first, low, high, last};
        for (unsigned k = 0; k < 4; k++) {
            double y = y_of(plot, fmin(fmax(values[k], plot->y.low), plot->y.high));
            if (k && values[k] == values[k - 1])
                continue;
            if (down && !gap)
                lt_svg_draw(plot->html, column, y);
            else
                lt_svg_move(plot->html, column, y);
            down = true;
            gap = false;
        }
    }
    lt_svg_path_end(plot->html);
}

static void draw_reference(const struct plot *plot, const struct picture_span *span,
                           const struct lt_reference *reference)
{
    size_t every = reference->count / DOTS_MAX + 1;
    for (size_t i = 0; i < reference->count; i += every) {
        double x = seconds(span, reference->time_ns[i]), y = reference->value[i];
        if (is_inside(plot, x, y))
            lt_svg_dot(plot->html, "heard", x_of(plot, x), y_of(plot, y),
                       reference->count > 300 ? 1.6 : 2.4);
    }
}

void picture_over_time(struct lt_html *html, const struct picture_span *span,
                       const struct lt_reference *reference, const struct seek_trace *best,
                       const struct seek_trace *rival)
{
    struct axis y = empty_axis();
    for (size_t i = 0; i < reference->count; i++)
        stretch(&y, reference->value[i]);
    struct plot plot = begin(html, "chart", WIDE, HIGH, "Reference and candidates over time",
                             time_axis(span), with_air(y, 0.08));
    rule_x(&plot, "seconds");
    rule_y(&plot);
    if (rival)
        draw_trace(&plot, span, rival, "pen rival");
    if (best)
        draw_trace(&plot, span, best, "pen best");
    draw_reference(&plot, span, reference);
    end(&plot);
}

/* --- labels over time --- */

static void draw_marks(const struct plot *plot, const struct picture_span *span,
                       const struct lt_reference *marks)
{
    double free_from = 0;
    for (size_t i = 0; i < marks->count && i < DOTS_MAX; i++) {
        double at = seconds(span, marks->time_ns[i]);
        if (!(at >= plot->x.low && at <= plot->x.high))
            continue;
        double x = x_of(plot, at);
        lt_svg_line(plot->html, "mark", x, plot->top, x, plot->top + plot->height);
        if (x < free_from)
            continue; /* the name would lie on the one before */
        lt_svg_text(plot->html, NULL, LT_SVG_LEFT, x + 3, plot->top + 9, "%s", marks->label[i]);
        free_from = x + 8 + 6.1 * (double)strlen(marks->label[i]);
    }
}

static void name_values(const struct plot *plot, const struct lt_candidate *candidate)
{
    for (size_t i = 0; i < candidate->value_count; i++) {
        double y = y_of(plot, (double)candidate->values[i].raw);
        lt_svg_line(plot->html, "rule", plot->left, y, plot->left + plot->width, y);
        lt_svg_text(plot->html, NULL, LT_SVG_RIGHT, plot->left - 5, y + 3.5, "%" PRIu64,
                    candidate->values[i].raw);
    }
}

void picture_of_marks(struct lt_html *html, const struct picture_span *span,
                      const struct lt_reference *marks, const struct lt_candidate *candidate,
                      const struct seek_trace *trace)
{
    struct axis y = empty_axis();
    for (size_t i = 0; i < trace->count; i++)
        stretch(&y, trace->value[i]);
    y = with_air(y, 0.12);
    y.high += 0.15 * (y.high - y.low); /* room for the labels */
    struct plot plot =
        begin(html, "chart", WIDE, HIGH, "Marks and the raw value over time", time_axis(span), y);
    rule_x(&plot, "seconds");
    if (candidate->value_count)
        name_values(&plot, candidate);
    else
        rule_y(&plot);
    draw_marks(&plot, span, marks);
    draw_trace(&plot, span, trace, "pen best");
    end(&plot);
}

/* --- against each other --- */

static void draw_line(const struct plot *plot, const struct lt_candidate *candidate)
{
    bool down = false;
    lt_svg_path_begin(plot->html, "pen fitted");
    for (unsigned i = 0; i <= 60; i++) {
        double x = plot->x.low + (plot->x.high - plot->x.low) * i / 60;
        double y = x * candidate->scale + candidate->offset;
        if (candidate->form == LT_FORM_RECIPROCAL)
            y = 1 / y;
        bool inside = isfinite(y) && is_inside(plot, x, y);
        if (inside && down)
            lt_svg_draw(plot->html, x_of(plot, x), y_of(plot, y));
        else if (inside)
            lt_svg_move(plot->html, x_of(plot, x), y_of(plot, y));
        down = inside;
    }
    lt_svg_path_end(plot->html);
}

void picture_scatter(struct lt_html *html, const struct lt_candidate *candidate,
                     const struct seek_pairs *pairs)
{
    struct axis x = empty_axis(), y = empty_axis();
    size_t every = pairs->count / DOTS_MAX + 1;
    for (size_t i = 0; i < pairs->count; i++) {
        stretch(&x, pairs->raw[i]);
        stretch(&y, pairs->reference[i]);
    }
    struct plot plot = begin(html, "part", NARROW, HIGH_SMALL, "Reference against raw value",
                             with_air(x, 0.05), with_air(y, 0.08));
    rule_x(&plot, "raw value");
    rule_y(&plot);
    draw_line(&plot, candidate);
    for (size_t i = 0; i < pairs->count; i += every)
        lt_svg_dot(html, "heard", x_of(&plot, pairs->raw[i]), y_of(&plot, pairs->reference[i]), 2);
    end(&plot);
}

void picture_rest(struct lt_html *html, const struct picture_span *span,
                  const struct lt_reference *reference, const struct seek_pairs *pairs)
{
    struct axis y = {-reference->quantum, reference->quantum};
    size_t every = pairs->count / DOTS_MAX + 1;
    for (size_t i = 0; i < pairs->count; i++)
        stretch(&y, pairs->reference[i] - pairs->value[i]);
    struct plot plot = begin(html, "part", NARROW, HIGH_SMALL, "What is left over, over time",
                             time_axis(span), with_air(y, 0.1));
    double half = reference->quantum / 2;
    if (half > 0)
        lt_svg_rect(html, "band", plot.left, y_of(&plot, half), plot.width,
                    y_of(&plot, -half) - y_of(&plot, half));
    rule_x(&plot, "seconds");
    rule_y(&plot);
    for (size_t i = 0; i < pairs->count; i += every) {
        double rest = pairs->reference[i] - pairs->value[i], at = seconds(span, pairs->time_ns[i]);
        if (is_inside(&plot, at, rest))
            lt_svg_dot(html, "heard", x_of(&plot, at), y_of(&plot, rest), 1.8);
    }
    end(&plot);
}

/* --- over the lag --- */

static void draw_lags(const struct plot *plot, const struct seek_lags *lags, const char *css_class)
{
    bool down = false;
    lt_svg_path_begin(plot->html, css_class);
    for (unsigned i = 0; i < SEEK_LAGS; i++) {
        bool known = isfinite(lags->r[i]) && is_inside(plot, lags->lag_s[i], lags->r[i]);
        if (known && down)
            lt_svg_draw(plot->html, x_of(plot, lags->lag_s[i]), y_of(plot, lags->r[i]));
        else if (known)
            lt_svg_move(plot->html, x_of(plot, lags->lag_s[i]), y_of(plot, lags->r[i]));
        down = known;
    }
    lt_svg_path_end(plot->html);
}

void picture_lags(struct lt_html *html, const struct lt_seek_target *target,
                  const struct seek_lags *best, const struct seek_lags *rival)
{
    struct axis y = empty_axis();
    double needed = fmax(target->r_needed, target->null_r), at = target->candidates->lag_s;
    stretch(&y, 1);
    for (unsigned i = 0; i < SEEK_LAGS; i++)
        stretch(&y, best->r[i]);
    if (needed > 0 && needed <= 1)
        stretch(&y, needed);
    struct plot plot =
        begin(html, "part", NARROW, HIGH_SMALL, "Correlation over the lag",
              (struct axis){best->lag_s[0], best->lag_s[SEEK_LAGS - 1]}, with_air(y, 0.05));
    rule_x(&plot, "lag, seconds");
    rule_y(&plot);
    if (needed > 0 && needed <= 1)
        lt_svg_line(html, "needed", plot.left, y_of(&plot, needed), plot.left + plot.width,
                    y_of(&plot, needed));
    if (rival)
        draw_lags(&plot, rival, "pen rival");
    draw_lags(&plot, best, "pen best");
    if (at >= plot.x.low && at <= plot.x.high)
        lt_svg_line(html, "mark", x_of(&plot, at), plot.top, x_of(&plot, at),
                    plot.top + plot.height);
    end(&plot);
}
