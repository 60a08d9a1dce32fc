/* `loomtap guard` at work: frames of the buses through the warning engine, its frames through the
 * gate onto the bus, and all of it into a log and onto the terminal. cmd_guard.c has the options
 * and everything that is decided before a bus is touched. */
#ifndef LOOMTAP_SRC_CLI_GUARDING_H
#define LOOMTAP_SRC_CLI_GUARDING_H

#include "cli/cmd.h"
#include "loomtap/capture/can_bus.h"
#include "loomtap/core/binding.h"
#include "loomtap/core/profile.h"

struct guarding {
    const struct lt_profile *profile;
    const char *const *names; /* of the interfaces, in the order of the bus numbers */
    size_t bus_count;
    const struct lt_binding *bindings;
    size_t binding_count;
    const struct lt_can_bus_options *bus;
    const uint16_t *bus_of_frame; /* by the profile's frame; LT_WARN_NO_BUS */
    bool armed, cautions_read;
    const char *proof, *reason; /* NULL: not given */
    const char *log, *form;     /* NULL: no log; by its ending */
    bool json, frames, quiet;
    int64_t duration_ns; /* 0: until told to end */
    int64_t listen_ns;
};

/* The exit status. */
int guard_buses(const struct guarding *wanted);

#endif
