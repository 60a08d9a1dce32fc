/* Pictures inside a page (html.h). Coordinates are CSS pixels, x to the right and y down, written
 * with at most two decimals; a picture scales down with the page. Colours and widths are classes of
 * the page's style. */
#ifndef LOOMTAP_REPORT_SVG_H
#define LOOMTAP_REPORT_SVG_H

#include "loomtap/report/html.h"

/* `say`: the picture in words, for those who cannot see it. Closed by lt_html_close. */
void lt_svg_open(struct lt_html *html, const char *css_class, double width, double height,
                 const char *say);

void lt_svg_rect(struct lt_html *html, const char *css_class, double x, double y, double width,
                 double height);
void lt_svg_line(struct lt_html *html, const char *css_class, double x1, double y1, double x2,
                 double y2);
void lt_svg_dot(struct lt_html *html, const char *css_class, double x, double y, double radius);

enum lt_svg_anchor { LT_SVG_LEFT, LT_SVG_MIDDLE, LT_SVG_RIGHT };
void lt_svg_text(struct lt_html *html, const char *css_class, enum lt_svg_anchor anchor, double x,
                 double y, const char *format, ...) __attribute__((format(printf, 6, 7)));

/* Many lines of one kind in one element, which keeps files small:
 *     lt_svg_path_begin(html, "curve");
 *     lt_svg_move(html, x0, y0);     // begins a line
 *     lt_svg_draw(html, x1, y1);     // goes on to
 *     lt_svg_path_end(html); */
void lt_svg_path_begin(struct lt_html *html, const char *css_class);
void lt_svg_move(struct lt_html *html, double x, double y);
void lt_svg_draw(struct lt_html *html, double x, double y);
void lt_svg_path_end(struct lt_html *html);

#endif
