/* Gathering a capture (loomtap/measure/collect.h): finds each frame's stream and hands it on. */
#include "measure/collect_inside.h"

#include <stdlib.h>
#include <string.h>

#define KEPT_BYTES    ((size_t)48 << 20)
#define MOMENTS_BYTES ((size_t)48 << 20)
#define KEPT_EACH     32768u

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
    collect->counts.first_ns = collect->counts.last_ns = LT_NO_TIME;
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

static struct lt_gathered *new_stream(struct lt_collect *collect, const struct lt_stream_key *key)
{
    struct lt_gathered *stream = calloc(1, sizeof *stream);
    if (!stream)
        return NULL;
    stream->open.key = *key;
    lt_kept_store_init(&stream->store, key->length);
    collect->streams[collect->stream_count++] = stream;
    return stream;
}

enum lt_code lt_find_stream(struct lt_collect *collect, const struct lt_stream_key *key,
                            struct lt_gathered **ret_stream, struct lt_error *error)
{
    uint64_t word = word_of(key);
    size_t slot = slot_of(word);
    for (; collect->slot[slot] != 0; slot = (slot + 1) % LT_STREAM_SLOTS) {
        struct lt_gathered *stream = collect->streams[collect->slot[slot] - 1];
        if (stream->word == word) {
            *ret_stream = stream;
            return LT_OK;
        }
    }
    *ret_stream = NULL;
    if (collect->stream_count == LT_STREAMS_MAX)
        return LT_OK;
    struct lt_gathered *stream = new_stream(collect, key);
    if (!stream)
        return lt_fail(error, LT_E_MEMORY, "no memory for one more identifier");
    stream->word = word;
    collect->slot[slot] = (uint16_t)collect->stream_count;
    *ret_stream = stream;
    return LT_OK;
}

/* ---- Frames ---- */

static void stretch(int64_t *first_ns, int64_t *last_ns, int64_t time_ns)
{
    if (*first_ns == LT_NO_TIME || time_ns < *first_ns)
        *first_ns = time_ns;
    if (*last_ns == LT_NO_TIME || time_ns > *last_ns)
        *last_ns = time_ns;
}

static void count_frame(struct lt_collect_counts *counts, const struct lt_frame *frame)
{
    uint16_t bus = frame->bus;
    bool on_wire = !lt_frame_has(frame, LT_FRAME_FD) && !lt_frame_has(frame, LT_FRAME_ERROR);
    counts->frames++;
    counts->remote += lt_frame_has(frame, LT_FRAME_REMOTE);
    counts->error_frames += lt_frame_has(frame, LT_FRAME_ERROR);
    counts->without_time += frame->time_ns == LT_NO_TIME;
    if (frame->time_ns != LT_NO_TIME)
        stretch(&counts->first_ns, &counts->last_ns, frame->time_ns);
    if (bus >= LT_BUSES_MAX)
        return;
    if (counts->bus[bus].frames++ == 0)
        counts->bus[bus].first_ns = counts->bus[bus].last_ns = LT_NO_TIME;
    if (frame->time_ns != LT_NO_TIME)
        stretch(&counts->bus[bus].first_ns, &counts->bus[bus].last_ns, frame->time_ns);
    if (on_wire) {
        bool extended = lt_frame_has(frame, LT_FRAME_EXTENDED);
        counts->bus[bus].bits_min += lt_frame_bits_min(frame->len, extended);
        counts->bus[bus].bits_max += lt_frame_bits_max(frame->len, extended);
    }
}

/* A frame of a settled stream. */
static enum lt_code add_settled(struct lt_collect *collect, struct lt_gathered *stream,
                                int64_t time_ns, const uint8_t *data, struct lt_error *error)
{
    struct lt_tally *tally;
    const struct lt_rare *rare = NULL;
    enum lt_code code = lt_page_of(collect, stream, data, &tally, error);
    if (code != LT_OK)
        return code;
    bool looked = tally && tally->rare;
    if (looked && lt_rare_look(tally->rare, time_ns, data, stream->store.length))
        rare = tally->rare;
    code = lt_keep(collect, stream, time_ns, data, rare, error);
    if (code != LT_OK)
        return code;
    if (!looked && tally && tally->rare) /* thinned for the first time just now */
        lt_rare_look(tally->rare, time_ns, data, stream->store.length);
    lt_tally_frame(collect, stream, time_ns, data, tally);
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
    code = lt_page_of(collect, stream, data, &tally, error);
    if (code != LT_OK)
        return code;
    if (tally && tally->rare)
        lt_rare_look(tally->rare, time_ns, data, stream->store.length);
    lt_tally_frame(collect, stream, time_ns, data, tally);
    return LT_OK;
}

enum lt_code lt_add_row(struct lt_collect *collect, struct lt_gathered *stream, int64_t time_ns,
                        const uint8_t *data, struct lt_error *error)
{
    if (stream->for_now)
        lt_unsettle(collect, stream);
    enum lt_code code = stream->settled ? add_settled(collect, stream, time_ns, data, error)
                                        : add_unsettled(collect, stream, time_ns, data, error);
    stream->begun = true;
    return code;
}

static enum lt_code add_to_stream(struct lt_collect *collect, struct lt_gathered *stream,
                                  int64_t time_ns, const uint8_t *data, struct lt_error *error)
{
    if (!lt_timing_counts_add(&stream->timing, time_ns))
        return lt_fail(error, LT_E_MEMORY, "no memory for gaps between frames");
    /* Without a time of its own a frame has that of the one before it: steps count all the same. */
    if (time_ns == LT_NO_TIME)
        time_ns = stream->timing.last_ns;
    return lt_add_row(collect, stream, time_ns, data, error);
}

enum lt_code lt_collect_add(struct lt_collect *collect, const struct lt_frame *frame,
                            struct lt_error *error)
{
    struct lt_gathered *stream;
    count_frame(&collect->counts, frame);
    if (frame->flags & (LT_FRAME_REMOTE | LT_FRAME_ERROR))
        return LT_OK;
    struct lt_stream_key key = {.id = frame->id,
                                .bus = frame->bus,
                                .extended = lt_frame_has(frame, LT_FRAME_EXTENDED),
                                .fd = lt_frame_has(frame, LT_FRAME_FD),
                                .length = frame->len};
    enum lt_code code = lt_find_stream(collect, &key, &stream, error);
    if (code != LT_OK)
        return code;
    if (!stream) {
        collect->counts.frames_past_streams++;
        return LT_OK;
    }
    return add_to_stream(collect, stream, frame->time_ns, frame->data, error);
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
    for (size_t i = 0; i < count; i++) {
        const struct lt_gathered *stream = collect->streams[i];
        places[i] = (struct place){order_of(&stream->open.key), stream->timing.count, (uint16_t)i};
    }
    /* Where the ceiling leaves no room, it is the streams with fewest frames that lose. */
    qsort(places, count, sizeof *places, by_frames);
    for (size_t i = 0; code == LT_OK && i < count; i++) {
        struct lt_gathered *stream = collect->streams[places[i].index];
        if (!stream->settled) {
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
