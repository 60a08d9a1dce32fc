/* The time in parentheses, as candump writes it: seconds (absolute, since the first frame, since
 * the frame before) or a date. Facts: can-utils candump.c.
 *
 * Any number of fraction digits is taken, 0 included: converters write what they have. A date is
 * taken as UTC, since the text does not say its zone; the reader reports that it was one. */
#include "capture/line.h"

#define NS_PER_S INT64_C(1000000000)

int64_t lt_days_of_date(int year, unsigned month, unsigned day)
{
    /* Years counted from March, so that the leap day is the last day of its year. */
    int64_t y = month <= 2 ? (int64_t)year - 1 : year;
    int64_t era = (y >= 0 ? y : y - 399) / 400;
    int64_t year_of_era = y - era * 400;
    int64_t day_of_year = (153 * ((int64_t)month + (month > 2 ? -3 : 9)) + 2) / 5 + day - 1;
    int64_t day_of_era = year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year;
    return era * 146097 + day_of_era - 719468;
}

/* "." and digits: at most nine count. Nothing there is 0. */
static int64_t scan_fraction(struct lt_scan *scan)
{
    int64_t ns = 0, unit = NS_PER_S / 10;
    if (scan->at == scan->end || *scan->at != '.')
        return 0;
    for (scan->at++; scan->at < scan->end && lt_is_digit(*scan->at); scan->at++) {
        ns += unit * (*scan->at - '0');
        unit /= 10;
    }
    return ns;
}

bool lt_scan_seconds(struct lt_scan *scan, int64_t *ret_ns)
{
    int64_t seconds = 0;
    const char *from = scan->at;
    for (; scan->at < scan->end && lt_is_digit(*scan->at); scan->at++) {
        seconds = seconds * 10 + (*scan->at - '0');
        if (seconds > LT_TIME_MAX_S)
            return false;
    }
    if (scan->at == from)
        return false;
    *ret_ns = seconds * NS_PER_S + scan_fraction(scan);
    return true;
}

/* Exactly `count` digits, then `after` ('\0': nothing). */
static bool scan_field(struct lt_scan *scan, unsigned count, char after, unsigned *ret_value)
{
    unsigned value = 0;
    for (unsigned i = 0; i < count; i++, scan->at++) {
        if (scan->at == scan->end || !lt_is_digit(*scan->at))
            return false;
        value = value * 10 + (unsigned)(*scan->at - '0');
    }
    *ret_value = value;
    if (after == '\0')
        return true;
    if (scan->at == scan->end || *scan->at != after)
        return false;
    scan->at++;
    return true;
}

static unsigned days_of_month(unsigned year, unsigned month)
{
    static const uint8_t days[12] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    bool leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
    return month == 2 && leap ? 29 : days[month - 1];
}

bool lt_scan_date(struct lt_scan *scan, char between, int64_t *ret_ns)
{
    unsigned year, month, day, hour, minute, second;
    if (!scan_field(scan, 4, '-', &year) || !scan_field(scan, 2, '-', &month) ||
        !scan_field(scan, 2, between, &day) || !scan_field(scan, 2, ':', &hour) ||
        !scan_field(scan, 2, ':', &minute) || !scan_field(scan, 2, '\0', &second))
        return false;
    /* second 60: a leap second, shown by clocks that do not smear it */
    if (year < 1970 || year > 2200 || month < 1 || month > 12 || day < 1 ||
        day > days_of_month(year, month) || hour > 23 || minute > 59 || second > 60)
        return false;
    int64_t seconds = lt_days_of_date((int)year, month, day) * 86400 + (int64_t)hour * 3600 +
                      (int64_t)minute * 60 + second;
    *ret_ns = seconds * NS_PER_S;
    return true;
}

static bool scan_date(struct lt_scan *scan, int64_t *ret_ns)
{
    if (!lt_scan_date(scan, ' ', ret_ns))
        return false;
    *ret_ns += scan_fraction(scan);
    return true;
}

static bool looks_like_date(const struct lt_scan *scan)
{
    return scan->end - scan->at > 10 && scan->at[4] == '-' && scan->at[7] == '-';
}

bool lt_begins_with_time(const struct lt_scan *scan)
{
    const char *at = scan->at + 1;
    if (at < scan->end && *at == '-')
        at++;
    const char *from = at;
    while (at < scan->end && lt_is_digit(*at))
        at++;
    return at > from && (at - from >= 4 || at == scan->end || *at == '.');
}

bool lt_scan_time(struct lt_scan *scan, struct lt_frame *frame, struct lt_line *line)
{
    scan->at++; /* the parenthesis */
    const char *from = scan->at;
    bool date = looks_like_date(scan);
    int64_t time_ns;
    bool fine = date ? scan_date(scan, &time_ns) : lt_scan_seconds(scan, &time_ns);
    if (!fine || scan->at == scan->end || *scan->at != ')') {
        lt_line_bad(line, scan, LT_BAD_TIME);
        return false;
    }
    size_t len = (size_t)(scan->at - from);
    bool keep = !date && len <= UINT8_MAX;
    frame->time_ns = time_ns;
    frame->time_text = keep ? from : NULL;
    frame->time_len = keep ? (uint8_t)len : 0;
    line->date = date;
    scan->at++;
    return true;
}
