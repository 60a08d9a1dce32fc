/* Messages of SAE J1939 that come in several packets (BAM, RTS/CTS) to what watches their frames.
 *
 * A message is handed on as a frame of its first 64 bytes: fields beyond them are not looked at,
 * and are then not exercised. Its length is told apart from the stated one all the same. */
#include <string.h>

#include "loomtap/proto/j1939.h"
#include "prove/inside.h"

bool needs_transport(const struct lt_profile *profile)
{
    for (size_t i = 0; i < profile->frame_count; i++)
        if (profile->frames[i].is_pgn && profile->frames[i].length > 8)
            return true;
    return false;
}

bool is_transport(const struct lt_frame *frame)
{
    uint32_t pgn = lt_plan_pgn(frame->id);
    return lt_frame_has(frame, LT_FRAME_EXTENDED) && (pgn == LT_PGN_TP_CM || pgn == LT_PGN_TP_DT);
}

/* A frame in its place, of a length that is the stated one only if the message's is. */
static struct lt_frame as_frame(const struct lt_frame *last, const struct lt_j1939_result *whole,
                                const struct lt_frame_def *def)
{
    const struct lt_j1939_id id = {.priority = 6,
                                   .pgn = whole->pgn,
                                   .destination = whole->destination,
                                   .source = whole->source};
    unsigned len = whole->length < LT_FRAME_MAX ? whole->length : LT_FRAME_MAX;
    struct lt_frame frame = {.time_ns = whole->time_ns,
                             .number = last->number,
                             .id = lt_j1939_join(id),
                             .bus = last->bus,
                             .flags = LT_FRAME_EXTENDED};
    if (whole->length != def->length && len == LT_FRAME_MAX && def->length >= LT_FRAME_MAX)
        len--;
    frame.len = (uint8_t)len;
    memcpy(frame.data, whole->message, len);
    return frame;
}

bool transport_take(struct lt_prove *prove, const struct lt_frame *frame)
{
    struct lt_j1939 **sessions = &prove->j1939[frame->bus];
    if (!*sessions && lt_j1939_new(sessions, NULL) != LT_OK) {
        prove->failed_memory = true;
        return false;
    }
    struct lt_j1939_result whole = lt_j1939_feed(*sessions, frame);
    if (whole.event != LT_J1939_MESSAGE)
        return false;
    const struct lt_frame_plan *plan =
        lt_plan_lookup_pgn(prove->plan, frame->bus, whole.pgn, whole.source);
    bool any = plan != NULL;
    for (; plan; plan = plan->next) {
        struct frame_watch *watch = &prove->frames[plan->def - prove->profile->frames];
        struct lt_frame message = as_frame(frame, &whole, plan->def);
        frame_watch_take(prove, watch, plan, &message);
        if (whole.length != plan->def->length)
            watch->other_len = whole.length;
    }
    return any;
}
