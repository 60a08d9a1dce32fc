/* Kernel filters: see loomtap/live/filters.h. A filter is (id & mask) == (filter & mask), so a
 * range is cut into blocks whose size is a power of two and that begin at a multiple of it. */
#include "loomtap/live/filters.h"

#include "loomtap/core/plan.h"

#define PDU2_FIRST   240u        /* PF from here on: PS belongs to the PGN (SAE J1939-21) */
#define PDU2_MASK    0x03FFFF00u /* EDP, DP, PF, PS */
#define PDU1_MASK    0x03FF0000u
#define SOURCE_MASK  0x000000FFu
#define TP_CM        0xEC00u /* transport, connection management */
#define TP_DT        0xEB00u
#define ANY_EXTENDED LT_ID_MAX_EXTENDED

static bool add(struct lt_can_filter *filters, size_t *count, uint32_t id, uint32_t mask,
                bool extended)
{
    for (size_t i = 0; i < *count; i++)
        if (filters[i].id == id && filters[i].mask == mask && filters[i].extended == extended)
            return true;
    if (*count == LT_CAN_FILTERS_MAX)
        return false;
    filters[(*count)++] = (struct lt_can_filter){id, mask, extended};
    return true;
}

bool lt_filters_add_range(struct lt_can_filter *filters, size_t *count, uint32_t first,
                          uint32_t last, bool extended)
{
    uint32_t all = extended ? LT_ID_MAX_EXTENDED : LT_ID_MAX_STANDARD;
    while (first <= last && first <= all) {
        uint32_t size = 1;
        while ((first & size) == 0 && size <= all && last - first >= 2 * size - 1)
            size *= 2;
        if (!add(filters, count, first, all & ~(size - 1), extended))
            return false;
        first += size;
    }
    return true;
}

static bool add_pgn(struct lt_can_filter *filters, size_t *count, uint32_t pgn, uint32_t source)
{
    bool pdu2 = (pgn >> 8 & 0xFF) >= PDU2_FIRST;
    uint32_t id = pgn << 8, mask = pdu2 ? PDU2_MASK : PDU1_MASK;
    if (source != LT_NONE) {
        id |= source;
        mask |= SOURCE_MASK;
    }
    return add(filters, count, id & mask, mask, true);
}

static bool add_frame(struct lt_can_filter *filters, size_t *count,
                      const struct lt_frame_def *frame)
{
    if (!frame->is_pgn)
        return add(filters, count, frame->id,
                   frame->extended ? LT_ID_MAX_EXTENDED : LT_ID_MAX_STANDARD, frame->extended);
    return add_pgn(filters, count, frame->pgn, frame->source) &&
           (frame->length <= 8 || (add_pgn(filters, count, TP_CM, frame->source) &&
                                   add_pgn(filters, count, TP_DT, frame->source)));
}

/* ISO 15765-4, 6.3.2: functional 7DF, physical 7E0..7EF; with 29 bits 18DB33xx, 18DAxxxx. */
bool lt_filters_add_diagnostics(struct lt_can_filter *filters, size_t *count)
{
    return lt_filters_add_range(filters, count, 0x7DF, 0x7EF, false) &&
           lt_filters_add_range(filters, count, 0x18DA0000, 0x18DBFFFF, true);
}

bool lt_filters_add_profile(struct lt_can_filter *filters, size_t *count,
                            const struct lt_profile *profile)
{
    for (size_t i = 0; i < profile->frame_count; i++)
        if (!add_frame(filters, count, &profile->frames[i]))
            return false;
    for (size_t i = 0; i < profile->parameter_count; i++) {
        uint32_t responder = profile->parameters[i].responder;
        if (responder != LT_NONE &&
            !add(filters, count, responder,
                 responder > LT_ID_MAX_STANDARD ? ANY_EXTENDED : LT_ID_MAX_STANDARD,
                 responder > LT_ID_MAX_STANDARD))
            return false;
    }
    return profile->parameter_count == 0 || lt_filters_add_diagnostics(filters, count);
}
