/* Streams: the state that decoding keeps for each sender of each frame (counter, checks, timing,
 * tallies), and the identifiers that no profile knows. */
#include "decode/batch.h"

#include "loomtap/base/number.h"

/* OBD-II: the first (engine) controller's reply identifiers, ISO 15765-4. Its replies carry the
 * parameter's plain name, those of others its name with the identifier behind it. */
#define ENGINE_REPLY_11 0x7E8u
#define ENGINE_REPLY_29 0x18DAF110u

static bool has_one_stream(const struct lt_frame_plan *plan)
{
    return plan->def && plan->def->bus != LT_NONE &&
           !(plan->def->is_pgn && plan->def->source == LT_NONE);
}

static unsigned bucket_of(const struct lt_frame_plan *plan, uint16_t bus, uint32_t source)
{
    uint32_t mixed = plan->index * 2654435761u ^ bus * 40503u ^ source * 2246822519u;
    return mixed >> 16 & 1023;
}

static bool same_frame_seen(const struct lt_decode *decode, const struct lt_frame_plan *plan,
                            uint16_t bus)
{
    for (size_t i = 0; i < decode->stream_count; i++)
        if (decode->streams[i]->plan->index == plan->index && decode->streams[i]->bus == bus)
            return true;
    return false;
}

static const char *stream_name(struct lt_decode *decode, const struct lt_frame_plan *plan,
                               uint16_t bus, uint32_t source)
{
    const char *name = plan->def ? plan->def->name : plan->parameter->name;
    char text[64];
    bool plain;
    if (plan->parameter)
        plain = plan->parameter->responder != LT_NONE || source == ENGINE_REPLY_11 ||
                source == ENGINE_REPLY_29;
    else
        plain = source == LT_NONE || !same_frame_seen(decode, plan, bus);
    if (plain)
        return name;
    lt_text_format(text, sizeof text, plan->parameter ? "%s@%03X" : "%s@%02X", name, source);
    return lt_arena_string(&decode->arena, text);
}

static bool add_tallies(struct lt_decode *decode, struct stream *stream)
{
    const struct lt_frame_plan *plan = stream->plan;
    stream->tallies = lt_arena_array(&decode->arena, plan->field_count, sizeof *stream->tallies);
    if (!stream->tallies)
        return false;
    for (unsigned i = 0; i < plan->field_count; i++) {
        struct tally *tally = &stream->tallies[i];
        size_t labels = plan->fields[i].scaler->def->label_count;
        tally->timing = &stream->timing;
        if (labels)
            tally->labels = lt_arena_array(&decode->arena, labels + 1, sizeof *tally->labels);
        if (plan->fields[i].page_set)
            tally->timing = lt_arena_alloc(&decode->arena, sizeof *tally->timing);
        if (!tally->timing || (labels && !tally->labels))
            return false;
    }
    return true;
}

static struct stream *add_stream(struct lt_decode *decode, const struct lt_frame_plan *plan,
                                 uint16_t bus, uint32_t source)
{
    if (decode->stream_count >= STREAMS_MAX) {
        decode->streams_refused++;
        return NULL;
    }
    struct stream *stream = lt_arena_alloc(&decode->arena, sizeof *stream);
    struct stream **slot =
        stream ? lt_arena_push(&decode->arena, &decode->streams, &decode->stream_count,
                               &decode->stream_capacity, sizeof *slot)
               : NULL;
    if (!slot) {
        decode->failed_memory = true;
        return NULL;
    }
    decode->stream_count--; /* not seen by same_frame_seen until it is named */
    *stream = (struct stream){.plan = plan, .bus = bus, .source = source};
    stream->plain_name = plan->def ? plan->def->name : plan->parameter->name;
    stream->name = stream_name(decode, plan, bus, source);
    decode->stream_count++;
    *slot = stream;
    if (!stream->name || !add_tallies(decode, stream)) {
        decode->failed_memory = true;
        decode->stream_count--;
        return NULL;
    }
    return stream;
}

static struct stream *find_stream(struct lt_decode *decode, const struct lt_frame_plan *plan,
                                  uint16_t bus, uint32_t source)
{
    struct stream **bucket = &decode->buckets[bucket_of(plan, bus, source)];
    for (struct stream *stream = *bucket; stream; stream = stream->next)
        if (stream->plan->index == plan->index && stream->bus == bus && stream->source == source)
            return stream;
    struct stream *stream = add_stream(decode, plan, bus, source);
    if (stream) {
        stream->next = *bucket;
        *bucket = stream;
    }
    return stream;
}

static struct stream *stream_of(struct lt_decode *decode, const struct lt_frame_plan *plan,
                                uint16_t bus, uint32_t source)
{
    struct stream *stream = decode->by_plan[plan->index];
    if (stream)
        return stream;
    if (!has_one_stream(plan))
        return find_stream(decode, plan, bus,
                           plan->def->is_pgn && plan->def->source == LT_NONE ? source : LT_NONE);
    return decode->by_plan[plan->index] = add_stream(decode, plan, bus, LT_NONE);
}

struct stream *stream_for_frame(struct lt_decode *decode, const struct lt_frame_plan *plan,
                                uint16_t bus, uint32_t source)
{
    struct stream *stream = stream_of(decode, plan, bus, source);
    /* What was put off came before. */
    if (stream && stream->lane && stream->lane->count)
        lane_work_off(decode, stream->lane);
    return stream;
}

struct stream *stream_for_reply(struct lt_decode *decode, const struct lt_frame_plan *plan,
                                uint16_t bus, uint32_t reply_id)
{
    return find_stream(decode, plan, bus, reply_id);
}

/* Counter against the last one. Standing still makes the frame suspect; a jump by more than the
 * step is counted as lost frames (if it is a whole number of steps). */
static bool judge_counter(struct stream *stream, const struct lt_frame *frame)
{
    const struct lt_counter_def *def = &stream->plan->def->counter;
    if (frame->len < stream->plan->counter.end_byte)
        return false;
    uint32_t value = (uint32_t)lt_field_fetch(&stream->plan->counter, frame->data);
    uint32_t before = stream->counter_value;
    bool known = stream->has_counter_value;
    stream->counter_value = value;
    stream->has_counter_value = true;
    if (!known)
        return false;
    if (value == before) {
        stream->counter_frozen++;
        return true;
    }
    uint32_t moved = (value + def->modulus - before % def->modulus) % def->modulus;
    if (value >= def->modulus || moved % def->step)
        stream->counter_jumps++;
    else
        stream->counter_lost += moved / def->step - 1;
    return false;
}

bool stream_judge(struct stream *stream, const struct lt_frame *frame)
{
    const struct lt_frame_plan *plan = stream->plan;
    bool suspect = plan->has_counter && judge_counter(stream, frame);
    if (!plan->checksum_count)
        return suspect;
    switch (lt_frame_plan_verify(plan, frame)) {
    case LT_CHECK_GOOD:
        stream->checked++;
        break;
    case LT_CHECK_BAD:
        stream->checked++;
        stream->failed_checks++;
        suspect = true;
        break;
    case LT_CHECK_SHORT:
        /* Its check is cut off, so nothing vouches for the rest. */
        stream->short_for_check++;
        suspect = true;
        break;
    case LT_CHECK_NONE:
        break;
    }
    return suspect;
}

struct unknown *count_unknown(struct lt_decode *decode, const struct lt_frame *frame)
{
    bool extended = lt_frame_has(frame, LT_FRAME_EXTENDED);
    decode->unknown_frames++;
    uint32_t at = (frame->id * 2654435761u ^ frame->bus * 40503u ^ extended) >> 13;
    for (unsigned step = 0; step < 64; step++, at++) {
        struct unknown *slot = &decode->unknown[at % UNKNOWN_SLOTS];
        if (!slot->used) {
            *slot = (struct unknown){.id = frame->id,
                                     .bus = frame->bus,
                                     .extended = extended,
                                     .used = true,
                                     .fd = lt_frame_has(frame, LT_FRAME_FD),
                                     .first_ns = frame->time_ns};
            decode->unknown_count++;
        }
        if (slot->id == frame->id && slot->bus == frame->bus && slot->extended == extended) {
            slot->count++;
            slot->len = frame->len;
            slot->last_ns = frame->time_ns;
            return slot;
        }
    }
    decode->unknown_not_kept++;
    return NULL;
}
