/* The lines of one file as sections and their entries: which section and key each line is, and what
 * of it is unknown, given twice or too much. What a value means comes later. */
#include "defs/sections.h"

#include "defs/keys.h"
#include "defs/lines.h"
#include "loomtap/core/frame.h"

#define ENTRIES_MAX     4096 /* in one section */
#define DEFINITIONS_MAX 4096 /* of a kind without a ceiling of its own */

static struct lt_place place_of(const struct lt_file_reading *reading, const struct lt_line *line,
                                uint32_t column)
{
    return (struct lt_place){reading->file, line->number, column};
}

static void on_fault(void *context, const struct lt_error *error)
{
    struct lt_file_reading *reading = context;
    struct lt_place place = {reading->file, (uint32_t)error->line, error->column};
    struct lt_error *kept = lt_defs_fault(reading->loader, place, error->code, "%s", error->text);
    lt_error_advise(kept, "%s", error->advice);
}

static void refuse_section_kind(struct lt_file_reading *reading, const struct lt_line *line,
                                struct lt_text word)
{
    struct lt_nearest nearest;
    lt_nearest_init(&nearest, word);
    for (enum lt_section_kind kind = 0; kind < LT_SECTION_KINDS; kind++)
        lt_nearest_try(&nearest, lt_text_of(lt_defs_section_row(kind)->name));
    struct lt_error *error =
        lt_defs_fault(reading->loader, place_of(reading, line, line->key_column), LT_E_UNKNOWN,
                      "there are no sections [%.*s]", LT_TEXT_ARG(line->key));
    if (lt_nearest_word(&nearest))
        lt_error_advise(error, "did you mean `%s`? Its keys are not looked at",
                        lt_nearest_word(&nearest));
    else
        lt_error_advise(error, "sections are profile, fits, prove, bus, frame, signal, values, "
                               "curve, affine, parameter and warning");
}

static bool check_section_name(struct lt_file_reading *reading, const struct lt_line *line,
                               enum lt_section_kind kind, struct lt_text name)
{
    const struct lt_section_row *row = lt_defs_section_row(kind);
    struct lt_place place = place_of(reading, line, line->key_column);
    if (!row->has_name && name.len == 0)
        return true;
    if (!row->has_name) {
        lt_error_advise(lt_defs_fault(reading->loader, place, LT_E_SYNTAX,
                                      "[%s] has no name of its own", row->name),
                        "write %s", row->example);
        return false;
    }
    if (name.len == 0) {
        lt_error_advise(lt_defs_fault(reading->loader, place, LT_E_MISSING,
                                      "[%s] lacks the name of %s", row->name, row->help),
                        "write it behind the kind, such as %s", row->example);
        return false;
    }
    if (lt_defs_is_name(name))
        return true;
    place = lt_defs_place_at(place, (size_t)(name.at - line->key.at));
    lt_error_advise(lt_defs_fault(reading->loader, place, LT_E_SYNTAX, "`%.*s` is not a name",
                                  LT_TEXT_ARG(name)),
                    "a name is made of a-z, 0-9 and `_`, begins with a letter, and has at most "
                    "%d characters",
                    LT_NAME_MAX);
    return false;
}

static size_t ceiling_of(enum lt_section_kind kind)
{
    switch (kind) {
    case LT_SECTION_BUS:
        return LT_BUSES_MAX;
    case LT_SECTION_FRAME:
        return LT_FRAMES_MAX;
    case LT_SECTION_SIGNAL:
    case LT_SECTION_VALUES:
        return LT_SIGNALS_MAX;
    default:
        return DEFINITIONS_MAX;
    }
}

static bool check_ceiling(struct lt_file_reading *reading, const struct lt_line *line,
                          enum lt_section_kind kind)
{
    size_t ceiling = ceiling_of(kind), count = ++reading->loader->kind_count[kind];
    if (count == ceiling + 1)
        lt_error_advise(lt_defs_fault(reading->loader, place_of(reading, line, line->key_column),
                                      LT_E_LIMIT, "more than %zu sections [%s]", ceiling,
                                      lt_defs_section_row(kind)->name),
                        "split the profile into several");
    return count <= ceiling;
}

static void on_section(void *context, const struct lt_line *line)
{
    struct lt_file_reading *reading = context;
    struct lt_arena *scratch = &reading->loader->scratch;
    struct lt_text rest = line->key, word = {line->key.at, 0};
    lt_text_word(&rest, &word);
    struct lt_text name = lt_text_trim(rest);
    enum lt_section_kind kind = lt_defs_section_kind(word);
    reading->section = NULL;
    reading->any_section = true;
    if (kind == LT_SECTION_KINDS) {
        refuse_section_kind(reading, line, word);
        return;
    }
    if (!check_section_name(reading, line, kind, name) || !check_ceiling(reading, line, kind))
        return;
    struct lt_section *section = lt_arena_alloc(scratch, sizeof *section);
    struct lt_section **slot = lt_arena_push(scratch, &reading->sections, &reading->count,
                                             &reading->capacity, sizeof *slot);
    if (!section || !slot) {
        reading->count -= slot != NULL;
        return;
    }
    section->kind = kind;
    section->name = name;
    section->place = place_of(reading, line, line->key_column);
    *slot = section;
    reading->section = section;
}

static void refuse_key(struct lt_file_reading *reading, const struct lt_line *line)
{
    const struct lt_section *section = reading->section;
    const struct lt_section_row *row = lt_defs_section_row(section->kind);
    struct lt_error *error =
        lt_defs_fault(reading->loader, place_of(reading, line, line->key_column), LT_E_UNKNOWN,
                      "[%s] has no key `%.*s`", row->name, LT_TEXT_ARG(line->key));
    struct lt_nearest nearest;
    lt_nearest_init(&nearest, line->key);
    for (size_t i = 0; i < row->key_count; i++)
        lt_nearest_try(&nearest, lt_text_of(row->keys[i].name));
    for (enum lt_section_kind kind = 0; kind < LT_SECTION_KINDS; kind++) {
        if (!lt_defs_key(kind, line->key))
            continue;
        lt_error_advise(error, "`%.*s` is a key of [%s]: does a section line stand missing above?",
                        LT_TEXT_ARG(line->key), lt_defs_section_row(kind)->name);
        return;
    }
    if (lt_nearest_word(&nearest))
        lt_error_advise(error, "did you mean `%s`? %s", lt_nearest_word(&nearest),
                        lt_defs_key(section->kind, lt_text_of(lt_nearest_word(&nearest)))->help);
    else
        lt_error_advise(error, "docs/profile-format.md lists the keys of [%s]", row->name);
}

/* Written again with ` = ` the line must fit as well. */
static bool check_width(struct lt_file_reading *reading, const struct lt_line *line)
{
    size_t width = line->key.len + 3 + line->value.len;
    if (width <= LT_LINE_MAX)
        return true;
    lt_error_advise(lt_defs_fault(reading->loader, place_of(reading, line, line->value_column),
                                  LT_E_LIMIT,
                                  "`%.*s` with its value has %zu bytes; %d fit on a line",
                                  LT_TEXT_ARG(line->key), width, LT_LINE_MAX),
                    "shorten it");
    return false;
}

static bool check_repeat(struct lt_file_reading *reading, const struct lt_line *line,
                         const struct lt_key *key)
{
    char place[LT_PLACE_TEXT_ROOM];
    const struct lt_section *section = reading->section;
    const struct lt_entry *first = NULL;
    for (size_t i = 0; i < section->entry_count && !first; i++)
        if (lt_text_equal(section->entries[i].name, line->key))
            first = &section->entries[i];
    if (!first || (key && key->repeats))
        return true;
    lt_error_advise(
        lt_defs_fault(reading->loader, place_of(reading, line, line->key_column), LT_E_DUPLICATE,
                      "`%.*s` is already given at %s", LT_TEXT_ARG(line->key),
                      lt_defs_place_text(reading->loader, first->name_place, place, sizeof place)),
        "remove one of the two lines");
    return false;
}

static void on_pair(void *context, const struct lt_line *line)
{
    struct lt_file_reading *reading = context;
    struct lt_section *section = reading->section;
    if (!section) {
        if (!reading->any_section)
            lt_error_advise(lt_defs_fault(reading->loader,
                                          place_of(reading, line, line->key_column), LT_E_SYNTAX,
                                          "`%.*s` stands before the first section",
                                          LT_TEXT_ARG(line->key)),
                            "begin the file with a line [profile]");
        return;
    }
    const struct lt_section_row *row = lt_defs_section_row(section->kind);
    const struct lt_key *key = lt_defs_key(section->kind, line->key);
    if (!key && !row->free_keys) {
        refuse_key(reading, line);
        return;
    }
    if (section->entry_count >= ENTRIES_MAX) {
        if (section->entry_count == ENTRIES_MAX && !section->is_full)
            lt_defs_fault(reading->loader, place_of(reading, line, line->key_column), LT_E_LIMIT,
                          "more than %d lines in one section", ENTRIES_MAX);
        section->is_full = true;
        return;
    }
    if (!check_width(reading, line) || !check_repeat(reading, line, key))
        return;
    struct lt_entry *entry =
        lt_arena_push(&reading->loader->scratch, &section->entries, &section->entry_count,
                      &section->entry_capacity, sizeof *entry);
    if (entry)
        *entry = (struct lt_entry){key, line->key, line->value,
                                   place_of(reading, line, line->key_column),
                                   place_of(reading, line, line->value_column)};
}

void lt_defs_read_sections(struct lt_file_reading *reading, struct lt_text text)
{
    const struct lt_line_events events = {on_section, on_pair, on_fault, reading};
    lt_lines_read(text, &events);
}
