/* What listening and sending have in common about CAN interfaces. Internal to src/capture. */
#ifndef LOOMTAP_CAPTURE_CAN_SOCKET_H
#define LOOMTAP_CAPTURE_CAN_SOCKET_H

#include <stdbool.h>

#include "loomtap/base/error.h"

/* A raw socket, unbound; -1 and the error, which says what to do. */
int lt_can_socket(struct lt_error *error);
/* Bound to the interface: LT_E_UNKNOWN where it is none, or no CAN interface. */
enum lt_code lt_can_socket_bind(int fd, const char *name, struct lt_error *error);
/* Of an interface's name, by any socket: */
bool lt_can_interface_is_up(int fd, const char *name, bool *ret_exists);
bool lt_can_interface_takes_fd(int fd, const char *name);
bool lt_can_interface_is_virtual(int fd, const char *name);

#endif
