/* Which interface is which bus of the profiles, while the bus is live: as said, by its name, the
 * only one, or by listening until it is plain. */
#ifndef LOOMTAP_SRC_CLI_LIVE_BINDING_H
#define LOOMTAP_SRC_CLI_LIVE_BINDING_H

#include "cli/cmd.h"
#include "loomtap/core/binding.h"
#include "loomtap/live/intake.h"

struct live_binding {
    const char *const *interfaces; /* in the order of the intake's bus numbers */
    size_t interface_count;
    const struct lt_profile *const *profiles;
    size_t profile_count;
    const struct lt_bus_said *said;
    size_t said_count;
    bool quiet;
    /* Frames that were heard meanwhile, to be used first. */
    struct lt_frame *heard;
    size_t heard_count;
};

/* Listens for two seconds at most, and not at all where it need not. Says what the user should
 * know. The bindings are in `arena`, which has the frames too. */
enum lt_code bind_live(struct live_binding *with, struct lt_intake *intake, struct lt_arena *arena,
                       struct lt_binding **ret_bindings, size_t *ret_count, struct lt_error *error);

#endif
