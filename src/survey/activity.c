/* Frames that come only with something: not from start to end, in bursts, once, or when their
 * content changes. Where a frame came several times, the flag or enumeration whose changes fall
 * together with its beginnings is named, unless that may be chance: each of n beginnings has a
 * change beside it with probability q, so h of n have P(Binomial(n, q) >= h), times the number of
 * fields that were tried. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "survey/survey_internal.h"
#include "survey/words.h"

#define SILENCE_NS      INT64_C(1000000000) /* at least, between two bursts */
#define SILENCE_PERIODS 20
#define EDGE_PERIODS    5
#define BESIDE_NS       INT64_C(300000000)
#define LEAST_S         5.0 /* shorter recordings show no activity */
#define ONSETS_MOST     256u
#define ONSETS_LEAST    3u
#define CHANGES_MOST    256u
#define SWITCHES_MOST   4096u /* further ones are not tried: a tool that sends at random has them */
#define CHANCE_MOST     0.01
#define ON_CHANGE_SHARE 0.9

struct moments_of { /* sorted as they came */
    size_t count;
    const int64_t *at_ns;
};

struct switching { /* a flag or enumeration that changes now and then */
    const struct lt_survey_frame *frame;
    const struct lt_survey_field *field;
    struct moments_of changes;
};

struct activity {
    struct survey_work *work;
    bool all_pause[LT_BUSES_MAX]; /* most frames of the bus do: the recorder, or the whole car */
    bool all_late[LT_BUSES_MAX], all_early[LT_BUSES_MAX];
    struct switching *switches;
    size_t switch_count, switch_room;
};

/* --- when a frame was there --- */

static int64_t edge_ns(const struct lt_timing *timing)
{
    int64_t edge_ns =
        timing->period_ns < INT64_MAX / EDGE_PERIODS ? EDGE_PERIODS * timing->period_ns : INT64_MAX;
    return edge_ns > SILENCE_NS ? edge_ns : SILENCE_NS;
}

static int64_t silence_ns(const struct lt_timing *timing)
{
    int64_t silence_ns = timing->cyclic && timing->period_ns < INT64_MAX / SILENCE_PERIODS
                             ? SILENCE_PERIODS * timing->period_ns
                             : 0;
    return silence_ns > SILENCE_NS ? silence_ns : SILENCE_NS;
}

static bool starts_late(const struct survey_work *work, const struct lt_stream *stream)
{
    int64_t first_ns = work->survey->counts->bus[stream->key.bus].first_ns;
    return stream->timing.first_ns - first_ns > edge_ns(&stream->timing);
}

static bool ends_early(const struct survey_work *work, const struct lt_stream *stream)
{
    int64_t last_ns = work->survey->counts->bus[stream->key.bus].last_ns;
    return last_ns - stream->timing.last_ns > edge_ns(&stream->timing);
}

static bool pauses(const struct lt_stream *stream)
{
    return stream->timing.pauses > 0 &&
           stream->timing.pause_longest_ns >= silence_ns(&stream->timing);
}

/* No times, times that go backwards, a diagnostic tool's questions: nothing to say. */
static bool has_course(const struct survey_work *work, const struct lt_survey_frame *frame)
{
    const struct lt_stream *stream = frame->stream;
    return !frame->diagnostic && work->survey->duration_s >= LEAST_S && stream->kept.count > 0 &&
           stream->kept.time_ns[0] != LT_NO_TIME && stream->timing.backward_steps == 0 &&
           work->survey->counts->bus[stream->key.bus].last_ns >
               work->survey->counts->bus[stream->key.bus].first_ns;
}

static void look_at_buses(struct activity *activity)
{
    const struct lt_survey *survey = activity->work->survey;
    size_t cyclic[LT_BUSES_MAX] = {0}, late[LT_BUSES_MAX] = {0}, early[LT_BUSES_MAX] = {0},
           pausing[LT_BUSES_MAX] = {0};
    for (size_t i = 0; i < survey->frame_count; i++) {
        const struct lt_stream *stream = survey->frames[i].stream;
        unsigned bus = stream->key.bus;
        if (!stream->timing.cyclic || !has_course(activity->work, &survey->frames[i]))
            continue;
        cyclic[bus]++;
        late[bus] += starts_late(activity->work, stream);
        early[bus] += ends_early(activity->work, stream);
        pausing[bus] += pauses(stream);
    }
    for (unsigned bus = 0; bus < LT_BUSES_MAX; bus++) {
        activity->all_late[bus] = 2 * late[bus] > cyclic[bus];
        activity->all_early[bus] = 2 * early[bus] > cyclic[bus];
        activity->all_pause[bus] = 2 * pausing[bus] > cyclic[bus];
    }
}

/* --- what changes now and then --- */

/* ret_at_ns has room for CHANGES_MOST. */
static size_t find_changes(const struct lt_kept *kept, const struct lt_bits *bits,
                           int64_t *ret_at_ns)
{
    size_t count = 0;
    for (size_t row = 1; row < kept->count && count < CHANGES_MOST; row++)
        if (kept->time_ns[row] != LT_NO_TIME && lt_bits_get(lt_kept_row(kept, row), bits) !=
                                                    lt_bits_get(lt_kept_row(kept, row - 1), bits))
            ret_at_ns[count++] = kept->time_ns[row];
    return count;
}

static bool add_switch(struct activity *activity, const struct lt_survey_frame *frame,
                       const struct lt_survey_field *field)
{
    int64_t found_ns[CHANGES_MOST];
    size_t count = find_changes(&frame->stream->kept, &field->bits, found_ns);
    struct lt_arena *scratch = activity->work->scratch;
    int64_t *at_ns = lt_arena_array(scratch, count + 1, sizeof *at_ns);
    struct switching *item = lt_arena_push(scratch, &activity->switches, &activity->switch_count,
                                           &activity->switch_room, sizeof *item);
    if (!at_ns || !item)
        return false;
    memcpy(at_ns, found_ns, count * sizeof *at_ns);
    *item = (struct switching){frame, field, {count, at_ns}};
    return true;
}

static bool find_switches(struct activity *activity)
{
    const struct lt_survey *survey = activity->work->survey;
    for (size_t i = 0; i < survey->frame_count; i++) {
        const struct lt_survey_frame *frame = &survey->frames[i];
        for (size_t k = 0; k < frame->field_count; k++) {
            const struct lt_survey_field *field = &frame->fields[k];
            bool kind = field->kind == LT_FIELD_FLAG || field->kind == LT_FIELD_ENUM;
            if (!kind || field->pages || field->changes == 0 || field->changes >= CHANGES_MOST)
                continue;
            if (activity->switch_count == SWITCHES_MOST)
                return true;
            if (!add_switch(activity, frame, field))
                return false;
        }
    }
    return true;
}

/* --- what a frame comes with --- */

/* ret_at_ns has room for ONSETS_MOST. */
static size_t find_onsets(const struct survey_work *work, const struct lt_stream *stream,
                          int64_t *ret_at_ns)
{
    const struct lt_kept *kept = &stream->kept;
    int64_t least_ns = silence_ns(&stream->timing);
    size_t count = 0;
    if (starts_late(work, stream))
        ret_at_ns[count++] = kept->time_ns[0];
    for (size_t row = 1; row < kept->count && count < ONSETS_MOST; row++)
        if (kept->flags[row] & LT_KEPT_FOLLOWS &&
            kept->time_ns[row] - kept->time_ns[row - 1] >= least_ns)
            ret_at_ns[count++] = kept->time_ns[row];
    return count;
}

static size_t count_beside(const struct moments_of *onsets, const struct moments_of *changes)
{
    size_t hits = 0;
    for (size_t i = 0; i < onsets->count; i++) {
        bool hit = false;
        for (size_t k = 0; k < changes->count && !hit; k++)
            hit = llabs(changes->at_ns[k] - onsets->at_ns[i]) <= BESIDE_NS;
        hits += hit;
    }
    return hits;
}

/* P(Binomial(n, q) >= h) */
static double tail(size_t n, double q, size_t h)
{
    double sum = 0;
    if (q >= 1)
        return 1;
    if (q <= 0)
        return h == 0;
    for (size_t k = h; k <= n; k++)
        sum += exp(lgamma((double)n + 1) - lgamma((double)k + 1) - lgamma((double)(n - k) + 1) +
                   (double)k * log(q) + (double)(n - k) * log1p(-q));
    return sum < 1 ? sum : 1;
}

static const char *find_companion(struct activity *activity, const struct lt_survey_frame *frame,
                                  const struct moments_of *onsets)
{
    const struct switching *best = NULL;
    double least = CHANCE_MOST / (double)(activity->switch_count + 1);
    size_t hits = 0;
    for (size_t i = 0; i < activity->switch_count; i++) {
        const struct switching *item = &activity->switches[i];
        if (item->frame == frame)
            continue;
        double q = (double)item->changes.count * 2 * (double)BESIDE_NS / 1e9 /
                   activity->work->survey->duration_s;
        size_t beside = count_beside(onsets, &item->changes);
        if (2 * beside <= onsets->count)
            continue;
        double chance = tail(onsets->count, q, beside);
        if (chance < least) {
            least = chance;
            best = item;
            hits = beside;
        }
    }
    if (!best)
        return NULL;
    char id[LT_STREAM_ID_ROOM], bits[128];
    lt_stream_id_print(id, &best->frame->stream->key);
    lt_bits_print(bits, sizeof bits, &best->field->bits);
    return survey_text(activity->work->scratch,
                       " Comes together with changes of %s in %s (%zu of "
                       "%zu times).",
                       bits, id, hits, onsets->count);
}

/* --- what there is to say --- */

static bool sends_on_change(const struct lt_kept *kept)
{
    size_t changed = 0;
    for (size_t row = 1; row < kept->count; row++)
        changed +=
            memcmp(lt_kept_row(kept, row), lt_kept_row(kept, row - 1), kept->key.length) != 0;
    return kept->count > 3 && (double)changed >= ON_CHANGE_SHARE * (double)(kept->count - 1);
}

static const char *describe(const struct activity *activity, const struct lt_stream *stream,
                            char text[160])
{
    const struct lt_timing *timing = &stream->timing;
    unsigned bus = stream->key.bus;
    double base = (double)activity->work->survey->counts->first_ns;
    bool late = starts_late(activity->work, stream) && !activity->all_late[bus];
    bool early = ends_early(activity->work, stream) && !activity->all_early[bus];
    text[0] = '\0';
    if (timing->count == 1)
        lt_text_format(text, 160, "Came once, %.2f s in.", ((double)timing->first_ns - base) / 1e9);
    else if (!timing->cyclic && timing->longest_ns > 3 * timing->period_ns)
        lt_text_format(text, 160,
                       sends_on_change(&stream->kept) ? "Sent only when its content changes."
                                                      : "Comes with events, not in a period.");
    else if (!timing->cyclic && (late || early))
        lt_text_format(text, 160, "Comes with events, from %.2f s to %.2f s only.",
                       ((double)timing->first_ns - base) / 1e9,
                       ((double)timing->last_ns - base) / 1e9);
    else if (timing->cyclic && pauses(stream) && !activity->all_pause[bus])
        lt_text_format(text, 160, "Comes in bursts, with pauses of up to %.1f s.",
                       (double)timing->pause_longest_ns / 1e9);
    else if (timing->cyclic && (late || early))
        lt_text_format(text, 160, "Not there all the time: from %.2f s to %.2f s.",
                       ((double)timing->first_ns - base) / 1e9,
                       ((double)timing->last_ns - base) / 1e9);
    return text;
}

static bool look_at_frame(struct activity *activity, struct lt_survey_frame *frame)
{
    char text[160];
    int64_t at_ns[ONSETS_MOST];
    if (!has_course(activity->work, frame) || describe(activity, frame->stream, text)[0] == '\0')
        return true;
    frame->only_with_activity = true;
    const char *companion = NULL;
    struct moments_of onsets = {find_onsets(activity->work, frame->stream, at_ns), at_ns};
    if (onsets.count >= ONSETS_LEAST)
        companion = find_companion(activity, frame, &onsets);
    frame->say = survey_text(activity->work->arena, "%s%s", text, companion ? companion : "");
    return frame->say != NULL;
}

enum lt_code survey_activity(struct survey_work *work)
{
    struct activity activity = {.work = work};
    look_at_buses(&activity);
    bool fine = find_switches(&activity);
    for (size_t i = 0; i < work->survey->frame_count && fine; i++)
        fine = look_at_frame(&activity, &work->survey->frames[i]);
    return fine ? LT_OK
                : lt_fail(work->error, LT_E_MEMORY, "out of memory for what frames come with");
}
