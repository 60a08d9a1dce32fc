/* From a stream's first frames to its pages, and what each frame adds to them (collect_inside.h).
 */
#include "measure/collect_inside.h"

#include <stdlib.h>
#include <string.h>

#include "measure/check_inside.h"

#define SCRATCH_CEILING ((size_t)32 << 20)
#define CHECK_ROWS      4096u /* on which checks are looked for before a selector is */
#define CHECK_BLOCK     512u
/* A selector moves at least once in so many frames. */
#define LATE_SELECTOR_SHARE 100

/* ---- Tallies ---- */

static void drop_moments(struct lt_collect *collect, struct lt_moments **moments, size_t *charged)
{
    lt_moments_free(*moments);
    *moments = NULL;
    collect->moments_used -= *charged;
    *charged = 0;
}

/* Counts grow as bits begin to move; what passes the ceiling goes. */
static void charge(struct lt_collect *collect, struct lt_tally *tally)
{
    size_t bytes = lt_moments_bytes(tally->moments);
    if (bytes == tally->charged)
        return;
    collect->moments_used += bytes - tally->charged;
    tally->charged = bytes;
    if (collect->moments_used > collect->options.moments_bytes)
        drop_moments(collect, &tally->moments, &tally->charged);
}

static enum lt_code begin_tally(struct lt_collect *collect, struct lt_tally *tally, unsigned length,
                                struct lt_error *error)
{
    *tally = (struct lt_tally){.begun = false};
    enum lt_code code = lt_moments_new(&tally->moments, length, error);
    if (code == LT_OK)
        charge(collect, tally);
    return code;
}

static void end_tally(struct lt_collect *collect, struct lt_tally *tally)
{
    drop_moments(collect, &tally->moments, &tally->charged);
    free(tally->rare);
    *tally = (struct lt_tally){.begun = false};
}

static inline void add_to_tally(struct lt_collect *collect, struct lt_tally *tally, int64_t time_ns,
                                const uint8_t *data, unsigned length, int64_t period_ns)
{
    bool is_next = tally->begun && lt_gap_is_next(lt_gap_of(tally->last_ns, time_ns), period_ns);
    tally->last_ns = time_ns;
    tally->begun = true;
    if (!tally->moments)
        return;
    if (length - 1u < 8) {
        if (lt_moments_add_word(tally->moments, lt_short_word(data, length), is_next))
            charge(collect, tally);
        return;
    }
    lt_moments_add(tally->moments, data, is_next);
    if (lt_moments_block_is_empty(tally->moments))
        charge(collect, tally);
}

void lt_tally_merge(struct lt_collect *collect, struct lt_tally *into, const struct lt_tally *from)
{
    if (!from->moments)
        drop_moments(collect, &into->moments, &into->charged);
    if (!into->moments)
        return;
    lt_moments_merge(into->moments, from->moments);
    charge(collect, into);
}

/* ---- Pages ---- */

static size_t find_page(const struct lt_gathered *stream, uint64_t value)
{
    size_t low = 0, high = stream->open.page_count;
    while (low < high) {
        size_t middle = (low + high) / 2;
        if (stream->pages[middle].value < value)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

static bool grow_pages(struct lt_gathered *stream)
{
    size_t room = stream->page_room == 0 ? 1 : 2 * stream->page_room;
    struct lt_page *pages = realloc(stream->pages, room * sizeof *pages);
    if (!pages)
        return false;
    stream->pages = pages;
    struct lt_tally *tallies = realloc(stream->tallies, room * sizeof *tallies);
    if (!tallies)
        return false;
    stream->tallies = tallies;
    stream->page_room = room;
    return true;
}

/* Until a new page has a period of its own it is taken to come as often as the others. */
static int64_t usual_period(const struct lt_gathered *stream)
{
    int64_t longest_ns = 0;
    for (size_t i = 0; i < stream->open.page_count; i++)
        if (stream->pages[i].period_ns > longest_ns)
            longest_ns = stream->pages[i].period_ns;
    return longest_ns;
}

static enum lt_code insert_page(struct lt_collect *collect, struct lt_gathered *stream, size_t at,
                                uint64_t value, struct lt_error *error)
{
    size_t behind = stream->open.page_count - at;
    struct lt_tally tally;
    if (stream->open.page_count == stream->page_room && !grow_pages(stream))
        return lt_fail(error, LT_E_MEMORY, "no memory for the pages of a frame");
    enum lt_code code = begin_tally(collect, &tally, stream->open.key.length, error);
    if (code != LT_OK)
        return code;
    int64_t period_ns = usual_period(stream);
    memmove(stream->pages + at + 1, stream->pages + at, behind * sizeof *stream->pages);
    memmove(stream->tallies + at + 1, stream->tallies + at, behind * sizeof *stream->tallies);
    stream->pages[at] = (struct lt_page){.value = value, .period_ns = period_ns};
    stream->tallies[at] = tally;
    stream->open.page_count++;
    return LT_OK;
}

enum lt_code lt_page_of_value(struct lt_collect *collect, struct lt_gathered *stream,
                              uint64_t value, struct lt_tally **ret_tally, struct lt_error *error)
{
    size_t at = find_page(stream, value);
    *ret_tally = NULL;
    if (at == stream->open.page_count || stream->pages[at].value != value) {
        if (stream->open.page_count == LT_PAGES_MAX)
            return LT_OK;
        enum lt_code code = insert_page(collect, stream, at, value, error);
        if (code != LT_OK)
            return code;
    }
    *ret_tally = &stream->tallies[at];
    return LT_OK;
}

enum lt_code lt_page_of(struct lt_collect *collect, struct lt_gathered *stream, const uint8_t *data,
                        struct lt_tally **ret_tally, struct lt_error *error)
{
    uint64_t value = 0;
    if (stream->open.selector.present)
        value = lt_bits_get(data, &stream->open.selector.bits);
    return lt_page_of_value(collect, stream, value, ret_tally, error);
}

/* The periods of all pages from the kept rows. */
static enum lt_code work_out_periods(struct lt_gathered *stream, struct lt_arena *scratch,
                                     struct lt_error *error)
{
    const struct lt_kept *kept = &stream->open.kept;
    struct lt_page *page = stream->pages;
    if (!stream->open.selector.present) {
        if (stream->open.page_count != 0)
            page->period_ns = stream->open.timing.cyclic ? stream->open.timing.period_ns : 0;
        return LT_OK;
    }
    /* Rows by page: a page's number for each row, then each page's gaps in turn. */
    uint16_t *page_of = lt_arena_array(scratch, kept->count + 1, sizeof *page_of);
    int64_t *gaps_ns = lt_arena_array(scratch, kept->count + 1, sizeof *gaps_ns);
    if (!page_of || !gaps_ns)
        return lt_fail(error, LT_E_MEMORY, "no memory for the pages of a frame");
    for (size_t row = 0; row < kept->count; row++) {
        uint64_t value = lt_bits_get(lt_kept_row(kept, row), &stream->open.selector.bits);
        size_t at = find_page(stream, value);
        bool known = at < stream->open.page_count && stream->pages[at].value == value;
        page_of[row] = known ? (uint16_t)at : LT_PAGES_MAX;
    }
    for (size_t i = 0; i < stream->open.page_count; i++, page++) {
        size_t count = 0;
        bool unbroken = false, cyclic;
        int64_t last_ns = 0;
        for (size_t row = 0; row < kept->count; row++) {
            unbroken = unbroken && (kept->flags[row] & LT_KEPT_FOLLOWS);
            if (page_of[row] != i)
                continue;
            int64_t gap_ns = lt_gap_of(last_ns, kept->time_ns[row]);
            if (unbroken && gap_ns >= 0)
                gaps_ns[count++] = gap_ns;
            last_ns = kept->time_ns[row];
            unbroken = true;
        }
        int64_t period_ns = lt_gaps_period(gaps_ns, count, &cyclic);
        page->period_ns = cyclic ? period_ns : 0;
    }
    return LT_OK;
}

/* ---- Settling ---- */

static enum lt_code refresh_with(struct lt_gathered *stream, struct lt_arena *scratch,
                                 struct lt_error *error)
{
    struct lt_kept_store *store = &stream->store;
    stream->open.kept = lt_kept_store_view(store, &stream->open.key);
    enum lt_code code = lt_timing_work_out(&stream->timing, &stream->open.kept, scratch,
                                           &stream->open.timing, error);
    int64_t period_ns = stream->open.timing.cyclic ? stream->open.timing.period_ns : 0;
    for (size_t row = 0; code == LT_OK && row < store->count; row++) {
        store->flags[row] &= (uint8_t)~LT_KEPT_NEXT;
        if ((store->flags[row] & LT_KEPT_FOLLOWS) &&
            lt_gap_is_next(lt_gap_of(store->time_ns[row - 1], store->time_ns[row]), period_ns))
            store->flags[row] |= LT_KEPT_NEXT;
    }
    return code;
}

/* Makes the pages of the frames so far, so that periods can be worked out before steps count. */
static enum lt_code make_pages(struct lt_collect *collect, struct lt_gathered *stream,
                               struct lt_error *error)
{
    struct lt_tally *tally;
    enum lt_code code = LT_OK;
    for (size_t row = 0; code == LT_OK && row < stream->store.count; row++)
        code = lt_page_of_row(collect, stream, lt_kept_row(&stream->open.kept, row), &tally, error);
    return code;
}

void lt_tally_frame(struct lt_collect *collect, struct lt_gathered *stream, int64_t time_ns,
                    const uint8_t *data, struct lt_tally *tally)
{
    unsigned length = stream->store.length;
    if (!tally) {
        stream->open.frames_in_no_page++;
    } else {
        struct lt_page *page = &stream->pages[tally - stream->tallies];
        page->frames++;
        add_to_tally(collect, tally, time_ns, data, length, page->period_ns);
    }
    if (stream->open.selector.present)
        add_to_tally(collect, &stream->all, time_ns, data, length,
                     stream->open.timing.cyclic ? stream->open.timing.period_ns : 0);
}

void lt_tally_word(struct lt_collect *collect, struct lt_gathered *stream, int64_t time_ns,
                   uint64_t word)
{
    struct lt_page *page = stream->pages;
    struct lt_tally *tally = stream->tallies;
    bool is_next =
        tally->begun && lt_gap_is_next(lt_gap_of(tally->last_ns, time_ns), page->period_ns);
    page->frames++;
    tally->last_ns = time_ns;
    tally->begun = true;
    if (tally->moments && lt_moments_add_word(tally->moments, word, is_next))
        charge(collect, tally);
}

static enum lt_code tally_rows(struct lt_collect *collect, struct lt_gathered *stream,
                               struct lt_error *error)
{
    const struct lt_kept *kept = &stream->open.kept;
    for (size_t row = 0; row < kept->count; row++) {
        struct lt_tally *tally;
        enum lt_code code = lt_page_of_row(collect, stream, lt_kept_row(kept, row), &tally, error);
        if (code != LT_OK)
            return code;
        if (!(kept->flags[row] & LT_KEPT_FOLLOWS))
            lt_tallies_break(stream);
        lt_tally_frame(collect, stream, kept->time_ns[row], lt_kept_row(kept, row), tally);
    }
    if (!stream->begun)
        lt_tallies_break(stream);
    return LT_OK;
}

void lt_tallies_break(struct lt_gathered *stream)
{
    for (size_t i = 0; i < stream->open.page_count; i++) {
        stream->tallies[i].begun = false;
        if (stream->tallies[i].rare)
            stream->tallies[i].rare->begun = false;
    }
    stream->all.begun = false;
}

/* Divides the kept rows by a selector and counts them by page. */
static enum lt_code page_rows(struct lt_collect *collect, struct lt_gathered *stream,
                              const struct lt_selector_found *selector, struct lt_arena *scratch,
                              struct lt_error *error)
{
    stream->open.selector = *selector;
    enum lt_code code = make_pages(collect, stream, error);
    if (code == LT_OK)
        code = work_out_periods(stream, scratch, error);
    if (code == LT_OK)
        code = tally_rows(collect, stream, error);
    return code;
}

/* Some of the rows, in blocks spread over all of them: enough to see checks. */
static enum lt_code some_rows(const struct lt_kept *kept, struct lt_arena *scratch,
                              struct lt_kept *ret_some, struct lt_error *error)
{
    size_t length = kept->key.length;
    *ret_some = *kept;
    if (kept->count <= CHECK_ROWS)
        return LT_OK;
    int64_t *time_ns = lt_arena_array(scratch, CHECK_ROWS, sizeof *time_ns);
    uint8_t *flags = lt_arena_alloc(scratch, CHECK_ROWS);
    uint8_t *bytes = lt_arena_alloc(scratch, CHECK_ROWS * length + 8);
    if (!time_ns || !flags || !bytes)
        return lt_fail(error, LT_E_MEMORY, "no memory to look for a selector");
    for (size_t to = 0; to < CHECK_ROWS; to += CHECK_BLOCK) {
        size_t from = (kept->count - CHECK_BLOCK) * to / (CHECK_ROWS - CHECK_BLOCK);
        memcpy(time_ns + to, kept->time_ns + from, CHECK_BLOCK * sizeof *time_ns);
        memcpy(flags + to, kept->flags + from, CHECK_BLOCK);
        memcpy(bytes + to * length, lt_kept_row(kept, from), CHECK_BLOCK * length);
        flags[to] &= (uint8_t) ~(LT_KEPT_FOLLOWS | LT_KEPT_NEXT);
    }
    memset(bytes + CHECK_ROWS * length, 0, 8);
    ret_some->count = CHECK_ROWS;
    ret_some->time_ns = time_ns;
    ret_some->flags = flags;
    ret_some->bytes = bytes;
    ret_some->whole = false;
    return LT_OK;
}

/* About what the search for a selector takes: every narrow window on some hundred rows, then the
 * best few on all that are looked at. */
static uint64_t selector_steps(const struct lt_kept *kept)
{
    uint64_t words = (kept->key.length + 7u) / 8u, bits = 8u * kept->key.length;
    uint64_t rows = kept->count < 4096 ? kept->count : 4096, few = rows / 2 < 400 ? rows / 2 : 400;
    return bits * 40 * few + 40 * rows * (3 + words);
}

/* The selector of the kept rows. Checks go first: they hold over a frame whatever its pages are,
 * and their restless bits would only stand in the way. Which byte of a sum is the check is told by
 * the counter too. */
static enum lt_code look_for_selector(struct lt_collect *collect, struct lt_gathered *stream,
                                      struct lt_arena *scratch, struct lt_selector_found *ret_found,
                                      struct lt_error *error)
{
    const struct lt_kept *kept = &stream->open.kept;
    struct lt_work work = lt_work_begin(&collect->pool, kept->count, kept->key.length);
    struct lt_counter_found counters[LT_COUNTERS_MAX];
    struct lt_bit_set places = {{0}};
    struct lt_kept some;
    size_t counter_count = 0;
    *ret_found = (struct lt_selector_found){.present = false};
    enum lt_code code = some_rows(kept, scratch, &some, error);
    if (code == LT_OK)
        code = lt_counters_find(&some, 0, &places, scratch, counters, &counter_count, error);
    if (code == LT_OK)
        code = check_find_places(&some, counters, counter_count, &work, &places, error);
    if (code == LT_OK && lt_work_take(&work, selector_steps(kept)))
        code = lt_selector_find(kept, &places, scratch, ret_found, error);
    stream->open.cut_short = work.cut;
    lt_work_end(&collect->pool, &work);
    return code;
}

/* Adds the bits that have moved by now to stream->moved. True where one of those that are new moves
 * as often as a selector does: slow quantities reach new bits all the time. */
static bool note_moved(struct lt_gathered *stream, struct lt_moments *moments)
{
    uint64_t ones[8 * LT_FRAME_MAX], flips[8 * LT_FRAME_MAX];
    uint64_t often = lt_moments_steps(moments) / LATE_SELECTOR_SHARE;
    bool found = false;
    lt_moments_activity(moments, ones, flips);
    for (unsigned at = 0; at < 8u * stream->store.length; at++) {
        if (flips[at] == 0 || lt_bit_set_has(&stream->moved, at))
            continue;
        lt_bit_set_add(&stream->moved, at);
        found = found || flips[at] > often;
    }
    return found;
}

enum lt_code lt_settle(struct lt_collect *collect, struct lt_gathered *stream,
                       const struct lt_selector_found *selector, struct lt_error *error)
{
    struct lt_arena scratch;
    struct lt_selector_found found;
    lt_arena_init(&scratch, SCRATCH_CEILING);
    stream->settled = true;
    enum lt_code code = refresh_with(stream, &scratch, error);
    if (code == LT_OK && !selector)
        code = look_for_selector(collect, stream, &scratch, &found, error);
    if (code == LT_OK) {
        selector = selector ? selector : &found;
        if (selector->present)
            code = begin_tally(collect, &stream->all, stream->open.key.length, error);
    }
    if (code == LT_OK)
        code = page_rows(collect, stream, selector, &scratch, error);
    if (code == LT_OK && stream->open.page_count == 1 && stream->tallies[0].moments) {
        note_moved(stream, stream->tallies[0].moments);
        /* Looking counted what waited, and took room for it. */
        charge(collect, &stream->tallies[0]);
    }
    lt_arena_release(&scratch);
    return code;
}

/* A selector that stood still at first: looked for again where bits move that did not then. What
 * the pages count then is the kept frames, since the others are gone; the counts of all frames stay
 * beside them. */
static enum lt_code look_again(struct lt_collect *collect, struct lt_gathered *stream,
                               struct lt_arena *scratch, struct lt_error *error)
{
    struct lt_selector_found found;
    if (stream->open.selector.present || stream->store.whole || stream->open.page_count != 1 ||
        !stream->tallies[0].moments || !note_moved(stream, stream->tallies[0].moments))
        return LT_OK;
    enum lt_code code = look_for_selector(collect, stream, scratch, &found, error);
    if (code != LT_OK || !found.present)
        return code;
    struct lt_tally all = stream->tallies[0];
    free(all.rare);
    all.rare = NULL;
    stream->open.page_count = 0;
    code = page_rows(collect, stream, &found, scratch, error);
    stream->all = all; /* only now: these frames are among its own */
    return code;
}

enum lt_code lt_refresh(struct lt_collect *collect, struct lt_gathered *stream,
                        struct lt_error *error)
{
    struct lt_arena scratch;
    lt_arena_init(&scratch, SCRATCH_CEILING);
    enum lt_code code = refresh_with(stream, &scratch, error);
    if (code == LT_OK)
        code = look_again(collect, stream, &scratch, error);
    if (code == LT_OK)
        code = work_out_periods(stream, &scratch, error);
    lt_arena_release(&scratch);
    stream->open.pages = stream->pages;
    for (size_t i = 0; i < stream->open.page_count; i++) {
        stream->pages[i].moments = stream->tallies[i].moments;
        if (stream->tallies[i].moments && lt_moments_failed(stream->tallies[i].moments))
            return lt_fail(error, LT_E_MEMORY, "no memory for the counts of a frame's bits");
    }
    stream->open.all = stream->open.selector.present
                           ? stream->all.moments
                           : (stream->open.page_count != 0 ? stream->pages[0].moments : NULL);
    return code;
}

void lt_unsettle(struct lt_collect *collect, struct lt_gathered *stream)
{
    for (size_t i = 0; i < stream->open.page_count; i++)
        end_tally(collect, &stream->tallies[i]);
    end_tally(collect, &stream->all);
    free(stream->pages);
    free(stream->tallies);
    stream->pages = NULL;
    stream->tallies = NULL;
    stream->page_room = stream->open.page_count = 0;
    stream->open.pages = NULL;
    stream->open.all = NULL;
    stream->open.frames_in_no_page = 0;
    stream->open.selector = (struct lt_selector_found){.present = false};
    stream->moved = (struct lt_bit_set){{0}};
    stream->settled = stream->for_now = false;
}
