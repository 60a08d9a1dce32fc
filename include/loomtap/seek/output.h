/* What was found, as text for people, JSON for programs, a page with pictures, and a draft
 * profile. */
#ifndef LOOMTAP_SEEK_OUTPUT_H
#define LOOMTAP_SEEK_OUTPUT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/base/sink.h"
#include "loomtap/capture/reader.h"
#include "loomtap/measure/collect.h"
#include "loomtap/seek/seek.h"

/* A role that a profile requires and that nothing in the recording measures. */
struct lt_seek_missing {
    const char *target;
    const char *say; /* what to record */
};

/* All answers, and what the search itself does not know. */
struct lt_seek_report {
    const struct lt_seek_target *targets;
    size_t target_count;
    const struct lt_seek_missing *missing;
    size_t missing_count;
    const char *const *asked; /* parameters that were asked and never answered with a value */
    size_t asked_count;
    const char *const *files;
    size_t file_count;
    const struct lt_collect_counts *collected;
    const struct lt_reader_counts *read; /* malformed lines and the like; NULL for none */
    uint64_t outside_span;               /* frames left out by a time span ... */
    uint64_t other_buses;                /* ... and by a choice of buses */
    const char *const *bus_names;        /* by the capture's index */
    size_t bus_count;
};

/* One JSON object; docs/seek.md has its keys, which are stable (new ones may be added). */
void lt_seek_json(const struct lt_seek_report *report, struct lt_sink *sink);

#endif
