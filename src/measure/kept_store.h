/* The frames of one stream as they are kept: all of them at first, whole runs of neighbouring
 * frames spread evenly over the capture once there are too many.
 *
 * Time is cut into cells of LT_RUN_FRAMES frames. With stride s every s-th cell is kept. When the
 * room is full every second run goes and the stride doubles, so that what is kept stays even
 * whatever the length. Frames that move a bit which has hardly moved before ("rare", with the one
 * before them) stay in any case, up to a share of the room. */
#ifndef LOOMTAP_MEASURE_KEPT_STORE_H
#define LOOMTAP_MEASURE_KEPT_STORE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/measure/kept.h"
#include "measure/kept_flags.h"

#define LT_RUN_FRAMES      512u
#define LT_KEPT_FIRST_ROOM 16u

struct lt_kept_store {
    uint8_t length;
    bool whole;  /* nothing was left out */
    bool closed; /* nothing more is kept: there is no room even for thinned runs */
    bool joined; /* the last row is the stream's last frame */
    size_t count, room, rare;
    int64_t *time_ns;
    uint8_t *flags, *bytes;
    uint64_t cell;    /* of the next frame */
    unsigned in_cell; /* frames of it so far */
    uint64_t stride;  /* a power of two */
};

void lt_kept_store_init(struct lt_kept_store *store, uint8_t length);
void lt_kept_store_release(struct lt_kept_store *store);
/* Memory that `room` rows take. */
size_t lt_kept_store_bytes(const struct lt_kept_store *store, size_t room);
/* To `room` rows, at least as many as there are; false without memory (nothing changes). */
bool lt_kept_store_resize(struct lt_kept_store *store, size_t room);
/* Is the next frame in a cell that is kept? */
static inline bool lt_kept_store_wants(const struct lt_kept_store *store)
{
    return !store->closed && (store->cell & (store->stride - 1)) == 0;
}
/* The next frame, kept (there must be room) or left out. `flags` of lt_kept_flag and of
 * lt_kept_inside; LT_KEPT_FOLLOWS is dropped where the row above is not the frame before. */
void lt_kept_store_add(struct lt_kept_store *store, int64_t time_ns, const uint8_t *data,
                       uint8_t flags);
static inline void lt_kept_store_leave_out(struct lt_kept_store *store)
{
    store->whole = store->joined = false;
    if (++store->in_cell == LT_RUN_FRAMES) {
        store->in_cell = 0;
        store->cell++;
    }
}
/* A row that is not the next frame but the one before it, as above. */
void lt_kept_store_add_before(struct lt_kept_store *store, int64_t time_ns, const uint8_t *data);
/* Leaves out every second run. */
void lt_kept_store_thin(struct lt_kept_store *store);
/* False without memory. */
bool lt_kept_store_copy(struct lt_kept_store *ret_copy, const struct lt_kept_store *store);
/* Appends the rows of `from` (there must be room), both at the same stride. */
void lt_kept_store_append(struct lt_kept_store *store, const struct lt_kept_store *from);
struct lt_kept lt_kept_store_view(const struct lt_kept_store *store,
                                  const struct lt_stream_key *key);

#endif
