/* A survey as text for people, JSON for programs, a page with pictures, and a draft profile. */
#ifndef LOOMTAP_SURVEY_OUTPUT_H
#define LOOMTAP_SURVEY_OUTPUT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/base/sink.h"
#include "loomtap/capture/reader.h"
#include "loomtap/core/profile.h"
#include "loomtap/survey/survey.h"

/* What a survey itself does not know: where it comes from, and what was compared with it. */
struct lt_survey_about {
    const char *const *files;
    size_t file_count;
    const struct lt_reader_counts *counts; /* malformed lines and the like; NULL for none */
    uint64_t outside_span;                 /* frames left out by a time span ... */
    uint64_t other_buses;                  /* ... and by a choice of buses */
    /* The other recording; NULL where nothing was compared. */
    const char *against;
    const struct lt_change *changes;
    size_t change_count;
    bool brief; /* text: a line a frame, no fields that stand still or are not sure */
};

/* A table by bus: a line for each frame, its fields below it; at most 100 columns wide but for
 * names and sentences that are longer by themselves. */
void lt_survey_table(const struct lt_survey *survey, const struct lt_survey_about *about,
                     struct lt_sink *sink);

/* One JSON object; docs/survey.md has its keys, which are stable (new ones may be added). */
void lt_survey_json(const struct lt_survey *survey, const struct lt_survey_about *about,
                    struct lt_sink *sink);

/* One HTML file by itself: no script, nothing from elsewhere. */
void lt_survey_html(const struct lt_survey *survey, const struct lt_survey_about *about,
                    struct lt_sink *sink);

/* The canonical text of a profile with all that the survey is at least `sure` (0..1) of. Every
 * definition has its evidence. `name`: of the profile, [a-z][a-z0-9-]*. */
struct lt_draft_options {
    const char *name;
    double sure;
    /* Names of buses in the profile, by index of the capture's; NULL or "" = made from the
     * capture's own. */
    const char *const *bus_names;
};
struct lt_draft_counts {
    size_t frames, signals;
    size_t unsure;   /* fields left out because they are not sure enough */
    size_t other;    /* frames of diagnostics, which are not defined by their fields */
    size_t left_out; /* definitions past what a profile can hold */
};
enum lt_code lt_survey_draft(const struct lt_survey *survey, const struct lt_survey_about *about,
                             const struct lt_draft_options *options, struct lt_sink *sink,
                             struct lt_draft_counts *ret_counts, struct lt_error *error);
/* Its frames alone, for others to put signals on: with bus, period, length, counter, checksums and
 * selector, in memory. A name is given to every frame as the whole draft has it. ret_bus_of: the
 * profile's buses by the capture's index. */
enum lt_code lt_survey_draft_frames(const struct lt_survey *survey,
                                    const struct lt_survey_about *about,
                                    const struct lt_draft_options *options, struct lt_arena *arena,
                                    struct lt_profile *ret_profile,
                                    uint32_t ret_bus_of[LT_BUSES_MAX], struct lt_error *error);

#endif
