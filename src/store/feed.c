/* All values of a commit as the rows of a virtual table, so that one statement moves them: binding
 * and stepping a statement for every value costs more than storing it.
 *
 * Rows come series by series in the order of arrival, which is nearly always that of time, so the
 * table grows at its right end. SQLite: "The Virtual Table Mechanism Of SQLite"; this one can only
 * be read from its beginning. */
#include "store/store_internal.h"

struct feed_table {
    sqlite3_vtab base;
    struct lt_store *store;
};

struct feed_cursor {
    sqlite3_vtab_cursor base;
    struct lt_store *store;
    size_t at;      /* the series */
    uint64_t taken; /* of its values */
    uint32_t block_at, next_block;
    const struct block *block; /* `own`, or the one the series still holds */
    int64_t newest_ns;         /* of this series so far */
    bool any;
    int64_t n; /* tells values of one time apart */
    struct block own;
};

static int connect_feed(sqlite3 *db, void *context, int argc, const char *const *argv,
                        sqlite3_vtab **ret_table, char **ret_error)
{
    (void)argc;
    (void)argv;
    (void)ret_error;
    struct feed_table *table = sqlite3_malloc(sizeof *table);
    if (!table)
        return SQLITE_NOMEM;
    *table = (struct feed_table){.store = context};
    *ret_table = &table->base;
    return sqlite3_declare_vtab(db, "CREATE TABLE x(series, time_ns, n, value, raw, state)");
}

static int disconnect_feed(sqlite3_vtab *table)
{
    sqlite3_free(table);
    return SQLITE_OK;
}

static int best_index(sqlite3_vtab *table, sqlite3_index_info *info)
{
    (void)table;
    info->estimatedCost = 1e9;
    return SQLITE_OK;
}

static int open_cursor(sqlite3_vtab *table, sqlite3_vtab_cursor **ret_cursor)
{
    struct feed_cursor *cursor = sqlite3_malloc(sizeof *cursor);
    if (!cursor)
        return SQLITE_NOMEM;
    cursor->base = (sqlite3_vtab_cursor){0};
    cursor->store = ((struct feed_table *)table)->store;
    *ret_cursor = &cursor->base;
    return SQLITE_OK;
}

static int close_cursor(sqlite3_vtab_cursor *cursor)
{
    sqlite3_free(cursor);
    return SQLITE_OK;
}

static const struct lt_store_series *series_at(const struct feed_cursor *cursor)
{
    return cursor->store->series[cursor->at];
}

/* The block after the one used up; the last of a series was never written. */
static int next_block(struct feed_cursor *cursor)
{
    const struct lt_store_series *series = series_at(cursor);
    cursor->block_at = 0;
    if (cursor->next_block == series->this_block) {
        cursor->block = &series->block;
        return SQLITE_OK;
    }
    if (!spill_read(cursor->store, cursor->next_block, &cursor->own))
        return SQLITE_IOERR_READ;
    cursor->block = &cursor->own;
    cursor->next_block = cursor->own.next;
    return SQLITE_OK;
}

/* Stands on the first value of the series `at` or of one after it. */
static int enter_series(struct feed_cursor *cursor)
{
    while (cursor->at < cursor->store->series_count && !series_at(cursor)->count)
        cursor->at++;
    if (cursor->at == cursor->store->series_count)
        return SQLITE_OK;
    cursor->taken = 0;
    cursor->any = false;
    cursor->next_block = series_at(cursor)->first_block;
    return next_block(cursor);
}

/* 0, but where a time comes again (or the clock steps back) the value's number in its series, so
 * that none is lost and equal times keep their order. */
static void number_value(struct feed_cursor *cursor)
{
    int64_t time_ns = cursor->block->time_ns[cursor->block_at];
    bool later = !cursor->any || time_ns > cursor->newest_ns;
    cursor->n = later ? 0 : (int64_t)cursor->taken;
    if (later)
        cursor->newest_ns = time_ns;
    cursor->any = true;
}

static int at_end(sqlite3_vtab_cursor *base)
{
    const struct feed_cursor *cursor = (const struct feed_cursor *)base;
    return cursor->at == cursor->store->series_count;
}

static int next_value(sqlite3_vtab_cursor *base)
{
    struct feed_cursor *cursor = (struct feed_cursor *)base;
    int code = SQLITE_OK;
    cursor->block_at++;
    if (++cursor->taken == series_at(cursor)->count) {
        cursor->at++;
        code = enter_series(cursor);
    } else if (cursor->block_at == cursor->block->used) {
        code = next_block(cursor);
    }
    if (code == SQLITE_OK && !at_end(base))
        number_value(cursor);
    return code;
}

static int first_value(sqlite3_vtab_cursor *base, int index, const char *name, int argc,
                       sqlite3_value **argv)
{
    struct feed_cursor *cursor = (struct feed_cursor *)base;
    (void)index;
    (void)name;
    (void)argc;
    (void)argv;
    cursor->at = 0;
    int code = enter_series(cursor);
    if (code == SQLITE_OK && !at_end(base))
        number_value(cursor);
    return code;
}

/* NULL for codes without a value, and for "not a number", which SQLite does not keep. */
static void give_value(sqlite3_context *context, const struct lt_scaler *scaler, uint64_t raw,
                       uint8_t state)
{
    if (state == LT_STORE_UNAVAILABLE || state == LT_STORE_ERROR)
        return;
    sqlite3_result_double(context, lt_scaler_f64(scaler, raw));
}

static int give_column(sqlite3_vtab_cursor *base, sqlite3_context *context, int column)
{
    const struct feed_cursor *cursor = (const struct feed_cursor *)base;
    const struct block *block = cursor->block;
    uint32_t at = cursor->block_at;
    switch (column) {
    case 0:
        sqlite3_result_int64(context, cursor->store->first_series + (sqlite3_int64)cursor->at);
        break;
    case 1:
        sqlite3_result_int64(context, block->time_ns[at]);
        break;
    case 2:
        sqlite3_result_int64(context, cursor->n);
        break;
    case 3:
        give_value(context, &series_at(cursor)->scaler, block->raw[at], block->state[at]);
        break;
    case 4: /* the bit pattern: 64-bit fields from 2^63 on come out negative */
        sqlite3_result_int64(context, (sqlite3_int64)block->raw[at]);
        break;
    default:
        sqlite3_result_int64(context, block->state[at]);
    }
    return SQLITE_OK;
}

static int give_rowid(sqlite3_vtab_cursor *base, sqlite3_int64 *ret_rowid)
{
    *ret_rowid = (sqlite3_int64)((const struct feed_cursor *)base)->taken;
    return SQLITE_OK;
}

/* Without xCreate the table needs no CREATE VIRTUAL TABLE and leaves no trace in the file. */
static const sqlite3_module feed_module = {
    .xConnect = connect_feed,
    .xDisconnect = disconnect_feed,
    .xBestIndex = best_index,
    .xOpen = open_cursor,
    .xClose = close_cursor,
    .xFilter = first_value,
    .xNext = next_value,
    .xEof = at_end,
    .xColumn = give_column,
    .xRowid = give_rowid,
};

enum lt_code feed_values(struct lt_store *store, struct lt_error *error)
{
    if (sqlite3_create_module(store->db, "loomtap_feed", &feed_module, store) != SQLITE_OK)
        return sql_fail(store, error);
    enum lt_code code = sql_call(store,
                                 "INSERT INTO value (series, time_ns, n, value, raw, state)"
                                 " SELECT series, time_ns, n, value, raw, state FROM loomtap_feed",
                                 NULL, error, "");
    return code != LT_OK && store->failed_errno ? spill_failed(store, error) : code;
}
