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
#include "loomtap/core/profile.h"
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

/* For people: a sentence and the best candidates of each target; at most 100 columns wide but for
 * names that are longer by themselves. */
void lt_seek_table(const struct lt_seek_report *report, struct lt_sink *sink);

/* One HTML file by itself: no script, nothing from elsewhere. */
void lt_seek_html(const struct lt_seek_report *report, struct lt_sink *sink);

/* The canonical text of a profile with everything that was found: each target once, from the
 * reference that is surest. Every signal has its evidence. */
struct lt_seek_draft_options {
    const char *name; /* of the profile, [a-z][a-z0-9-]* */
    /* The recording's frames with their counters, checksums and selectors, from whoever knows them
     * (signals other than selectors are not looked at), and its buses by the capture's index. */
    const struct lt_profile *frames;
    const uint32_t *bus_of;
};
struct lt_seek_draft_counts {
    size_t frames, signals;
    size_t again;    /* found once more, by another reference */
    size_t taken;    /* bits of a signal, counter or checksum that is in the draft already */
    size_t no_frame; /* of frames that `frames` has not, such as a length that comes seldom */
    size_t unusual;  /* a scale that a profile cannot hold */
};
enum lt_code lt_seek_draft(const struct lt_seek_report *report,
                           const struct lt_seek_draft_options *options, struct lt_sink *sink,
                           struct lt_seek_draft_counts *ret_counts, struct lt_error *error);

#endif
