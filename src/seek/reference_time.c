/* The time column of a table: numbers in some unit, dates, or the clock's time of day.
 *
 * Dates: ISO 8601 (2024-05-01T12:30:00.5, with blank or T, Z or +hh:mm behind; no zone is taken as
 * UTC) and day.month.year. With strokes (05/01/2024) nobody can tell month from day, so they are
 * refused. A time of day says no day: it counts from midnight, and past midnight it goes on. */
#include "seek/reference_sheet.h"

#include "capture/line.h"
#include "loomtap/base/number.h"

#define NS_PER_S   INT64_C(1000000000)
#define NS_PER_DAY (86400 * NS_PER_S)

static bool digits(struct lt_scan *scan, unsigned least, unsigned most, unsigned *ret_value)
{
    unsigned value = 0, count = 0;
    for (; scan->at < scan->end && lt_is_digit(*scan->at) && count < most; scan->at++, count++)
        value = value * 10 + (unsigned)(*scan->at - '0');
    *ret_value = value;
    return count >= least;
}

static bool take(struct lt_scan *scan, char c)
{
    if (scan->at == scan->end || *scan->at != c)
        return false;
    scan->at++;
    return true;
}

/* "H:MM", "HH:MM:SS", with a fraction behind either decimal sign. */
static bool take_clock(struct lt_scan *scan, int64_t *ret_ns)
{
    unsigned hour, minute, second = 0;
    int64_t ns = 0, unit = NS_PER_S / 10;
    if (!digits(scan, 1, 2, &hour) || !take(scan, ':') || !digits(scan, 2, 2, &minute))
        return false;
    if (take(scan, ':') && !digits(scan, 2, 2, &second))
        return false;
    if (hour > 23 || minute > 59 || second > 60)
        return false;
    if (take(scan, '.') || take(scan, ','))
        for (; scan->at < scan->end && lt_is_digit(*scan->at); scan->at++, unit /= 10)
            ns += unit * (*scan->at - '0');
    *ret_ns = ((int64_t)hour * 3600 + (int64_t)minute * 60 + second) * NS_PER_S + ns;
    return true;
}

/* "2024-05-01" or "1.5.2024" */
static bool take_date(struct lt_scan *scan, int64_t *ret_ns)
{
    unsigned a, b, c;
    const char *from = scan->at;
    if (!digits(scan, 1, 4, &a))
        return false;
    bool year_first = scan->at - from == 4;
    char between = year_first ? '-' : '.';
    if (!take(scan, between) || !digits(scan, 1, 2, &b) || !take(scan, between) ||
        !digits(scan, year_first ? 1 : 4, year_first ? 2 : 4, &c))
        return false;
    unsigned year = year_first ? a : c, day = year_first ? c : a;
    if (year < 1970 || year > 2200 || b < 1 || b > 12 || day < 1 || day > 31)
        return false;
    *ret_ns = lt_days_of_date((int)year, b, day) * NS_PER_DAY;
    return true;
}

static bool take_zone(struct lt_scan *scan, int64_t *ret_ns)
{
    unsigned hours, minutes = 0;
    *ret_ns = 0;
    lt_skip_blanks(scan);
    if (scan->at == scan->end || take(scan, 'Z') || take(scan, 'z'))
        return true;
    bool west = *scan->at == '-';
    if (!west && *scan->at != '+')
        return false;
    scan->at++;
    if (!digits(scan, 2, 2, &hours) || hours > 14)
        return false;
    take(scan, ':');
    if (scan->at < scan->end && (!digits(scan, 2, 2, &minutes) || minutes > 59))
        return false;
    *ret_ns = ((int64_t)hours * 60 + minutes) * 60 * NS_PER_S * (west ? -1 : 1);
    return true;
}

static bool whole_date(struct lt_text text, int64_t *ret_ns)
{
    struct lt_scan scan = {text.at, text.at, text.at + text.len};
    int64_t day_ns, clock_ns = 0, zone_ns = 0;
    if (!take_date(&scan, &day_ns))
        return false;
    if (scan.at < scan.end) {
        if (!take(&scan, 'T') && !take(&scan, ' ') && !take(&scan, ','))
            return false;
        lt_skip_blanks(&scan);
        if (!take_clock(&scan, &clock_ns) || !take_zone(&scan, &zone_ns))
            return false;
    }
    *ret_ns = day_ns + clock_ns - zone_ns;
    return scan.at == scan.end;
}

static bool whole_clock(struct lt_text text, int64_t *ret_ns)
{
    struct lt_scan scan = {text.at, text.at, text.at + text.len};
    return take_clock(&scan, ret_ns) && scan.at == scan.end;
}

static struct lt_text cell_text(const struct sheet_row *row, uint32_t column)
{
    return column < row->count ? lt_text_trim(row->cell[column]) : (struct lt_text){"", 0};
}

/* Exact where the digits allow it: a double's seconds since 1970 are good to 0.2 us only. */
static bool number_ns(const struct sheet *sheet, struct lt_text cell, int64_t unit_ns,
                      int64_t *ret_ns)
{
    struct lt_text text = lt_text_trim(cell);
    struct lt_ratio value, product;
    double approximate;
    if (!memchr(text.at, ',', text.len) && !memchr(text.at, '/', text.len) &&
        lt_parse_ratio(text, &value) &&
        lt_ratio_mul(value, (struct lt_ratio){unit_ns, 1}, &product)) {
        *ret_ns = product.num / product.den;
        return *ret_ns > -SHEET_TIMES_MAX_NS && *ret_ns < SHEET_TIMES_MAX_NS;
    }
    if (!sheet_number(sheet, cell, &approximate))
        return false;
    approximate *= (double)unit_ns;
    if (!(approximate > -(double)SHEET_TIMES_MAX_NS && approximate < (double)SHEET_TIMES_MAX_NS))
        return false;
    *ret_ns = (int64_t)(approximate < 0 ? approximate - 0.5 : approximate + 0.5);
    return true;
}

/* --- what the column is --- */

struct seen {
    uint64_t rows, numbers, dates, clocks;
    double first, least, most;
    bool all_whole;
    uint64_t odd_line;
    struct lt_text odd;
};

static void look(const struct sheet *sheet, const struct sheet_row *row, struct seen *seen)
{
    struct lt_text text = cell_text(row, sheet->time);
    int64_t ns;
    double value;
    if (text.len == 0)
        return;
    seen->rows++;
    if (whole_date(text, &ns)) {
        seen->dates++;
    } else if (whole_clock(text, &ns)) {
        seen->clocks++;
    } else if (sheet_number(sheet, row->cell[sheet->time], &value)) {
        if (!seen->numbers++)
            seen->first = seen->least = seen->most = value;
        seen->least = value < seen->least ? value : seen->least;
        seen->most = value > seen->most ? value : seen->most;
        seen->all_whole =
            seen->all_whole && value > -9e15 && value < 9e15 && value == (double)(int64_t)value;
    } else if (!seen->odd_line) {
        seen->odd_line = row->line;
        seen->odd = text;
    }
}

/* No unit was said. Numbers as large as the seconds since 1970, in a finer unit, tell themselves;
 * otherwise it is the unit whose span is nearest to the capture's, and seconds where that does not
 * say it either, or milliseconds where they are whole and ten and more apart. */
static enum sheet_unit guess_unit(const struct seen *seen, int64_t capture_span_ns)
{
    double span = seen->most - seen->least;
    if (seen->first > 1e17)
        return SHEET_NS;
    if (seen->first > 1e14)
        return SHEET_US;
    if (seen->first > 1e11)
        return SHEET_MS;
    if (seen->first > 1e8)
        return SHEET_S;
    if (capture_span_ns < 0)
        return SHEET_S;
    double capture_s = (double)capture_span_ns / 1e9;
    if (capture_s > 0 && span > 0) {
        if (span > 30 * capture_s && span < 30000 * capture_s)
            return SHEET_MS;
        if (span > 30000 * capture_s && span < 3e7 * capture_s)
            return SHEET_US;
        return span >= 3e7 * capture_s ? SHEET_NS : SHEET_S;
    }
    bool coarse = seen->all_whole && seen->numbers > 2 && span >= 10 * (double)(seen->numbers - 1);
    return coarse ? SHEET_MS : SHEET_S;
}

static enum lt_code no_times(const struct sheet *sheet, const struct seen *seen,
                             struct lt_error *error)
{
    struct lt_text name = lt_text_cut(sheet->header.cell[sheet->time], 40);
    struct lt_text odd = lt_text_cut(seen->odd, 40);
    if (!seen->rows) {
        lt_fail(error, LT_E_MISSING, "there is no time in any row below the header");
        lt_error_at(error, sheet->name, sheet->header_line, 0);
        lt_error_advise(error, "give a file with rows in it");
        return LT_E_MISSING;
    }
    lt_fail(error, LT_E_SYNTAX, "`%.*s` in the time column `%.*s` is no time", LT_TEXT_ARG(odd),
            LT_TEXT_ARG(name));
    lt_error_at(error, sheet->name, seen->odd_line, 0);
    lt_error_advise(error, "times are numbers, dates such as 2024-05-01 12:30:00.5 or 1.5.2024 "
                           "12:30:00, or a time of day such as 12:30:00.5");
    return LT_E_SYNTAX;
}

enum lt_code sheet_learn_times(struct sheet *sheet, int64_t capture_span_ns,
                               struct sheet_times *ret_times, struct lt_error *error)
{
    struct seen seen = {.all_whole = true};
    struct sheet_row row;
    sheet_rewind(sheet);
    while (sheet_next(sheet, &row))
        look(sheet, &row, &seen);
    struct sheet_times times = {.unit = sheet->time_unit};
    /* The kind that most rows have; the others count as faulty later. */
    if (seen.dates && seen.dates >= seen.numbers && seen.dates >= seen.clocks)
        times.kind = SHEET_TIME_DATE;
    else if (seen.clocks && seen.clocks >= seen.numbers)
        times.kind = SHEET_TIME_CLOCK;
    else if (seen.numbers)
        times.kind = SHEET_TIME_NUMBER;
    else
        return no_times(sheet, &seen, error);
    if (times.unit == SHEET_UNIT_UNSAID)
        times.unit = guess_unit(&seen, capture_span_ns);
    times.last_clock_ns = -1;
    *ret_times = times;
    return LT_OK;
}

static bool clock_time(const struct sheet *sheet, struct sheet_times *times,
                       const struct sheet_row *row, struct lt_text text, int64_t *ret_ns)
{
    int64_t clock_ns, date_ns;
    if (!whole_clock(text, &clock_ns))
        return false;
    if (sheet->date != SHEET_NONE && whole_date(cell_text(row, sheet->date), &date_ns)) {
        *ret_ns = date_ns + clock_ns;
        return true;
    }
    if (times->last_clock_ns >= 0 && clock_ns + NS_PER_DAY / 2 < times->last_clock_ns &&
        times->day_ns < SHEET_TIMES_MAX_NS)
        times->day_ns += NS_PER_DAY;
    times->last_clock_ns = clock_ns;
    *ret_ns = times->day_ns + clock_ns;
    return *ret_ns < SHEET_TIMES_MAX_NS;
}

bool sheet_time(const struct sheet *sheet, struct sheet_times *times, const struct sheet_row *row,
                int64_t *ret_time_ns)
{
    struct lt_text text = cell_text(row, sheet->time);
    int64_t time_ns;
    bool fine;
    if (text.len == 0)
        return false;
    if (times->kind == SHEET_TIME_DATE)
        fine = whole_date(text, &time_ns);
    else if (times->kind == SHEET_TIME_CLOCK)
        fine = clock_time(sheet, times, row, text, &time_ns);
    else
        fine = number_ns(sheet, row->cell[sheet->time], sheet_unit_ns(times->unit), &time_ns);
    if (fine)
        *ret_time_ns = time_ns;
    return fine;
}
