/* The standard definitions that the program carries with it, so that they are there wherever it
 * was copied: signaldefs/obd-ii.ini as it was when the program was built (meson.build). */
#ifndef LOOMTAP_SRC_CLI_BUILT_IN_H
#define LOOMTAP_SRC_CLI_BUILT_IN_H

#include <stddef.h>

#include "loomtap/core/profile.h"

extern const char built_in_obd[];
extern const size_t built_in_obd_len;

/* As a profile, for the caller to free. NULL, and said: out of memory. */
struct lt_profile *load_built_in_obd(void);

#endif
