/* What a thread makes of a piece of a file before its turn, where only the summary is wanted.
 *
 * The frames are put apart by their keys: those of simple streams into lanes, those of unknown
 * identifiers into a count, the rest into a list, each in their order. Nothing that is shared is
 * touched. Within the turn the lanes are worked off, the counts added and the list gone through.
 * That gives what going through the frames in order gives, since nothing crosses from stream to
 * stream, provided that no stream has frames in lanes and in the list: see stream->general. Several
 * keys may lead to one stream (a PGN with any priority), so the lanes stand in a queue a stream.
 *
 * A key that the digest has not seen makes the piece unfit; it is then taken in order, and the
 * digest learns where its frames went. So each key costs one piece a thread. */
#include <assert.h>
#include <stdlib.h>

#include "decode/batch.h"

#define LANES 384  /* of a piece: full ones, and one more a stream */
#define LEFT  4096 /* frames in the list */
/* After so many unfit pieces one after the other, as many are not tried. */
#define PATIENCE 8

/* Of an unknown identifier, by slot of its route. */
struct unknown_run {
    uint64_t count;
    int64_t last_ns;
    uint8_t len;
};

/* The lanes of a stream follow one another among all lanes; this is the one to be filled. */
struct lane_queue {
    struct stream *stream;
    struct lane *lane;
};

struct digest {
    struct routes routes;
    struct route slots[ROUTES];
    struct unknown_run runs[ROUTES];
    uint16_t unknown[ROUTES]; /* the slots that have one */
    size_t unknown_count;
    struct lane_queue queues[LANES_MAX];
    size_t queue_count;
    struct lane lanes[LANES];
    size_t lane_count;
    struct lane full; /* makes the first frame of a stream ask for a lane */
    struct lt_frame left[LEFT];
    size_t left_count;
    uint64_t frames, frames_by_bus[LT_BUSES_MAX];
    int64_t first_ns, last_ns;
    bool full_up; /* of keys */
    unsigned unfit;
};

struct digest *digest_new(void)
{
    struct digest *digest = calloc(1, sizeof *digest);
    if (!digest)
        return NULL;
    digest->routes.slots = digest->slots;
    routes_clear(&digest->routes);
    digest->full.count = LANE_FRAMES;
    return digest;
}

void digest_free(struct digest *digest)
{
    free(digest);
}

static void forget_piece(struct digest *digest)
{
    for (size_t i = 0; i < digest->lane_count; i++) {
        digest->lanes[i].queue->lane = &digest->full;
        digest->lanes[i].count = 0;
    }
    for (size_t i = 0; i < digest->unknown_count; i++)
        digest->runs[digest->unknown[i]].count = 0;
    memset(digest->frames_by_bus, 0, sizeof digest->frames_by_bus);
    digest->lane_count = digest->left_count = 0;
    digest->frames = 0;
}

static struct lane *next_lane(struct digest *digest, struct lane_queue *queue)
{
    if (digest->lane_count == LANES)
        return NULL;
    struct lane *lane = &digest->lanes[digest->lane_count++];
    lane->stream = queue->stream;
    lane->queue = queue;
    return queue->lane = lane;
}

static bool put_in_list(struct digest *digest, const struct lt_frame *frame)
{
    if (digest->left_count == LEFT)
        return false;
    digest->left[digest->left_count++] = *frame;
    return true;
}

static void count_in_run(struct unknown_run *run, const struct lt_frame *frame)
{
    run->count++;
    run->last_ns = frame->time_ns;
    run->len = frame->len;
}

static bool sort_frames(struct digest *digest, const struct lt_batch *batch)
{
    const struct lt_frame *frame = batch->frames, *end = frame + batch->count;
    for (; frame < end; frame++) {
        const struct route *route = route_find(&digest->routes, key_of(frame));
        digest->frames_by_bus[frame->bus]++;
        if (!route)
            return false;
        if (route->queue) {
            struct lane *lane = route->queue->lane;
            if (__builtin_expect(lane->count == LANE_FRAMES, 0) &&
                !(lane = next_lane(digest, route->queue)))
                return false;
            size_t at = lane->count++;
            memcpy(&lane->word[at], frame->data, sizeof lane->word[at]);
            lane->time_ns[at] = frame->time_ns;
            lane->len[at] = frame->len;
        } else if (route->unknown) {
            count_in_run(&digest->runs[route - digest->slots], frame);
        } else if (!put_in_list(digest, frame)) {
            return false;
        }
    }
    return true;
}

bool digest_make(struct digest *digest, struct lt_pieces *pieces, unsigned thread)
{
    struct lt_batch batch;
    bool good = !digest->full_up;
    forget_piece(digest);
    digest->unfit = digest->unfit < 2 * PATIENCE ? digest->unfit : 0;
    if (digest->unfit >= PATIENCE)
        good = false;
    while (good && lt_pieces_peek(pieces, thread, &batch)) {
        if (digest->frames == 0)
            digest->first_ns = batch.frames[0].time_ns;
        digest->last_ns = batch.frames[batch.count - 1].time_ns;
        digest->frames += batch.count;
        good = sort_frames(digest, &batch);
    }
    good = good && lt_pieces_peeked(pieces, thread);
    digest->unfit = good ? 0 : digest->unfit + 1;
    return good;
}

/* Is the order kept, and all of it wanted? */
static bool is_fit(const struct digest *digest, const struct lt_decode *decode)
{
    for (size_t i = 0; i < digest->lane_count; i++)
        if (digest->lanes[i].stream->general)
            return false;
    return digest->first_ns >= decode->from_ns && digest->last_ns <= decode->to_ns;
}

static void add_unknown(const struct digest *digest, struct lt_decode *decode)
{
    for (size_t i = 0; i < digest->unknown_count; i++) {
        const struct unknown_run *run = &digest->runs[digest->unknown[i]];
        struct unknown *unknown = digest->slots[digest->unknown[i]].unknown;
        if (run->count == 0)
            continue;
        unknown->count += run->count;
        unknown->len = run->len;
        unknown->last_ns = run->last_ns;
        decode->unknown_frames += run->count;
    }
}

bool digest_take(struct digest *digest, struct lt_decode *decode, struct lt_pieces *pieces,
                 unsigned thread)
{
    if (!is_fit(digest, decode) || !lt_pieces_accept(pieces, thread))
        return false;
    decode->frames += digest->frames;
    if (decode->first_ns == LT_NO_TIME)
        decode->first_ns = digest->first_ns;
    decode->last_ns = decode->before_ns = digest->last_ns;
    for (size_t i = 0; i < LT_BUSES_MAX; i++)
        decode->frames_by_bus[i] += digest->frames_by_bus[i];
    for (size_t i = 0; i < digest->lane_count; i++) {
        decode->matched_frames += digest->lanes[i].count;
        lane_work_off(decode, &digest->lanes[i]);
    }
    add_unknown(digest, decode);
    for (size_t i = 0; i < digest->left_count; i++)
        take_data_frame(decode, &digest->left[i]);
    return true;
}

/* Each stream that comes here has a lane of its own, so that there are enough. */
static struct lane_queue *queue_of(struct digest *digest, struct stream *stream)
{
    size_t i = 0;
    while (i < digest->queue_count && digest->queues[i].stream != stream)
        i++;
    assert(i < LANES_MAX);
    if (i == digest->queue_count)
        digest->queues[digest->queue_count++] = (struct lane_queue){stream, &digest->full};
    return &digest->queues[i];
}

static void learn_key(struct digest *digest, const struct lt_decode *decode, uint64_t key)
{
    const struct route *known = route_find(decode->routes, key);
    struct route *route = route_add(&digest->routes, key);
    if (!route) {
        digest->full_up = true;
        return;
    }
    if (known && known->lane) {
        route->queue = queue_of(digest, known->lane->stream);
    } else if (known) {
        route->unknown = known->unknown;
        digest->unknown[digest->unknown_count++] = (uint16_t)(route - digest->slots);
    }
}

void digest_learn(struct digest *digest, const struct lt_decode *decode,
                  const struct lt_batch *batch)
{
    for (size_t i = 0; i < batch->count && !digest->full_up; i++) {
        const struct lt_frame *frame = &batch->frames[i];
        bool was_taken = !(frame->flags & (LT_FRAME_REMOTE | LT_FRAME_ERROR)) &&
                         frame->time_ns >= decode->from_ns && frame->time_ns <= decode->to_ns;
        if (was_taken && !route_find(&digest->routes, key_of(frame)))
            learn_key(digest, decode, key_of(frame));
    }
}
