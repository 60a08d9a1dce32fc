/* Text tables. See loomtap/report/table.h. */
#include "loomtap/report/table.h"

#include <assert.h>

/* Characters, not bytes: continuation bytes of UTF-8 take no column. */
static size_t shown_width(const char *text)
{
    size_t width = 0;
    for (; *text; text++)
        width += ((unsigned char)*text & 0xC0) != 0x80;
    return width;
}

void lt_table_init(struct lt_table *table, const char *align)
{
    *table = (struct lt_table){.align = align, .columns = strlen(align)};
    assert(table->columns > 0 && table->columns <= LT_TABLE_COLUMNS);
    lt_buf_init(&table->cells, 0);
}

void lt_table_release(struct lt_table *table)
{
    lt_buf_release(&table->cells);
}

static void note_width(struct lt_table *table, size_t start)
{
    if (table->cells.failed)
        return;
    size_t column = table->count++ % table->columns;
    size_t width = shown_width(table->cells.at + start);
    if (width > table->width[column])
        table->width[column] = width;
    lt_buf_add(&table->cells, "", 1);
}

void lt_table_text(struct lt_table *table, struct lt_text text)
{
    size_t start = table->cells.len;
    lt_buf_add(&table->cells, text.at, text.len);
    note_width(table, start);
}

void lt_table_cell(struct lt_table *table, const char *format, ...)
{
    char text[512];
    va_list args;
    va_start(args, format);
    size_t len = lt_text_vformat(text, sizeof text, format, args);
    va_end(args);
    lt_table_text(table, (struct lt_text){text, len});
}

static void pad(struct lt_sink *sink, size_t count)
{
    for (; count; count--)
        lt_sink_char(sink, ' ');
}

static void write_row(const struct lt_table *table, struct lt_sink *sink, const char *cell,
                      unsigned indent)
{
    size_t owed = indent; /* blanks not written yet: at the end of a line they never are */
    for (size_t i = 0; i < table->columns; i++, cell += strlen(cell) + 1) {
        size_t gap = table->width[i] - shown_width(cell);
        if (table->align[i] == 'r')
            owed += gap;
        if (*cell) {
            pad(sink, owed);
            owed = 0;
            lt_sink_string(sink, cell);
        }
        if (table->align[i] == 'l')
            owed += gap;
        owed += 2;
    }
    lt_sink_char(sink, '\n');
}

void lt_table_write(const struct lt_table *table, struct lt_sink *sink, unsigned indent)
{
    const char *cell = table->cells.at;
    for (size_t row = 0; row < table->count / table->columns; row++) {
        write_row(table, sink, cell, indent);
        for (size_t i = 0; i < table->columns; i++)
            cell += strlen(cell) + 1;
    }
}
