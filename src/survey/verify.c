/* The second reading of a capture that was not kept whole (loomtap/survey/survey.h): every frame
 * against the counters and checks that were found on the frames kept.
 *
 * A few frames that do not agree are spoiled frames; many are a claim that was wrong, and its
 * confidence goes. A counter may skip as many steps as frames were lost by their times. */
#include <math.h>

#include "measure/check_table.h"
#include "survey/survey_internal.h"
#include "survey/survey_window.h"

#define TABLE_BYTES ((size_t)4 << 20) /* of all checks; those past it are worked out anew */

/* What is remembered of one field from frame to frame. */
struct followed {
    const struct check_table *table; /* of a check; NULL: worked out frame by frame */
    bool is_counter, on_change, started;
    bool on_pages;          /* not on all of them */
    uint64_t modulus, step; /* of a counter: the step modulo it */
    uint64_t value;         /* the one before */
    int64_t time_ns;
    uint64_t kept, other; /* steps as they should be, and not */
    struct survey_window window;
    int64_t period_ns;
    uint32_t number; /* of the field in its frame */
    const struct lt_survey_field *field;
};

/* A frame in which something is to be followed, found by the word of its key; 0 where a slot is
 * free. */
struct follow_slot {
    uint64_t word;
    uint32_t frame;
    uint32_t count;
    bool has_pages;
    struct survey_window selector;
    struct followed *fields;
};

struct survey_follow {
    size_t slots; /* a power of two */
    struct follow_slot *slot;
    size_t table_bytes; /* of all checks */
};

static bool is_followed(const struct lt_survey_field *field)
{
    return field->kind == LT_FIELD_COUNTER ||
           (field->kind == LT_FIELD_CHECKSUM && field->check.form == LT_CHECK_FOUND);
}

/* --- by key --- */

static uint64_t word_of(uint32_t id, bool extended, bool fd, uint8_t length, uint16_t bus)
{
    return id | (uint64_t)extended << 29 | (uint64_t)fd << 30 | UINT64_C(1) << 31 |
           (uint64_t)length << 32 | (uint64_t)bus << 40;
}

static struct follow_slot *find_slot(const struct survey_follow *follow, uint64_t word)
{
    size_t at = (size_t)(word * UINT64_C(0x9E3779B97F4A7C15) >> 32) & (follow->slots - 1);
    while (follow->slot[at].word != 0 && follow->slot[at].word != word)
        at = (at + 1) & (follow->slots - 1);
    return &follow->slot[at];
}

/* --- checks by table --- */

static bool make_table(struct survey_work *work, struct survey_follow *follow,
                       const struct lt_stream_key *key, const struct lt_checksum *check,
                       const struct check_table **ret_table)
{
    size_t bytes = check_table_bytes(key->length);
    *ret_table = NULL;
    if (!check_has_table(check) || follow->table_bytes + bytes > TABLE_BYTES)
        return true;
    struct check_table *table = lt_arena_alloc(work->arena, bytes);
    if (!table)
        return false;
    follow->table_bytes += bytes;
    check_table_fill(table, check, key);
    *ret_table = table;
    return true;
}

/* --- what to follow --- */

static int64_t period_of(const struct lt_stream *stream, const struct lt_survey_field *field)
{
    if (!stream->timing.cyclic)
        return 0;
    for (size_t i = 0; field->page_count == 1 && i < stream->page_count; i++)
        if (stream->pages[i].value == field->pages[0])
            return stream->pages[i].period_ns;
    return field->pages ? 0 : stream->timing.period_ns;
}

static bool follow_frame(struct survey_work *work, struct survey_follow *follow, uint32_t number)
{
    const struct lt_survey_frame *frame = &work->survey->frames[number];
    const struct lt_stream_key *key = &frame->stream->key;
    uint32_t count = 0;
    for (size_t k = 0; k < frame->field_count; k++)
        count += is_followed(&frame->fields[k]);
    if (count == 0 || frame->stream->kept.whole)
        return true;
    uint64_t word = word_of(key->id, key->extended, key->fd, key->length, key->bus);
    struct follow_slot *slot = find_slot(follow, word);
    *slot = (struct follow_slot){.word = word, .frame = number};
    slot->has_pages = frame->stream->selector.present;
    if (slot->has_pages)
        slot->selector = survey_window_of(&frame->stream->selector.bits);
    slot->fields = lt_arena_array(work->arena, count, sizeof *slot->fields);
    if (!slot->fields)
        return false;
    for (uint32_t k = 0; k < frame->field_count; k++) {
        const struct lt_survey_field *field = &frame->fields[k];
        if (!is_followed(field))
            continue;
        struct followed *followed = &slot->fields[slot->count++];
        *followed = (struct followed){.number = k,
                                      .field = field,
                                      .on_pages = field->pages != NULL,
                                      .is_counter = field->kind == LT_FIELD_COUNTER,
                                      .period_ns = period_of(frame->stream, field),
                                      .window = survey_window_of(&field->bits)};
        if (followed->is_counter && field->counter.modulus) {
            followed->modulus = field->counter.modulus;
            followed->step = field->counter.step % field->counter.modulus;
            followed->on_change = field->counter.on_change;
        }
        if (!followed->is_counter &&
            !make_table(work, follow, key, &field->check.checksum, &followed->table))
            return false;
    }
    return true;
}

bool survey_prepare_verify(struct survey_work *work)
{
    struct survey_whole *whole = (struct survey_whole *)work->survey;
    size_t count = whole->survey.frame_count;
    struct survey_follow *follow = lt_arena_array(work->arena, 1, sizeof *follow);
    whole->follow = follow;
    if (!follow)
        return false;
    for (follow->slots = 2; follow->slots < 2 * count; follow->slots *= 2)
        ;
    follow->slot = lt_arena_array(work->arena, follow->slots, sizeof *follow->slot);
    for (uint32_t i = 0; follow->slot && i < count; i++)
        if (!follow_frame(work, follow, i))
            return false;
    return follow->slot != NULL;
}

/* --- frame by frame --- */

/* `frames` later by the time that passed, or the very next, or at rest where that is right. */
static inline bool is_right_step(const struct followed *followed, uint64_t value, int64_t time_ns)
{
    uint64_t modulus = followed->modulus, steps = 1;
    uint64_t from = followed->value < modulus ? followed->value : followed->value % modulus;
    uint64_t moved =
        value >= from && value < modulus ? value - from : (value + modulus - from) % modulus;
    if (moved == followed->step || (followed->on_change && moved == 0))
        return true;
    int64_t gap_ns, period_ns = followed->period_ns;
    if (period_ns > 0 && !__builtin_sub_overflow(time_ns, followed->time_ns, &gap_ns) && gap_ns > 0)
        steps = (uint64_t)gap_ns / (uint64_t)period_ns +
                ((uint64_t)gap_ns % (uint64_t)period_ns >= (uint64_t)(period_ns - period_ns / 2));
    steps = steps ? steps : 1;
    return moved == steps % modulus * followed->step % modulus;
}

static void follow_counter(struct followed *followed, const struct lt_frame *data)
{
    uint64_t value = survey_window_get(&followed->window, data->data);
    if (followed->started && followed->modulus) {
        bool right = is_right_step(followed, value, data->time_ns);
        followed->kept += right;
        followed->other += !right;
    }
    followed->started = true;
    followed->value = value;
    followed->time_ns = data->time_ns;
}

static void follow_check(struct followed *followed, const struct lt_frame *data)
{
    bool right = followed->table
                     ? check_table_verify(followed->table, data->data)
                     : lt_checksum_verify(&followed->field->check.checksum, data->data, data->len,
                                          data->id, lt_frame_has(data, LT_FRAME_EXTENDED));
    followed->kept += right;
    followed->other += !right;
}

/* All that is looked at for most frames lies beside each other: there are many identifiers, and
 * each has its turn only now and then. */
void lt_survey_verify(struct lt_survey *survey, const struct lt_frame *frame)
{
    const struct survey_whole *whole = (const struct survey_whole *)survey;
    if (frame->flags & (LT_FRAME_REMOTE | LT_FRAME_ERROR))
        return;
    uint64_t word = word_of(frame->id, lt_frame_has(frame, LT_FRAME_EXTENDED),
                            lt_frame_has(frame, LT_FRAME_FD), frame->len, frame->bus);
    const struct follow_slot *slot = find_slot(whole->follow, word);
    if (slot->word == 0)
        return;
    uint64_t page = slot->has_pages ? survey_window_get(&slot->selector, frame->data) : 0;
    for (uint32_t i = 0; i < slot->count; i++) {
        struct followed *followed = &slot->fields[i];
        if (followed->on_pages && !survey_on_page(followed->field, page))
            continue;
        if (followed->is_counter)
            follow_counter(followed, frame);
        else
            follow_check(followed, frame);
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
    const struct survey_whole *whole = (const struct survey_whole *)survey;
    for (size_t i = 0; i < whole->follow->slots; i++) {
        const struct follow_slot *slot = &whole->follow->slot[i];
        for (uint32_t k = 0; k < slot->count; k++)
            conclude(&survey->frames[slot->frame].fields[slot->fields[k].number], &slot->fields[k]);
    }
}
