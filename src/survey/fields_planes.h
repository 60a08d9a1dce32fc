/* The rows of a page bit by bit: 64 rows in a word, so that one operation counts for 64 rows. */
#ifndef LOOMTAP_SRC_SURVEY_FIELDS_PLANES_H
#define LOOMTAP_SRC_SURVEY_FIELDS_PLANES_H

#include "survey/fields_inside.h"

/* Row r is bit r % 64 of word r / 64; bits past the last row are 0. A bit that is the same in all
 * rows has no words. */
struct field_planes {
    size_t words;
    const uint64_t *next;           /* rows that are LT_KEPT_NEXT */
    const uint64_t *on[FRAME_BITS]; /* the bit's values; NULL: there are none */
};

enum lt_code field_planes_make(const struct field_lines *lines, struct lt_arena *arena,
                               struct field_planes *ret_planes, struct lt_error *error);

#define GAP_STRATA     2u
#define GAP_BELOW_MOST 16u /* further bits below: they show when a source looked */

/* The bits around a gap: those above it, the lowest first, and those below, the highest first. */
struct gap_window {
    unsigned above, below_count;
    uint16_t upper[GAP_ABOVE], below[GAP_BELOW_MOST + 1];
};

/* What is counted there. Second differences (`ticks` and what bends) are those from one change of
 * the whole window to the next, for a source that looks only now and then rests between; with one
 * bit above there are none. */
struct gap_moves {
    struct gap_counts at[GAP_STRATA][GAP_ABOVE]; /* [u moved in the row before][bits above - 1] */
    struct field_choice choice[GAP_ABOVE];
    struct gap_counts bends;
    uint64_t ticks, lower_bends, lower_flips;
};

void gap_moves_count(const struct field_planes *planes, const struct gap_window *window,
                     struct gap_moves *ret_moves);

#endif
