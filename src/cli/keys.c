/* See keys.h. Ctrl-C still ends the program: signals of the terminal stay on. */
#include "cli/keys.h"

#include <poll.h>
#include <stdlib.h>
#include <unistd.h>

static struct keys *begun;

static void end_at_exit(void)
{
    if (begun)
        keys_end(begun);
}

void keys_begin(struct keys *keys)
{
    *keys = (struct keys){.is_terminal = isatty(STDIN_FILENO) != 0};
    if (!keys->is_terminal || tcgetattr(STDIN_FILENO, &keys->before) != 0)
        return;
    struct termios raw = keys->before;
    raw.c_lflag &= ~(tcflag_t)(ICANON | ECHO);
    raw.c_cc[VMIN] = 0;
    raw.c_cc[VTIME] = 0;
    begun = keys;
    atexit(end_at_exit);
    tcsetattr(STDIN_FILENO, TCSANOW, &raw);
}

void keys_end(struct keys *keys)
{
    if (begun == keys && keys->is_terminal)
        tcsetattr(STDIN_FILENO, TCSANOW, &keys->before);
    begun = NULL;
}

bool keys_next(struct keys *keys, char *ret_key)
{
    struct pollfd polled = {.fd = STDIN_FILENO, .events = POLLIN};
    char key;
    while (!keys->ended && poll(&polled, 1, 0) > 0) {
        if (read(STDIN_FILENO, &key, 1) != 1) {
            keys->ended = true;
        } else if (key > ' ' && key <= '~') {
            *ret_key = key;
            return true;
        }
    }
    return false;
}
