/* One declaration a command; each is defined in its own file. */
#ifndef LOOMTAP_SRC_CLI_COMMANDS_H
#define LOOMTAP_SRC_CLI_COMMANDS_H

#include "cli/cmd.h"

extern const struct command cmd_ask;
extern const struct command cmd_attach;
extern const struct command cmd_check;
extern const struct command cmd_decode;
extern const struct command cmd_encode;
extern const struct command cmd_guard;
extern const struct command cmd_identify;
extern const struct command cmd_mimic;
extern const struct command cmd_prove;
extern const struct command cmd_recast;
extern const struct command cmd_record;
extern const struct command cmd_rehearse;
extern const struct command cmd_seek;
extern const struct command cmd_survey;
extern const struct command cmd_watch;

#endif
