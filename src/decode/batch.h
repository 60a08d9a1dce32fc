/* Batches of frames, routes and lanes: see batch.c. Internal to src/decode. */
#ifndef LOOMTAP_SRC_DECODE_BATCH_H
#define LOOMTAP_SRC_DECODE_BATCH_H

#include <stddef.h>

#include "decode/decode_internal.h"
#include "loomtap/capture/pieces.h"

#define LANE_FRAMES 256
#define ROUTE_BITS  11
#define ROUTES      ((size_t)1 << ROUTE_BITS)
#define ROUTE_FREE  UINT64_MAX /* no frame has this key */

/* Where the frames of one key go: to one of them, or (in a digest only) to none. */
struct route {
    uint64_t key;
    struct unknown *unknown;
    struct lane *lane;
    struct lane_queue *queue; /* in a digest, instead of the lane */
};

/* Found by key, and never forgotten: the same key is always treated the same. */
struct routes {
    struct route *slots;
    size_t used;
};

/* Frames of a stream that wait for being worked off. */
struct lane {
    struct stream *stream;
    struct lane_queue *queue; /* digest only */
    size_t count;
    uint8_t len[LANE_FRAMES];
    uint64_t word[LANE_FRAMES];
    int64_t time_ns[LANE_FRAMES];
};

/* Identifier, bus and kind. Flags that do not change where a frame goes are left out. */
static inline uint64_t key_of(const struct lt_frame *frame)
{
#if __BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__
    /* The three stand side by side, and gcc 12 does not see that one load is enough. */
    _Static_assert(offsetof(struct lt_frame, bus) == offsetof(struct lt_frame, id) + 4 &&
                       offsetof(struct lt_frame, flags) == offsetof(struct lt_frame, id) + 6,
                   "one word");
    uint64_t word;
    memcpy(&word, (const char *)frame + offsetof(struct lt_frame, id), sizeof word);
    return word & ((uint64_t)LT_FRAME_EXTENDED << 48 | UINT64_C(0xFFFFFFFFFFFF));
#else
    return frame->id | (uint64_t)frame->bus << 32 |
           (uint64_t)(frame->flags & LT_FRAME_EXTENDED) << 48;
#endif
}

static inline size_t slot_of(uint64_t key)
{
    return (size_t)(key * UINT64_C(0x9E3779B97F4A7C15) >> (64 - ROUTE_BITS));
}

/* NULL: there is none. Most keys are in their own slot. */
struct route *route_search(const struct routes *routes, uint64_t key);
static inline struct route *route_find(const struct routes *routes, uint64_t key)
{
    struct route *route = &routes->slots[slot_of(key)];
    return __builtin_expect(route->key == key, 1) ? route : route_search(routes, key);
}
/* The key's place, a new one where there is none; NULL: no room. */
struct route *route_add(struct routes *routes, uint64_t key);
/* All free. */
void routes_clear(struct routes *routes);

#define LANES_MAX 1024 /* streams with a lane */

bool routes_init(struct lt_decode *decode);
/* From now on this frame's key goes there, if that is possible. */
void route_unknown(struct lt_decode *decode, const struct lt_frame *frame, struct unknown *unknown);
void route_stream(struct lt_decode *decode, const struct lt_frame *frame, struct stream *stream);

void take_batch(struct lt_decode *decode, const struct lt_batch *batch);
/* What lies in the lane (in the lanes of all streams) into its stream's tallies. */
void lane_work_off(struct lt_decode *decode, struct lane *lane);
void lanes_work_off(struct lt_decode *decode);

/* Nothing more can be done with frames: the sink or the memory failed. */
static inline bool decode_has_failed(const struct lt_decode *decode)
{
    return decode->sink->failed || decode->failed_memory;
}

/* digest.c: what a thread makes of a piece before its turn. */
struct digest;
/* NULL: no memory. */
struct digest *digest_new(void);
void digest_free(struct digest *digest);
/* Sorts the frames of the piece that was read, as far as all their keys are known. False: the piece
 * has to be taken in order. */
bool digest_make(struct digest *digest, struct lt_pieces *pieces, unsigned thread);
/* Within the turn: into the streams. False: as above. */
bool digest_take(struct digest *digest, struct lt_decode *decode, struct lt_pieces *pieces,
                 unsigned thread);
/* Within the turn, of frames that were taken in order. */
void digest_learn(struct digest *digest, const struct lt_decode *decode,
                  const struct lt_batch *batch);

/* crew.c: the rest of the present input, on several threads. */
void take_in_pieces(struct lt_decode *decode);

/* tally.c: as timing_add for each; all have a time. */
void timing_add_run(struct timing *timing, const int64_t *time_ns, size_t count);
/* lane_kernel.c: the shortest and the longest interval between two or more times. */
struct interval_run {
    int64_t least, most;
};
void interval_run(const int64_t *time_ns, size_t count, struct interval_run *ret_run);
/* As judging and tallying the field in each of the frames' first eight bytes (lowest
 * byte first); returns how many were values. */
uint64_t tally_add_words(struct tally *tally, const struct lt_field *field, const uint64_t *words,
                         size_t count);

#endif
