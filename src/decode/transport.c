/* J1939 messages longer than a frame, and active trouble codes (DM1), while decoding. */
#include "decode/decode_internal.h"

static struct lt_j1939 *sessions(struct lt_decode *decode, uint16_t bus)
{
    if (!decode->j1939[bus] && lt_j1939_new(&decode->j1939[bus], NULL) != LT_OK)
        decode->failed_memory = true;
    return decode->j1939[bus];
}

static struct dm1_seen *dm1_of(struct lt_decode *decode, uint16_t bus, uint8_t source)
{
    for (size_t i = 0; i < decode->dm1_count; i++)
        if (decode->dm1[i].bus == bus && decode->dm1[i].source == source)
            return &decode->dm1[i];
    if (decode->dm1_count == DM1_MAX) {
        decode->dm1_not_kept++;
        return NULL;
    }
    decode->dm1[decode->dm1_count] = (struct dm1_seen){.bus = bus, .source = source};
    return &decode->dm1[decode->dm1_count++];
}

void take_dm1(struct lt_decode *decode, uint16_t bus, uint8_t source, const uint8_t *data,
              size_t len)
{
    struct dm1_seen *seen = dm1_of(decode, bus, source);
    struct lt_dm1 dm1;
    if (!seen || !lt_dm1_parse(data, len, &dm1))
        return;
    seen->messages++;
    if (dm1.count || !seen->had_code)
        seen->last = dm1;
    seen->had_code |= dm1.count > 0;
}

static void take_whole(struct lt_decode *decode, const struct lt_frame *frame,
                       const struct lt_j1939_result *result)
{
    const struct lt_frame_plan *plan =
        lt_plan_lookup_pgn(decode->plan, frame->bus, result->pgn, result->source);
    if (result->pgn == LT_PGN_DM1)
        take_dm1(decode, frame->bus, result->source, result->message, result->length);
    for (; plan; plan = plan->next) {
        struct stream *stream = stream_for_frame(decode, plan, frame->bus, result->source);
        struct message message = {frame, result->message, result->length, false};
        if (!stream)
            continue;
        stream->frames++;
        timing_add(&stream->timing, frame->time_ns);
        take_message(decode, stream, &message);
    }
}

void take_transport(struct lt_decode *decode, const struct lt_frame *frame)
{
    struct lt_j1939_id id = lt_j1939_split(frame->id);
    if (id.pgn == LT_PGN_DM1) {
        take_dm1(decode, frame->bus, id.source, frame->data, frame->len);
        return;
    }
    struct lt_j1939 *j1939 = sessions(decode, frame->bus);
    if (!j1939)
        return;
    struct lt_j1939_result result = lt_j1939_feed(j1939, frame);
    if (result.event == LT_J1939_MESSAGE)
        take_whole(decode, frame, &result);
}
