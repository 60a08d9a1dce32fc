/* A rehearsal: the warnings of a profile over recorded captures, with what would have been sent.
 *
 *     lt_rehearse_new(&rehearse, reader, profile, &options, &notes, &error);
 *     code = lt_rehearse_run(rehearse, &error);     // text or JSON goes out while reading
 *     lt_rehearse_summary(rehearse, sink);
 *     lt_rehearse_html(rehearse, &about, sink);
 *     lt_rehearse_free(rehearse);
 *
 * Memory is constant: it depends on the profile, not on the length of the captures. Times in JSON
 * are the capture's own. In text, pages and expectations they count from the first frame; where a
 * new recording begins (a step back, a pause of more than ten minutes) they go on a second later.
 */
#ifndef LOOMTAP_WARN_REHEARSE_H
#define LOOMTAP_WARN_REHEARSE_H

#include "loomtap/base/error.h"
#include "loomtap/base/sink.h"
#include "loomtap/capture/reader.h"
#include "loomtap/capture/span.h"
#include "loomtap/core/binding.h"
#include "loomtap/warn/expect.h"
#include "loomtap/warn/warn.h"

struct lt_rehearse_options {
    const struct lt_bus_said *buses;
    size_t bus_count;
    struct lt_time_bound from, to; /* both included */

    /* Where results go while reading; NULL: not wanted. */
    struct lt_sink *text; /* a line an event */
    bool text_frames;     /* and a line a frame that would have been sent */
    /* The JSON object of the design is {"events": [...], "frames": [...]}: events go to `json` up
     * to and with "frames": [, frames to `json_frames` with commas between; the caller puts them
     * behind and ends with "]}\n". */
    struct lt_sink *json, *json_frames;
    struct lt_expect *expect; /* with its faults into expect_faults */
    struct lt_faults *expect_faults;
    struct lt_sink *write_expect;
    bool page; /* keep what lt_rehearse_html draws */
};

struct lt_rehearse;

/* Reads the head of the capture to learn its buses. `notes` (may be NULL) gets what the user should
 * know. LT_E_UNKNOWN: a bus that is not there; LT_E_CONFLICT: see lt_warn_new. */
enum lt_code lt_rehearse_new(struct lt_rehearse **ret_rehearse, struct lt_reader *reader,
                             const struct lt_profile *profile,
                             const struct lt_rehearse_options *options, struct lt_faults *notes,
                             struct lt_error *error);
void lt_rehearse_free(struct lt_rehearse *rehearse);

/* To the end of the input. On a read error everything before it has been given out. */
enum lt_code lt_rehearse_run(struct lt_rehearse *rehearse, struct lt_error *error);

/* How often and how long each warning was on, and what would have been sent. */
void lt_rehearse_summary(const struct lt_rehearse *rehearse, struct lt_sink *sink);

struct lt_rehearse_about { /* for the page's head */
    const char *const *files;
    size_t file_count;
};
/* A page with every warning, its inputs drawn and its on-times marked. Needs options.page. */
void lt_rehearse_html(const struct lt_rehearse *rehearse, const struct lt_rehearse_about *about,
                      struct lt_sink *sink);

struct lt_rehearse_counts {
    uint64_t frames, outside_span, events;
};
struct lt_rehearse_counts lt_rehearse_counts(const struct lt_rehearse *rehearse);
const struct lt_warn_counts *lt_rehearse_engine_counts(const struct lt_rehearse *rehearse);

#endif
