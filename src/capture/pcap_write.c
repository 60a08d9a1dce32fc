/* Frames to a pcap recording (draft-ietf-opsawg-pcap), link type 227, little-endian.
 *
 * The header says microseconds or nanoseconds, so it is written with the first frame, whose time
 * decides. The form has no place for bus names nor for who sent a frame; frames of several buses
 * can then no longer be told apart, which is counted. */
#include <stdlib.h>
#include <string.h>

#include "capture/line.h"
#include "capture/packet_write.h"

#define NS_PER_S INT64_C(1000000000)
#define SNAPLEN  262144
/* Seconds have 32 bits; the draft has them unsigned, to the year 2106. */
#define TIME_MAX_NS ((INT64_C(1) << 32) * NS_PER_S)

struct state {
    bool has_header, ns;
    char bus[64]; /* of the first frame, cut */
};

enum lt_code lt_writer_open_pcap(struct lt_writer *writer, struct lt_error *error)
{
    writer->state = calloc(1, sizeof(struct state));
    return writer->state ? LT_OK : lt_fail(error, LT_E_MEMORY, "out of memory for writing pcap");
}

static void put_header(struct lt_writer *writer, bool ns)
{
    struct state *state = writer->state;
    lt_put32_le(writer->out, ns ? 0xA1B23C4D : 0xA1B2C3D4);
    lt_put16_le(writer->out, 2);
    lt_put16_le(writer->out, 4);
    lt_put32_le(writer->out, 0);
    lt_put32_le(writer->out, 0);
    lt_put32_le(writer->out, SNAPLEN);
    lt_put32_le(writer->out, LT_LINK_CAN);
    state->has_header = true;
    state->ns = ns;
}

static void begin(struct lt_writer *writer, const struct lt_frame *frame, const char *bus_name)
{
    struct state *state = writer->state;
    put_header(writer, lt_writer_wants_ns(writer, frame));
    lt_text_format(state->bus, sizeof state->bus, "%s", bus_name);
}

bool lt_writer_put_pcap(struct lt_writer *writer, const struct lt_frame *frame,
                        const char *bus_name)
{
    struct state *state = writer->state;
    uint8_t packet[LT_FD_MTU];
    if (!state->has_header)
        begin(writer, frame, bus_name);
    if (*bus_name && strcmp(bus_name, "if0") != 0) /* what a bus without name is read as */
        lt_writer_lose(writer, LT_LOSS_BUS_NAME);
    if (strncmp(state->bus, bus_name, sizeof state->bus - 1) != 0)
        lt_writer_lose(writer, LT_LOSS_BUSES);
    if (lt_frame_has(frame, LT_FRAME_SENT))
        lt_writer_lose(writer, LT_LOSS_DIRECTION);
    uint64_t ns = lt_writer_stamp_ns(writer, frame, state->ns, TIME_MAX_NS);
    uint32_t fraction = (uint32_t)(ns % (uint64_t)NS_PER_S);
    uint32_t len = (uint32_t)lt_packet_write(writer, frame, packet);
    lt_put32_le(writer->out, (uint32_t)(ns / (uint64_t)NS_PER_S));
    lt_put32_le(writer->out, state->ns ? fraction : fraction / 1000);
    lt_put32_le(writer->out, len);
    lt_put32_le(writer->out, len);
    lt_sink_put(writer->out, (const char *)packet, len);
    return true;
}

/* A recording without frames is one all the same. */
enum lt_code lt_writer_close_pcap(struct lt_writer *writer, struct lt_error *error)
{
    const struct state *state = writer->state;
    (void)error;
    if (!state->has_header)
        put_header(writer, writer->options.has_digits && writer->options.digits > 6);
    return LT_OK;
}
