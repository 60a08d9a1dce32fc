/* One CAN frame as every part of the program sees it.
 *
 * Sources: ISO 11898-1 (limits), Linux include/uapi/linux/can.h (flag bits of candump's ids). */
#ifndef LOOMTAP_CORE_FRAME_H
#define LOOMTAP_CORE_FRAME_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define LT_ID_MAX_STANDARD 0x7FFu
#define LT_ID_MAX_EXTENDED 0x1FFFFFFFu
#define LT_FRAME_MAX       64u /* data bytes of a CAN FD frame */
#define LT_FRAME_ROOM      80u /* readable bytes at data[], so that 8-byte loads need no check */
#define LT_BUSES_MAX       64u /* buses in one run; further ones are refused by the reader */
#define LT_NO_TIME         INT64_MIN

enum lt_frame_flag {
    LT_FRAME_EXTENDED = 1 << 0, /* 29-bit identifier; the same number in 11 bits is another frame */
    LT_FRAME_FD = 1 << 1,
    LT_FRAME_BRS = 1 << 2, /* FD: data phase at the second bit rate */
    LT_FRAME_ESI = 1 << 3, /* FD: the sender is error-passive */
    LT_FRAME_REMOTE =
        1 << 4,              /* remote request: carries no data, `len` is 0, raw_dlc what it asks */
    LT_FRAME_ERROR = 1 << 5, /* error report of the controller; `id` holds the class bits */
    LT_FRAME_SENT = 1 << 6,  /* sent by the recording host */
};

/* Borrowed from its reader: valid until the reader's next read. Copy it to keep it (time_text and
 * nothing else points elsewhere). */
struct lt_frame {
    int64_t time_ns;  /* as the capture counts; LT_NO_TIME where it has none */
    uint64_t number;  /* line or record of its file, from 1 */
    uint32_t id;      /* without flag bits */
    uint16_t bus;     /* index in the reader's list of bus names */
    uint16_t flags;   /* enum lt_frame_flag */
    uint8_t len;      /* data bytes, 0..64 */
    uint8_t raw_dlc;  /* the DLC as sent: 0..15 */
    uint8_t time_len; /* bytes of time_text, 0 = none */
    /* The time as the capture writes it, in seconds ("1436509052.249713"), every digit kept. NULL
     * with time_len 0 where the text is not of that form: then time_ns is all there is. */
    const char *time_text;
    /* Bytes past `len` are readable but hold nothing of this frame. */
    _Alignas(8) uint8_t data[LT_FRAME_ROOM];
};

static inline bool lt_frame_has(const struct lt_frame *frame, enum lt_frame_flag flag)
{
    return (frame->flags & flag) != 0;
}

/* Data bytes that a DLC stands for: 9..15 mean 8 in a classic frame and 12..64 in an FD frame. */
uint8_t lt_dlc_to_len(uint8_t dlc, bool fd);
/* The smallest DLC whose frame holds `len` bytes (len 0..64; classic: 0..8). */
uint8_t lt_len_to_dlc(uint8_t len, bool fd);
/* Is this a length that exists on the wire? FD: 0..8, 12, 16, 20, 24, 32, 48, 64. */
bool lt_len_is_valid(uint8_t len, bool fd);

/* Bits of a classic frame on the wire with the 3-bit gap that follows it: without stuff bits, and
 * at most with them. Davis, Burns, Bril, Lukkien, "CAN schedulability analysis", Real-Time Systems
 * 35 (2007): 47 + 8n or 67 + 8n, and g + 8n + 13 + floor((g + 8n - 1) / 4), g = 34 or 54. A remote
 * frame has n = 0. */
unsigned lt_frame_bits_min(uint8_t len, bool extended);
unsigned lt_frame_bits_max(uint8_t len, bool extended);

#endif
