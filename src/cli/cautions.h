/* What is said, and wanted, before anything is sent on a bus. One table of sentences for every
 * command that sends; README.md and the manuals say the same. */
#ifndef LOOMTAP_SRC_CLI_CAUTIONS_H
#define LOOMTAP_SRC_CLI_CAUTIONS_H

#include <stdbool.h>

#include "cli/cmd.h"

/* Rows of an option table for a command whose struct has the members arm and cautions_read (bool)
 * and whose AT names a member. */
#define ARM_OPTIONS                                                                                \
    {"--arm", NULL, OPTION_FLAG, AT(arm), NULL, "send; the cautions are shown first"},             \
    {                                                                                              \
        "--cautions-read", NULL, OPTION_FLAG, AT(cautions_read), NULL,                             \
            "with --arm: they are read and accepted, do not wait for an answer (unattended use)"   \
    }

/* Says the cautions, whether quiet or not. `doing` goes on with "This command": "sends questions to
 * the controllers on can0". Then waits at the terminal for the word yes, unless they were read
 * already or nothing but virtual buses is sent to. EXIT_FINE: go on. EXIT_NO: another answer.
 * EXIT_USAGE: there is no terminal to answer at. */
int accept_cautions(const char *command, const char *doing, bool read_already, bool all_virtual);

#endif
