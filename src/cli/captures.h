/* What every command that reads captures says about them. */
#ifndef LOOMTAP_SRC_CLI_CAPTURES_H
#define LOOMTAP_SRC_CLI_CAPTURES_H

#include "cli/cmd.h"
#include "loomtap/capture/reader.h"
#include "loomtap/capture/span.h"

/* Rows of an option table for reading captures, for commands whose struct has the members from, to,
 * columns (const char *), duration_ns (int64_t), differences and strict (bool), and whose AT names
 * a member. */
#define CAPTURE_OPTIONS                                                                            \
    {"--from", NULL, OPTION_TEXT, AT(from), "S", "from this time on; see below"},                  \
        {"--to", NULL, OPTION_TEXT, AT(to), "S", "up to this time"},                               \
        {"--duration",    NULL,   OPTION_SECONDS,                                                  \
         AT(duration_ns), "TIME", "of a live bus (can:can0): end after this time"},                \
        {"--differences", NULL, OPTION_FLAG,                                                       \
         AT(differences), NULL, "the times are differences between frames: add them up"},          \
        {"--columns", NULL,  OPTION_TEXT,                                                          \
         AT(columns), "MAP", "which column of a csv of frames is what"},                           \
    {                                                                                              \
        "--strict", NULL, OPTION_FLAG, AT(strict), NULL,                                           \
            "stop at the first line that cannot be read"                                           \
    }
/* The same for uint64_t threads. */
#define THREADS_OPTION                                                                             \
    {                                                                                              \
        "--threads", NULL, OPTION_COUNT, AT(threads), "N",                                         \
            "for large files (default: as many as processors)"                                     \
    }

/* The first malformed lines, each with its place and reason; `names` has a name a source. */
void say_malformed(const struct lt_reader_counts *counts, const char *const *names, bool quiet);
/* Captures that are live buses: --duration and Ctrl-C end them. Complains and gives EXIT_USAGE
 * where one is not alone, or --duration has none. */
int take_live(const char *command, const struct list *captures, int64_t duration_ns,
              struct lt_reader_options *reading);
/* The exit status when a capture cannot be read. */
int reading_status(enum lt_code code);
/* --columns was given, and an input is no csv. */
void say_columns_unused(const struct lt_reader_counts *counts, const char *const *names,
                        bool quiet);
/* Is --columns, where it is given, a map of columns? */
int check_columns(const char *command, const char *columns);
/* --from and --to, NULL where not given; complains and gives EXIT_USAGE. */
int take_span(const char *command, const char *from, const char *to, struct lt_time_bound *ret_from,
              struct lt_time_bound *ret_to);
/* --threads; 0, not said: as many as processors. */
unsigned thread_count(uint64_t said);

#endif
