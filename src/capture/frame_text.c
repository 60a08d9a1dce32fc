/* The frame text "123#DEADBEEF" and its relatives: the general, strict parser, and the writers.
 *
 * Grammar and edge cases: can-utils lib.c (parse_canframe), as docs/capture-forms.md tells them.
 * Where can-utils accepts and silently changes something (a ninth classic byte, an 11-bit
 * identifier above 7FF, identifier bits 31 and 30), the text is refused here: a frame that was
 * never on the bus must not be decoded. Where the meaning is clear, it is accepted and marked odd.
 */
#include "loomtap/capture/text.h"

#include "capture/line.h"
#include "loomtap/base/number.h"

#define ID_ERROR_BIT UINT32_C(0x20000000) /* linux/can.h CAN_ERR_FLAG */

enum { FLAG_BRS = 1, FLAG_ESI = 2, FLAG_FDF = 4 }; /* linux/can.h struct canfd_frame flags */

bool lt_scan_id(struct lt_text digits, struct lt_frame *frame)
{
    uint32_t id = 0;
    if (digits.len != 3 && digits.len != 8)
        return false;
    for (size_t i = 0; i < digits.len; i++) {
        unsigned nibble = lt_hex_value(digits.at[i]);
        if (nibble > 15)
            return false;
        id = id << 4 | nibble;
    }
    if (digits.len == 3) {
        frame->id = id;
        frame->flags = 0;
        return id <= LT_ID_MAX_STANDARD;
    }
    /* Above 29 bits only the error bit has a meaning in a log; bits 31 and 30 do not. */
    bool error = (id & ~LT_ID_MAX_EXTENDED) == ID_ERROR_BIT;
    frame->id = id & LT_ID_MAX_EXTENDED;
    frame->flags = error ? LT_FRAME_ERROR : LT_FRAME_EXTENDED;
    return error || id <= LT_ID_MAX_EXTENDED;
}

/* "##": the flags nibble. */
static bool scan_fd_flags(struct lt_scan *scan, struct lt_frame *frame)
{
    unsigned flags = scan->at < scan->end ? lt_hex_value(*scan->at) : 255;
    if (flags > 15 || (frame->flags & LT_FRAME_ERROR))
        return false;
    scan->at++;
    frame->flags |= LT_FRAME_FD;
    if (flags & FLAG_BRS)
        frame->flags |= LT_FRAME_BRS;
    if (flags & FLAG_ESI)
        frame->flags |= LT_FRAME_ESI;
    return true;
}

/* "_9".."_F" after a length of 8, up to the end of the text. "_0".."_8" say nothing. */
static bool scan_raw_dlc(struct lt_scan *scan, struct lt_frame *frame, struct lt_line *line)
{
    unsigned dlc = scan->at + 1 < scan->end ? lt_hex_value(scan->at[1]) : 255;
    if (dlc > 15) {
        if (scan->at + 1 < scan->end)
            scan->at++;
        return false;
    }
    if (dlc > 8)
        frame->raw_dlc = (uint8_t)dlc;
    else
        line->odd = true;
    scan->at += 2;
    return scan->at == scan->end;
}

/* From the 'R' on: [length 0..8 [_dlc]]. */
static bool scan_remote(struct lt_scan *scan, struct lt_frame *frame, struct lt_line *line)
{
    if (frame->flags & LT_FRAME_ERROR)
        return false;
    frame->flags |= LT_FRAME_REMOTE;
    frame->len = 0;
    frame->raw_dlc = 0;
    scan->at++;
    if (scan->at == scan->end)
        return true;
    if (*scan->at < '0' || *scan->at > '8')
        return false;
    frame->raw_dlc = (uint8_t)(*scan->at++ - '0');
    if (scan->at == scan->end)
        return true;
    return *scan->at == '_' && frame->raw_dlc == 8 && scan_raw_dlc(scan, frame, line);
}

/* Two hex digits a byte, a dot allowed between bytes, up to the end or the raw DLC's "_". */
static bool scan_data(struct lt_scan *scan, struct lt_frame *frame, struct lt_line *line)
{
    bool fd = (frame->flags & LT_FRAME_FD) != 0;
    unsigned limit = fd ? LT_FRAME_MAX : 8, len = 0;
    while (scan->at < scan->end && *scan->at != '_') {
        if (*scan->at == '.') {
            if (len == 0) /* can-utils skips a leading dot as well */
                line->odd = true;
            if (++scan->at == scan->end)
                break;
        }
        unsigned high = lt_hex_value(*scan->at);
        if (high > 15)
            return lt_line_bad(line, scan, LT_BAD_HEX), false;
        if (len == limit)
            return lt_line_bad(line, scan, LT_BAD_LENGTH), false;
        if (scan->at + 1 == scan->end)
            return lt_line_bad(line, scan, LT_BAD_ODD), false;
        unsigned low = lt_hex_value(*++scan->at);
        if (low > 15)
            return lt_line_bad(line, scan, LT_BAD_HEX), false;
        scan->at++;
        frame->data[len++] = (uint8_t)(high << 4 | low);
    }
    frame->len = (uint8_t)len;
    frame->raw_dlc = lt_len_to_dlc((uint8_t)len, fd);
    return true;
}

/* 5HEX "#" 2HEX ":" ...: virtual bus and priority, then flags. */
static bool looks_like_xl(const struct lt_scan *scan, size_t id_digits)
{
    return id_digits == 5 && scan->end - scan->at > 3 && scan->at[3] == ':';
}

static enum lt_line_kind scan_classic_or_fd(struct lt_scan *scan, struct lt_frame *frame,
                                            struct lt_line *line)
{
    if (scan->at < scan->end && *scan->at == '#') {
        scan->at++;
        if (!scan_fd_flags(scan, frame))
            return lt_line_bad(line, scan, LT_BAD_FLAGS);
    } else if (scan->at < scan->end && (*scan->at == 'R' || *scan->at == 'r')) {
        if (!scan_remote(scan, frame, line))
            return lt_line_bad(line, scan, LT_BAD_FLAGS);
        return LT_LINE_FRAME;
    }
    if (!scan_data(scan, frame, line))
        return LT_LINE_BAD;
    bool fd = (frame->flags & LT_FRAME_FD) != 0;
    if (scan->at < scan->end) /* at the "_" */
        if (fd || frame->len != 8 || !scan_raw_dlc(scan, frame, line))
            return lt_line_bad(line, scan, LT_BAD_FLAGS);
    /* A sender pads to a length that exists; an error report always has 8 bytes. */
    if (!lt_len_is_valid(frame->len, fd) || ((frame->flags & LT_FRAME_ERROR) && frame->len != 8))
        line->odd = true;
    return LT_LINE_FRAME;
}

enum lt_line_kind lt_scan_frame(struct lt_scan *scan, struct lt_frame *frame, struct lt_line *line)
{
    const char *line_end = scan->end;
    const char *from = scan->at;
    struct lt_text word = lt_take_word(scan);
    const char *hash = word.len > 0 ? memchr(from, '#', word.len) : NULL;
    scan->at = from;
    if (!hash)
        return lt_line_bad(line, scan, LT_BAD_NO_FRAME);
    struct lt_text id = {from, (size_t)(hash - from)};
    scan->end = from + word.len;
    scan->at = hash;
    if (looks_like_xl(scan, id.len)) {
        scan->at = from;
        return lt_line_bad(line, scan, LT_BAD_XL);
    }
    if (!lt_scan_id(id, frame)) {
        scan->at = from;
        return lt_line_bad(line, scan, LT_BAD_ID);
    }
    scan->at = hash + 1;
    enum lt_line_kind kind = scan_classic_or_fd(scan, frame, line);
    scan->end = line_end;
    return kind;
}

bool lt_frame_parse(struct lt_text text, struct lt_frame *ret_frame)
{
    struct lt_frame frame = {.id = 0};
    struct lt_line line = {.odd = false};
    struct lt_scan scan = {text.at, text.at, text.at + text.len};
    if (text.len == 0 || lt_scan_frame(&scan, &frame, &line) != LT_LINE_FRAME ||
        scan.at != scan.end)
        return false;
    ret_frame->id = frame.id;
    ret_frame->flags = frame.flags;
    ret_frame->len = frame.len;
    ret_frame->raw_dlc = frame.raw_dlc;
    memcpy(ret_frame->data, frame.data, sizeof frame.data);
    return true;
}

static char hex_digit(unsigned nibble)
{
    return "0123456789ABCDEF"[nibble & 15];
}

static char *print_id(const struct lt_frame *frame, char *at)
{
    bool error = lt_frame_has(frame, LT_FRAME_ERROR);
    unsigned digits = error || lt_frame_has(frame, LT_FRAME_EXTENDED) ? 8 : 3;
    uint32_t id = error ? (frame->id & LT_ID_MAX_EXTENDED) | ID_ERROR_BIT : frame->id;
    for (unsigned i = digits; i-- > 0;)
        *at++ = hex_digit(id >> (4 * i));
    return at;
}

static char *print_data(const struct lt_frame *frame, unsigned limit, char *at)
{
    unsigned len = frame->len < limit ? frame->len : limit;
    for (unsigned i = 0; i < len; i++) {
        *at++ = hex_digit(frame->data[i] >> 4);
        *at++ = hex_digit(frame->data[i]);
    }
    return at;
}

size_t lt_frame_print(const struct lt_frame *frame, char *ret_text)
{
    char *at = print_id(frame, ret_text);
    *at++ = '#';
    if (lt_frame_has(frame, LT_FRAME_FD)) {
        unsigned flags = FLAG_FDF; /* as current writers do */
        flags |= lt_frame_has(frame, LT_FRAME_BRS) ? FLAG_BRS : 0;
        flags |= lt_frame_has(frame, LT_FRAME_ESI) ? FLAG_ESI : 0;
        *at++ = '#';
        *at++ = hex_digit(flags);
        return (size_t)(print_data(frame, LT_FRAME_MAX, at) - ret_text);
    }
    bool long_dlc = frame->raw_dlc > 8 && frame->raw_dlc <= 15;
    if (lt_frame_has(frame, LT_FRAME_REMOTE)) {
        *at++ = 'R';
        if (frame->raw_dlc > 0)
            *at++ = (char)('0' + (long_dlc ? 8 : frame->raw_dlc & 15));
    } else {
        at = print_data(frame, 8, at);
        long_dlc = long_dlc && frame->len == 8;
    }
    if (long_dlc) {
        *at++ = '_';
        *at++ = hex_digit(frame->raw_dlc);
    }
    return (size_t)(at - ret_text);
}

/* Seconds to at least 10 digits like an absolute time, or at least 3 like one that counts from the
 * start of the capture; which of the two it is, the size tells. No time, or one below 0, is 0. */
static char *print_time(int64_t time_ns, unsigned digits, char *at)
{
    uint64_t ns = time_ns > 0 ? (uint64_t)time_ns : 0;
    uint64_t seconds = ns / 1000000000;
    uint32_t fraction = (uint32_t)(ns % 1000000000);
    for (uint64_t limit = 100; seconds < limit && limit >= 10; limit /= 10)
        *at++ = '0';
    at += lt_print_u64(at, seconds);
    if (digits > 0)
        *at++ = '.';
    for (unsigned i = 0; i < digits; i++) {
        *at++ = (char)('0' + fraction / 100000000);
        fraction = fraction % 100000000 * 10;
    }
    return at;
}

void lt_frame_write_log(struct lt_sink *sink, const struct lt_frame *frame, const char *bus,
                        unsigned digits)
{
    char text[LT_FRAME_TEXT_ROOM + 48];
    char *at = text;
    *at++ = '(';
    at = print_time(frame->time_ns, digits < 9 ? digits : 9, at);
    *at++ = ')';
    *at++ = ' ';
    lt_sink_put(sink, text, (size_t)(at - text));
    lt_sink_string(sink, bus && *bus ? bus : "unnamed"); /* the form has no word for "no bus" */
    at = text;
    *at++ = ' ';
    at += lt_frame_print(frame, at);
    if (lt_frame_has(frame, LT_FRAME_SENT)) {
        *at++ = ' ';
        *at++ = 'T';
    }
    *at++ = '\n';
    lt_sink_put(sink, text, (size_t)(at - text));
}
