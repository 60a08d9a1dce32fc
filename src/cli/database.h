/* `decode --as sqlite`: the values' way into a file. */
#ifndef LOOMTAP_SRC_CLI_DATABASE_H
#define LOOMTAP_SRC_CLI_DATABASE_H

#include <stdbool.h>

#include "loomtap/decode/decode.h"

/* Runs the decoding into the store that its options name and commits it; says on stderr what was
 * added or why not; gives the exit status. */
int give_database(struct lt_decode *decode, const char *path, bool quiet);

#endif
