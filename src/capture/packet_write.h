/* What the writers of binary forms share. Internal to src/capture. */
#ifndef LOOMTAP_CAPTURE_PACKET_WRITE_H
#define LOOMTAP_CAPTURE_PACKET_WRITE_H

#include "capture/packet.h"
#include "capture/writer.h"

/* Our recordings are little-endian everywhere: the same frames give the same bytes. */
void lt_put16_le(struct lt_sink *sink, uint16_t value);
void lt_put32_le(struct lt_sink *sink, uint32_t value);

/* The packet, without padding; returns its length, at most LT_FD_MTU, the room needed. */
size_t lt_packet_write(struct lt_writer *writer, const struct lt_frame *frame, uint8_t *ret_bytes);

/* Does the frame, or do the options, ask for nanoseconds? */
bool lt_writer_wants_ns(const struct lt_writer *writer, const struct lt_frame *frame);
/* The time, cut to the units; 0 where it is none or not below limit_ns. What is lost is counted. */
uint64_t lt_writer_stamp_ns(struct lt_writer *writer, const struct lt_frame *frame, bool ns,
                            int64_t limit_ns);

#endif
