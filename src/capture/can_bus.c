/* Listening to CAN interfaces: one raw socket a bus, each with a queue of frames read ahead, and
 * the oldest of their heads is next.
 *
 * Order. A head may be given out when no other bus can still bring an older frame: when each of the
 * others has a frame read ahead, or was found empty after the head had been stamped. Reading is
 * done until a socket is empty, so a frame never waits for another bus to speak.
 *
 * A socket whose interface goes down stays bound and works again when it is up; one whose interface
 * vanished must be made anew. The kernel says neither when the interface is up again, so that is
 * looked for a few times a second, while a bus is away. */
#include "loomtap/capture/can_bus.h"

#include <errno.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <linux/can.h>
#include <linux/can/raw.h>
#include <linux/errqueue.h>
#include <linux/net_tstamp.h>
#include <linux/sock_diag.h>
#include <net/if.h>
#include <sys/socket.h>

#include "loomtap/base/clock.h"

#include "capture/can_socket.h"

#define READ_AHEAD    64
#define QUEUE_BYTES   (16u << 20)
#define LOOK_AGAIN_NS INT64_C(200000000)

struct stamped {
    struct lt_frame frame;
    int64_t hardware_ns;
};

enum said { SAID_NOTHING, SAID_DOWN, SAID_GONE };

struct port {
    char name[IFNAMSIZ];
    int socket; /* -1: the interface is gone */
    struct lt_can_bus_state state;
    enum said said;      /* what the caller was told of it */
    int64_t away_ns;     /* since when it is away */
    int64_t empty_ns;    /* it was found empty at this time */
    uint32_t drops_seen; /* by the socket's own counter, which ends with the socket */
    struct stamped ahead[READ_AHEAD];
    unsigned at, count;
};

struct lt_can_bus {
    size_t count;
    struct port *ports;
    struct lt_can_filter *filters;
    struct lt_can_bus_options options;
    int64_t looked_ns; /* for interfaces that are away */
};

/* ---- opening ---- */

static bool set_filters(const struct lt_can_bus *bus, int fd)
{
    struct can_filter rows[LT_CAN_FILTERS_MAX];
    for (size_t i = 0; i < bus->options.filter_count; i++) {
        const struct lt_can_filter *filter = &bus->filters[i];
        rows[i].can_id = filter->id | (filter->extended ? CAN_EFF_FLAG : 0);
        rows[i].can_mask = (filter->mask & CAN_EFF_MASK) | CAN_EFF_FLAG;
    }
    return bus->options.filter_count == 0 ||
           setsockopt(fd, SOL_CAN_RAW, CAN_RAW_FILTER, rows,
                      (socklen_t)(bus->options.filter_count * sizeof *rows)) == 0;
}

/* Beyond what the system allows to everyone where that is permitted. */
static size_t set_queue(int fd, size_t bytes)
{
    int wanted = bytes < 1u << 30 ? (int)bytes : 1 << 30, given = 0;
    socklen_t len = sizeof given;
    if (setsockopt(fd, SOL_SOCKET, SO_RCVBUFFORCE, &wanted, sizeof wanted) != 0)
        setsockopt(fd, SOL_SOCKET, SO_RCVBUF, &wanted, sizeof wanted);
    getsockopt(fd, SOL_SOCKET, SO_RCVBUF, &given, &len);
    return given > 0 ? (size_t)given : 0;
}

static bool set_options(const struct lt_can_bus *bus, int fd)
{
    int on = 1;
    int stamps = SOF_TIMESTAMPING_RX_SOFTWARE | SOF_TIMESTAMPING_SOFTWARE |
                 SOF_TIMESTAMPING_RX_HARDWARE | SOF_TIMESTAMPING_RAW_HARDWARE;
    can_err_mask_t errors = bus->options.no_errors ? 0 : CAN_ERR_MASK;
    /* A kernel before 3.6 has no FD; there is none to miss then. */
    setsockopt(fd, SOL_CAN_RAW, CAN_RAW_FD_FRAMES, &on, sizeof on);
    return set_filters(bus, fd) &&
           setsockopt(fd, SOL_CAN_RAW, CAN_RAW_ERR_FILTER, &errors, sizeof errors) == 0 &&
           setsockopt(fd, SOL_SOCKET, SO_TIMESTAMPING, &stamps, sizeof stamps) == 0 &&
           setsockopt(fd, SOL_SOCKET, SO_RXQ_OVFL, &on, sizeof on) == 0;
}

static bool is_up(const struct port *port, bool *ret_exists)
{
    return lt_can_interface_is_up(port->socket, port->name, ret_exists);
}

/* Everything but whether it is up. */
static enum lt_code open_port(struct lt_can_bus *bus, struct port *port, struct lt_error *error)
{
    bool exists;
    int fd = lt_can_socket(error);
    if (fd < 0)
        return LT_E_IO;
    enum lt_code code = LT_OK;
    if (!set_options(bus, fd))
        code = lt_fail(error, LT_E_IO, "%s: cannot listen: %s", port->name, strerror(errno));
    if (code == LT_OK)
        code = lt_can_socket_bind(fd, port->name, error);
    if (code != LT_OK) {
        close(fd);
        return code;
    }
    port->socket = fd;
    port->drops_seen = 0;
    port->state.is_gone = false;
    port->state.is_fd = lt_can_interface_takes_fd(fd, port->name);
    port->state.queue_bytes =
        set_queue(fd, bus->options.queue_bytes ? bus->options.queue_bytes : QUEUE_BYTES);
    port->state.is_up = is_up(port, &exists);
    return LT_OK;
}

static enum lt_code name_ports(struct lt_can_bus *bus, const char *const *names,
                               struct lt_error *error)
{
    for (size_t i = 0; i < bus->count; i++) {
        struct port *port = &bus->ports[i];
        port->socket = -1;
        if (strlen(names[i]) >= sizeof port->name || names[i][0] == '\0')
            return lt_fail(error, LT_E_UNKNOWN, "%s: no interface can have this name", names[i]);
        strncpy(port->name, names[i], sizeof port->name - 1);
        for (size_t other = 0; other < i; other++)
            if (strcmp(names[other], names[i]) == 0)
                return lt_fail(error, LT_E_DUPLICATE, "%s is named twice", names[i]);
    }
    return LT_OK;
}

static enum lt_code open_all(struct lt_can_bus *bus, const char *const *names,
                             struct lt_error *error)
{
    enum lt_code code = name_ports(bus, names, error);
    for (size_t i = 0; code == LT_OK && i < bus->count; i++) {
        struct port *port = &bus->ports[i];
        code = open_port(bus, port, error);
        port->away_ns = lt_clock_ns(CLOCK_REALTIME);
    }
    return code;
}

static enum lt_code check_options(size_t count, const struct lt_can_bus_options *options,
                                  struct lt_error *error)
{
    if (count == 0)
        return lt_fail(error, LT_E_MISSING, "no bus is named");
    if (count > LT_BUSES_MAX)
        return lt_fail(error, LT_E_LIMIT, "more buses than the %u of one run", LT_BUSES_MAX);
    if (options && options->filter_count > LT_CAN_FILTERS_MAX)
        return lt_fail(error, LT_E_LIMIT, "more filters than the %d that the kernel takes",
                       LT_CAN_FILTERS_MAX);
    return LT_OK;
}

static bool copy_options(struct lt_can_bus *bus, const struct lt_can_bus_options *options)
{
    if (!options)
        return true;
    bus->options = *options;
    if (options->filter_count == 0)
        return true;
    bus->filters = calloc(options->filter_count, sizeof *bus->filters);
    if (bus->filters)
        memcpy(bus->filters, options->filters, options->filter_count * sizeof *bus->filters);
    return bus->filters != NULL;
}

enum lt_code lt_can_bus_open(struct lt_can_bus **ret_bus, const char *const *names, size_t count,
                             const struct lt_can_bus_options *options, struct lt_error *error)
{
    enum lt_code code = check_options(count, options, error);
    if (code != LT_OK)
        return code;
    struct lt_can_bus *bus = calloc(1, sizeof *bus);
    if (bus)
        bus->ports = calloc(count, sizeof *bus->ports);
    if (!bus || !bus->ports || !copy_options(bus, options)) {
        lt_can_bus_free(bus);
        return lt_fail(error, LT_E_MEMORY, "out of memory for listening to a bus");
    }
    bus->count = count;
    code = open_all(bus, names, error);
    if (code != LT_OK)
        lt_can_bus_free(bus);
    else
        *ret_bus = bus;
    return code;
}

void lt_can_bus_free(struct lt_can_bus *bus)
{
    if (!bus)
        return;
    for (size_t i = 0; i < bus->count; i++)
        if (bus->ports[i].socket >= 0)
            close(bus->ports[i].socket);
    free(bus->ports);
    free(bus->filters);
    free(bus);
}

/* ---- reading ahead ---- */

static int64_t ns_of(const struct timespec *time)
{
    return time->tv_sec * LT_SECOND_NS + time->tv_nsec;
}

static void add_drops(struct port *port, uint32_t seen)
{
    port->state.drops += (uint32_t)(seen - port->drops_seen);
    port->drops_seen = seen;
}

/* Stamps and the counter of drops, which stand beside the frame. */
static void take_controls(struct port *port, struct msghdr *header, struct stamped *stamped)
{
    stamped->frame.time_ns = LT_NO_TIME;
    stamped->hardware_ns = LT_NO_TIME;
    for (struct cmsghdr *control = CMSG_FIRSTHDR(header); control;
         control = CMSG_NXTHDR(header, control)) {
        if (control->cmsg_level != SOL_SOCKET)
            continue;
        if (control->cmsg_type == SO_TIMESTAMPING) {
            struct scm_timestamping stamps;
            memcpy(&stamps, CMSG_DATA(control), sizeof stamps);
            stamped->frame.time_ns = ns_of(&stamps.ts[0]);
            if (stamps.ts[2].tv_sec || stamps.ts[2].tv_nsec)
                stamped->hardware_ns = ns_of(&stamps.ts[2]);
        } else if (control->cmsg_type == SO_RXQ_OVFL) {
            uint32_t seen;
            memcpy(&seen, CMSG_DATA(control), sizeof seen);
            add_drops(port, seen);
        }
    }
    if (stamped->frame.time_ns <= 0)
        stamped->frame.time_ns = lt_clock_ns(CLOCK_REALTIME);
}

static uint16_t flags_of(const struct canfd_frame *raw, bool fd, int message_flags)
{
    /* Sent by this machine, by whatever program. */
    uint16_t flags = message_flags & MSG_DONTROUTE ? LT_FRAME_SENT : 0;
    if (raw->can_id & CAN_ERR_FLAG)
        return flags | LT_FRAME_ERROR;
    if (raw->can_id & CAN_EFF_FLAG)
        flags |= LT_FRAME_EXTENDED;
    if (!fd)
        return flags | (raw->can_id & CAN_RTR_FLAG ? LT_FRAME_REMOTE : 0);
    return flags | LT_FRAME_FD | (raw->flags & CANFD_BRS ? LT_FRAME_BRS : 0) |
           (raw->flags & CANFD_ESI ? LT_FRAME_ESI : 0);
}

static bool take_frame(const struct canfd_frame *raw, size_t bytes, int message_flags,
                       struct lt_frame *frame)
{
    bool fd = bytes == CANFD_MTU;
    if (bytes != CAN_MTU && !fd)
        return false;
    struct can_frame classic;
    memcpy(&classic, raw, sizeof classic);
    frame->flags = flags_of(raw, fd, message_flags);
    frame->id = raw->can_id & (frame->flags & LT_FRAME_ERROR      ? CAN_ERR_MASK
                               : frame->flags & LT_FRAME_EXTENDED ? CAN_EFF_MASK
                                                                  : CAN_SFF_MASK);
    unsigned most = fd ? CANFD_MAX_DLEN : CAN_MAX_DLEN;
    frame->len = raw->len <= most ? raw->len : (uint8_t)most;
    frame->raw_dlc = lt_len_to_dlc(frame->len, fd);
    if (!fd && classic.len == CAN_MAX_DLEN && classic.len8_dlc > 8 && classic.len8_dlc <= 15)
        frame->raw_dlc = classic.len8_dlc;
    memcpy(frame->data, raw->data, frame->len);
    if (frame->flags & LT_FRAME_REMOTE)
        frame->len = 0;
    return true;
}

/* What a socket says when its interface is down or no more. */
static void note_error(struct port *port, int number)
{
    if (number == ENETDOWN)
        port->state.is_up = false;
    else if (number == ENODEV || number == ENXIO)
        port->state.is_gone = true;
}

#define CONTROL_BYTES                                                                              \
    (CMSG_SPACE(sizeof(struct scm_timestamping)) + CMSG_SPACE(sizeof(uint32_t)) + CMSG_SPACE(64))

struct arrivals {
    struct mmsghdr headers[READ_AHEAD];
    struct iovec parts[READ_AHEAD];
    struct canfd_frame frames[READ_AHEAD];
    _Alignas(struct cmsghdr) char controls[READ_AHEAD][CONTROL_BYTES];
};

/* Frames from the socket into the port, whose queue is used up. */
static void read_ahead(struct port *port, uint16_t number)
{
    struct arrivals arrivals;
    for (unsigned i = 0; i < READ_AHEAD; i++) {
        arrivals.parts[i] = (struct iovec){&arrivals.frames[i], sizeof arrivals.frames[i]};
        arrivals.headers[i] = (struct mmsghdr){.msg_hdr = {.msg_iov = &arrivals.parts[i],
                                                           .msg_iovlen = 1,
                                                           .msg_control = arrivals.controls[i],
                                                           .msg_controllen = CONTROL_BYTES}};
    }
    int64_t asked_ns = lt_clock_ns(CLOCK_REALTIME);
    int got = recvmmsg(port->socket, arrivals.headers, READ_AHEAD, MSG_DONTWAIT, NULL);
    if (got < 0 && errno != EAGAIN) {
        /* An error is told once, and before the frames that came before it. */
        note_error(port, errno);
        got = recvmmsg(port->socket, arrivals.headers, READ_AHEAD, MSG_DONTWAIT, NULL);
    }
    port->at = port->count = 0;
    if (got < READ_AHEAD)
        port->empty_ns = asked_ns;
    for (int i = 0; i < got; i++) {
        struct msghdr *header = &arrivals.headers[i].msg_hdr;
        struct stamped *stamped = &port->ahead[port->count];
        *stamped = (struct stamped){.frame.bus = number};
        take_controls(port, header, stamped);
        if (take_frame(&arrivals.frames[i], arrivals.headers[i].msg_len, header->msg_flags,
                       &stamped->frame))
            port->count++;
    }
}

static bool has_ahead(const struct port *port)
{
    return port->at < port->count;
}

/* ---- what is away, and what is back ---- */

static bool is_away(const struct port *port)
{
    return !port->state.is_up || port->state.is_gone;
}

/* Frames that came before it vanished are given out first. */
static void close_gone(struct port *port, uint16_t number)
{
    if (!port->state.is_gone || port->socket < 0)
        return;
    if (!has_ahead(port))
        read_ahead(port, number);
    if (has_ahead(port))
        return;
    close(port->socket);
    port->socket = -1;
    port->state.is_up = false;
}

/* An adapter that is plugged in again has the old name and another number. */
static void look_again(struct lt_can_bus *bus)
{
    int64_t now = lt_clock_ns(CLOCK_MONOTONIC);
    if (now - bus->looked_ns < LOOK_AGAIN_NS)
        return;
    bus->looked_ns = now;
    for (size_t i = 0; i < bus->count; i++) {
        struct port *port = &bus->ports[i];
        if (!is_away(port))
            continue;
        if (port->socket < 0 && open_port(bus, port, NULL) != LT_OK)
            continue;
        bool exists;
        port->state.is_up = is_up(port, &exists);
        if (!exists)
            port->state.is_gone = true;
        close_gone(port, (uint16_t)i);
    }
}

/* Changes that the caller has not been told yet. */
static bool say_change(struct lt_can_bus *bus, enum lt_can_event *ret_event,
                       struct lt_can_heard *ret_heard)
{
    for (size_t i = 0; i < bus->count; i++) {
        struct port *port = &bus->ports[i];
        close_gone(port, (uint16_t)i);
        enum said now = port->state.is_gone ? SAID_GONE
                        : port->state.is_up ? SAID_NOTHING
                                            : SAID_DOWN;
        /* What is read ahead came before the change. An adapter back but not up stays gone. */
        if (now == port->said || has_ahead(port) || (port->said == SAID_GONE && now == SAID_DOWN))
            continue;
        int64_t time_ns = lt_clock_ns(CLOCK_REALTIME);
        *ret_heard = (struct lt_can_heard){(uint16_t)i, NULL, time_ns, LT_NO_TIME, 0};
        *ret_event = now == SAID_GONE ? LT_CAN_GONE : now == SAID_DOWN ? LT_CAN_DOWN : LT_CAN_BACK;
        if (now == SAID_NOTHING) {
            ret_heard->gap_ns = time_ns - port->away_ns;
            port->state.gaps++;
            port->state.gaps_ns += ret_heard->gap_ns;
        } else if (port->said == SAID_NOTHING) {
            port->away_ns = time_ns;
        }
        port->said = now;
        return true;
    }
    return false;
}

/* ---- the next frame ---- */

static int64_t head_ns(const struct port *port)
{
    return port->ahead[port->at].frame.time_ns;
}

static struct port *oldest_head(struct lt_can_bus *bus)
{
    struct port *oldest = NULL;
    for (size_t i = 0; i < bus->count; i++) {
        struct port *port = &bus->ports[i];
        if (has_ahead(port) && (!oldest || head_ns(port) < head_ns(oldest)))
            oldest = port;
    }
    return oldest;
}

/* Reads where an older frame than `head` may wait. */
static void read_older(struct lt_can_bus *bus, const struct port *head)
{
    for (size_t i = 0; i < bus->count; i++) {
        struct port *port = &bus->ports[i];
        if (port != head && !has_ahead(port) && port->socket >= 0 &&
            port->empty_ns <= head_ns(head))
            read_ahead(port, (uint16_t)i);
    }
}

static void read_all(struct lt_can_bus *bus)
{
    for (size_t i = 0; i < bus->count; i++)
        if (!has_ahead(&bus->ports[i]) && bus->ports[i].socket >= 0)
            read_ahead(&bus->ports[i], (uint16_t)i);
}

static bool take_next(struct lt_can_bus *bus, struct lt_can_heard *ret_heard)
{
    struct port *head = oldest_head(bus);
    if (!head) {
        read_all(bus);
        head = oldest_head(bus);
    }
    if (!head)
        return false;
    read_older(bus, head);
    head = oldest_head(bus);
    const struct stamped *stamped = &head->ahead[head->at++];
    head->state.frames++;
    *ret_heard = (struct lt_can_heard){stamped->frame.bus, &stamped->frame, stamped->frame.time_ns,
                                       stamped->hardware_ns, 0};
    return true;
}

static bool some_away(const struct lt_can_bus *bus)
{
    for (size_t i = 0; i < bus->count; i++)
        if (is_away(&bus->ports[i]))
            return true;
    return false;
}

/* An interface that is down makes its socket ready with an error once, and then is silent. */
static void wait_for_frames(struct lt_can_bus *bus, int64_t wait_ns)
{
    struct pollfd polled[LT_BUSES_MAX];
    if (some_away(bus) && wait_ns > LOOK_AGAIN_NS)
        wait_ns = LOOK_AGAIN_NS;
    for (size_t i = 0; i < bus->count; i++)
        polled[i] = (struct pollfd){.fd = bus->ports[i].socket, .events = POLLIN};
    struct timespec time = lt_timespec_of(wait_ns);
    ppoll(polled, bus->count, &time, NULL);
}

enum lt_can_event lt_can_bus_next(struct lt_can_bus *bus, int64_t wait_ns,
                                  struct lt_can_heard *ret_heard)
{
    int64_t until_ns = lt_clock_ns(CLOCK_MONOTONIC) + wait_ns;
    for (bool waited = false;; waited = true) {
        enum lt_can_event event;
        if (some_away(bus))
            look_again(bus);
        if (say_change(bus, &event, ret_heard))
            return event;
        if (take_next(bus, ret_heard))
            return LT_CAN_FRAME;
        if (say_change(bus, &event, ret_heard))
            return event;
        int64_t left_ns = until_ns - lt_clock_ns(CLOCK_MONOTONIC);
        if (left_ns <= 0 || (waited && !some_away(bus)))
            return LT_CAN_TIMEOUT;
        wait_for_frames(bus, left_ns);
    }
}

void lt_can_bus_count_drops(struct lt_can_bus *bus)
{
    for (size_t i = 0; i < bus->count; i++) {
        struct port *port = &bus->ports[i];
        uint32_t counts[SK_MEMINFO_VARS] = {0};
        socklen_t len = sizeof counts;
        if (port->socket >= 0 &&
            getsockopt(port->socket, SOL_SOCKET, SO_MEMINFO, counts, &len) == 0 &&
            len > SK_MEMINFO_DROPS * sizeof *counts)
            add_drops(port, counts[SK_MEMINFO_DROPS]);
    }
}

const struct lt_can_bus_state *lt_can_bus_state(const struct lt_can_bus *bus, size_t number)
{
    return number < bus->count ? &bus->ports[number].state : NULL;
}
