/* What a page draws: the whole run in a fixed number of bins, whatever its length. Internal. */
#ifndef LOOMTAP_SRC_WARN_COURSE_H
#define LOOMTAP_SRC_WARN_COURSE_H

#include "warn/rehearse.h"

#define COURSE_BINS   1000
#define COURSE_TRACKS 200 /* inputs drawn; warnings drawn */
#define COURSE_EVENTS 500 /* listed */
#define INPUTS_ROOM   240

enum course_flag {
    COURSE_VALUE = 1, /* low and high hold */
    COURSE_LOST = 2,
    COURSE_ON = 4,
    COURSE_ON_LOST = 8,
    COURSE_SENT = 16,
};

struct bin {
    double low, high;
    uint64_t raw; /* the last one, for labels */
    unsigned flags;
};

struct track {
    struct bin *bins;
    struct bin now; /* what goes on until the next change */
    size_t filled;  /* the bin that was filled last */
};

struct listed {
    int64_t at_ns, lasted_ns;
    uint32_t warning;
    bool on;
    enum lt_warn_cause cause;
    char inputs[INPUTS_ROOM];
};

struct course {
    int64_t width_ns;                         /* of a bin */
    struct track *inputs, *warnings, *frames; /* frames: by the profile's frame, sent ones alone */
    size_t input_count, warning_count, frame_count;
    struct listed *events;
    size_t event_count;
};

#endif
