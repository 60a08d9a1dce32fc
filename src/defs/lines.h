/* The guarded reader between a profile's text and inih. */
#ifndef LOOMTAP_SRC_DEFS_LINES_H
#define LOOMTAP_SRC_DEFS_LINES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/base/text.h"

/* Bytes of a line without its line break. inih reads into 200 bytes with the terminator. */
#define LT_LINE_MAX 199
/* inih cuts a section's name (all that stands between the brackets) at 49 bytes. */
#define LT_SECTION_TEXT_MAX 49

/* A line as it stands in the file: number from 1, columns from 1 in bytes. Texts are borrowed from
 * the text that is read. */
struct lt_line {
    uint32_t number;
    uint32_t key_column, value_column; /* of a section: key is the name between the brackets */
    struct lt_text key, value;
};

/* What the reader tells, in the order of the lines. */
struct lt_line_events {
    void (*section)(void *context, const struct lt_line *line);
    void (*pair)(void *context, const struct lt_line *line);
    /* A line that is refused. After a refused section line the pairs up to the next good one are
     * dropped: nobody knows whose they are. */
    void (*fault)(void *context, const struct lt_error *error);
    void *context;
};

/* Reads all of `text` through inih. A byte order mark at the start is accepted. */
void lt_lines_read(struct lt_text text, const struct lt_line_events *events);

#endif
