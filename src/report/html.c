/* Pages of HTML. See loomtap/report/html.h. */
#include "loomtap/report/html.h"

#include <assert.h>

/* Ink on paper; links and pictures inherit it. Figures of tables line up. */
static const char common_style[] =
    "html{background:#fff;color:#1b1f24;font:15px/1.45 system-ui,sans-serif}"
    "body{max-width:1120px;margin:1.5em auto;padding:0 1em}"
    "h1{font-size:1.5em;margin:.2em 0}h2{font-size:1.2em;margin:1.6em 0 .4em;"
    "border-bottom:2px solid #1b1f24}h3{font-size:1em;margin:0}"
    "p{margin:.3em 0}table{border-collapse:collapse;margin:.4em 0}"
    "th,td{text-align:left;vertical-align:top;padding:.12em .9em .12em 0}"
    "th{font-weight:600;border-bottom:1px solid #8a929b}"
    "td.number,th.number{text-align:right;white-space:nowrap;font-variant-numeric:tabular-nums}"
    "code,.mono{font-family:ui-monospace,monospace;font-size:.93em}"
    "svg{max-width:100%;height:auto;display:block}"
    "svg text{font:10px ui-monospace,monospace;fill:#1b1f24}"
    ".quiet{color:#59636e}"
    ".fold>label{cursor:pointer;color:#59636e}"
    "@media screen{.fold>input:not(:checked)~.folded{display:none}}"
    "@media print{body{margin:0;max-width:none}.fold>input{display:none}"
    "tr,svg{break-inside:avoid}thead{display:table-header-group}h1,h2,h3{break-after:avoid}}";

void lt_html_escape(struct lt_sink *sink, struct lt_text text)
{
    for (size_t i = 0; i < text.len;) {
        size_t good = text.len - i;
        lt_text_is_utf8((struct lt_text){text.at + i, text.len - i}, &good);
        for (size_t end = i + good; i < end; i++) {
            unsigned char c = (unsigned char)text.at[i];
            if (c == '&')
                lt_sink_string(sink, "&amp;");
            else if (c == '<')
                lt_sink_string(sink, "&lt;");
            else if (c == '>')
                lt_sink_string(sink, "&gt;");
            else if (c == '"')
                lt_sink_string(sink, "&quot;");
            else if (c == '\'')
                lt_sink_string(sink, "&#39;");
            else if ((c < 0x20 && c != '\n' && c != '\t') || c == 0x7F)
                lt_sink_string(sink, "\xEF\xBF\xBD");
            else
                lt_sink_char(sink, (char)c);
        }
        if (i < text.len) {
            lt_sink_string(sink, "\xEF\xBF\xBD");
            i++;
        }
    }
}

void lt_html_begin(struct lt_html *html, struct lt_sink *sink, const char *title, const char *style)
{
    *html = (struct lt_html){.sink = sink};
    lt_sink_string(sink, "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n"
                         "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src "
                         "'none'; style-src 'unsafe-inline'\">\n"
                         "<meta name=\"viewport\" content=\"width=device-width\">\n<title>");
    lt_html_escape(sink, lt_text_of(title));
    lt_sink_string(sink, "</title>\n<style>");
    lt_sink_string(sink, common_style);
    lt_sink_string(sink, style ? style : "");
    lt_sink_string(sink, "</style></head>\n<body>\n");
}

void lt_html_end(struct lt_html *html)
{
    assert(html->depth == 0);
    lt_sink_string(html->sink, "</body></html>\n");
}

static void put_tag(struct lt_html *html, const char *tag, const char *css_class)
{
    lt_sink_format(html->sink, css_class ? "<%s class=\"%s\">" : "<%s>", tag, css_class);
}

void lt_html_open(struct lt_html *html, const char *tag, const char *css_class)
{
    assert(html->depth < LT_HTML_DEPTH);
    html->tags[html->depth++] = tag;
    put_tag(html, tag, css_class);
}

void lt_html_close(struct lt_html *html)
{
    assert(html->depth > 0);
    lt_sink_format(html->sink, "</%s>\n", html->tags[--html->depth]);
}

void lt_html_string(struct lt_html *html, const char *text)
{
    lt_html_escape(html->sink, lt_text_of(text));
}

static void put_formatted(struct lt_html *html, const char *format, va_list args)
    __attribute__((format(printf, 2, 0)));
static void put_formatted(struct lt_html *html, const char *format, va_list args)
{
    char text[1024];
    size_t len = lt_text_vformat(text, sizeof text, format, args);
    lt_html_escape(html->sink, (struct lt_text){text, len});
}

void lt_html_text(struct lt_html *html, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    put_formatted(html, format, args);
    va_end(args);
}

void lt_html_line(struct lt_html *html, const char *tag, const char *css_class, const char *format,
                  ...)
{
    va_list args;
    put_tag(html, tag, css_class);
    va_start(args, format);
    put_formatted(html, format, args);
    va_end(args);
    lt_sink_format(html->sink, "</%s>\n", tag);
}

void lt_html_fold(struct lt_html *html, const char *format, ...)
{
    va_list args;
    lt_html_open(html, "div", "fold");
    html->folds++;
    lt_sink_format(html->sink, "<input type=\"checkbox\" id=\"fold%u\"><label for=\"fold%u\">",
                   html->folds, html->folds);
    va_start(args, format);
    put_formatted(html, format, args);
    va_end(args);
    lt_sink_string(html->sink, "</label>\n");
    lt_html_open(html, "div", "folded");
}
