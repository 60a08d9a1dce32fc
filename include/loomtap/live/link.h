/* A CAN interface's settings: what the kernel says of them, and setting them. Reading needs no
 * privilege, setting does (CAP_NET_ADMIN).
 *
 * Nothing here sends on the bus. An interface that is up and not listen-only does, though: it
 * acknowledges frames, and destroys those that it takes for wrong.
 *
 * Sources: Linux include/uapi/linux/can/netlink.h, Documentation/networking/can.rst. */
#ifndef LOOMTAP_LIVE_LINK_H
#define LOOMTAP_LIVE_LINK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/core/profile.h"

#define LT_LINK_RATES_MAX 64

/* Can it be known that the interface sends nothing, not even acknowledgements? */
enum lt_listening {
    LT_LISTENING_NO,         /* it acknowledges, and sends error frames */
    LT_LISTENING_READ_BACK,  /* the kernel's driver says that the controller only listens */
    LT_LISTENING_UNVERIFIED, /* it was told to; nothing comes back from such an adapter */
};

struct lt_link {
    bool is_up;
    char driver[32]; /* the kernel's name for it, such as "gs_usb"; "" where there is none */
    bool has_modes;  /* a controller with settings; a virtual bus has none, and nothing below */
    uint32_t bitrate_hz, data_bitrate_hz;     /* 0: none set */
    uint32_t sample_point, data_sample_point; /* in tenths of a percent; 0: not said */
    enum lt_fd_kind fd;
    enum lt_listening listening;
    bool says_supported; /* the kernel says what the controller can: Linux 5.16 and later */
    bool can_listen_only, can_fd, can_non_iso, can_report_errors; /* without that: true */
    uint32_t restart_ms;                                          /* 0: stays off after bus-off */
    int state;                                                    /* lt_link_state_text; -1 */
    bool has_counters;
    uint16_t receive_errors, transmit_errors; /* ISO 11898-1: passive from 128, off above 255 */
    bool has_statistics;                      /* since the interface was made */
    uint32_t bus_errors, warnings, passives, bus_offs, restarts;
    uint32_t termination_ohm; /* switched on in the adapter; 0: none, or not said */
    /* The only rates that the adapter has; none: it makes any that its clock gives. */
    uint32_t rates_hz[LT_LINK_RATES_MAX];
    size_t rate_count;
};

/* "error-active", "bus-off" ...; "unknown" for -1. */
const char *lt_link_state_text(int state);

/* LT_E_UNKNOWN: no such interface, or no CAN interface; LT_E_IO: the kernel does not answer. */
enum lt_code lt_link_read(struct lt_link *ret_link, const char *name, struct lt_error *error);

struct lt_link_wish {
    uint32_t bitrate_hz, sample_point; /* sample points: 0 is the kernel's choice */
    enum lt_fd_kind fd;
    uint32_t data_bitrate_hz, data_sample_point; /* FD only */
    bool listen_only;
    uint32_t restart_ms;
};

/* Can `link` be set so? LT_E_RANGE: a rate that the adapter has not; LT_E_MISSING: a mode that it
 * has not. Touches nothing. */
enum lt_code lt_link_can(const struct lt_link *link, const char *name,
                         const struct lt_link_wish *wish, struct lt_error *error);
/* Takes it down, sets it, and takes it up. A failure leaves it down. LT_E_RANGE, LT_E_MISSING as
 * above (also: it makes another rate than asked for, by more than 1 %); LT_E_CONFLICT: it does not
 * listen only, or its FD mode is another, though it took the setting; LT_E_IO: not permitted, or
 * the adapter refuses. *ret_link (may be NULL): as it then is. */
enum lt_code lt_link_set(const char *name, const struct lt_link_wish *wish,
                         struct lt_link *ret_link, struct lt_error *error);
/* Up as it is set, for a bus without settings. */
enum lt_code lt_link_up(const char *name, struct lt_error *error);
enum lt_code lt_link_down(const char *name, struct lt_error *error);

#endif
