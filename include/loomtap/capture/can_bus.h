/* Frames from the CAN buses of this machine (Linux SocketCAN), several buses as one stream in the
 * order of the host's clock. It only listens: nothing here can send.
 *
 *     const char *names[] = {"can0", "can1"};
 *     code = lt_can_bus_open(&bus, names, 2, NULL, &error);
 *     while (...)
 *         switch (lt_can_bus_next(bus, 100000000, &heard)) {
 *         case LT_CAN_FRAME: ... heard.frame ...
 *
 * A bus that goes down, sleeps or loses its adapter ends nothing: it is said once, the others go
 * on, and when it is back that is said too, with the time that is missing.
 *
 * Sources: Linux Documentation/networking/can.rst (raw sockets, flags, errors), timestamping.rst,
 * include/uapi/linux/can.h. */
#ifndef LOOMTAP_CAPTURE_CAN_BUS_H
#define LOOMTAP_CAPTURE_CAN_BUS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/core/frame.h"

/* What the kernel lets through: frames with (id & mask) == (filter's id & mask), and the same kind
 * of identifier. */
struct lt_can_filter {
    uint32_t id, mask;
    bool extended;
};
#define LT_CAN_FILTERS_MAX 512 /* the kernel's own limit, CAN_RAW_FILTER_MAX */

struct lt_can_bus_options {
    const struct lt_can_filter *filters; /* of every bus; none: everything */
    size_t filter_count;
    /* Room for frames that wait for this program, per bus; 0: 16 MiB. What the system allows
     * without privilege may be less: lt_can_bus_state says what it became. */
    size_t queue_bytes;
    bool no_errors; /* error frames are not wanted */
};

enum lt_can_event {
    LT_CAN_FRAME,
    LT_CAN_TIMEOUT, /* nothing within the time, or a signal came */
    LT_CAN_DOWN,    /* the interface was taken down; its bus is heard again when it is up */
    LT_CAN_GONE,    /* the interface is no more: adapter unplugged */
    LT_CAN_BACK,    /* after either of them: it is up again; gap_ns says how long it was away */
};

struct lt_can_heard {
    uint16_t bus;                 /* index of the name */
    const struct lt_frame *frame; /* LT_CAN_FRAME: borrowed until the next call */
    int64_t time_ns;     /* since 1970, by the kernel's stamp (an event: when it was noticed) */
    int64_t hardware_ns; /* of the adapter's own clock, whose zero is its own; LT_NO_TIME: none */
    int64_t gap_ns;      /* LT_CAN_BACK */
};

struct lt_can_bus_state {
    bool is_up, is_gone, is_fd; /* is_fd: the interface takes FD frames */
    uint64_t frames;
    /* Frames that the kernel threw away since this program was too slow, up to the newest frame or
     * the last lt_can_bus_count_drops. */
    uint64_t drops;
    size_t queue_bytes; /* what the system gave */
    unsigned gaps;      /* how often it was away, */
    int64_t gaps_ns;    /* and for how long, those that have ended */
};

struct lt_can_bus;

/* Bus numbers are the places of the names, at most LT_BUSES_MAX. A bus that is down at the start is
 * taken and waited for (LT_CAN_DOWN comes first). LT_E_UNKNOWN: no such interface, or it is no CAN
 * interface; LT_E_DUPLICATE: named twice; LT_E_IO: no CAN in this kernel, or no permission; all say
 * what to do. */
enum lt_code lt_can_bus_open(struct lt_can_bus **ret_bus, const char *const *names, size_t count,
                             const struct lt_can_bus_options *options, struct lt_error *error);
void lt_can_bus_free(struct lt_can_bus *bus); /* NULL is allowed */

/* Waits up to wait_ns (0: not at all) for the next frame or event. Frames of several buses come in
 * the order of their stamps, as far as the kernel had them queued when they were asked for. */
enum lt_can_event lt_can_bus_next(struct lt_can_bus *bus, int64_t wait_ns,
                                  struct lt_can_heard *ret_heard);

/* Asks the kernel for the drops now; without this a loss shows with the next frame only. */
void lt_can_bus_count_drops(struct lt_can_bus *bus);
const struct lt_can_bus_state *lt_can_bus_state(const struct lt_can_bus *bus, size_t number);

#endif
