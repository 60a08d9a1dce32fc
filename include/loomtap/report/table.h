/* Plain text tables: columns as wide as their widest cell, text left, numbers right. Widths count
 * UTF-8 characters. */
#ifndef LOOMTAP_REPORT_TABLE_H
#define LOOMTAP_REPORT_TABLE_H

#include "loomtap/base/sink.h"

#define LT_TABLE_COLUMNS 16

struct lt_table {
    const char *align;   /* one of 'l' and 'r' a column: "llrr" */
    struct lt_buf cells; /* NUL-separated */
    size_t columns, count;
    size_t width[LT_TABLE_COLUMNS];
};

void lt_table_init(struct lt_table *table, const char *align);
void lt_table_release(struct lt_table *table);
/* Cells go row by row. The first row is the header. */
void lt_table_cell(struct lt_table *table, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
void lt_table_text(struct lt_table *table, struct lt_text text);
/* Each line starts with `indent` blanks; no blanks at the ends of lines. */
void lt_table_write(const struct lt_table *table, struct lt_sink *sink, unsigned indent);

#endif
