/* Expected warnings: text in, events held against it. See loomtap/warn/expect.h. */
#include "loomtap/warn/expect.h"

#include <stdlib.h>

#include "loomtap/base/number.h"
#include "warn/show.h"

#define NS_PER_S 1000000000

enum wanted_cause { ANY_CAUSE, BY_CONDITION, BY_LOSS };

struct line {
    int64_t at_ns, tolerance_ns;
    uint32_t warning, number; /* number of the line, from 1 */
    bool on, met;
    enum wanted_cause cause;
};

struct lt_expect {
    const char *name;
    const struct lt_profile *profile;
    struct line *lines; /* by warning, then time */
    size_t count, capacity;
    size_t *first; /* by warning: index of its first line; one more at the end */
    bool *ignored; /* by warning */
    struct lt_expect_counts counts;
};

/* --- reading --- */

struct parser {
    struct lt_expect *expect;
    struct lt_arena *arena;
    struct lt_error *error;
    struct lt_text whole, rest; /* of the line */
    uint32_t number;
    int64_t tolerance_ns;
};

static enum lt_code fault(struct parser *p, struct lt_text at, enum lt_code code,
                          const char *advice, const char *format, ...)
    __attribute__((format(printf, 5, 6)));
static enum lt_code fault(struct parser *p, struct lt_text at, enum lt_code code,
                          const char *advice, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    lt_vfail(p->error, code, format, args);
    va_end(args);
    lt_error_at(p->error, p->expect->name, p->number, (uint32_t)(at.at - p->whole.at) + 1);
    if (advice)
        lt_error_advise(p->error, "%s", advice);
    return code;
}

#define LINE_ADVICE "write `30.312 rail_pressure_low on condition within 0.05`"

/* The next word; an empty text at the end of the line if there is none. */
static struct lt_text next_word(struct parser *p)
{
    struct lt_text word;
    if (lt_text_word(&p->rest, &word))
        return word;
    return (struct lt_text){p->whole.at + p->whole.len, 0};
}

/* 0 or more seconds, up to about 292 years. */
static bool seconds_of(struct lt_text text, int64_t *ret_ns)
{
    struct lt_ratio seconds, ns;
    if (!text.len || text.at[0] == '+' || !lt_parse_ratio(text, &seconds) || seconds.num < 0 ||
        !lt_ratio_mul(seconds, (struct lt_ratio){NS_PER_S, 1}, &ns))
        return false;
    *ret_ns = ns.num / ns.den;
    return true;
}

static enum lt_code find_warning(struct parser *p, struct lt_text name, uint32_t *ret_warning)
{
    const struct lt_profile *profile = p->expect->profile;
    for (uint32_t i = 0; i < profile->warning_count; i++) {
        if (lt_text_is(name, profile->warnings[i].name)) {
            *ret_warning = i;
            return LT_OK;
        }
    }
    struct lt_text shown = lt_text_cut(name, LT_NAME_MAX);
    return fault(p, name, name.len ? LT_E_UNKNOWN : LT_E_SYNTAX, LINE_ADVICE,
                 name.len ? "the profile has no warning `%.*s`"
                          : "the line ends before a warning%.*s",
                 LT_TEXT_ARG(shown));
}

static enum lt_code take_tolerance(struct parser *p, int64_t *ret_ns)
{
    struct lt_text word = next_word(p), shown = lt_text_cut(word, 40);
    if (seconds_of(word, ret_ns))
        return LT_OK;
    return fault(p, word, LT_E_RANGE, "give seconds, such as 0.05",
                 "`%.*s` is no tolerance in seconds", LT_TEXT_ARG(shown));
}

static enum lt_code take_change(struct parser *p, struct line *line)
{
    struct lt_text word = next_word(p), shown = lt_text_cut(word, 40);
    line->on = lt_text_is(word, "on");
    if (line->on || lt_text_is(word, "off"))
        return LT_OK;
    return fault(p, word, LT_E_SYNTAX, LINE_ADVICE, "`%.*s` is neither on nor off",
                 LT_TEXT_ARG(shown));
}

/* [condition | lost] [within SECONDS] */
static enum lt_code take_rest(struct parser *p, struct line *line)
{
    struct lt_text word = next_word(p);
    if (lt_text_is(word, "condition") || lt_text_is(word, "lost")) {
        line->cause = lt_text_is(word, "lost") ? BY_LOSS : BY_CONDITION;
        word = next_word(p);
    }
    if (lt_text_is(word, "within")) {
        enum lt_code code = take_tolerance(p, &line->tolerance_ns);
        if (code != LT_OK)
            return code;
        word = next_word(p);
    }
    struct lt_text shown = lt_text_cut(word, 40);
    if (!word.len)
        return LT_OK;
    return fault(p, word, LT_E_SYNTAX, LINE_ADVICE, "`%.*s` has no place here", LT_TEXT_ARG(shown));
}

static enum lt_code take_event(struct parser *p, struct lt_text first)
{
    struct lt_expect *expect = p->expect;
    struct line line = {.number = p->number, .tolerance_ns = p->tolerance_ns};
    struct lt_text shown = lt_text_cut(first, 40);
    if (!seconds_of(first, &line.at_ns))
        return fault(p, first, LT_E_SYNTAX, LINE_ADVICE,
                     "`%.*s` is no time in seconds from the first frame", LT_TEXT_ARG(shown));
    enum lt_code code = find_warning(p, next_word(p), &line.warning);
    if (code == LT_OK)
        code = take_change(p, &line);
    if (code == LT_OK)
        code = take_rest(p, &line);
    if (code != LT_OK)
        return code;
    if (expect->count == LT_EXPECT_LINES_MAX)
        return fault(p, first, LT_E_LIMIT, "split the run", "more than %d events",
                     LT_EXPECT_LINES_MAX);
    struct line *slot =
        lt_arena_push(p->arena, &expect->lines, &expect->count, &expect->capacity, sizeof *slot);
    if (!slot)
        return lt_fail(p->error, LT_E_MEMORY, "out of memory");
    *slot = line;
    return LT_OK;
}

static enum lt_code take_ignore(struct parser *p)
{
    uint32_t warning = 0;
    enum lt_code code = find_warning(p, next_word(p), &warning);
    if (code != LT_OK)
        return code;
    p->expect->ignored[warning] = true;
    struct line none = {0};
    return take_rest(p, &none);
}

/* What stands before a `#`, which begins a comment at the start or behind a blank. */
static struct lt_text without_comment(struct lt_text line)
{
    for (size_t i = 0; i < line.len; i++)
        if (line.at[i] == '#' && (i == 0 || line.at[i - 1] == ' ' || line.at[i - 1] == '\t'))
            return (struct lt_text){line.at, i};
    return line;
}

static enum lt_code take_line(struct parser *p, struct lt_text line)
{
    size_t bad;
    p->whole = p->rest = line;
    if (line.len > LT_EXPECT_LINE_MAX)
        return fault(p, line, LT_E_LIMIT, NULL, "the line is longer than %d bytes",
                     LT_EXPECT_LINE_MAX);
    if (!lt_text_is_utf8(line, &bad))
        return fault(p, (struct lt_text){line.at + bad, 1}, LT_E_SYNTAX, "write it in UTF-8",
                     "the line holds a byte that is not text");
    p->whole = p->rest = without_comment(line);
    struct lt_text first = next_word(p);
    if (!first.len)
        return LT_OK;
    if (lt_text_is(first, "ignore"))
        return take_ignore(p);
    if (!lt_text_is(first, "tolerance"))
        return take_event(p, first);
    enum lt_code code = take_tolerance(p, &p->tolerance_ns);
    struct line none = {0};
    return code == LT_OK ? take_rest(p, &none) : code;
}

static int by_warning_and_time(const void *left, const void *right)
{
    const struct line *a = left, *b = right;
    if (a->warning != b->warning)
        return a->warning < b->warning ? -1 : 1;
    if (a->at_ns != b->at_ns)
        return a->at_ns < b->at_ns ? -1 : 1;
    return (a->number > b->number) - (a->number < b->number);
}

static void sort_lines(struct lt_expect *expect)
{
    size_t at = 0;
    if (expect->count)
        qsort(expect->lines, expect->count, sizeof *expect->lines, by_warning_and_time);
    for (uint32_t i = 0; i <= expect->profile->warning_count; i++) {
        while (at < expect->count && expect->lines[at].warning < i)
            at++;
        expect->first[i] = at;
    }
    expect->counts.lines = expect->count;
}

enum lt_code lt_expect_parse(const char *name, struct lt_text text,
                             const struct lt_profile *profile, struct lt_arena *arena,
                             struct lt_expect **ret_expect, struct lt_error *error)
{
    struct lt_expect *expect = lt_arena_alloc(arena, sizeof *expect);
    struct parser p = {
        .expect = expect, .arena = arena, .error = error, .tolerance_ns = LT_EXPECT_TOLERANCE_NS};
    struct lt_text line;
    enum lt_code code = LT_OK;
    if (!expect)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    *expect = (struct lt_expect){.name = name, .profile = profile};
    expect->first = lt_arena_array(arena, profile->warning_count + 1, sizeof *expect->first);
    expect->ignored = lt_arena_array(arena, profile->warning_count + 1, sizeof *expect->ignored);
    if (!expect->first || !expect->ignored)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    if (text.len > LT_EXPECT_BYTES_MAX)
        return lt_fail(error, LT_E_LIMIT, "%s: longer than %zu bytes", name, LT_EXPECT_BYTES_MAX);
    if (!text.at)
        text = LT_TEXT("");
    while (code == LT_OK && lt_text_split(&text, '\n', &line)) {
        p.number++;
        if (line.len && line.at[line.len - 1] == '\r')
            line.len--;
        code = take_line(&p, line);
    }
    if (code != LT_OK)
        return code;
    sort_lines(expect);
    *ret_expect = expect;
    return LT_OK;
}

/* --- events --- */

static bool meets(const struct line *line, int64_t at_ns, const struct lt_warn_event *event)
{
    enum wanted_cause cause = event->cause == LT_WARN_CAUSE_LOST ? BY_LOSS : BY_CONDITION;
    int64_t apart = at_ns > line->at_ns ? at_ns - line->at_ns : line->at_ns - at_ns;
    return !line->met && line->on == event->on && apart <= line->tolerance_ns &&
           (line->cause == ANY_CAUSE || line->cause == cause);
}

static void add_fault(const struct lt_expect *expect, uint32_t number, struct lt_faults *faults,
                      const char *format, ...) __attribute__((format(printf, 4, 5)));
static void add_fault(const struct lt_expect *expect, uint32_t number, struct lt_faults *faults,
                      const char *format, ...)
{
    struct lt_error error;
    va_list args;
    va_start(args, format);
    lt_vfail(&error, LT_E_CONFLICT, format, args);
    va_end(args);
    lt_error_at(&error, expect->name, number, 0);
    lt_faults_add(faults, &error);
}

bool lt_expect_event(struct lt_expect *expect, int64_t from_start_ns,
                     const struct lt_warn_event *event, struct lt_faults *faults)
{
    char time[LT_TIME_TEXT_ROOM];
    uint32_t warning = event->warning;
    if (expect->ignored[warning]) {
        expect->counts.ignored++;
        return true;
    }
    for (size_t i = expect->first[warning]; i < expect->first[warning + 1]; i++) {
        if (!meets(&expect->lines[i], from_start_ns, event))
            continue;
        expect->lines[i].met = true;
        expect->counts.met++;
        return true;
    }
    expect->counts.unexpected++;
    time_text(from_start_ns, time);
    add_fault(expect, 0, faults, "unexpected: %s %s %s %s", time,
              expect->profile->warnings[warning].name, event->on ? "on" : "off",
              cause_text(event->cause));
    return false;
}

void lt_expect_finish(struct lt_expect *expect, struct lt_faults *faults)
{
    for (size_t i = 0; i < expect->count; i++) {
        const struct line *line = &expect->lines[i];
        char time[LT_TIME_TEXT_ROOM], within[LT_TIME_TEXT_ROOM];
        /* Lines of a warning that is ignored elsewhere ask for nothing. */
        if (line->met || expect->ignored[line->warning])
            continue;
        expect->counts.missed++;
        time_text(line->at_ns, time);
        time_text(line->tolerance_ns, within);
        add_fault(expect, line->number, faults, "missed: %s %s %s%s within %s s", time,
                  expect->profile->warnings[line->warning].name, line->on ? "on" : "off",
                  line->cause == ANY_CAUSE ? ""
                  : line->cause == BY_LOSS ? " lost"
                                           : " condition",
                  within);
    }
}

const struct lt_expect_counts *lt_expect_counts(const struct lt_expect *expect)
{
    return &expect->counts;
}

void lt_expect_write(struct lt_sink *sink, const struct lt_profile *profile, int64_t from_start_ns,
                     const struct lt_warn_event *event)
{
    char time[LT_TIME_TEXT_ROOM];
    time_text(from_start_ns, time);
    lt_sink_format(sink, "%-12s %s %s %s\n", time, profile->warnings[event->warning].name,
                   event->on ? "on" : "off", cause_text(event->cause));
}
