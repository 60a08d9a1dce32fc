/* A folder of a test's own: `make_folder` and `drop_folder` as the group's set-up and tear-down. It
 * has to be empty again at the end, so that a test that leaves files behind fails. */
#ifndef LOOMTAP_TESTS_UNIT_FOLDER_H
#define LOOMTAP_TESTS_UNIT_FOLDER_H

#include "unit.h"

#include <unistd.h>

static char folder[] = "/tmp/loomtap-test-XXXXXX";

static inline int make_folder(void **state)
{
    (void)state;
    return mkdtemp(folder) ? 0 : -1;
}

static inline int drop_folder(void **state)
{
    (void)state;
    return rmdir(folder);
}

/* Good until the next call. */
static inline const char *path_of(const char *name)
{
    static char path[256];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    return path;
}

#endif
