/* What is said about captures: see captures.h. */
#include "cli/captures.h"

#include "cli/stop.h"

#include <inttypes.h>
#include <limits.h>
#include <unistd.h>

void say_malformed(const struct lt_reader_counts *counts, const char *const *names, bool quiet)
{
    if (quiet)
        return;
    for (size_t i = 0; i < counts->first_bad_count; i++) {
        const struct lt_bad_place *place = &counts->first_bad[i];
        struct lt_error error;
        lt_fail(&error, LT_E_SYNTAX, "%s: %s", lt_bad_line_text(place->reason), place->text);
        error.severity = LT_SEVERITY_WARNING;
        lt_error_at(&error, names[place->source], place->line, place->column);
        say_error(&error);
    }
    if (counts->malformed > counts->first_bad_count)
        say(quiet, "... and %" PRIu64 " more lines that could not be read\n",
            counts->malformed - counts->first_bad_count);
    if (counts->away_times)
        say(quiet, "%s: down or gone %" PRIu64 " times; back after %.1f s in all\n", names[0],
            counts->away_times, (double)counts->away_ns / 1e9);
    if (counts->dropped_frames && lt_reader_is_live(names[0]))
        say(quiet, "%s: %" PRIu64 " frames lost, since they were not taken fast enough\n", names[0],
            counts->dropped_frames);
}

int take_live(const char *command, const struct list *captures, int64_t duration_ns,
              struct lt_reader_options *reading)
{
    size_t live = 0;
    for (size_t i = 0; i < captures->count; i++)
        live += lt_reader_is_live(captures->items[i]);
    if (live == 0 && duration_ns)
        return usage_error(command, "--duration is for a live bus, such as can:can0");
    if (live == 0)
        return EXIT_FINE;
    if (captures->count > 1)
        return usage_error(command, "a live bus is read alone; several are named as can:can0,can1");
    reading->live_for_ns = duration_ns;
    reading->live_stop = &stop_asked;
    stop_on_signals();
    return EXIT_FINE;
}

void say_columns_unused(const struct lt_reader_counts *counts, const char *const *names, bool quiet)
{
    if (!counts->columns_unused)
        return;
    say(quiet, "%s: this is no csv but %s, so --columns did nothing for it\n",
        names[counts->columns_unused_source], lt_form_name(counts->columns_unused_form));
    if (counts->columns_unused > 1)
        say(quiet, "... captures besides it that are no csv: %" PRIu64 "\n",
            counts->columns_unused - 1);
}

int reading_status(enum lt_code code)
{
    return code == LT_E_MEMORY || code == LT_E_DEVICE ? EXIT_SYSTEM : EXIT_UNREADABLE;
}

int check_columns(const char *command, const char *columns)
{
    struct lt_error error;
    if (!columns || lt_reader_check_columns(columns, &error) == LT_OK)
        return EXIT_FINE;
    return usage_error(command, "--columns: %s", error.text);
}

int take_span(const char *command, const char *from, const char *to, struct lt_time_bound *ret_from,
              struct lt_time_bound *ret_to)
{
    if (from && !lt_time_bound_parse(lt_text_of(from), ret_from))
        return usage_error(command, "--from: `%s` is no time in seconds", from);
    if (to && !lt_time_bound_parse(lt_text_of(to), ret_to))
        return usage_error(command, "--to: `%s` is no time in seconds", to);
    return EXIT_FINE;
}

unsigned thread_count(uint64_t said)
{
    long processors = sysconf(_SC_NPROCESSORS_ONLN);
    if (said == 0)
        return processors > 0 ? (unsigned)processors : 1;
    return said < UINT_MAX ? (unsigned)said : UINT_MAX;
}
