/* What the files of src/store share: open.c (the file and its life), spill.c (values until the
 * commit), feed.c (values into the table), rows.c (everything else into tables), schema.c. */
#ifndef LOOMTAP_SRC_STORE_INTERNAL_H
#define LOOMTAP_SRC_STORE_INTERNAL_H

#include <sqlite3.h>

#include "loomtap/base/arena.h"
#include "loomtap/core/frame.h"
#include "loomtap/core/value.h"
#include "loomtap/store/store.h"

#define BLOCK_SAMPLES 120
#define NO_BLOCK      UINT32_MAX

/* A run of one series' values. Blocks of a series are chained forward: the number of the next one
 * is set apart when a block is written, so no list of them is kept. */
struct block {
    uint32_t next, used;
    int64_t time_ns[BLOCK_SAMPLES];
    uint64_t raw[BLOCK_SAMPLES];
    uint8_t state[BLOCK_SAMPLES];
};

struct lt_store_series {
    struct lt_store *store;
    struct lt_store_source source;
    struct lt_scaler scaler;
    uint32_t first_block, this_block; /* in the scratch file; NO_BLOCK: all is in `block` */
    uint64_t count, by_state[4];
    int64_t first_ns, last_ns; /* least and greatest time */
    bool not_later;            /* some value is not later than the one before it */
    struct block block;        /* being filled */
};

struct lt_store {
    struct lt_arena arena;
    char *path, *temporary; /* temporary: where a new database is made; NULL when appending */
    sqlite3 *db;
    sqlite3_stmt *kept; /* of kept_sql, a literal */
    const char *kept_sql;
    struct lt_store_series **series;
    size_t series_count, series_capacity;
    int spill_fd;                      /* -1 until it is needed */
    uint32_t block_count;              /* numbers given out */
    int64_t first_series;              /* number of series[0] in the database, once it is known */
    const struct lt_store_series *fed; /* whose values feed.c gives */
    int failed_errno;                  /* of the scratch file */
    bool committed;
};

/* open.c */
enum lt_code sql_fail(const struct lt_store *store, struct lt_error *error);
enum lt_code run_sql(const struct lt_store *store, const char *sql, struct lt_error *error);

/* spill.c */
enum lt_code spill_failed(const struct lt_store *store, struct lt_error *error);
bool spill_read(struct lt_store *store, uint32_t number, struct block *ret_block);

/* feed.c: all values into their table. */
enum lt_code feed_values(struct lt_store *store, struct lt_error *error);

/* rows.c */
enum lt_code write_rows(struct lt_store *store, const struct lt_store_capture *capture,
                        struct lt_store_result *result, struct lt_error *error);

/* schema.c */
extern const char schema_sql[];
/* A view for each role that has values, and `v_wide` with a column for each. */
enum lt_code make_role_views(struct lt_store *store, struct lt_error *error);

/* Runs a statement (a literal: it is known by its address) to its end, with its values bound in
 * order by the letters of `kinds`: i int64; T int64, LT_NO_TIME for NULL; t text or NULL. Gives the
 * first column of the first row if ret_value is not NULL; untouched without row. */
enum lt_code sql_call(struct lt_store *store, const char *sql, int64_t *ret_value,
                      struct lt_error *error, const char *kinds, ...);

#endif
