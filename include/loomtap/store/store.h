/* A database of decoded captures in one SQLite file. docs/sqlite.md has the schema.
 *
 *     lt_store_open(&store, "drive.db", &error)        // a new file, or one made by this before
 *     lt_store_series(store, &source, &series, &error) // once for each signal of each sender
 *     lt_store_add(series, time_ns, raw, state)        // once a value
 *     lt_store_commit(store, &capture, &result, &error)
 *     lt_store_free(store)
 *
 * Nothing of the file changes before lt_store_commit: values wait in a scratch file beside it
 * (which has no name, so that it goes away with the process). A new database is written beside its
 * final name and appears when it is whole; an existing one gets the capture in one transaction. So
 * an interrupted run leaves the old file or none. Memory: about 2 KiB a series, whatever the
 * length. */
#ifndef LOOMTAP_STORE_STORE_H
#define LOOMTAP_STORE_STORE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/core/profile.h"

/* PRAGMA application_id ("LTAP") and user_version of the files. A change that old queries would
 * notice raises the version. */
#define LT_STORE_APPLICATION_ID 0x4C544150
#define LT_STORE_VERSION        1

#define LT_STORE_SERIES_MAX 65536

struct lt_store;
struct lt_store_series;

/* Numbers as in the table `state`. */
enum lt_store_state {
    LT_STORE_GOOD,
    LT_STORE_SUSPECT,
    LT_STORE_UNAVAILABLE,
    LT_STORE_ERROR,
};

/* `path` must be absent, empty, or a database of this program and version; else LT_E_CONFLICT, and
 * the file stays as it is. It must be an ordinary file: not a pipe, not "-". */
enum lt_code lt_store_open(struct lt_store **ret_store, const char *path, struct lt_error *error);
/* Without a commit before it everything is forgotten. NULL is allowed. */
void lt_store_free(struct lt_store *store);

/* One signal from one sender on one bus. The texts and the profile are borrowed until the store is
 * freed. */
struct lt_store_source {
    const struct lt_profile *profile;
    uint32_t signal;    /* index in the profile */
    const char *bus;    /* the capture's name of it */
    const char *frame;  /* as in rows: "engine_a", "ccvs@2F" */
    int64_t max_age_ns; /* how long a value is held in the view `v_wide` */
};

/* The series belongs to the store. LT_E_LIMIT above LT_STORE_SERIES_MAX. */
enum lt_code lt_store_series(struct lt_store *store, const struct lt_store_source *source,
                             struct lt_store_series **ret_series, struct lt_error *error);

/* time_ns may be LT_NO_TIME. False when the scratch file could not be written (disk full): the
 * commit will then fail and say why, so that the caller can stop early. */
bool lt_store_add(struct lt_store_series *series, int64_t time_ns, uint64_t raw,
                  enum lt_store_state state);

struct lt_store_profile {
    const struct lt_profile *profile;
    struct lt_text text; /* canonical, with includes: what the hash is taken over */
};

struct lt_store_bus {
    const char *name, *profile_bus; /* profile_bus NULL: no profile speaks of it */
    uint64_t frames;
};

struct lt_store_unknown { /* an identifier that no profile knows */
    const char *bus;
    uint32_t id;
    bool extended, fd;
    uint8_t length; /* of the last frame */
    uint64_t frames;
    int64_t first_ns, last_ns;
};

struct lt_store_message { /* what a reader of the values should know */
    const char *kind;     /* "malformed", "note", "silent", "stopped" ... */
    const char *place;    /* "x.log:12:3", a signal's name; NULL for none */
    const char *text;
    uint64_t count; /* how many of it; 0 = does not count */
};

struct lt_store_capture {
    const char *file; /* the inputs' names */
    /* Of the frames that were looked at, whatever form the file has. The same fingerprint, profiles
     * and selection a second time are LT_E_DUPLICATE. */
    const char *fingerprint;
    const char *selection; /* which signals and times were asked for; "" for all */
    const char *form;
    uint64_t frames, malformed;
    int64_t first_ns, last_ns; /* LT_NO_TIME without any */
    bool complete;             /* read to its end */
    const struct lt_store_profile *profiles;
    size_t profile_count;
    const struct lt_store_bus *buses;
    size_t bus_count;
    const struct lt_store_unknown *unknown;
    size_t unknown_count;
    const struct lt_store_message *messages;
    size_t message_count;
};

struct lt_store_result {
    int64_t capture;      /* its number in the database */
    int64_t same_frames;  /* an earlier capture with the same fingerprint, 0 = none */
    bool created;         /* the file is new */
    uint64_t value_count; /* of this capture */
};

/* Writes everything in one transaction. A store commits once. LT_E_IO: the disk is full, or another
 * program holds the database for more than ten minutes; the file is as it was. */
enum lt_code lt_store_commit(struct lt_store *store, const struct lt_store_capture *capture,
                             struct lt_store_result *ret_result, struct lt_error *error);

#endif
