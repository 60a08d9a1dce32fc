/* Modes from marks, the parts. Internal to src/seek.
 *
 *   modes_times    marks -> visits: from when to when which label held
 *   modes_bits     frames -> the few times at which each bit changed, its value on each visit
 *   modes_windows  bits that follow the label -> windows
 *   modes_judge    how likely chance is
 *   modes_rank     the order of candidates; what is a check and not the field
 *   modes_say      the verdict and what the person reads
 */
#ifndef LOOMTAP_SEEK_MODES_H
#define LOOMTAP_SEEK_MODES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/arena.h"
#include "loomtap/base/error.h"
#include "loomtap/core/bits.h"
#include "loomtap/measure/collect.h"
#include "loomtap/seek/marks.h"

#define MODES_MS          INT64_C(1000000)
#define MODES_BITS_MAX    8 /* of a window */
#define MODES_FRAME_BITS  512
#define MODES_WINDOWS_MAX 256 /* kept for ranking */

/* One stay at a label: from its mark to the next mark of another label. */
struct modes_visit {
    int64_t from_ns, to_ns;
    unsigned label;
    uint64_t mark; /* number of the mark, from 1 */
};

struct modes_times {
    size_t count;
    struct modes_visit *visit;
    unsigned label_count;
    const char *label[LT_MARK_LABELS_MAX];
    unsigned visits[LT_MARK_LABELS_MAX];
    size_t changes;            /* visits behind another one: the label changed at their mark */
    size_t doubled;            /* marks that said the label that held already */
    size_t outside;            /* marks outside the capture */
    size_t tolerance;          /* visits that may be wrong */
    int64_t early_ns, late_ns; /* a change lies at mark - late .. mark + early */
    int64_t first_ns, last_ns; /* of the capture */
    int64_t moved_ns; /* added to the marks' times: they counted from the capture's start */
    bool presses;     /* one label alone */
};

enum lt_code modes_times_make(const struct lt_reference *marks, int64_t first_ns, int64_t last_ns,
                              struct lt_arena *arena, struct modes_times *ret_times,
                              struct lt_error *error);

/* Frames in which a window may lie: a stream's, or those of one page. */
struct modes_view {
    const struct lt_stream *stream;
    bool has_page;
    uint64_t page;
    struct lt_kept kept;
    int64_t period_ns; /* 0 where not cyclic */
};

enum { MODES_ZERO, MODES_ONE, MODES_MIXED, MODES_NOTHING }; /* a bit on a visit */

struct modes_bit {
    uint16_t position; /* 8 * byte + bit */
    bool first;        /* its value in the first row */
    bool follows;      /* a function of the label, and not the same for all */
    uint32_t count;
    uint32_t *row; /* in which it differs from the row before */
    uint8_t *on;   /* by visit: MODES_ZERO ... */
};

struct modes_bits {
    size_t count; /* bits that changed, and not too often */
    struct modes_bit *bit;
    uint8_t still[MODES_FRAME_BITS]; /* the value that a bit has on every visit; 2: several */
};

enum lt_code modes_bits_make(const struct modes_times *times, const struct modes_view *view,
                             struct lt_arena *scratch, struct modes_bits *ret_bits,
                             struct lt_error *error);

struct modes_window {
    const struct lt_stream *stream;
    bool has_page;
    uint64_t page;
    struct lt_bits bits;
    unsigned length;
    int64_t period_ns;
    bool scattered;        /* bits that never changed lie between */
    bool doubt;            /* bits beside it in its byte move with it: it may go on */
    bool injective;        /* another value for every label */
    size_t bad, known;     /* visits that do not agree; visits on which there were frames */
    size_t hits, expected; /* changes of the label, and those at which the window changed */
    size_t extra;          /* changes of the window far from any mark */
    double chance;         /* of so many hits, by windows of time put at random */
    double after_s; /* the change after the mark, mean; the middle of what the period leaves open */
    double lag_s;   /* the mark after the change, median */
    uint64_t first_bad_mark;
    unsigned value_count;
    uint64_t value[LT_MARK_LABELS_MAX]; /* by label */
    unsigned agree[LT_MARK_LABELS_MAX]; /* visits with that value; 0: not seen */
    /* Other windows of the same frame that change with it: then some of them are a check over a
     * frame in which nothing else moves, or a counter of changes. */
    unsigned rivals;
    unsigned suspicion; /* that it is the check and not the field */
};

struct modes_found {
    size_t count;
    struct modes_window *window; /* MODES_WINDOWS_MAX */
    size_t tried;                /* hypotheses: bits that changed now and then */
    bool past;                   /* there were more: the likeliest by chance were left out */
};

/* Adds the windows of these bits. */
enum lt_code modes_windows_find(const struct modes_times *times, const struct modes_view *view,
                                const struct modes_bits *bits, struct lt_arena *scratch,
                                struct modes_found *found, struct lt_error *error);
/* Hits, extra changes, chance, delays of one window from the rows in which it changed. */
void modes_judge_changes(const struct modes_times *times, const struct modes_view *view,
                         const uint32_t *row, size_t count, double *room,
                         struct modes_window *window);
/* P(at least `hits` of `n`), each by chance q. */
double modes_chance(size_t n, size_t hits, double q);
/* Best first. Windows that are part of a better one of the same frame are taken out, and those that
 * say something else on every page (modes_rank.c). */
enum lt_code modes_rank(const struct modes_times *times, struct modes_found *found,
                        struct lt_arena *scratch, struct lt_error *error);
/* What does not agree with the marks, of whichever the fault is. */
size_t modes_blemishes(const struct modes_window *window);

enum lt_code modes_say(const struct modes_times *times, const struct modes_found *found,
                       const struct lt_reference *marks, struct lt_arena *arena,
                       struct lt_seek_target *ret_target, struct lt_error *error);

#endif
