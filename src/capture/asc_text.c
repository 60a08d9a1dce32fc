/* asc text, as log2asc of can-utils writes it: "   0.200000 1  18FEF100x       Rx   d 2 FF FF".
 *
 * Layout: docs/capture-forms.md, from what log2asc prints (its options -4, -f, -n and -r too).
 * Times are seconds since the first frame; the header's date has no zone and is not used. Buses are
 * numbers, taken as their names. What log2asc loses is lost: the class of an error frame, the raw
 * DLC, and without a date the time of day. */
#include "capture/form.h"

#include "loomtap/base/number.h"

/* linux/can.h has no such word; these are bits of the number behind the bytes of a "CANFD" line. */
#define FLAG_REMOTE UINT32_C(0x10)
#define FLAG_FD     UINT32_C(0x1000)

static bool next_word(struct lt_scan *scan, struct lt_text *ret_word)
{
    lt_skip_blanks(scan);
    *ret_word = lt_take_word(scan);
    return ret_word->len > 0;
}

static bool take_number(struct lt_scan *scan, uint32_t max, uint32_t *ret_value)
{
    struct lt_text word;
    return next_word(scan, &word) && lt_is_digit(*word.at) && lt_parse_u32(word, max, ret_value);
}

static bool take_hex(struct lt_scan *scan, uint64_t max, uint32_t *ret_value)
{
    struct lt_text word;
    uint64_t value;
    if (!next_word(scan, &word) || !lt_parse_hex(word, &value) || value > max)
        return false;
    *ret_value = (uint32_t)value;
    return true;
}

/* "date Fri Jul 10 06:17:32 2015", "base hex  timestamps absolute", "no internal events logged". */
static bool is_header(struct lt_text text, struct lt_form_state *state)
{
    struct lt_text base, word, kind;
    text = lt_text_trim(text);
    if (lt_text_starts(text, "base ")) {
        lt_text_word(&text, &word);
        bool fine = lt_text_word(&text, &base) && lt_text_word(&text, &word) &&
                    lt_text_is(word, "timestamps") && lt_text_word(&text, &kind);
        state->decimal = fine && lt_text_is(base, "dec");
        state->differences = fine && lt_text_is(kind, "relative");
        return fine;
    }
    return (lt_text_starts(text, "date ") && text.len > 12 && lt_is_digit(text.at[text.len - 1])) ||
           lt_text_is(text, "no internal events logged");
}

static enum lt_line_kind bad_here(struct lt_line *line, struct lt_scan *scan, const char *at,
                                  enum lt_bad_line reason)
{
    scan->at = at;
    lt_skip_blanks(scan);
    return lt_line_bad(line, scan, reason);
}

/* "123" or "18FEF100x". */
static bool scan_id_word(struct lt_text word, struct lt_frame *frame)
{
    uint64_t id;
    bool extended = word.len > 0 && word.at[word.len - 1] == 'x';
    word.len -= extended;
    if (!lt_parse_hex(word, &id) || id > (extended ? LT_ID_MAX_EXTENDED : LT_ID_MAX_STANDARD))
        return false;
    frame->id = (uint32_t)id;
    frame->flags = extended ? LT_FRAME_EXTENDED : 0;
    return true;
}

static bool scan_direction(struct lt_scan *scan, uint16_t *ret_flags)
{
    struct lt_text word;
    if (!next_word(scan, &word) || (!lt_text_is(word, "Rx") && !lt_text_is(word, "Tx")))
        return false;
    *ret_flags = *word.at == 'T' ? LT_FRAME_SENT : 0;
    return true;
}

/* Exactly frame->len bytes. */
static bool scan_bytes(struct lt_scan *scan, struct lt_frame *frame, struct lt_line *line)
{
    for (unsigned i = 0; i < frame->len; i++) {
        const char *from = scan->at;
        struct lt_text word;
        if (!next_word(scan, &word))
            return lt_line_bad(line, scan, LT_BAD_LENGTH), false;
        if (word.len == 1)
            return bad_here(line, scan, from, LT_BAD_ODD), false;
        unsigned high = lt_hex_value(word.at[0]), low = lt_hex_value(word.at[1]);
        if (word.len != 2 || high > 15 || low > 15)
            return bad_here(line, scan, from, LT_BAD_HEX), false;
        frame->data[i] = (uint8_t)(high << 4 | low);
    }
    return true;
}

static enum lt_line_kind scan_end(struct lt_scan *scan, struct lt_line *line)
{
    const char *from = scan->at;
    struct lt_text word;
    if (!next_word(scan, &word))
        return LT_LINE_FRAME;
    if (word.len == 2 && lt_hex_value(word.at[0]) < 16 && lt_hex_value(word.at[1]) < 16)
        return bad_here(line, scan, from, LT_BAD_LENGTH); /* a byte more than announced */
    line->odd = true;
    return LT_LINE_FRAME;
}

/* From the identifier on: "123             Rx   d 4 DE AD BE EF", "123 Rx r 4", "ErrorFrame". */
static enum lt_line_kind scan_classic(struct lt_scan *scan, struct lt_frame *frame,
                                      struct lt_line *line)
{
    const char *from = scan->at;
    struct lt_text id, kind;
    uint32_t dlc = 0;
    uint16_t direction;
    if (!next_word(scan, &id))
        return lt_line_bad(line, scan, LT_BAD_NO_FRAME);
    frame->len = frame->raw_dlc = 0;
    if (lt_text_is(id, "ErrorFrame")) {
        frame->id = 0; /* the class is not said */
        frame->flags = LT_FRAME_ERROR;
        return scan_end(scan, line);
    }
    const char *after_id = scan->at;
    if (!scan_direction(scan, &direction))
        return bad_here(line, scan, after_id, LT_BAD_NO_FRAME);
    line->marked = true;
    if (!scan_id_word(id, frame))
        return bad_here(line, scan, from, LT_BAD_ID);
    frame->flags |= direction;
    from = scan->at;
    if (!next_word(scan, &kind) || kind.len != 1 || (*kind.at != 'd' && *kind.at != 'r'))
        return bad_here(line, scan, from, LT_BAD_FLAGS);
    from = scan->at;
    lt_skip_blanks(scan);
    bool remote = *kind.at == 'r';
    /* -r: a remote frame without its length */
    if (!(remote && scan->at == scan->end) && !take_hex(scan, 15, &dlc))
        return bad_here(line, scan, from, LT_BAD_LENGTH);
    frame->raw_dlc = (uint8_t)dlc;
    if (remote) {
        frame->flags |= LT_FRAME_REMOTE;
        return scan_end(scan, line);
    }
    frame->len = lt_dlc_to_len((uint8_t)dlc, false);
    return scan_bytes(scan, frame, line) ? scan_end(scan, line) : LT_LINE_BAD;
}

/* Behind the bytes: duration, bit count, flags, five more numbers. */
static bool scan_tail_flags(struct lt_scan *scan, uint32_t *ret_flags)
{
    uint32_t number;
    return take_number(scan, UINT32_MAX, &number) && take_number(scan, UINT32_MAX, &number) &&
           take_hex(scan, UINT32_MAX, ret_flags);
}

struct fd_columns {
    uint32_t brs, esi, dlc, len, flags;
};

/* A "CANFD" line can also carry a classic frame (log2asc -f): the number behind the bytes says. */
static enum lt_line_kind set_kind(struct lt_scan *scan, const struct fd_columns *columns,
                                  struct lt_frame *frame, struct lt_line *line)
{
    bool fd = (columns->flags & FLAG_FD) != 0;
    bool remote = !fd && (columns->flags & FLAG_REMOTE) != 0;
    if ((!fd && columns->len > 8) || (remote && columns->len > 0) ||
        (!remote && lt_dlc_to_len((uint8_t)columns->dlc, fd) < columns->len))
        return lt_line_bad(line, scan, LT_BAD_LENGTH);
    frame->flags |= fd ? LT_FRAME_FD : 0;
    frame->flags |= fd && columns->brs ? LT_FRAME_BRS : 0;
    frame->flags |= fd && columns->esi ? LT_FRAME_ESI : 0;
    frame->flags |= remote ? LT_FRAME_REMOTE : 0;
    frame->raw_dlc = (uint8_t)columns->dlc;
    if (!lt_len_is_valid(frame->len, fd) || (!fd && (columns->brs || columns->esi)))
        line->odd = true;
    /* The DLC must be the one of this length; above 8 a classic frame still has 8 bytes. */
    if (!remote && lt_len_to_dlc(frame->len, fd) != frame->raw_dlc &&
        (fd || frame->len != 8 || frame->raw_dlc < 8))
        return lt_line_bad(line, scan, LT_BAD_LENGTH);
    return LT_LINE_FRAME;
}

/* From the direction on: "Rx        123      1 0 9 12 11 22 ..   130000  130     3000 0 0 0 0 0".
 */
static enum lt_line_kind scan_fd(struct lt_scan *scan, struct lt_frame *frame, struct lt_line *line)
{
    const char *from = scan->at;
    struct fd_columns c;
    uint16_t direction;
    struct lt_text id;
    if (!scan_direction(scan, &direction))
        return bad_here(line, scan, from, LT_BAD_NO_FRAME);
    line->marked = true;
    from = scan->at;
    if (!next_word(scan, &id) || !scan_id_word(id, frame))
        return bad_here(line, scan, from, LT_BAD_ID);
    frame->flags |= direction;
    from = scan->at;
    if (!take_number(scan, 1, &c.brs) || !take_number(scan, 1, &c.esi) ||
        !take_hex(scan, 15, &c.dlc))
        return bad_here(line, scan, from, LT_BAD_FLAGS);
    from = scan->at;
    if (!take_number(scan, LT_FRAME_MAX, &c.len))
        return bad_here(line, scan, from, LT_BAD_LENGTH);
    frame->len = (uint8_t)c.len;
    if (!scan_bytes(scan, frame, line))
        return LT_LINE_BAD;
    from = scan->at;
    if (!scan_tail_flags(scan, &c.flags))
        return bad_here(line, scan, from, LT_BAD_FLAGS);
    return set_kind(scan, &c, frame, line);
}

/* The seconds and the blank behind them; "timestamps relative" adds them up. */
static bool scan_time_column(struct lt_scan *scan, struct lt_form_state *state,
                             struct lt_frame *frame, int64_t *ret_sum_ns)
{
    const char *from = scan->at;
    int64_t time_ns;
    if (!lt_scan_seconds(scan, &time_ns) || scan->at == scan->end || !lt_is_blank(*scan->at) ||
        !memchr(from, '.', (size_t)(scan->at - from)))
        return false;
    size_t len = (size_t)(scan->at - from);
    bool keep = !state->differences && len <= UINT8_MAX;
    if (state->differences && time_ns > LT_TIME_MAX_S * INT64_C(1000000000) - state->last_ns)
        return false;
    *ret_sum_ns = frame->time_ns = state->differences ? state->last_ns + time_ns : time_ns;
    frame->time_text = keep ? from : NULL;
    frame->time_len = keep ? (uint8_t)len : 0;
    return true;
}

static enum lt_line_kind scan_event(struct lt_scan *scan, struct lt_form_state *state,
                                    struct lt_frame *frame, struct lt_line *line)
{
    const char *from = scan->at;
    uint32_t channel;
    bool fd = next_word(scan, &line->bus) && lt_text_is(line->bus, "CANFD");
    if (fd) {
        from = scan->at;
        next_word(scan, &line->bus);
    }
    if (line->bus.len == 0 || !lt_is_digit(*line->bus.at) ||
        !lt_parse_u32(line->bus, 255, &channel) || line->bus.len > 3)
        return bad_here(line, scan, from, LT_BAD_BUS);
    line->frame_like = true;
    if (state->decimal) { /* log2asc writes hex; a decimal number must not be read as such */
        line->marked = true;
        return bad_here(line, scan, scan->at, LT_BAD_HEX);
    }
    return fd ? scan_fd(scan, frame, line) : scan_classic(scan, frame, line);
}

enum lt_line_kind lt_asc_text_parse(struct lt_text text, struct lt_form_state *state,
                                    struct lt_frame *frame, struct lt_line *line)
{
    struct lt_scan scan = {text.at, text.at, text.at + text.len};
    int64_t sum_ns = 0;
    *line = (struct lt_line){.odd = false};
    if (is_header(text, state))
        return LT_LINE_NOTE;
    lt_skip_blanks(&scan);
    if (!scan_time_column(&scan, state, frame, &sum_ns))
        return bad_here(line, &scan, scan.start, LT_BAD_NO_FRAME);
    enum lt_line_kind kind = scan_event(&scan, state, frame, line);
    line->frame_like = line->frame_like && (line->marked || kind == LT_LINE_FRAME);
    if (kind == LT_LINE_FRAME)
        state->last_ns = sum_ns;
    return kind;
}
