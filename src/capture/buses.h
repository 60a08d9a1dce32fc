/* Bus names to numbers: each name once, in the order they appear. Internal to src/capture.
 *
 * The fast path looks a name of up to 7 bytes up by its bytes as one word, without a memory of the
 * line before: recordings of two or three buses alternate at random, and a cache of one would miss
 * half of the time. */
#ifndef LOOMTAP_CAPTURE_BUSES_H
#define LOOMTAP_CAPTURE_BUSES_H

#include <stdbool.h>
#include <stdint.h>

#include "loomtap/base/text.h"
#include "loomtap/core/frame.h"

#include "capture/line.h"

#define LT_BUS_SLOTS 256 /* four times LT_BUSES_MAX: probes stay short */

struct lt_bus_slot {
    uint64_t key; /* the name's bytes, first lowest, and a blank behind them; 0 = free */
    uint32_t bus;
};

/* To be begun with lt_buses_init. */
struct lt_buses {
    size_t count;
    size_t last; /* most names repeat */
    char names[LT_BUSES_MAX][LT_BUS_NAME_MAX + 1];
    struct lt_bus_slot slots[LT_BUS_SLOTS];
};

void lt_buses_init(struct lt_buses *buses);

/* False: there are LT_BUSES_MAX others already. `name` has up to LT_BUS_NAME_MAX
 * bytes; none is the name of frames without one. */
bool lt_buses_intern(struct lt_buses *buses, struct lt_text name, uint16_t *ret_bus);

static inline unsigned lt_bus_slot_of(uint64_t key)
{
    return (unsigned)((key * UINT64_C(0x9E3779B97F4A7C15)) >> 56);
}

/* For a name of up to 7 bytes in one word, with the blank behind it and the rest 0. The blank keeps
 * "a" apart from an "a" with NUL bytes behind it. False: not seen before. */
static inline bool lt_buses_find(const struct lt_buses *buses, uint64_t key, uint16_t *ret_bus)
{
    for (unsigned slot = lt_bus_slot_of(key);; slot = (slot + 1) % LT_BUS_SLOTS) {
        if (buses->slots[slot].key == key) {
            *ret_bus = (uint16_t)buses->slots[slot].bus;
            return key != 0;
        }
        if (buses->slots[slot].key == 0)
            return false;
    }
}

#endif
