/* What the pages of a frame have becomes the frame's list of fields.
 *
 * Counters and checks that are the same on every page become one field for all of them; so do
 * constant bits of one value. A field that has the same bits, order, sign and kind on every page is
 * one field only if its course says so: a step from the frame before it, on another page, must be
 * no larger than the step from the frame before it on its own page, which lies longer ago. Two
 * quantities that share a place jump from page to page.
 *
 * What is the same on some pages is one field with these pages as its list where it stands still,
 * and a field for each page where it moves. */
#include <math.h>
#include <stdlib.h>

#include "survey/parts.h"

#define PAGE_VALUES 65536u /* a selector's values are 16 bits */

struct entry {
    struct lt_survey_field field;
    size_t first_page; /* index in frame_parts.pages of the first it is on */
    size_t page_count;
    uint16_t *pages; /* their selector values; room for all */
};

struct last_seen {
    bool seen;
    double value;
};

struct merge {
    struct parts *parts;
    struct frame_parts *frame;
    struct lt_arena scratch;
    struct entry *list;
    size_t count, capacity;
    struct last_seen *last; /* by selector value, 65536 of them; made when first needed */
};

/* --- counters and checks as fields --- */

/* Least and greatest value among the frame's rows; other figures are not counted for these. */
static void note_range(const struct lt_kept *kept, struct lt_survey_field *field)
{
    field->raw_min = UINT64_MAX;
    for (size_t i = 0; i < kept->count; i++) {
        uint64_t raw = lt_bits_get(lt_kept_row(kept, i), &field->bits);
        field->raw_min = raw < field->raw_min ? raw : field->raw_min;
        field->raw_max = raw > field->raw_max ? raw : field->raw_max;
    }
    if (!kept->count)
        field->raw_min = 0;
}

static struct lt_survey_field counter_field(struct merge *merge,
                                            const struct lt_counter_found *counter)
{
    struct lt_survey_field field = {
        .bits = {1, {counter->bits}},
        .order = lt_span_order(counter->bits),
        .kind = LT_FIELD_COUNTER,
        .confidence = counter->confidence,
        .eta = NAN,
        .distinct = counter->modulus,
        .changes = counter->kept_steps + counter->other_steps,
        .counter = *counter,
    };
    field.why = survey_text(&merge->parts->keep, "goes up by %u modulo %u%s: %llu steps, %llu not",
                            (unsigned)counter->step, (unsigned)counter->modulus,
                            counter->on_change ? " when something else changes" : "",
                            (unsigned long long)counter->kept_steps,
                            (unsigned long long)counter->other_steps);
    note_range(&merge->frame->stream->kept, &field);
    return field;
}

static struct lt_survey_field check_field(struct merge *merge, const struct lt_check_found *check)
{
    struct lt_survey_field field = {
        .bits = check->place,
        .order = lt_bits_order(&check->place),
        .kind = LT_FIELD_CHECKSUM,
        .confidence = check->confidence,
        .why = check->why ? check->why : "",
        .eta = NAN,
        .check = *check,
    };
    note_range(&merge->frame->stream->kept, &field);
    return field;
}

/* --- the list --- */

static bool same_check(const struct lt_check_found *a, const struct lt_check_found *b)
{
    char one[512], other[512];
    if (a->form != b->form)
        return false;
    if (a->form == LT_CHECK_AUTHENTICATED)
        return true;
    if (a->checksum.family == LT_CHECK_AFFINE || b->checksum.family == LT_CHECK_AFFINE)
        return a->checksum.family == b->checksum.family &&
               memcmp(a->checksum.affine, b->checksum.affine, sizeof *a->checksum.affine) == 0;
    struct lt_checksum first = a->checksum, second = b->checksum;
    first.has_page = second.has_page = false;
    lt_checksum_print(&first, one, sizeof one);
    lt_checksum_print(&second, other, sizeof other);
    return strcmp(one, other) == 0;
}

/* Alike but for the page. */
static bool alike(const struct lt_survey_field *a, const struct lt_survey_field *b)
{
    if (a->kind != b->kind || a->order != b->order || a->sign != b->sign ||
        !lt_bits_equal(&a->bits, &b->bits))
        return false;
    switch (a->kind) {
    case LT_FIELD_COUNTER:
        return a->counter.modulus == b->counter.modulus && a->counter.step == b->counter.step;
    case LT_FIELD_CHECKSUM:
        return same_check(&a->check, &b->check);
    case LT_FIELD_CONSTANT:
        return a->raw_min == b->raw_min && a->raw_max == b->raw_max;
    case LT_FIELD_TEXT:
        return (a->text == NULL) == (b->text == NULL) &&
               (!a->text || strcmp(a->text, b->text) == 0);
    default:
        return true;
    }
}

/* What two pages saw of one field, together. */
static void join(struct lt_survey_field *into, const struct lt_survey_field *from)
{
    into->confidence = fmax(into->confidence, from->confidence);
    into->sign_exercised |= from->sign_exercised;
    into->changes += from->changes;
    into->distinct = into->distinct > from->distinct ? into->distinct : from->distinct;
    into->counter.kept_steps += from->counter.kept_steps;
    into->counter.other_steps += from->counter.other_steps;
    into->check.verified += from->check.verified;
    into->check.failed += from->check.failed;
    into->check.distinct += from->check.distinct;
}

static bool add(struct merge *merge, size_t page, const struct lt_survey_field *field)
{
    const struct lt_page *own = merge->frame->pages[page].page;
    struct entry *entry = NULL;
    for (size_t i = 0; i < merge->count && !entry && own; i++)
        if (merge->list[i].page_count && alike(&merge->list[i].field, field))
            entry = &merge->list[i];
    if (entry) {
        join(&entry->field, field);
    } else {
        entry = lt_arena_push(&merge->scratch, &merge->list, &merge->count, &merge->capacity,
                              sizeof *merge->list);
        if (!entry)
            return false;
        *entry = (struct entry){.field = *field, .first_page = page};
        entry->pages =
            lt_arena_array(&merge->scratch, merge->frame->page_count, sizeof *entry->pages);
        if (!entry->pages)
            return false;
    }
    if (own && merge->frame->paged)
        entry->pages[entry->page_count++] = (uint16_t)own->value;
    return true;
}

static bool add_page(struct merge *merge, size_t index)
{
    const struct page_parts *page = &merge->frame->pages[index];
    bool fine = true;
    for (size_t i = 0; i < page->counter_count && fine; i++) {
        struct lt_survey_field field = counter_field(merge, &page->counters[i]);
        fine = add(merge, index, &field);
    }
    for (size_t i = 0; i < page->check_count && fine; i++) {
        struct lt_survey_field field = check_field(merge, &page->checks[i]);
        fine = add(merge, index, &field);
    }
    for (size_t i = 0; i < page->field_count && fine; i++)
        fine = add(merge, index, &page->fields[i]);
    return fine;
}

/* --- one quantity on all pages, or several in one place --- */

static struct last_seen *fresh_last(struct merge *merge)
{
    if (!merge->last)
        merge->last = lt_arena_array(&merge->scratch, PAGE_VALUES, sizeof *merge->last);
    else
        memset(merge->last, 0, PAGE_VALUES * sizeof *merge->last);
    return merge->last;
}

/* Mean square steps: from the row before it on its own page, and from the row before it where that
 * was another page. */
static bool is_one_course(struct merge *merge, const struct lt_survey_field *field)
{
    const struct lt_stream *stream = merge->frame->stream;
    double own = 0, other = 0, before = 0;
    uint64_t own_count = 0, other_count = 0, page_before = UINT64_MAX;
    struct last_seen *last = fresh_last(merge);
    for (size_t i = 0; i < stream->kept.count && last; i++) {
        const uint8_t *row = lt_kept_row(&stream->kept, i);
        uint64_t page = lt_bits_get(row, &stream->selector.bits) % PAGE_VALUES;
        double value = survey_number(field, lt_bits_get(row, &field->bits));
        if (last[page].seen) {
            own += (value - last[page].value) * (value - last[page].value);
            own_count++;
        }
        if (page_before != UINT64_MAX && page_before != page &&
            stream->kept.flags[i] & LT_KEPT_FOLLOWS) {
            other += (value - before) * (value - before);
            other_count++;
        }
        last[page] = (struct last_seen){true, value};
        page_before = page;
        before = value;
    }
    return own > 0 && own_count && other_count &&
           other / (double)other_count <= own / (double)own_count;
}

static bool always_merges(enum lt_field_kind kind)
{
    return kind == LT_FIELD_COUNTER || kind == LT_FIELD_CHECKSUM || kind == LT_FIELD_CONSTANT ||
           kind == LT_FIELD_TEXT;
}

/* --- the result --- */

static int by_place(const void *a, const void *b)
{
    const struct lt_survey_field *one = a, *other = b;
    unsigned first = lt_span_position(one->bits.part[0], 0),
             second = lt_span_position(other->bits.part[0], 0);
    /* By byte upwards, inside it from bit 7 down, as the strip of a frame reads. */
    first = (first & ~7u) | (7 - (first & 7));
    second = (second & ~7u) | (7 - (second & 7));
    if (first != second)
        return first < second ? -1 : 1;
    unsigned page = one->page_count ? one->pages[0] : 0,
             page_other = other->page_count ? other->pages[0] : 0;
    if (page != page_other)
        return page < page_other ? -1 : 1;
    unsigned length = lt_bits_length(&one->bits), length_other = lt_bits_length(&other->bits);
    return (length > length_other) - (length < length_other);
}

struct output {
    struct lt_survey_field *fields;
    size_t count, capacity;
};

static bool give(struct merge *merge, struct output *output, const struct lt_survey_field *field,
                 const uint16_t *pages, size_t page_count)
{
    struct lt_arena *arena = merge->parts->work->arena;
    struct lt_survey_field *out = lt_arena_push(&merge->scratch, &output->fields, &output->count,
                                                &output->capacity, sizeof *out);
    if (!out)
        return false;
    struct lt_survey_field with_pages = *field;
    with_pages.pages = page_count ? pages : NULL;
    with_pages.page_count = page_count;
    *out = parts_copy_field(arena, &with_pages);
    /* Of a page that is none nothing is right; but a check was tried on every frame of it. */
    if (page_count && out->kind != LT_FIELD_CHECKSUM)
        out->confidence *= merge->frame->stream->selector.confidence;
    if (out->kind == LT_FIELD_CHECKSUM) {
        out->check.checksum.has_page = page_count == 1;
        out->check.checksum.page = page_count == 1 ? pages[0] : 0;
    }
    return true;
}

/* The field as each page found it, page by page. */
static bool give_each(struct merge *merge, struct output *output, const struct entry *entry)
{
    bool fine = true;
    for (size_t p = merge->frame->paged; p < merge->frame->page_count && fine; p++) {
        const struct page_parts *page = &merge->frame->pages[p];
        uint16_t value = (uint16_t)page->page->value;
        for (size_t i = 0; i < page->field_count && fine; i++)
            if (alike(&page->fields[i], &entry->field))
                fine = give(merge, output, &page->fields[i], &value, 1);
    }
    return fine;
}

static bool give_entry(struct merge *merge, struct output *output, const struct entry *entry)
{
    size_t pages = merge->frame->page_count - merge->frame->paged;
    const struct lt_survey_field *field = &entry->field;
    if (!merge->frame->paged || entry->page_count == 0)
        return give(merge, output, field, NULL, 0);
    if (always_merges(field->kind)) {
        bool everywhere = entry->page_count == pages;
        return give(merge, output, field, everywhere ? NULL : entry->pages,
                    everywhere ? 0 : entry->page_count);
    }
    if (entry->page_count == pages && pages > 1 && is_one_course(merge, field))
        return give(merge, output, field, NULL, 0);
    return give_each(merge, output, entry);
}

static enum lt_code finish(struct merge *merge)
{
    struct lt_survey_frame *frame = merge->frame->frame;
    struct output output = {0};
    bool fine = true;
    for (size_t i = 0; i < merge->count && fine; i++)
        fine = give_entry(merge, &output, &merge->list[i]);
    struct lt_arena *arena = merge->parts->work->arena;
    frame->fields = lt_arena_array(arena, output.count, sizeof *frame->fields);
    if (!fine || !frame->fields || arena->failed)
        return parts_no_memory(merge->parts);
    if (output.count) {
        qsort(output.fields, output.count, sizeof *output.fields, by_place);
        memcpy(frame->fields, output.fields, output.count * sizeof *output.fields);
    }
    frame->field_count = output.count;
    for (size_t i = 0; i < output.count; i++)
        frame->authenticated |= frame->fields[i].kind == LT_FIELD_CHECKSUM &&
                                frame->fields[i].check.form == LT_CHECK_AUTHENTICATED;
    return LT_OK;
}

enum lt_code parts_merge(struct parts *parts, struct frame_parts *frame)
{
    struct merge merge = {.parts = parts, .frame = frame};
    enum lt_code code = LT_OK;
    lt_arena_init(&merge.scratch, 0);
    for (size_t i = 0; i < frame->page_count && code == LT_OK; i++)
        if (!add_page(&merge, i))
            code = parts_no_memory(parts);
    if (code == LT_OK)
        code = finish(&merge);
    lt_arena_release(&merge.scratch);
    return code;
}
