/* Figures and sentences as people read them. See loomtap/report/figures.h. */
#include "loomtap/report/figures.h"

#include <math.h>

#include "loomtap/base/number.h"

size_t lt_figure_fixed(char ret_text[LT_FIGURE_ROOM], double value, unsigned decimals)
{
    double scaled = value;
    for (unsigned i = 0; i < decimals; i++)
        scaled *= 10;
    if (!(fabs(scaled) < 9e18)) /* not finite, or of no use to a person */
        return lt_text_format(ret_text, LT_FIGURE_ROOM, "-");
    size_t len = lt_print_fixed(ret_text, llround(scaled), decimals);
    ret_text[len] = '\0';
    return len;
}

static size_t without_zeros(char *text, size_t len)
{
    if (!memchr(text, '.', len))
        return len;
    while (text[len - 1] == '0')
        len--;
    if (text[len - 1] == '.')
        len--;
    text[len] = '\0';
    return len;
}

size_t lt_figure_digits(char ret_text[LT_FIGURE_ROOM], double value, unsigned digits)
{
    double size = fabs(value);
    int before = size > 0 && isfinite(size) ? (int)floor(log10(size)) + 1 : 1;
    int decimals = (int)digits - before;
    decimals = decimals < 0 ? 0 : decimals > 12 ? 12 : decimals;
    return without_zeros(ret_text, lt_figure_fixed(ret_text, value, (unsigned)decimals));
}

void lt_figure_percent(char ret_text[LT_FIGURE_ROOM], double share)
{
    if (share >= 0.995)
        lt_text_format(ret_text, LT_FIGURE_ROOM, ">99 %%");
    else
        lt_text_format(ret_text, LT_FIGURE_ROOM, "%d %%", (int)lround(share * 100));
}

/* Three digits, without zeros at the end. */
void lt_figure_time(char ret_text[LT_TIME_ROOM], int64_t ns)
{
    static const struct {
        double unit_ns;
        const char *name;
    } units[] = {{1e9, "s"}, {1e6, "ms"}, {1e3, "us"}};
    char number[LT_FIGURE_ROOM];
    size_t i = 0;
    while (i < 2 && fabs((double)ns) < units[i].unit_ns * 0.9995)
        i++;
    double shown = (double)ns / units[i].unit_ns;
    unsigned decimals = fabs(shown) >= 99.95 ? 0 : fabs(shown) >= 9.995 ? 1 : 2;
    size_t len = without_zeros(number, lt_figure_fixed(number, shown, decimals));
    lt_text_format(ret_text, LT_TIME_ROOM, "%.*s %s", (int)len, number, units[i].name);
}

void lt_put_wrapped(struct lt_sink *sink, unsigned indent, unsigned columns, const char *text)
{
    struct lt_text rest = lt_text_of(text), word;
    size_t column = 0;
    while (lt_text_word(&rest, &word)) {
        if (column && column + 1 + word.len > columns) {
            lt_sink_char(sink, '\n');
            column = 0;
        }
        if (column)
            lt_sink_char(sink, ' ');
        else
            lt_sink_format(sink, "%*s", (int)indent, "");
        column = (column ? column + 1 : indent) + word.len;
        lt_sink_put(sink, word.at, word.len);
    }
    if (column)
        lt_sink_char(sink, '\n');
}
