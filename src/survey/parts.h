/* What is known of each page of each frame while a survey is made: see frame_fields.c for the order
 * of work. A frame without selector has one page. A frame with one has, before its pages, the
 * *whole*: all its rows together, where counters and checks that run over all pages live, and the
 * fields of the bits that the selector left as common. */
#ifndef LOOMTAP_SRC_SURVEY_PARTS_H
#define LOOMTAP_SRC_SURVEY_PARTS_H

#include "loomtap/measure/work.h"
#include "survey/survey_internal.h"

struct page_parts {
    const struct lt_page *page; /* NULL: the whole of a frame with a selector */
    struct lt_kept kept;        /* rows are there during a call of parts_each_page only */
    int64_t period_ns;
    size_t counter_count, check_count, field_count;
    struct lt_counter_found *counters;
    struct lt_check_found *checks;
    struct lt_survey_field *fields;
};

struct frame_parts {
    size_t index; /* of the frame in the survey */
    struct lt_survey_frame *frame;
    const struct lt_stream *stream;
    bool paged;               /* pages[0] is the whole */
    struct lt_bit_set common; /* where paged: bits looked at on the whole alone */
    size_t page_count;
    struct page_parts *pages;
};

struct parts {
    struct survey_work *work;
    struct lt_arena keep; /* lives as long as the work on fields */
    size_t frame_count;   /* without those of diagnostics */
    struct frame_parts *frames;
    struct lt_work_pool pool; /* of all searches on all pages */
};

enum lt_code parts_new(struct parts *parts);

/* Work on a page, as far as there is any left for it (measure/work.h). What was cut short is noted
 * of the frame. */
struct lt_work parts_begin_work(const struct parts *parts, const struct page_parts *page);
void parts_end_work(struct parts *parts, struct frame_parts *frame, const struct lt_work *work);
/* Frame number `done` of this round is looked at: 0 for checks, 1 and 2 for fields. */
void parts_tell(const struct parts *parts, unsigned round, size_t done);
/* The frames' numbers in `parts->frames`, those with most frames kept first: where the work runs
 * out, the sparse ones lose. NULL: out of memory. */
const size_t *parts_by_rows(struct parts *parts);

typedef enum lt_code (*parts_fn)(struct parts *parts, struct frame_parts *frame,
                                 struct page_parts *page, void *context);
/* Calls `with` for each page of the frame (the whole first), with its rows in place. */
enum lt_code parts_each_page(struct parts *parts, struct frame_parts *frame, parts_fn with,
                             void *context);

/* find_checks.c: counters and checks of every frame. */
enum lt_code parts_find_checks(struct parts *parts);

/* Adds the bits of the page's counters and checks; `explained`: of those checks alone whose form
 * was found. */
void parts_take(struct lt_bit_set *taken, const struct page_parts *page, bool explained);
/* Bits that are known to be something else than a field of this page. */
struct lt_bit_set parts_taken(const struct frame_parts *frame, const struct page_parts *page);

/* fields_common.c: adds to `common` the low ends of what is common already. False: out of memory.
 */
bool parts_extend_common(struct frame_parts *frame, struct lt_arena *scratch);
/* fields_left.c: about what the search for the page's fields takes; and the fields of a page on
 * which it was not done: runs of bits that move, and that do not (room for LT_FIELDS_MAX). */
uint64_t parts_field_steps(const struct page_parts *page, const struct lt_bit_set *taken,
                           struct lt_moments *moments);
size_t parts_fields_left(const struct page_parts *page, const struct lt_bit_set *taken,
                         struct lt_moments *moments, struct lt_survey_field *ret_fields);

/* merge.c: the pages' parts become the frame's fields, in the survey's arena. */
enum lt_code parts_merge(struct parts *parts, struct frame_parts *frame);

/* Copies with all they point to. */
struct lt_survey_field parts_copy_field(struct lt_arena *arena,
                                        const struct lt_survey_field *field);
struct lt_check_found parts_copy_check(struct lt_arena *arena, const struct lt_check_found *check);

enum lt_code parts_no_memory(const struct parts *parts);

#endif
