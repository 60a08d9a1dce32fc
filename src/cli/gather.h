/* Captures into a collector: what every command does that looks for something in the traffic. */
#ifndef LOOMTAP_SRC_CLI_GATHER_H
#define LOOMTAP_SRC_CLI_GATHER_H

#include "cli/cmd.h"
#include "loomtap/capture/reader.h"
#include "loomtap/capture/span.h"
#include "loomtap/core/profile.h"
#include "loomtap/measure/collect.h"

struct gather_options {
    struct lt_reader_options reading;
    struct lt_time_bound from, to;
    const struct list *buses; /* NAME or SAID=NAME each: these alone; none = all. May be NULL */
    unsigned threads;         /* 1 or more */
    bool progress;            /* shown on a terminal (cmd.h) */
    /* Also sees every frame of the first reading that the collector takes; NULL for none. */
    void (*watch)(void *context, const struct lt_frame *frame);
    void *context;
};

/* One recording, of one file or several. */
struct gathered {
    const char *const *paths;
    size_t path_count;
    const struct gather_options *options;
    struct lt_reader *reader; /* of the first reading: counts and names of buses */
    struct lt_collect *collect;
    size_t bus_count;
    const char *bus_names[LT_BUSES_MAX];            /* the capture's */
    char said_names[LT_BUSES_MAX][LT_NAME_MAX + 1]; /* SAID of `--bus SAID=NAME`; "" for none */
    bool broken; /* the reading ended with an error: there is no second one */
    uint64_t outside_span, other_buses; /* frames left out */
    uint64_t frames;                    /* all that were read */
};

/* Reads all of it; what was read before an error stays and is worked with. The status is that of
 * the reading; EXIT_FINE also where there is no frame. Says nothing of malformed lines yet. */
int gather(struct gathered *gathered, const char *const *paths, size_t count,
           const struct gather_options *options);
void gather_free(struct gathered *gathered);
/* EXIT_NO where there is no frame with data, and says why; else EXIT_FINE. */
int say_no_frames(const struct gathered *gathered);
/* Which frames were read and not looked at, or not all of them: past a ceiling, of other buses.
 * Gives the number of identifiers that came too often to be kept whole. */
size_t say_left_out(const struct gathered *gathered, bool quiet);

/* The same frames once more, for `take`. Only of recordings that gather_can_repeat. */
bool gather_can_repeat(const struct gathered *gathered);
int gather_repeat(const struct gathered *gathered,
                  void (*take)(void *context, const struct lt_frame *frame), void *context);

#endif
