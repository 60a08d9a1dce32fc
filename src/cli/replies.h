/* Diagnostic replies in captures as what a proof holds signals against. */
#ifndef LOOMTAP_SRC_CLI_REPLIES_H
#define LOOMTAP_SRC_CLI_REPLIES_H

#include "cli/cmd.h"
#include "loomtap/core/profile.h"
#include "loomtap/prove/prove.h"
#include "loomtap/seek/reference.h"

/* The replies as references, in `arena`: those that measure a role. */
int replies_given(struct lt_replies *replies, struct lt_arena *arena,
                  const struct lt_proof_reference **ret_list, size_t *ret_count);

#endif
