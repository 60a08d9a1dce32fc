/* Modes and switches from marks: the whole way. See loomtap/seek/marks.h. */
#include "loomtap/seek/marks.h"

#include "seek/modes.h"
#include "seek/search.h"

static enum lt_code look_at(const struct modes_times *times, const struct modes_view *view,
                            struct lt_arena *scratch, struct modes_found *found,
                            struct lt_error *error)
{
    struct modes_bits bits;
    if (view->kept.count < 2 || view->kept.key.length == 0)
        return LT_OK;
    enum lt_code code = modes_bits_make(times, view, scratch, &bits, error);
    if (code == LT_OK)
        code = modes_windows_find(times, view, &bits, scratch, found, error);
    return code;
}

/* First all frames together: what is there on every page, and fields that were taken for a selector
 * because the rest of the frame follows them. Then page by page. */
static enum lt_code look_at_stream(const struct modes_times *times, const struct lt_stream *stream,
                                   struct modes_found *found, struct lt_error *error)
{
    struct lt_arena scratch;
    struct modes_view view = {.stream = stream,
                              .kept = stream->kept,
                              .period_ns = stream->timing.cyclic ? stream->timing.period_ns : 0};
    lt_arena_init(&scratch, (size_t)512 << 20);
    enum lt_code code = look_at(times, &view, &scratch, found, error);
    lt_arena_release(&scratch);
    for (size_t i = 0; code == LT_OK && stream->selector.present && i < stream->page_count; i++) {
        const struct lt_page *page = &stream->pages[i];
        view.has_page = true;
        view.page = page->value;
        view.period_ns = page->period_ns;
        lt_arena_init(&scratch, (size_t)512 << 20);
        code = lt_kept_page(&stream->kept, &stream->selector.bits, page->value, page->period_ns,
                            &scratch, &view.kept, error);
        if (code == LT_OK)
            code = look_at(times, &view, &scratch, found, error);
        lt_arena_release(&scratch);
    }
    return code;
}

static enum lt_code look_at_all(const struct lt_collect *collect, const struct modes_times *times,
                                const struct lt_seek_options *options, struct modes_found *found,
                                struct lt_error *error)
{
    for (size_t i = 0; i < lt_collect_count(collect); i++) {
        const struct lt_stream *stream = lt_collect_stream(collect, i);
        if (!seek_wants(options, stream))
            continue;
        enum lt_code code = look_at_stream(times, stream, found, error);
        if (code != LT_OK)
            return code;
    }
    return LT_OK;
}

enum lt_code lt_seek_marks(const struct lt_collect *collect, const struct lt_reference *marks,
                           const struct lt_seek_options *options, struct lt_arena *arena,
                           struct lt_seek_target *ret_target, struct lt_error *error)
{
    const struct lt_collect_counts *counts = lt_collect_counts(collect);
    struct modes_times times;
    struct lt_arena scratch;
    struct modes_found found = {.count = 0};
    if (!marks->label || marks->count == 0 || counts->frames == counts->without_time) {
        lt_fail(error, LT_E_MISSING, "%s: there are no marks, or the capture has no times",
                marks->name);
        lt_error_advise(error, "marks and frames must both have times");
        return LT_E_MISSING;
    }
    lt_arena_init(&scratch, (size_t)64 << 20);
    enum lt_code code =
        modes_times_make(marks, counts->first_ns, counts->last_ns, &scratch, &times, error);
    found.window = lt_arena_array(&scratch, MODES_WINDOWS_MAX, sizeof *found.window);
    if (code == LT_OK && !found.window)
        code = lt_fail(error, LT_E_MEMORY, "no memory to look for modes");
    if (code == LT_OK)
        code = look_at_all(collect, &times, options, &found, error);
    if (code == LT_OK)
        code = modes_rank(&times, &found, &scratch, error);
    if (code == LT_OK)
        code = modes_say(&times, &found, marks, arena, ret_target, error);
    lt_arena_release(&scratch);
    return code;
}
