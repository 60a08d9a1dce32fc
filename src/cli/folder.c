/* A folder of profiles (folder.h): found first, then loaded by several threads, then said what is
 * wrong, in the order of the names. */
#include "cli/folder.h"

#include <dirent.h>
#include <errno.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "loomtap/base/text.h"
#include "loomtap/defs/load.h"

#define THREADS_MAX 64
#define FAULTS_SAID 3 /* of each profile; `check` says all */

/* --- finding --- */

struct found {
    char **paths;
    size_t count, capacity;
    int status;
};

static bool add_path(struct found *found, char *path)
{
    if (found->count == FOLDER_PROFILES_MAX) {
        complain("%s: more than %d files: those behind it are left out", path, FOLDER_PROFILES_MAX);
        found->status = worse(found->status, EXIT_UNREADABLE);
        return false;
    }
    if (found->count == found->capacity) {
        size_t capacity = found->capacity ? 2 * found->capacity : 64;
        char **paths = realloc(found->paths, capacity * sizeof *paths);
        if (!paths) {
            found->status = EXIT_SYSTEM;
            return false;
        }
        found->paths = paths;
        found->capacity = capacity;
    }
    found->paths[found->count++] = path;
    return true;
}

static char *join(const char *folder, const char *name)
{
    size_t len = strlen(folder), room = len + strlen(name) + 2;
    char *path = malloc(room);
    if (path)
        lt_text_format(path, room, "%s%s%s", folder, len && folder[len - 1] == '/' ? "" : "/",
                       name);
    return path;
}

static bool ends_in_ini(const char *name)
{
    size_t len = strlen(name);
    return len > 4 && strcmp(name + len - 4, ".ini") == 0;
}

static void find_in(struct found *found, const char *folder, unsigned depth);

/* A link to a folder may lead round in a ring, and to where the profiles are counted already. */
static void take_entry(struct found *found, char *path, const char *name, unsigned depth)
{
    struct stat about;
    bool is_there = lstat(path, &about) == 0;
    bool is_link = is_there && S_ISLNK(about.st_mode);
    if (is_there && S_ISDIR(about.st_mode)) {
        find_in(found, path, depth + 1);
    } else if (ends_in_ini(name) &&
               !(is_link && stat(path, &about) == 0 && S_ISDIR(about.st_mode))) {
        if (add_path(found, path))
            return;
    }
    free(path);
}

static void find_in(struct found *found, const char *folder, unsigned depth)
{
    struct dirent **entries;
    int count = depth < FOLDER_DEPTH_MAX ? scandir(folder, &entries, NULL, alphasort) : -1;
    if (count < 0) {
        complain("%s: %s", folder,
                 depth < FOLDER_DEPTH_MAX ? strerror(errno) : "folders in folders, too deep");
        found->status = worse(found->status, EXIT_UNREADABLE);
        return;
    }
    for (int i = 0; i < count; i++) {
        char *path = entries[i]->d_name[0] == '.' ? NULL : join(folder, entries[i]->d_name);
        if (path)
            take_entry(found, path, entries[i]->d_name, depth);
        free(entries[i]);
    }
    free(entries);
}

/* --- loading --- */

enum kind { KIND_PROFILE, KIND_PART, KIND_BROKEN };

struct loaded {
    struct lt_profile *profile;
    struct lt_faults faults;
    enum kind kind;
};

struct work {
    char **paths;
    size_t count;
    struct loaded *list;
    atomic_size_t next;
};

/* Has sections, and none of them is [profile]: what others include. */
static bool is_part(const char *path)
{
    char line[256];
    bool sections = false, profile = false, at_start = true;
    FILE *file = fopen(path, "re");
    if (!file)
        return false;
    while (!profile && fgets(line, sizeof line, file)) {
        sections |= at_start && line[0] == '[';
        profile = at_start && strncmp(line, "[profile]", 9) == 0;
        at_start = strchr(line, '\n') != NULL;
    }
    fclose(file);
    return sections && !profile;
}

static void load_one(const char *path, struct loaded *loaded)
{
    lt_faults_init(&loaded->faults, 0);
    loaded->kind = KIND_PART;
    if (is_part(path))
        return;
    loaded->kind = lt_profile_load(&loaded->profile, path, &loaded->faults) == LT_OK ? KIND_PROFILE
                                                                                     : KIND_BROKEN;
}

static void *load_some(void *context)
{
    struct work *work = context;
    size_t at;
    while ((at = atomic_fetch_add(&work->next, 1)) < work->count)
        load_one(work->paths[at], &work->list[at]);
    return NULL;
}

/* A thread that cannot be had leaves its work to the others. */
static void load_all(struct work *work, unsigned wanted)
{
    pthread_t threads[THREADS_MAX];
    size_t count = 0;
    while (count + 1 < wanted && count < THREADS_MAX &&
           pthread_create(&threads[count], NULL, load_some, work) == 0)
        count++;
    load_some(work);
    while (count)
        pthread_join(threads[--count], NULL);
}

static void say_broken(const char *path, const struct lt_faults *faults)
{
    size_t said = 0;
    for (size_t i = 0; i < faults->count && said < FAULTS_SAID; i++) {
        if (faults->items[i].severity != LT_SEVERITY_ERROR)
            continue;
        say_error(&faults->items[i]);
        said++;
    }
    complain("%s: left out, for %zu fault%s; `loomtap check` says all", path, faults->errors,
             faults->errors == 1 ? "" : "s");
}

/* --- together --- */

static bool make_room(struct folder *folder, size_t more)
{
    size_t all = folder->count + more;
    char **paths = realloc(folder->paths, (all + 1) * sizeof *paths);
    if (paths)
        folder->paths = paths;
    struct lt_profile **profiles =
        paths ? realloc(folder->profiles, (all + 1) * sizeof *profiles) : NULL;
    if (profiles)
        folder->profiles = profiles;
    return profiles != NULL;
}

static int take_loaded(struct folder *folder, struct work *work)
{
    int status = EXIT_FINE;
    for (size_t i = 0; i < work->count; i++) {
        struct loaded *loaded = &work->list[i];
        folder->parts += loaded->kind == KIND_PART;
        if (loaded->kind == KIND_BROKEN) {
            say_broken(work->paths[i], &loaded->faults);
            folder->broken++;
            status = EXIT_UNREADABLE;
        } else if (loaded->kind == KIND_PROFILE) {
            folder->profiles[folder->count] = loaded->profile;
            folder->paths[folder->count++] = work->paths[i];
            work->paths[i] = NULL;
        }
        lt_faults_release(&loaded->faults);
    }
    return status;
}

int folder_load(struct folder *folder, const char *path, unsigned threads, bool quiet)
{
    struct found found = {.status = EXIT_FINE};
    size_t parts = folder->parts;
    find_in(&found, path, 0);
    struct work work = {.paths = found.paths, .count = found.count};
    work.list = calloc(found.count + 1, sizeof *work.list);
    if (work.list && make_room(folder, found.count)) {
        load_all(&work, threads);
        found.status = worse(found.status, take_loaded(folder, &work));
    } else {
        found.status = EXIT_SYSTEM;
    }
    if (found.status == EXIT_SYSTEM)
        complain("out of memory");
    if (folder->parts > parts)
        say(quiet, "%s: not ranked, as without [profile] and for others to include: %zu\n", path,
            folder->parts - parts);
    for (size_t i = 0; i < found.count; i++)
        free(found.paths[i]);
    free(found.paths);
    free(work.list);
    return found.status;
}

void folder_free(struct folder *folder)
{
    for (size_t i = 0; i < folder->count; i++) {
        lt_profile_free(folder->profiles[i]);
        free(folder->paths[i]);
    }
    free(folder->profiles);
    free(folder->paths);
    *folder = (struct folder){0};
}
