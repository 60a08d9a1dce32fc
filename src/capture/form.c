/* The table of forms. A form is a row: its name, and the parser of one line with a quick path if it
 * has one, or, of a binary form, what takes records out of blocks. Which row an input follows is
 * found from its content (sniff.c). */
#include "capture/form.h"

#include "capture/can_live.h"

#include "loomtap/base/number.h"

static const struct lt_form forms[LT_FORM_KINDS] = {
    {LT_FORM_CANDUMP_LOG, "candump log", .parse = lt_candump_log_parse,
     .fast = lt_candump_log_fast},
    {LT_FORM_CANDUMP_SCREEN, "candump screen", .parse = lt_candump_screen_parse},
    {LT_FORM_ASC_TEXT, "asc text", .parse = lt_asc_text_parse},
    {LT_FORM_PCAP, "pcap", .begin = lt_pcap_begin, .take = lt_pcap_take},
    {LT_FORM_PCAPNG, "pcapng", .begin = lt_pcapng_begin, .take = lt_pcapng_take},
    {LT_FORM_CSV_FRAMES, "csv", .parse = lt_csv_frames_parse},
    {LT_FORM_CAN, "live bus", .begin = lt_can_live_begin, .take = lt_can_live_take},
};

const struct lt_form *lt_form(enum lt_form_kind kind)
{
    return (unsigned)kind < LT_FORM_KINDS ? &forms[kind] : NULL;
}

const char *lt_form_name(enum lt_form_kind kind)
{
    return lt_form(kind) ? lt_form(kind)->name : "unknown";
}

/* How sure is it that the line was meant to be a frame of the form that looked at it? */
static int likeness(const struct lt_line *line)
{
    return line->frame_like + line->marked;
}

enum lt_line_kind lt_form_parse(const struct lt_form *form, struct lt_text text,
                                struct lt_form_state *states, struct lt_frame *frame,
                                struct lt_line *line, const struct lt_form **ret_form)
{
    enum lt_line_kind kind = form->parse(text, &states[form->kind], frame, line);
    *ret_form = form;
    for (size_t i = 0; kind == LT_LINE_BAD && i < LT_FORM_KINDS; i++) {
        struct lt_line other;
        if (&forms[i] == form || !forms[i].parse)
            continue;
        enum lt_line_kind other_kind = forms[i].parse(text, &states[i], frame, &other);
        if (other_kind == LT_LINE_BAD && likeness(&other) <= likeness(line))
            continue;
        kind = other_kind;
        *line = other;
        *ret_form = &forms[i];
    }
    return kind;
}

/* "DROPCOUNT: dropped 3 CAN frames on 'can0' socket (total drops 7)" (can-utils candump.c -d). */
static bool is_drop_line(struct lt_text text, uint64_t *ret_dropped)
{
    struct lt_text word;
    uint64_t dropped = 0;
    if (!lt_text_starts(text, "DROPCOUNT:"))
        return false;
    lt_text_word(&text, &word);
    if (lt_text_word(&text, &word) && lt_text_is(word, "dropped") && lt_text_word(&text, &word) &&
        !lt_parse_u64(word, &dropped))
        dropped = 0;
    /* The counter behind it has 32 bits; more is a garbled line. */
    *ret_dropped = dropped <= UINT32_MAX ? dropped : 0;
    return true;
}

static bool is_binary(struct lt_text text, uint32_t *ret_column)
{
    size_t bad = 0;
    for (size_t i = 0; i < text.len; i++) {
        unsigned char c = (unsigned char)text.at[i];
        bool is_text = c >= 0x20 || c == '\t' || c == '\r' || c == '\b' || c == '\a' || c == 0x1B;
        if (!is_text || c == 0x7F) {
            *ret_column = (uint32_t)i + 1;
            return true;
        }
    }
    if (lt_text_is_utf8(text, &bad))
        return false;
    *ret_column = (uint32_t)bad + 1;
    return true;
}

enum lt_other_line lt_other_line(struct lt_text text, uint64_t *ret_dropped, uint32_t *ret_column)
{
    struct lt_text trimmed = lt_text_trim(text);
    *ret_dropped = 0;
    *ret_column = 1;
    if (trimmed.len == 0)
        return LT_OTHER_BLANK;
    if (is_binary(text, ret_column))
        return LT_OTHER_BINARY;
    if (*trimmed.at == '#' || *trimmed.at == ';' || *text.at == '\t')
        return LT_OTHER_NOTE;
    return is_drop_line(trimmed, ret_dropped) ? LT_OTHER_DROPS : LT_OTHER_TEXT;
}

#define BAD_ROW(name, word, text) {word, text},
static const struct {
    const char *word, *text;
} bad_lines[LT_BAD_COUNT] = {LT_BAD_LINES(BAD_ROW)};
#undef BAD_ROW

const char *lt_bad_line_word(enum lt_bad_line reason)
{
    return (unsigned)reason < LT_BAD_COUNT ? bad_lines[reason].word : "unknown";
}

void lt_reader_counts_json(const struct lt_reader_counts *counts, struct lt_json *json)
{
    lt_json_open(json, "malformed_by_reason", '{');
    for (int i = 0; i < LT_BAD_COUNT; i++)
        if (counts->bad[i])
            lt_json_u64(json, lt_bad_line_word((enum lt_bad_line)i), counts->bad[i]);
    lt_json_close(json, '}');
    lt_json_u64(json, "dropped", counts->dropped_frames);
    lt_json_u64(json, "other_packets", counts->other_packets);
}

const char *lt_bad_line_text(enum lt_bad_line reason)
{
    return (unsigned)reason < LT_BAD_COUNT ? bad_lines[reason].text : "unknown reason";
}
