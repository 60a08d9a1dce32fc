/* Everything that a survey or a search needs of a capture, gathered in one pass.
 *
 *     lt_collect_new(&collect, NULL, &error);
 *     while ((frame = lt_reader_next(reader)) != NULL)
 *         lt_collect_add(collect, frame, &error);
 *     lt_collect_finish(collect, &error);
 *     for (size_t i = 0; i < lt_collect_count(collect); i++)
 *         stream = lt_collect_stream(collect, i);
 *
 * The first frames of a stream are kept as they come; after some thousand of them (or at the end)
 * the stream settles: period and selector are worked out, and from then on counts are taken for
 * each page by itself, the frames so far first. Memory is bounded whatever the length of the
 * capture and whatever is on the bus: by the ceilings below. */
#ifndef LOOMTAP_MEASURE_COLLECT_H
#define LOOMTAP_MEASURE_COLLECT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/core/frame.h"
#include "loomtap/measure/kept.h"
#include "loomtap/measure/moments.h"
#include "loomtap/measure/selector.h"
#include "loomtap/measure/timing.h"

#define LT_STREAMS_MAX 4096 /* further streams are counted, not looked at */
#define LT_PAGES_MAX   256  /* of one stream */

struct lt_collect;

struct lt_collect_options {
    size_t kept_bytes;    /* for all kept frames together; 0 = 48 MiB */
    size_t moments_bytes; /* for all counts together; 0 = 48 MiB; pages beyond have none */
    size_t kept_each;     /* frames of one stream while it is kept whole; 0 = 65536 */
};

enum lt_code lt_collect_new(struct lt_collect **ret_collect,
                            const struct lt_collect_options *options, struct lt_error *error);
void lt_collect_free(struct lt_collect *collect);
/* Remote and error frames are counted only. */
enum lt_code lt_collect_add(struct lt_collect *collect, const struct lt_frame *frame,
                            struct lt_error *error);
/* The next frame does not follow the one before it (another capture begins). */
void lt_collect_break(struct lt_collect *collect);
/* `into` += `from`; `from` is finished and stays the caller's. Streams meet by key: bus numbers
 * must mean the same in both. */
enum lt_code lt_collect_merge(struct lt_collect *into, const struct lt_collect *from,
                              struct lt_error *error);
/* Settles every stream. More frames may be added after it, then finish again. */
enum lt_code lt_collect_finish(struct lt_collect *collect, struct lt_error *error);

struct lt_page {
    uint64_t value; /* of the selector; 0 where there is none */
    uint64_t frames;
    int64_t period_ns;          /* of this page; 0 where it is not cyclic */
    struct lt_moments *moments; /* NULL where the ceiling left no room */
};

struct lt_stream {
    struct lt_stream_key key;
    struct lt_timing timing;
    struct lt_kept kept;
    struct lt_selector_found selector; /* present false: one page */
    size_t page_count;
    const struct lt_page *pages; /* ascending by value */
    uint64_t frames_in_no_page;  /* selector values past LT_PAGES_MAX */
    /* Of all frames whatever their page, with the steps from each frame to the very next one: for
     * the bits of `selector.common`. Where there is one page these are its own counts. NULL where
     * the ceiling left no room. */
    struct lt_moments *all;
    /* The search for a selector was cut short or left out: so many streams have something to search
     * in that each got less (work.h). */
    bool cut_short;
};

struct lt_collect_counts {
    uint64_t frames, remote, error_frames, without_time;
    uint64_t frames_past_streams; /* of streams past LT_STREAMS_MAX */
    int64_t first_ns, last_ns;
    struct {
        uint64_t frames, bits_min, bits_max; /* on the wire, classic frames (core/frame.h) */
        int64_t first_ns, last_ns;
    } bus[LT_BUSES_MAX];
};

/* Streams in the order bus, extended, id, length. All as of the last finish, and borrowed until the
 * next add, finish or free. */
size_t lt_collect_count(const struct lt_collect *collect);
const struct lt_stream *lt_collect_stream(const struct lt_collect *collect, size_t index);
const struct lt_collect_counts *lt_collect_counts(const struct lt_collect *collect);

#endif
