/* What the kernel shall let through, made from identifiers and profiles. */
#ifndef LOOMTAP_LIVE_FILTERS_H
#define LOOMTAP_LIVE_FILTERS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/capture/can_bus.h"
#include "loomtap/core/profile.h"

/* Both add to `filters`, which has room for LT_CAN_FILTERS_MAX; a filter that is there is not added
 * again. False: there are too many. */

/* first..last, as few masks as exact ones can be. */
bool lt_filters_add_range(struct lt_can_filter *filters, size_t *count, uint32_t first,
                          uint32_t last, bool extended);
/* The profile's frames (of J1939: its PGN, of the stated or of any source, and what carries longer
 * messages) and, for its parameters, requests and replies (ISO 15765-4: 7DF, 7E0..7EF, and the
 * 29-bit 18DA and 18DB ones). */
bool lt_filters_add_profile(struct lt_can_filter *filters, size_t *count,
                            const struct lt_profile *profile);

/* Diagnostic requests and replies, as for a profile with parameters. */
bool lt_filters_add_diagnostics(struct lt_can_filter *filters, size_t *count);

#endif
