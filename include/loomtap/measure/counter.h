/* Finding alive counters: bits that go up by one and the same step from frame to frame.
 *
 * Any position, order and width from 2 bits; modulus 2^n and 2^n - 1 (AUTOSAR E2E profile 1 counts
 * 0..14) and other early wraps; other steps; robust against lost frames: a step of k over a gap of
 * k periods counts as proof. */
#ifndef LOOMTAP_MEASURE_COUNTER_H
#define LOOMTAP_MEASURE_COUNTER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/arena.h"
#include "loomtap/base/error.h"
#include "loomtap/measure/kept.h"

#define LT_COUNTERS_MAX 8 /* of one page */

struct lt_counter_found {
    struct lt_span bits;
    enum lt_order order;
    uint32_t modulus, step; /* counts step, 2 step ... mod modulus */
    bool on_change;         /* stands still while nothing else changes */
    uint64_t kept_steps;    /* steps as they should be */
    uint64_t other_steps;   /* steps that are not, after losses by time are allowed for */
    double confidence;
};

/* `taken`: bits that are something else (the selector); NULL for none. `period_ns` of the page, 0
 * where not cyclic. Returns how many in ret_count, the surest first; they do not overlap. */
enum lt_code lt_counters_find(const struct lt_kept *kept, int64_t period_ns,
                              const struct lt_bit_set *taken, struct lt_arena *arena,
                              struct lt_counter_found ret_found[LT_COUNTERS_MAX], size_t *ret_count,
                              struct lt_error *error);

/* Does a counter that is known from other pages of the frame count on this one too? It is not
 * looked for, so other counters beside it speak neither for nor against it. */
enum lt_code lt_counter_goes_on(const struct lt_kept *kept, int64_t period_ns,
                                const struct lt_counter_found *known, struct lt_arena *arena,
                                struct lt_counter_found *ret_found, bool *ret_goes_on,
                                struct lt_error *error);

#endif
