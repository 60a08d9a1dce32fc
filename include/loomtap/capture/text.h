/* One line of candump's log form, both ways. The reader uses the parse; mimic, encode and tests the
 * print. Grammar: docs/capture-forms.md, from can-utils candump.c and lib.c (log form). */
#ifndef LOOMTAP_CAPTURE_TEXT_H
#define LOOMTAP_CAPTURE_TEXT_H

#include "loomtap/base/sink.h"
#include "loomtap/core/frame.h"

/* "123#DEADBEEF", "123##5112233", "18FEF100#R4" ...: no time, no bus, no line break. At most 160
 * bytes; returns the length; not terminated. */
#define LT_FRAME_TEXT_ROOM 160
size_t lt_frame_print(const struct lt_frame *frame, char *ret_text);
/* The whole line "(1436509052.249713) can0 123#DEADBEEF\n" with `digits` (0..9) fraction digits. */
void lt_frame_write_log(struct lt_sink *sink, const struct lt_frame *frame, const char *bus,
                        unsigned digits);

/* Reads the frame part alone. False if it is no frame. Sets id, flags, len, raw_dlc, data. */
bool lt_frame_parse(struct lt_text text, struct lt_frame *ret_frame);

#endif
