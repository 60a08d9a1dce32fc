/* Finding a frame's selector (multiplexor): the bits whose value says what the others mean.
 *
 * Measure: how much of the frame's step energy goes away when each frame is compared with the one
 * before it of the same value instead of the one before it. A selector removes most of it; a
 * counter that runs freely gives nothing on the half of the frames that was held back. */
#ifndef LOOMTAP_MEASURE_SELECTOR_H
#define LOOMTAP_MEASURE_SELECTOR_H

#include <stdbool.h>
#include <stdint.h>

#include "loomtap/base/arena.h"
#include "loomtap/base/error.h"
#include "loomtap/measure/kept.h"

#define LT_SELECTOR_VALUES_MAX 256

struct lt_selector_found {
    bool present;
    struct lt_bits bits;
    unsigned count;                         /* values seen */
    uint16_t value[LT_SELECTOR_VALUES_MAX]; /* ascending */
    double gain;       /* share of the step energy of the other bits that it removes, 0..1 */
    double confidence; /* 0..1 */
    /* Bits outside the selector that mean the same on every page (a counter over all frames, a
     * common field): their frames are compared across pages. */
    struct lt_bit_set common;
};

/* `checks`: bits that are known to be a check over the whole frame (NULL for none): they are
 * neither the selector nor steps that a selector could take away. `arena` is scratch. Always fills
 * ret_found; present is false where there is none. */
enum lt_code lt_selector_find(const struct lt_kept *kept, const struct lt_bit_set *checks,
                              struct lt_arena *arena, struct lt_selector_found *ret_found,
                              struct lt_error *error);

#endif
