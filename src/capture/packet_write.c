/* A frame to a packet of link type 227 (packet.h has the layout), and what both binary forms do
 * with a frame's time. */
#include <string.h>

#include "capture/packet_write.h"

static void store16_le(uint8_t *to, uint16_t value)
{
    to[0] = (uint8_t)value;
    to[1] = (uint8_t)(value >> 8);
}

static void store32_le(uint8_t *to, uint32_t value)
{
    store16_le(to, (uint16_t)value);
    store16_le(to + 2, (uint16_t)(value >> 16));
}

void lt_put16_le(struct lt_sink *sink, uint16_t value)
{
    uint8_t bytes[2];
    store16_le(bytes, value);
    lt_sink_put(sink, (const char *)bytes, sizeof bytes);
}

void lt_put32_le(struct lt_sink *sink, uint32_t value)
{
    uint8_t bytes[4];
    store32_le(bytes, value);
    lt_sink_put(sink, (const char *)bytes, sizeof bytes);
}

static uint32_t can_id_of(const struct lt_frame *frame)
{
    uint32_t can_id = frame->id & LT_ID_MAX_EXTENDED;
    can_id |= lt_frame_has(frame, LT_FRAME_EXTENDED) ? LT_CAN_EXTENDED : 0;
    can_id |= lt_frame_has(frame, LT_FRAME_REMOTE) ? LT_CAN_REMOTE : 0;
    can_id |= lt_frame_has(frame, LT_FRAME_ERROR) ? LT_CAN_ERROR : 0;
    return can_id;
}

/* The length as the packet says it, and in *ret_dlc the DLC where it is above that. */
static uint8_t length_of(struct lt_writer *writer, const struct lt_frame *frame, uint8_t *ret_dlc)
{
    bool fd = lt_frame_has(frame, LT_FRAME_FD), remote = lt_frame_has(frame, LT_FRAME_REMOTE);
    uint8_t len = remote ? lt_dlc_to_len(frame->raw_dlc, false) : frame->len;
    *ret_dlc = !fd && len == 8 && frame->raw_dlc > 8 ? frame->raw_dlc : 0;
    if (*ret_dlc == 0 && frame->raw_dlc != lt_len_to_dlc(len, fd))
        lt_writer_lose(writer, LT_LOSS_RAW_DLC);
    return len;
}

size_t lt_packet_write(struct lt_writer *writer, const struct lt_frame *frame, uint8_t *ret_bytes)
{
    bool fd = lt_frame_has(frame, LT_FRAME_FD);
    lt_store32_be(ret_bytes, can_id_of(frame));
    ret_bytes[4] = length_of(writer, frame, &ret_bytes[7]);
    ret_bytes[5] = fd ? LT_CANFD_FDF : 0;
    ret_bytes[5] |= fd && lt_frame_has(frame, LT_FRAME_BRS) ? LT_CANFD_BRS : 0;
    ret_bytes[5] |= fd && lt_frame_has(frame, LT_FRAME_ESI) ? LT_CANFD_ESI : 0;
    ret_bytes[6] = 0;
    memcpy(ret_bytes + LT_CAN_HEAD, frame->data, frame->len);
    return LT_CAN_HEAD + frame->len;
}

/* Does the time have more than six digits behind the point? */
bool lt_writer_wants_ns(const struct lt_writer *writer, const struct lt_frame *frame)
{
    if (writer->options.has_digits)
        return writer->options.digits > 6;
    const char *dot = frame->time_len ? memchr(frame->time_text, '.', frame->time_len) : NULL;
    if (dot)
        return frame->time_text + frame->time_len - dot > 7;
    return frame->time_ns != LT_NO_TIME && frame->time_ns % 1000 != 0;
}

uint64_t lt_writer_stamp_ns(struct lt_writer *writer, const struct lt_frame *frame, bool ns,
                            int64_t limit_ns)
{
    int64_t time_ns = frame->time_ns;
    if (time_ns == LT_NO_TIME || time_ns < 0 || time_ns >= limit_ns) {
        lt_writer_lose(writer, time_ns == LT_NO_TIME ? LT_LOSS_NO_TIME : LT_LOSS_TIME_RANGE);
        return 0;
    }
    unsigned digits = lt_writer_digits(writer, frame, ns ? 9 : 6);
    int64_t step = 1;
    while (digits++ < 9)
        step *= 10;
    return (uint64_t)(time_ns - time_ns % step);
}
