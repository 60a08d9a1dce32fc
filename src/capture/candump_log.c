/* candump's log form (options -l, -L): "(1436509052.249713) can0 123#DEADBEEF [R|T]".
 *
 * The general, strict parser of one line. Grammar: docs/capture-forms.md, from can-utils candump.c
 * and lib.c. It accepts what those tools read, with any number of fraction digits and blanks; what
 * stands behind the frame is ignored by the tools that replay logs, so it is here, but counted as
 * odd. log_fast.c has the quick path for the usual line. */
#include "capture/form.h"

static bool scan_bus(struct lt_scan *scan, struct lt_line *line)
{
    if (scan->at < scan->end && !lt_is_blank(*scan->at))
        return lt_line_bad(line, scan, LT_BAD_BUS), false;
    lt_skip_blanks(scan);
    if (scan->at == scan->end) /* cut behind the time */
        return lt_line_bad(line, scan, LT_BAD_NO_FRAME), false;
    const char *from = scan->at;
    line->bus = lt_take_word(scan);
    if (lt_bus_name_is_good(line->bus))
        return true;
    scan->at = from;
    return lt_line_bad(line, scan, LT_BAD_BUS), false;
}

/* Is "123#11" where the bus name should be, and nothing behind it? */
static bool is_frame_without_bus(const struct lt_scan *scan, const struct lt_line *line)
{
    return scan->at == scan->end && memchr(line->bus.at, '#', line->bus.len) != NULL;
}

static void scan_trailing(struct lt_scan *scan, struct lt_frame *frame, struct lt_line *line)
{
    lt_skip_blanks(scan);
    if (scan->at == scan->end)
        return;
    struct lt_text word = lt_take_word(scan);
    bool is_direction = word.len == 1 && (*word.at == 'R' || *word.at == 'T');
    if (is_direction && *word.at == 'T')
        frame->flags |= LT_FRAME_SENT;
    lt_skip_blanks(scan);
    if (!is_direction || scan->at < scan->end)
        line->odd = true;
}

enum lt_line_kind lt_candump_log_parse(struct lt_text text, struct lt_form_state *state,
                                       struct lt_frame *frame, struct lt_line *line)
{
    (void)state;
    struct lt_scan scan = {text.at, text.at, text.at + text.len};
    *line = (struct lt_line){.odd = false};
    lt_skip_blanks(&scan);
    if (scan.at > scan.start) /* the tools that replay logs skip such a line */
        line->odd = true;
    if (scan.at == scan.end || *scan.at != '(')
        return lt_line_bad(line, &scan, LT_BAD_NO_FRAME);
    line->frame_like = lt_begins_with_time(&scan);
    if (!lt_scan_time(&scan, frame, line))
        return LT_LINE_BAD;
    line->frame_like = line->frame_like || line->date;
    if (!scan_bus(&scan, line))
        return LT_LINE_BAD;
    lt_skip_blanks(&scan);
    if (is_frame_without_bus(&scan, line)) {
        line->marked = true;
        scan.at = line->bus.at;
        return lt_line_bad(line, &scan, LT_BAD_BUS);
    }
    enum lt_line_kind kind = lt_scan_frame(&scan, frame, line);
    if (kind == LT_LINE_FRAME)
        scan_trailing(&scan, frame, line);
    else
        line->marked = line->reason != LT_BAD_NO_FRAME;
    line->frame_like = line->frame_like || line->marked;
    return kind;
}
