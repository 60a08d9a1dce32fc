/* Work that may be slow (a disk, a terminal) taken away from a thread that may not be: records go
 * into a queue of fixed size and are worked on by a thread of their own, in order. Putting one in
 * never waits, takes no lock and makes no system call; where the queue is full the record is lost
 * and counted. One thread puts, one takes. */
#ifndef LOOMTAP_LIVE_OUTFLOW_H
#define LOOMTAP_LIVE_OUTFLOW_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"

#define LT_OUTFLOW_RECORD_MAX 8192 /* bytes */

struct lt_outflow_work {
    void *context;
    /* Both in the flow's own thread. False: it does not work any more, and everything from this
     * record on is lost and counted. */
    bool (*take)(void *context, unsigned kind, const void *bytes, size_t len);
    /* When nothing waits, and now and then: to flush. May be NULL. */
    bool (*idle)(void *context);
};

struct lt_outflow;

/* room_bytes: made a power of two, at least 64 KiB. LT_E_MEMORY; LT_E_LIMIT: no thread. */
enum lt_code lt_outflow_start(struct lt_outflow **ret_flow, const struct lt_outflow_work *work,
                              size_t room_bytes, struct lt_error *error);
/* False: lost. */
bool lt_outflow_put(struct lt_outflow *flow, unsigned kind, const void *bytes, size_t len);
uint64_t lt_outflow_lost(const struct lt_outflow *flow);
/* Waits up to wait_ns until all is worked on, and frees the flow. False: it was not done by then (a
 * terminal that is held, say); its thread and memory are left to the end of the process, and
 * nothing that `work` uses may be touched any more. NULL is allowed. */
bool lt_outflow_end(struct lt_outflow *flow, int64_t wait_ns, uint64_t *ret_lost);

#endif
