/* Batches of frames, routes and lanes: see batch.c. Internal to src/decode. */
#ifndef LOOMTAP_SRC_DECODE_BATCH_H
#define LOOMTAP_SRC_DECODE_BATCH_H

#include "decode/decode_internal.h"

#define LANE_FRAMES 256
#define ROUTE_FREE  UINT64_MAX /* no frame has this key */

/* Where the frames of one key go. */
struct route {
    uint64_t key;
    struct unknown *unknown;
    struct lane *lane;
    uint64_t spare; /* to a power of two */
};

/* Frames of a stream that wait for being worked off. */
struct lane {
    struct stream *stream;
    size_t count;
    uint8_t len[LANE_FRAMES];
    uint64_t word[LANE_FRAMES];
    int64_t time_ns[LANE_FRAMES];
};

bool routes_init(struct lt_decode *decode);
/* From now on this frame's key goes there, if that is possible. */
void route_unknown(struct lt_decode *decode, const struct lt_frame *frame, struct unknown *unknown);
void route_stream(struct lt_decode *decode, const struct lt_frame *frame, struct stream *stream);

void take_batch(struct lt_decode *decode, const struct lt_batch *batch);
/* What lies in the stream's lane (in all lanes) into the tallies. */
void lane_work_off(struct lt_decode *decode, struct stream *stream);
void lanes_work_off(struct lt_decode *decode);

/* Nothing more can be done with frames: the sink or the memory failed. */
static inline bool decode_has_failed(const struct lt_decode *decode)
{
    return decode->sink->failed || decode->failed_memory;
}
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
