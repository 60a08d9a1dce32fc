/* Frames onto a CAN interface of this machine (Linux SocketCAN).
 *
 * Transmitting on a vehicle bus can change how the vehicle behaves. This is the raw end of it: it
 * decides nothing, refuses nothing but what cannot be sent, and repeats nothing by itself. Who
 * calls it asks the person first, unless the interface is virtual (lt_can_sender_is_virtual).
 *
 * Source: Linux Documentation/networking/can.rst. */
#ifndef LOOMTAP_CAPTURE_CAN_SEND_H
#define LOOMTAP_CAPTURE_CAN_SEND_H

#include <stdbool.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/core/frame.h"

struct lt_can_sender;

/* LT_E_UNKNOWN: no such interface, or no CAN interface; LT_E_IO: no CAN here, it is down, or not
 * permitted. */
enum lt_code lt_can_sender_open(struct lt_can_sender **ret_sender, const char *name,
                                struct lt_error *error);
void lt_can_sender_free(struct lt_can_sender *sender); /* NULL is allowed */

/* Is it for certain a bus inside this machine, with no wire? By the kind of the kernel's driver;
 * where the kernel does not say: false. */
bool lt_can_sender_is_virtual(const struct lt_can_sender *sender);
bool lt_can_sender_takes_fd(const struct lt_can_sender *sender);

/* Puts a frame into the interface's queue, waiting up to wait_ns for room. LT_E_RANGE: an error
 * frame, or an FD frame where the interface takes none; LT_E_LIMIT: no room within the time (a bus
 * that nobody acknowledges); LT_E_IO: down, gone, bus-off. Nothing is repeated. */
enum lt_code lt_can_sender_send(struct lt_can_sender *sender, const struct lt_frame *frame,
                                int64_t wait_ns, struct lt_error *error);

#endif
