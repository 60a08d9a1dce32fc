/* pcap recordings (draft-ietf-opsawg-pcap): a header of 24 bytes, then records without padding.
 *
 *     | magic | 2 | 4 | 0 | 0 | snaplen | link type |     the magic tells byte order and units
 *     | seconds | fraction | captured | original | bytes ... |
 *
 * One interface a file, without a name: the bus is "if0", or "if<n>" where each packet says the
 * number of its interface. */
#include "capture/records.h"

#define HEADER_BYTES 24
#define RECORD_BYTES 16
/* No recorder writes more of a packet (the draft's and libpcap's largest snapshot length). */
#define CAPTURED_MAX 262144u

#define MAGIC_US 0xA1B2C3D4u
#define MAGIC_NS 0xA1B23C4Du

static enum lt_code refuse(const char *name, struct lt_error *error)
{
    lt_error_advise(error, "fetch or record it again, or save it as pcapng");
    lt_error_at(error, name, 0, 0);
    return LT_E_NOT_CAPTURE;
}

static enum lt_code take_header(struct lt_reader *reader, const uint8_t *at, const char *name,
                                struct lt_error *error)
{
    struct lt_records *records = reader->records;
    uint32_t magic = lt_load32_be(at);
    bool big = records->big = magic == MAGIC_US || magic == MAGIC_NS;
    bool nano = lt_order32(big, at) == MAGIC_NS;
    unsigned major = lt_order16(big, at + 4), minor = lt_order16(big, at + 6);
    uint32_t link = lt_order32(big, at + 20) & 0xFFFF; /* above: about frame check sequences */
    if (major != 2 || minor != 4) {
        lt_fail(error, LT_E_NOT_CAPTURE, "this is a pcap recording of version %u.%u; 2.4 is read",
                major, minor);
        return refuse(name, error);
    }
    if (!lt_link_has_can(link))
        return lt_records_wrong_link("pcap", link, name, error);
    struct lt_interface *interface = &records->interfaces[0];
    lt_interface_init(interface, link, LT_TEXT(""), 0);
    interface->units.resolution = nano ? 9 : 6;
    interface->digits = lt_stamp_digits(interface->units);
    interface->state.host_big = big;
    records->interface_count = 1;
    records->has_interface = records->has_can = true;
    return LT_OK;
}

enum lt_code lt_pcap_begin(struct lt_reader *reader, const char *name, struct lt_error *error)
{
    struct lt_input *input = &reader->input;
    enum lt_code code = lt_records_begin(reader, error);
    if (code != LT_OK)
        return code;
    while (input->end - input->at < HEADER_BYTES && lt_input_append(input, name))
        ;
    size_t left = (size_t)(input->end - input->at);
    if (left < HEADER_BYTES && input->code != LT_OK) {
        if (error)
            *error = input->error;
        return input->code;
    }
    if (left < HEADER_BYTES) {
        lt_fail(error, LT_E_NOT_CAPTURE, "this pcap recording ends inside its header, at byte %zu",
                left);
        return refuse(name, error);
    }
    code = take_header(reader, (const uint8_t *)input->at, name, error);
    input->at += HEADER_BYTES;
    return code;
}

/* False: there is no whole record, or no going on. */
static bool take_record(struct lt_reader *reader)
{
    struct lt_input *input = &reader->input;
    struct lt_interface *interface = &reader->records->interfaces[0];
    bool big = reader->records->big;
    const uint8_t *at = (const uint8_t *)input->at;
    size_t left = (size_t)(input->end - input->at);
    if (left < RECORD_BYTES)
        return false;
    uint32_t seconds = lt_order32(big, at), fraction = lt_order32(big, at + 4);
    uint32_t captured = lt_order32(big, at + 8), original = lt_order32(big, at + 12);
    if (captured > CAPTURED_MAX) {
        lt_records_fail(reader, at, "a packet of more than 262144 bytes");
        return false;
    }
    uint32_t total = RECORD_BYTES + captured;
    uint32_t seen = total < LT_BLOCK_FRONT ? total : LT_BLOCK_FRONT;
    if (left < seen)
        return false;
    uint32_t units = interface->units.resolution == 9 ? 1000000000u : 1000000u;
    struct lt_record record = {
        .start = at,
        .packet = {interface->link, at + RECORD_BYTES, seen - RECORD_BYTES, original},
        .has_time = true,
        .stamp = (uint64_t)seconds * units + fraction,
    };
    lt_records_count(reader);
    if (fraction < units)
        lt_records_take(reader, interface, &record);
    else
        lt_records_bad(reader, at, LT_BAD_STAMP);
    lt_records_skip(reader, total);
    return !reader->ended;
}

void lt_pcap_take(struct lt_reader *reader)
{
    while (lt_records_skipped(reader) && reader->batch_count < LT_BATCH && take_record(reader))
        ;
}
