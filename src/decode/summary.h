/* The facts of a summary, shared by its two forms (text and JSON). */
#ifndef LOOMTAP_SRC_DECODE_SUMMARY_H
#define LOOMTAP_SRC_DECODE_SUMMARY_H

#include "decode/decode_internal.h"

/* A signal that was wanted, and one stream that could bring it (NULL: none came). */
struct summary_row {
    const struct lt_frame_plan *plan;
    const struct lt_field *field;
    const struct stream *stream;
    const struct tally *tally; /* NULL without a stream */
};

/* Calls `visit` for every wanted signal of every stream, and once for a signal without streams. */
void each_row(const struct lt_decode *decode,
              void (*visit)(void *context, const struct summary_row *row), void *context);

static inline bool row_is_valid(const struct summary_row *row)
{
    return row->tally && row->tally->values > 0;
}

/* Did anything bear on this row: a frame came, or somebody asked? Parameters that nobody asked for
 * and messages of other vehicles are many in the standard profiles, and no fault of the car. */
bool row_was_tried(const struct lt_decode *decode, const struct summary_row *row);

/* Why a signal (in this stream) has no valid value: a sentence without a full stop. */
void say_why(const struct lt_decode *decode, const struct summary_row *row, struct lt_buf *buf);

/* The roles to speak of: those asked for with --role, else those the profiles require, else those
 * they have signals for and that were tried. */
size_t roles_wanted(const struct lt_decode *decode, const char **ret_names, size_t room);
#define ROLES_ROOM 128

/* "ccvs", "ccvs from 47": the frame and, where the profile leaves it open, its J1939 sender. */
void print_frame_name(char *ret_text, size_t size, const struct summary_row *row);

/* The row to show for a role: the first with valid values, else the first of all; false if the
 * profiles have no signal for it. */
bool row_of_role(const struct lt_decode *decode, const char *role, struct summary_row *ret_row);

/* Ids outside the profiles, most frequent first; returns how many. */
size_t unknown_sorted(const struct lt_decode *decode, const struct unknown **ret_list, size_t room);

size_t print_id(char *ret_text, size_t size, uint32_t id, bool extended);

#endif
