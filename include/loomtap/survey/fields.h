/* From one page of a stream to its fields: where each begins and ends, byte order, sign, kind. */
#ifndef LOOMTAP_SURVEY_FIELDS_H
#define LOOMTAP_SURVEY_FIELDS_H

#include <stddef.h>

#include "loomtap/base/arena.h"
#include "loomtap/base/error.h"
#include "loomtap/measure/kept.h"
#include "loomtap/measure/moments.h"
#include "loomtap/survey/survey.h"

struct lt_fields_input {
    const struct lt_kept *kept;     /* the page's rows, with the flags of the page */
    struct lt_moments *moments;     /* of all frames of the page; may hold more than `kept` */
    const struct lt_bit_set *taken; /* selector, counters, checks: not fields of this call, but they
                                       are evidence for where their neighbours end */
    /* Byte order that the frame's other pages and the bus's other frames speak for: -1 surely
     * Intel .. +1 surely Motorola, 0 not known. A prior, which evidence in the frame overrides. */
    double order_prior;
};

#define LT_FIELDS_MAX 256 /* of one page */

/* All fields of the page, in order of their place; bits that never move are `constant` fields (one
 * for each run inside a byte border or between moving fields), so that every bit of the page that
 * is not taken is in exactly one field. `why` and the array live in `arena`. */
enum lt_code lt_fields_find(const struct lt_fields_input *input, struct lt_arena *arena,
                            struct lt_survey_field **ret_fields, size_t *ret_count,
                            struct lt_error *error);

#endif
