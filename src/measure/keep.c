/* Which frames are kept: room for all streams together, and for each (collect_inside.h). */
#include "measure/collect_inside.h"

#include <stdlib.h>

#define THIN_LEAST (4 * LT_RUN_FRAMES) /* rows below which thinning leaves too few runs */
#define LONG_LEAST (8 * THIN_LEAST)
#define LONG_SHARE 4 /* of the room that a stream has that is kept whole */

static void charge(struct lt_collect *collect, const struct lt_kept_store *store, size_t old_room)
{
    collect->kept_used -= lt_kept_store_bytes(store, old_room);
    collect->kept_used += lt_kept_store_bytes(store, store->room);
}

/* From here on it matters which bits have hardly moved: counted over all frames so far, which are
 * all here. */
static enum lt_code begin_rare(struct lt_collect *collect, struct lt_gathered *stream,
                               struct lt_error *error)
{
    struct lt_tally *tally;
    for (size_t row = 0; row < stream->store.count; row++) {
        const uint8_t *data = stream->store.bytes + row * stream->store.length;
        enum lt_code code = lt_page_of_row(collect, stream, data, &tally, error);
        if (code != LT_OK)
            return code;
        if (!tally)
            continue;
        if (!tally->rare) {
            tally->rare = malloc(sizeof *tally->rare);
            if (!tally->rare)
                return lt_fail(error, LT_E_MEMORY, "no memory for a stream's bits");
            lt_rare_init(tally->rare, stream->store.length);
        }
        lt_rare_count(tally->rare, data);
        lt_rare_next(tally->rare, stream->store.time_ns[row], data);
    }
    return LT_OK;
}

/* ret_done false: too few rows to leave any out. */
static enum lt_code thin(struct lt_collect *collect, struct lt_gathered *stream, bool *ret_done,
                         struct lt_error *error)
{
    size_t before = stream->store.count;
    enum lt_code code = LT_OK;
    if (before < THIN_LEAST) {
        *ret_done = false;
        return LT_OK;
    }
    if (!stream->settled)
        code = lt_settle(collect, stream, NULL, error);
    if (code == LT_OK && stream->store.whole)
        code = begin_rare(collect, stream, error);
    if (code != LT_OK)
        return code;
    lt_kept_store_thin(&stream->store);
    *ret_done = stream->store.count < before;
    return LT_OK;
}

/* A stream that is kept whole may take more room than one that is not: of what is spread over a
 * long capture, more rows say little more. */
static size_t most_rows(const struct lt_collect *collect, const struct lt_kept_store *store)
{
    size_t each = collect->options.kept_each, share = each / LONG_SHARE;
    if (store->whole)
        return each;
    share = share > LONG_LEAST ? share : LONG_LEAST;
    return share < each ? share : each;
}

/* The stream that holds most, for the others' sake. */
static struct lt_gathered *largest(const struct lt_collect *collect)
{
    struct lt_gathered *found = NULL;
    size_t most = 0;
    for (size_t i = 0; i < collect->stream_count; i++) {
        struct lt_gathered *stream = collect->streams[i];
        size_t bytes = lt_kept_store_bytes(&stream->store, stream->store.room);
        if (bytes <= most)
            continue;
        most = bytes;
        found = stream;
    }
    return found;
}

static enum lt_code no_memory(struct lt_error *error)
{
    return lt_fail(error, LT_E_MEMORY, "no memory for kept frames");
}

/* Takes room from larger streams until `bytes` more are below the ceiling. ret_done false: none is
 * more than twice as large as `stream` wants to be. */
static enum lt_code make_way(struct lt_collect *collect, const struct lt_gathered *stream,
                             size_t bytes, size_t wanted, bool *ret_done, struct lt_error *error)
{
    while (collect->kept_used + bytes > collect->options.kept_bytes) {
        struct lt_gathered *from = largest(collect);
        size_t room = from ? from->store.room : 0;
        if (!from || from == stream || lt_kept_store_bytes(&from->store, room) < 2 * wanted) {
            *ret_done = false;
            return LT_OK;
        }
        enum lt_code code = thin(collect, from, ret_done, error);
        if (code != LT_OK || !*ret_done)
            return code;
        size_t half = room / 2 > from->store.count ? room / 2 : from->store.count;
        if (!lt_kept_store_resize(&from->store, half))
            return no_memory(error);
        charge(collect, &from->store, room);
    }
    *ret_done = true;
    return LT_OK;
}

static enum lt_code grow(struct lt_collect *collect, struct lt_gathered *stream, bool *ret_done,
                         struct lt_error *error)
{
    struct lt_kept_store *store = &stream->store;
    size_t old = store->room, room = old == 0 ? LT_KEPT_FIRST_ROOM : 2 * old;
    size_t most = most_rows(collect, store);
    if (room > most)
        room = most;
    *ret_done = false;
    if (room <= old)
        return LT_OK;
    size_t bytes = lt_kept_store_bytes(store, room) - lt_kept_store_bytes(store, old);
    enum lt_code code =
        make_way(collect, stream, bytes, lt_kept_store_bytes(store, room), ret_done, error);
    if (code != LT_OK || !*ret_done)
        return code;
    if (!lt_kept_store_resize(store, room))
        return no_memory(error);
    charge(collect, store, old);
    return LT_OK;
}

/* From whole to long: down to the rows that a long stream has, and its room given back. */
static enum lt_code shorten(struct lt_collect *collect, struct lt_gathered *stream, size_t rows,
                            bool *ret_done, struct lt_error *error)
{
    struct lt_kept_store *store = &stream->store;
    enum lt_code code = thin(collect, stream, ret_done, error);
    size_t most = most_rows(collect, store), old = store->room;
    while (code == LT_OK && *ret_done && store->count + rows > most)
        code = thin(collect, stream, ret_done, error);
    if (code != LT_OK || old <= most || store->count > most)
        return code;
    if (!lt_kept_store_resize(store, most))
        return no_memory(error);
    charge(collect, store, old);
    return LT_OK;
}

enum lt_code lt_keep_fewer(struct lt_collect *collect, struct lt_gathered *stream,
                           struct lt_error *error)
{
    const struct lt_kept_store *store = &stream->store;
    bool done;
    if (!store->whole || store->count <= collect->options.kept_each / 2)
        return LT_OK;
    return shorten(collect, stream, 0, &done, error);
}

/* Room for `rows` more, by growing, or by leaving out runs; else the store is closed. */
static enum lt_code make_room(struct lt_collect *collect, struct lt_gathered *stream, size_t rows,
                              struct lt_error *error)
{
    while (!stream->store.closed && stream->store.room - stream->store.count < rows) {
        bool done = false;
        enum lt_code code = grow(collect, stream, &done, error);
        if (code == LT_OK && !done)
            code = shorten(collect, stream, rows, &done, error);
        if (code != LT_OK)
            return code;
        if (!done)
            stream->store.closed = true;
    }
    return LT_OK;
}

/* With the frame before it, where that was left out. With pages the one before on the same page is
 * further up, and not next to it here. */
static void keep_rare(struct lt_gathered *stream, const struct lt_rare *rare, int64_t time_ns,
                      const uint8_t *data, uint8_t flags)
{
    struct lt_kept_store *store = &stream->store;
    uint8_t before[LT_FRAME_MAX];
    if (!store->joined && (flags & LT_KEPT_FOLLOWS) && !stream->open.selector.present) {
        lt_rare_before(rare, before);
        lt_kept_store_add_before(store, rare->last_ns, before);
    } else if (store->joined && store->count != 0 &&
               !(store->flags[store->count - 1] & LT_KEPT_RARE)) {
        store->flags[store->count - 1] |= LT_KEPT_RARE;
        store->rare++;
    }
    lt_kept_store_add(store, time_ns, data, flags | LT_KEPT_RARE);
}

enum lt_code lt_keep_some(struct lt_collect *collect, struct lt_gathered *stream, int64_t time_ns,
                          const uint8_t *data, const struct lt_rare *rare, struct lt_error *error)
{
    struct lt_kept_store *store = &stream->store;
    uint8_t flags = stream->begun ? LT_KEPT_FOLLOWS : 0;
    if (store->rare >= most_rows(collect, store) / 4 || store->closed)
        rare = NULL;
    if (rare || lt_kept_store_wants(store)) {
        enum lt_code code = make_room(collect, stream, rare ? 2 : 1, error);
        if (code != LT_OK)
            return code;
    }
    if (rare && !store->closed)
        keep_rare(stream, rare, time_ns, data, flags);
    else if (lt_kept_store_wants(store))
        lt_kept_store_add(store, time_ns, data, flags);
    else
        lt_kept_store_leave_out(store);
    return LT_OK;
}

/* Leaves out runs of both until they fit together; false where that does not help. */
static bool thin_both(struct lt_kept_store *store, struct lt_kept_store *copy)
{
    size_t before = store->count + copy->count;
    lt_kept_store_thin(store);
    lt_kept_store_thin(copy);
    return store->count + copy->count < before;
}

enum lt_code lt_keep_all(struct lt_collect *collect, struct lt_gathered *stream,
                         const struct lt_kept_store *from, struct lt_error *error)
{
    struct lt_kept_store *store = &stream->store, copy;
    if (!lt_kept_store_copy(&copy, from))
        return no_memory(error);
    enum lt_code code = LT_OK;
    bool done = true;
    while (store->stride < copy.stride)
        lt_kept_store_thin(store);
    while (copy.stride < store->stride)
        lt_kept_store_thin(&copy);
    while (code == LT_OK && done && store->room - store->count < copy.count) {
        code = grow(collect, stream, &done, error);
        if (code == LT_OK && !done)
            done = thin_both(store, &copy);
    }
    if (code == LT_OK && done)
        lt_kept_store_append(store, &copy);
    store->whole = false;
    lt_kept_store_release(&copy);
    return code;
}
