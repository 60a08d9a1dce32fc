/* Gathering a capture (loomtap/measure/collect.h): finds each frame's stream and hands it on. */
#include "measure/collect_inside.h"

#include <stdlib.h>
#include <string.h>

#define KEPT_BYTES    ((size_t)48 << 20)
#define MOMENTS_BYTES ((size_t)48 << 20)
#define KEPT_EACH     65536u

#define KIND_FLAGS (LT_FRAME_EXTENDED | LT_FRAME_FD) /* bits 0 and 1, as word_of has them */

/* ---- Life ---- */

enum lt_code lt_collect_new(struct lt_collect **ret_collect,
                            const struct lt_collect_options *options, struct lt_error *error)
{
    struct lt_collect *collect = calloc(1, sizeof *collect);
    if (!collect)
        return lt_fail(error, LT_E_MEMORY, "no memory for a survey");
    if (options)
        collect->options = *options;
    if (collect->options.kept_bytes == 0)
        collect->options.kept_bytes = KEPT_BYTES;
    if (collect->options.moments_bytes == 0)
        collect->options.moments_bytes = MOMENTS_BYTES;
    if (collect->options.kept_each == 0)
        collect->options.kept_each = KEPT_EACH;
    collect->pool.left = LT_WORK_POOL;
    lt_counts_init(&collect->counts);
    lt_counts_init(&collect->others);
    *ret_collect = collect;
    return LT_OK;
}

static void free_stream(struct lt_collect *collect, struct lt_gathered *stream)
{
    lt_unsettle(collect, stream);
    lt_timing_counts_release(&stream->timing);
    lt_kept_store_release(&stream->store);
    free(stream);
}

void lt_collect_free(struct lt_collect *collect)
{
    for (size_t i = 0; collect && i < collect->stream_count; i++)
        free_stream(collect, collect->streams[i]);
    free(collect);
}

/* ---- Streams by key ---- */

static inline uint64_t word_of(const struct lt_stream_key *key)
{
    return key->id | (uint64_t)key->extended << 29 | (uint64_t)key->fd << 30 |
           (uint64_t)key->length << 32 | (uint64_t)key->bus << 40;
}

static inline size_t slot_of(uint64_t word)
{
    return (size_t)(word * 0x9E3779B97F4A7C15 >> 51) % LT_STREAM_SLOTS;
}

/* Where a key is in the table, or would be. */
static inline size_t find_slot(const struct lt_collect *collect, uint64_t word)
{
    size_t slot = slot_of(word);
    while (collect->slot[slot].stream && collect->slot[slot].word != word)
        slot = (slot + 1) % LT_STREAM_SLOTS;
    return slot;
}

static enum lt_code add_stream(struct lt_collect *collect, const struct lt_stream_key *key,
                               size_t slot, struct lt_error *error)
{
    if (collect->stream_count == LT_STREAMS_MAX)
        return LT_OK;
    struct lt_gathered *stream = calloc(1, sizeof *stream);
    if (!stream)
        return lt_fail(error, LT_E_MEMORY, "no memory for one more identifier");
    stream->open.key = *key;
    lt_kept_store_init(&stream->store, key->length);
    collect->streams[collect->stream_count++] = stream;
    collect->slot[slot].word = word_of(key);
    collect->slot[slot].stream = stream;
    return LT_OK;
}

enum lt_code lt_find_stream(struct lt_collect *collect, const struct lt_stream_key *key,
                            struct lt_gathered **ret_stream, struct lt_error *error)
{
    size_t slot = find_slot(collect, word_of(key));
    enum lt_code code = LT_OK;
    if (!collect->slot[slot].stream)
        code = add_stream(collect, key, slot, error);
    if (code == LT_OK)
        *ret_stream = collect->slot[slot].stream;
    return code;
}

/* ---- Frames ---- */

static void count_row(struct lt_collect *collect, struct lt_gathered *stream, int64_t time_ns,
                      const uint8_t *data, struct lt_tally *tally)
{
    if (tally && tally->rare)
        lt_rare_next(tally->rare, time_ns, data);
    lt_tally_frame(collect, stream, time_ns, data, tally);
}

static enum lt_code add_settled(struct lt_collect *collect, struct lt_gathered *stream,
                                int64_t time_ns, const uint8_t *data, struct lt_error *error)
{
    struct lt_tally *tally;
    const struct lt_rare *rare = NULL;
    enum lt_code code = lt_page_of_row(collect, stream, data, &tally, error);
    if (code != LT_OK)
        return code;
    if (tally && tally->rare && lt_rare_moves(tally->rare, data) &&
        lt_rare_count(tally->rare, data))
        rare = tally->rare;
    code = lt_keep(collect, stream, time_ns, data, rare, error);
    if (code == LT_OK)
        count_row(collect, stream, time_ns, data, tally);
    return code;
}

/* Most frames of most captures: short, of a stream that has settled and has no pages. */
static inline bool is_plain(const struct lt_gathered *stream)
{
    return stream->settled && stream->store.length - 1u < 8 && stream->open.page_count == 1 &&
           !stream->open.selector.present;
}

/* What add_settled does, with the frame in one word. */
static enum lt_code add_plain(struct lt_collect *collect, struct lt_gathered *stream,
                              int64_t time_ns, const uint8_t *data, struct lt_error *error)
{
    uint64_t word = lt_short_word(data, stream->store.length);
    struct lt_rare *rare = stream->tallies->rare;
    bool moves = rare && lt_rare_moves_word(rare, word) && lt_rare_count(rare, data);
    enum lt_code code = lt_keep(collect, stream, time_ns, data, moves ? rare : NULL, error);
    if (code != LT_OK)
        return code;
    rare = stream->tallies->rare; /* keeping it may have begun to look for them */
    if (rare) {
        rare->last[0] = word;
        rare->last_ns = time_ns;
        rare->begun = true;
    }
    lt_tally_word(collect, stream, time_ns, word);
    return LT_OK;
}

static enum lt_code add_unsettled(struct lt_collect *collect, struct lt_gathered *stream,
                                  int64_t time_ns, const uint8_t *data, struct lt_error *error)
{
    struct lt_tally *tally;
    enum lt_code code = lt_keep(collect, stream, time_ns, data, NULL, error);
    if (code != LT_OK)
        return code;
    if (!stream->settled)
        return stream->store.count < LT_SETTLE_FRAMES ? LT_OK
                                                      : lt_settle(collect, stream, NULL, error);
    /* Making room settled it, with the frames before this one. */
    code = lt_page_of_row(collect, stream, data, &tally, error);
    if (code == LT_OK)
        count_row(collect, stream, time_ns, data, tally);
    return code;
}

enum lt_code lt_add_row(struct lt_collect *collect, struct lt_gathered *stream, int64_t time_ns,
                        const uint8_t *data, struct lt_error *error)
{
    if (stream->for_now)
        lt_unsettle(collect, stream);
    enum lt_code code = is_plain(stream)  ? add_plain(collect, stream, time_ns, data, error)
                        : stream->settled ? add_settled(collect, stream, time_ns, data, error)
                                          : add_unsettled(collect, stream, time_ns, data, error);
    stream->begun = true;
    return code;
}

/* The stream of a frame is not in the table yet. */
static enum lt_code add_first(struct lt_collect *collect, const struct lt_frame *frame,
                              struct lt_gathered **ret_stream, struct lt_error *error)
{
    struct lt_stream_key key = {.id = frame->id,
                                .bus = frame->bus,
                                .extended = lt_frame_has(frame, LT_FRAME_EXTENDED),
                                .fd = lt_frame_has(frame, LT_FRAME_FD),
                                .length = frame->len};
    return lt_find_stream(collect, &key, ret_stream, error);
}

static enum lt_code add_other(struct lt_collect *collect, const struct lt_frame *frame)
{
    bool data = !lt_frame_has(frame, LT_FRAME_REMOTE) && !lt_frame_has(frame, LT_FRAME_ERROR);
    lt_counts_add_frame(&collect->others, frame);
    collect->others.frames_past_streams += data;
    return LT_OK;
}

enum lt_code lt_collect_add(struct lt_collect *collect, const struct lt_frame *frame,
                            struct lt_error *error)
{
    if (frame->flags & (LT_FRAME_REMOTE | LT_FRAME_ERROR))
        return add_other(collect, frame);
    uint64_t word = (uint64_t)frame->id | (uint64_t)(frame->flags & KIND_FLAGS) << 29 |
                    (uint64_t)frame->len << 32 | (uint64_t)frame->bus << 40;
    struct lt_gathered *stream = collect->slot[find_slot(collect, word)].stream;
    if (__builtin_expect(!stream, 0)) {
        enum lt_code code = add_first(collect, frame, &stream, error);
        if (code != LT_OK)
            return code;
        if (!stream)
            return add_other(collect, frame);
    }
    if (!lt_timing_counts_add(&stream->timing, frame->time_ns))
        return lt_fail(error, LT_E_MEMORY, "no memory for gaps between frames");
    /* Without a time of its own a frame has that of the one before it: steps count all the same. */
    int64_t time_ns = frame->time_ns == LT_NO_TIME ? stream->timing.last_ns : frame->time_ns;
    return lt_add_row(collect, stream, time_ns, frame->data, error);
}

void lt_break_stream(struct lt_gathered *stream)
{
    stream->begun = false;
    lt_tallies_break(stream);
}

void lt_collect_break(struct lt_collect *collect)
{
    for (size_t i = 0; i < collect->stream_count; i++) {
        lt_break_stream(collect->streams[i]);
        lt_timing_counts_break(&collect->streams[i]->timing);
    }
}

/* ---- Finishing ---- */

struct place {
    uint64_t word;
    uint64_t frames;
    uint16_t index;
};

static int by_frames(const void *a, const void *b)
{
    const struct place *x = a, *y = b;
    if (x->frames != y->frames)
        return x->frames > y->frames ? -1 : 1;
    return x->word < y->word ? -1 : x->word > y->word;
}

static int by_key(const void *a, const void *b)
{
    const struct place *x = a, *y = b;
    return x->word < y->word ? -1 : x->word > y->word;
}

/* Bus, extended, identifier, length. */
static uint64_t order_of(const struct lt_stream_key *key)
{
    return (uint64_t)key->bus << 40 | (uint64_t)key->extended << 39 | (uint64_t)key->id << 8 |
           (uint64_t)key->length << 1 | key->fd;
}

static enum lt_code finish_streams(struct lt_collect *collect, struct place *places,
                                   struct lt_error *error)
{
    size_t count = collect->stream_count;
    enum lt_code code = LT_OK;
    bool is_long = false;
    collect->pool.left = LT_WORK_POOL;
    for (size_t i = 0; i < count; i++) {
        const struct lt_gathered *stream = collect->streams[i];
        is_long = is_long || !stream->store.whole;
        places[i] = (struct place){order_of(&stream->open.key), stream->timing.count, (uint16_t)i};
    }
    /* Where the ceiling leaves no room, it is the streams with fewest frames that lose. */
    qsort(places, count, sizeof *places, by_frames);
    for (size_t i = 0; code == LT_OK && i < count; i++) {
        struct lt_gathered *stream = collect->streams[places[i].index];
        /* A long capture is read again for what has to be tried on all frames; the rest needs only
         * some, of every stream alike. */
        if (is_long)
            code = lt_keep_fewer(collect, stream, error);
        if (code == LT_OK && !stream->settled) {
            code = lt_settle(collect, stream, NULL, error);
            stream->for_now = true;
        }
        if (code == LT_OK)
            code = lt_refresh(collect, stream, error);
    }
    qsort(places, count, sizeof *places, by_key);
    for (size_t i = 0; i < count; i++)
        collect->order[i] = places[i].index;
    return code;
}

enum lt_code lt_collect_finish(struct lt_collect *collect, struct lt_error *error)
{
    struct place *places = calloc(collect->stream_count + 1, sizeof *places);
    if (!places)
        return lt_fail(error, LT_E_MEMORY, "no memory for a survey");
    enum lt_code code = finish_streams(collect, places, error);
    free(places);
    collect->counts = collect->others;
    for (size_t i = 0; i < collect->stream_count; i++)
        lt_counts_add_stream(&collect->counts, collect->streams[i], false);
    return code;
}

size_t lt_collect_count(const struct lt_collect *collect)
{
    return collect->stream_count;
}

const struct lt_stream *lt_collect_stream(const struct lt_collect *collect, size_t index)
{
    return &collect->streams[collect->order[index]]->open;
}

const struct lt_collect_counts *lt_collect_counts(const struct lt_collect *collect)
{
    return &collect->counts;
}
