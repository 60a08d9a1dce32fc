/* The database file: opened or made, checked, and put in its place. See loomtap/store/store.h. */
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "store/store_internal.h"

/* Many runs may add to one database at a time; each waits for the others' writing. */
#define BUSY_MS 600000

/* --- SQLite's answers as our records --- */

enum lt_code sql_fail(const struct lt_store *store, struct lt_error *error)
{
    int code = sqlite3_errcode(store->db);
    if ((code & 0xFF) == SQLITE_NOMEM)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    lt_fail(error, LT_E_IO, "%s: %s", store->path, sqlite3_errmsg(store->db));
    switch (code & 0xFF) {
    case SQLITE_BUSY:
        lt_error_advise(error, "another program is using the database: try again after it");
        break;
    case SQLITE_FULL:
    case SQLITE_IOERR:
        lt_error_advise(error, "make room there; the file is as it was");
        break;
    case SQLITE_READONLY:
    case SQLITE_CANTOPEN:
        lt_error_advise(error, "choose a folder and a file that you may write to");
        break;
    case SQLITE_CORRUPT:
        lt_error_advise(error, "the file is damaged: give the name of a new one");
        break;
    default:
        break;
    }
    return LT_E_IO;
}

enum lt_code run_sql(const struct lt_store *store, const char *sql, struct lt_error *error)
{
    return sqlite3_exec(store->db, sql, NULL, NULL, NULL) == SQLITE_OK ? LT_OK
                                                                       : sql_fail(store, error);
}

static int bind_next(sqlite3_stmt *statement, int at, char kind, va_list *args)
{
    int64_t number;
    switch (kind) {
    case 'i':
        return sqlite3_bind_int64(statement, at, va_arg(*args, int64_t));
    case 'T':
        number = va_arg(*args, int64_t);
        return number == LT_NO_TIME ? sqlite3_bind_null(statement, at)
                                    : sqlite3_bind_int64(statement, at, number);
    case 't':
        return sqlite3_bind_text(statement, at, va_arg(*args, const char *), -1, SQLITE_STATIC);
    default:
        return sqlite3_bind_null(statement, at);
    }
}

/* The last statement is kept: most calls come in runs of the same one. */
static sqlite3_stmt *prepare(struct lt_store *store, const char *sql)
{
    if (store->kept_sql == sql)
        return store->kept;
    sqlite3_finalize(store->kept);
    store->kept = NULL;
    store->kept_sql = NULL;
    if (sqlite3_prepare_v2(store->db, sql, -1, &store->kept, NULL) == SQLITE_OK)
        store->kept_sql = sql;
    return store->kept_sql ? store->kept : NULL;
}

enum lt_code sql_call(struct lt_store *store, const char *sql, int64_t *ret_value,
                      struct lt_error *error, const char *kinds, ...)
{
    sqlite3_stmt *statement = prepare(store, sql);
    bool first = true;
    va_list args;
    if (!statement)
        return sql_fail(store, error);
    int step = SQLITE_OK;
    va_start(args, kinds);
    for (int i = 0; kinds[i] && step == SQLITE_OK; i++)
        step = bind_next(statement, i + 1, kinds[i], &args);
    va_end(args);
    while (step == SQLITE_OK || step == SQLITE_ROW) {
        step = sqlite3_step(statement);
        if (step == SQLITE_ROW && first && ret_value)
            *ret_value = sqlite3_column_int64(statement, 0);
        first &= step != SQLITE_ROW;
    }
    enum lt_code code = step == SQLITE_DONE ? LT_OK : sql_fail(store, error);
    sqlite3_reset(statement);
    sqlite3_clear_bindings(statement);
    return code;
}

static bool close_database(struct lt_store *store)
{
    sqlite3_finalize(store->kept);
    store->kept = NULL;
    store->kept_sql = NULL;
    bool closed = sqlite3_close(store->db) == SQLITE_OK;
    store->db = NULL;
    return closed;
}

/* --- life --- */

static enum lt_code not_ours(const struct lt_store *store, struct lt_error *error, const char *what)
{
    lt_fail(error, LT_E_CONFLICT, "%s: %s", store->path, what);
    lt_error_advise(error, "give the name of a new file, or of a database that this program made");
    return LT_E_CONFLICT;
}

static enum lt_code check_kind(struct lt_store *store, struct lt_error *error)
{
    int64_t id = 0, version = 0;
    enum lt_code code = sql_call(store, "PRAGMA application_id", &id, error, "");
    if (code != LT_OK && sqlite3_errcode(store->db) == SQLITE_NOTADB)
        return not_ours(store, error, "this file is there and is no database");
    if (code == LT_OK)
        code = sql_call(store, "PRAGMA user_version", &version, error, "");
    if (code != LT_OK)
        return code;
    if (id != LT_STORE_APPLICATION_ID)
        return not_ours(store, error, "this database was made by another program");
    if (version != LT_STORE_VERSION) {
        char text[120];
        lt_text_format(text, sizeof text, "the database has schema %lld, this program writes %d",
                       (long long)version, LT_STORE_VERSION);
        return not_ours(store, error, text);
    }
    return LT_OK;
}

/* A database from elsewhere is no code to run: no triggers, no views or functions in its schema
 * that do more than read. */
static void distrust(sqlite3 *db)
{
    sqlite3_db_config(db, SQLITE_DBCONFIG_DEFENSIVE, 1, NULL);
    sqlite3_db_config(db, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, NULL);
    sqlite3_db_config(db, SQLITE_DBCONFIG_ENABLE_TRIGGER, 0, NULL);
}

static enum lt_code open_database(struct lt_store *store, const char *path, int flags,
                                  struct lt_error *error)
{
    char name[4096 + 80];
    flags |= SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX; /* one thread uses a store */
    /* A name such as ":memory:" or "file:x" is that of a file here. */
    lt_text_format(name, sizeof name, "%s%s", path[0] == '/' ? "" : "./", path);
    if (sqlite3_open_v2(name, &store->db, flags, NULL) != SQLITE_OK)
        return store->db ? sql_fail(store, error) : lt_fail(error, LT_E_MEMORY, "out of memory");
    sqlite3_extended_result_codes(store->db, 1);
    sqlite3_busy_timeout(store->db, BUSY_MS);
    return LT_OK;
}

/* A fresh file that nobody else sees and that is thrown away if anything goes wrong needs no
 * journal. Larger pages than usual: the values are written once and read in runs. */
static enum lt_code make_new(struct lt_store *store, struct lt_error *error)
{
    char settings[400];
    enum lt_code code = open_database(store, store->temporary, SQLITE_OPEN_CREATE, error);
    lt_text_format(settings, sizeof settings,
                   "PRAGMA page_size = 16384; PRAGMA cache_size = -8192;"
                   "PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF;"
                   "PRAGMA locking_mode = EXCLUSIVE;"
                   "PRAGMA application_id = %d; PRAGMA user_version = %d;",
                   LT_STORE_APPLICATION_ID, LT_STORE_VERSION);
    if (code == LT_OK)
        code = run_sql(store, settings, error);
    if (code == LT_OK)
        code = run_sql(store, schema_sql, error);
    return code;
}

/* An empty file of its own beside the final name; what a killed run left there is passed over. */
static bool make_temporary(struct lt_store *store)
{
    char name[4096 + 60];
    int fd = -1;
    for (unsigned i = 0; i < 100 && fd < 0; i++) {
        lt_text_format(name, sizeof name, "%s.part-%ld-%u", store->path, (long)getpid(), i);
        fd = open(name, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
        if (fd < 0 && errno != EEXIST)
            return false;
    }
    if (fd < 0)
        return false;
    close(fd);
    store->temporary = lt_arena_string(&store->arena, name);
    if (!store->temporary)
        unlink(name);
    errno = ENOMEM;
    return store->temporary != NULL;
}

static enum lt_code open_file(struct lt_store *store, struct lt_error *error)
{
    struct stat status;
    bool there = stat(store->path, &status) == 0;
    if (there && !S_ISREG(status.st_mode))
        return not_ours(store, error, "a database is written into an ordinary file only");
    if (there && status.st_size > 0) {
        enum lt_code code = open_database(store, store->path, 0, error);
        if (code != LT_OK)
            return code;
        distrust(store->db);
        return check_kind(store, error);
    }
    if (!make_temporary(store)) {
        lt_fail(error, LT_E_IO, "cannot write %s: %s", store->path, strerror(errno));
        lt_error_advise(error, "choose a folder that exists and that you may write to");
        return LT_E_IO;
    }
    return make_new(store, error);
}

enum lt_code lt_store_open(struct lt_store **ret_store, const char *path, struct lt_error *error)
{
    if (strcmp(path, "-") == 0 || !*path || strlen(path) > 4000) {
        lt_fail(error, LT_E_CONFLICT, "a database is written into an ordinary file only");
        lt_error_advise(error, "give the name of a file, of at most 4000 bytes");
        return LT_E_CONFLICT;
    }
    struct lt_store *store = calloc(1, sizeof *store);
    if (!store)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    store->spill_fd = -1;
    lt_arena_init(&store->arena, (size_t)256 << 20);
    store->path = lt_arena_string(&store->arena, path);
    enum lt_code code =
        store->path ? open_file(store, error) : lt_fail(error, LT_E_MEMORY, "out of memory");
    if (code != LT_OK) {
        lt_store_free(store);
        return code;
    }
    *ret_store = store;
    return LT_OK;
}

void lt_store_free(struct lt_store *store)
{
    if (!store)
        return;
    close_database(store);
    if (store->spill_fd >= 0)
        close(store->spill_fd);
    if (store->temporary && !store->committed)
        unlink(store->temporary);
    lt_arena_release(&store->arena);
    free(store);
}

enum lt_code lt_store_series(struct lt_store *store, const struct lt_store_source *source,
                             struct lt_store_series **ret_series, struct lt_error *error)
{
    struct lt_scaler scaler;
    enum lt_code code = lt_scaler_init(&scaler, source->profile, source->signal, error);
    if (code != LT_OK)
        return code;
    if (store->series_count == LT_STORE_SERIES_MAX)
        return lt_fail(error, LT_E_LIMIT, "more than %d signals, counted once for each sender",
                       LT_STORE_SERIES_MAX);
    struct lt_store_series *series = lt_arena_alloc(&store->arena, sizeof *series);
    struct lt_store_series **slot =
        series ? lt_arena_push(&store->arena, &store->series, &store->series_count,
                               &store->series_capacity, sizeof *slot)
               : NULL;
    if (!slot)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    *slot = series;
    series->store = store;
    series->source = *source;
    series->scaler = scaler;
    series->first_block = series->this_block = NO_BLOCK;
    series->first_ns = series->last_ns = LT_NO_TIME;
    *ret_series = series;
    return LT_OK;
}

/* --- the commit --- */

/* The new file gets its name only if no other run has made one meanwhile: *ret_there then. */
static enum lt_code put_in_place(struct lt_store *store, bool *ret_there, struct lt_error *error)
{
    struct stat status;
    bool there = stat(store->path, &status) == 0;
    int failed = 0;
    if (there && status.st_size == 0) {
        failed = rename(store->temporary, store->path);
    } else if (there) {
        *ret_there = true;
    } else if (link(store->temporary, store->path) == 0) {
        unlink(store->temporary);
    } else if (errno == EEXIST) {
        *ret_there = true;
    } else {
        failed = rename(store->temporary, store->path); /* no links in this file system */
    }
    if (failed)
        return lt_fail(error, LT_E_IO, "writing %s failed: %s", store->path, strerror(errno));
    return LT_OK;
}

/* To the disk first, then the name. */
static enum lt_code finish_new(struct lt_store *store, bool *ret_there, struct lt_error *error)
{
    if (!close_database(store))
        return lt_fail(error, LT_E_IO, "writing %s failed", store->path);
    int fd = open(store->temporary, O_RDWR | O_CLOEXEC);
    int reason = fd < 0 || fsync(fd) != 0 ? errno : 0;
    if (fd >= 0)
        close(fd);
    if (reason)
        return lt_fail(error, LT_E_IO, "writing %s failed: %s", store->path, strerror(reason));
    return put_in_place(store, ret_there, error);
}

static enum lt_code write_once(struct lt_store *store, const struct lt_store_capture *capture,
                               struct lt_store_result *result, bool *ret_there,
                               struct lt_error *error)
{
    *result = (struct lt_store_result){.created = store->temporary != NULL};
    enum lt_code code = run_sql(store, "BEGIN IMMEDIATE", error);
    if (code != LT_OK)
        return code;
    code = write_rows(store, capture, result, error);
    if (code == LT_OK)
        code = run_sql(store, "COMMIT", error);
    if (code != LT_OK) {
        sqlite3_exec(store->db, "ROLLBACK", NULL, NULL, NULL);
        return code;
    }
    return store->temporary ? finish_new(store, ret_there, error) : LT_OK;
}

enum lt_code lt_store_commit(struct lt_store *store, const struct lt_store_capture *capture,
                             struct lt_store_result *ret_result, struct lt_error *error)
{
    struct lt_store_result result;
    bool there = false;
    if (store->failed_errno)
        return spill_failed(store, error);
    enum lt_code code = write_once(store, capture, &result, &there, error);
    if (code == LT_OK && there) { /* the values are still at hand: add them to what came */
        unlink(store->temporary);
        store->temporary = NULL;
        code = open_file(store, error);
        if (code == LT_OK)
            code = write_once(store, capture, &result, &there, error);
    }
    if (code != LT_OK)
        return code;
    store->committed = true;
    *ret_result = result;
    return LT_OK;
}
