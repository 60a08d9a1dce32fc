/* The guarded line reader in front of inih.
 *
 * inih (tried: r55 as Debian 12 ships it) reads .ini text, but what it does with unusual lines
 * would be dangerous here. It takes an indented `key = value` or `[section]` for a continuation of
 * the key above; cuts section names at 49 bytes; splits a line of more than 199 bytes in two; takes
 * `:` for `=`; passes NUL on as the end of the line; and gives its handler no line number, nor any
 * word of a section without keys.
 *
 * So every line goes past this reader first. It counts, takes the line apart by inih's own rules,
 * and refuses whatever the two could understand differently; inih gets a blank line in its place,
 * so that the faults behind it are found as well. What inih then hands to its handler is compared
 * with what was seen here. */
#include "defs/lines.h"

#include <ini.h>

#include "loomtap/base/number.h"

struct reader {
    struct lt_text rest;
    const struct lt_line_events *events;
    uint32_t number;
    int first_room; /* of inih's buffer; a smaller one later means that it drains a line */
    bool section_is_good;
    bool pair_is_open; /* a pair was handed to inih, which has not handed it back yet */
    struct lt_text section;
    struct lt_line line;
};

static bool is_blank(char c)
{
    return c == ' ' || c == '\t';
}

static uint32_t column_of(struct lt_text line, const char *at)
{
    return (uint32_t)(at - line.at) + 1;
}

/* Gives the fault to the caller, with its line. Returns false for the callers' convenience. */
static bool refuse(struct reader *r, struct lt_error *error, size_t offset)
{
    lt_error_at(error, "", r->number, (uint32_t)offset + 1);
    r->events->fault(r->events->context, error);
    return false;
}

/* The offset where a comment starts: the first `;` behind a blank. inih looks for it separately in
 * the part before the separator and in the value, so a `;` at the very start of either is none. */
static size_t comment_offset(struct lt_text part)
{
    for (size_t i = 1; i < part.len; i++)
        if (part.at[i] == ';' && is_blank(part.at[i - 1]))
            return i;
    return part.len;
}

static bool check_length(struct reader *r, struct lt_text line, size_t room)
{
    size_t most = room < LT_LINE_MAX ? room : LT_LINE_MAX;
    if (line.len <= most)
        return true;
    struct lt_error error;
    lt_fail(&error, LT_E_LIMIT, "the line has %zu bytes; at most %zu can be read", line.len, most);
    lt_error_advise(&error, "shorten it, or break a long list up: a section [values NAME] takes "
                            "one label a line, a long comment takes several lines");
    return refuse(r, &error, most);
}

/* A control character: below blank (but for the tab), DEL, or U+0080..U+009F. */
static bool is_control(struct lt_text line, size_t i)
{
    unsigned char c = (unsigned char)line.at[i];
    if (c == 0xC2 && i + 1 < line.len)
        return (unsigned char)line.at[i + 1] < 0xA0;
    return (c < 0x20 && c != '\t') || c == 0x7F;
}

static bool check_bytes(struct reader *r, struct lt_text line)
{
    struct lt_error error;
    size_t bad;
    for (size_t i = 0; i < line.len; i++) {
        if (!is_control(line, i))
            continue;
        lt_fail(&error, LT_E_SYNTAX, "the line holds %s (byte 0x%02X), which is not text",
                line.at[i] ? "a control character" : "a NUL", (unsigned)(unsigned char)line.at[i]);
        lt_error_advise(&error, "delete it; a profile is plain UTF-8 text");
        return refuse(r, &error, i);
    }
    if (lt_text_is_utf8(line, &bad))
        return true;
    lt_fail(&error, LT_E_SYNTAX, "the line is not valid UTF-8 (byte 0x%02X)",
            (unsigned)(unsigned char)line.at[bad]);
    lt_error_advise(&error, "save the file as UTF-8");
    return refuse(r, &error, bad);
}

static bool check_indent(struct reader *r, struct lt_text line)
{
    if (!is_blank(line.at[0]))
        return true;
    struct lt_error error;
    lt_fail(&error, LT_E_SYNTAX,
            "the line begins with a blank, so it could be taken for a "
            "continuation of the line above");
    lt_error_advise(&error, "begin it in the first column");
    return refuse(r, &error, 0);
}

static bool check_section_end(struct reader *r, struct lt_text line, size_t close)
{
    struct lt_error error;
    struct lt_text tail = {line.at + close + 1, line.len - close - 1};
    struct lt_text rest = lt_text_trim(tail);
    if (rest.len == 0 || rest.at[0] == ';')
        return true;
    lt_fail(&error, LT_E_SYNTAX, "`%.*s` stands behind the `]` of a section", LT_TEXT_ARG(rest));
    lt_error_advise(&error, "put keys on lines of their own; a comment begins with `;`");
    return refuse(r, &error, (size_t)(rest.at - line.at));
}

/* [kind name] */
static bool read_section(struct reader *r, struct lt_text line)
{
    struct lt_error error;
    size_t close = 1;
    while (close < line.len && line.at[close] != ']' && line.at[close] != ';')
        close++;
    if (close == line.len || line.at[close] != ']') {
        lt_fail(&error, LT_E_SYNTAX, "the section's `]` is missing");
        lt_error_advise(&error, "write `[kind name]`, such as `[frame engine_a]`");
        return refuse(r, &error, close);
    }
    struct lt_text inside = {line.at + 1, close - 1};
    if (inside.len > LT_SECTION_TEXT_MAX) {
        lt_fail(&error, LT_E_LIMIT, "the section's name has %zu bytes; at most %d can be read",
                inside.len, LT_SECTION_TEXT_MAX);
        lt_error_advise(&error, "shorten the name");
        return refuse(r, &error, 1 + LT_SECTION_TEXT_MAX);
    }
    if (!check_section_end(r, line, close))
        return false;
    struct lt_text name = lt_text_trim(inside);
    r->section = inside;
    r->line.key = name;
    r->line.value = (struct lt_text){line.at + close, 0};
    r->line.key_column = column_of(line, name.len ? name.at : inside.at);
    r->line.value_column = 0;
    return true;
}

static bool refuse_separator(struct reader *r, struct lt_text line, size_t at, size_t end)
{
    struct lt_error error;
    if (at < end) {
        lt_fail(&error, LT_E_SYNTAX, "`:` stands before any `=`");
        lt_error_advise(&error, "write `key = value`; keys hold no colon");
        return refuse(r, &error, at);
    }
    lt_fail(&error, LT_E_SYNTAX, "the line is neither `[section]` nor `key = value`");
    lt_error_advise(&error, end < line.len ? "what follows ` ;` is a comment: the `=` has to stand "
                                             "before it"
                                           : "add `= value`, or begin the line with `;` to make it "
                                             "a comment");
    return refuse(r, &error, 0);
}

/* key = value ; comment */
static bool read_pair(struct reader *r, struct lt_text line)
{
    struct lt_error error;
    size_t end = comment_offset(line), at = 0;
    while (at < end && line.at[at] != '=' && line.at[at] != ':')
        at++;
    if (at == end || line.at[at] == ':')
        return refuse_separator(r, line, at, end);
    struct lt_text key = lt_text_trim((struct lt_text){line.at, at});
    struct lt_text tail = {line.at + at + 1, line.len - at - 1};
    if (key.len == 0) {
        lt_fail(&error, LT_E_SYNTAX, "there is no key before the `=`");
        lt_error_advise(&error, "write `key = value`");
        return refuse(r, &error, at);
    }
    if (tail.len && tail.at[0] == ';') {
        lt_fail(&error, LT_E_SYNTAX, "`;` directly behind the `=`");
        lt_error_advise(&error, "a comment needs a blank before its `;`; a value cannot begin "
                                "with `;`");
        return refuse(r, &error, at + 1);
    }
    struct lt_text value = lt_text_trim((struct lt_text){tail.at, comment_offset(tail)});
    if (value.len == 0) {
        lt_fail(&error, LT_E_MISSING, "`%.*s` has no value", LT_TEXT_ARG(key));
        lt_error_advise(&error, "give it one, or remove the line");
        return refuse(r, &error, at);
    }
    r->line.key = key;
    r->line.value = value;
    r->line.key_column = 1;
    r->line.value_column = column_of(line, value.at);
    return true;
}

/* Looks at one line; true if inih may see it. */
static bool admit(struct reader *r, struct lt_text line, size_t room)
{
    struct lt_text bare = lt_text_trim(line);
    bool is_section = bare.len && bare.at[0] == '[';
    bool good = check_length(r, line, room) && check_bytes(r, line);
    if (good && (bare.len == 0 || bare.at[0] == ';' || bare.at[0] == '#'))
        return false; /* nothing in it for anyone */
    r->line.number = r->number;
    good = good && check_indent(r, line);
    if (good)
        good = is_section ? read_section(r, line) : read_pair(r, line);
    if (is_section) {
        r->section_is_good = good;
        if (good)
            r->events->section(r->events->context, &r->line);
        return good;
    }
    r->pair_is_open = good && r->section_is_good;
    return r->pair_is_open;
}

static bool next_line(struct reader *r, struct lt_text *ret_line)
{
    if (r->rest.len == 0)
        return false;
    const char *feed = memchr(r->rest.at, '\n', r->rest.len);
    size_t len = feed ? (size_t)(feed - r->rest.at) : r->rest.len;
    struct lt_text line = {r->rest.at, len};
    size_t used = feed ? len + 1 : len;
    r->rest.at += used;
    r->rest.len -= used;
    if (line.len && line.at[line.len - 1] == '\r')
        line.len--;
    r->number++;
    *ret_line = line;
    return true;
}

/* Takes the place of fgets for inih. */
static char *give_line(char *buffer, int room, void *stream)
{
    struct reader *r = stream;
    struct lt_text line;
    if (room < 2)
        return NULL;
    if (r->first_room == 0)
        r->first_room = room;
    if (room < r->first_room) {
        /* A later inih thinks a full buffer means an over-long line and drains what is left of it
         * through a small one. Nothing is left. */
        memcpy(buffer, "\n", 2);
        return buffer;
    }
    if (!next_line(r, &line))
        return NULL;
    if (!admit(r, line, (size_t)room - 1))
        line.len = 0;
    memcpy(buffer, line.at, line.len);
    buffer[line.len] = '\0';
    if (line.len < (size_t)room - 1)
        memcpy(buffer + line.len, "\n", 2);
    return buffer;
}

static void refuse_disagreement(struct reader *r)
{
    struct lt_error error;
    lt_fail(&error, LT_E_SYNTAX, "the line is understood in two ways and is not used");
    lt_error_advise(&error, "write it plainly as `key = value`");
    refuse(r, &error, 0);
}

static int take_pair(void *user, const char *section, const char *name, const char *value)
{
    struct reader *r = user;
    bool same = r->pair_is_open && value && lt_text_is(r->section, section) &&
                lt_text_is(r->line.key, name) && lt_text_is(r->line.value, value);
    r->pair_is_open = false;
    if (same)
        r->events->pair(r->events->context, &r->line);
    else
        refuse_disagreement(r);
    return 1;
}

void lt_lines_read(struct lt_text text, const struct lt_line_events *events)
{
    struct reader r = {
        .rest = text, .events = events, .section_is_good = true, .section = LT_TEXT("")};
    if (lt_text_starts(text, "\xEF\xBB\xBF")) {
        r.rest.at += 3;
        r.rest.len -= 3;
    }
    if (ini_parse_stream(give_line, &r, take_pair, &r) != 0)
        refuse_disagreement(&r);
}
