/* Results into files, and what drafts have in common. */
#ifndef LOOMTAP_SRC_CLI_OUTPUTS_H
#define LOOMTAP_SRC_CLI_OUTPUTS_H

#include "cli/cmd.h"
#include "loomtap/base/sink.h"
#include "loomtap/core/profile.h"

/* Writes what `put` gives into a file that appears when it is whole; "-" is standard output. The
 * code of `put` other than LT_OK leaves an older file as it was. Says what went wrong. */
int write_out(const char *path,
              enum lt_code (*put)(void *context, struct lt_sink *sink, struct lt_error *error),
              void *context);

/* A draft's name: the file's own without folders and ending, made of what a profile's name is made
 * of. */
void draft_name(const char *path, char ret_name[LT_NAME_MAX + 1]);

#endif
