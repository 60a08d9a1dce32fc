/* The fast loop over batches of frames: hot, so it does little a frame and puts off the rest.
 *
 * Two things make it fast. A table remembers what became of each identifier, so that bus, kind and
 * identifier are one key with one look-up. And where only the summary is wanted, the frames of a
 * simple stream are put into its lane, eight bytes and a time each; a full lane is worked off field
 * by field (lane_kernel.c). Whatever the table does not know goes the general way of decode.c,
 * which is also the one that fills the table. Results are those of the general way: a stream's
 * values stay in order, sums are of whole numbers, and nothing crosses from stream to stream. */
#include "decode/batch.h"

/* The key's own place, or the free one where it would be. */
static struct route *place_of(const struct routes *routes, uint64_t key)
{
    size_t slot = slot_of(key);
    while (routes->slots[slot].key != key && routes->slots[slot].key != ROUTE_FREE)
        slot = (slot + 1) % ROUTES;
    return &routes->slots[slot];
}

struct route *route_search(const struct routes *routes, uint64_t key)
{
    struct route *route = place_of(routes, key);
    return route->key == key ? route : NULL;
}

struct route *route_add(struct routes *routes, uint64_t key)
{
    struct route *route = place_of(routes, key);
    if (route->key == key)
        return route;
    if (routes->used >= ROUTES / 2)
        return NULL;
    routes->used++;
    *route = (struct route){.key = key};
    return route;
}

void routes_clear(struct routes *routes)
{
    for (size_t i = 0; i < ROUTES; i++)
        routes->slots[i].key = ROUTE_FREE;
    routes->used = 0;
}

bool routes_init(struct lt_decode *decode)
{
    struct routes *routes = lt_arena_alloc(&decode->arena, sizeof *routes);
    if (!routes)
        return false;
    routes->slots = lt_arena_array(&decode->arena, ROUTES, sizeof *routes->slots);
    if (!routes->slots)
        return false;
    routes_clear(routes);
    decode->routes = routes;
    return true;
}

void route_unknown(struct lt_decode *decode, const struct lt_frame *frame, struct unknown *unknown)
{
    struct route *route = route_add(decode->routes, key_of(frame));
    if (route)
        route->unknown = unknown;
}

/* Fields within eight bytes, on every page, of frames that nothing has to vouch for. */
static bool is_simple(const struct lt_frame_plan *plan)
{
    if (plan->next || plan->page_set_count || plan->has_counter || plan->checksum_count)
        return false;
    for (unsigned i = 0; i < plan->field_count; i++)
        if (plan->fields[i].end_byte > 8 || plan->fields[i].fetch == LT_FETCH_GENERAL)
            return false;
    return true;
}

static bool add_lane(struct lt_decode *decode, struct stream *stream)
{
    struct lane *lane =
        decode->lane_count < LANES_MAX ? lt_arena_alloc(&decode->arena, sizeof *lane) : NULL;
    if (!lane)
        return false;
    lane->stream = stream;
    stream->lane = lane;
    decode->lane_count++;
    return true;
}

void route_stream(struct lt_decode *decode, const struct lt_frame *frame, struct stream *stream)
{
    if (!is_simple(stream->plan) || (!stream->lane && !add_lane(decode, stream)))
        return;
    struct route *route = route_add(decode->routes, key_of(frame));
    if (route)
        route->lane = stream->lane;
    else
        stream->general = true;
}

/* Those of the lane's frames that hold `bytes`. */
static size_t long_enough(const struct lane *lane, size_t count, unsigned bytes,
                          uint64_t *ret_words)
{
    size_t kept = 0;
    for (size_t i = 0; i < count; i++) {
        ret_words[kept] = lane->word[i];
        kept += lane->len[i] >= bytes;
    }
    return kept;
}

struct lens {
    unsigned least, most;
};

static struct lens lens_of(const struct lane *lane, size_t count)
{
    uint8_t least = UINT8_MAX, most = 0;
    for (size_t i = 0; i < count; i++) {
        least = lane->len[i] < least ? lane->len[i] : least;
        most = lane->len[i] > most ? lane->len[i] : most;
    }
    return (struct lens){least, most};
}

static void work_off_field(struct lt_decode *decode, const struct lane *lane, size_t count,
                           struct lens lens, unsigned number)
{
    const struct lt_field *field = &lane->stream->plan->fields[number];
    struct tally *tally = &lane->stream->tallies[number];
    const uint64_t *words = lane->word;
    uint64_t room[LANE_FRAMES];
    size_t kept = lens.most < field->end_byte ? 0 : count;
    if (kept && lens.least < field->end_byte) {
        kept = long_enough(lane, count, field->end_byte, room);
        words = room;
    }
    tally->too_short += count - kept;
    decode->values += tally_add_words(tally, field, words, kept);
}

void lane_work_off(struct lt_decode *decode, struct lane *lane)
{
    struct stream *stream = lane->stream;
    size_t count = lane->count;
    struct lens lens = lens_of(lane, count);
    lane->count = 0;
    stream->frames += count;
    timing_add_run(&stream->timing, lane->time_ns, count);
    for (unsigned i = 0; i < stream->plan->field_count; i++)
        work_off_field(decode, lane, count, lens, i);
}

void lanes_work_off(struct lt_decode *decode)
{
    for (size_t i = 0; i < decode->stream_count; i++)
        if (decode->streams[i]->lane && decode->streams[i]->lane->count)
            lane_work_off(decode, decode->streams[i]->lane);
}

/* The values of a simple frame to the output; they are tallied when the lane is worked off. */
static void put_out(struct lt_decode *decode, struct stream *stream, const struct lt_frame *frame)
{
    const struct lt_frame_plan *plan = stream->plan;
    struct message message = {frame, frame->data, frame->len, false};
    for (unsigned i = 0; i < plan->field_count; i++) {
        const struct lt_field *field = &plan->fields[i];
        if (frame->len < field->end_byte)
            continue;
        uint64_t raw = lt_field_fetch(field, frame->data);
        decode->output->value(decode, stream, i, &message, raw,
                              judge_value(field->scaler, raw, false));
    }
}

static inline __attribute__((always_inline)) void
put_in_lane(struct lt_decode *decode, struct lane *lane, const struct lt_frame *frame, bool rows)
{
    size_t at = lane->count++;
    memcpy(&lane->word[at], frame->data, sizeof lane->word[at]);
    lane->time_ns[at] = frame->time_ns;
    lane->len[at] = frame->len;
    if (rows)
        put_out(decode, lane->stream, frame);
    if (__builtin_expect(at == LANE_FRAMES - 1, 0))
        lane_work_off(decode, lane);
}

/* Frames in order of time, all within the span, none of them remote or an error. `rows` is a
 * constant where this is called. */
static inline __attribute__((always_inline)) void
take_plain(struct lt_decode *decode, const struct lt_frame *frames, size_t count, bool rows)
{
    const struct routes routes = *decode->routes; /* its slots do not move */
    uint64_t unknown_frames = 0, other_frames = 0;
    for (const struct lt_frame *frame = frames, *end = frames + count; frame < end; frame++) {
        uint64_t key = key_of(frame);
        const struct route *route = route_find(&routes, key);
        decode->frames_by_bus[frame->bus]++;
        if (!route) {
            take_data_frame(decode, frame);
            other_frames++;
        } else if (route->unknown) {
            struct unknown *unknown = route->unknown;
            unknown->count++;
            unknown->len = frame->len;
            unknown->last_ns = frame->time_ns;
            unknown_frames++;
        } else {
            put_in_lane(decode, route->lane, frame, rows);
        }
    }
    decode->unknown_frames += unknown_frames;
    decode->matched_frames += count - unknown_frames - other_frames;
}

/* The same, with what take_frame would note of each. */
static void take_run(struct lt_decode *decode, const struct lt_frame *frames, size_t count)
{
    decode->frames += count;
    if (decode->first_ns == LT_NO_TIME)
        decode->first_ns = frames[0].time_ns;
    decode->last_ns = decode->before_ns = frames[count - 1].time_ns;
    if (decode->output->value)
        take_plain(decode, frames, count, true);
    else
        take_plain(decode, frames, count, false);
}

/* How many of the frames, from the first on, can be taken in one run. */
static size_t run_length(const struct lt_decode *decode, const struct lt_frame *frames,
                         size_t count)
{
    int64_t least_ns = decode->last_ns > decode->from_ns ? decode->last_ns : decode->from_ns;
    size_t length = 0;
    for (; length < count; length++) {
        const struct lt_frame *frame = &frames[length];
        if ((frame->flags & (LT_FRAME_REMOTE | LT_FRAME_ERROR)) || frame->time_ns == LT_NO_TIME ||
            frame->time_ns < least_ns || frame->time_ns > decode->to_ns)
            break;
        least_ns = frame->time_ns;
    }
    return length;
}

void take_batch(struct lt_decode *decode, const struct lt_batch *batch)
{
    const struct lt_frame *frame = batch->frames, *end = frame + batch->count;
    bool in_span =
        frame[0].time_ns >= decode->from_ns && end[-1].time_ns <= decode->to_ns && batch->plain;
    if (in_span && !decode->output->frame) {
        take_run(decode, frame, batch->count);
        return;
    }
    while (frame < end && !decode->sink->failed) {
        size_t run = decode->output->frame ? 0 : run_length(decode, frame, (size_t)(end - frame));
        if (run > 0)
            take_run(decode, frame, run);
        else
            take_frame(decode, frame);
        frame += run > 0 ? run : 1;
    }
}
