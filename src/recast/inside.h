/* What the parts of recast share. Internal to src/recast. */
#ifndef LOOMTAP_RECAST_INSIDE_H
#define LOOMTAP_RECAST_INSIDE_H

#include "loomtap/recast/recast.h"

#define RECAST_TIME_ROOM 48 /* longer times lose their text; the nanoseconds stay */

/* A bus of one file: what becomes of it. */
struct source_bus {
    char *name; /* in the output; NULL: not met yet */
    bool wanted;
};

/* A frame that is kept for a while, with its time's text and its place. */
struct held {
    struct lt_frame frame;
    const struct source_bus *bus;
    uint32_t source;
    int64_t key_ns;  /* what it is ordered by */
    uint64_t number; /* in order of reading */
    char time_text[RECAST_TIME_ROOM];
};

/* Copies a frame; its text goes with it unless it is too long. */
void hold(struct held *held, const struct lt_frame *frame);

/* pick.c */
bool recast_wants_id(const struct lt_recast_options *options, const struct lt_frame *frame);

/* order.c: frames in order of (key_ns, source, number), out of a bounded heap. */
struct order {
    struct held *items;
    uint32_t *heap; /* numbers of items; the earliest first */
    uint32_t *free; /* numbers of items that are not used */
    size_t count, capacity;
    size_t ceiling;
};

void order_init(struct order *order, size_t ceiling);
void order_release(struct order *order);
/* Room for one more, to be filled and then put with order_put; NULL: out of memory. There must be
 * less than `ceiling` in it. */
struct held *order_room(struct order *order);
void order_put(struct order *order);
const struct held *order_first(const struct order *order); /* NULL: empty */
void order_drop_first(struct order *order);

/* hide.c: puts 'X' over identification numbers. Frames stay in a ring for a while, so that a number
 * that is known only by its look can still be covered in the frames it began in. */
struct hide;
typedef void (*hide_give)(void *context, const struct held *held);

struct hide *hide_new(hide_give give, void *context, struct lt_recast_counts *counts);
void hide_free(struct hide *hide);
void hide_feed(struct hide *hide, const struct held *held);
void hide_end(struct hide *hide); /* gives what is left */

#endif
