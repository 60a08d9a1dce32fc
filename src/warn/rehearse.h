/* What the files of a rehearsal share: rehearse.c (the run), timeline.c (text), json.c, course.c
 * and page.c (what is drawn). */
#ifndef LOOMTAP_SRC_WARN_REHEARSE_H
#define LOOMTAP_SRC_WARN_REHEARSE_H

#include "loomtap/base/arena.h"
#include "loomtap/warn/rehearse.h"

struct warning_tally {
    uint64_t times, by_loss;
    int64_t total_ns, longest_ns; /* of those that ended */
    int64_t on_at_ns;             /* the last time, from the start */
};

struct frame_tally { /* by the profile's frame */
    uint64_t count;
    int64_t first_ns, last_ns; /* from the start */
    uint16_t bus;
};

struct course;

struct lt_rehearse {
    struct lt_arena arena;
    struct lt_reader *reader;
    const struct lt_profile *profile;
    struct lt_rehearse_options options;
    struct lt_faults *notes;
    struct lt_binding *bindings;
    size_t binding_count;
    struct lt_warn *warn;
    struct lt_frame *head; /* read ahead */
    size_t head_count;
    int64_t from_ns, to_ns;
    bool started, begins_anew;
    int64_t base_ns; /* capture's time at the start */
    int64_t last_ns; /* newest time, from the start */
    struct lt_rehearse_counts counts;
    struct warning_tally *warnings;
    struct frame_tally *frames;
    struct course *course; /* NULL unless a page is wanted */
    struct lt_json json, json_frames;
    bool any_frame; /* in json_frames */
    size_t name_width;
};

/* rehearse.c: from the first frame. Notes where a new recording begins. */
int64_t from_start(struct lt_rehearse *rehearse, int64_t time_ns);
const char *bus_name(const struct lt_rehearse *rehearse, uint32_t frame_index, uint16_t bus);
/* timeline.c */
void timeline_begin(struct lt_rehearse *rehearse);
void timeline_event(struct lt_rehearse *rehearse, int64_t at_ns, const struct lt_warn_event *event);
void timeline_frame(struct lt_rehearse *rehearse, int64_t at_ns, const char *name, const char *bus,
                    const struct lt_frame *frame);

/* json.c */
void json_begin(struct lt_rehearse *rehearse);
void json_event(struct lt_rehearse *rehearse, const struct lt_warn_event *event);
void json_frame(struct lt_rehearse *rehearse, const char *bus, const struct lt_frame *frame);
void json_end(struct lt_rehearse *rehearse);

/* course.c */
bool course_begin(struct lt_rehearse *rehearse); /* false: no memory */
void course_input(struct lt_rehearse *rehearse, int64_t at_ns, uint32_t input);
void course_event(struct lt_rehearse *rehearse, int64_t at_ns, const struct lt_warn_event *event);
void course_frame(struct lt_rehearse *rehearse, int64_t at_ns, uint32_t frame);
void course_restart(struct lt_rehearse *rehearse);
void course_end(struct lt_rehearse *rehearse);

#endif
