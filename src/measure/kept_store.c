/* Keeping frames, and thinning them in whole runs (kept_store.h). */
#include "measure/kept_store.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

#define PAD 8 /* readable bytes behind the last row */

void lt_kept_store_init(struct lt_kept_store *store, uint8_t length)
{
    *store = (struct lt_kept_store){.length = length, .whole = true, .stride = 1};
}

void lt_kept_store_release(struct lt_kept_store *store)
{
    free(store->time_ns);
    free(store->flags);
    free(store->bytes);
    lt_kept_store_init(store, store->length);
}

size_t lt_kept_store_bytes(const struct lt_kept_store *store, size_t room)
{
    return room == 0 ? 0 : room * (sizeof(int64_t) + 1 + store->length) + PAD;
}

static bool resize(void *pointer, size_t size)
{
    void *old, *new;
    memcpy(&old, pointer, sizeof old);
    new = realloc(old, size);
    if (!new)
        return false;
    memcpy(pointer, &new, sizeof new);
    return true;
}

bool lt_kept_store_resize(struct lt_kept_store *store, size_t room)
{
    assert(room >= store->count && room > 0);
    size_t smaller = room < store->room ? room : store->room;
    store->room = smaller; /* what is true whichever of them fails */
    if (!resize(&store->time_ns, room * sizeof *store->time_ns) || !resize(&store->flags, room) ||
        !resize(&store->bytes, room * store->length + PAD))
        return false;
    memset(store->bytes + store->count * store->length, 0, PAD);
    store->room = room;
    return true;
}

static void step(struct lt_kept_store *store)
{
    if (++store->in_cell == LT_RUN_FRAMES) {
        store->in_cell = 0;
        store->cell++;
    }
}

static void put(struct lt_kept_store *store, int64_t time_ns, const uint8_t *data, uint8_t flags)
{
    assert(store->count < store->room);
    if (!store->joined || store->count == 0)
        flags &= (uint8_t) ~(LT_KEPT_FOLLOWS | LT_KEPT_NEXT);
    store->time_ns[store->count] = time_ns;
    store->flags[store->count] = flags;
    memcpy(store->bytes + store->count * store->length, data, store->length);
    store->rare += (flags & LT_KEPT_RARE) != 0;
    store->count++;
    store->joined = true;
}

void lt_kept_store_add(struct lt_kept_store *store, int64_t time_ns, const uint8_t *data,
                       uint8_t flags)
{
    if (store->in_cell == 0 && lt_kept_store_wants(store))
        flags |= LT_KEPT_RUN;
    put(store, time_ns, data, flags);
    step(store);
}

void lt_kept_store_add_before(struct lt_kept_store *store, int64_t time_ns, const uint8_t *data)
{
    assert(!store->joined);
    put(store, time_ns, data, LT_KEPT_RARE);
}

static void move_row(struct lt_kept_store *store, size_t to, size_t from)
{
    store->time_ns[to] = store->time_ns[from];
    store->flags[to] = store->flags[from];
    memmove(store->bytes + to * store->length, store->bytes + from * store->length, store->length);
}

void lt_kept_store_thin(struct lt_kept_store *store)
{
    size_t to = 0, run = 0;
    bool above = false, drop = false; /* is the row above still there */
    for (size_t row = 0; row < store->count; row++) {
        if (store->flags[row] & LT_KEPT_RUN)
            drop = run++ % 2 == 1;
        if (drop && !(store->flags[row] & LT_KEPT_RARE)) {
            above = false;
            continue;
        }
        move_row(store, to, row);
        if (drop)
            store->flags[to] &= (uint8_t)~LT_KEPT_RUN;
        if (!above)
            store->flags[to] &= (uint8_t) ~(LT_KEPT_FOLLOWS | LT_KEPT_NEXT);
        above = true;
        to++;
    }
    if (to < store->count) {
        store->whole = false;
        store->joined = store->joined && above;
    }
    store->count = to;
    store->stride *= 2;
}

bool lt_kept_store_copy(struct lt_kept_store *ret_copy, const struct lt_kept_store *store)
{
    struct lt_kept_store copy = *store;
    copy.time_ns = NULL;
    copy.flags = copy.bytes = NULL;
    copy.room = copy.count = 0;
    if (!lt_kept_store_resize(&copy, store->count + 1)) {
        lt_kept_store_release(&copy);
        return false;
    }
    copy.count = store->count;
    if (copy.count != 0) {
        memcpy(copy.time_ns, store->time_ns, copy.count * sizeof *copy.time_ns);
        memcpy(copy.flags, store->flags, copy.count);
        memcpy(copy.bytes, store->bytes, copy.count * copy.length);
    }
    *ret_copy = copy;
    return true;
}

void lt_kept_store_append(struct lt_kept_store *store, const struct lt_kept_store *from)
{
    assert(store->stride == from->stride && store->room - store->count >= from->count);
    if (from->count == 0)
        return;
    memcpy(store->time_ns + store->count, from->time_ns, from->count * sizeof *from->time_ns);
    memcpy(store->flags + store->count, from->flags, from->count);
    memcpy(store->bytes + store->count * store->length, from->bytes, from->count * store->length);
    store->flags[store->count] &= (uint8_t) ~(LT_KEPT_FOLLOWS | LT_KEPT_NEXT);
    store->count += from->count;
    store->rare += from->rare;
    store->whole = store->whole && from->whole;
    store->joined = false; /* what comes next follows nothing here */
    memset(store->bytes + store->count * store->length, 0, PAD);
    /* Cells count on from the runs that are here: every second run goes next time. */
    store->cell = store->in_cell = 0;
    for (size_t row = 0; row < store->count; row++)
        store->cell += store->flags[row] & LT_KEPT_RUN ? store->stride : 0;
}

struct lt_kept lt_kept_store_view(const struct lt_kept_store *store,
                                  const struct lt_stream_key *key)
{
    return (struct lt_kept){.key = *key,
                            .count = store->count,
                            .time_ns = store->time_ns,
                            .flags = store->flags,
                            .bytes = store->bytes,
                            .whole = store->whole};
}
