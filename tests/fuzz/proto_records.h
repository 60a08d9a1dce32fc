/* For the protocol fuzz targets: a byte stream cut into frames.
 *
 *     head     bits 0-3 which identifier, bit 4 FD, bit 5 no time, bits 6-7 unit of the pause (1
 * us, 1 ms, 10 ms, -10 ms) pause    time since the last frame, in that unit length   data bytes
 * (0..8, FD: 0..64), then as many bytes */
#ifndef TESTS_FUZZ_PROTO_RECORDS_H
#define TESTS_FUZZ_PROTO_RECORDS_H

#include <string.h>

#include "loomtap/base/bytes.h"
#include "loomtap/core/frame.h"

static inline bool next_record(struct lt_cursor *in, const uint32_t *ids, size_t id_count,
                               int64_t *now_ns, struct lt_frame *frame)
{
    static const int64_t unit_ns[4] = {1000, 1000000, 10000000, -10000000};
    uint8_t head, pause, length;
    const uint8_t *bytes;
    if (!lt_take8(in, &head) || !lt_take8(in, &pause) || !lt_take8(in, &length))
        return false;
    memset(frame, 0, sizeof *frame);
    frame->id = ids[(head & 15) % id_count];
    frame->flags = frame->id > LT_ID_MAX_STANDARD ? LT_FRAME_EXTENDED : 0;
    if (head & 16)
        frame->flags |= LT_FRAME_FD;
    *now_ns += pause * unit_ns[head >> 6];
    frame->time_ns = head & 32 ? LT_NO_TIME : *now_ns;
    frame->len = length % (head & 16 ? 65 : 9);
    if (frame->len > in->left)
        frame->len = (uint8_t)in->left;
    if (!lt_take(in, frame->len, &bytes))
        return false;
    memcpy(frame->data, bytes, frame->len);
    return true;
}

/* Reads every byte that a caller may read, so that the sanitizers see it. */
static inline uint8_t read_all(const uint8_t *bytes, size_t length)
{
    uint8_t all = 0;
    for (size_t i = 0; i < length; i++)
        all ^= bytes[i];
    return all;
}

#endif
