/* The profiles of a folder and the folders in it. */
#ifndef LOOMTAP_SRC_CLI_FOLDER_H
#define LOOMTAP_SRC_CLI_FOLDER_H

#include "cli/cmd.h"
#include "loomtap/core/profile.h"

#define FOLDER_PROFILES_MAX 4096
#define FOLDER_DEPTH_MAX    16

struct folder {
    char **paths; /* of each profile, in the order of their names */
    struct lt_profile **profiles;
    size_t count;
    size_t parts;  /* .ini files without [profile]: others include them */
    size_t broken; /* profiles with faults or that could not be read, each said */
};

/* Adds all of `path`: files ending in .ini, folders in it too; names that begin with a dot and
 * links to folders are passed over. EXIT_FINE, EXIT_UNREADABLE where the folder or a profile could
 * not be read or has faults (said; the others are there all the same), EXIT_SYSTEM. */
int folder_load(struct folder *folder, const char *path, unsigned threads, bool quiet);
void folder_free(struct folder *folder);

#endif
