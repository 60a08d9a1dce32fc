/* Pages of frames while a survey is made (parts.h). */
#include "survey/parts.h"

#include <stdlib.h>

#define ROWS_CEILING ((size_t)96 << 20)

enum lt_code parts_no_memory(const struct parts *parts)
{
    return lt_fail(parts->work->error, LT_E_MEMORY, "out of memory for the survey");
}

static bool add_pages(struct parts *parts, struct frame_parts *frame)
{
    const struct lt_stream *stream = frame->stream;
    frame->paged = stream->selector.present;
    frame->page_count = stream->page_count + frame->paged;
    frame->pages = lt_arena_array(&parts->keep, frame->page_count, sizeof *frame->pages);
    if (!frame->pages)
        return false;
    if (frame->paged) {
        frame->common = stream->selector.common;
        frame->pages[0].period_ns = stream->timing.cyclic ? stream->timing.period_ns : 0;
    }
    for (size_t i = 0; i < stream->page_count; i++) {
        struct page_parts *page = &frame->pages[i + frame->paged];
        page->page = &stream->pages[i];
        page->period_ns = stream->pages[i].period_ns;
    }
    for (size_t i = 0; i < frame->page_count; i++)
        frame->pages[i].kept.key = stream->key;
    return true;
}

struct lt_work parts_begin_work(const struct parts *parts, const struct page_parts *page)
{
    return lt_work_begin(&parts->pool, page->kept.count, page->kept.key.length);
}

void parts_end_work(struct parts *parts, struct frame_parts *frame, const struct lt_work *work)
{
    frame->frame->cut_short = frame->frame->cut_short || work->cut;
    lt_work_end(&parts->pool, work);
}

void parts_tell(const struct parts *parts, unsigned round, size_t done)
{
    const struct lt_survey_options *options = parts->work->options;
    if (options->progress)
        options->progress(options->context, round * parts->frame_count + done,
                          3 * parts->frame_count);
}

struct rows_of {
    size_t rows, index;
};

static int by_rows(const void *a, const void *b)
{
    const struct rows_of *x = a, *y = b;
    if (x->rows != y->rows)
        return x->rows > y->rows ? -1 : 1;
    return x->index < y->index ? -1 : x->index > y->index;
}

const size_t *parts_by_rows(struct parts *parts)
{
    struct rows_of *rows = lt_arena_array(&parts->keep, parts->frame_count + 1, sizeof *rows);
    size_t *order = lt_arena_array(&parts->keep, parts->frame_count + 1, sizeof *order);
    if (!rows || !order)
        return NULL;
    for (size_t i = 0; i < parts->frame_count; i++)
        rows[i] = (struct rows_of){parts->frames[i].stream->kept.count, i};
    qsort(rows, parts->frame_count, sizeof *rows, by_rows);
    for (size_t i = 0; i < parts->frame_count; i++)
        order[i] = rows[i].index;
    return order;
}

enum lt_code parts_new(struct parts *parts)
{
    struct lt_survey *survey = parts->work->survey;
    parts->frames = lt_arena_array(&parts->keep, survey->frame_count, sizeof *parts->frames);
    if (!parts->frames)
        return parts_no_memory(parts);
    for (size_t i = 0; i < survey->frame_count; i++) {
        struct lt_survey_frame *frame = &survey->frames[i];
        if (frame->diagnostic || frame->stream->key.length == 0)
            continue;
        struct frame_parts *one = &parts->frames[parts->frame_count++];
        *one = (struct frame_parts){.index = i, .frame = frame, .stream = frame->stream};
        frame->cut_short = frame->stream->cut_short;
        if (!add_pages(parts, one))
            return parts_no_memory(parts);
    }
    return LT_OK;
}

static enum lt_code bring_rows(struct parts *parts, const struct frame_parts *frame,
                               struct page_parts *page, struct lt_arena *rows)
{
    if (!frame->paged || !page->page) {
        page->kept = frame->stream->kept;
        return LT_OK;
    }
    return lt_kept_page(&frame->stream->kept, &frame->stream->selector.bits, page->page->value,
                        page->period_ns, rows, &page->kept, parts->work->error);
}

enum lt_code parts_each_page(struct parts *parts, struct frame_parts *frame, parts_fn with,
                             void *context)
{
    enum lt_code code = LT_OK;
    for (size_t i = 0; i < frame->page_count && code == LT_OK; i++) {
        struct page_parts *page = &frame->pages[i];
        struct lt_arena rows;
        lt_arena_init(&rows, ROWS_CEILING);
        code = bring_rows(parts, frame, page, &rows);
        if (code == LT_OK)
            code = with(parts, frame, page, context);
        page->kept = (struct lt_kept){.key = frame->stream->key};
        lt_arena_release(&rows);
    }
    return code;
}

void parts_take(struct lt_bit_set *taken, const struct page_parts *page, bool explained)
{
    for (size_t i = 0; i < page->counter_count; i++) {
        struct lt_bits bits = {1, {page->counters[i].bits}};
        lt_bit_set_add_bits(taken, &bits);
    }
    for (size_t i = 0; i < page->check_count; i++)
        if (!explained || page->checks[i].form == LT_CHECK_FOUND)
            lt_bit_set_add_bits(taken, &page->checks[i].place);
}

struct lt_bit_set parts_taken(const struct frame_parts *frame, const struct page_parts *page)
{
    struct lt_bit_set taken = {{0}};
    if (!frame->paged) {
        parts_take(&taken, page, false);
        return taken;
    }
    lt_bit_set_add_bits(&taken, &frame->stream->selector.bits);
    parts_take(&taken, &frame->pages[0], false);
    for (size_t w = 0; w < 8; w++)
        taken.word[w] |= page->page ? frame->common.word[w] : ~frame->common.word[w];
    if (page->page)
        parts_take(&taken, page, false);
    /* A check with a constant of its own on each page may lie in common bits. */
    for (size_t i = 1; i < frame->page_count && !page->page; i++)
        parts_take(&taken, &frame->pages[i], false);
    return taken;
}

struct lt_check_found parts_copy_check(struct lt_arena *arena, const struct lt_check_found *check)
{
    struct lt_check_found copy = *check;
    copy.why = lt_arena_string(arena, check->why ? check->why : "");
    if (check->checksum.affine) {
        struct lt_affine *affine = lt_arena_alloc(arena, sizeof *affine);
        if (affine)
            *affine = *check->checksum.affine;
        copy.checksum.affine = affine;
    }
    return copy;
}

struct lt_survey_field parts_copy_field(struct lt_arena *arena, const struct lt_survey_field *field)
{
    struct lt_survey_field copy = *field;
    copy.why = lt_arena_string(arena, field->why ? field->why : "");
    if (field->text)
        copy.text = lt_arena_string(arena, field->text);
    if (field->page_count) {
        uint16_t *pages = lt_arena_array(arena, field->page_count, sizeof *pages);
        if (pages)
            memcpy(pages, field->pages, field->page_count * sizeof *pages);
        copy.pages = pages;
    }
    if (field->kind == LT_FIELD_CHECKSUM)
        copy.check = parts_copy_check(arena, &field->check);
    return copy;
}
