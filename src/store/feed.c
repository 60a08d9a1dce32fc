/* The values of a series as the rows of a virtual table, so that one statement moves them: binding
 * and stepping a statement for every value costs more than storing it.
 *
 * Series go one after another, their rows in the order of arrival, which is nearly always that of
 * time, so the table grows at its right end. SQLite: "The Virtual Table Mechanism Of SQLite"; this
 * one can only be read from its beginning. */
#include "store/store_internal.h"

struct feed_table {
    sqlite3_vtab base;
    struct lt_store *store;
};

struct feed_cursor {
    sqlite3_vtab_cursor base;
    struct lt_store *store;
    const struct lt_store_series *series;
    uint64_t taken; /* of its values */
    uint32_t block_at, next_block;
    const struct block *block; /* `own`, or the one the series still holds */
    int64_t newest_ns;         /* so far */
    int64_t n;                 /* tells values of one time apart */
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
    return sqlite3_declare_vtab(db, "CREATE TABLE x(time_ns, value, raw, state, n)");
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

/* The block after the one used up; the last of a series was never written. */
static int next_block(struct feed_cursor *cursor)
{
    const struct lt_store_series *series = cursor->series;
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

static int at_end(sqlite3_vtab_cursor *base)
{
    const struct feed_cursor *cursor = (const struct feed_cursor *)base;
    return cursor->taken == cursor->series->count;
}

/* 0, but where a time comes again (or the clock steps back) the value's number in its series, so
 * that none is lost and equal times keep their order. */
static void number_value(struct feed_cursor *cursor)
{
    int64_t time_ns = cursor->block->time_ns[cursor->block_at];
    bool later = !cursor->taken || time_ns > cursor->newest_ns;
    cursor->n = later ? 0 : (int64_t)cursor->taken;
    if (later)
        cursor->newest_ns = time_ns;
}

static int next_value(sqlite3_vtab_cursor *base)
{
    struct feed_cursor *cursor = (struct feed_cursor *)base;
    if (++cursor->taken == cursor->series->count)
        return SQLITE_OK;
    if (++cursor->block_at == cursor->block->used) {
        int code = next_block(cursor);
        if (code != SQLITE_OK)
            return code;
    }
    number_value(cursor);
    return SQLITE_OK;
}

static int first_value(sqlite3_vtab_cursor *base, int index, const char *name, int argc,
                       sqlite3_value **argv)
{
    struct feed_cursor *cursor = (struct feed_cursor *)base;
    (void)index;
    (void)name;
    (void)argc;
    (void)argv;
    cursor->series = cursor->store->fed;
    cursor->taken = 0;
    cursor->next_block = cursor->series->first_block;
    int code = next_block(cursor);
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
        sqlite3_result_int64(context, block->time_ns[at]);
        break;
    case 1:
        give_value(context, &cursor->series->scaler, block->raw[at], block->state[at]);
        break;
    case 2: /* the bit pattern: 64-bit fields from 2^63 on come out negative */
        sqlite3_result_int64(context, (sqlite3_int64)block->raw[at]);
        break;
    case 3:
        sqlite3_result_int64(context, block->state[at]);
        break;
    default:
        sqlite3_result_int64(context, cursor->n);
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

/* Columns that are the same in all rows are not asked for row by row. */
static const char feed_good[] = "INSERT INTO value (series, time_ns, n, value, raw, state)"
                                " SELECT ?, time_ns, 0, value, raw, 0 FROM loomtap_feed";
static const char feed_any[] = "INSERT INTO value (series, time_ns, n, value, raw, state)"
                               " SELECT ?, time_ns, n, value, raw, state FROM loomtap_feed";

enum lt_code feed_values(struct lt_store *store, struct lt_error *error)
{
    enum lt_code code = LT_OK;
    if (sqlite3_create_module(store->db, "loomtap_feed", &feed_module, store) != SQLITE_OK)
        return sql_fail(store, error);
    for (size_t i = 0; i < store->series_count && code == LT_OK; i++) {
        const struct lt_store_series *series = store->fed = store->series[i];
        bool good = !series->not_later && series->by_state[LT_STORE_GOOD] == series->count;
        if (series->count)
            code = sql_call(store, good ? feed_good : feed_any, NULL, error, "i",
                            store->first_series + (int64_t)i);
    }
    return code != LT_OK && store->failed_errno ? spill_failed(store, error) : code;
}
