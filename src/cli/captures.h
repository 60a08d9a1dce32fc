/* What every command that reads captures says about them. */
#ifndef LOOMTAP_SRC_CLI_CAPTURES_H
#define LOOMTAP_SRC_CLI_CAPTURES_H

#include "cli/cmd.h"
#include "loomtap/capture/reader.h"
#include "loomtap/capture/span.h"

/* The first malformed lines, each with its place and reason; `names` has a name a source. */
void say_malformed(const struct lt_reader_counts *counts, const char *const *names, bool quiet);
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
