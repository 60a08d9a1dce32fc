/* See said_buses.h. */
#include "cli/said_buses.h"

int take_said_buses(const char *command, const struct list *list, struct lt_bus_said *said,
                    size_t *ret_count)
{
    if (list->count > BUSES_SAID_MAX)
        return usage_error(command, "--bus: more than %d", BUSES_SAID_MAX);
    for (size_t i = 0; i < list->count; i++) {
        struct lt_text rest = lt_text_of(list->items[i]);
        if (!lt_text_split(&rest, '=', &said[i].profile_bus) || !rest.at || !rest.len)
            return usage_error(command, "--bus: `%s` is not of the form BUS=NAME", list->items[i]);
        said[i].capture_bus = rest;
    }
    *ret_count = list->count;
    return EXIT_FINE;
}
