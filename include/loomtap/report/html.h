/* Pages for people: one HTML file by itself, without script and without anything from elsewhere
 * (the page itself forbids both to the browser). All text is escaped here; bytes that are not UTF-8
 * become U+FFFD.
 *
 *     lt_html_begin(&html, sink, "Survey of drive.log", style);
 *     lt_html_line(&html, "h1", NULL, "%s", name);
 *     lt_html_open(&html, "table", "figures");
 *     ...
 *     lt_html_close(&html);
 *     lt_html_end(&html);
 *
 * The common style is of dark ink on white: it prints as it stands, and tells nothing by colour
 * alone. `style` adds rules of the page's own. Tags, classes and styles are the caller's own words,
 * never text from outside. */
#ifndef LOOMTAP_REPORT_HTML_H
#define LOOMTAP_REPORT_HTML_H

#include "loomtap/base/sink.h"

#define LT_HTML_DEPTH 32 /* elements inside each other */

struct lt_html {
    struct lt_sink *sink;
    unsigned depth, folds;
    const char *tags[LT_HTML_DEPTH];
};

void lt_html_begin(struct lt_html *html, struct lt_sink *sink, const char *title,
                   const char *style);
void lt_html_end(struct lt_html *html);

/* `css_class` NULL: none. Closing ends the innermost element that is open. */
void lt_html_open(struct lt_html *html, const char *tag, const char *css_class);
void lt_html_close(struct lt_html *html);
/* Text inside the element that is open. */
void lt_html_string(struct lt_html *html, const char *text);
void lt_html_text(struct lt_html *html, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
/* An element with nothing but text. */
void lt_html_line(struct lt_html *html, const char *tag, const char *css_class, const char *format,
                  ...) __attribute__((format(printf, 4, 5)));

/* What follows, until two elements are closed, is folded on the screen and there on paper: a box to
 * tick, for browsers do not print what their own folding element hides. The text is the label. */
void lt_html_fold(struct lt_html *html, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/* The escaped form of a text, for places inside attributes too. */
void lt_html_escape(struct lt_sink *sink, struct lt_text text);

#endif
