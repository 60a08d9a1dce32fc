/* What the parsers of one text line share: their result, the classes of characters, and digits
 * eight at a time. Internal to src/capture.
 *
 * The eight-digit helpers take a word whose lowest byte is the first character (little-endian
 * load) and use ordinary integer arithmetic, so they run everywhere; a faster path for a machine
 * with vector instructions can stand beside them behind struct lt_form's `fast`. */
#ifndef LOOMTAP_CAPTURE_LINE_H
#define LOOMTAP_CAPTURE_LINE_H

#include <stdbool.h>
#include <stdint.h>

#include "loomtap/base/bytes.h"
#include "loomtap/base/text.h"
#include "loomtap/capture/reader.h"
#include "loomtap/core/frame.h"

#include "capture/csv_map.h"

#define LT_BUS_NAME_MAX 15 /* Linux IFNAMSIZ is 16 with the terminator */

/* Seconds above this are no time a capture can have (the year 2242); 2^33 s still fit in int64
 * nanoseconds. */
#define LT_TIME_MAX_S INT64_C(8589934592)

enum lt_line_kind { LT_LINE_FRAME, LT_LINE_NOTE, LT_LINE_BAD };

/* What a form's parser says about one line besides the frame. */
struct lt_line {
    struct lt_text bus;      /* FRAME: name as written, in the line */
    bool odd;                /* FRAME: accepted, but not as a writer should write */
    bool date;               /* FRAME: the time was a date */
    bool frame_like;         /* BAD: it begins as a frame of this form does */
    bool marked;             /* BAD: it has this form's mark of a frame: "#", or "[n]" */
    enum lt_bad_line reason; /* BAD */
    uint32_t column;         /* BAD: from 1 */
};

/* What a form remembers from line to line within one input. */
struct lt_form_state {
    bool decimal;            /* a header said that numbers are decimal */
    bool differences;        /* a header said that times are differences */
    int64_t last_ns;         /* what they add up to */
    struct lt_csv_state csv; /* the columns that a csv's header said */
};

/* Where a parser stands in its line. */
struct lt_scan {
    const char *start, *at, *end;
};

static inline enum lt_line_kind lt_line_bad(struct lt_line *line, const struct lt_scan *scan,
                                            enum lt_bad_line reason)
{
    line->reason = reason;
    line->column = (uint32_t)(scan->at - scan->start) + 1;
    return LT_LINE_BAD;
}

/* CR counts as white space, as the tools that replay logs take it. */
static inline bool lt_is_blank(char c)
{
    return c == ' ' || c == '\t' || c == '\r';
}

static inline bool lt_is_digit(char c)
{
    return c >= '0' && c <= '9';
}

/* 0..15, or 255 where `c` is no hex digit. */
static inline unsigned lt_hex_value(char c)
{
    if (lt_is_digit(c))
        return (unsigned)(c - '0');
    char lower = (char)(c | 0x20);
    if (lower >= 'a' && lower <= 'f')
        return (unsigned)(lower - 'a' + 10);
    return 255;
}

static inline void lt_skip_blanks(struct lt_scan *scan)
{
    while (scan->at < scan->end && lt_is_blank(*scan->at))
        scan->at++;
}

/* The run of non-blanks from here on; may be empty. */
static inline struct lt_text lt_take_word(struct lt_scan *scan)
{
    const char *from = scan->at;
    while (scan->at < scan->end && !lt_is_blank(*scan->at))
        scan->at++;
    return (struct lt_text){from, (size_t)(scan->at - from)};
}

/* 1 to 15 printable bytes, UTF-8 where they are not ASCII. */
static inline bool lt_bus_name_is_good(struct lt_text name)
{
    bool ascii = true;
    if (name.len < 1 || name.len > LT_BUS_NAME_MAX)
        return false;
    for (size_t i = 0; i < name.len; i++) {
        unsigned char c = (unsigned char)name.at[i];
        if (c <= 0x20 || c == 0x7F)
            return false;
        ascii = ascii && c < 0x80;
    }
    return ascii || lt_text_is_utf8(name, NULL);
}

/* "(seconds)", "(seconds.fraction)" or "(YYYY-MM-DD HH:MM:SS.fraction)" from its parenthesis on:
 * sets time_ns and time_text. False with LT_BAD_TIME in `line`. Digits past the ninth are cut in
 * time_ns; time_text keeps them. (time_text.c) */
bool lt_scan_time(struct lt_scan *scan, struct lt_frame *frame, struct lt_line *line);
/* At a parenthesis: does the line begin as a line with a time does? "(1) see below" does not. */
bool lt_begins_with_time(const struct lt_scan *scan);
/* "YYYY-MM-DD", `between`, "HH:MM:SS": up to the seconds. (time_text.c) */
bool lt_scan_date(struct lt_scan *scan, char between, int64_t *ret_ns);
/* Days from 1970-01-01 of a date of the Gregorian calendar. */
int64_t lt_days_of_date(int year, unsigned month, unsigned day);
/* Digits with an optional fraction up to `end` or the first other character. False: no digit, or
 * more than LT_TIME_MAX_S. */
bool lt_scan_seconds(struct lt_scan *scan, int64_t *ret_ns);

/* The id from its text of 3 or 8 hex digits: sets id and the EXTENDED or ERROR flag; false when it
 * is neither, or above its limit. (frame_text.c) */
bool lt_scan_id(struct lt_text digits, struct lt_frame *frame);
/* The frame text (log form) as one word, the general and strict parser. On LT_LINE_BAD `line` has
 * reason and column within the scan's line. (frame_text.c) */
enum lt_line_kind lt_scan_frame(struct lt_scan *scan, struct lt_frame *frame, struct lt_line *line);

#define LT_EVERY_BYTE(b) (UINT64_C(0x0101010101010101) * (uint64_t)(b))

/* Bit 7 of each byte that is no hex digit; other bits 0. A byte above 0x7F may spoil the verdict on
 * the characters behind it, never on itself or those before it. */
static inline uint64_t lt_hex8_bad(uint64_t text)
{
    /* Each sum has bit 7 set where the character is at least, or above, its limit. The four limits
     * rise, so an odd number of them passed means: inside '0'..'9', or inside 'a'..'f'. */
    uint64_t lower = text | LT_EVERY_BYTE(0x20);
    uint64_t from_0 = text + LT_EVERY_BYTE(0x80 - '0');
    uint64_t past_9 = text + LT_EVERY_BYTE(0x7F - '9');
    uint64_t from_a = lower + LT_EVERY_BYTE(0x80 - 'a');
    uint64_t past_f = lower + LT_EVERY_BYTE(0x7F - 'f');
    return (~(from_0 ^ past_9 ^ from_a ^ past_f) | text) & LT_EVERY_BYTE(0x80);
}

/* The four bytes that eight hex digits say, first byte lowest. Only for digits found good. */
static inline uint32_t lt_hex8_bytes(uint64_t text)
{
    uint64_t nibbles = (text & LT_EVERY_BYTE(0x0F)) + ((text >> 6) & LT_EVERY_BYTE(0x01)) * 9;
    uint64_t pairs = ((nibbles << 4) | (nibbles >> 8)) & UINT64_C(0x00FF00FF00FF00FF);
    pairs = (pairs | (pairs >> 8)) & UINT64_C(0x0000FFFF0000FFFF);
    return (uint32_t)(pairs | (pairs >> 16));
}

/* The number that eight decimal digits (0..9 each, not characters) say, first digit lowest byte. */
static inline uint32_t lt_digits8(uint64_t digits)
{
    uint64_t pairs = digits * 10 + (digits >> 8);
    uint64_t even = pairs & UINT64_C(0x000000FF000000FF);
    uint64_t odd = (pairs >> 16) & UINT64_C(0x000000FF000000FF);
    return (uint32_t)((even * (100 + (UINT64_C(1000000) << 32)) +
                       odd * (1 + (UINT64_C(10000) << 32))) >>
                      32);
}

#endif
