/* Single keys from standard input, without waiting and without Enter where it is a terminal. */
#ifndef LOOMTAP_SRC_CLI_KEYS_H
#define LOOMTAP_SRC_CLI_KEYS_H

#include <stdbool.h>
#include <termios.h>

struct keys {
    bool is_terminal, ended;
    struct termios before;
};

void keys_begin(struct keys *keys);
/* Puts the terminal back as it was; also done when the program ends by itself. */
void keys_end(struct keys *keys);
/* The next printable key that is there already. */
bool keys_next(struct keys *keys, char *ret_key);

#endif
