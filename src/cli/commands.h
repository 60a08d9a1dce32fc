/* One declaration a command; each is defined in its own file. */
#ifndef LOOMTAP_SRC_CLI_COMMANDS_H
#define LOOMTAP_SRC_CLI_COMMANDS_H

#include "cli/cmd.h"

extern const struct command cmd_decode, cmd_check, cmd_encode, cmd_mimic, cmd_recast, cmd_record,
    cmd_seek, cmd_survey;

#endif
