/* ISO 15765-2, receiving side, as a listener hears it.
 *
 * Assumes that frames come in the order they were on the bus and that the caller has chosen them by
 * identifier: one stream holds one direction of one conversation. Whether the flow control of the
 * other direction was recorded does not matter, since its only effect is when frames are sent.
 *
 * Protocol byte (behind the address byte, where there is one), high nibble first:
 *
 *     0L            single frame, L = 1..7 bytes (frames of up to 8 bytes)
 *     00 LL         single frame in a frame longer than 8 bytes
 *     1L LL         first frame, 12-bit length
 *     10 00 LLLLLLLL  first frame, 32-bit length
 *     2N            consecutive frame, N = 1..15,0,1..
 *     3S BS ST      flow control
 *
 * What went wrong -> event: a single frame of length 0 or longer than its frame, a first frame that
 * does not fill 8 bytes or whose message would have fitted a single frame, a consecutive frame
 * longer than the first or shorter though not the last, a cut flow control -> BAD, and the frame is
 * ignored; a number left out -> LOST; a new message before the end -> REPLACED; more than 1 s of
 * silence -> TIMEOUT; a consecutive frame out of nowhere -> STRAY.
 *
 * Documents: ISO 15765-2 as implemented in Linux net/can/isotp.c. */
#include "loomtap/proto/isotp.h"

#include <string.h>

#include "loomtap/base/bytes.h"

#define TIMEOUT_NS 1000000000u /* N_Cr of the standard; the kernel's receiver has the same */

enum frame_type { SINGLE, FIRST, CONSECUTIVE, FLOW };

/* One frame behind its address byte. */
struct piece {
    const uint8_t *at;
    size_t left;
    uint8_t frame_len;
    int64_t time_ns;
};

void lt_isotp_init(struct lt_isotp *stream, bool extended_address)
{
    memset(stream, 0, sizeof *stream);
    stream->extended_address = extended_address;
}

/* Bytes past LT_ISOTP_MAX are counted, not kept. */
static void keep(struct lt_isotp *stream, const uint8_t *bytes, size_t count)
{
    if (stream->have < LT_ISOTP_MAX) {
        size_t room = LT_ISOTP_MAX - stream->have;
        memcpy(stream->bytes + stream->have, bytes, count < room ? count : room);
    }
    stream->have += (uint32_t)count;
}

static void begin(struct lt_isotp *stream, const struct piece *piece, uint32_t length)
{
    stream->busy = true;
    stream->next = 1;
    stream->length = length;
    stream->have = 0;
    stream->frame_len = piece->frame_len;
    stream->last_len = 0;
    stream->started_ns = stream->last_ns = piece->time_ns;
}

static enum lt_isotp_event finish(struct lt_isotp *stream, struct lt_isotp_result *result)
{
    stream->busy = false;
    result->oversize = stream->length > LT_ISOTP_MAX;
    result->message = result->oversize ? NULL : stream->bytes;
    result->length = stream->length;
    result->started_ns = stream->started_ns;
    return LT_ISOTP_MESSAGE;
}

static enum lt_isotp_event take_single(struct lt_isotp *stream, const struct piece *piece,
                                       struct lt_isotp_result *result)
{
    size_t head = 1, length = piece->at[0] & 15;
    if (piece->frame_len > 8) {
        /* Long frames have the escape form only; a length in the nibble is an error there. */
        if (length != 0 || piece->left < 2)
            return LT_ISOTP_BAD;
        head = 2;
        length = piece->at[1];
    }
    if (length == 0 || length > piece->left - head)
        return LT_ISOTP_BAD;
    begin(stream, piece, (uint32_t)length);
    keep(stream, piece->at + head, length);
    return finish(stream, result);
}

static enum lt_isotp_event take_first(struct lt_isotp *stream, const struct piece *piece,
                                      struct lt_isotp_result *result)
{
    if (piece->frame_len < 8)
        return LT_ISOTP_BAD;
    size_t head = 2;
    uint32_t length = (uint32_t)(piece->at[0] & 15) << 8 | piece->at[1];
    if (length == 0) {
        head = 6;
        length = lt_load32_be(piece->at + 2);
    }
    size_t fits_single = piece->left - (piece->frame_len > 8 ? 2 : 1);
    if (length <= fits_single)
        return LT_ISOTP_BAD;
    begin(stream, piece, length);
    keep(stream, piece->at + head, piece->left - head);
    result->length = length;
    result->started_ns = piece->time_ns;
    return LT_ISOTP_STARTED;
}

static bool is_repeat(const struct lt_isotp *stream, const struct piece *piece)
{
    return stream->last_len == piece->left && memcmp(stream->last, piece->at, piece->left) == 0;
}

static enum lt_isotp_event take_consecutive(struct lt_isotp *stream, const struct piece *piece,
                                            struct lt_isotp_result *result)
{
    /* A recording of two joined buses, or of a repeated transmission, holds frames twice. */
    if (is_repeat(stream, piece))
        return LT_ISOTP_REPEATED;
    if (!stream->busy)
        return LT_ISOTP_STRAY;
    uint8_t number = piece->at[0] & 15;
    if (number != stream->next) {
        stream->busy = false;
        result->missing = (number - stream->next) & 15u;
        return LT_ISOTP_LOST;
    }
    size_t wanted = stream->length - stream->have;
    size_t given = piece->left - 1;
    bool cut = piece->frame_len < stream->frame_len && given < wanted;
    if (cut || piece->frame_len > stream->frame_len)
        return LT_ISOTP_BAD;
    keep(stream, piece->at + 1, given < wanted ? given : wanted);
    memcpy(stream->last, piece->at, piece->left);
    stream->last_len = (uint8_t)piece->left;
    stream->next = (stream->next + 1) & 15;
    stream->last_ns = piece->time_ns;
    return stream->have == stream->length ? finish(stream, result) : LT_ISOTP_MORE;
}

/* STmin: 00..7F milliseconds, F1..F9 hundreds of microseconds; reserved values count as 7F. */
static uint32_t st_min_us(uint8_t code)
{
    if (code >= 0xF1 && code <= 0xF9)
        return (code - 0xF0u) * 100;
    return (code <= 0x7F ? code : 0x7Fu) * 1000;
}

static enum lt_isotp_event take_flow(struct lt_isotp *stream, const struct piece *piece,
                                     struct lt_isotp_result *result)
{
    if (piece->left < 3)
        return LT_ISOTP_BAD;
    uint8_t state = piece->at[0] & 15;
    result->flow = state < LT_FLOW_RESERVED ? (enum lt_isotp_flow)state : LT_FLOW_RESERVED;
    result->block_size = piece->at[1];
    result->st_min_us = st_min_us(piece->at[2]);
    stream->flow_count++;
    return LT_ISOTP_FLOW;
}

static bool is_timed_out(const struct lt_isotp *stream, int64_t now_ns)
{
    return stream->busy && now_ns != LT_NO_TIME && stream->last_ns != LT_NO_TIME &&
           now_ns > stream->last_ns && (uint64_t)now_ns - (uint64_t)stream->last_ns > TIMEOUT_NS;
}

static enum lt_isotp_event take(struct lt_isotp *stream, const struct piece *piece,
                                struct lt_isotp_result *result)
{
    switch (piece->at[0] >> 4) {
    case SINGLE:
        return take_single(stream, piece, result);
    case FIRST:
        return take_first(stream, piece, result);
    case CONSECUTIVE:
        return take_consecutive(stream, piece, result);
    case FLOW:
        return take_flow(stream, piece, result);
    default:
        return LT_ISOTP_NOTHING;
    }
}

struct lt_isotp_result lt_isotp_feed(struct lt_isotp *stream, const struct lt_frame *frame)
{
    struct lt_isotp_result result = {.event = LT_ISOTP_NOTHING};
    size_t address = stream->extended_address ? 1 : 0;
    if (lt_frame_has(frame, LT_FRAME_REMOTE) || lt_frame_has(frame, LT_FRAME_ERROR))
        return result;
    bool timed_out = is_timed_out(stream, frame->time_ns);
    if (timed_out)
        stream->busy = false;
    bool was_busy = stream->busy;
    if (frame->len > address && frame->len <= LT_FRAME_MAX) {
        const struct piece piece = {.at = frame->data + address,
                                    .left = frame->len - address,
                                    .frame_len = frame->len,
                                    .time_ns = frame->time_ns};
        result.event = take(stream, &piece, &result);
        bool began = piece.at[0] >> 4 == SINGLE || piece.at[0] >> 4 == FIRST;
        if (was_busy && began && result.event != LT_ISOTP_BAD) {
            result.then = result.event;
            result.event = LT_ISOTP_REPLACED;
        }
    }
    if (timed_out) {
        result.then = result.event;
        result.event = LT_ISOTP_TIMEOUT;
    }
    return result;
}

const char *lt_isotp_event_text(enum lt_isotp_event event)
{
    static const char *const text[] = {
        [LT_ISOTP_NOTHING] = "not a transport frame",
        [LT_ISOTP_MESSAGE] = "message complete",
        [LT_ISOTP_STARTED] = "message started",
        [LT_ISOTP_MORE] = "message goes on",
        [LT_ISOTP_FLOW] = "flow control",
        [LT_ISOTP_REPEATED] = "frame repeated",
        [LT_ISOTP_LOST] = "frames lost",
        [LT_ISOTP_REPLACED] = "replaced by a new message",
        [LT_ISOTP_STRAY] = "part of no message",
        [LT_ISOTP_TIMEOUT] = "silent for more than a second",
        [LT_ISOTP_BAD] = "impossible length",
    };
    return (size_t)event < sizeof text / sizeof text[0] ? text[event] : "unknown";
}

/* Protocol bytes and offset of the n-th frame; false past the end. */
static bool segment_head(size_t length, size_t n, struct lt_frame *frame, size_t *ret_head,
                         size_t *ret_offset)
{
    size_t first_head = length <= 0xFFF ? 2 : 6;
    *ret_offset = n == 0 ? 0 : 8 - first_head + 7 * (n - 1);
    *ret_head = 1;
    if (length <= 7) {
        if (n > 0)
            return false;
        frame->data[0] = (uint8_t)length;
        return true;
    }
    if (n > 0) {
        if (*ret_offset >= length)
            return false;
        frame->data[0] = (uint8_t)(0x20 | (n & 15));
        return true;
    }
    *ret_head = first_head;
    if (length <= 0xFFF) {
        lt_store16_be(frame->data, (uint16_t)(0x1000 | length));
    } else {
        lt_store16_be(frame->data, 0x1000);
        lt_store32_be(frame->data + 2, (uint32_t)length);
    }
    return true;
}

bool lt_isotp_segment(const uint8_t *message, size_t length, size_t n, uint8_t padding,
                      struct lt_frame *frame)
{
    size_t head, offset;
    /* n is bounded first, so that its multiple cannot overflow. */
    if (length == 0 || length > UINT32_MAX || n > length ||
        !segment_head(length, n, frame, &head, &offset))
        return false;
    size_t count = length - offset < 8 - head ? length - offset : 8 - head;
    memcpy(frame->data + head, message + offset, count);
    memset(frame->data + head + count, padding, 8 - head - count);
    frame->len = frame->raw_dlc = 8;
    return true;
}
