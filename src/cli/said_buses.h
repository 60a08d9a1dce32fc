/* --bus BUS=NAME, for commands that bind the buses of profiles to those of a capture. */
#ifndef LOOMTAP_SRC_CLI_SAID_BUSES_H
#define LOOMTAP_SRC_CLI_SAID_BUSES_H

#include "cli/cmd.h"
#include "loomtap/core/binding.h"

#define BUSES_SAID_MAX 32

/* `said` has room for BUSES_SAID_MAX; complains and gives EXIT_USAGE. */
int take_said_buses(const char *command, const struct list *list, struct lt_bus_said *said,
                    size_t *ret_count);

#endif
