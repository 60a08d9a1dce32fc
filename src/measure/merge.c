/* Adding one collector to another (loomtap/measure/collect.h).
 *
 * A stream that is kept whole is added frame by frame: the result is that of one collector for both
 * captures. Of a thinned one the counts are added page by page, and its runs are put behind those
 * that are here. */
#include "measure/collect_inside.h"

#include <stdlib.h>
#include <string.h>

static bool same_selector(const struct lt_selector_found *a, const struct lt_selector_found *b)
{
    if (!a->present || !b->present)
        return a->present == b->present;
    return lt_bits_equal(&a->bits, &b->bits);
}

/* Every kept frame as if it came now. */
static enum lt_code add_rows(struct lt_collect *collect, struct lt_gathered *stream,
                             const struct lt_kept_store *from, struct lt_error *error)
{
    enum lt_code code = LT_OK;
    for (size_t row = 0; code == LT_OK && row < from->count; row++) {
        if (!(from->flags[row] & LT_KEPT_FOLLOWS))
            lt_break_stream(stream);
        code = lt_add_row(collect, stream, from->time_ns[row], from->bytes + row * from->length,
                          error);
    }
    return code;
}

/* A thinned stream has no frames to settle by: `stream` takes its selector where it still can. */
static enum lt_code meet_selector(struct lt_collect *collect, struct lt_gathered *stream,
                                  const struct lt_gathered *from, struct lt_error *error)
{
    if (stream->settled && !stream->for_now &&
        (!stream->store.whole || same_selector(&stream->open.selector, &from->open.selector)))
        return LT_OK;
    lt_unsettle(collect, stream);
    return lt_settle(collect, stream, &from->open.selector, error);
}

static enum lt_code merge_rare(struct lt_tally *into, const struct lt_tally *from,
                               struct lt_error *error)
{
    if (!from->rare)
        return LT_OK;
    if (!into->rare) {
        into->rare = malloc(sizeof *into->rare);
        if (!into->rare)
            return lt_fail(error, LT_E_MEMORY, "no memory for a stream's bits");
        lt_rare_init(into->rare, from->rare->length);
    }
    lt_rare_merge(into->rare, from->rare);
    return LT_OK;
}

static enum lt_code merge_pages(struct lt_collect *collect, struct lt_gathered *stream,
                                const struct lt_gathered *from, struct lt_error *error)
{
    for (size_t i = 0; i < from->open.page_count; i++) {
        struct lt_tally *tally;
        const struct lt_page *page = &from->pages[i];
        enum lt_code code = lt_page_of_value(collect, stream, page->value, &tally, error);
        if (code == LT_OK && tally)
            code = merge_rare(tally, &from->tallies[i], error);
        if (code != LT_OK)
            return code;
        if (!tally) {
            stream->open.frames_in_no_page += page->frames;
            continue;
        }
        stream->pages[tally - stream->tallies].frames += page->frames;
        lt_tally_merge(collect, tally, &from->tallies[i]);
    }
    stream->open.frames_in_no_page += from->open.frames_in_no_page;
    if (stream->open.selector.present)
        lt_tally_merge(collect, &stream->all, &from->all);
    return LT_OK;
}

static enum lt_code merge_stream(struct lt_collect *collect, struct lt_gathered *stream,
                                 const struct lt_gathered *from, struct lt_error *error)
{
    lt_break_stream(stream);
    lt_timing_counts_break(&stream->timing);
    if (!lt_timing_counts_merge(&stream->timing, &from->timing))
        return lt_fail(error, LT_E_MEMORY, "no memory for gaps between frames");
    if (from->store.whole)
        return add_rows(collect, stream, &from->store, error);
    enum lt_code code = meet_selector(collect, stream, from, error);
    if (code != LT_OK)
        return code;
    /* Counts by other pages cannot be divided anew; the kept frames can. */
    if (!same_selector(&stream->open.selector, &from->open.selector))
        return add_rows(collect, stream, &from->store, error);
    code = merge_pages(collect, stream, from, error);
    if (code == LT_OK)
        code = lt_keep_all(collect, stream, &from->store, error);
    return code;
}

enum lt_code lt_collect_merge(struct lt_collect *into, const struct lt_collect *from,
                              struct lt_error *error)
{
    lt_collect_break(into);
    lt_counts_add(&into->others, &from->others);
    for (size_t i = 0; i < from->stream_count; i++) {
        struct lt_gathered *stream;
        const struct lt_gathered *other = from->streams[i];
        enum lt_code code = lt_find_stream(into, &other->open.key, &stream, error);
        if (code == LT_OK && stream)
            code = merge_stream(into, stream, other, error);
        if (code != LT_OK)
            return code;
        if (!stream)
            lt_counts_add_stream(&into->others, other, true);
    }
    lt_collect_break(into);
    return LT_OK;
}
