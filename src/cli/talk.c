/* What the program says on stderr. Colour only on a terminal and never with NO_COLOR. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "cli/cmd.h"
#include "loomtap/base/clock.h"

static bool with_colour(void)
{
    const char *no = getenv("NO_COLOR");
    return isatty(STDERR_FILENO) && !(no && *no);
}

/* Progress stands on the line: what is said next begins at its start. */
static bool line_is_taken;

static void clear_line(void)
{
    if (line_is_taken)
        fputs("\r\033[K", stderr);
    line_is_taken = false;
}

void say_error(const struct lt_error *error)
{
    static const char *const colours[] = {"\033[1;31m", "\033[33m", "\033[36m"};
    char text[1200];
    lt_error_print(error, text, sizeof text);
    clear_line();
    if (with_colour())
        fprintf(stderr, "%s%s\033[0m\n", colours[error->severity], text);
    else
        fprintf(stderr, "%s\n", text);
}

void say_faults(const struct lt_faults *faults, bool quiet)
{
    for (size_t i = 0; i < faults->count; i++)
        if (!quiet || faults->items[i].severity == LT_SEVERITY_ERROR)
            say_error(&faults->items[i]);
    size_t all = faults->errors + faults->warnings;
    clear_line();
    if (all > faults->count)
        fprintf(stderr, "... and %zu more\n", all - faults->count);
}

void complain(const char *format, ...)
{
    struct lt_error error;
    va_list args;
    va_start(args, format);
    lt_vfail(&error, LT_E_CONFLICT, format, args);
    va_end(args);
    say_error(&error);
}

void say(bool quiet, const char *format, ...)
{
    va_list args;
    if (quiet)
        return;
    clear_line();
    va_start(args, format);
    vfprintf(stderr, format, args);
    va_end(args);
}

#define PROGRESS_FIRST_NS INT64_C(1000000000)
#define PROGRESS_EVERY_NS INT64_C(200000000)

struct progress progress_begin(bool quiet)
{
    bool on = !quiet && isatty(STDERR_FILENO);
    return (struct progress){on, on ? lt_clock_ns(CLOCK_MONOTONIC) + PROGRESS_FIRST_NS : 0};
}

void progress_show(struct progress *progress, const char *format, ...)
{
    va_list args;
    int64_t now_ns = progress->on ? lt_clock_ns(CLOCK_MONOTONIC) : 0;
    if (!progress->on || now_ns < progress->next_ns)
        return;
    progress->next_ns = now_ns + PROGRESS_EVERY_NS;
    clear_line();
    va_start(args, format);
    vfprintf(stderr, format, args);
    va_end(args);
    line_is_taken = true;
}

void progress_end(struct progress *progress)
{
    if (progress->on)
        clear_line();
}

int usage_error(const char *command, const char *format, ...)
{
    struct lt_error error;
    va_list args;
    va_start(args, format);
    lt_vfail(&error, LT_E_CONFLICT, format, args);
    va_end(args);
    if (command)
        lt_error_advise(&error, "`loomtap %s --help` shows what it takes", command);
    else
        lt_error_advise(&error, "`loomtap --help` lists the commands");
    say_error(&error);
    return EXIT_USAGE;
}

int worse(int one, int other)
{
    return one > other ? one : other;
}

int status_of(enum lt_code code)
{
    switch (code) {
    case LT_OK:
        return EXIT_FINE;
    case LT_E_MEMORY:
    case LT_E_DEVICE:
        return EXIT_SYSTEM;
    case LT_E_IO:
    case LT_E_NOT_CAPTURE:
    case LT_E_TRUNCATED:
        return EXIT_UNREADABLE;
    default:
        return EXIT_NO;
    }
}
