/* A logger's column as a reference. See loomtap/seek/reference.h.
 *
 * Everything a workshop's logger may do to a table is met somewhere here: units in the header or in
 * a row of their own, several columns that are filled in turn, words for "no value", rows out of
 * order, decimal commas. What cannot be told is an error; what is merely faulty is counted. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "loomtap/base/number.h"
#include "loomtap/seek/reference.h"
#include "seek/reference_inside.h"
#include "seek/reference_sheet.h"

#define MS_NS             INT64_C(1000000)
#define CSV_LAG_LOW_NS    (-500 * MS_NS)
#define CSV_LAG_HIGH_NS   (1500 * MS_NS)
#define CSV_CLOCK_NEAR_NS (120000 * MS_NS) /* clocks that were set by hand agree this well */
#define SAMPLE            "time_s,engine_speed [rpm]"

struct column {
    struct sheet sheet;
    struct sheet_times times;
    uint32_t value;
    struct lt_text name, unit; /* of the header */
    bool unit_row;             /* the first row below the header says units */
};

struct rows {
    int64_t *time_ns;
    double *value;
    size_t count;
    uint64_t skipped, first_line;
    char first_what[120];
    bool unordered;
};

/* --- which column --- */

static enum lt_code no_column(const struct sheet *sheet, struct lt_error *error, const char *what,
                              const char *name)
{
    char columns[200];
    sheet_list(sheet, columns, sizeof columns);
    if (name)
        lt_fail(error, LT_E_MISSING, "`%s`: %s", name, what);
    else
        lt_fail(error, LT_E_MISSING, "%s", what);
    lt_error_at(error, sheet->name, sheet->header_line, 0);
    lt_error_advise(error, "say which column by its name; the header has %s", columns);
    return LT_E_MISSING;
}

static enum lt_code find_value(struct column *column, const char *name, struct lt_error *error)
{
    struct sheet *sheet = &column->sheet;
    uint32_t only = SHEET_NONE, count = 0;
    if (name) {
        column->value = sheet_find(sheet, name);
        if (column->value == SHEET_NONE)
            return no_column(sheet, error, "no column of that name", name);
        if (column->value == sheet->time)
            return no_column(sheet, error, "that is the time column, not the value's", name);
        return LT_OK;
    }
    for (uint32_t i = 0; i < sheet->header.count; i++) {
        if (i == sheet->time || i == sheet->date || sheet->header.cell[i].len == 0)
            continue;
        only = i;
        count++;
    }
    if (count == 0)
        return no_column(sheet, error, "there is no column beside the time", NULL);
    if (count > 1)
        return no_column(sheet, error, "several columns could be the value", NULL);
    column->value = only;
    return LT_OK;
}

/* Some loggers write the units into a row of their own below the names. */
static void find_unit_row(struct column *column)
{
    struct sheet_row row;
    int64_t ns;
    double value;
    sheet_rewind(&column->sheet);
    if (!sheet_next(&column->sheet, &row) || column->value >= row.count ||
        column->sheet.time >= row.count)
        return;
    struct sheet_times times = column->times;
    struct lt_text bare, unit;
    if (sheet_time(&column->sheet, &times, &row, &ns) ||
        sheet_number(&column->sheet, row.cell[column->value], &value))
        return;
    sheet_split_name(row.cell[column->value], &bare, &unit);
    unit = unit.len ? unit : bare;
    if (unit.len > 2 && unit.at[0] == '[' && unit.at[unit.len - 1] == ']')
        unit = (struct lt_text){unit.at + 1, unit.len - 2};
    column->unit_row = true;
    if (column->unit.len == 0)
        column->unit = unit;
    /* The time's unit stands there too. */
    struct lt_text time = lt_text_trim(row.cell[column->sheet.time]);
    if (time.len > 2 && (time.at[0] == '[' || time.at[0] == '('))
        time = (struct lt_text){time.at + 1, time.len - 2};
    if (column->sheet.time_unit == SHEET_UNIT_UNSAID && lt_text_is(time, "ms"))
        column->times.unit = SHEET_MS;
    else if (column->sheet.time_unit == SHEET_UNIT_UNSAID && lt_text_is(time, "s"))
        column->times.unit = SHEET_S;
}

/* --- rows --- */

static bool is_gap(struct lt_text text)
{
    static const char *const words[] = {"", "-", "--", "nan", "n/a", "na", "null", "none", "inf"};
    for (size_t i = 0; i < sizeof words / sizeof *words; i++)
        if (sheet_is_word(text, words[i]))
            return true;
    return false;
}

static void skip(struct rows *rows, const struct sheet_row *row, const char *what,
                 struct lt_text cell)
{
    if (rows->skipped++)
        return;
    cell = lt_text_cut(cell, 30);
    rows->first_line = row->line;
    if (cell.len)
        lt_text_format(rows->first_what, sizeof rows->first_what, "`%.*s` is %s", LT_TEXT_ARG(cell),
                       what);
    else
        lt_text_format(rows->first_what, sizeof rows->first_what, "%s", what);
}

/* Why a row of more cells than the header has is taken for one with decimal commas. */
static bool has_stray_commas(const struct column *column, const struct sheet_row *row)
{
    return column->sheet.separator == ',' && row->count > column->sheet.header.count &&
           column->sheet.header.count == 2;
}

static void take_row(struct column *column, const struct sheet_row *row, struct rows *rows)
{
    static const struct lt_text nothing = {"", 0};
    int64_t time_ns;
    double value;
    if (row->count == 0) {
        skip(rows, row, "a quote does not end", nothing);
    } else if (column->value >= row->count) {
        skip(rows, row, "the row ends before the value's column", nothing);
    } else if (!sheet_time(&column->sheet, &column->times, row, &time_ns)) {
        struct lt_text text =
            column->sheet.time < row->count ? row->cell[column->sheet.time] : nothing;
        skip(rows, row, "no time like the others", text);
    } else if (is_gap(lt_text_trim(row->cell[column->value]))) {
        skip(rows, row, "there is no value", nothing);
    } else if (!sheet_number(&column->sheet, row->cell[column->value], &value)) {
        skip(rows, row, "no number", row->cell[column->value]);
    } else {
        if (rows->count && time_ns < rows->time_ns[rows->count - 1])
            rows->unordered = true;
        rows->time_ns[rows->count] = time_ns;
        rows->value[rows->count++] = value;
    }
}

static size_t count_rows(struct sheet *sheet)
{
    struct sheet_row row;
    size_t count = 0;
    sheet_rewind(sheet);
    while (count <= LT_REFERENCE_ROWS_MAX && sheet_next(sheet, &row))
        count++;
    return count;
}

static enum lt_code stray_commas(const struct column *column, const struct sheet_row *row,
                                 struct lt_error *error)
{
    lt_fail(error, LT_E_SYNTAX,
            "the row has %zu cells and the header %zu: decimal commas in a table whose cells are "
            "apart by commas too",
            row->count, column->sheet.header.count);
    lt_error_at(error, column->sheet.name, row->line, 0);
    lt_error_advise(error, "save it with semicolons or tabs between the cells, or with decimal "
                           "points");
    return LT_E_SYNTAX;
}

static enum lt_code take_rows(struct column *column, struct lt_arena *arena, struct rows *ret_rows,
                              struct lt_error *error)
{
    struct sheet_row row;
    size_t most = count_rows(&column->sheet);
    if (most > LT_REFERENCE_ROWS_MAX) {
        lt_fail(error, LT_E_LIMIT, "there are more than %d rows", LT_REFERENCE_ROWS_MAX);
        lt_error_at(error, column->sheet.name, 0, 0);
        lt_error_advise(error, "cut out the part that the capture covers");
        return LT_E_LIMIT;
    }
    struct rows rows = {.time_ns = lt_arena_array(arena, most + 1, sizeof *rows.time_ns),
                        .value = lt_arena_array(arena, most + 1, sizeof *rows.value)};
    if (!rows.time_ns || !rows.value)
        return lt_fail(error, LT_E_MEMORY, "no memory for %zu rows of %s", most,
                       column->sheet.name);
    sheet_rewind(&column->sheet);
    if (column->unit_row)
        sheet_next(&column->sheet, &row);
    while (sheet_next(&column->sheet, &row)) {
        if (has_stray_commas(column, &row))
            return stray_commas(column, &row, error);
        take_row(column, &row, &rows);
    }
    *ret_rows = rows;
    return LT_OK;
}

/* --- the step in which values come --- */

static int compare_doubles(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return x < y ? -1 : x > y;
}

/* All values are whole steps from the least one (a hundredth of a step for rounded digits). */
static bool fits_step(const double *value, size_t count, double step)
{
    size_t good = 0;
    for (size_t i = 0; i < count; i++) {
        double steps = (value[i] - value[0]) / step;
        good += fabs(steps - floor(steps + 0.5)) <= 0.01 + 1e-9 * fabs(steps);
    }
    return good * 100 >= count * 99;
}

/* 0 where it cannot be told. Values printed to a few digits of an odd step (100/255) are uneven by
 * the last digit: then the mean step between neighbours, if they are near enough to even. */
static double step_of(const double *values, size_t count, double *sorted)
{
    size_t distinct = 0;
    double least = INFINITY, most = 0;
    if (count == 0)
        return 0;
    memcpy(sorted, values, count * sizeof *sorted);
    qsort(sorted, count, sizeof *sorted, compare_doubles);
    for (size_t i = 0; i < count; i++)
        if (distinct == 0 || sorted[i] > sorted[distinct - 1])
            sorted[distinct++] = sorted[i];
    for (size_t i = 1; i < distinct; i++) {
        double step = sorted[i] - sorted[i - 1];
        least = step < least ? step : least;
        most = step > most ? step : most;
    }
    if (distinct < 3 || !(least > 1e-9 * (fabs(sorted[0]) + fabs(sorted[distinct - 1]))))
        return 0;
    if (fits_step(sorted, distinct, least))
        return least;
    return most < 1.2 * least ? (sorted[distinct - 1] - sorted[0]) / (double)(distinct - 1) : 0;
}

/* --- what it is --- */

/* Words of loggers for roles, beside the roles' own names. Lower case, other signs as `_`. */
static const struct {
    const char *word, *role;
} role_words[] = {
    {"rpm", "engine_speed"},      {"engine_rpm", "engine_speed"},
    {"speed", "vehicle_speed"},   {"gps_speed", "vehicle_speed"},
    {"map", "manifold_pressure"}, {"manifold_absolute_pressure", "manifold_pressure"},
    {"tps", "throttle"},          {"throttle_position", "throttle"},
    {"accelerator", "pedal"},     {"accelerator_pedal", "pedal"},
    {"coolant", "coolant_temp"},  {"coolant_temperature", "coolant_temp"},
    {"iat", "intake_temp"},       {"intake_air_temperature", "intake_temp"},
    {"ect", "coolant_temp"},      {"intake_temperature", "intake_temp"},
    {"engine_load", "load"},      {"calculated_load", "load"},
    {"maf", "air_mass_flow"},     {"torque", "engine_torque"},
    {"lambda_1", "lambda"},       {"oil_temperature", "oil_temp"},
};

static void plain_word(struct lt_text text, char *ret_word, size_t size)
{
    size_t len = 0;
    for (size_t i = 0; i < text.len && len + 1 < size; i++) {
        char c = text.at[i];
        c = c >= 'A' && c <= 'Z' ? (char)(c | 0x20) : c;
        bool good = (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9');
        if (good)
            ret_word[len++] = c;
        else if (len && ret_word[len - 1] != '_')
            ret_word[len++] = '_';
    }
    while (len && ret_word[len - 1] == '_')
        len--;
    ret_word[len] = '\0';
}

static const char *target_of(const struct column *column, const char *target, char word[33])
{
    if (target)
        return target;
    plain_word(column->name, word, 33);
    for (size_t i = 0; i < sizeof role_words / sizeof *role_words; i++)
        if (strcmp(word, role_words[i].word) == 0)
            return role_words[i].role;
    return word[0] ? word : "value";
}

/* Turns the values into the role's unit. A unit that the role cannot have is an error: the scale
 * found would be nonsense. No unit at all: the role's is meant. */
static enum lt_code to_role_unit(const struct column *column, struct lt_text given,
                                 const struct lt_role *role, struct rows *rows,
                                 struct lt_error *error)
{
    const struct lt_unit *from = given.len ? lt_unit_find(given) : NULL;
    const struct lt_unit *to = lt_unit_find(lt_text_of(role->unit));
    struct lt_ratio factor, offset;
    if (given.len == 0 || lt_text_is(given, role->unit))
        return LT_OK;
    if (!from || !to || !lt_unit_convert(from, to, (struct lt_ratio){0, 1}, &factor, &offset)) {
        lt_fail(error, LT_E_CONFLICT, "the unit `%.*s` is no unit of %s, which is in %s",
                LT_TEXT_ARG(lt_text_cut(given, 30)), role->title, role->unit);
        lt_error_at(error, column->sheet.name, column->sheet.header_line, 0);
        lt_error_advise(error, "mend the unit in the header, or name another target");
        return LT_E_CONFLICT;
    }
    for (size_t i = 0; i < rows->count; i++)
        rows->value[i] = rows->value[i] * lt_ratio_f64(factor) + lt_ratio_f64(offset);
    return LT_OK;
}

static const char *base_name(const char *path)
{
    const char *stroke = strrchr(path, '/');
    return stroke && stroke[1] ? stroke + 1 : path;
}

static bool name_it(const struct column *column, const char *unit, struct lt_arena *arena,
                    struct lt_reference *reference)
{
    char text[320];
    bool many = column->sheet.header.count > 2;
    struct lt_text name = lt_text_cut(column->name, 60);
    lt_text_format(text, sizeof text, "%.200s%s%.*s%s%s", base_name(column->sheet.name),
                   many ? " " : "", many ? (int)name.len : 0, name.at, unit[0] ? " " : "", unit);
    reference->name = lt_arena_string(arena, text);
    return reference->name != NULL;
}

/* --- clocks --- */

/* Offsets at which at least half of the shorter of the two lies in the other. */
static void clock_window(struct lt_reference *reference, int64_t first_ns, int64_t last_ns)
{
    int64_t from = reference->time_ns[0], to = reference->time_ns[reference->count - 1];
    int64_t half = (to - from < last_ns - first_ns ? to - from : last_ns - first_ns) / 2;
    reference->clock_low_ns = from - last_ns + half;
    reference->clock_high_ns = to - first_ns - half;
}

static int64_t larger(int64_t a, int64_t b)
{
    return a > b ? a : b;
}

static int64_t smaller(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

/* The share of the reference that lies in the capture, in percent. */
static int inside(const struct lt_reference *reference, int64_t by_ns, int64_t first_ns,
                  int64_t last_ns)
{
    size_t count = 0;
    for (size_t i = 0; i < reference->count; i++)
        count +=
            reference->time_ns[i] + by_ns >= first_ns && reference->time_ns[i] + by_ns <= last_ns;
    return (int)(count * 100 / reference->count);
}

/* Dates without a zone are the place's own time, the capture's are UTC: the whole quarters of an
 * hour (up to 14 hours) by which they meet best, if they do not meet as they are. */
static int64_t zone_shift(const struct lt_reference *reference, int64_t first_ns, int64_t last_ns)
{
    const int64_t quarter_ns = 900000 * MS_NS;
    int64_t best_ns = 0;
    int best = inside(reference, 0, first_ns, last_ns);
    for (int n = 1; best < 50 && n <= 14 * 4 * 2; n++) {
        int64_t by_ns = (n % 2 ? -1 : 1) * ((n + 1) / 2) * quarter_ns;
        int here = inside(reference, by_ns, first_ns, last_ns);
        if (here > best) {
            best = here;
            best_ns = by_ns;
        }
    }
    return best_ns;
}

static void set_clock(struct lt_reference *reference, int64_t *time_ns, bool dates,
                      const struct lt_csv_reference_options *options)
{
    int64_t first_ns = options->capture_first_ns, last_ns = options->capture_last_ns;
    reference->lag_low_ns = CSV_LAG_LOW_NS;
    reference->lag_high_ns = CSV_LAG_HIGH_NS;
    if (last_ns <= first_ns) /* the capture has no times, or was not said */
        return;
    if (first_ns < -SHEET_TIMES_MAX_NS || last_ns > SHEET_TIMES_MAX_NS) {
        reference->clock_unknown = true; /* a clock such as nobody has */
        return;
    }
    int64_t by_ns = dates ? zone_shift(reference, first_ns, last_ns) : 0;
    for (size_t i = 0; by_ns && i < reference->count; i++)
        time_ns[i] += by_ns;
    clock_window(reference, first_ns, last_ns);
    int share = inside(reference, 0, first_ns - 2000 * MS_NS, last_ns + 2000 * MS_NS);
    reference->clock_unknown = share < 50;
    /* Both count from the same epoch, and meet: their clocks were set, if not to the second. */
    if (!reference->clock_unknown && reference->time_ns[0] > 100000000 * (1000 * MS_NS)) {
        reference->clock_low_ns = larger(reference->clock_low_ns, -CSV_CLOCK_NEAR_NS);
        reference->clock_high_ns = smaller(reference->clock_high_ns, CSV_CLOCK_NEAR_NS);
    }
    if (reference->clock_low_ns > reference->clock_high_ns)
        reference->clock_low_ns = reference->clock_high_ns = 0;
}

/* --- together --- */

static enum lt_code no_rows(const struct column *column, const struct rows *rows,
                            struct lt_error *error)
{
    lt_fail(error, LT_E_MISSING, "no row below the header has a time and a number in `%.*s`%s%s",
            LT_TEXT_ARG(lt_text_cut(column->name, 40)), rows->skipped ? ": " : "",
            rows->skipped ? rows->first_what : "");
    lt_error_at(error, column->sheet.name,
                rows->skipped ? rows->first_line : column->sheet.header_line, 0);
    lt_error_advise(error, "look whether this is the right column, or name another one");
    return LT_E_MISSING;
}

static enum lt_code build(struct column *column, const struct lt_csv_reference_options *options,
                          struct rows *rows, struct lt_arena *arena, struct lt_reference *reference,
                          struct lt_error *error)
{
    char word[33];
    struct lt_text unit = options->unit ? lt_text_of(options->unit) : column->unit;
    const char *target = target_of(column, options->target, word);
    const struct lt_role *role = lt_role_find(lt_text_of(target));
    role = role && !role->is_labels ? role : NULL;
    enum lt_code code = LT_OK;
    if (rows->unordered && !reference_put_in_order(rows->time_ns, rows->value, rows->count))
        code = lt_fail(error, LT_E_MEMORY, "no memory to put %zu rows in order", rows->count);
    if (code == LT_OK && role)
        code = to_role_unit(column, unit, role, rows, error);
    if (code != LT_OK)
        return code;
    double *sorted = malloc((rows->count + 1) * sizeof *sorted);
    *reference = (struct lt_reference){
        .from = LT_FROM_CSV,
        .target = lt_arena_string(arena, target),
        .role = role,
        .unit = role ? role->unit : lt_arena_text(arena, lt_text_cut(unit, 30)),
        .count = rows->count,
        .time_ns = rows->time_ns,
        .value = rows->value,
        .quantum = sorted ? step_of(rows->value, rows->count, sorted) : 0,
    };
    bool fine = sorted && reference->target && reference->unit &&
                name_it(column, reference->unit, arena, reference);
    free(sorted);
    if (!fine)
        return lt_fail(error, LT_E_MEMORY, "no memory for the reference %s", column->sheet.name);
    set_clock(reference, rows->time_ns, column->times.kind == SHEET_TIME_DATE, options);
    return LT_OK;
}

/* A note, not a failure: the place and reason of the first row that was left out. */
static void note_skipped(const struct column *column, const struct rows *rows,
                         struct lt_error *error)
{
    if (rows->skipped == 0 || !error)
        return;
    lt_fail(error, LT_OK, "%llu row%s left out; the first: %s", (unsigned long long)rows->skipped,
            rows->skipped == 1 ? " was" : "s were", rows->first_what);
    lt_error_at(error, column->sheet.name, rows->first_line, 0);
    error->severity = LT_SEVERITY_NOTE;
}

static enum lt_code parse(struct column *column, const char *name, struct lt_text text,
                          const struct lt_csv_reference_options *options, struct lt_arena *arena,
                          struct lt_reference *ret_reference, uint64_t *ret_skipped,
                          struct lt_error *error)
{
    struct rows rows;
    struct lt_reference reference;
    int64_t span_ns = options->capture_last_ns > options->capture_first_ns
                          ? options->capture_last_ns - options->capture_first_ns
                          : 0;
    enum lt_code code = sheet_open(&column->sheet, name, text, options->time_column, SAMPLE, error);
    if (code == LT_OK)
        code = find_value(column, options->column, error);
    if (code == LT_OK) {
        sheet_split_name(column->sheet.header.cell[column->value], &column->name, &column->unit);
        sheet_learn_commas(&column->sheet, column->value);
        code = sheet_learn_times(&column->sheet, span_ns, &column->times, error);
    }
    if (code != LT_OK)
        return code;
    find_unit_row(column);
    code = take_rows(column, arena, &rows, error);
    if (code == LT_OK && rows.count == 0)
        return no_rows(column, &rows, error);
    if (code == LT_OK)
        code = build(column, options, &rows, arena, &reference, error);
    if (code != LT_OK)
        return code;
    note_skipped(column, &rows, error);
    *ret_reference = reference;
    *ret_skipped = rows.skipped;
    return LT_OK;
}

enum lt_code lt_reference_parse_csv(const char *name, struct lt_text text,
                                    const struct lt_csv_reference_options *options,
                                    struct lt_arena *arena, struct lt_reference *ret_reference,
                                    uint64_t *ret_skipped, struct lt_error *error)
{
    static const struct lt_csv_reference_options none;
    struct column *column = calloc(1, sizeof *column);
    if (!column)
        return lt_fail(error, LT_E_MEMORY, "no memory to read %s", name);
    lt_error_clear(error);
    enum lt_code code = parse(column, name, text, options ? options : &none, arena, ret_reference,
                              ret_skipped, error);
    free(column);
    return code;
}

enum lt_code lt_reference_read_csv(const char *path, const struct lt_csv_reference_options *options,
                                   struct lt_arena *arena, struct lt_reference *ret_reference,
                                   uint64_t *ret_skipped, struct lt_error *error)
{
    char *bytes;
    size_t size;
    enum lt_code code = sheet_read_file(path, &bytes, &size, error);
    if (code != LT_OK)
        return code;
    code = lt_reference_parse_csv(path, (struct lt_text){bytes, size}, options, arena,
                                  ret_reference, ret_skipped, error);
    free(bytes);
    return code;
}
