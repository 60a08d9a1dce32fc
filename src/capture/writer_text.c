/* The text forms out: candump's log form, and csv of raw frames. Grammar: docs/capture-forms.md.
 *
 * The time is copied digit by digit where the frame still has its text; else it gets six fraction
 * digits, or nine where it has nanoseconds. */
#include <string.h>

#include "capture/line.h"
#include "capture/writer.h"
#include "loomtap/base/number.h"
#include "loomtap/capture/text.h"

static const int64_t step_of_digits[10] = {1000000000, 100000000, 10000000, 1000000, 100000,
                                           10000,      1000,      100,      10,      1};

/* Does the text of the time have a digit other than 0 behind the ninth? */
static bool has_tenth_digit(const struct lt_frame *frame)
{
    const char *dot = frame->time_len ? memchr(frame->time_text, '.', frame->time_len) : NULL;
    const char *end = dot ? frame->time_text + frame->time_len : NULL;
    for (const char *at = dot && end - dot > 10 ? dot + 10 : end; at < end; at++)
        if (*at != '0')
            return true;
    return false;
}

unsigned lt_writer_digits(struct lt_writer *writer, const struct lt_frame *frame, unsigned limit)
{
    if (frame->time_ns < 0) /* LT_NO_TIME too: written as 0 */
        return limit < 6 ? limit : 6;
    unsigned digits = frame->time_ns % 1000 ? 9 : 6;
    if (writer->options.has_digits)
        digits = writer->options.digits;
    if (digits > limit)
        digits = limit;
    if (frame->time_ns % step_of_digits[digits] != 0 || has_tenth_digit(frame))
        lt_writer_lose(writer, LT_LOSS_TIME_DIGITS);
    return digits;
}

static bool copies_time(const struct lt_writer *writer, const struct lt_frame *frame)
{
    return frame->time_len > 0 && !writer->options.has_digits;
}

/* A log's bus name is one word of at most 15 bytes. Room: LT_BUS_NAME_MAX + 1. */
static void mend_name(const char *name, char *ret_name)
{
    size_t len = lt_text_format(ret_name, LT_BUS_NAME_MAX + 1, "%s", *name ? name : "unnamed");
    for (size_t i = 0; i < len; i++)
        if ((unsigned char)ret_name[i] <= 0x20 || ret_name[i] == 0x7F)
            ret_name[i] = '_';
    if (!lt_bus_name_is_good((struct lt_text){ret_name, len}))
        lt_text_format(ret_name, LT_BUS_NAME_MAX + 1, "unnamed");
}

bool lt_writer_put_log(struct lt_writer *writer, const struct lt_frame *frame, const char *bus_name)
{
    char mended[LT_BUS_NAME_MAX + 1], text[LT_FRAME_TEXT_ROOM + 8];
    if (frame->time_ns == LT_NO_TIME)
        lt_writer_lose(writer, LT_LOSS_NO_TIME);
    else if (frame->time_ns < 0)
        lt_writer_lose(writer, LT_LOSS_TIME_RANGE);
    if (!lt_bus_name_is_good(lt_text_of(bus_name))) {
        lt_writer_lose(writer, LT_LOSS_BUS_NAME);
        mend_name(bus_name, mended);
        bus_name = mended;
    }
    if (!copies_time(writer, frame)) {
        lt_frame_write_log(writer->out, frame, bus_name, lt_writer_digits(writer, frame, 9));
        return true;
    }
    lt_sink_char(writer->out, '(');
    lt_sink_put(writer->out, frame->time_text, frame->time_len);
    lt_sink_put(writer->out, ") ", 2);
    lt_sink_string(writer->out, bus_name);
    text[0] = ' ';
    size_t len = 1 + lt_frame_print(frame, text + 1);
    if (lt_frame_has(frame, LT_FRAME_SENT)) {
        text[len++] = ' ';
        text[len++] = 'T';
    }
    text[len++] = '\n';
    lt_sink_put(writer->out, text, len);
    return true;
}

static const char columns[] = "time_s,bus,id,extended,fd,dir,data";

enum lt_code lt_writer_open_csv(struct lt_writer *writer, struct lt_error *error)
{
    (void)error;
    lt_sink_string(writer->out, columns);
    lt_sink_char(writer->out, '\n');
    return LT_OK;
}

enum lt_code lt_writer_open_csv_all(struct lt_writer *writer, struct lt_error *error)
{
    (void)error;
    lt_sink_string(writer->out, columns);
    lt_sink_string(writer->out, ",brs,esi,remote,error,dlc\n");
    return LT_OK;
}

/* No time leaves the cell empty. */
static void put_time(struct lt_writer *writer, const struct lt_frame *frame)
{
    char text[24];
    if (copies_time(writer, frame)) {
        lt_sink_put(writer->out, frame->time_text, frame->time_len);
    } else if (frame->time_ns != LT_NO_TIME) {
        unsigned digits = lt_writer_digits(writer, frame, 9);
        if (frame->time_ns < 0)
            lt_writer_lose(writer, LT_LOSS_TIME_RANGE);
        int64_t cut = (frame->time_ns < 0 ? 0 : frame->time_ns) / step_of_digits[digits];
        lt_sink_put(writer->out, text, lt_print_fixed(text, cut, digits));
    }
}

static char *put_hex(char *at, uint32_t value, unsigned digits)
{
    for (unsigned i = digits; i-- > 0;)
        *at++ = "0123456789ABCDEF"[value >> (4 * i) & 15];
    return at;
}

/* The seven columns. */
static void put_cells(struct lt_writer *writer, const struct lt_frame *frame, const char *bus_name)
{
    char text[LT_FRAME_MAX * 2 + 40], *at = text;
    bool wide = lt_frame_has(frame, LT_FRAME_EXTENDED) || lt_frame_has(frame, LT_FRAME_ERROR);
    put_time(writer, frame);
    lt_sink_char(writer->out, ',');
    lt_sink_csv(writer->out, lt_text_of(bus_name));
    memcpy(at, ",0x", 3);
    at = put_hex(at + 3, frame->id, wide ? 8 : 3);
    *at++ = ',';
    *at++ = lt_frame_has(frame, LT_FRAME_EXTENDED) ? '1' : '0';
    *at++ = ',';
    *at++ = lt_frame_has(frame, LT_FRAME_FD) ? '1' : '0';
    memcpy(at, lt_frame_has(frame, LT_FRAME_SENT) ? ",tx," : ",rx,", 4);
    at += 4;
    for (unsigned i = 0; i < frame->len && i < LT_FRAME_MAX; i++)
        at = put_hex(at, frame->data[i], 2);
    lt_sink_put(writer->out, text, (size_t)(at - text));
}

bool lt_writer_put_csv(struct lt_writer *writer, const struct lt_frame *frame, const char *bus_name)
{
    bool fd = lt_frame_has(frame, LT_FRAME_FD);
    /* Without a column for it either would be read back as a data frame that never was. */
    if (lt_frame_has(frame, LT_FRAME_REMOTE) || lt_frame_has(frame, LT_FRAME_ERROR))
        return false;
    if (lt_frame_has(frame, LT_FRAME_BRS) || lt_frame_has(frame, LT_FRAME_ESI))
        lt_writer_lose(writer, LT_LOSS_FD_FLAGS);
    if (frame->raw_dlc != lt_len_to_dlc(frame->len, fd))
        lt_writer_lose(writer, LT_LOSS_RAW_DLC);
    put_cells(writer, frame, bus_name);
    lt_sink_char(writer->out, '\n');
    return true;
}

bool lt_writer_put_csv_all(struct lt_writer *writer, const struct lt_frame *frame,
                           const char *bus_name)
{
    static const uint16_t flags[] = {LT_FRAME_BRS, LT_FRAME_ESI, LT_FRAME_REMOTE, LT_FRAME_ERROR};
    char text[16], *at = text;
    put_cells(writer, frame, bus_name);
    for (size_t i = 0; i < sizeof flags / sizeof *flags; i++) {
        *at++ = ',';
        *at++ = frame->flags & flags[i] ? '1' : '0';
    }
    *at++ = ',';
    at += lt_print_u64(at, frame->raw_dlc);
    *at++ = '\n';
    lt_sink_put(writer->out, text, (size_t)(at - text));
    return true;
}
