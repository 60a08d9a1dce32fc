/* Which column of a csv of raw frames is what. Internal to src/capture; grammar of the map:
 * docs/capture-forms.md. */
#ifndef LOOMTAP_CAPTURE_CSV_MAP_H
#define LOOMTAP_CAPTURE_CSV_MAP_H

#include <stdbool.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/base/text.h"

enum lt_csv_role {
    LT_CSV_TIME,
    LT_CSV_BUS,
    LT_CSV_ID,
    LT_CSV_EXTENDED,
    LT_CSV_FD,
    LT_CSV_DIR,
    LT_CSV_DATA, /* all bytes in one column */
    LT_CSV_DLC,  /* the code 0..15 */
    LT_CSV_LEN,  /* bytes */
    LT_CSV_BRS,
    LT_CSV_ESI,
    LT_CSV_REMOTE,
    LT_CSV_ERROR,
    LT_CSV_ROLES,
};

#define LT_CSV_BYTES   64  /* columns of one byte each */
#define LT_CSV_COLUMNS 256 /* further ones are ignored */
#define LT_CSV_NAME    64

enum lt_csv_unit { LT_CSV_UNIT_UNSAID, LT_CSV_S, LT_CSV_MS, LT_CSV_US, LT_CSV_NS };
enum lt_csv_base { LT_CSV_BASE_UNSAID, LT_CSV_HEX, LT_CSV_DECIMAL };

/* A column by its name in the header, or by its number. */
struct lt_csv_name {
    uint16_t number; /* from 1; 0: by name */
    uint8_t len;     /* of `text`; 0 with number 0: not said */
    char text[LT_CSV_NAME];
};

/* What the user said: "time=Timestamp,unit=ms,id=ID:hex,data=D0..D7". All zero: nothing. */
struct lt_csv_map {
    struct lt_csv_name columns[LT_CSV_ROLES], bytes[LT_CSV_BYTES];
    unsigned byte_count;
    enum lt_csv_unit unit;
    enum lt_csv_base id_base, data_base;
    char separator; /* 0: found from the header */
};

enum lt_code lt_csv_map_parse(struct lt_csv_map *ret_map, struct lt_text text,
                              struct lt_error *error);

/* The use of a column: a role, or LT_CSV_ROLES + the number of the byte; + 1, so that 0 is none. */
#define LT_CSV_USES (LT_CSV_ROLES + LT_CSV_BYTES)

/* Columns found in a header; part of struct lt_form_state. All zero: no header yet. */
struct lt_csv_state {
    const struct lt_csv_map *map; /* NULL: nothing was said */
    char separator;               /* 0: no header yet */
    enum lt_csv_unit unit;
    uint8_t use[LT_CSV_COLUMNS];
    uint16_t last_used;  /* column, from 0, behind which nothing is used */
    uint8_t byte_count;  /* columns of one byte */
    bool ends_in_bytes;  /* they stand last, from first_byte on: short rows may leave them out */
    uint16_t first_byte; /* column of the first */
    bool has[LT_CSV_ROLES];
    char bus[16]; /* of the last line, where it differs from the line's own text */
};

/* Is this a header line? Then *state gets its columns. */
bool lt_csv_find_header(struct lt_csv_state *state, struct lt_text line);

/* One cell of a line; blanks around it are left out. */
struct lt_csv_cell {
    struct lt_text text; /* without its quotes */
    bool doubled;        /* has "" for a quote */
};
/* Takes the cell at *at; *at is then behind its separator, or NULL at the end. False: a quote does
 * not end, or something stands behind it (*ret_cell is where). */
bool lt_csv_take_cell(const char **at, const char *end, char separator,
                      struct lt_csv_cell *ret_cell);

#endif
