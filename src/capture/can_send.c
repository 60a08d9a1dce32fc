/* Sending on a CAN interface: see loomtap/capture/can_send.h. */
#include "loomtap/capture/can_send.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <linux/can.h>
#include <linux/can/raw.h>
#include <net/if.h>
#include <sys/socket.h>

#include "loomtap/base/clock.h"

#include "capture/can_socket.h"

#define TRY_AGAIN_NS INT64_C(200000) /* the queue gives no sign when it has room again */

struct lt_can_sender {
    int socket;
    bool is_virtual, takes_fd;
    char name[IFNAMSIZ];
};

static enum lt_code prepare(struct lt_can_sender *sender, struct lt_error *error)
{
    bool exists;
    int on = 1;
    enum lt_code code = lt_can_socket_bind(sender->socket, sender->name, error);
    if (code != LT_OK)
        return code;
    if (!lt_can_interface_is_up(sender->socket, sender->name, &exists)) {
        lt_fail(error, LT_E_IO, "%s: the interface is down", sender->name);
        lt_error_advise(error, "`ip link set %s up` takes it up", sender->name);
        return LT_E_IO;
    }
    /* It hears nothing: what it would hear would fill its queue for nobody. */
    setsockopt(sender->socket, SOL_CAN_RAW, CAN_RAW_FILTER, NULL, 0);
    setsockopt(sender->socket, SOL_CAN_RAW, CAN_RAW_FD_FRAMES, &on, sizeof on);
    sender->is_virtual = lt_can_interface_is_virtual(sender->socket, sender->name);
    sender->takes_fd = lt_can_interface_takes_fd(sender->socket, sender->name);
    return LT_OK;
}

enum lt_code lt_can_sender_open(struct lt_can_sender **ret_sender, const char *name,
                                struct lt_error *error)
{
    if (strlen(name) >= IFNAMSIZ)
        return lt_fail(error, LT_E_UNKNOWN, "%s: no interface can have this name", name);
    struct lt_can_sender *sender = calloc(1, sizeof *sender);
    if (!sender)
        return lt_fail(error, LT_E_MEMORY, "out of memory for sending");
    memcpy(sender->name, name, strlen(name) + 1);
    sender->socket = lt_can_socket(error);
    enum lt_code code = sender->socket < 0 ? LT_E_IO : prepare(sender, error);
    if (code != LT_OK)
        lt_can_sender_free(sender);
    else
        *ret_sender = sender;
    return code;
}

void lt_can_sender_free(struct lt_can_sender *sender)
{
    if (!sender)
        return;
    if (sender->socket >= 0)
        close(sender->socket);
    free(sender);
}

bool lt_can_sender_is_virtual(const struct lt_can_sender *sender)
{
    return sender->is_virtual;
}

bool lt_can_sender_takes_fd(const struct lt_can_sender *sender)
{
    return sender->takes_fd;
}

static size_t make_raw(const struct lt_frame *frame, struct canfd_frame *ret_raw)
{
    bool fd = lt_frame_has(frame, LT_FRAME_FD);
    *ret_raw = (struct canfd_frame){.can_id = frame->id, .len = frame->len};
    if (lt_frame_has(frame, LT_FRAME_EXTENDED))
        ret_raw->can_id |= CAN_EFF_FLAG;
    memcpy(ret_raw->data, frame->data, frame->len);
    if (fd) {
        ret_raw->flags = (uint8_t)((lt_frame_has(frame, LT_FRAME_BRS) ? CANFD_BRS : 0) |
                                   (lt_frame_has(frame, LT_FRAME_ESI) ? CANFD_ESI : 0));
        return CANFD_MTU;
    }
    if (lt_frame_has(frame, LT_FRAME_REMOTE)) {
        ret_raw->can_id |= CAN_RTR_FLAG;
        ret_raw->len = frame->raw_dlc <= CAN_MAX_DLEN ? frame->raw_dlc : CAN_MAX_DLEN;
    }
    return CAN_MTU;
}

static enum lt_code fail_write(const struct lt_can_sender *sender, int number,
                               struct lt_error *error)
{
    if (number == ENOBUFS || number == EAGAIN) {
        lt_fail(error, LT_E_LIMIT, "%s: its queue stays full", sender->name);
        lt_error_advise(error, "does another node acknowledge? is the bit rate right?");
        return LT_E_LIMIT;
    }
    return lt_fail(error, LT_E_IO, "%s: cannot send: %s", sender->name, strerror(number));
}

enum lt_code lt_can_sender_send(struct lt_can_sender *sender, const struct lt_frame *frame,
                                int64_t wait_ns, struct lt_error *error)
{
    struct canfd_frame raw;
    if (lt_frame_has(frame, LT_FRAME_ERROR))
        return lt_fail(error, LT_E_RANGE, "an error frame cannot be sent");
    if (lt_frame_has(frame, LT_FRAME_FD) && !sender->takes_fd)
        return lt_fail(error, LT_E_RANGE, "%s takes no FD frames", sender->name);
    size_t bytes = make_raw(frame, &raw);
    int64_t until_ns = lt_clock_ns(CLOCK_MONOTONIC) + wait_ns;
    while (write(sender->socket, &raw, bytes) != (ssize_t)bytes) {
        int number = errno;
        bool full = number == ENOBUFS || number == EAGAIN;
        if (number != EINTR && (!full || lt_clock_ns(CLOCK_MONOTONIC) >= until_ns))
            return fail_write(sender, number, error);
        if (full)
            nanosleep(&(struct timespec){0, TRY_AGAIN_NS}, NULL);
    }
    return LT_OK;
}
