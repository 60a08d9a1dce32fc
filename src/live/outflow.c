/* A queue between one thread that may not wait and one that may: see loomtap/live/outflow.h. A ring
 * of bytes; `put` is moved by the one thread alone and `taken` by the other, so that neither waits
 * for the other. The taking thread looks fifty times a second instead of being
 * woken, since waking costs the putting thread a system call. */
#include "loomtap/live/outflow.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "loomtap/base/clock.h"

#define ROOM_LEAST ((size_t)65536)
#define ROOM_MOST  ((size_t)1 << 30)
#define LOOK_NS    INT64_C(20000000)

struct head {
    uint32_t len, kind;
};

struct lt_outflow {
    struct lt_outflow_work work;
    size_t room; /* a power of two */
    char *ring;
    atomic_size_t put, taken; /* bytes since the start */
    atomic_bool ends, is_done;
    atomic_uint_fast64_t lost;
    pthread_t thread;
    char record[LT_OUTFLOW_RECORD_MAX];
};

static void copy_in(struct lt_outflow *flow, size_t at, const void *bytes, size_t len)
{
    size_t from = at & (flow->room - 1), first = flow->room - from < len ? flow->room - from : len;
    memcpy(flow->ring + from, bytes, first);
    memcpy(flow->ring, (const char *)bytes + first, len - first);
}

static void copy_out(const struct lt_outflow *flow, size_t at, void *bytes, size_t len)
{
    size_t from = at & (flow->room - 1), first = flow->room - from < len ? flow->room - from : len;
    memcpy(bytes, flow->ring + from, first);
    memcpy((char *)bytes + first, flow->ring, len - first);
}

bool lt_outflow_put(struct lt_outflow *flow, unsigned kind, const void *bytes, size_t len)
{
    size_t put = atomic_load_explicit(&flow->put, memory_order_relaxed);
    size_t taken = atomic_load_explicit(&flow->taken, memory_order_acquire);
    const struct head head = {(uint32_t)len, kind};
    if (len > LT_OUTFLOW_RECORD_MAX || flow->room - (put - taken) < sizeof head + len) {
        atomic_fetch_add_explicit(&flow->lost, 1, memory_order_relaxed);
        return false;
    }
    copy_in(flow, put, &head, sizeof head);
    copy_in(flow, put + sizeof head, bytes, len);
    atomic_store_explicit(&flow->put, put + sizeof head + len, memory_order_release);
    return true;
}

/* False: nothing waits. */
static bool take_one(struct lt_outflow *flow, bool *works)
{
    struct head head;
    size_t taken = atomic_load_explicit(&flow->taken, memory_order_relaxed);
    if (atomic_load_explicit(&flow->put, memory_order_acquire) == taken)
        return false;
    copy_out(flow, taken, &head, sizeof head);
    copy_out(flow, taken + sizeof head, flow->record, head.len);
    atomic_store_explicit(&flow->taken, taken + sizeof head + head.len, memory_order_release);
    *works = *works && flow->work.take(flow->work.context, head.kind, flow->record, head.len);
    if (!*works)
        atomic_fetch_add_explicit(&flow->lost, 1, memory_order_relaxed);
    return true;
}

static void *work(void *context)
{
    struct lt_outflow *flow = context;
    bool works = true;
    for (;;) {
        /* Looked at first: what is put before the end is asked for is still worked on. */
        bool ends = atomic_load(&flow->ends);
        while (take_one(flow, &works))
            ;
        if (flow->work.idle)
            works = works && flow->work.idle(flow->work.context);
        if (ends)
            break;
        nanosleep(&(struct timespec){0, LOOK_NS}, NULL);
    }
    atomic_store(&flow->is_done, true);
    return NULL;
}

static size_t make_room(size_t bytes)
{
    size_t room = ROOM_LEAST;
    while (room < bytes && room < ROOM_MOST)
        room *= 2;
    return room;
}

enum lt_code lt_outflow_start(struct lt_outflow **ret_flow, const struct lt_outflow_work *wanted,
                              size_t room_bytes, struct lt_error *error)
{
    struct lt_outflow *flow = calloc(1, sizeof *flow);
    if (flow) {
        flow->room = make_room(room_bytes);
        flow->ring = malloc(flow->room);
    }
    if (!flow || !flow->ring) {
        free(flow);
        return lt_fail(error, LT_E_MEMORY, "out of memory for what waits to be written");
    }
    /* Touched now: a page that comes into being later would make the putting thread wait. */
    memset(flow->ring, 0, flow->room);
    flow->work = *wanted;
    if (pthread_create(&flow->thread, NULL, work, flow) != 0) {
        free(flow->ring);
        free(flow);
        return lt_fail(error, LT_E_LIMIT, "no thread for writing");
    }
    *ret_flow = flow;
    return LT_OK;
}

uint64_t lt_outflow_lost(const struct lt_outflow *flow)
{
    return atomic_load_explicit(&flow->lost, memory_order_relaxed);
}

bool lt_outflow_end(struct lt_outflow *flow, int64_t wait_ns, uint64_t *ret_lost)
{
    if (!flow)
        return true;
    int64_t until_ns = lt_clock_ns(CLOCK_MONOTONIC) + wait_ns;
    atomic_store(&flow->ends, true);
    while (!atomic_load(&flow->is_done) && lt_clock_ns(CLOCK_MONOTONIC) < until_ns)
        nanosleep(&(struct timespec){0, LOOK_NS / 20}, NULL);
    if (ret_lost)
        *ret_lost = lt_outflow_lost(flow);
    if (!atomic_load(&flow->is_done)) {
        pthread_detach(flow->thread);
        return false;
    }
    pthread_join(flow->thread, NULL);
    free(flow->ring);
    free(flow);
    return true;
}
