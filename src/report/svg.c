/* Pictures of SVG inside a page. See loomtap/report/svg.h. */
#include "loomtap/report/svg.h"

#include <assert.h>
#include <math.h>

#include "loomtap/base/number.h"

#define NUMBER_ROOM 32

/* At most two decimals, a point whatever the locale. What is no number is 0: a picture with a dot
 * out of place is better than a page that does not open. */
static size_t print_number(char ret_text[NUMBER_ROOM], double value)
{
    double cents = value * 100;
    if (!(fabs(cents) < 1e15))
        cents = 0;
    size_t len = lt_print_fixed(ret_text, llround(cents), 2);
    while (ret_text[len - 1] == '0')
        len--;
    if (ret_text[len - 1] == '.')
        len--;
    return len;
}

static void put_number(struct lt_html *html, double value)
{
    char text[NUMBER_ROOM];
    lt_sink_put(html->sink, text, print_number(text, value));
}

static void put_attribute(struct lt_html *html, const char *name, double value)
{
    lt_sink_format(html->sink, " %s=\"", name);
    put_number(html, value);
    lt_sink_char(html->sink, '"');
}

static void begin(struct lt_html *html, const char *tag, const char *css_class)
{
    lt_sink_format(html->sink, css_class ? "<%s class=\"%s\"" : "<%s", tag, css_class);
}

void lt_svg_open(struct lt_html *html, const char *css_class, double width, double height,
                 const char *say)
{
    assert(html->depth < LT_HTML_DEPTH);
    html->tags[html->depth++] = "svg";
    begin(html, "svg", css_class);
    put_attribute(html, "width", width);
    put_attribute(html, "height", height);
    lt_sink_string(html->sink, " viewBox=\"0 0 ");
    put_number(html, width);
    lt_sink_char(html->sink, ' ');
    put_number(html, height);
    lt_sink_string(html->sink, "\" role=\"img\"><title>");
    lt_html_string(html, say);
    lt_sink_string(html->sink, "</title>\n");
}

void lt_svg_rect(struct lt_html *html, const char *css_class, double x, double y, double width,
                 double height)
{
    begin(html, "rect", css_class);
    put_attribute(html, "x", x);
    put_attribute(html, "y", y);
    put_attribute(html, "width", width);
    put_attribute(html, "height", height);
    lt_sink_string(html->sink, "/>\n");
}

void lt_svg_line(struct lt_html *html, const char *css_class, double x1, double y1, double x2,
                 double y2)
{
    begin(html, "line", css_class);
    put_attribute(html, "x1", x1);
    put_attribute(html, "y1", y1);
    put_attribute(html, "x2", x2);
    put_attribute(html, "y2", y2);
    lt_sink_string(html->sink, "/>\n");
}

void lt_svg_dot(struct lt_html *html, const char *css_class, double x, double y, double radius)
{
    begin(html, "circle", css_class);
    put_attribute(html, "cx", x);
    put_attribute(html, "cy", y);
    put_attribute(html, "r", radius);
    lt_sink_string(html->sink, "/>\n");
}

void lt_svg_text(struct lt_html *html, const char *css_class, enum lt_svg_anchor anchor, double x,
                 double y, const char *format, ...)
{
    static const char *const anchors[] = {
        [LT_SVG_LEFT] = "start", [LT_SVG_MIDDLE] = "middle", [LT_SVG_RIGHT] = "end"};
    char text[256];
    va_list args;
    begin(html, "text", css_class);
    put_attribute(html, "x", x);
    put_attribute(html, "y", y);
    lt_sink_format(html->sink, " text-anchor=\"%s\">", anchors[anchor]);
    va_start(args, format);
    size_t len = lt_text_vformat(text, sizeof text, format, args);
    va_end(args);
    lt_html_escape(html->sink, (struct lt_text){text, len});
    lt_sink_string(html->sink, "</text>\n");
}

void lt_svg_path_begin(struct lt_html *html, const char *css_class)
{
    begin(html, "path", css_class);
    lt_sink_string(html->sink, " d=\"");
}

static void put_point(struct lt_html *html, char command, double x, double y)
{
    lt_sink_char(html->sink, command);
    put_number(html, x);
    lt_sink_char(html->sink, ' ');
    put_number(html, y);
}

void lt_svg_move(struct lt_html *html, double x, double y)
{
    put_point(html, 'M', x, y);
}

void lt_svg_draw(struct lt_html *html, double x, double y)
{
    put_point(html, 'L', x, y);
}

void lt_svg_path_end(struct lt_html *html)
{
    lt_sink_string(html->sink, "\"/>\n");
}
