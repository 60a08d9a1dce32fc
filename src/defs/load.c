/* Loading a profile: files and their includes into sections, then the steps of loader.h.
 *
 * An included file's definitions stand before those of the file that includes it, as if it were
 * pasted at the include line. A file reached twice is read once. */
#include "loomtap/defs/load.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#include "defs/sections.h"

#define FILE_BYTES_MAX  (8u << 20)
#define INCLUDE_DEPTH   8
#define SCRATCH_CEILING (256u << 20)

struct file_id {
    dev_t device;
    ino_t inode;
    bool open; /* its includes are being read */
};

struct includer {
    struct lt_loader *loader;
    struct file_id files[LT_FILES_MAX];
    bool no_includes;
};

/* --- files ----------------------------------------------------------------------------------- */

static enum lt_code read_all(int fd, struct lt_buf *buf, struct lt_error *error)
{
    char chunk[16384];
    for (;;) {
        ssize_t got = read(fd, chunk, sizeof chunk);
        if (got == 0)
            return LT_OK;
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return lt_fail(error, LT_E_IO, "cannot be read: %s", strerror(errno));
        lt_buf_add(buf, chunk, (size_t)got);
        if (buf->failed)
            return lt_fail(error, LT_E_LIMIT, "is larger than %u MiB", FILE_BYTES_MAX >> 20);
    }
}

/* Opens and reads a file whole; the text lives as long as the loader. */
static enum lt_code read_file(struct lt_loader *loader, const char *path, struct file_id *ret_id,
                              struct lt_text *ret_text, struct lt_error *error)
{
    bool is_stdin = strcmp(path, "-") == 0;
    int fd = is_stdin ? STDIN_FILENO : open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0)
        return lt_fail(error, LT_E_IO, "cannot be opened: %s", strerror(errno));
    struct lt_buf buf;
    struct stat status;
    enum lt_code code = LT_OK;
    lt_buf_init(&buf, FILE_BYTES_MAX);
    if (fstat(fd, &status) == 0)
        *ret_id = (struct file_id){status.st_dev, status.st_ino, true};
    code = read_all(fd, &buf, error);
    if (!is_stdin)
        close(fd);
    if (code == LT_OK) {
        struct lt_text text = lt_buf_text(&buf);
        ret_text->len = text.len;
        ret_text->at = lt_arena_text(&loader->scratch, text);
        if (!ret_text->at)
            code = lt_fail(error, LT_E_MEMORY, "out of memory");
    }
    lt_buf_release(&buf);
    return code;
}

static bool add_file(struct lt_loader *loader, const char *path)
{
    struct lt_profile *profile = loader->profile;
    const char **slot = lt_arena_push(&profile->arena, &profile->files, &profile->file_count,
                                      &loader->file_capacity, sizeof *slot);
    if (!slot)
        return false;
    *slot = lt_arena_string(&profile->arena, path);
    if (!*slot)
        profile->file_count--;
    return *slot != NULL;
}

static void read_includes(struct includer *includer, const struct lt_file_reading *reading,
                          unsigned depth);

/* The lines of file number `file`, its includes first. */
static void read_text(struct includer *includer, uint32_t file, struct lt_text text, unsigned depth)
{
    struct lt_loader *loader = includer->loader;
    struct lt_file_reading reading = {.loader = loader, .file = file};
    lt_defs_read_sections(&reading, text);
    read_includes(includer, &reading, depth);
    includer->files[file].open = false;
    for (size_t i = 0; i < reading.count; i++) {
        struct lt_section **slot =
            lt_arena_push(&loader->scratch, &loader->sections, &loader->section_count,
                          &loader->section_capacity, sizeof *slot);
        if (!slot)
            return;
        *slot = reading.sections[i];
    }
}

/* Same folder or below: no absolute path, and no way up. */
static bool is_below(struct lt_text name)
{
    struct lt_text rest = name, piece;
    if (name.len == 0 || name.at[0] == '/')
        return false;
    while (lt_text_split(&rest, '/', &piece))
        if (lt_text_is(piece, ".."))
            return false;
    return true;
}

static void join_path(const char *includer_path, struct lt_text name, char *ret_path, size_t size)
{
    const char *slash = strrchr(includer_path, '/');
    int folder = slash ? (int)(slash - includer_path) + 1 : 0;
    lt_text_format(ret_path, size, "%.*s%.*s", folder, includer_path, LT_TEXT_ARG(name));
}

/* Refused before a file is opened? */
static bool may_include(struct includer *includer, const struct lt_section *section,
                        const struct lt_entry *entry, struct lt_text name, unsigned depth)
{
    struct lt_loader *loader = includer->loader;
    size_t offset = (size_t)(name.at - entry->value.at);
    struct lt_error *error;
    if (includer->no_includes) {
        error = lt_defs_fault_in(loader, section, entry, offset, LT_E_UNKNOWN,
                                 "include: `%.*s`: a profile that is not a file has no folder to "
                                 "include from",
                                 LT_TEXT_ARG(name));
        lt_error_advise(error, "put the profile into a file");
        return false;
    }
    if (!is_below(name)) {
        error = lt_defs_fault_in(loader, section, entry, offset, LT_E_SYNTAX,
                                 "include: `%.*s` is not in the same folder or below",
                                 LT_TEXT_ARG(name));
        lt_error_advise(error, "give a path from this file's folder, without `..` and without a "
                               "leading `/`");
        return false;
    }
    if (depth >= INCLUDE_DEPTH || loader->profile->file_count >= LT_FILES_MAX) {
        error = lt_defs_fault_in(loader, section, entry, offset, LT_E_LIMIT,
                                 "include: `%.*s` is too many: at most %d files, %d deep",
                                 LT_TEXT_ARG(name), LT_FILES_MAX, INCLUDE_DEPTH);
        lt_error_advise(error, "put several files together");
        return false;
    }
    return true;
}

/* -1: not read so far. */
static int known_file(const struct includer *includer, const struct file_id *id)
{
    for (size_t i = 0; i < includer->loader->profile->file_count; i++)
        if (includer->files[i].inode == id->inode && includer->files[i].device == id->device)
            return (int)i;
    return -1;
}

static void include_file(struct includer *includer, const struct lt_file_reading *reading,
                         const struct lt_section *section, const struct lt_entry *entry,
                         struct lt_text name, unsigned depth)
{
    struct lt_loader *loader = includer->loader;
    struct lt_error error;
    struct lt_text text;
    struct file_id id = {0};
    char path[4096];
    size_t offset = (size_t)(name.at - entry->value.at);
    if (!may_include(includer, section, entry, name, depth))
        return;
    join_path(loader->profile->files[reading->file], name, path, sizeof path);
    if (read_file(loader, path, &id, &text, &error) != LT_OK) {
        lt_error_advise(lt_defs_fault_in(loader, section, entry, offset, error.code,
                                         "include: %s %s", path, error.text),
                        "the path counts from the folder of the file that includes it");
        return;
    }
    int known = known_file(includer, &id);
    if (known >= 0) {
        if (includer->files[known].open)
            lt_error_advise(lt_defs_fault_in(loader, section, entry, offset, LT_E_CONFLICT,
                                             "include: %s includes itself through this line", path),
                            "remove the include");
        return;
    }
    uint32_t file = (uint32_t)loader->profile->file_count;
    if (!add_file(loader, path))
        return;
    includer->files[file] = id;
    read_text(includer, file, text, depth + 1);
}

static void read_includes(struct includer *includer, const struct lt_file_reading *reading,
                          unsigned depth)
{
    for (size_t i = 0; i < reading->count; i++) {
        const struct lt_section *section = reading->sections[i];
        if (section->kind != LT_SECTION_PROFILE)
            continue;
        const struct lt_entry *entry = lt_defs_entry(section, "include");
        struct lt_text rest = entry ? entry->value : (struct lt_text){0}, name;
        while (entry && lt_text_word(&rest, &name))
            include_file(includer, reading, section, entry, name, depth);
    }
}

/* --- faults in the order of the text
 * -------------------------------------------------------------- */

static size_t file_rank(const struct lt_profile *profile, const char *source)
{
    size_t i = 0;
    while (i < profile->file_count && strcmp(profile->files[i], source) != 0)
        i++;
    return i;
}

static bool stands_before(const struct lt_profile *profile, const struct lt_error *a,
                          const struct lt_error *b)
{
    size_t rank_a = file_rank(profile, a->source), rank_b = file_rank(profile, b->source);
    if (rank_a != rank_b)
        return rank_a < rank_b;
    if (a->line != b->line)
        return a->line < b->line;
    return a->column < b->column;
}

/* Insertion keeps the order of faults at one place; there are at most some hundreds. */
static void sort_faults(const struct lt_profile *profile, struct lt_error *items, size_t count)
{
    for (size_t i = 1; i < count; i++) {
        struct lt_error item = items[i];
        size_t at = i;
        for (; at > 0 && stands_before(profile, &item, &items[at - 1]); at--)
            items[at] = items[at - 1];
        items[at] = item;
    }
}

/* --- the whole
 * ------------------------------------------------------------------------------------ */

static void run_steps(struct lt_loader *loader)
{
    lt_defs_index(loader);
    if (loader->scratch.failed)
        return;
    lt_defs_build(loader);
    if (loader->scratch.failed || loader->profile->arena.failed)
        return;
    lt_defs_check(loader);
}

static enum lt_code finish(struct lt_loader *loader, struct lt_profile **ret_profile,
                           size_t faults_before, size_t errors_before)
{
    struct lt_profile *profile = loader->profile;
    struct lt_faults *faults = loader->faults;
    if (faults->errors == errors_before && !loader->scratch.failed && !profile->arena.failed)
        lt_defs_hash(loader);
    bool no_memory = loader->scratch.failed || profile->arena.failed;
    if (no_memory)
        lt_error_advise(lt_defs_fault(loader, (struct lt_place){0, 0, 0}, LT_E_MEMORY,
                                      "out of memory, or the profile is larger than can be held"),
                        "free some memory, or split the profile");
    if (faults->count > faults_before)
        sort_faults(profile, faults->items + faults_before, faults->count - faults_before);
    lt_arena_release(&loader->scratch);
    if (faults->errors == errors_before && !no_memory) {
        *ret_profile = profile;
        return LT_OK;
    }
    lt_profile_free(profile);
    return no_memory ? LT_E_MEMORY : LT_E_FAULTS;
}

struct how {
    const struct lt_text *memory; /* NULL: from the file */
    uint64_t fail_countdown;
    bool unfinished;
};

static enum lt_code load(struct lt_profile **ret_profile, const char *path, const struct how *how,
                         struct lt_faults *faults)
{
    const struct lt_text *memory = how->memory;
    struct lt_profile *profile = calloc(1, sizeof *profile);
    if (!profile)
        return LT_E_MEMORY;
    struct lt_loader loader = {.profile = profile, .faults = faults, .unfinished = how->unfinished};
    struct includer includer = {.loader = &loader, .no_includes = memory || strcmp(path, "-") == 0};
    size_t faults_before = faults->count, errors_before = faults->errors;
    struct lt_error error;
    struct lt_text text = memory ? *memory : (struct lt_text){0};
    lt_arena_init(&profile->arena, 0);
    lt_arena_init(&loader.scratch, SCRATCH_CEILING);
    profile->arena.fail_countdown = how->fail_countdown;
    loader.scratch.fail_countdown = how->fail_countdown;
    const char *shown = !memory && strcmp(path, "-") == 0 ? "standard input" : path;
    if (!add_file(&loader, shown))
        return finish(&loader, ret_profile, faults_before, errors_before);
    if (!memory && read_file(&loader, path, &includer.files[0], &text, &error) != LT_OK) {
        lt_defs_fault(&loader, (struct lt_place){0, 0, 0}, error.code, "%s", error.text);
        lt_arena_release(&loader.scratch);
        lt_profile_free(profile);
        return error.code == LT_E_LIMIT ? LT_E_FAULTS : error.code;
    }
    read_text(&includer, 0, text, 0);
    if (!loader.scratch.failed)
        run_steps(&loader);
    return finish(&loader, ret_profile, faults_before, errors_before);
}

enum lt_code lt_profile_load(struct lt_profile **ret_profile, const char *path,
                             struct lt_faults *faults)
{
    return load(ret_profile, path, &(struct how){0}, faults);
}

enum lt_code lt_profile_load_unfinished(struct lt_profile **ret_profile, const char *path,
                                        struct lt_faults *faults)
{
    return load(ret_profile, path, &(struct how){.unfinished = true}, faults);
}

enum lt_code lt_profile_load_memory(struct lt_profile **ret_profile, const char *name,
                                    struct lt_text text, struct lt_faults *faults)
{
    return load(ret_profile, name, &(struct how){.memory = &text}, faults);
}

enum lt_code lt_defs_load_failing(struct lt_profile **ret_profile, struct lt_text text,
                                  struct lt_faults *faults, uint64_t fail_countdown)
{
    const struct how how = {.memory = &text, .fail_countdown = fail_countdown};
    return load(ret_profile, "memory", &how, faults);
}

void lt_profile_free(struct lt_profile *profile)
{
    if (!profile)
        return;
    lt_arena_release(&profile->arena);
    free(profile);
}
