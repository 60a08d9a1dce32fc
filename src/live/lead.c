/* Steps in turn: see loomtap/live/lead.h. A step is driven to its end even when it is done before,
 * since a manoeuvre that breaks off is none. */
#include "loomtap/live/lead.h"

size_t lt_lead_next(struct lt_lead *lead, const struct lt_lead_step *steps, size_t count,
                    int64_t now_ns)
{
    if (lead->begun && !lead->ended && now_ns < lead->until_ns)
        return LT_LEAD_SAME;
    size_t first = lead->begun ? lead->at + 1 : 0;
    for (size_t i = 0; i < count; i++) {
        size_t at = (first + i) % count;
        if (steps[at].done)
            continue;
        *lead = (struct lt_lead){true, false, at, now_ns + steps[at].length_ns};
        return at;
    }
    if (lead->ended)
        return LT_LEAD_SAME;
    lead->begun = lead->ended = true;
    return LT_LEAD_END;
}
