/* Frames from CAN interfaces into a queue of this program, by a thread of its own, so that a slow
 * disk or terminal does not lose what the kernel's queue could not hold. */
#ifndef LOOMTAP_LIVE_INTAKE_H
#define LOOMTAP_LIVE_INTAKE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/capture/can_bus.h"
#include "loomtap/live/stamps.h"

#define LT_INTAKE_ROOM 131072 /* frames: six seconds of a full 1 Mbit/s bus, 22 MB */

struct lt_intake;

/* Takes over `bus`, which is freed with the intake. room 0: LT_INTAKE_ROOM. LT_E_MEMORY;
 * LT_E_LIMIT: no thread. */
enum lt_code lt_intake_start(struct lt_intake **ret_intake, struct lt_can_bus *bus, size_t count,
                             size_t room, struct lt_error *error);
void lt_intake_free(struct lt_intake *intake); /* NULL is allowed; what waits is lost */

/* The next frame or event, in order; waits up to wait_ns. Its frame is borrowed until the next
 * call. LT_CAN_TIMEOUT: none yet, or a signal came. */
enum lt_can_event lt_intake_take(struct lt_intake *intake, int64_t wait_ns,
                                 struct lt_can_heard *ret_heard);

/* The bus as it was when its thread looked last; its drops hold those of a full intake too. */
struct lt_can_bus_state lt_intake_state(struct lt_intake *intake, size_t number);

/* The adapter's clock of this bus against the host's, of the frames so far. */
struct lt_stamps_report lt_intake_clock(struct lt_intake *intake, size_t number);

#endif
