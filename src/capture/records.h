/* What the readers of binary forms (pcap.c, pcapng.c) share: interfaces, packets to frames in the
 * reader's batch, places of what is malformed, long blocks passed over. Internal to src/capture.
 *
 * A reader sees one record at a time, whole, in the input's bytes; of a longer one than
 * LT_BLOCK_FRONT it sees the start, and the rest is passed over by count. So memory is bounded
 * whatever lengths a file claims. */
#ifndef LOOMTAP_CAPTURE_RECORDS_H
#define LOOMTAP_CAPTURE_RECORDS_H

#include "capture/packet.h"
#include "capture/reader.h"
#include "capture/stamp.h"

#define LT_INTERFACES_MAX 1024 /* described in one section of pcapng; later ones are unknown */

struct lt_interface {
    uint32_t link, snaplen; /* snaplen 0: no limit */
    struct lt_stamp_units units;
    unsigned digits;
    struct lt_packet_state state;
    bool has_bus;
    uint16_t bus;
    uint32_t bus_index; /* cooked packets: the index that `bus` stands for */
    char name[LT_BUS_NAME_MAX + 1];
    /* Lost packets: as the packets say one by one, as statistics say in all, and what of it the
     * reader has counted. */
    uint64_t lost_by_packets, lost_in_all, lost_counted;
};

struct lt_records {
    bool big;            /* byte order of the file, or of the section */
    bool in_section;     /* pcapng */
    uint64_t skip_left;  /* bytes to pass over before the next record */
    uint32_t trailer;    /* pcapng: behind them the block's length again; or 0 */
    uint64_t base_bytes; /* the input's bytes_read at the start of this source */
    struct lt_stamp_text stamp;
    size_t interface_count;
    bool has_can;        /* an interface that can have CAN was described in this source */
    uint32_t first_link; /* of the first interface of this source */
    bool has_interface;
    char times[LT_BATCH][LT_STAMP_ROOM + 16]; /* what the batch's time_text points at */
    struct lt_interface interfaces[LT_INTERFACES_MAX];
};

static inline uint16_t lt_order16(bool big, const uint8_t *at)
{
    return big ? lt_load16_be(at) : lt_load16_le(at);
}

static inline uint32_t lt_order32(bool big, const uint8_t *at)
{
    return big ? lt_load32_be(at) : lt_load32_le(at);
}

static inline uint64_t lt_order64(bool big, const uint8_t *at)
{
    return big ? lt_load64_be(at) : lt_load64_le(at);
}

/* Ready for a new source. */
enum lt_code lt_records_begin(struct lt_reader *reader, struct lt_error *error);
/* Behind the last whole record of a source: a cut record, or a source without CAN. */
void lt_records_end(struct lt_reader *reader);
void lt_records_free(struct lt_records *records);

/* Sets link, units and the name: what of `name` a bus name can hold, or "if<number>" for none. */
void lt_interface_init(struct lt_interface *interface, uint32_t link, struct lt_text name,
                       uint32_t number);

/* Bytes of the source, unpacked, before `at`, which is in the input. */
uint64_t lt_records_offset(const struct lt_reader *reader, const uint8_t *at);

struct lt_record {
    const uint8_t *start; /* for its place */
    struct lt_packet packet;
    bool has_time, sent;
    uint64_t stamp; /* in the interface's units */
};

/* One packet: to the batch, or to the counts. The caller has counted it (lt_records_count). */
void lt_records_take(struct lt_reader *reader, struct lt_interface *interface,
                     const struct lt_record *record);
/* Counts a packet before anything is done with it: its number is then reader->line_number. */
void lt_records_count(struct lt_reader *reader);
void lt_records_bad(struct lt_reader *reader, const uint8_t *start, enum lt_bad_line reason);
/* Numbers that no recorder can mean (above 32 bits) are passed over. */
void lt_records_lost(struct lt_reader *reader, struct lt_interface *interface, uint64_t by_packet,
                     uint64_t in_all);

/* Passes over `count` bytes from the input's `at` on, now or as they come. */
void lt_records_skip(struct lt_reader *reader, uint64_t count);
/* What is left to be passed over. False: more must be read first. */
bool lt_records_skipped(struct lt_reader *reader);
/* Ends the reading: nothing behind `at` can be found any more. */
void lt_records_fail(struct lt_reader *reader, const uint8_t *at, const char *what);
/* "this is a pcap recording of Ethernet packets (link type 1), not of CAN frames" */
enum lt_code lt_records_wrong_link(const char *form, uint32_t link, const char *name,
                                   struct lt_error *error);

#endif
