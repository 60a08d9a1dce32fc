/* The second reading of a capture that was not kept whole (loomtap/survey/survey.h): every frame
 * against the counters and checks that were found on the frames kept.
 *
 * A few frames that do not agree are spoiled frames; many are a claim that was wrong, and its
 * confidence goes. A counter may skip as many steps as frames were lost by their times. */
#include <math.h>

#include "survey/survey_internal.h"

/* What is remembered of one field from frame to frame. */
struct followed {
    bool started;
    uint64_t value;
    int64_t time_ns;
    uint64_t kept, other; /* steps as they should be, and not */
};

struct survey_follow {
    struct followed *fields; /* one a field; NULL: nothing of this frame is to be followed */
};

static bool is_followed(const struct lt_survey_field *field)
{
    return field->kind == LT_FIELD_COUNTER ||
           (field->kind == LT_FIELD_CHECKSUM && field->check.form == LT_CHECK_FOUND);
}

bool survey_prepare_verify(struct survey_work *work)
{
    struct survey_whole *whole = (struct survey_whole *)work->survey;
    size_t count = whole->survey.frame_count;
    whole->follow = lt_arena_array(work->arena, count, sizeof *whole->follow);
    if (!whole->follow)
        return false;
    for (size_t i = 0; i < count; i++) {
        struct lt_survey_frame *frame = &whole->survey.frames[i];
        bool any = false;
        for (size_t k = 0; k < frame->field_count; k++)
            any |= is_followed(&frame->fields[k]);
        if (!any || frame->stream->kept.whole)
            continue;
        whole->follow[i].fields =
            lt_arena_array(work->arena, frame->field_count, sizeof *whole->follow[i].fields);
        if (!whole->follow[i].fields)
            return false;
    }
    return true;
}

/* --- frame by frame --- */

static int compare_keys(const struct lt_stream_key *a, const struct lt_stream_key *b)
{
    if (a->bus != b->bus)
        return a->bus < b->bus ? -1 : 1;
    if (a->extended != b->extended)
        return a->extended < b->extended ? -1 : 1;
    if (a->id != b->id)
        return a->id < b->id ? -1 : 1;
    if (a->length != b->length)
        return a->length < b->length ? -1 : 1;
    return (a->fd > b->fd) - (a->fd < b->fd);
}

/* The frames are in the order of the collector's streams: bus, extended, id, length. */
static size_t find_frame(const struct lt_survey *survey, const struct lt_stream_key *key)
{
    size_t low = 0, high = survey->frame_count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        int order = compare_keys(&survey->frames[middle].stream->key, key);
        if (order == 0)
            return middle;
        if (order < 0)
            low = middle + 1;
        else
            high = middle;
    }
    return SIZE_MAX;
}

static bool on_page(const struct lt_survey_field *field, uint64_t page)
{
    if (!field->pages)
        return true;
    for (size_t i = 0; i < field->page_count; i++)
        if (field->pages[i] == page)
            return true;
    return false;
}

static int64_t period_of(const struct lt_stream *stream, const struct lt_survey_field *field)
{
    if (!stream->timing.cyclic)
        return 0;
    for (size_t i = 0; field->page_count == 1 && i < stream->page_count; i++)
        if (stream->pages[i].value == field->pages[0])
            return stream->pages[i].period_ns;
    return field->pages ? 0 : stream->timing.period_ns;
}

static void follow_counter(struct followed *followed, const struct lt_survey_frame *frame,
                           const struct lt_survey_field *field, const struct lt_frame *data)
{
    const struct lt_counter_found *counter = &field->counter;
    uint64_t value = lt_bits_get(data->data, &field->bits), modulus = counter->modulus;
    int64_t period_ns = period_of(frame->stream, field);
    uint64_t steps = 1;
    if (followed->started && modulus) {
        if (period_ns > 0 && data->time_ns > followed->time_ns)
            steps = (uint64_t)((data->time_ns - followed->time_ns + period_ns / 2) / period_ns);
        steps = steps ? steps : 1;
        uint64_t moved = (value + modulus - followed->value % modulus) % modulus;
        bool as_expected = moved == steps % modulus * counter->step % modulus ||
                           moved == counter->step % modulus || (counter->on_change && moved == 0);
        followed->kept += as_expected;
        followed->other += !as_expected;
    }
    followed->started = true;
    followed->value = value;
    followed->time_ns = data->time_ns;
}

static void follow_check(struct followed *followed, const struct lt_survey_field *field,
                         const struct lt_frame *data)
{
    bool right = lt_checksum_verify(&field->check.checksum, data->data, data->len, data->id,
                                    lt_frame_has(data, LT_FRAME_EXTENDED));
    followed->kept += right;
    followed->other += !right;
}

void lt_survey_verify(struct lt_survey *survey, const struct lt_frame *frame)
{
    struct survey_whole *whole = (struct survey_whole *)survey;
    struct lt_stream_key key = {
        .id = frame->id,
        .bus = frame->bus,
        .extended = lt_frame_has(frame, LT_FRAME_EXTENDED),
        .fd = lt_frame_has(frame, LT_FRAME_FD),
        .length = frame->len,
    };
    if (frame->flags & (LT_FRAME_REMOTE | LT_FRAME_ERROR))
        return;
    size_t at = find_frame(survey, &key);
    if (at == SIZE_MAX || !whole->follow[at].fields)
        return;
    const struct lt_survey_frame *found = &survey->frames[at];
    const struct lt_selector_found *selector = &found->stream->selector;
    uint64_t page = selector->present ? lt_bits_get(frame->data, &selector->bits) : 0;
    for (size_t i = 0; i < found->field_count; i++) {
        const struct lt_survey_field *field = &found->fields[i];
        if (!is_followed(field) || !on_page(field, page))
            continue;
        if (field->kind == LT_FIELD_COUNTER)
            follow_counter(&whole->follow[at].fields[i], found, field, frame);
        else
            follow_check(&whole->follow[at].fields[i], field, frame);
    }
}

/* --- what it comes to --- */

#define SPOILED_SHARE 0.002 /* so many wrong frames are the bus's fault, not the claim's */
#define WRONG_SHARE   0.05  /* from here on the claim is wrong */

/* Confidence left to a claim that failed on this share of all frames. */
static double left_of(double confidence, double failed_share)
{
    if (failed_share <= SPOILED_SHARE)
        return confidence;
    if (failed_share >= WRONG_SHARE)
        return fmin(confidence, 0.1);
    double way = (failed_share - SPOILED_SHARE) / (WRONG_SHARE - SPOILED_SHARE);
    return fmin(confidence, 0.9 - 0.8 * way);
}

static void conclude(struct lt_survey_field *field, const struct followed *followed)
{
    uint64_t all = followed->kept + followed->other;
    if (!all)
        return;
    field->confidence = left_of(field->confidence, (double)followed->other / (double)all);
    if (field->kind == LT_FIELD_COUNTER) {
        field->counter.kept_steps = followed->kept;
        field->counter.other_steps = followed->other;
        field->counter.confidence = field->confidence;
    } else {
        field->check.verified = followed->kept;
        field->check.failed = followed->other;
        field->check.confidence = field->confidence;
    }
}

void lt_survey_verified(struct lt_survey *survey)
{
    struct survey_whole *whole = (struct survey_whole *)survey;
    for (size_t i = 0; i < survey->frame_count; i++)
        for (size_t k = 0; whole->follow[i].fields && k < survey->frames[i].field_count; k++)
            conclude(&survey->frames[i].fields[k], &whole->follow[i].fields[k]);
}
