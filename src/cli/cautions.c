/* See cautions.h. The answer is read from the terminal itself, not from standard input, which may
 * be a passenger's keys or a file. */
#include "cli/cautions.h"

#include <stdio.h>
#include <string.h>

static const char *const sentences[] = {
    "Transmitting on a vehicle bus can change how the vehicle behaves.",
    "Do it with the vehicle stationary and its wheels chocked, never on a public road.",
    "Keep clear of restraint, brake and steering networks.",
    "Follow the maker's workshop information, local law (emission control, type approval) and a\n"
    "    licensed technician's judgement.",
    "A passenger, not the driver, operates this program. It is no safety device.",
};

static void say_cautions(const char *doing)
{
    say(false, "caution: this command %s.\n", doing);
    for (size_t i = 0; i < sizeof sentences / sizeof *sentences; i++)
        say(false, "    %s\n", sentences[i]);
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
