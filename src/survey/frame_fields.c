/* From streams to fields: for every frame its counters, its checksums and then its fields, in this
 * order, for that a check is found beside known counters, and a field's end is only sure beside
 * both.
 *
 * Fields are looked for twice. Where a frame by itself does not say its byte order, its other pages
 * do, and then the bus's other frames: what they are sure of in the first round counts as votes in
 * the second. */
#include "loomtap/survey/fields.h"
#include "survey/parts.h"

#define KEEP_CEILING    ((size_t)192 << 20)
#define SCRATCH_CEILING ((size_t)96 << 20)

#define SURE_OF_ORDER  0.85 /* a field at least so sure votes */
#define VOTES_FOR_HALF 2.0  /* so many votes give half the trust */
#define TRUST_IN_FRAME 0.95 /* frames that mix orders are rare ... */
#define TRUST_IN_BUS   0.6  /* ... buses with controllers of two makers are not */

struct votes {
    uint64_t intel, motorola;
};

struct rounds {
    struct votes bus[LT_BUSES_MAX];
    struct votes *frame; /* one a frame of the survey */
};

/* --- byte order --- */

static void vote(struct votes *votes, const struct page_parts *page)
{
    for (size_t i = 0; i < page->field_count; i++) {
        const struct lt_survey_field *field = &page->fields[i];
        if (field->kind != LT_FIELD_PHYSICAL || field->confidence < SURE_OF_ORDER)
            continue;
        votes->intel += field->order == LT_ORDER_INTEL;
        votes->motorola += field->order == LT_ORDER_MOTOROLA;
    }
}

static double prior_of(const struct votes *votes, double trust)
{
    double intel = (double)votes->intel, motorola = (double)votes->motorola;
    return trust * (motorola - intel) / (motorola + intel + VOTES_FOR_HALF);
}

/* --- one page --- */

/* The counts of the page, or of the whole; made from its rows where the collector had no room for
 * them. */
static enum lt_code moments_of(const struct frame_parts *frame, const struct page_parts *page,
                               struct lt_moments **ret_moments, struct lt_moments **ret_own,
                               struct lt_error *error)
{
    *ret_own = NULL;
    *ret_moments = page->page ? page->page->moments : frame->stream->all;
    if (*ret_moments)
        return LT_OK;
    enum lt_code code = lt_moments_new(ret_own, page->kept.key.length, error);
    if (code == LT_OK) {
        lt_moments_add_kept(*ret_own, &page->kept);
        *ret_moments = *ret_own;
    }
    return code;
}

static enum lt_code keep_fields(struct parts *parts, struct page_parts *page,
                                const struct lt_survey_field *fields, size_t count)
{
    page->field_count = 0;
    page->fields = lt_arena_array(&parts->keep, count, sizeof *fields);
    for (size_t i = 0; i < count && page->fields; i++)
        page->fields[page->field_count++] = parts_copy_field(&parts->keep, &fields[i]);
    return parts->keep.failed ? parts_no_memory(parts) : LT_OK;
}

static enum lt_code list_fields_left(const struct page_parts *page, const struct lt_bit_set *taken,
                                     struct lt_moments *moments, struct lt_arena *scratch,
                                     struct lt_survey_field **ret_fields, size_t *ret_count,
                                     const struct parts *parts)
{
    *ret_fields = lt_arena_array(scratch, LT_FIELDS_MAX, sizeof **ret_fields);
    if (!*ret_fields)
        return parts_no_memory(parts);
    *ret_count = parts_fields_left(page, taken, moments, *ret_fields);
    return LT_OK;
}

static enum lt_code find_fields(struct parts *parts, struct frame_parts *frame,
                                struct page_parts *page, double order_prior)
{
    struct lt_moments *moments = NULL, *own = NULL;
    struct lt_survey_field *fields = NULL;
    size_t count = 0;
    struct lt_bit_set taken = parts_taken(frame, page);
    enum lt_code code = moments_of(frame, page, &moments, &own, parts->work->error);
    if (code != LT_OK)
        return code;
    struct lt_fields_input input = {
        .kept = &page->kept,
        .moments = moments,
        .taken = &taken,
        .order_prior = order_prior,
    };
    struct lt_arena scratch;
    struct lt_work work = parts_begin_work(parts, page);
    lt_arena_init(&scratch, SCRATCH_CEILING);
    if (lt_work_take(&work, parts_field_steps(page, &taken, moments)))
        code = lt_fields_find(&input, &scratch, &fields, &count, parts->work->error);
    else if (page->field_count == 0)
        code = list_fields_left(page, &taken, moments, &scratch, &fields, &count, parts);
    parts_end_work(parts, frame, &work);
    if (code == LT_OK && fields)
        code = keep_fields(parts, page, fields, count);
    lt_arena_release(&scratch);
    lt_moments_free(own);
    return code;
}

static bool has_common(const struct frame_parts *frame)
{
    uint64_t any = 0;
    for (size_t w = 0; w < 8; w++)
        any |= frame->common.word[w];
    return any != 0;
}

/* --- the two rounds --- */

static enum lt_code look_first(struct parts *parts, struct frame_parts *frame,
                               struct page_parts *page, void *context)
{
    struct rounds *rounds = context;
    if (frame->paged && !page->page && !has_common(frame))
        return LT_OK;
    enum lt_code code = find_fields(parts, frame, page, 0);
    vote(&rounds->frame[frame->index], page);
    vote(&rounds->bus[frame->stream->key.bus], page);
    return code;
}

static bool is_settled(const struct page_parts *page)
{
    for (size_t i = 0; i < page->field_count; i++) {
        const struct lt_survey_field *field = &page->fields[i];
        if (field->kind != LT_FIELD_CONSTANT && field->kind != LT_FIELD_FLAG &&
            field->confidence < SURE_OF_ORDER)
            return false;
    }
    return true;
}

static enum lt_code look_again(struct parts *parts, struct frame_parts *frame,
                               struct page_parts *page, void *context)
{
    const struct rounds *rounds = context;
    const struct votes *own = &rounds->frame[frame->index];
    double prior = own->intel + own->motorola
                       ? prior_of(own, TRUST_IN_FRAME)
                       : prior_of(&rounds->bus[frame->stream->key.bus], TRUST_IN_BUS);
    return is_settled(page) || prior == 0 ? LT_OK : find_fields(parts, frame, page, prior);
}

static enum lt_code extend_common(struct parts *parts, struct frame_parts *frame)
{
    struct lt_arena scratch;
    if (!frame->paged || !has_common(frame))
        return LT_OK;
    lt_arena_init(&scratch, SCRATCH_CEILING);
    bool fine = parts_extend_common(frame, &scratch);
    lt_arena_release(&scratch);
    return fine ? LT_OK : parts_no_memory(parts);
}

static enum lt_code find_all_fields(struct parts *parts)
{
    struct rounds rounds = {.frame = lt_arena_array(&parts->keep, parts->work->survey->frame_count,
                                                    sizeof *rounds.frame)};
    const size_t *order = parts_by_rows(parts);
    enum lt_code code = rounds.frame && order ? LT_OK : parts_no_memory(parts);
    parts->pool.left = LT_WORK_POOL;
    for (size_t i = 0; i < parts->frame_count && code == LT_OK; i++)
        code = extend_common(parts, &parts->frames[i]);
    for (unsigned round = 1; round < 3; round++) {
        parts_fn look = round == 1 ? look_first : look_again;
        for (size_t i = 0; i < parts->frame_count && code == LT_OK; i++) {
            parts_tell(parts, round, i);
            code = parts_each_page(parts, &parts->frames[order[i]], look, &rounds);
        }
    }
    return code;
}

enum lt_code survey_fields(struct survey_work *work)
{
    struct parts parts = {.work = work};
    lt_arena_init(&parts.keep, KEEP_CEILING);
    enum lt_code code = parts_new(&parts);
    if (code == LT_OK)
        code = parts_find_checks(&parts);
    if (code == LT_OK)
        code = find_all_fields(&parts);
    for (size_t i = 0; i < parts.frame_count && code == LT_OK; i++)
        code = parts_merge(&parts, &parts.frames[i]);
    lt_arena_release(&parts.keep);
    return code;
}
