/* The program: finds the command and runs it. */
#include <signal.h>
#include <stdio.h>
#include <string.h>

#include "cli/cmd.h"

#ifndef LOOMTAP_VERSION
#define LOOMTAP_VERSION "unknown"
#endif

static void print_help(void)
{
    printf("loomtap COMMAND ...\n\nDecodes CAN bus captures into signals by means of vehicle "
           "profiles, and writes profiles'\nframes.\n\ncommands:\n");
    for (size_t i = 0; i < command_count; i++)
        printf("  %-8s %s\n", command_table[i]->name, command_table[i]->help);
    printf("\n`loomtap COMMAND --help` shows a command's options and examples.\n"
           "`loomtap --version` prints the version.\n");
}

static const struct command *find_command(const char *name)
{
    for (size_t i = 0; i < command_count; i++)
        if (strcmp(command_table[i]->name, name) == 0)
            return command_table[i];
    return NULL;
}

int main(int argc, char **argv)
{
    const char *name = argc > 1 ? argv[1] : "--help";
    /* `loomtap decode ... | head` ends by the failed write, with a message of ours if any. */
    signal(SIGPIPE, SIG_DFL);
    if (strcmp(name, "--help") == 0 || strcmp(name, "-h") == 0 || strcmp(name, "help") == 0) {
        print_help();
        return argc > 1 ? EXIT_FINE : EXIT_USAGE;
    }
    if (strcmp(name, "--version") == 0) {
        printf("loomtap %s\n", LOOMTAP_VERSION);
        return EXIT_FINE;
    }
    const struct command *command = find_command(name);
    if (!command)
        return usage_error(NULL, "there is no command `%s`", name);
    return run_command(command, argc - 2, argv + 2);
}
