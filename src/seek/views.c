/* The pages that are searched, and their bits that are no numbers.
 *
 * Counters and checks follow anything that is sampled at a rhythm of its own, so they are found
 * first and left out. Where a stream has pages, all its frames together are a view of their own,
 * for numbers whose upper bits mean the same on every page (noise in their lower bits may look as
 * if it did not). */
#include "seek/search.h"

#include "loomtap/measure/check_solve.h"
#include "loomtap/measure/counter.h"
#include "loomtap/proto/obd.h"

#define SCRATCH_CEILING ((size_t)96 << 20)
#define HOLD_PERIODS    4
#define HOLD_LEAST_NS   INT64_C(100000000)
#define HOLD_THINNED_NS INT64_C(1000000000)
#define ROWS_LEAST      8u
#define SURE            0.5

bool seek_wants(const struct lt_seek_options *options, const struct lt_stream *stream)
{
    uint32_t partner;
    struct lt_frame frame = {.id = stream->key.id,
                             .len = stream->key.length,
                             .flags = stream->key.extended ? LT_FRAME_EXTENDED : 0};
    if (options && options->wants)
        return options->wants(options->context, stream);
    return lt_obd_classify(&frame, &partner) == LT_OBD_NOT;
}

static enum lt_code find_taken(struct seek_view *view, struct lt_error *error)
{
    struct lt_counter_found counters[LT_COUNTERS_MAX];
    struct lt_check_found checks[LT_CHECKS_MAX];
    size_t counter_count = 0, check_count = 0;
    struct lt_arena scratch;
    lt_arena_init(&scratch, SCRATCH_CEILING);
    enum lt_code code = lt_counters_find(&view->kept, view->period_ns, &view->taken, &scratch,
                                         counters, &counter_count, error);
    for (size_t i = 0; code == LT_OK && i < counter_count; i++) {
        struct lt_bits bits = {1, {counters[i].bits}};
        if (counters[i].confidence >= SURE)
            lt_bit_set_add_bits(&view->taken, &bits);
    }
    if (code == LT_OK)
        code = lt_checks_find(&view->kept, counters, counter_count, &view->taken, &scratch, checks,
                              &check_count, error);
    for (size_t i = 0; code == LT_OK && i < check_count; i++)
        /* Bits that nothing explains may be the fast end of a number. */
        if (checks[i].form == LT_CHECK_FOUND && checks[i].confidence >= SURE)
            lt_bit_set_add_bits(&view->taken, &checks[i].place);
    lt_arena_release(&scratch);
    return code;
}

static void set_hold(struct seek_view *view, bool cyclic)
{
    int64_t hold_ns = HOLD_PERIODS * view->period_ns;
    if (cyclic && view->period_ns > 0)
        view->hold_ns = hold_ns > HOLD_LEAST_NS ? hold_ns : HOLD_LEAST_NS;
    else
        view->hold_ns = view->kept.whole ? INT64_MAX : HOLD_THINNED_NS;
}

void seek_view_look(struct seek_view *view)
{
    const struct lt_kept *kept = &view->kept;
    unsigned length = kept->key.length;
    uint8_t all[64], any[64];
    memset(all, 255, sizeof all);
    memset(any, 0, sizeof any);
    for (size_t i = 0; i < kept->count; i++) {
        const uint8_t *row = lt_kept_row(kept, i);
        for (unsigned byte = 0; byte < length; byte++) {
            all[byte] &= row[byte];
            any[byte] |= row[byte];
        }
    }
    for (unsigned bit = 0; bit < 8 * length; bit++)
        if ((any[bit / 8] & ~all[bit / 8]) >> bit % 8 & 1)
            lt_bit_set_add(&view->moving, bit);
}

static bool is_empty(const struct lt_bit_set *set)
{
    uint64_t any = 0;
    for (unsigned word = 0; word < 8; word++)
        any |= set->word[word];
    return any == 0;
}

static enum lt_code add_pages(const struct lt_stream *stream, struct lt_arena *arena,
                              struct seek_views *views, size_t *capacity, struct lt_error *error)
{
    enum lt_code code = LT_OK;
    for (size_t i = 0; i < stream->page_count && code == LT_OK; i++) {
        const struct lt_page *page = &stream->pages[i];
        struct seek_view view = {.stream = stream,
                                 .has_page = true,
                                 .page = (uint16_t)page->value,
                                 .period_ns = page->period_ns};
        code = lt_kept_page(&stream->kept, &stream->selector.bits, page->value, page->period_ns,
                            arena, &view.kept, error);
        if (code != LT_OK || view.kept.count < ROWS_LEAST)
            continue;
        lt_bit_set_add_bits(&view.taken, &stream->selector.bits);
        set_hold(&view, true);
        seek_view_look(&view);
        if (!seek_codes_find(&view, arena))
            return seek_no_memory(error);
        code = find_taken(&view, error);
        struct seek_view *room =
            lt_arena_push(arena, &views->view, &views->count, capacity, sizeof *room);
        if (!room)
            return seek_no_memory(error);
        *room = view;
    }
    return code;
}

static enum lt_code add_whole(const struct lt_stream *stream, struct lt_arena *arena,
                              struct seek_views *views, size_t *capacity, struct lt_error *error)
{
    struct seek_view view = {
        .stream = stream, .kept = stream->kept, .period_ns = stream->timing.period_ns};
    if (stream->selector.present) {
        if (is_empty(&stream->selector.common))
            return LT_OK;
        lt_bit_set_add_bits(&view.taken, &stream->selector.bits);
        view.common = &stream->selector.common;
    }
    set_hold(&view, stream->timing.cyclic && !stream->timing.pauses);
    seek_view_look(&view);
    if (!seek_codes_find(&view, arena))
        return seek_no_memory(error);
    enum lt_code code = find_taken(&view, error);
    struct seek_view *room =
        lt_arena_push(arena, &views->view, &views->count, capacity, sizeof *room);
    if (!room)
        return seek_no_memory(error);
    *room = view;
    return code;
}

enum lt_code seek_views_find(const struct lt_collect *collect,
                             const struct lt_seek_options *options, struct lt_arena *arena,
                             struct seek_views *ret_views, struct lt_error *error)
{
    struct seek_views views = {0};
    size_t capacity = 0;
    enum lt_code code = LT_OK;
    for (size_t i = 0; i < lt_collect_count(collect) && code == LT_OK; i++) {
        const struct lt_stream *stream = lt_collect_stream(collect, i);
        if (!seek_wants(options, stream) || stream->key.length == 0 ||
            stream->kept.count < ROWS_LEAST)
            continue;
        code = add_whole(stream, arena, &views, &capacity, error);
        if (code == LT_OK && stream->selector.present)
            code = add_pages(stream, arena, &views, &capacity, error);
    }
    if (code == LT_OK)
        *ret_views = views;
    return code;
}
