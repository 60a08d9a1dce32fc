/* One captured packet to a frame: CAN under the link types that hold it. Internal to src/capture.
 *
 * From the link-type pages of the tcpdump group: LINKTYPE_CAN_SOCKETCAN (227), LINKTYPE_LINUX_SLL
 * (113), LINKTYPE_LINUX_SLL2 (276); flag bits from Linux include/uapi/linux/can.h.
 *
 *     | can_id 32 | length 8 | FD flags 8 | 0 | raw DLC 8 | data ...
 *
 * can_id is big-endian under link type 227. Under the two "cooked" headers, which a capture of all
 * interfaces at once has, the header is big-endian and can_id in the order of the host that
 * captured, which the packet does not name. */
#ifndef LOOMTAP_CAPTURE_PACKET_H
#define LOOMTAP_CAPTURE_PACKET_H

#include <stdbool.h>
#include <stdint.h>

#include "loomtap/base/bytes.h"
#include "loomtap/capture/reader.h"
#include "loomtap/core/frame.h"

enum { LT_LINK_CAN = 227, LT_LINK_COOKED = 113, LT_LINK_COOKED_2 = 276 };

/* The bits of can_id, the flags of FD and of XL (linux/can.h). */
#define LT_CAN_EXTENDED 0x80000000u
#define LT_CAN_REMOTE   0x40000000u
#define LT_CAN_ERROR    0x20000000u
enum { LT_CANFD_BRS = 0x01, LT_CANFD_ESI = 0x02, LT_CANFD_FDF = 0x04, LT_CANXL_XLF = 0x80 };

#define LT_CAN_HEAD 8u  /* bytes before the data */
#define LT_CAN_MTU  16u /* of a classic frame with its padding */
#define LT_FD_MTU   72u

bool lt_link_has_can(uint32_t link);
/* "Ethernet" ..., or NULL. */
const char *lt_link_name(uint32_t link);

enum lt_packet_kind { LT_PACKET_FRAME, LT_PACKET_OTHER, LT_PACKET_BAD };

struct lt_packet {
    uint32_t link;
    const uint8_t *at;
    uint32_t captured, original; /* bytes here, and bytes there were */
};

/* What is learnt from the packets of one interface. */
struct lt_packet_state {
    bool host_big; /* cooked: the host's order; begins as that of the file */
};

struct lt_packet_said {
    enum lt_bad_line reason; /* LT_PACKET_BAD */
    bool odd;                /* LT_PACKET_FRAME: not as a writer should write */
    bool has_index;          /* the packet says which interface of its host it came from */
    uint32_t index;
};

/* Sets id, flags, len, raw_dlc and data; neither time nor bus. LT_PACKET_OTHER: no CAN. */
enum lt_packet_kind lt_packet_parse(const struct lt_packet *packet, struct lt_packet_state *state,
                                    struct lt_frame *frame, struct lt_packet_said *said);

#endif
