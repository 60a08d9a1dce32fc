/* References from everywhere (references.h): replies in the recording, a logger's columns, marks,
 * signals that a profile knows. */
#include "cli/references.h"

#include <inttypes.h>
#include <string.h>

#include "cli/built_in.h"
#include "loomtap/defs/load.h"

static bool has(const struct list *list, const char *name)
{
    for (size_t i = 0; list && i < list->count; i++)
        if (strcmp(list->items[i], name) == 0)
            return true;
    return false;
}

/* --- options --- */

static int check_options(const struct reference_options *o, size_t profiles)
{
    if (!o->sheet && (o->columns->count || o->time_column || o->unit))
        return usage_error("seek", "--column, --time-column and --unit go with --ref FILE");
    if (o->target && !o->sheet && !o->marks)
        return usage_error("seek", "--target names what --ref or --marks measures");
    if (o->target && o->sheet && o->marks)
        return usage_error("seek", "--target with --ref and --marks together: which of them is it? "
                                   "Seek one after the other");
    if (o->target && o->columns->count > 1)
        return usage_error("seek", "--target and several columns: seek one after the other");
    if (o->signals->count && !profiles)
        return usage_error("seek", "--signal is one of a profile: -p FILE");
    if (o->roles && !profiles)
        return usage_error("seek", "--roles: the roles that a profile requires: -p FILE");
    if (o->roles && o->only->count)
        return usage_error("seek", "--only beside --roles: one of them");
    return EXIT_FINE;
}

/* Replies are looked at where nothing else was named, and for roles in any case. */
static bool wants_replies(const struct reference_options *o)
{
    return o->roles || (!o->sheet && !o->marks && !o->signals->count);
}

int references_begin(struct references *references, const struct reference_options *options,
                     struct profiles *profiles)
{
    static const struct lt_profile *all[LIST_MAX + 1];
    struct lt_error error;
    *references = (struct references){.options = options, .profiles = profiles};
    int status = check_options(options, profiles->count);
    if (status != EXIT_FINE || !wants_replies(options))
        return status;
    references->standard = load_built_in_obd();
    if (!references->standard)
        return EXIT_SYSTEM;
    for (size_t i = 0; i < profiles->count; i++)
        all[i] = profiles->items[i];
    all[profiles->count] = references->standard;
    if (lt_replies_new(&references->replies, all, profiles->count + 1, &error) == LT_OK)
        return EXIT_FINE;
    say_error(&error);
    return EXIT_SYSTEM;
}

void references_watch(void *context, const struct lt_frame *frame)
{
    struct references *references = context;
    if (references->replies && references->replies_code == LT_OK)
        references->replies_code =
            lt_replies_feed(references->replies, frame, &references->replies_error);
}

void references_free(struct references *references)
{
    lt_replies_free(references->replies);
    lt_profile_free(references->standard);
    *references = (struct references){0};
}

/* --- roles --- */

static bool is_required(const struct references *references, const char *role)
{
    for (size_t p = 0; p < references->profiles->count; p++)
        for (size_t i = 0; i < references->profiles->items[p]->require_count; i++)
            if (lt_role_matches(references->profiles->items[p]->requires[i], role))
                return true;
    return false;
}

static bool is_sought(const struct references *references, const char *target)
{
    if (references->options->roles)
        return is_required(references, target);
    return !references->options->only->count || has(references->options->only, target);
}

static const char *say_missing(const char *target, struct lt_arena *arena)
{
    const struct lt_role *role = lt_role_find(lt_text_of(target));
    char text[300];
    if (role && role->is_labels)
        lt_text_format(text, sizeof text,
                       "Nothing says what %s was: note the time of every change while recording, "
                       "and give the list with --marks FILE.",
                       role->title);
    else if (role && role->obd_pid >= 0)
        lt_text_format(text, sizeof text,
                       "Nothing in this recording measures %s: poll 01 %02X while recording, or "
                       "give a logger's column with --ref FILE.",
                       role->title, (unsigned)role->obd_pid);
    else
        lt_text_format(text, sizeof text,
                       "Nothing in this recording measures %s: give a logger's column with --ref "
                       "FILE.",
                       role ? role->title : target);
    return lt_arena_string(arena, text);
}

static bool has_reference(const struct references *references, const char *target)
{
    if (references->marks && lt_role_matches(target, references->marks->target))
        return true;
    for (size_t i = 0; i < references->count; i++)
        if (lt_role_matches(target, references->list[i].target))
            return true;
    return false;
}

struct missing {
    struct lt_seek_missing *list;
    size_t count, capacity;
};

static bool add_missing(struct references *references, struct missing *missing, const char *target,
                        struct lt_arena *arena)
{
    if (has_reference(references, target))
        return true;
    for (size_t i = 0; i < missing->count; i++)
        if (strcmp(missing->list[i].target, target) == 0)
            return true;
    struct lt_seek_missing *item =
        lt_arena_push(arena, &missing->list, &missing->count, &missing->capacity, sizeof *item);
    if (!item)
        return false;
    *item = (struct lt_seek_missing){target, say_missing(target, arena)};
    return item->say != NULL;
}

/* What was wanted by name and cannot be sought. */
static bool find_missing(struct references *references, struct lt_arena *arena)
{
    struct missing missing = {0};
    const struct list *only = references->options->only;
    bool fine = true;
    for (size_t i = 0; i < only->count && fine; i++)
        fine = add_missing(references, &missing, only->items[i], arena);
    for (size_t p = 0; references->options->roles && p < references->profiles->count; p++) {
        const struct lt_profile *profile = references->profiles->items[p];
        for (size_t i = 0; i < profile->require_count && fine; i++)
            fine = add_missing(references, &missing, profile->requires[i], arena);
    }
    references->missing = missing.list;
    references->missing_count = missing.count;
    return fine;
}

/* --- from the recording and from files --- */

static int out_of_memory(void)
{
    complain("out of memory");
    return EXIT_SYSTEM;
}

/* A profile that was named may hold what the built-in one holds too. */
static bool is_there(const struct references *references, const struct lt_reference *one)
{
    for (size_t i = 0; i < references->count; i++)
        if (references->list[i].bus == one->bus &&
            strcmp(references->list[i].name, one->name) == 0 &&
            strcmp(references->list[i].target, one->target) == 0)
            return true;
    return false;
}

static int take_replies(struct references *references, struct lt_arena *arena)
{
    struct lt_error error;
    struct lt_reference *list;
    size_t count;
    if (!references->replies)
        return EXIT_FINE;
    if (references->replies_code != LT_OK)
        say_error(&references->replies_error);
    if (lt_replies_references(references->replies, arena, &list, &count, &references->asked,
                              &references->asked_count, &error) != LT_OK) {
        say_error(&error);
        return EXIT_SYSTEM;
    }
    for (size_t i = 0; i < count; i++)
        if (is_sought(references, list[i].target) && !is_there(references, &list[i]))
            references->list[references->count++] = list[i];
    return references->replies_code == LT_OK ? EXIT_FINE : EXIT_SYSTEM;
}

static int reference_status(const struct lt_error *error)
{
    say_error(error);
    return error->code == LT_E_MEMORY ? EXIT_SYSTEM : EXIT_UNREADABLE;
}

static int take_column(struct references *references, const char *column,
                       const struct lt_collect_counts *counts, struct lt_arena *arena)
{
    const struct reference_options *o = references->options;
    struct lt_csv_reference_options wanted = {
        .target = o->target,
        .column = column,
        .time_column = o->time_column,
        .unit = o->unit,
        .capture_first_ns = counts->first_ns,
        .capture_last_ns = counts->last_ns,
    };
    struct lt_error error;
    uint64_t skipped;
    if (lt_reference_read_csv(o->sheet, &wanted, arena, &references->list[references->count],
                              &skipped, &error) != LT_OK)
        return reference_status(&error);
    if (skipped && !o->quiet)
        say_error(&error);
    references->count++;
    return EXIT_FINE;
}

int read_marks(const char *path, const char *target, bool quiet, struct lt_arena *arena,
               struct lt_reference *ret_marks)
{
    struct lt_error error;
    uint64_t unordered;
    if (lt_reference_read_marks(path, target, arena, ret_marks, &unordered, &error) != LT_OK)
        return reference_status(&error);
    if (unordered)
        say(quiet, "%s: %" PRIu64 " mark%s stood behind a later one; they were put in order\n",
            path, unordered, unordered == 1 ? "" : "s");
    return EXIT_FINE;
}

static int take_marks(struct references *references, struct lt_arena *arena)
{
    const struct reference_options *o = references->options;
    struct lt_reference *marks = lt_arena_alloc(arena, sizeof *marks);
    if (!marks)
        return out_of_memory();
    int status = read_marks(o->marks, o->target, o->quiet, arena, marks);
    if (status == EXIT_FINE)
        references->marks = marks;
    return status;
}

/* The capture's number of the profile's bus, by `--bus BUS=NAME` or by the interface. */
static uint32_t bus_of(const struct lt_profile *profile, uint32_t signal,
                       const struct gathered *gathered)
{
    uint32_t frame = profile->signals[signal].frame;
    if (frame == LT_NONE || profile->frames[frame].bus == LT_NONE)
        return LT_NONE;
    const struct lt_bus_def *bus = &profile->buses[profile->frames[frame].bus];
    uint32_t found = LT_NONE;
    for (uint32_t i = 0; i < gathered->bus_count; i++) {
        if (strcmp(gathered->said_names[i], bus->name) == 0)
            return i;
        if (bus->interface && strcmp(bus->interface, gathered->bus_names[i]) == 0)
            found = i;
    }
    return found;
}

static int take_signal(struct references *references, const char *name,
                       const struct gathered *gathered, struct lt_arena *arena)
{
    struct lt_error error;
    for (size_t i = 0; i < references->profiles->count; i++) {
        const struct lt_profile *profile = references->profiles->items[i];
        uint32_t signal = lt_profile_find_signal(profile, lt_text_of(name));
        if (signal == LT_NONE)
            continue;
        enum lt_code code = lt_reference_from_profile(
            profile, name, bus_of(profile, signal, gathered), gathered->collect, arena,
            &references->list[references->count], &error);
        references->count += code == LT_OK;
        if (code != LT_OK)
            say_error(&error);
        return code == LT_OK ? EXIT_FINE : code == LT_E_CONFLICT ? EXIT_USAGE : status_of(code);
    }
    return usage_error("seek", "--signal: `%s` is no signal of the profiles given", name);
}

static int take_all(struct references *references, const struct gathered *gathered,
                    struct lt_arena *arena)
{
    const struct reference_options *o = references->options;
    const struct lt_collect_counts *counts = lt_collect_counts(gathered->collect);
    int status = EXIT_FINE;
    for (size_t i = 0; o->sheet && i < o->columns->count; i++)
        status = worse(status, take_column(references, o->columns->items[i], counts, arena));
    if (o->sheet && !o->columns->count)
        status = worse(status, take_column(references, NULL, counts, arena));
    for (size_t i = 0; i < o->signals->count; i++)
        status = worse(status, take_signal(references, o->signals->items[i], gathered, arena));
    if (o->marks)
        status = worse(status, take_marks(references, arena));
    return worse(status, take_replies(references, arena));
}

static int say_none(const struct references *references)
{
    if (references->options->roles || references->options->only->count)
        complain("none of the targets wanted has a reference in this recording");
    else if (references->asked_count)
        complain("no diagnostic reply with a value that a profile can read, though %zu parameters "
                 "were asked or answered; the first: %s",
                 references->asked_count, references->asked[0]);
    else
        complain("no diagnostic reply in this recording, so there is nothing to compare with: poll "
                 "OBD-II parameters while recording, or give a logger's values with --ref FILE, or "
                 "marks with --marks FILE");
    return EXIT_NO;
}

int references_find(struct references *references, const struct gathered *gathered,
                    struct lt_arena *arena)
{
    const struct reference_options *o = references->options;
    size_t most = LT_REFERENCES_MAX + o->columns->count + o->signals->count + 1;
    references->list = lt_arena_array(arena, most, sizeof *references->list);
    if (!references->list)
        return out_of_memory();
    int status = take_all(references, gathered, arena);
    if (!find_missing(references, arena))
        return out_of_memory();
    if (!references->count && !references->marks && status == EXIT_FINE)
        status = say_none(references);
    return status;
}
