/* What watch.c keeps, and watch_view.c shows. */
#ifndef LOOMTAP_SRC_LIVE_WATCH_INSIDE_H
#define LOOMTAP_SRC_LIVE_WATCH_INSIDE_H

#include "loomtap/live/watch.h"

struct watch_slot {
    int64_t number;  /* of the slot since 1970; its place is number % LT_WATCH_SLOTS */
    int64_t time_ns; /* of the last value in it */
    uint64_t raw;
    enum lt_watch_state state; /* the worst in it; AWAITED: nothing */
};

struct watch_row {
    const struct lt_frame_plan *plan;
    const struct lt_field *field;
    enum lt_role_group group;
    int64_t max_age_ns;
    int64_t time_ns; /* of the newest value; LT_NO_TIME */
    uint64_t raw;
    enum lt_watch_state state;
    double interval_ns;       /* between values, on average; 0 = not known */
    struct watch_slot *slots; /* LT_WATCH_SLOTS; NULL until the first value */
};

struct lt_watch {
    struct lt_watch_setup setup;
    struct lt_plan *plan;
    struct lt_route *route;
    struct watch_row *rows;
    uint32_t *row_of_field; /* by lt_field.index */
    size_t row_count;
};

/* NULL: nothing came in it, or it is no longer kept. */
const struct watch_slot *watch_slot_at(const struct watch_row *row, int64_t number);

#endif
