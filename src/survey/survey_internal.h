/* How the parts of a survey work together. survey.c makes the frames and their fields; then each of
 * the whole-bus parts below looks at all of them and fills its own members of the result.
 *
 * Order of work:
 *     survey_diagnostics   which frames are questions and answers of diagnostics: no fields there
 *     survey_fields        counters, checksums and fields of every other frame
 *     survey_copies        the same frame behind a gateway
 *     survey_groups        the same quantity in several places
 *     survey_activity      frames that come only with something
 *     survey_buses         load, protocols, what a person should know of each bus
 *
 * All frames and buses exist before the first of them: `survey->frames` has one element for each
 * stream of the collector, in its order, with `stream` and `bus` set; `survey->buses` one for each
 * bus of the reader's list (`stream->key.bus` is the index), with `name` and `frames` set. A bus
 * may have no frames. */
#ifndef LOOMTAP_SRC_SURVEY_SURVEY_INTERNAL_H
#define LOOMTAP_SRC_SURVEY_SURVEY_INTERNAL_H

#include "loomtap/core/value.h"
#include "loomtap/survey/survey.h"

struct survey_work {
    const struct lt_collect *collect;
    const struct lt_survey_options *options;
    struct lt_survey *survey; /* being filled */
    struct lt_arena *arena;   /* the survey's: what stays */
    struct lt_arena *scratch; /* emptied after each part: nothing of the result may lie in it */
    struct lt_error *error;
};

/* What lt_survey_make really allocates: the result and, behind it, what the second reading keeps of
 * each frame (verify.c). */
struct survey_follow;
struct survey_whole {
    struct lt_survey survey;      /* first: the public pointer is this one's */
    struct survey_follow *follow; /* verify.c */
};

/* verify.c: after everything else. False: out of memory. */
bool survey_prepare_verify(struct survey_work *work);

/* diagnostics.c: sets `diagnostic` of frames that carry questions or answers (and J1939 transport,
 * whose bytes are pieces of something longer). */
enum lt_code survey_diagnostics(struct survey_work *work);
/* frame_fields.c: fields, `authenticated`, for every frame that is not `diagnostic`. */
enum lt_code survey_fields(struct survey_work *work);

/* copies.c: `copy_of`, `copy_delay_s`. */
enum lt_code survey_copies(struct survey_work *work);
/* groups.c: `groups` and the fields' `group`. */
enum lt_code survey_groups(struct survey_work *work);
/* activity.c: `only_with_activity`. */
enum lt_code survey_activity(struct survey_work *work);
/* bus.c: everything of `buses` but name and frames; the frames' `pgn_name` and `say`. */
enum lt_code survey_buses(struct survey_work *work);

/* What looks like a selector in diagnostics is the transport's. */
static inline bool survey_is_paged(const struct lt_survey_frame *frame)
{
    return frame->stream->selector.present && !frame->diagnostic;
}

/* Is the field there while the selector holds `page`? One without a list is on every page. */
static inline bool survey_on_page(const struct lt_survey_field *field, uint64_t page)
{
    for (size_t i = 0; i < field->page_count; i++)
        if (field->pages[i] == page)
            return true;
    return !field->pages;
}

/* A raw value as a number, for courses: offset-binary has its zero elsewhere, no other steps. */
static inline double survey_number(const struct lt_survey_field *field, uint64_t raw)
{
    enum lt_sign sign = field->sign == LT_OFFSET_BINARY ? LT_UNSIGNED : field->sign;
    return (double)lt_raw_signed(sign, lt_bits_length(&field->bits), raw);
}

/* A text in the survey's arena; NULL when memory is exhausted (the arena then says `failed`). */
const char *survey_text(struct lt_arena *arena, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

#endif
