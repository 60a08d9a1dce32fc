/* candump's screen form (no -l or -L): " (000.012345)  vcan0  RX B -  123  [03]  11 22 33".
 *
 * Layout: docs/capture-forms.md, from can-utils candump.c and lib.c (sprint_long_canframe). The
 * form loses things that the log form keeps: without -x the FD bits BRS and ESI and the direction,
 * without -8 the raw DLC; a date does not say its zone. What it does say twice, the number of
 * bytes, must agree. Colour sequences (-c) stand between words only and count as blanks. */
#include "capture/form.h"

enum byte_style { STYLE_HEX, STYLE_BINARY };

/* Behind an ESC: "[" digits and semicolons, one letter. */
static const char *skip_colour(const char *at, const char *end)
{
    const char *from = at;
    if (end - at < 3 || at[0] != '\033' || at[1] != '[')
        return from;
    for (at += 2; at < end && (lt_is_digit(*at) || *at == ';');)
        at++;
    bool is_letter = at < end && (*at | 0x20) >= 'a' && (*at | 0x20) <= 'z';
    return is_letter ? at + 1 : from;
}

static void skip_space(struct lt_scan *scan)
{
    const char *from;
    do {
        from = scan->at;
        lt_skip_blanks(scan);
        scan->at = skip_colour(scan->at, scan->end);
    } while (scan->at > from);
}

static bool at_gap(const struct lt_scan *scan)
{
    return scan->at == scan->end || lt_is_blank(*scan->at) || *scan->at == '\033';
}

static struct lt_text take_word(struct lt_scan *scan)
{
    const char *from = scan->at;
    while (!at_gap(scan))
        scan->at++;
    return (struct lt_text){from, (size_t)(scan->at - from)};
}

static bool rest_starts(const struct lt_scan *scan, const char *prefix)
{
    return lt_text_starts((struct lt_text){scan->at, (size_t)(scan->end - scan->at)}, prefix);
}

static bool scan_time_column(struct lt_scan *scan, struct lt_frame *frame, struct lt_line *line)
{
    frame->time_ns = LT_NO_TIME;
    frame->time_text = NULL;
    frame->time_len = 0;
    if (scan->at == scan->end || *scan->at != '(')
        return true;
    line->frame_like = lt_begins_with_time(scan);
    if (!lt_scan_time(scan, frame, line))
        return false;
    line->frame_like = line->frame_like || line->date;
    if (at_gap(scan))
        return true;
    return lt_line_bad(line, scan, LT_BAD_BUS), false;
}

static bool scan_bus_column(struct lt_scan *scan, struct lt_line *line)
{
    const char *from = scan->at;
    line->bus = take_word(scan);
    if (lt_bus_name_is_good(line->bus))
        return true;
    scan->at = from;
    return lt_line_bad(line, scan, line->bus.len == 0 ? LT_BAD_NO_FRAME : LT_BAD_BUS), false;
}

/* "-" or the letter. */
static bool scan_letter(struct lt_scan *scan, char letter, bool *ret_set)
{
    skip_space(scan);
    struct lt_text word = take_word(scan);
    if (word.len != 1 || (*word.at != '-' && *word.at != letter))
        return false;
    *ret_set = *word.at == letter;
    return true;
}

struct extra {
    bool sent, brs, esi;
};

/* -x: "RX - -", "TX B E". */
static bool scan_extra(struct lt_scan *scan, struct extra *extra, struct lt_line *line)
{
    if (!rest_starts(scan, "RX ") && !rest_starts(scan, "TX "))
        return true;
    extra->sent = *scan->at == 'T';
    scan->at += 2;
    if (!scan_letter(scan, 'B', &extra->brs) || !scan_letter(scan, 'E', &extra->esi))
        return lt_line_bad(line, scan, LT_BAD_FLAGS), false;
    skip_space(scan);
    return true;
}

/* "[4]", "[03]" (FD) or "{E}" (raw DLC): sets raw_dlc, the FD flag; *ret_len is what it announces.
 */
static bool scan_brackets(struct lt_scan *scan, struct lt_frame *frame, unsigned *ret_len)
{
    bool raw = *scan->at == '{';
    unsigned value = 0, digits = 0;
    for (scan->at++; scan->at < scan->end && digits < 3; scan->at++, digits++) {
        unsigned digit = lt_hex_value(*scan->at);
        if (digit > (raw ? 15u : 9u))
            break;
        value = value * (raw ? 16 : 10) + digit;
    }
    if (digits < 1 || digits > (raw ? 1u : 2u) || scan->at == scan->end ||
        *scan->at != (raw ? '}' : ']'))
        return false;
    scan->at++;
    bool fd = digits == 2;
    if (value > (raw ? 15u : fd ? LT_FRAME_MAX : 8u))
        return false;
    *ret_len = raw ? lt_dlc_to_len((uint8_t)value, false) : value;
    frame->flags |= fd ? LT_FRAME_FD : 0;
    frame->raw_dlc = raw ? (uint8_t)value : lt_len_to_dlc((uint8_t)value, fd);
    return true;
}

static bool is_binary_byte(const struct lt_scan *scan)
{
    if (scan->end - scan->at < 8)
        return false;
    for (unsigned i = 0; i < 8; i++)
        if (scan->at[i] != '0' && scan->at[i] != '1')
            return false;
    return true;
}

static bool at_byte_end(const struct lt_scan *scan)
{
    return at_gap(scan) || *scan->at == '`';
}

/* One byte: what is wrong with it if it is none. */
static bool scan_byte(struct lt_scan *scan, enum byte_style style, uint8_t *ret_byte,
                      enum lt_bad_line *ret_reason)
{
    unsigned digits = style == STYLE_BINARY ? 8 : 2, base = style == STYLE_BINARY ? 2 : 16;
    unsigned value = 0;
    *ret_reason = LT_BAD_LENGTH;
    if (scan->at == scan->end || *scan->at == '\'' || *scan->at == '`' ||
        rest_starts(scan, "ERRORFRAME"))
        return false; /* fewer bytes than announced */
    *ret_reason = LT_BAD_HEX;
    for (unsigned i = 0; i < digits; i++, scan->at++) {
        if (i > 0 && at_byte_end(scan)) {
            *ret_reason = LT_BAD_ODD;
            scan->at -= i;
            return false;
        }
        unsigned digit = lt_hex_value(*scan->at);
        if (digit >= base)
            return false;
        value = value * base + digit;
    }
    *ret_byte = (uint8_t)value;
    return at_byte_end(scan);
}

static void reverse(uint8_t *data, unsigned len)
{
    for (unsigned i = 0; i < len / 2; i++) {
        uint8_t byte = data[i];
        data[i] = data[len - 1 - i];
        data[len - 1 - i] = byte;
    }
}

/* `len` bytes, joined by back-ticks when the last one stands first (-S). */
static bool scan_bytes(struct lt_scan *scan, unsigned len, struct lt_frame *frame,
                       struct lt_line *line)
{
    enum byte_style style = is_binary_byte(scan) ? STYLE_BINARY : STYLE_HEX;
    bool swapped = false;
    for (unsigned i = 0; i < len; i++) {
        enum lt_bad_line reason;
        if (i == 1)
            swapped = scan->at < scan->end && *scan->at == '`';
        if (i > 0 && swapped && scan->at < scan->end && *scan->at == '`')
            scan->at++;
        else
            skip_space(scan);
        if (!scan_byte(scan, style, &frame->data[i], &reason))
            return lt_line_bad(line, scan, reason), false;
    }
    if (swapped)
        reverse(frame->data, len);
    frame->len = (uint8_t)len;
    return true;
}

/* What may stand behind the bytes: nothing, the ASCII column, the word ERRORFRAME. */
static bool scan_rest(struct lt_scan *scan, struct lt_frame *frame, struct lt_line *line)
{
    bool joined = frame->len > 0 && scan->at < scan->end && *scan->at == '`';
    skip_space(scan);
    if (scan->at == scan->end)
        return true;
    if (joined || (scan->end - scan->at >= 2 && lt_hex_value(scan->at[0]) < 16 &&
                   lt_hex_value(scan->at[1]) < 16 &&
                   (scan->end - scan->at == 2 || lt_is_blank(scan->at[2]) || scan->at[2] == '`')))
        return lt_line_bad(line, scan, LT_BAD_LENGTH), false; /* more bytes than announced */
    bool known = (frame->flags & LT_FRAME_ERROR) ? rest_starts(scan, "ERRORFRAME")
                                                 : *scan->at == '\'' || *scan->at == '`';
    if (!known)
        line->odd = true;
    return true;
}

static bool scan_remote(struct lt_scan *scan, struct lt_frame *frame, struct lt_line *line)
{
    if (frame->flags & (LT_FRAME_FD | LT_FRAME_ERROR))
        return lt_line_bad(line, scan, LT_BAD_FLAGS), false;
    frame->flags |= LT_FRAME_REMOTE;
    frame->len = 0;
    scan->at += sizeof "remote request" - 1;
    skip_space(scan);
    if (scan->at < scan->end)
        line->odd = true;
    return true;
}

static void set_extra(const struct extra *extra, struct lt_frame *frame, struct lt_line *line)
{
    bool fd = (frame->flags & LT_FRAME_FD) != 0;
    if (extra->sent)
        frame->flags |= LT_FRAME_SENT;
    if (fd && extra->brs)
        frame->flags |= LT_FRAME_BRS;
    if (fd && extra->esi)
        frame->flags |= LT_FRAME_ESI;
    if ((!fd && (extra->brs || extra->esi)) || !lt_len_is_valid(frame->len, fd) ||
        ((frame->flags & LT_FRAME_ERROR) && frame->len != 8))
        line->odd = true;
}

/* "123 [4", as no other text has it? */
static bool is_marked(const struct lt_scan *scan, struct lt_text id)
{
    bool hex = id.len >= 3 && id.len <= 8;
    for (size_t i = 0; hex && i < id.len; i++)
        hex = lt_hex_value(id.at[i]) < 16;
    return hex && scan->end - scan->at >= 2 && lt_hex_value(scan->at[1]) < 16;
}

/* From the identifier on. */
static enum lt_line_kind scan_long_frame(struct lt_scan *scan, struct lt_frame *frame,
                                         struct lt_line *line)
{
    const char *from = scan->at;
    unsigned len;
    struct lt_text id = take_word(scan);
    skip_space(scan);
    if (id.len == 0 || scan->at == scan->end || (*scan->at != '[' && *scan->at != '{')) {
        scan->at = from;
        return lt_line_bad(line, scan, LT_BAD_NO_FRAME);
    }
    line->marked = is_marked(scan, id);
    line->frame_like = line->frame_like || line->marked;
    bool id_is_good = lt_scan_id(id, frame);
    bool announced = scan_brackets(scan, frame, &len);
    if (!id_is_good) {
        scan->at = from;
        return lt_line_bad(line, scan, LT_BAD_ID);
    }
    if (!announced)
        return lt_line_bad(line, scan, LT_BAD_LENGTH);
    if ((frame->flags & LT_FRAME_FD) && (frame->flags & LT_FRAME_ERROR))
        return lt_line_bad(line, scan, LT_BAD_FLAGS);
    skip_space(scan);
    if (rest_starts(scan, "remote request"))
        return scan_remote(scan, frame, line) ? LT_LINE_FRAME : LT_LINE_BAD;
    if (!scan_bytes(scan, len, frame, line) || !scan_rest(scan, frame, line))
        return LT_LINE_BAD;
    return LT_LINE_FRAME;
}

enum lt_line_kind lt_candump_screen_parse(struct lt_text text, struct lt_form_state *state,
                                          struct lt_frame *frame, struct lt_line *line)
{
    (void)state;
    struct lt_scan scan = {text.at, text.at, text.at + text.len};
    struct extra extra = {.sent = false};
    *line = (struct lt_line){.odd = false};
    skip_space(&scan);
    if (!scan_time_column(&scan, frame, line))
        return LT_LINE_BAD;
    skip_space(&scan);
    if (!scan_bus_column(&scan, line))
        return LT_LINE_BAD;
    skip_space(&scan);
    if (!scan_extra(&scan, &extra, line))
        return LT_LINE_BAD;
    if (scan_long_frame(&scan, frame, line) != LT_LINE_FRAME)
        return LT_LINE_BAD;
    set_extra(&extra, frame, line);
    return LT_LINE_FRAME;
}
