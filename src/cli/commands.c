/* The table of commands, in the order of the work. */
#include "cli/commands.h"

/* clang-format off */
const struct command *const command_table[] = {
    &cmd_decode,
    &cmd_survey,
    &cmd_seek,
    &cmd_check,
    &cmd_identify,
    &cmd_prove,
    &cmd_encode,
    &cmd_rehearse,
    &cmd_guard,
    &cmd_recast,
    &cmd_attach,
    &cmd_record,
    &cmd_ask,
    &cmd_watch,
    &cmd_mimic,
};
/* clang-format on */
const size_t command_count = sizeof command_table / sizeof *command_table;
