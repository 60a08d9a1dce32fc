/* Tables of text, as loggers and spreadsheets write them: rows of cells behind a header line.
 * Internal to src/seek; used for reference columns and for marks. */
#ifndef LOOMTAP_SEEK_REFERENCE_SHEET_H
#define LOOMTAP_SEEK_REFERENCE_SHEET_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/arena.h"
#include "loomtap/base/error.h"
#include "loomtap/base/text.h"

#define SHEET_COLUMNS_MAX 256
#define SHEET_HEADER_MAX                                                                           \
    64 /* lines in which the header must come: loggers put a preamble first                        \
        */
#define SHEET_NONE UINT32_MAX

struct sheet_row {
    uint64_t line;
    size_t count;
    struct lt_text cell[SHEET_COLUMNS_MAX]; /* without quotes; "" inside stays as it is */
};

/* What the time column counts in. */
enum sheet_unit { SHEET_UNIT_UNSAID, SHEET_NS, SHEET_US, SHEET_MS, SHEET_S, SHEET_MIN, SHEET_H };
int64_t sheet_unit_ns(enum sheet_unit unit); /* 0 for UNSAID */

struct sheet {
    const char *name;     /* of the file, for messages */
    struct lt_text rest;  /* rows not yet taken */
    uint64_t line;        /* the number of the line last taken */
    char separator;       /* ',', ';' or tab */
    uint64_t header_line; /* from 1 */
    struct lt_text first; /* behind the header line */
    struct sheet_row header;
    uint32_t time, date; /* columns; date SHEET_NONE where the time column says all */
    enum sheet_unit time_unit;
    bool thousands; /* a comma in a number parts thousands (else it is the decimal sign) */
};

/* Finds separator, header and time column. `time_column`: its name, or NULL. `sample` is a good
 * header for the advice. */
enum lt_code sheet_open(struct sheet *ret_sheet, const char *name, struct lt_text text,
                        const char *time_column, const char *sample, struct lt_error *error);
/* Back to the first row behind the header. */
void sheet_rewind(struct sheet *sheet);
/* The next row that is not empty and no comment (#). False at the end. A row whose quotes do not
 * end has count 0. */
bool sheet_next(struct sheet *sheet, struct sheet_row *ret_row);

/* The same word? Case does not count. */
bool sheet_is_word(struct lt_text text, const char *word);
/* A header's name and unit: "Speed [km/h]", "speed (km/h)" -> "Speed", "km/h". */
void sheet_split_name(struct lt_text cell, struct lt_text *ret_name, struct lt_text *ret_unit);
/* The column of that name (whole cell or without unit; case does not count), or SHEET_NONE. */
uint32_t sheet_find(const struct sheet *sheet, const char *name);
/* The names of the header's columns, for a message; at most `size` bytes. */
void sheet_list(const struct sheet *sheet, char *ret_text, size_t size);

/* A number with either decimal sign. False: it is none, or not finite. */
bool sheet_number(const struct sheet *sheet, struct lt_text cell, double *ret_value);
/* Looks through a column for what a comma in its numbers is, and sets `thousands`. */
void sheet_learn_commas(struct sheet *sheet, uint32_t column);

/* Times (reference_time.c): none is further from 0. */
#define SHEET_TIMES_MAX_NS (INT64_C(4000000000) * 1000000000)
enum sheet_time_kind { SHEET_TIME_NUMBER, SHEET_TIME_DATE, SHEET_TIME_CLOCK };

struct sheet_times {
    enum sheet_time_kind kind;
    enum sheet_unit unit; /* of NUMBER */
    int64_t last_clock_ns, day_ns;
};

/* Looks through the whole time column. LT_E_SYNTAX where its rows are no times. `capture_span_ns`
 * helps where no unit was said (0: not known; -1: then it is seconds). */
enum lt_code sheet_learn_times(struct sheet *sheet, int64_t capture_span_ns,
                               struct sheet_times *ret_times, struct lt_error *error);
bool sheet_time(const struct sheet *sheet, struct sheet_times *times, const struct sheet_row *row,
                int64_t *ret_time_ns);

/* The whole of a file, at most SHEET_BYTES_MAX. Free with free(). "-": standard input. */
#define SHEET_BYTES_MAX ((size_t)256 << 20)
enum lt_code sheet_read_file(const char *path, char **ret_bytes, size_t *ret_size,
                             struct lt_error *error);

#endif
