/* ISO 15765-2 transport, receiving side, for a log or a live bus: fed with frames, it gives whole
 * messages. A pure state machine: no clock, no sockets, no allocation.
 *
 * Sources: ISO 15765-2 as in Linux net/can/isotp.c and Documentation/networking/iso15765-2.rst. */
#ifndef LOOMTAP_PROTO_ISOTP_H
#define LOOMTAP_PROTO_ISOTP_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/core/frame.h"

#define LT_ISOTP_MAX                                                                               \
    4095 /* longer messages (32-bit length) are followed but their bytes not kept */

/* What one frame did. More than one can come from a frame: a first frame that replaces an
 * unfinished message gives LT_ISOTP_REPLACED and starts the new one. */
enum lt_isotp_event {
    LT_ISOTP_NOTHING,  /* not a transport frame of this stream (empty, reserved type) */
    LT_ISOTP_MESSAGE,  /* complete: `message` and `length` are valid until the next feed */
    LT_ISOTP_STARTED,  /* first frame */
    LT_ISOTP_MORE,     /* consecutive frame in order */
    LT_ISOTP_FLOW,     /* flow control (of the other direction): flow, block_size, st_min_us */
    LT_ISOTP_REPEATED, /* the same consecutive frame again: ignored */
    LT_ISOTP_LOST,     /* a gap in the numbers: the message is given up; `missing` says how many */
    LT_ISOTP_REPLACED, /* a new message started before the last was complete */
    LT_ISOTP_STRAY,    /* a consecutive frame with nothing under way */
    LT_ISOTP_TIMEOUT,  /* more than 1 s since the last frame: given up (the new frame is then
                          looked at afresh, see `then`) */
    LT_ISOTP_BAD,      /* impossible length or type for this frame */
};

enum lt_isotp_flow { LT_FLOW_GO, LT_FLOW_WAIT, LT_FLOW_OVERFLOW, LT_FLOW_RESERVED };

struct lt_isotp_result {
    enum lt_isotp_event event;
    enum lt_isotp_event then; /* after TIMEOUT or REPLACED: what the frame itself did */
    const uint8_t *message;   /* of MESSAGE (in event or then), borrowed; readable 8 bytes past the
                                 end */
    uint32_t length;          /* bytes of the message (announced length for STARTED) */
    bool oversize;            /* longer than LT_ISOTP_MAX: message is NULL */
    int64_t started_ns;       /* time of the message's first frame */
    uint32_t missing;
    enum lt_isotp_flow flow;
    uint8_t block_size;
    uint32_t st_min_us;
};

/* One direction of one conversation: one reply identifier (or request identifier) on one bus. */
struct lt_isotp {
    bool extended_address; /* one address byte before the protocol byte */
    bool busy;
    uint8_t next; /* sequence number expected, 0..15 */
    uint32_t length, have;
    int64_t started_ns, last_ns;
    uint32_t flow_count;
    uint8_t frame_len; /* of the first frame: the others are as long, but for the last */
    uint8_t last_len;  /* the last consecutive frame, to know a repeat; kept after the message */
    uint8_t last[LT_FRAME_MAX];
    uint8_t bytes[LT_ISOTP_MAX + 64];
};

void lt_isotp_init(struct lt_isotp *stream, bool extended_address);
/* Frames without time (LT_NO_TIME) never time out. */
struct lt_isotp_result lt_isotp_feed(struct lt_isotp *stream, const struct lt_frame *frame);

const char *lt_isotp_event_text(enum lt_isotp_event event); /* for people */

/* Segmentation, for making traffic: fills frame->data and len (padded to 8 bytes with `padding`)
 * with the n-th frame of a message; false when n is past the end. Classic frames, normal addresses.
 */
bool lt_isotp_segment(const uint8_t *message, size_t length, size_t n, uint8_t padding,
                      struct lt_frame *frame);

#endif
