/* How the finder of selectors is put together: selector_flips.c counts flips between frames of the
 * same value of a window; selector_judge.c says what they explain; selector_ways.c how pages go on;
 * selector.c tries windows and believes them; selector_choice.c takes one; selector_extent.c says
 * where that ends; selector_common.c tells which bits mean the same on every page. */
#ifndef LOOMTAP_SRC_MEASURE_SELECTOR_INSIDE_H
#define LOOMTAP_SRC_MEASURE_SELECTOR_INSIDE_H

#include "loomtap/measure/counter.h"
#include "loomtap/measure/selector.h"
#include "measure/narrow.h"

#define SELECTOR_ROWS_MAX  4096 /* looked at */
#define SELECTOR_WIDTH_MAX 12
#define SELECTOR_WINDOW    (1u << SELECTOR_WIDTH_MAX)
#define SELECTOR_BITS      512
#define BEST_KEPT          40
#define SELECTOR_PAIRS     (LT_SELECTOR_VALUES_MAX * LT_SELECTOR_VALUES_MAX)

/* The rows that are looked at, as words: bit position p is bit p % 64 of word p / 64. */
struct rows {
    unsigned bits, words; /* of a row */
    size_t count;
    const uint64_t *word;   /* count * words */
    const uint32_t *source; /* the row of the kept frames */
    const bool *follows;    /* nothing is missing above it */
};

/* Bits of `hidden` (NULL for none) are 0 in every row. */
enum lt_code lt_rows_make(const struct lt_kept *kept, size_t most, const struct lt_bit_set *hidden,
                          struct lt_arena *arena, struct rows *ret_rows, struct lt_error *error);

struct flip_counts {
    uint64_t pairs;
    uint32_t of[SELECTOR_BITS];
};

/* Flips of every bit between rows next to each other, rows `first` to below `end`. */
void lt_rows_flips(const struct rows *rows, size_t first, size_t end, struct flip_counts *ret);

struct same_counts {
    uint64_t rows;          /* looked at */
    uint64_t changes;       /* times the window's value changed */
    uint64_t expected;      /* times the value came that followed the same value before */
    unsigned values;        /* different ones, of those seen twice */
    uint64_t firsts;        /* rows with no earlier one of their value */
    struct flip_counts all; /* against the earlier row of the same value */
};

/* Scratch for one value each; made once. */
struct by_value {
    uint32_t last[SELECTOR_WINDOW]; /* 1 + row; 0 none */
    uint16_t after[SELECTOR_WINDOW];
    uint32_t times[SELECTOR_WINDOW];
};

/* `values` holds the window's value of each row. False, and nothing counted, when values come back
 * too seldom. */
bool lt_rows_same(const struct rows *rows, const uint16_t *values, size_t first, size_t end,
                  unsigned width, struct by_value *scratch, struct same_counts *ret);

/* ---- selector_judge.c ---- */

struct half {
    size_t first, end;
    struct flip_counts next;
};

struct judged {                /* a window on some rows */
    double saved;              /* bits a row */
    double saved_outside;      /* ... in other bytes than the window's, pages' first rows unpaid */
    unsigned explained, bytes; /* how many bits, and bytes they lie in */
    unsigned outside;          /* of those bits in other bytes than the window's */
    double before, after;      /* flips a row of the explained bits */
    struct lt_bit_set set;
    struct same_counts same;
};

struct candidate {
    struct narrow window;
    double saved, score;
    unsigned on_half; /* which of search.on_half is what the first half says of it */
    bool has_carries; /* `without_carries` is known: bits a row that are left of what it saves */
    double without_carries;
};

struct search {
    const struct lt_kept *kept;
    const struct narrow *within; /* rows are compared within its values; NULL: one after another */
    struct rows rows;
    struct half look, halves[2];
    struct lt_bit_set moves, counters;
    size_t counter_count;
    struct lt_counter_found counter[LT_COUNTERS_MAX];
    uint16_t *values;
    struct by_value *scratch;
    uint16_t *together;     /* counts of pairs of values, SELECTOR_PAIRS of them */
    struct judged *judged;  /* two, to work with */
    struct judged *on_half; /* BEST_KEPT */
    size_t count;
    struct candidate best[BEST_KEPT + 1]; /* the highest score first */
};

/* The window's values on the rows of a half, into s->values. */
void lt_selector_values(struct search *s, const struct narrow *window, const struct half *half);
/* False when the window cannot be a selector there. */
bool lt_selector_judge(struct search *s, const struct narrow *window, const struct half *half,
                       struct judged *ret);
/* Bits a row that the window's own bits hold, each by its flips, on the rows of s->look. */
double lt_selector_own_bits(const struct search *s, const struct narrow *window);
/* What a number explains of itself is no evidence: takes it out, on the rows of s->look. */
void lt_selector_leave_carries(struct search *s, const struct narrow *window,
                               struct judged *judged);
/* Does the window go on as part of a number does, on the rows of each value of `within`? */
bool lt_selector_is_number_within(struct search *s, const struct narrow *window,
                                  const struct narrow *within);

/* ---- selector_ways.c ---- */

/* How the explained bits go on from one frame of a page to its next. */
struct own_ways {
    uint64_t alone; /* they changed while all else stood still: neither a counter nor what else is
                       in the frame did it */
    uint64_t held, changed; /* other bytes changed and they did not; they changed */
    uint64_t lone; /* ... but not in the frame before nor in the one after it, of other pages */
    uint64_t rows;
};

/* Adds those of the rows of `half`; s->values are the window's there. */
void lt_selector_own_ways(struct search *s, const struct narrow *window,
                          const struct judged *judged, const struct half *half, bool strict,
                          struct own_ways *ways);
/* Pages change by themselves. */
bool lt_own_ways_alone(const struct own_ways *ways);
/* A check would change with what else is in the frame. */
bool lt_own_ways_steady(const struct own_ways *ways);
/* Pages change one at a time, as those do that know nothing of each other. */
bool lt_own_ways_lone(const struct own_ways *ways);
/* ... and mostly stay what they are where something else changes. */
bool lt_own_ways_lone_and_held(const struct own_ways *ways);
/* How often the window's value changes, against how often it would if it came in any order. Of the
 * rows that it was judged on just now. */
double lt_selector_unrest(const struct search *s, const struct narrow *window,
                          const struct judged *judged);

/* ---- selector.c ---- */

bool lt_selector_is_counter(const struct search *s, const struct narrow *window);
/* ... modulo 2^n or 2^n - 1, as those are that have a check beside them. */
bool lt_selector_is_alive(const struct search *s, const struct narrow *window);

/* ---- selector_choice.c ---- */

/* A candidate that is believed: its pages, and whether they go round in order. */
struct believed {
    const struct candidate *candidate;
    unsigned values;
    bool round;
    double run;          /* bits of evidence that its values are one run */
    double saved, score; /* on all rows looked at */
};

/* Share of the rows on which the value of `finer` tells that of `coarser`: each value of the one
 * stands for the value of the other that it came with first, until it comes with another. */
double lt_selector_tells(struct search *s, const struct narrow *finer,
                         const struct narrow *coarser);
/* One of the list; NULL of none. */
const struct believed *lt_selector_choose(struct search *s, const struct believed *list,
                                          size_t count);

/* ---- selector_extent.c ---- */

/* The window, judged on s->look, with what else of its byte belongs to it. */
struct narrow lt_selector_extent(struct search *s, const struct narrow *window,
                                 const struct judged *judged);
/* Of windows that tell the same: how much speaks for this one, by its place and its numbers. */
double lt_selector_prior(struct search *s, const struct narrow *window,
                         const struct judged *judged);
/* Of 2^width values those that are there: bits of evidence that they are no chance, for they go on
 * in equal steps without a gap; 0 where they do not. */
double lt_selector_run(const bool *present, unsigned width);

/* ---- selector_common.c ---- */

/* Adds to `common` what means the same on every page (selector.h). */
enum lt_code lt_selector_common(const struct rows *rows, const uint16_t *values, unsigned width,
                                const struct flip_counts *next, const struct flip_counts *same,
                                const struct lt_bit_set *own, struct by_value *scratch,
                                struct lt_arena *arena, struct lt_bit_set *common,
                                struct lt_error *error);

#endif
