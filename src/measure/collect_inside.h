/* The collector's own structures. */
#ifndef LOOMTAP_MEASURE_COLLECT_INSIDE_H
#define LOOMTAP_MEASURE_COLLECT_INSIDE_H

#include "loomtap/measure/work.h"
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/measure/collect.h"
#include "measure/kept_store.h"
#include "measure/moments_inside.h"
#include "measure/rare.h"
#include "measure/timing.h"

#define LT_SETTLE_FRAMES 8192u /* then a stream settles */
#define LT_STREAM_SLOTS  8192u /* of the table by key; a power of two above LT_STREAMS_MAX */

/* Counts of one page, or of all pages together, and what the next step needs. */
struct lt_tally {
    struct lt_moments *moments; /* NULL where the ceiling left no room */
    size_t charged;             /* bytes of the ceiling */
    int64_t last_ns;
    bool begun;           /* last_ns is the time of the frame before */
    struct lt_rare *rare; /* once the stream is thinned */
};

struct lt_gathered {       /* one stream */
    uint64_t word;         /* its key in one word */
    struct lt_stream open; /* what callers see; brought up to date by finish */
    struct lt_timing_counts timing;
    struct lt_kept_store store;
    bool settled;
    bool for_now; /* settled by finish with few frames: done anew if more come */
    bool begun;   /* the next frame follows one */
    struct lt_page *pages;
    struct lt_tally *tallies; /* of the pages */
    size_t page_room;
    struct lt_tally all;
    struct lt_bit_set moved; /* bits that had moved when a selector was looked for */
};

struct lt_collect {
    struct lt_collect_options options;
    struct lt_collect_counts counts; /* of all, since the last finish */
    struct lt_collect_counts others; /* of frames that are in no stream */
    size_t kept_used, moments_used;
    struct lt_work_pool pool;
    size_t stream_count;
    struct lt_gathered *streams[LT_STREAMS_MAX];
    uint16_t order[LT_STREAMS_MAX]; /* by key, since the last finish */
    struct {
        uint64_t word;              /* key */
        struct lt_gathered *stream; /* NULL: free */
    } slot[LT_STREAM_SLOTS];
};

/* counts.c */
void lt_counts_init(struct lt_collect_counts *counts);
/* A frame that is in no stream. */
void lt_counts_add_frame(struct lt_collect_counts *counts, const struct lt_frame *frame);
/* All frames of a stream; `past`: as frames past LT_STREAMS_MAX. */
void lt_counts_add_stream(struct lt_collect_counts *counts, const struct lt_gathered *stream,
                          bool past);
void lt_counts_add(struct lt_collect_counts *into, const struct lt_collect_counts *from);

/* collect.c */
/* The stream of a key, made if it is new. ret_stream NULL: there are as many as there may be. */
enum lt_code lt_find_stream(struct lt_collect *collect, const struct lt_stream_key *key,
                            struct lt_gathered **ret_stream, struct lt_error *error);
/* A frame of the stream, but for its timing; `data` has 8 readable bytes behind its last. */
enum lt_code lt_add_row(struct lt_collect *collect, struct lt_gathered *stream, int64_t time_ns,
                        const uint8_t *data, struct lt_error *error);
/* The stream's next frame follows no other (its timing apart). */
void lt_break_stream(struct lt_gathered *stream);

/* settle.c */
/* `selector`: by the one given; NULL: it is looked for. */
enum lt_code lt_settle(struct lt_collect *collect, struct lt_gathered *stream,
                       const struct lt_selector_found *selector, struct lt_error *error);
void lt_unsettle(struct lt_collect *collect, struct lt_gathered *stream);
/* Timing, flags and periods as all frames so far say. */
enum lt_code lt_refresh(struct lt_collect *collect, struct lt_gathered *stream,
                        struct lt_error *error);
/* The page of a selector value, made if it is new; NULL past LT_PAGES_MAX. */
enum lt_code lt_page_of_value(struct lt_collect *collect, struct lt_gathered *stream,
                              uint64_t value, struct lt_tally **ret_tally, struct lt_error *error);
/* The same for a frame. */
enum lt_code lt_page_of(struct lt_collect *collect, struct lt_gathered *stream, const uint8_t *data,
                        struct lt_tally **ret_tally, struct lt_error *error);
/* The same, at once where the stream has no pages. */
static inline enum lt_code lt_page_of_row(struct lt_collect *collect, struct lt_gathered *stream,
                                          const uint8_t *data, struct lt_tally **ret_tally,
                                          struct lt_error *error)
{
    if (stream->open.selector.present || stream->open.page_count == 0)
        return lt_page_of(collect, stream, data, ret_tally, error);
    *ret_tally = stream->tallies;
    return LT_OK;
}
/* Counts a frame into its page's tally (NULL: it has none) and that of all pages. */
void lt_tally_frame(struct lt_collect *collect, struct lt_gathered *stream, int64_t time_ns,
                    const uint8_t *data, struct lt_tally *tally);
/* The same where the stream has one page and no selector, for 1 to 8 bytes as one word (words.h).
 */
void lt_tally_word(struct lt_collect *collect, struct lt_gathered *stream, int64_t time_ns,
                   uint64_t word);
/* `into` += `from`; where one of them has no counts the sum has none. */
void lt_tally_merge(struct lt_collect *collect, struct lt_tally *into, const struct lt_tally *from);
/* The next frame follows no other. */
void lt_tallies_break(struct lt_gathered *stream);

/* Of a stream with many rows: as many as one that was not kept whole has. */
enum lt_code lt_keep_fewer(struct lt_collect *collect, struct lt_gathered *stream,
                           struct lt_error *error);
/* keep.c */
/* Keeps the frame or leaves it out, as the ceilings allow. `rare`: of the frame's page, where the
 * frame moved a rare bit; else NULL. */
enum lt_code lt_keep_some(struct lt_collect *collect, struct lt_gathered *stream, int64_t time_ns,
                          const uint8_t *data, const struct lt_rare *rare, struct lt_error *error);
static inline enum lt_code lt_keep(struct lt_collect *collect, struct lt_gathered *stream,
                                   int64_t time_ns, const uint8_t *data, const struct lt_rare *rare,
                                   struct lt_error *error)
{
    if (rare || lt_kept_store_wants(&stream->store))
        return lt_keep_some(collect, stream, time_ns, data, rare, error);
    lt_kept_store_leave_out(&stream->store);
    return LT_OK;
}
/* Appends the rows of another store of the same stream. */
enum lt_code lt_keep_all(struct lt_collect *collect, struct lt_gathered *stream,
                         const struct lt_kept_store *from, struct lt_error *error);

#endif
