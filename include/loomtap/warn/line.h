/* What the engine gives, as a line of text or of JSON: the same words whoever runs it. */
#ifndef LOOMTAP_WARN_LINE_H
#define LOOMTAP_WARN_LINE_H

#include "loomtap/base/sink.h"
#include "loomtap/warn/warn.h"

#define LT_WARN_TIME_ROOM 32

/* Seconds with all digits that are needed, at least one decimal: "30.312". Terminated. */
size_t lt_warn_time_text(int64_t ns, char ret_text[LT_WARN_TIME_ROOM]);

/* "lambda 1.1000, load 97.0 %" of the event's inputs, as they are now: to be called from the sink's
 * event(). Cut where it does not fit; terminated. Returns the length. */
size_t lt_warn_inputs_text(const struct lt_warn *warn, const struct lt_profile *profile,
                           const struct lt_warn_event *event, char *buffer, size_t size);

/* A line for people, with its end: `at_ns` as the time, the name padded to name_width. */
void lt_warn_event_text(const struct lt_warn *warn, const struct lt_profile *profile,
                        const struct lt_warn_event *event, int64_t at_ns, size_t name_width,
                        struct lt_sink *sink);
/* The members of an element of `events` in `rehearse --json`, into an object that is open. */
void lt_warn_event_json(const struct lt_warn *warn, const struct lt_profile *profile,
                        const struct lt_warn_event *event, struct lt_json *json);
/* The member time_s. */
void lt_warn_time_json(struct lt_json *json, int64_t time_ns);

#endif
