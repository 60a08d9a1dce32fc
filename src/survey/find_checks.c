/* Counters and checks of all frames, before their fields.
 *
 * What runs over all pages of a frame is found on its whole; the pages are then asked for what is
 * theirs alone. A check that was found on one page and holds on every row of the frame was the
 * frame's after all: it moves to the whole. Then the forms found are tried on frames that are too
 * sparse to be solved alone, the most usual form first. */
#include <stdlib.h>

#include "survey/parts.h"

#define SCRATCH_CEILING ((size_t)96 << 20)
#define FORMS_MAX       32
#define SPOILED_SHARE   0.01 /* rows that may disagree and the check still holds on the frame */
#define SURE_MAP        0.95 /* confidence of a map that is taken for the frame's check */
#define ROWS_TO_HOLD    16

/* --- on one page --- */

static enum lt_code find_counters(struct parts *parts, struct page_parts *page,
                                  const struct lt_bit_set *taken, struct lt_arena *scratch)
{
    struct lt_counter_found found[LT_COUNTERS_MAX];
    size_t count = 0;
    enum lt_code code = lt_counters_find(&page->kept, page->period_ns, taken, scratch, found,
                                         &count, parts->work->error);
    if (code != LT_OK || count == 0)
        return code;
    page->counters = lt_arena_array(&parts->keep, count, sizeof *page->counters);
    if (!page->counters)
        return parts_no_memory(parts);
    memcpy(page->counters, found, count * sizeof *found);
    page->counter_count = count;
    return LT_OK;
}

/* Pages that go round look like a counter over all of them where what they hold never changes: a
 * counter of the whole is among what means the same on every page. */
static void drop_what_pages_hold(struct frame_parts *frame)
{
    struct page_parts *whole = &frame->pages[0];
    size_t kept = 0;
    for (size_t i = 0; i < whole->counter_count; i++) {
        struct lt_bits bits = {.parts = 1, .part = {whole->counters[i].bits}};
        if (lt_bit_set_meets(&frame->common, &bits))
            whole->counters[kept++] = whole->counters[i];
    }
    whole->counter_count = kept;
}

/* The page's counters, and those of the whole. */
static size_t gather_counters(const struct frame_parts *frame, const struct page_parts *page,
                              struct lt_counter_found ret_all[2 * LT_COUNTERS_MAX])
{
    size_t count = 0;
    for (size_t i = 0; i < page->counter_count; i++)
        ret_all[count++] = page->counters[i];
    for (size_t i = 0; page != frame->pages && i < frame->pages[0].counter_count; i++)
        ret_all[count++] = frame->pages[0].counters[i];
    return count;
}

static bool keep_checks(struct parts *parts, struct page_parts *page,
                        const struct lt_check_found *found, size_t count)
{
    struct lt_check_found *list =
        lt_arena_array(&parts->keep, page->check_count + count, sizeof *list);
    if (!list)
        return false;
    if (page->check_count)
        memcpy(list, page->checks, page->check_count * sizeof *list);
    for (size_t i = 0; i < count; i++)
        list[page->check_count++] = parts_copy_check(&parts->keep, &found[i]);
    page->checks = list;
    return !parts->keep.failed;
}

static enum lt_code find_checks(struct parts *parts, struct frame_parts *frame,
                                struct page_parts *page, const struct lt_bit_set *taken,
                                struct lt_arena *scratch)
{
    struct lt_counter_found counters[2 * LT_COUNTERS_MAX];
    struct lt_check_found found[LT_CHECKS_MAX];
    size_t counter_count = gather_counters(frame, page, counters), count = 0;
    struct lt_work work = parts_begin_work(parts, page);
    enum lt_code code = lt_checks_find_within(&page->kept, counters, counter_count, taken, &work,
                                              scratch, found, &count, parts->work->error);
    parts_end_work(parts, frame, &work);
    if (code == LT_OK && count && !keep_checks(parts, page, found, count))
        code = parts_no_memory(parts);
    return code;
}

static bool is_named(const struct lt_check_found *check)
{
    return check->form == LT_CHECK_FOUND && check->checksum.family != LT_CHECK_AFFINE;
}

/* A map without a name. */
static bool is_map(const struct lt_check_found *check)
{
    return check->form == LT_CHECK_FOUND && check->checksum.family == LT_CHECK_AFFINE &&
           check->confidence < SURE_MAP;
}

/* A check over the whole frame turned round gives other bits too: each page would have "checks". */
static bool is_explained(const struct page_parts *whole)
{
    for (size_t i = 0; i < whole->check_count; i++)
        if (whole->checks[i].form == LT_CHECK_FOUND && !is_map(&whole->checks[i]))
            return true;
    return false;
}

static bool has_map(const struct page_parts *whole)
{
    for (size_t i = 0; i < whole->check_count; i++)
        if (is_map(&whole->checks[i]))
            return true;
    return false;
}

static void drop_check(struct page_parts *page, size_t index)
{
    page->check_count--;
    memmove(page->checks + index, page->checks + index + 1,
            (page->check_count - index) * sizeof *page->checks);
}

/* Beside a map of the whole, a page's is worth no more: only a form with a name is. */
static void drop_unnamed(struct page_parts *page)
{
    for (size_t i = page->check_count; i-- > 0;)
        if (!is_named(&page->checks[i]))
            drop_check(page, i);
}

/* What the whole has is no page's; but the bits of a map may be. */
static void take_whole(const struct frame_parts *frame, struct lt_bit_set *taken)
{
    const struct page_parts *whole = &frame->pages[0];
    struct lt_bit_set maps = {{0}};
    parts_take(taken, whole, true);
    for (size_t i = 0; i < whole->check_count; i++)
        if (is_map(&whole->checks[i]))
            lt_bit_set_add_bits(&maps, &whole->checks[i].place);
    for (size_t w = 0; w < sizeof maps.word / sizeof *maps.word; w++)
        taken->word[w] &= ~maps.word[w];
}

static enum lt_code look_at_page(struct parts *parts, struct frame_parts *frame,
                                 struct page_parts *page, void *context)
{
    struct lt_bit_set taken = {{0}};
    struct lt_arena scratch;
    (void)context;
    if (frame->paged) {
        lt_bit_set_add_bits(&taken, &frame->stream->selector.bits);
        take_whole(frame, &taken);
    }
    lt_arena_init(&scratch, SCRATCH_CEILING);
    enum lt_code code = find_counters(parts, page, &taken, &scratch);
    if (code == LT_OK && frame->paged && page == frame->pages)
        drop_what_pages_hold(frame);
    if (code == LT_OK && (page == frame->pages || !is_explained(&frame->pages[0])))
        code = find_checks(parts, frame, page, &taken, &scratch);
    if (page != frame->pages && has_map(&frame->pages[0]))
        drop_unnamed(page);
    lt_arena_release(&scratch);
    return code;
}

/* --- counters that other pages have too --- */

struct shared_counters {
    size_t count;
    struct lt_counter_found found[2 * LT_COUNTERS_MAX];
};

static bool same_counter(const struct lt_counter_found *a, const struct lt_counter_found *b)
{
    return a->bits.msb == b->bits.msb && a->bits.lsb == b->bits.lsb && a->order == b->order &&
           a->modulus == b->modulus && a->step == b->step && a->on_change == b->on_change;
}

static bool has_counter(const struct page_parts *page, const struct lt_counter_found *counter)
{
    for (size_t i = 0; i < page->counter_count; i++)
        if (same_counter(&page->counters[i], counter))
            return true;
    return false;
}

/* Those of two pages or more. */
static void gather_shared(const struct frame_parts *frame, struct shared_counters *shared)
{
    shared->count = 0;
    for (size_t p = 1; p < frame->page_count; p++)
        for (size_t i = 0; i < frame->pages[p].counter_count; i++) {
            const struct lt_counter_found *counter = &frame->pages[p].counters[i];
            bool listed = false, again = false;
            for (size_t k = 0; k < shared->count; k++)
                listed = listed || same_counter(&shared->found[k], counter);
            for (size_t q = p + 1; q < frame->page_count && !listed && !again; q++)
                again = has_counter(&frame->pages[q], counter);
            if (again && shared->count < 2 * LT_COUNTERS_MAX)
                shared->found[shared->count++] = *counter;
        }
}

static bool is_free_of(const struct page_parts *page, const struct lt_counter_found *counter)
{
    struct lt_bits bits = {.parts = 1, .part = {counter->bits}};
    struct lt_bit_set taken = {{0}};
    parts_take(&taken, page, true);
    return !lt_bit_set_meets(&taken, &bits);
}

/* Of two counters that go together on a page one was given up, for one may be the other's check. */
static enum lt_code share_counters(struct parts *parts, struct frame_parts *frame,
                                   struct page_parts *page, void *context)
{
    const struct shared_counters *shared = context;
    enum lt_code code = LT_OK;
    if (page == frame->pages)
        return LT_OK;
    for (size_t i = 0; i < shared->count && code == LT_OK; i++) {
        const struct lt_counter_found *counter = &shared->found[i];
        struct lt_counter_found found;
        struct lt_arena scratch;
        bool goes_on = false;
        if (page->counter_count == LT_COUNTERS_MAX || !is_free_of(page, counter))
            continue;
        lt_arena_init(&scratch, SCRATCH_CEILING);
        code = lt_counter_goes_on(&page->kept, page->period_ns, counter, &scratch, &found, &goes_on,
                                  parts->work->error);
        lt_arena_release(&scratch);
        if (!goes_on)
            continue;
        struct lt_counter_found *list =
            lt_arena_array(&parts->keep, page->counter_count + 1, sizeof *list);
        if (!list)
            return parts_no_memory(parts);
        if (page->counter_count)
            memcpy(list, page->counters, page->counter_count * sizeof *list);
        list[page->counter_count++] = found;
        page->counters = list;
    }
    return code;
}

static enum lt_code share_all_counters(struct parts *parts, struct frame_parts *frame)
{
    struct shared_counters shared;
    gather_shared(frame, &shared);
    return shared.count ? parts_each_page(parts, frame, share_counters, &shared) : LT_OK;
}

/* --- what is the whole frame's --- */

static bool holds_on(const struct lt_kept *kept, struct lt_check_found *check)
{
    const struct lt_stream_key *key = &kept->key;
    uint64_t verified = 0;
    for (size_t i = 0; i < kept->count; i++)
        verified += lt_checksum_verify(&check->checksum, lt_kept_row(kept, i), key->length, key->id,
                                       key->extended);
    uint64_t failed = kept->count - verified;
    if (kept->count < ROWS_TO_HOLD || (double)failed > SPOILED_SHARE * (double)kept->count)
        return false;
    check->verified = verified;
    check->failed = failed;
    return true;
}

static void drop_at(struct page_parts *page, const struct lt_bits *place)
{
    for (size_t i = page->check_count; i-- > 0;)
        if (lt_bits_overlap(&page->checks[i].place, place))
            drop_check(page, i);
}

static enum lt_code move_to_whole(struct parts *parts, struct frame_parts *frame,
                                  const struct lt_check_found *check)
{
    struct lt_bits place = check->place;
    drop_at(&frame->pages[0], &place);
    if (!keep_checks(parts, &frame->pages[0], check, 1))
        return parts_no_memory(parts);
    for (size_t i = 1; i < frame->page_count; i++)
        drop_at(&frame->pages[i], &place);
    return LT_OK;
}

/* Where each page has a constant of its own, and pages are few, a map over the whole frame takes
 * the selector's bits for what enters: of a map and of forms on most pages the forms are right. */
static void settle_maps(struct frame_parts *frame)
{
    struct page_parts *whole = &frame->pages[0];
    size_t named = 0;
    if (!has_map(whole) || is_explained(whole))
        return;
    for (size_t i = 1; i < frame->page_count; i++) {
        bool has = false;
        for (size_t c = 0; c < frame->pages[i].check_count; c++)
            has = has || is_named(&frame->pages[i].checks[c]);
        named += has;
    }
    if (named >= 2 && 2 * named >= frame->page_count - 1) {
        for (size_t c = whole->check_count; c-- > 0;)
            if (is_map(&whole->checks[c]))
                drop_check(whole, c);
        return;
    }
    for (size_t i = 1; i < frame->page_count; i++)
        frame->pages[i].check_count = 0;
}

/* A check of one page that holds on all rows; and nothing is authenticated that a page explains. */
static enum lt_code settle_whole(struct parts *parts, struct frame_parts *frame)
{
    settle_maps(frame);
    for (size_t i = 1; i < frame->page_count; i++) {
        struct page_parts *page = &frame->pages[i];
        for (size_t c = 0; c < page->check_count; c++) {
            struct lt_check_found check = page->checks[c];
            if (check.form != LT_CHECK_FOUND || check.checksum.family == LT_CHECK_AFFINE)
                continue;
            check.checksum.has_page = false;
            if (!holds_on(&frame->stream->kept, &check)) {
                drop_at(&frame->pages[0], &check.place);
                continue;
            }
            enum lt_code code = move_to_whole(parts, frame, &check);
            if (code != LT_OK)
                return code;
            c = (size_t)-1; /* the list is another now */
        }
    }
    for (size_t c = 0; c < frame->pages[0].check_count; c++)
        for (size_t i = 1; i < frame->page_count; i++)
            drop_at(&frame->pages[i], &frame->pages[0].checks[c].place);
    return LT_OK;
}

/* --- forms that makers use again --- */

struct form {
    const struct lt_checksum *checksum;
    size_t frames;
};

/* The same algorithm, wherever it lies and whatever constant of its own a frame gives it. */
static bool same_form(const struct lt_checksum *a, const struct lt_checksum *b)
{
    return a->family == b->family && a->width == b->width && a->poly == b->poly &&
           a->reflect == b->reflect && a->complement == b->complement && a->start == b->start &&
           a->init == b->init && a->xorout == b->xorout && a->with_id == b->with_id &&
           a->with_length == b->with_length && a->data_id_mode == b->data_id_mode &&
           a->data_id_count == b->data_id_count && a->data_id_before == b->data_id_before &&
           lt_bits_length(&a->place) == lt_bits_length(&b->place);
}

static size_t add_form(struct form *forms, size_t count, const struct lt_checksum *checksum)
{
    for (size_t i = 0; i < count; i++) {
        if (same_form(forms[i].checksum, checksum)) {
            forms[i].frames++;
            return count;
        }
    }
    if (count < FORMS_MAX)
        forms[count++] = (struct form){checksum, 1};
    return count;
}

static int by_use(const void *a, const void *b)
{
    const struct form *one = a, *other = b;
    return (one->frames < other->frames) - (one->frames > other->frames);
}

/* Most used first; equally used ones as they were found. */
static size_t gather_forms(const struct parts *parts, struct form forms[FORMS_MAX])
{
    size_t count = 0;
    for (size_t f = 0; f < parts->frame_count; f++)
        for (size_t p = 0; p < parts->frames[f].page_count; p++) {
            const struct page_parts *page = &parts->frames[f].pages[p];
            for (size_t c = 0; c < page->check_count; c++)
                if (page->checks[c].form == LT_CHECK_FOUND &&
                    page->checks[c].checksum.family != LT_CHECK_AFFINE)
                    count = add_form(forms, count, &page->checks[c].checksum);
        }
    for (size_t i = 1; i < count; i++) /* insertion: stable, which qsort is not */
        for (size_t k = i; k > 0 && by_use(&forms[k - 1], &forms[k]) > 0; k--) {
            struct form swap = forms[k];
            forms[k] = forms[k - 1];
            forms[k - 1] = swap;
        }
    return count;
}

struct known_forms {
    size_t count;
    struct form forms[FORMS_MAX];
};

static enum lt_code transfer_to_page(struct parts *parts, struct frame_parts *frame,
                                     struct page_parts *page, void *context)
{
    const struct known_forms *known = context;
    struct lt_counter_found counters[2 * LT_COUNTERS_MAX];
    size_t counter_count = gather_counters(frame, page, counters);
    enum lt_code code = LT_OK;
    struct lt_arena scratch;
    if (frame->pages[0].check_count || page->check_count)
        return LT_OK;
    const struct lt_checksum *forms[FORMS_MAX];
    struct lt_check_found found;
    for (size_t i = 0; i < known->count; i++)
        forms[i] = known->forms[i].checksum;
    lt_arena_init(&scratch, SCRATCH_CEILING);
    if (lt_check_transfer_any(&page->kept, forms, known->count, counters, counter_count, &scratch,
                              &found) &&
        !keep_checks(parts, page, &found, 1))
        code = parts_no_memory(parts);
    lt_arena_release(&scratch);
    return code;
}

static enum lt_code transfer_all(struct parts *parts)
{
    struct known_forms known;
    enum lt_code code = LT_OK;
    known.count = gather_forms(parts, known.forms);
    for (size_t i = 0; i < parts->frame_count && known.count && code == LT_OK; i++)
        code = parts_each_page(parts, &parts->frames[i], transfer_to_page, &known);
    return code;
}

enum lt_code parts_find_checks(struct parts *parts)
{
    const size_t *order = parts_by_rows(parts);
    enum lt_code code = order ? LT_OK : parts_no_memory(parts);
    parts->pool.left = LT_WORK_POOL;
    for (size_t i = 0; i < parts->frame_count && code == LT_OK; i++) {
        struct frame_parts *frame = &parts->frames[order[i]];
        parts_tell(parts, 0, i);
        code = parts_each_page(parts, frame, look_at_page, NULL);
        if (code == LT_OK && frame->paged)
            code = settle_whole(parts, frame);
        if (code == LT_OK && frame->paged)
            code = share_all_counters(parts, frame);
    }
    return code == LT_OK ? transfer_all(parts) : code;
}
