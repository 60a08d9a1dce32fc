/* See watch_screen.h. Ctrl-C still is a signal. Colour only where the terminal has it and never
 * with NO_COLOR; what it says is said by words too. */
#include "cli/watch_screen.h"

#include <locale.h>
#include <ncurses.h>
#include <stdlib.h>

static bool begun, has_colour;

void screen_end(void)
{
    if (begun)
        endwin();
    begun = false;
}

static void begin_colours(void)
{
    const char *no = getenv("NO_COLOR");
    has_colour = has_colors() && !(no && *no) && start_color() == OK &&
                 use_default_colors() == OK && init_pair(1, COLOR_YELLOW, -1) == OK &&
                 init_pair(2, COLOR_RED, -1) == OK;
}

bool screen_begin(void)
{
    setlocale(LC_CTYPE, ""); /* for the characters of the terminal; numbers stay as they are */
    if (!newterm(NULL, stdout, stdin))
        return false;
    begun = true;
    atexit(screen_end);
    begin_colours();
    cbreak();
    noecho();
    keypad(stdscr, TRUE);
    nodelay(stdscr, TRUE);
    set_escdelay(25);
    curs_set(0);
    return true;
}

static size_t at_most(int size, size_t most)
{
    return size < 1 ? 1 : (size_t)size < most ? (size_t)size : most;
}

void screen_size(size_t *ret_width, size_t *ret_height)
{
    *ret_width = at_most(COLS, LT_WATCH_WIDTH_MAX);
    *ret_height = at_most(LINES, LT_WATCH_HEIGHT_MAX);
}

static attr_t look_of(enum lt_watch_style style)
{
    switch (style) {
    case LT_WATCH_STYLE_HEAD:
        return A_REVERSE;
    case LT_WATCH_STYLE_GROUP:
        return A_UNDERLINE;
    case LT_WATCH_STYLE_GOOD:
        return A_NORMAL;
    case LT_WATCH_STYLE_DIM:
    case LT_WATCH_STYLE_HINT:
        return A_DIM;
    case LT_WATCH_STYLE_SUSPECT:
        return has_colour ? (attr_t)COLOR_PAIR(1) : A_BOLD;
    case LT_WATCH_STYLE_LOST:
        return has_colour ? (attr_t)COLOR_PAIR(2) : A_BOLD;
    }
    return A_NORMAL;
}

void screen_show(const struct lt_watch_line *lines, size_t count)
{
    erase();
    for (size_t i = 0; i < count; i++) {
        attrset((int)look_of(lines[i].style));
        mvaddstr((int)i, 0, lines[i].text);
    }
    attrset(A_NORMAL);
    refresh();
}

static const struct {
    int code;
    enum screen_key key;
} keys[] = {
    {' ', SCREEN_SPACE},        {KEY_LEFT, SCREEN_BACK},
    {KEY_RIGHT, SCREEN_ON},     {KEY_PPAGE, SCREEN_FAR_BACK},
    {KEY_NPAGE, SCREEN_FAR_ON}, {KEY_UP, SCREEN_UP},
    {KEY_DOWN, SCREEN_DOWN},    {KEY_BACKSPACE, SCREEN_RUBOUT},
    {127, SCREEN_RUBOUT},       {8, SCREEN_RUBOUT},
    {27, SCREEN_ESCAPE},
};

enum screen_key screen_key(char *ret_letter)
{
    int code = getch();
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
        if (keys[i].code == code)
            return keys[i].key;
    if (code <= ' ' || code > '~')
        return SCREEN_NONE;
    *ret_letter = (char)code;
    return SCREEN_LETTER;
}
