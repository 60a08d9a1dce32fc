/* CAN packets: see packet.h for the layout and its documents.
 *
 * Which order a cooked packet's can_id has: an 11-bit identifier leaves bits 11 to 28 zero and a
 * 29-bit one has bit 31, so nearly every packet makes sense in one order only. The first that does
 * settles it for those that make sense in both; until then the file's own order is the guess, since
 * a recorder writes files in its host's order. */
#include "capture/packet.h"

enum { ARPHRD_OF_CAN = 280, SENT_BY_HOST = 4 };
enum { PROTOCOL_CAN = 0x000C, PROTOCOL_CANFD = 0x000D, PROTOCOL_CANXL = 0x000E };

bool lt_link_has_can(uint32_t link)
{
    return link == LT_LINK_CAN || link == LT_LINK_COOKED || link == LT_LINK_COOKED_2;
}

const char *lt_link_name(uint32_t link)
{
    static const struct {
        uint32_t link;
        const char *name;
    } rows[] = {{0, "loopback"},
                {1, "Ethernet"},
                {101, "raw IP"},
                {105, "IEEE 802.11"},
                {113, "Linux cooked"},
                {127, "IEEE 802.11 radio"},
                {147, "user-defined"},
                {189, "USB"},
                {190, "CAN 2.0B, a type without a published layout"},
                {210, "FlexRay"},
                {212, "LIN"},
                {220, "USB"},
                {227, "SocketCAN"},
                {249, "USB"},
                {276, "Linux cooked"}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        if (rows[i].link == link)
            return rows[i].name;
    return NULL;
}

/* The class bits of error frames that linux/can/error.h knows, and two to come. */
#define CLASSES 0xFFFu

/* Could this be a can_id? */
static bool is_plausible(uint32_t can_id)
{
    uint32_t id = can_id & LT_ID_MAX_EXTENDED;
    if (can_id & LT_CAN_ERROR)
        return (can_id & (LT_CAN_EXTENDED | LT_CAN_REMOTE)) == 0 && id > 0 && id <= CLASSES;
    return (can_id & LT_CAN_EXTENDED) || id <= LT_ID_MAX_STANDARD;
}

static uint32_t host_order_id(const uint8_t *at, struct lt_packet_state *state)
{
    uint32_t big = lt_load32_be(at), little = lt_load32_le(at);
    bool big_fits = is_plausible(big), little_fits = is_plausible(little);
    if (big_fits != little_fits)
        state->host_big = big_fits;
    return state->host_big ? big : little;
}

static enum lt_packet_kind bad(struct lt_packet_said *said, enum lt_bad_line reason)
{
    said->reason = reason;
    return LT_PACKET_BAD;
}

static bool take_id(uint32_t can_id, struct lt_frame *frame, struct lt_packet_said *said)
{
    frame->id = can_id & LT_ID_MAX_EXTENDED;
    if (can_id & LT_CAN_ERROR) {
        frame->flags |= LT_FRAME_ERROR;
        said->odd = (can_id & (LT_CAN_EXTENDED | LT_CAN_REMOTE)) != 0;
        return true;
    }
    if (can_id & LT_CAN_EXTENDED)
        frame->flags |= LT_FRAME_EXTENDED;
    if (can_id & LT_CAN_REMOTE)
        frame->flags |= LT_FRAME_REMOTE;
    return (can_id & LT_CAN_EXTENDED) || frame->id <= LT_ID_MAX_STANDARD;
}

/* Length, flags, DLC and data of an FD frame; `left` bytes stand behind the head. */
static enum lt_packet_kind take_fd(const uint8_t *at, size_t left, struct lt_frame *frame,
                                   struct lt_packet_said *said)
{
    uint8_t len = at[4], flags = at[5];
    if (frame->flags & (LT_FRAME_REMOTE | LT_FRAME_ERROR)) /* neither exists in FD */
        return bad(said, LT_BAD_FLAGS);
    if (len > LT_FRAME_MAX)
        return bad(said, LT_BAD_LENGTH);
    if (len > left)
        return bad(said, LT_BAD_SHORT);
    frame->flags |= LT_FRAME_FD;
    frame->flags |= flags & LT_CANFD_BRS ? LT_FRAME_BRS : 0;
    frame->flags |= flags & LT_CANFD_ESI ? LT_FRAME_ESI : 0;
    frame->len = len;
    frame->raw_dlc = lt_len_to_dlc(len, true);
    said->odd = !lt_len_is_valid(len, true);
    memcpy(frame->data, at + LT_CAN_HEAD, len);
    return LT_PACKET_FRAME;
}

static enum lt_packet_kind take_classic(const uint8_t *at, size_t left, struct lt_frame *frame,
                                        struct lt_packet_said *said)
{
    uint8_t len = at[4], dlc = at[7];
    if (len > 8)
        return bad(said, LT_BAD_LENGTH);
    frame->raw_dlc = len == 8 && dlc > 8 && dlc <= 15 ? dlc : len;
    /* A remote request may say a length but need not have the bytes (LINKTYPE_CAN_SOCKETCAN). */
    frame->len = frame->flags & LT_FRAME_REMOTE ? 0 : len;
    if (frame->len > left)
        return bad(said, LT_BAD_SHORT);
    if (frame->flags & LT_FRAME_ERROR)
        said->odd = said->odd || len != 8;
    memcpy(frame->data, at + LT_CAN_HEAD, frame->len);
    return LT_PACKET_FRAME;
}

/* The SocketCAN part; cooked: the protocol of its header, else 0. */
static enum lt_packet_kind take_can(const struct lt_packet *can, uint16_t protocol, uint32_t can_id,
                                    struct lt_frame *frame, struct lt_packet_said *said)
{
    const uint8_t *at = can->at;
    if (at[4] & LT_CANXL_XLF || protocol == PROTOCOL_CANXL)
        return bad(said, LT_BAD_XL);
    if (!take_id(can_id, frame, said))
        return bad(said, LT_BAD_ID);
    bool fd =
        protocol == PROTOCOL_CANFD || can->original == LT_FD_MTU || (at[5] & LT_CANFD_FDF) != 0;
    return fd ? take_fd(at, can->captured - LT_CAN_HEAD, frame, said)
              : take_classic(at, can->captured - LT_CAN_HEAD, frame, said);
}

/* Both cooked headers, taken off: what matters of them is at different places. */
static bool take_header(struct lt_packet *packet, uint16_t *ret_protocol,
                        struct lt_packet_said *said, struct lt_frame *frame)
{
    bool second = packet->link == LT_LINK_COOKED_2;
    uint32_t size = second ? 20 : 16;
    const uint8_t *at = packet->at;
    if (packet->captured < size || packet->original < size)
        return false;
    unsigned hardware = lt_load16_be(at + (second ? 8 : 2));
    unsigned type = second ? at[10] : lt_load16_be(at);
    *ret_protocol = lt_load16_be(at + (second ? 0 : 14));
    if (type == SENT_BY_HOST)
        frame->flags |= LT_FRAME_SENT;
    said->has_index = second;
    said->index = second ? lt_load32_be(at + 4) : 0;
    packet->at += size;
    packet->captured -= size;
    packet->original -= size;
    return hardware == ARPHRD_OF_CAN && *ret_protocol >= PROTOCOL_CAN &&
           *ret_protocol <= PROTOCOL_CANXL;
}

enum lt_packet_kind lt_packet_parse(const struct lt_packet *packet, struct lt_packet_state *state,
                                    struct lt_frame *frame, struct lt_packet_said *said)
{
    struct lt_packet can = *packet;
    uint16_t protocol = 0;
    frame->flags = 0;
    *said = (struct lt_packet_said){.odd = false};
    if (!lt_link_has_can(packet->link))
        return LT_PACKET_OTHER;
    bool cooked = packet->link != LT_LINK_CAN;
    if (cooked && !take_header(&can, &protocol, said, frame))
        return LT_PACKET_OTHER;
    if (can.captured < LT_CAN_HEAD || can.original < LT_CAN_HEAD)
        return bad(said, LT_BAD_SHORT);
    uint32_t can_id = cooked ? host_order_id(can.at, state) : lt_load32_be(can.at);
    return take_can(&can, protocol, can_id, frame, said);
}
