/* What a capture holds in all, bus by bus (collect.h). Frames of streams are counted there and
 * added up at the end; here are those that belong to none. */
#include "measure/collect_inside.h"

void lt_counts_init(struct lt_collect_counts *counts)
{
    *counts = (struct lt_collect_counts){.first_ns = LT_NO_TIME, .last_ns = LT_NO_TIME};
    for (size_t bus = 0; bus < LT_BUSES_MAX; bus++)
        counts->bus[bus].first_ns = counts->bus[bus].last_ns = LT_NO_TIME;
}

static void stretch(int64_t *first_ns, int64_t *last_ns, int64_t low_ns, int64_t high_ns)
{
    if (low_ns == LT_NO_TIME)
        return;
    if (*first_ns == LT_NO_TIME || low_ns < *first_ns)
        *first_ns = low_ns;
    if (*last_ns == LT_NO_TIME || high_ns > *last_ns)
        *last_ns = high_ns;
}

static void add_times(struct lt_collect_counts *counts, uint16_t bus, int64_t low_ns,
                      int64_t high_ns)
{
    stretch(&counts->first_ns, &counts->last_ns, low_ns, high_ns);
    stretch(&counts->bus[bus].first_ns, &counts->bus[bus].last_ns, low_ns, high_ns);
}

static void add_bits(struct lt_collect_counts *counts, uint16_t bus, uint64_t frames, uint8_t len,
                     bool extended)
{
    counts->bus[bus].bits_min += frames * lt_frame_bits_min(len, extended);
    counts->bus[bus].bits_max += frames * lt_frame_bits_max(len, extended);
}

void lt_counts_add_frame(struct lt_collect_counts *counts, const struct lt_frame *frame)
{
    bool error_frame = lt_frame_has(frame, LT_FRAME_ERROR);
    counts->frames++;
    counts->remote += lt_frame_has(frame, LT_FRAME_REMOTE);
    counts->error_frames += error_frame;
    counts->without_time += frame->time_ns == LT_NO_TIME;
    counts->bus[frame->bus].frames++;
    add_times(counts, frame->bus, frame->time_ns, frame->time_ns);
    if (!error_frame && !lt_frame_has(frame, LT_FRAME_FD))
        add_bits(counts, frame->bus, 1, frame->len, lt_frame_has(frame, LT_FRAME_EXTENDED));
}

void lt_counts_add_stream(struct lt_collect_counts *counts, const struct lt_gathered *stream,
                          bool past)
{
    const struct lt_stream_key *key = &stream->open.key;
    int64_t low_ns, high_ns;
    counts->frames += stream->timing.count;
    counts->without_time += stream->timing.without_time;
    counts->frames_past_streams += past ? stream->timing.count : 0;
    counts->bus[key->bus].frames += stream->timing.count;
    lt_timing_counts_ends(&stream->timing, &low_ns, &high_ns);
    add_times(counts, key->bus, low_ns, high_ns);
    if (!key->fd)
        add_bits(counts, key->bus, stream->timing.count, key->length, key->extended);
}

void lt_counts_add(struct lt_collect_counts *into, const struct lt_collect_counts *from)
{
    into->frames += from->frames;
    into->remote += from->remote;
    into->error_frames += from->error_frames;
    into->without_time += from->without_time;
    into->frames_past_streams += from->frames_past_streams;
    for (uint16_t bus = 0; bus < LT_BUSES_MAX; bus++) {
        into->bus[bus].frames += from->bus[bus].frames;
        into->bus[bus].bits_min += from->bus[bus].bits_min;
        into->bus[bus].bits_max += from->bus[bus].bits_max;
        add_times(into, bus, from->bus[bus].first_ns, from->bus[bus].last_ns);
    }
}
