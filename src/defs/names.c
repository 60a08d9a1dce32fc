/* Faults with their place, and names: which section a name means, and which one was meant. */
#include "defs/keys.h"

#include <stdlib.h>

/* --- faults ---------------------------------------------------------------------------------- */

/* The record that lt_faults_add kept, NULL if the list was full. */
static struct lt_error *add(struct lt_loader *loader, struct lt_error *error, struct lt_place place)
{
    struct lt_faults *faults = loader->faults;
    size_t before = faults->count;
    const char *file =
        place.file < loader->profile->file_count ? loader->profile->files[place.file] : "";
    lt_error_at(error, file, place.line, place.column);
    lt_faults_add(faults, error);
    return faults->count > before ? &faults->items[before] : NULL;
}

struct lt_error *lt_defs_fault(struct lt_loader *loader, struct lt_place place, enum lt_code code,
                               const char *format, ...)
{
    struct lt_error error;
    va_list args;
    va_start(args, format);
    lt_vfail(&error, code, format, args);
    va_end(args);
    return add(loader, &error, place);
}

struct lt_error *lt_defs_warning(struct lt_loader *loader, struct lt_place place, enum lt_code code,
                                 const char *format, ...)
{
    struct lt_error error;
    va_list args;
    va_start(args, format);
    lt_vfail(&error, code, format, args);
    va_end(args);
    error.severity = LT_SEVERITY_WARNING;
    return add(loader, &error, place);
}

static void name_key(struct lt_error *error, const struct lt_section *section,
                     const struct lt_entry *entry)
{
    const char *kind = lt_defs_section_row(section->kind)->name;
    const char *gap = section->name.len ? " " : "";
    lt_error_key(error, "[%s%s%.*s] %.*s", kind, gap, LT_TEXT_ARG(section->name),
                 LT_TEXT_ARG(entry->name));
}

struct lt_error *lt_defs_fault_in(struct lt_loader *loader, const struct lt_section *section,
                                  const struct lt_entry *entry, size_t offset, enum lt_code code,
                                  const char *format, ...)
{
    struct lt_error error;
    va_list args;
    va_start(args, format);
    lt_vfail(&error, code, format, args);
    va_end(args);
    name_key(&error, section, entry);
    return add(loader, &error, lt_defs_place_at(entry->place, offset));
}

void lt_defs_fault_from(struct lt_loader *loader, const struct lt_section *section,
                        const struct lt_entry *entry, size_t offset, const struct lt_error *inner)
{
    struct lt_error error = *inner;
    lt_text_format(error.text, sizeof error.text, "%.*s: %s", LT_TEXT_ARG(entry->name),
                   inner->text);
    name_key(&error, section, entry);
    if (!error.advice[0] && entry->key)
        lt_error_advise(&error, "%s", entry->key->help);
    add(loader, &error,
        lt_defs_place_at(entry->place, offset + (inner->column ? inner->column - 1 : 0)));
}

const char *lt_defs_place_text(const struct lt_loader *loader, struct lt_place place, char *buffer,
                               size_t size)
{
    const char *file =
        place.file < loader->profile->file_count ? loader->profile->files[place.file] : "";
    size_t len = strlen(file);
    /* The end of a long path says more than its start. */
    bool cut = len + 20 > size;
    lt_text_format(buffer, size, "%s%s:%u", cut ? "..." : "", cut ? file + len + 24 - size : file,
                   (unsigned)place.line);
    return buffer;
}

struct lt_place lt_defs_place_at(struct lt_place place, size_t offset)
{
    place.column += (uint32_t)offset;
    return place;
}

/* --- sections and names ---------------------------------------------------------------------- */

const struct lt_entry *lt_defs_entry(const struct lt_section *section, const char *key)
{
    for (size_t i = 0; i < section->entry_count; i++)
        if (lt_text_is(section->entries[i].name, key))
            return &section->entries[i];
    return NULL;
}

struct lt_place lt_defs_key_place(const struct lt_section *section, const char *key)
{
    const struct lt_entry *entry = lt_defs_entry(section, key);
    return entry ? entry->place : section->place;
}

bool lt_defs_is_name(struct lt_text name)
{
    if (name.len == 0 || name.len > LT_NAME_MAX || name.at[0] < 'a' || name.at[0] > 'z')
        return false;
    for (size_t i = 1; i < name.len; i++) {
        char c = name.at[i];
        if (!((c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '_'))
            return false;
    }
    return true;
}

const char *lt_defs_keep(struct lt_loader *loader, struct lt_text text)
{
    return lt_arena_text(&loader->profile->arena, text);
}

static int compare_text(struct lt_text a, struct lt_text b)
{
    size_t len = a.len < b.len ? a.len : b.len;
    int order = len ? memcmp(a.at, b.at, len) : 0;
    return order ? order : (a.len > b.len) - (a.len < b.len);
}

/* By name, then in the order read. */
static int compare_sections(const void *left, const void *right)
{
    const struct lt_section *a = *(struct lt_section *const *)left;
    const struct lt_section *b = *(struct lt_section *const *)right;
    int order = compare_text(a->name, b->name);
    return order ? order : (a->index > b->index) - (a->index < b->index);
}

struct lt_section *lt_defs_find(const struct lt_loader *loader, enum lt_section_kind kind,
                                struct lt_text name)
{
    const struct lt_name_index *names = &loader->names[kind];
    size_t low = 0, high = names->count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (compare_text(names->sorted[middle]->name, name) < 0)
            low = middle + 1;
        else
            high = middle;
    }
    if (low == names->count || !lt_text_equal(names->sorted[low]->name, name))
        return NULL;
    return names->sorted[low];
}

uint32_t lt_defs_resolve(struct lt_loader *loader, const struct lt_section *section,
                         const struct lt_entry *entry, struct lt_text name,
                         enum lt_section_kind kind)
{
    const struct lt_section *found = lt_defs_find(loader, kind, name);
    if (found)
        return found->index;
    const char *what = lt_defs_section_row(kind)->name;
    size_t offset = name.at >= entry->value.at && name.at <= entry->value.at + entry->value.len
                        ? (size_t)(name.at - entry->value.at)
                        : 0;
    struct lt_error *error = lt_defs_fault_in(loader, section, entry, offset, LT_E_UNKNOWN,
                                              "%.*s: there is no %s `%.*s`",
                                              LT_TEXT_ARG(entry->name), what, LT_TEXT_ARG(name));
    struct lt_nearest nearest;
    lt_nearest_init(&nearest, name);
    for (size_t i = 0; i < loader->names[kind].count; i++)
        lt_nearest_try(&nearest, loader->names[kind].sorted[i]->name);
    if (lt_nearest_word(&nearest))
        lt_error_advise(error, "did you mean `%s`?", lt_nearest_word(&nearest));
    else
        lt_error_advise(error, "add a section [%s %.*s], or name one that is there", what,
                        LT_TEXT_ARG(name));
    return LT_NONE;
}

static void refuse_twice(struct lt_loader *loader, const struct lt_section *first,
                         const struct lt_section *second)
{
    char place[LT_PLACE_TEXT_ROOM];
    const struct lt_section_row *row = lt_defs_section_row(second->kind);
    lt_error_advise(lt_defs_fault(loader, second->place, LT_E_DUPLICATE,
                                  "[%s%s%.*s] is already given at %s", row->name,
                                  second->name.len ? " " : "", LT_TEXT_ARG(second->name),
                                  lt_defs_place_text(loader, first->place, place, sizeof place)),
                    row->has_name ? "rename one of them, or put their keys together"
                                  : "put their keys together in one section");
}

/* Sections without a name: one a file. */
static void refuse_repeated_plain(struct lt_loader *loader, enum lt_section_kind kind)
{
    const struct lt_section *first = NULL;
    for (size_t i = 0; i < loader->section_count; i++) {
        const struct lt_section *section = loader->sections[i];
        if (section->kind != kind)
            continue;
        if (first && first->place.file == section->place.file)
            refuse_twice(loader, first, section);
        else
            first = section;
    }
}

static void index_kind(struct lt_loader *loader, enum lt_section_kind kind)
{
    struct lt_name_index *names = &loader->names[kind];
    size_t count = 0;
    for (size_t i = 0; i < loader->section_count; i++)
        count += loader->sections[i]->kind == kind;
    names->sorted = lt_arena_array(&loader->scratch, count, sizeof *names->sorted);
    loader->of[kind] = lt_arena_array(&loader->scratch, count, sizeof *names->sorted);
    if (!names->sorted || !loader->of[kind])
        return;
    for (size_t i = 0; i < loader->section_count; i++) {
        struct lt_section *section = loader->sections[i];
        if (section->kind != kind)
            continue;
        section->index = (uint32_t)names->count;
        loader->of[kind][names->count] = section;
        names->sorted[names->count++] = section;
    }
    qsort(names->sorted, count, sizeof *names->sorted, compare_sections);
    if (!lt_defs_section_row(kind)->has_name) {
        refuse_repeated_plain(loader, kind);
        return;
    }
    for (size_t i = 1; i < count; i++)
        if (lt_text_equal(names->sorted[i - 1]->name, names->sorted[i]->name))
            refuse_twice(loader, names->sorted[i - 1], names->sorted[i]);
}

void lt_defs_index(struct lt_loader *loader)
{
    for (enum lt_section_kind kind = 0; kind < LT_SECTION_KINDS; kind++)
        index_kind(loader, kind);
}
