/* Which bus of a capture stands for which bus of a profile.
 *
 * In this order: what the user said; the bus whose name is the profile's `interface`; the only bus
 * of the capture; the bus on which most of the profile's identifiers live. */
#ifndef LOOMTAP_CORE_BINDING_H
#define LOOMTAP_CORE_BINDING_H

#include "loomtap/core/plan.h"

struct lt_bus_said {
    struct lt_text profile_bus, capture_bus;
};

struct lt_bind {
    const struct lt_profile *const *profiles;
    size_t profile_count;
    const struct lt_bus_said *said; /* by the user; goes before everything else */
    size_t said_count;
    /* The capture: its buses' names, and frames from its start. */
    const char *(*bus_name)(const void *context, size_t bus);
    size_t bus_count;
    const struct lt_frame *(*frame)(const void *context, size_t index);
    size_t frame_count;
    const void *context;
    struct lt_faults *notes; /* what the user should know; may be NULL */
};

/* One binding for each bus of each profile, in `arena`. LT_E_UNKNOWN: a bus was said that no
 * profile has. */
enum lt_code lt_bind_buses(const struct lt_bind *bind, struct lt_arena *arena,
                           struct lt_binding **ret_bindings, size_t *ret_count,
                           struct lt_error *error);

#endif
