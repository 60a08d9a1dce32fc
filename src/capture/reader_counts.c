/* The counts that follow from whole frames alone: one place for every path through text, and hot,
 * since every frame passes here. */
#include "capture/reader.h"

/* Frames that are not all in order or have no time. */
static void count_times(struct lt_reader *reader, const struct lt_frame *frames, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        if (frames[i].time_ns == LT_NO_TIME)
            reader->counts.no_times = true;
        else
            lt_reader_count_time(reader, &frames[i]);
    }
}

/* Numbers and times of the frames in order; returns how many those are. */
static size_t count_in_order(struct lt_reader *reader, struct lt_frame *frames, size_t count)
{
    uint64_t line = reader->line_number;
    int64_t newest_ns = reader->newest_ns; /* above LT_NO_TIME always */
    struct lt_frame *frame = frames, *end = frames + count;
    for (; frame < end && frame->time_ns >= newest_ns; frame++) {
        frame->number = ++line;
        newest_ns = frame->time_ns;
        reader->last_ns[frame->bus] = newest_ns;
    }
    reader->newest_ns = newest_ns;
    return (size_t)(frame - frames);
}

void lt_reader_count_frames(struct lt_reader *reader, struct lt_frame *frames, size_t count,
                            unsigned all_flags)
{
    size_t in_order = count_in_order(reader, frames, count);
    if (in_order < count)
        count_times(reader, frames + in_order, count - in_order);
    for (size_t i = in_order; i < count; i++)
        frames[i].number = reader->line_number + i + 1;
    if (all_flags & ~(unsigned)LT_FRAME_EXTENDED)
        for (size_t i = 0; i < count; i++)
            lt_reader_count_flags(reader, &frames[i]);
    if (in_order == count && !(all_flags & (LT_FRAME_REMOTE | LT_FRAME_ERROR)))
        reader->plain_count += count;
    reader->counts.frames += count;
    reader->counts.lines += count;
    reader->line_number += count;
    reader->has_frame = reader->has_frame || count > 0;
}
