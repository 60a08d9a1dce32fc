/* A command of the program is one file and one const struct.
 *
 * To add a command: write src/cli/cmd_<name>.c with one `const struct command cmd_<name>`; add it
 * to the table in commands.c and to src/cli/meson.build; write docs/man/loomtap-<name>.1.md and a
 * golden run under tests/golden/<name>/. The test `help-and-manuals` then holds help, manual and
 * table together.
 *
 * A command's options are a table: one row an option, which the parser, `--help` and the manual
 * test all read. Values go into the members of the command's own struct. */
#ifndef LOOMTAP_SRC_CLI_CMD_H
#define LOOMTAP_SRC_CLI_CMD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/base/text.h"

/* Exit statuses (docs/exit-status.md says what "no" means for each command). */
enum exit_status {
    EXIT_FINE = 0,
    EXIT_NO = 1,
    EXIT_USAGE = 2,
    EXIT_UNREADABLE = 3,
    EXIT_SYSTEM = 4
};

#define LIST_MAX 256

struct list {
    const char *items[LIST_MAX];
    size_t count;
};

enum option_kind {
    OPTION_FLAG,    /* bool */
    OPTION_TEXT,    /* const char * */
    OPTION_COUNT,   /* uint64_t, 0 or more */
    OPTION_SECONDS, /* int64_t, nanoseconds; takes "20ms", "1.5s", "2" (seconds) */
    OPTION_LIST,    /* struct list; may be given again; commas separate too */
    OPTION_AGAIN,   /* struct list; may be given again; commas are part of the value */
    OPTION_RATIO,   /* double */
};

struct option_row {
    const char *name;       /* "--as" */
    const char *short_name; /* "-p", or NULL */
    enum option_kind kind;
    size_t offset;     /* of the member in the command's struct */
    const char *value; /* "FILE", for help; NULL for a flag */
    const char *help;
};

struct command {
    const char *name;
    const char *usage;                /* behind the name: "CAPTURE... -p PROFILE..." */
    const char *help;                 /* one line */
    const char *details;              /* paragraphs behind the options: what is printed, examples */
    const struct option_row *options; /* ends with a row without name */
    size_t size;                      /* of the command's struct, which starts with struct common */
    int (*run)(void *values);
};

/* What every command has, at the start of its struct. */
struct common {
    struct list arguments;
    bool help, quiet;
};

#define COMMON_OPTIONS                                                                             \
    {"--quiet",   NULL,                                                                            \
     OPTION_FLAG, offsetof(struct common, quiet),                                                  \
     NULL,        "say nothing on stderr but errors"},                                             \
        {"--help", "-h", OPTION_FLAG, offsetof(struct common, help), NULL, "this text"},           \
    {                                                                                              \
        0                                                                                          \
    }

/* options.c */
int run_command(const struct command *command, int argc, char **argv);
void print_command_help(const struct command *command);

/* "can0=vcan0" as two texts: the argument itself is cut at its first '=' (it lives as long as the
 * program), and what stands behind it is given; NULL where there is none. */
const char *cut_at_equals(const char *argument);

/* commands.c */
extern const struct command *const command_table[];
extern const size_t command_count;

/* talk.c: everything said on stderr, and the exit status that goes with a code. */
void say_error(const struct lt_error *error);
void say_faults(const struct lt_faults *faults, bool quiet);
void complain(const char *format, ...) __attribute__((format(printf, 1, 2)));
void say(bool quiet, const char *format, ...) __attribute__((format(printf, 2, 3)));
/* How far long work is: a line that is written over, on a terminal alone and not when quiet, from
 * the second second on. What is said meanwhile takes its place.
 *
 *     struct progress progress = progress_begin(quiet);
 *     while (...)
 *         progress_show(&progress, "reading: %u frames", count);   as often as one likes
 *     progress_end(&progress); */
struct progress {
    bool on;
    int64_t next_ns; /* when it may be shown again */
};
struct progress progress_begin(bool quiet);
void progress_show(struct progress *progress, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
void progress_end(struct progress *progress);
/* The command line is wrong: says so, points to --help, gives EXIT_USAGE. */
int usage_error(const char *command, const char *format, ...) __attribute__((format(printf, 2, 3)));
int status_of(enum lt_code code);
/* Of two statuses the one that is given: the higher. */
int worse(int one, int other);

#endif
