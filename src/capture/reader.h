/* The reader's inside, for reader.c and the fast paths. Internal to src/capture. */
#ifndef LOOMTAP_CAPTURE_READER_INSIDE_H
#define LOOMTAP_CAPTURE_READER_INSIDE_H

#include "loomtap/capture/reader.h"

#include "capture/buses.h"
#include "capture/can_live.h"
#include "capture/form.h"
#include "capture/input.h"
#include "capture/log_lines.h"

/* Frames made at a time. Small enough that they and the text they come from stay in the first
 * cache, large enough that the hot loop is entered rarely. */
#define LT_BATCH 64

#define LT_SPLIT_LEAST (4 << 20)
/* Text and frames of a piece just fit into the second cache of a core. Smaller ones are slower:
 * what decoding remembers moves to the other core at each turn (128 KiB took 1.4 times as long). */
#define LT_PIECE_BYTES (512 << 10)

struct lt_reader {
    struct lt_input input;
    const char *whole_end; /* behind the last line break in the input */
    const struct lt_form *form;
    enum lt_packed packed;     /* this source */
    uint64_t line_number;      /* of the last line taken, in this source */
    struct lt_log_lines lines; /* the quick path's memory */
    lt_log_take *take;         /* which of the quick paths */
    struct lt_buses buses;
    int64_t last_ns[LT_BUSES_MAX]; /* of the last frame a bus; LT_NO_TIME before it */

    struct lt_frame *batch; /* LT_BATCH frames */
    size_t batch_count, batch_at;
    size_t plain_count;       /* of its frames, those that are plain: see struct lt_batch */
    int64_t newest_ns;        /* of all frames; above LT_NO_TIME */
    int64_t newest_before_ns; /* the same before the batch */

    struct lt_reader_counts counts;
    struct lt_reader_options options;
    struct lt_form_state states[LT_FORM_KINDS];
    struct lt_csv_map *csv_map; /* of options.columns, or NULL */
    int64_t sum_ns;             /* with options.differences */
    bool fast;                  /* use form->fast */
    bool skipping;              /* inside a line that is too long */
    bool has_frame;             /* of this source: what is above is banner */
    bool has_first_ns, ended, from_memory;
    int64_t first_ns;
    enum lt_code code;
    struct lt_error error;

    /* Pieces for several threads: from how many bytes on, and how large. */
    size_t split_least, piece_bytes;
    bool split_tried; /* of this source */

    char **sources;
    size_t source_count, source;
    struct lt_can_live *live;   /* NULL: no live bus */
    struct lt_records *records; /* of the binary forms; made when the first is met */
    const void *bytes;          /* the one source from memory */
    size_t bytes_len, bytes_block;
};

/* For binary forms. Ends the reading; not LT_OK: reader->error says why. */
void lt_reader_stop(struct lt_reader *reader, enum lt_code code);
/* Counts what is not a frame, with reader->line_number; ends the reading when it is strict. */
void lt_reader_count_bad(struct lt_reader *reader, struct lt_text text, enum lt_bad_line reason);

/* For tests: the fast path on (as it is) or off, before the first frame is taken. */
void lt_reader_set_fast(struct lt_reader *reader, bool fast);

/* For tests: which quick path, before the first frame is taken. */
void lt_reader_set_take(struct lt_reader *reader, lt_log_take *take);

/* What all text paths do with whole frames that stand in consecutive lines: their numbers and the
 * counts that depend on the frames alone. `all_flags`: at least those that any of them has.
 * (reader_counts.c) */
void lt_reader_count_frames(struct lt_reader *reader, struct lt_frame *frames, size_t count,
                            unsigned all_flags);

/* For pieces.c. One line by the general path, into the batch if it is a frame. */
void lt_reader_take_line(struct lt_reader *reader, const char *at, const char *eol);
void lt_reader_judge_differences(struct lt_reader *reader);
/* Reading failed: it ends. */
void lt_reader_fail_errno(struct lt_reader *reader, int number);

/* The parts of it, for paths that take frames one by one. */
static inline void lt_reader_count_flags(struct lt_reader *reader, const struct lt_frame *frame)
{
    struct lt_reader_counts *counts = &reader->counts;
    if (frame->flags & (LT_FRAME_FD | LT_FRAME_REMOTE | LT_FRAME_ERROR | LT_FRAME_SENT)) {
        counts->fd_frames += (frame->flags & LT_FRAME_FD) != 0;
        counts->remote_frames += (frame->flags & LT_FRAME_REMOTE) != 0;
        counts->error_frames += (frame->flags & LT_FRAME_ERROR) != 0;
        counts->sent_frames += (frame->flags & LT_FRAME_SENT) != 0;
    }
}

/* Of a frame that has a time. */
static inline void lt_reader_count_time(struct lt_reader *reader, const struct lt_frame *frame)
{
    struct lt_reader_counts *counts = &reader->counts;
    int64_t last_ns = reader->last_ns[frame->bus];
    if (frame->time_ns < last_ns) {
        counts->backward_steps++;
        if (last_ns - frame->time_ns > counts->backward_most_ns)
            counts->backward_most_ns = last_ns - frame->time_ns;
    }
    reader->last_ns[frame->bus] = frame->time_ns;
    if (frame->time_ns > reader->newest_ns)
        reader->newest_ns = frame->time_ns;
}

#endif
