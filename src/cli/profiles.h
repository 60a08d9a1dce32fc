/* Loading the profiles that a command line names, with everything that is wrong said on stderr. */
#ifndef LOOMTAP_SRC_CLI_PROFILES_H
#define LOOMTAP_SRC_CLI_PROFILES_H

#include "cli/cmd.h"
#include "loomtap/core/profile.h"

struct profiles {
    struct lt_profile *items[LIST_MAX];
    size_t count;
};

/* EXIT_FINE, EXIT_NO (faults, all of them said) or EXIT_UNREADABLE. */
int load_profiles(struct profiles *profiles, const struct list *paths, bool quiet);
/* Those that a search is to fill: what they require need not be there. */
int load_unfinished_profiles(struct profiles *profiles, const struct list *paths, bool quiet);
void free_profiles(struct profiles *profiles);

#endif
