/* Tables of text: separator, header, cells and numbers. See reference_sheet.h.
 *
 * What is taken: comma, semicolon or tab between cells; cells in quotes; a byte order mark; a
 * preamble before the header; comment lines with #; either decimal sign. A cell in quotes ends in
 * its own line. RFC 4180 is the common ground, spreadsheets of several countries the rest. */
#include "seek/reference_sheet.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <strings.h>

#include "capture/csv_map.h"
#include "loomtap/base/number.h"

/* --- files --- */

static enum lt_code read_all(FILE *file, const char *path, char **ret_bytes, size_t *ret_size,
                             struct lt_error *error)
{
    size_t size = 0, room = 1 << 16;
    char *bytes = malloc(room);
    while (bytes) {
        size += fread(bytes + size, 1, room - size, file);
        if (size < room)
            break;
        char *more = room > SHEET_BYTES_MAX ? NULL : realloc(bytes, 2 * room);
        if (!more) {
            free(bytes);
            return lt_fail(error, LT_E_LIMIT, "%s holds more than %zu bytes", path,
                           SHEET_BYTES_MAX);
        }
        bytes = more;
        room *= 2;
    }
    if (!bytes)
        return lt_fail(error, LT_E_MEMORY, "no memory to read %s", path);
    if (ferror(file)) {
        int reason = errno;
        free(bytes);
        return lt_fail(error, LT_E_IO, "reading %s failed: %s", path, strerror(reason));
    }
    *ret_bytes = bytes;
    *ret_size = size;
    return LT_OK;
}

enum lt_code sheet_read_file(const char *path, char **ret_bytes, size_t *ret_size,
                             struct lt_error *error)
{
    bool is_stdin = strcmp(path, "-") == 0;
    FILE *file = is_stdin ? stdin : fopen(path, "rb");
    if (!file) {
        int reason = errno;
        lt_fail(error, LT_E_IO, "cannot read %s: %s", path, strerror(reason));
        lt_error_advise(error, "check the name of the file");
        return LT_E_IO;
    }
    enum lt_code code = read_all(file, path, ret_bytes, ret_size, error);
    if (!is_stdin)
        fclose(file);
    return code;
}

/* --- rows --- */

static void take_cells(struct lt_text line, char separator, struct sheet_row *row)
{
    const char *at = line.at, *end = line.at + line.len;
    struct lt_csv_cell cell;
    row->count = 0;
    while (at && row->count < SHEET_COLUMNS_MAX) {
        if (!lt_csv_take_cell(&at, end, separator, &cell)) {
            row->count = 0;
            return;
        }
        row->cell[row->count++] = cell.text;
    }
}

static bool take_line(struct sheet *sheet, struct lt_text *ret_line)
{
    while (lt_text_split(&sheet->rest, '\n', ret_line)) {
        sheet->line++;
        struct lt_text bare = lt_text_trim(*ret_line);
        if (bare.len == 0 || bare.at[0] == '#')
            continue;
        /* The end of the line goes, a leading tab may be an empty cell. */
        while (ret_line->len && (ret_line->at[ret_line->len - 1] == '\r'))
            ret_line->len--;
        return true;
    }
    return false;
}

bool sheet_next(struct sheet *sheet, struct sheet_row *ret_row)
{
    struct lt_text line;
    if (!take_line(sheet, &line))
        return false;
    ret_row->line = sheet->line;
    take_cells(line, sheet->separator, ret_row);
    return true;
}

void sheet_rewind(struct sheet *sheet)
{
    sheet->rest = sheet->first;
    sheet->line = sheet->header_line;
}

/* --- names --- */

void sheet_split_name(struct lt_text cell, struct lt_text *ret_name, struct lt_text *ret_unit)
{
    cell = lt_text_trim(cell);
    *ret_name = cell;
    *ret_unit = (struct lt_text){cell.at, 0};
    if (cell.len < 3)
        return;
    char last = cell.at[cell.len - 1];
    char opens = last == ']' ? '[' : last == ')' ? '(' : 0;
    if (!opens)
        return;
    for (size_t i = 1; i + 1 < cell.len; i++) {
        if (cell.at[i] != opens)
            continue;
        *ret_name = lt_text_trim((struct lt_text){cell.at, i});
        *ret_unit = lt_text_trim((struct lt_text){cell.at + i + 1, cell.len - i - 2});
        return;
    }
}

bool sheet_is_word(struct lt_text text, const char *word)
{
    return text.len == strlen(word) && strncasecmp(text.at, word, text.len) == 0;
}

uint32_t sheet_find(const struct sheet *sheet, const char *name)
{
    for (uint32_t i = 0; i < sheet->header.count; i++)
        if (sheet_is_word(sheet->header.cell[i], name))
            return i;
    for (uint32_t i = 0; i < sheet->header.count; i++) {
        struct lt_text bare, unit;
        sheet_split_name(sheet->header.cell[i], &bare, &unit);
        if (sheet_is_word(bare, name))
            return i;
    }
    return SHEET_NONE;
}

void sheet_list(const struct sheet *sheet, char *ret_text, size_t size)
{
    size_t used = 0;
    ret_text[0] = '\0';
    for (size_t i = 0; i < sheet->header.count && used + 8 < size; i++) {
        struct lt_text name = lt_text_cut(sheet->header.cell[i], 40);
        used += lt_text_format(ret_text + used, size - used, "%s`%.*s`", i ? ", " : "",
                               LT_TEXT_ARG(name));
    }
}

/* --- the header --- */

int64_t sheet_unit_ns(enum sheet_unit unit)
{
    static const int64_t ns[] = {
        [SHEET_UNIT_UNSAID] = 0,
        [SHEET_NS] = 1,
        [SHEET_US] = 1000,
        [SHEET_MS] = 1000000,
        [SHEET_S] = 1000000000,
        [SHEET_MIN] = INT64_C(60000000000),
        [SHEET_H] = INT64_C(3600000000000),
    };
    return ns[unit];
}

static const struct {
    const char *word;
    enum sheet_unit unit;
} unit_words[] = {
    {"s", SHEET_S},
    {"sec", SHEET_S},
    {"secs", SHEET_S},
    {"second", SHEET_S},
    {"seconds", SHEET_S},
    {"ms", SHEET_MS},
    {"msec", SHEET_MS},
    {"millis", SHEET_MS},
    {"milliseconds", SHEET_MS},
    {"us", SHEET_US},
    {"\xC2\xB5s", SHEET_US},
    {"\xCE\xBCs", SHEET_US},
    {"usec", SHEET_US},
    {"microseconds", SHEET_US},
    {"ns", SHEET_NS},
    {"nanoseconds", SHEET_NS},
    {"min", SHEET_MIN},
    {"minutes", SHEET_MIN},
    {"h", SHEET_H},
    {"hours", SHEET_H},
};

static enum sheet_unit unit_of_word(struct lt_text word)
{
    for (size_t i = 0; i < sizeof unit_words / sizeof *unit_words; i++)
        if (sheet_is_word(word, unit_words[i].word))
            return unit_words[i].unit;
    return SHEET_UNIT_UNSAID;
}

static const char *const time_words[] = {
    "time",      "t",         "timestamp", "time stamp",   "time_stamp", "datetime", "date time",
    "date/time", "date_time", "clock",     "elapsed time", "elapsed",    "zeit",     "timestamps",
    "uhrzeit",   "temps",     "tiempo",    "utc",          "local time", "log time",
};

static bool is_time_word(struct lt_text name)
{
    for (size_t i = 0; i < sizeof time_words / sizeof *time_words; i++)
        if (sheet_is_word(name, time_words[i]))
            return true;
    return false;
}

/* "time_ms", "t s", "time [ms]", "seconds": *ret_unit is what it says. */
static bool names_time(struct lt_text cell, enum sheet_unit *ret_unit)
{
    struct lt_text name, unit;
    sheet_split_name(cell, &name, &unit);
    *ret_unit = unit_of_word(unit);
    if (is_time_word(name))
        return true;
    /* A bare unit of one letter may be anything ("h": height). */
    if (unit.len == 0 && name.len > 1 && unit_of_word(name) != SHEET_UNIT_UNSAID) {
        *ret_unit = unit_of_word(name);
        return true;
    }
    for (size_t i = name.len; i-- > 1;) {
        if (name.at[i] != '_' && name.at[i] != ' ')
            continue;
        *ret_unit = unit_of_word((struct lt_text){name.at + i + 1, name.len - i - 1});
        return *ret_unit != SHEET_UNIT_UNSAID && is_time_word((struct lt_text){name.at, i});
    }
    return false;
}

static bool is_date(struct lt_text cell)
{
    return sheet_is_word(cell, "date") || sheet_is_word(cell, "datum") ||
           sheet_is_word(cell, "day");
}

static bool find_time(struct sheet *sheet, const char *time_column)
{
    sheet->date = SHEET_NONE;
    sheet->time = time_column ? sheet_find(sheet, time_column) : SHEET_NONE;
    sheet->time_unit = SHEET_UNIT_UNSAID;
    for (uint32_t i = 0; !time_column && i < sheet->header.count; i++)
        if (names_time(sheet->header.cell[i], &sheet->time_unit)) {
            sheet->time = i;
            break;
        }
    if (time_column && sheet->time != SHEET_NONE)
        names_time(sheet->header.cell[sheet->time], &sheet->time_unit);
    uint32_t date = SHEET_NONE;
    for (uint32_t i = 0; i < sheet->header.count && date == SHEET_NONE; i++)
        if (is_date(sheet->header.cell[i]))
            date = i;
    if (sheet->time == SHEET_NONE && !time_column)
        sheet->time = date;
    else if (date != sheet->time)
        sheet->date = date;
    return sheet->time != SHEET_NONE;
}

/* Tries a line as the header with each separator. Commas come last: they may be decimal signs, and
 * names may hold them. */
static bool try_header(struct sheet *sheet, struct lt_text line, const char *time_column)
{
    static const char separators[] = {'\t', ';', ','};
    for (size_t i = 0; i < sizeof separators; i++) {
        sheet->separator = separators[i];
        if (!memchr(line.at, sheet->separator, line.len))
            continue;
        take_cells(line, sheet->separator, &sheet->header);
        if (sheet->header.count >= 2 && find_time(sheet, time_column))
            return true;
    }
    return false;
}

static bool begins_with_number(struct lt_text line)
{
    line = lt_text_trim(line);
    size_t i = line.len && (line.at[0] == '"' || line.at[0] == '-') ? 1 : 0;
    return i < line.len && line.at[i] >= '0' && line.at[i] <= '9';
}

static enum lt_code no_header(const struct sheet *sheet, uint64_t first_line, struct lt_text first,
                              const char *time_column, const char *sample, struct lt_error *error)
{
    struct lt_text shown = lt_text_cut(lt_text_trim(first), 60);
    enum lt_code code = LT_E_MISSING;
    if (time_column)
        lt_fail(error, code, "no line names the time column `%s`", time_column);
    else if (begins_with_number(first))
        lt_fail(error, code = LT_E_SYNTAX,
                "no header line: the first one, `%.*s`, begins with a number", LT_TEXT_ARG(shown));
    else
        lt_fail(error, code, "no time column in the header `%.*s`", LT_TEXT_ARG(shown));
    lt_error_at(error, sheet->name, first_line, 0);
    lt_error_advise(error,
                    "the first line names the columns, apart by commas, semicolons or tabs: `%s`; "
                    "the time column is time_s, time_ms, time, t, timestamp or date",
                    sample);
    return code;
}

static enum lt_code refuse_bytes(const char *name, struct lt_text text, struct lt_error *error)
{
    if (text.len >= 2 &&
        (memcmp(text.at, "\xFF\xFE", 2) == 0 || memcmp(text.at, "\xFE\xFF", 2) == 0)) {
        lt_fail(error, LT_E_SYNTAX, "the text is UTF-16");
        lt_error_at(error, name, 1, 0);
        lt_error_advise(error, "save it as csv in UTF-8");
        return LT_E_SYNTAX;
    }
    if (text.len && memchr(text.at, '\0', text.len)) {
        lt_fail(error, LT_E_SYNTAX, "there are zero bytes in it: this is no text");
        lt_error_at(error, name, 0, 0);
        lt_error_advise(error, "save the table as csv");
        return LT_E_SYNTAX;
    }
    return LT_OK;
}

enum lt_code sheet_open(struct sheet *ret_sheet, const char *name, struct lt_text text,
                        const char *time_column, const char *sample, struct lt_error *error)
{
    enum lt_code code = refuse_bytes(name, text, error);
    if (code != LT_OK)
        return code;
    if (text.len >= 3 && memcmp(text.at, "\xEF\xBB\xBF", 3) == 0)
        text = (struct lt_text){text.at + 3, text.len - 3};
    struct sheet *sheet = ret_sheet;
    sheet->name = name;
    sheet->rest = text;
    sheet->line = 0;
    sheet->thousands = false;
    struct lt_text line, first = {text.at, 0};
    uint64_t first_line = 0;
    for (unsigned i = 0; i < SHEET_HEADER_MAX && take_line(sheet, &line); i++) {
        if (!first_line)
            first = line, first_line = sheet->line;
        if (!try_header(sheet, line, time_column))
            continue;
        sheet->header.line = sheet->header_line = sheet->line;
        sheet->first = sheet->rest;
        return LT_OK;
    }
    if (first_line)
        return no_header(sheet, first_line, first, time_column, sample, error);
    lt_fail(error, LT_E_MISSING, "the file is empty");
    lt_error_at(error, name, 0, 0);
    lt_error_advise(error, "it needs a header line, `%s`, and rows below it", sample);
    return LT_E_MISSING;
}

/* --- numbers --- */

static unsigned count_of(struct lt_text text, char c)
{
    unsigned count = 0;
    for (size_t i = 0; i < text.len; i++)
        count += text.at[i] == c;
    return count;
}

static size_t last_of(struct lt_text text, char c)
{
    size_t at = SIZE_MAX;
    for (size_t i = 0; i < text.len; i++)
        if (text.at[i] == c)
            at = i;
    return at;
}

/* Which of the two is the decimal sign: the last one where there are both, none where one comes
 * several times. '\0': none. */
static char decimal_sign(const struct sheet *sheet, struct lt_text text)
{
    unsigned commas = count_of(text, ','), points = count_of(text, '.');
    if (commas && points)
        return last_of(text, ',') > last_of(text, '.') ? ',' : '.';
    if (points)
        return points == 1 ? '.' : '\0';
    return commas == 1 && !sheet->thousands ? ',' : '\0';
}

bool sheet_number(const struct sheet *sheet, struct lt_text cell, double *ret_value)
{
    char plain[64];
    size_t len = 0;
    struct lt_text text = lt_text_trim(cell);
    char sign = decimal_sign(sheet, text);
    for (size_t i = 0; i < text.len; i++) {
        char c = text.at[i];
        if (c == '+' && i == 0)
            continue;
        if ((c == ',' || c == '.') && c != sign)
            continue;
        if (len == sizeof plain)
            return false;
        plain[len++] = c == ',' ? '.' : c;
    }
    return lt_parse_f64((struct lt_text){plain, len}, ret_value);
}

void sheet_learn_commas(struct sheet *sheet, uint32_t column)
{
    struct sheet_row row;
    bool thousands = false, decimal = false;
    if (sheet->separator != ',') /* then commas stand free, and are decimal signs */
        return;
    sheet_rewind(sheet);
    while (sheet_next(sheet, &row)) {
        struct lt_text text = column < row.count ? row.cell[column] : (struct lt_text){0};
        size_t comma = text.len ? last_of(text, ',') : SIZE_MAX;
        if (comma == SIZE_MAX || count_of(text, '.'))
            continue;
        bool three = text.len - comma == 4 && text.at[0] != '0';
        thousands = thousands || three;
        decimal = decimal || !three;
    }
    sheet->thousands = thousands && !decimal;
}
