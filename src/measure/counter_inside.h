/* How the finder of counters is put together: counter_steps.c turns a page's rows into steps and
 * tells how well one window counts; counter.c tries windows and decides between them. */
#ifndef LOOMTAP_SRC_MEASURE_COUNTER_INSIDE_H
#define LOOMTAP_SRC_MEASURE_COUNTER_INSIDE_H

#include "loomtap/measure/counter.h"
#include "measure/narrow.h"

/* The pairs of neighbouring rows that are looked at. */
struct steps {
    const struct lt_kept *kept;
    size_t count;             /* pairs */
    const uint32_t *row;      /* the later row of each pair */
    const uint8_t *gap;       /* periods between both: 1 next to each other, 2.. frames were lost */
    const uint16_t *moved;    /* how many bits of the whole frame differ */
    uint16_t *before, *after; /* values of the window that lt_steps_read was called with */
    uint64_t next, changing;  /* pairs with gap 1, and those of them in which anything moves */
    bool hides_losses;        /* frames can get lost unseen: the sender does not keep a beat */
};

enum lt_code lt_steps_make(const struct lt_kept *kept, int64_t period_ns, size_t rows_max,
                           struct lt_arena *arena, struct steps *ret_steps, struct lt_error *error);

/* How one window counts. `up` is the step as counted upward, 1 .. modulus - 1. */
struct counting {
    struct narrow window;
    uint32_t modulus, up;
    bool on_change;
    uint64_t good;       /* steps of next frames that are right */
    uint64_t skips;      /* two or three steps at once where losses cannot be seen */
    uint64_t bad;        /* any other step of next frames */
    uint64_t lost_right; /* over losses: as many steps as frames are missing */
    uint64_t lost_wrong;
    uint64_t wraps;
    double saving; /* bits saved against coding every bit's flips by themselves */
};

/* The steps of the first pairs that change something, as the window has them modulo its size; until
 * enough of them change its lowest two bits. `step` has room for steps.count. Windows of the same
 * lowest bit and order that are narrower have the same steps, modulo theirs. */
struct first_steps {
    size_t count;
    uint16_t *step;
};
void lt_steps_first(const struct steps *steps, const struct narrow *window,
                    struct first_steps *first);
/* The usual one of them modulo mask + 1; 0 when no step is usual. */
uint32_t lt_steps_usual(const struct first_steps *first, uint32_t mask);

/* Reads a window's values of all pairs, once for all windows of the same lowest bit and order that
 * are no wider. */
void lt_steps_read(struct steps *steps, const struct narrow *window);
/* Does the window count by the step? False when it does not. Its values, or those of a wider one,
 * were read. */
bool lt_steps_count_by(const struct steps *steps, const struct narrow *window, uint32_t step,
                       struct counting *ret_counting);

#endif
