/* Marks: labels at times, put there by a passenger. See loomtap/seek/reference.h.
 *
 * Marks are few and each one counts, so a row that cannot be read is an error and not skipped. */
#include <stdlib.h>

#include "loomtap/seek/reference.h"
#include "seek/reference_sheet.h"

#define MS_NS       INT64_C(1000000)
#define MARKS_MAX   100000
#define LABEL_MAX   64             /* bytes */
#define LAG_LOW_NS  (-800 * MS_NS) /* pressed as the lever moved: the car takes its time */
#define LAG_HIGH_NS (1500 * MS_NS) /* pressed after: people are */
#define SAMPLE      "time_s,label"

static uint32_t label_column(const struct sheet *sheet)
{
    static const char *const words[] = {"label", "mark", "marker", "mode", "event", "state"};
    uint32_t only = SHEET_NONE, count = 0;
    for (size_t w = 0; w < sizeof words / sizeof *words; w++)
        for (uint32_t i = 0; i < sheet->header.count; i++)
            if (i != sheet->time && sheet_is_word(sheet->header.cell[i], words[w]))
                return i;
    for (uint32_t i = 0; i < sheet->header.count; i++)
        if (i != sheet->time && i != sheet->date && sheet->header.cell[i].len) {
            only = i;
            count++;
        }
    return count == 1 ? only : SHEET_NONE;
}

static enum lt_code no_label_column(const struct sheet *sheet, struct lt_error *error)
{
    char columns[200];
    sheet_list(sheet, columns, sizeof columns);
    lt_fail(error, LT_E_MISSING, "no column is named `label`: the header has %s", columns);
    lt_error_at(error, sheet->name, sheet->header_line, 0);
    lt_error_advise(error, "the header of marks is `" SAMPLE "`");
    return LT_E_MISSING;
}

struct mark {
    int64_t time_ns;
    const char *label;
    size_t at; /* keeps marks of the same time in their order */
};

struct marks {
    struct mark *mark;
    size_t count, capacity;
    uint64_t unordered;
};

static enum lt_code bad_row(const struct sheet *sheet, const struct sheet_row *row,
                            struct lt_error *error, const char *what, struct lt_text cell)
{
    cell = lt_text_cut(cell, 40);
    if (cell.len)
        lt_fail(error, LT_E_SYNTAX, "`%.*s`: %s", LT_TEXT_ARG(cell), what);
    else
        lt_fail(error, LT_E_SYNTAX, "%s", what);
    lt_error_at(error, sheet->name, row->line, 0);
    lt_error_advise(error, "mend or remove this row; rows are such as `12.5,sport`");
    return LT_E_SYNTAX;
}

static bool is_good_label(struct lt_text label)
{
    for (size_t i = 0; i < label.len; i++)
        if ((unsigned char)label.at[i] < 0x20 || label.at[i] == 0x7F)
            return false;
    return label.len <= LABEL_MAX && lt_text_is_utf8(label, NULL);
}

/* Labels are few and often the same: one copy of each. */
static const char *keep_label(const struct marks *marks, struct lt_text label,
                              struct lt_arena *arena)
{
    size_t from = marks->count > 64 ? marks->count - 64 : 0;
    for (size_t i = marks->count; i-- > from;)
        if (lt_text_is(label, marks->mark[i].label))
            return marks->mark[i].label;
    return lt_arena_text(arena, label);
}

static enum lt_code take_mark(const struct sheet *sheet, struct sheet_times *times,
                              const struct sheet_row *row, uint32_t column, struct lt_arena *arena,
                              struct marks *marks, struct lt_error *error)
{
    static const struct lt_text nothing = {"", 0};
    int64_t time_ns;
    if (row->count == 0)
        return bad_row(sheet, row, error, "a quote does not end", nothing);
    if (sheet->time >= row->count || column >= row->count)
        return bad_row(sheet, row, error, "the row ends before its time and label", nothing);
    struct lt_text label = lt_text_trim(row->cell[column]);
    if (!sheet_time(sheet, times, row, &time_ns))
        return bad_row(sheet, row, error, "no time like the others", row->cell[sheet->time]);
    if (label.len == 0)
        return bad_row(sheet, row, error, "the mark has no label", nothing);
    if (!is_good_label(label))
        return bad_row(sheet, row, error, "a label is at most 64 bytes of UTF-8 in one line",
                       nothing);
    const char *kept = keep_label(marks, label, arena);
    struct mark *mark =
        lt_arena_push(arena, &marks->mark, &marks->count, &marks->capacity, sizeof *marks->mark);
    if (!kept || !mark)
        return lt_fail(error, LT_E_MEMORY, "no memory for the marks of %s", sheet->name);
    *mark = (struct mark){time_ns, kept, marks->count - 1};
    if (marks->count > 1 && time_ns < mark[-1].time_ns)
        marks->unordered++;
    return LT_OK;
}

static int compare_marks(const void *a, const void *b)
{
    const struct mark *x = a, *y = b;
    if (x->time_ns != y->time_ns)
        return x->time_ns < y->time_ns ? -1 : 1;
    return x->at < y->at ? -1 : x->at > y->at;
}

static enum lt_code build(const struct sheet *sheet, const struct marks *marks, const char *target,
                          struct lt_arena *arena, struct lt_reference *ret_reference,
                          struct lt_error *error)
{
    int64_t *time_ns = lt_arena_array(arena, marks->count, sizeof *time_ns);
    const char **label = lt_arena_array(arena, marks->count, sizeof *label);
    const char *stroke = strrchr(sheet->name, '/');
    const char *name = lt_arena_string(arena, stroke && stroke[1] ? stroke + 1 : sheet->name);
    target = lt_arena_string(arena, target ? target : "drive_mode");
    if (!time_ns || !label || !name || !target)
        return lt_fail(error, LT_E_MEMORY, "no memory for the marks of %s", sheet->name);
    for (size_t i = 0; i < marks->count; i++) {
        time_ns[i] = marks->mark[i].time_ns;
        label[i] = marks->mark[i].label;
    }
    *ret_reference = (struct lt_reference){
        .from = LT_FROM_MARKS,
        .name = name,
        .target = target,
        .role = lt_role_find(lt_text_of(target)),
        .unit = "",
        .count = marks->count,
        .time_ns = time_ns,
        .label = label,
        .lag_low_ns = LAG_LOW_NS,
        .lag_high_ns = LAG_HIGH_NS,
    };
    return LT_OK;
}

static enum lt_code parse(struct sheet *sheet, const char *name, struct lt_text text,
                          const char *target, struct lt_arena *arena,
                          struct lt_reference *ret_reference, uint64_t *ret_unordered,
                          struct lt_error *error)
{
    struct sheet_times times;
    struct sheet_row row;
    struct marks marks = {.mark = NULL};
    enum lt_code code = sheet_open(sheet, name, text, NULL, SAMPLE, error);
    if (code != LT_OK)
        return code;
    uint32_t column = label_column(sheet);
    if (column == SHEET_NONE)
        return no_label_column(sheet, error);
    code = sheet_learn_times(sheet, -1, &times, error);
    if (code != LT_OK)
        return code;
    sheet_rewind(sheet);
    while (code == LT_OK && sheet_next(sheet, &row)) {
        if (marks.count == MARKS_MAX) {
            lt_fail(error, LT_E_LIMIT, "there are more than %d marks", MARKS_MAX);
            lt_error_at(error, name, row.line, 0);
            lt_error_advise(error, "marks are put by hand: is this a logger's column?");
            return LT_E_LIMIT;
        }
        code = take_mark(sheet, &times, &row, column, arena, &marks, error);
    }
    if (code != LT_OK)
        return code;
    qsort(marks.mark, marks.count, sizeof *marks.mark, compare_marks);
    code = build(sheet, &marks, target, arena, ret_reference, error);
    if (code == LT_OK)
        *ret_unordered = marks.unordered;
    return code;
}

enum lt_code lt_reference_parse_marks(const char *name, struct lt_text text, const char *target,
                                      struct lt_arena *arena, struct lt_reference *ret_reference,
                                      uint64_t *ret_unordered, struct lt_error *error)
{
    struct sheet *sheet = calloc(1, sizeof *sheet);
    if (!sheet)
        return lt_fail(error, LT_E_MEMORY, "no memory to read %s", name);
    enum lt_code code =
        parse(sheet, name, text, target, arena, ret_reference, ret_unordered, error);
    free(sheet);
    return code;
}

enum lt_code lt_reference_read_marks(const char *path, const char *target, struct lt_arena *arena,
                                     struct lt_reference *ret_reference, uint64_t *ret_unordered,
                                     struct lt_error *error)
{
    char *bytes;
    size_t size;
    enum lt_code code = sheet_read_file(path, &bytes, &size, error);
    if (code != LT_OK)
        return code;
    code = lt_reference_parse_marks(path, (struct lt_text){bytes, size}, target, arena,
                                    ret_reference, ret_unordered, error);
    free(bytes);
    return code;
}
