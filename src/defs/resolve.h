/* resolve.c: what follows from several keys of a definition together. */
#ifndef LOOMTAP_SRC_DEFS_RESOLVE_H
#define LOOMTAP_SRC_DEFS_RESOLVE_H

#include "defs/loader.h"

void lt_defs_resolve_all(struct lt_loader *loader);

#endif
