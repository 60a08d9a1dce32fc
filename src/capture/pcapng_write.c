/* Frames to a pcapng recording (draft-ietf-opsawg-pcapng), link type 227, little-endian.
 *
 * One section. A bus is an interface, described before its first frame, under its name and with the
 * units that this frame's time needs; a frame that needs finer ones gets a second interface of the
 * same name, since a described one cannot be changed. A frame without time becomes a simple packet
 * where it can: only the first interface has those. */
#include <stdlib.h>
#include <string.h>

#include "capture/packet_write.h"

#define INTERFACES_MAX 256
#define NAME_ROOM      64

struct interface {
    char name[NAME_ROOM];
    bool ns;
};

struct state {
    size_t count, last; /* most frames are of the interface before */
    struct interface interfaces[INTERFACES_MAX];
};

enum { SECTION = 0x0A0D0D0A, INTERFACE = 1, SIMPLE_PACKET = 3, PACKET = 6 };
enum { OPTION_END = 0, INTERFACE_NAME = 2, INTERFACE_RESOLUTION = 9, PACKET_FLAGS = 2 };
enum { OUTBOUND = 2 };

static uint32_t padded(uint32_t len)
{
    return (len + 3) / 4 * 4;
}

static void put_padded(struct lt_sink *sink, const void *bytes, uint32_t len)
{
    static const char zeros[3];
    lt_sink_put(sink, bytes, len);
    lt_sink_put(sink, zeros, padded(len) - len);
}

static void put_option(struct lt_sink *sink, uint16_t code, const void *value, uint32_t len)
{
    lt_put16_le(sink, code);
    lt_put16_le(sink, (uint16_t)len);
    put_padded(sink, value, len);
}

enum lt_code lt_writer_open_pcapng(struct lt_writer *writer, struct lt_error *error)
{
    struct lt_sink *out = writer->out;
    writer->state = calloc(1, sizeof(struct state));
    if (!writer->state)
        return lt_fail(error, LT_E_MEMORY, "out of memory for writing pcapng");
    lt_put32_le(out, SECTION);
    lt_put32_le(out, 28);
    lt_put32_le(out, 0x1A2B3C4D);
    lt_put16_le(out, 1);
    lt_put16_le(out, 0);
    lt_put32_le(out, UINT32_MAX); /* the section's length is not known */
    lt_put32_le(out, UINT32_MAX);
    lt_put32_le(out, 28);
    return LT_OK;
}

static void describe(struct lt_sink *out, const struct interface *interface)
{
    const uint8_t resolution = interface->ns ? 9 : 6;
    uint32_t len = (uint32_t)strlen(interface->name);
    uint32_t total = 20 + (len ? 4 + padded(len) : 0) + 8 + 4;
    lt_put32_le(out, INTERFACE);
    lt_put32_le(out, total);
    lt_put16_le(out, LT_LINK_CAN);
    lt_put16_le(out, 0);
    lt_put32_le(out, 0); /* no limit */
    if (len)
        put_option(out, INTERFACE_NAME, interface->name, len);
    put_option(out, INTERFACE_RESOLUTION, &resolution, 1);
    put_option(out, OPTION_END, "", 0);
    lt_put32_le(out, total);
}

static bool is_interface(const struct interface *interface, const char *name, bool ns)
{
    return interface->ns == ns && strncmp(interface->name, name, NAME_ROOM - 1) == 0;
}

/* The number of the interface, described if it is new. False: there are too many. */
static bool find_interface(struct lt_writer *writer, const char *name, bool ns,
                           uint32_t *ret_number)
{
    struct state *state = writer->state;
    size_t i = state->last;
    if (i >= state->count || !is_interface(&state->interfaces[i], name, ns))
        for (i = 0; i < state->count && !is_interface(&state->interfaces[i], name, ns);)
            i++;
    if (i == INTERFACES_MAX)
        return false;
    if (i == state->count) {
        struct interface *made = &state->interfaces[state->count++];
        lt_text_format(made->name, sizeof made->name, "%s", name);
        made->ns = ns;
        describe(writer->out, made);
    }
    state->last = i;
    *ret_number = (uint32_t)i;
    return true;
}

static void put_simple(struct lt_writer *writer, const uint8_t *packet, uint32_t len)
{
    uint32_t total = 16 + padded(len);
    lt_put32_le(writer->out, SIMPLE_PACKET);
    lt_put32_le(writer->out, total);
    lt_put32_le(writer->out, len);
    put_padded(writer->out, packet, len);
    lt_put32_le(writer->out, total);
}

static void put_enhanced(struct lt_writer *writer, uint32_t number, uint64_t stamp, bool sent,
                         const uint8_t *packet, uint32_t len)
{
    static const uint8_t outbound[4] = {OUTBOUND};
    uint32_t total = 32 + padded(len) + (sent ? 12 : 0);
    lt_put32_le(writer->out, PACKET);
    lt_put32_le(writer->out, total);
    lt_put32_le(writer->out, number);
    lt_put32_le(writer->out, (uint32_t)(stamp >> 32));
    lt_put32_le(writer->out, (uint32_t)stamp);
    lt_put32_le(writer->out, len);
    lt_put32_le(writer->out, len);
    put_padded(writer->out, packet, len);
    if (sent) {
        put_option(writer->out, PACKET_FLAGS, outbound, sizeof outbound);
        put_option(writer->out, OPTION_END, "", 0);
    }
    lt_put32_le(writer->out, total);
}

bool lt_writer_put_pcapng(struct lt_writer *writer, const struct lt_frame *frame,
                          const char *bus_name)
{
    uint8_t packet[LT_FD_MTU];
    uint32_t number;
    bool ns = lt_writer_wants_ns(writer, frame), sent = lt_frame_has(frame, LT_FRAME_SENT);
    if (!find_interface(writer, bus_name, ns, &number))
        return false;
    if (strlen(bus_name) >= NAME_ROOM)
        lt_writer_lose(writer, LT_LOSS_BUS_NAME);
    uint32_t len = (uint32_t)lt_packet_write(writer, frame, packet);
    if (frame->time_ns == LT_NO_TIME && number == 0 && !sent) {
        put_simple(writer, packet, len);
        return true;
    }
    uint64_t stamp = lt_writer_stamp_ns(writer, frame, ns, INT64_MAX);
    put_enhanced(writer, number, ns ? stamp : stamp / 1000, sent, packet, len);
    return true;
}
