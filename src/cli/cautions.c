/* See cautions.h. The answer is read from the terminal itself, not from standard input, which may
 * be a passenger's keys or a file. */
#include "cli/cautions.h"

#include <stdio.h>
#include <string.h>

#include "loomtap/warn/warn.h"

static void say_cautions(const char *doing)
{
    say(false, "caution: this command %s.\n", doing);
    for (size_t i = 0; lt_warn_cautions[i]; i++)
        say(false, "    %s\n", lt_warn_cautions[i]);
}

int accept_cautions(const char *command, const char *doing, bool read_already, bool all_virtual)
{
    char answer[16] = "";
    say_cautions(doing);
    if (read_already || all_virtual)
        return EXIT_FINE;
    FILE *terminal = fopen("/dev/tty", "r+");
    if (!terminal)
        return usage_error(command, "there is no terminal to accept the cautions at; for "
                                    "unattended use --cautions-read says that they are read");
    fputs("Type yes to go on: ", terminal);
    fflush(terminal);
    bool answered = fgets(answer, sizeof answer, terminal) != NULL;
    fclose(terminal);
    if (answered && (strcmp(answer, "yes\n") == 0 || strcmp(answer, "yes\r\n") == 0))
        return EXIT_FINE;
    say(false, "nothing is sent\n");
    return EXIT_NO;
}
