/* The terminal of `watch`: lines with a style onto the screen, keys from it (ncurses). */
#ifndef LOOMTAP_SRC_CLI_WATCH_SCREEN_H
#define LOOMTAP_SRC_CLI_WATCH_SCREEN_H

#include <stdbool.h>
#include <stddef.h>

#include "loomtap/live/watch.h"

enum screen_key {
    SCREEN_NONE,
    SCREEN_LETTER, /* *ret_letter has it */
    SCREEN_SPACE,
    SCREEN_BACK, /* a second into the past; SCREEN_FAR_BACK: ten */
    SCREEN_FAR_BACK,
    SCREEN_ON,
    SCREEN_FAR_ON,
    SCREEN_UP,
    SCREEN_DOWN,
    SCREEN_RUBOUT,
    SCREEN_ESCAPE,
};

/* Takes the terminal; screen_end gives it back, also at any exit. False: it cannot be used. */
bool screen_begin(void);
void screen_end(void);
/* At most what lt_watch_view takes. */
void screen_size(size_t *ret_width, size_t *ret_height);
void screen_show(const struct lt_watch_line *lines, size_t count);
/* Does not wait. */
enum screen_key screen_key(char *ret_letter);

#endif
