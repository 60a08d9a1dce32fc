/* What checksum.c (computing) and checksum_check.c (faults of a definition) must agree about. */
#ifndef LOOMTAP_SRC_CORE_CHECKSUM_RULES_H
#define LOOMTAP_SRC_CORE_CHECKSUM_RULES_H

#include "loomtap/core/checksum.h"

static inline bool check_is_e2e(enum lt_check_family family)
{
    return family == LT_CHECK_E2E_P1 || family == LT_CHECK_E2E_P2 || family == LT_CHECK_E2E_P5;
}

static inline bool check_is_j1939(enum lt_check_family family)
{
    return family == LT_CHECK_J1939_TSC1 || family == LT_CHECK_J1939_XBR;
}

/* These leave out the bytes where the check lies; for all others its bits count as 0. */
static inline bool check_leaves_out_itself(enum lt_check_family family)
{
    return check_is_e2e(family) || check_is_j1939(family);
}

/* The bits of a byte that belong to the span, in either byte order. */
static inline uint8_t check_place_mask(struct lt_span span, unsigned byte)
{
    unsigned top = span.msb / 8u, bottom = span.lsb / 8u;
    if ((byte < top && byte < bottom) || (byte > top && byte > bottom))
        return 0;
    unsigned from = byte == bottom ? span.lsb % 8u : 0;
    unsigned to = byte == top ? span.msb % 8u : 7;
    return (uint8_t)((0xFFu >> (7 - to)) & (0xFFu << from));
}

/* Where the counter is that chooses or is added: as given, else where the standard has it, written
 * to *room. NULL where there is none. */
const struct lt_bits *lt_check_counter(const struct lt_checksum *checksum, struct lt_bits *room);
/* Does the value depend on that counter by more than its being covered? */
bool lt_check_uses_counter(const struct lt_checksum *checksum);
/* One past the last byte that the ranges name. */
unsigned lt_check_ranges_end(const struct lt_checksum *checksum);

#endif
