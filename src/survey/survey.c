/* The survey of a finished collector: makes the frames and buses, then calls the parts one after
 * another in the order that survey_internal.h gives. */
#include "loomtap/survey/survey.h"

#include "survey/survey_internal.h"

#define SCRATCH_CEILING ((size_t)64 << 20)

const char *lt_field_kind_name(enum lt_field_kind kind)
{
    static const char *const names[LT_FIELD_KINDS] = {
        [LT_FIELD_CONSTANT] = "constant", [LT_FIELD_COUNTER] = "counter",
        [LT_FIELD_CHECKSUM] = "checksum", [LT_FIELD_SELECTOR] = "selector",
        [LT_FIELD_ENUM] = "enum",         [LT_FIELD_FLAG] = "flag",
        [LT_FIELD_PHYSICAL] = "physical", [LT_FIELD_ACCUMULATING] = "accumulating",
        [LT_FIELD_TEXT] = "text",         [LT_FIELD_UNKNOWN] = "unknown",
    };
    return names[kind];
}

const char *survey_text(struct lt_arena *arena, const char *format, ...)
{
    char text[1024];
    va_list args;
    va_start(args, format);
    size_t len = lt_text_vformat(text, sizeof text, format, args);
    va_end(args);
    return lt_arena_text(arena, (struct lt_text){text, len});
}

/* Buses of the reader's list, and those beyond it that frames name (a list that is too short). */
static size_t count_buses(const struct survey_work *work)
{
    size_t count = work->options->bus_count;
    for (size_t i = 0; i < lt_collect_count(work->collect); i++)
        if (lt_collect_stream(work->collect, i)->key.bus >= count)
            count = lt_collect_stream(work->collect, i)->key.bus + 1u;
    return count < LT_BUSES_MAX ? count : LT_BUSES_MAX;
}

static bool make_buses(struct survey_work *work)
{
    struct lt_survey *survey = work->survey;
    survey->bus_count = count_buses(work);
    survey->buses = lt_arena_array(work->arena, survey->bus_count, sizeof *survey->buses);
    if (!survey->buses)
        return false;
    for (size_t i = 0; i < survey->bus_count; i++) {
        struct lt_survey_bus *bus = &survey->buses[i];
        bus->name = i < work->options->bus_count
                        ? lt_arena_string(work->arena, work->options->bus_names[i])
                        : "";
        bus->frames = survey->counts->bus[i].frames;
        bus->bitrate_hz = work->options->bitrate_hz;
        bus->bitrate_given = work->options->bitrate_hz != 0;
    }
    return true;
}

static bool make_frames(struct survey_work *work)
{
    struct lt_survey *survey = work->survey;
    survey->frame_count = lt_collect_count(work->collect);
    survey->frames = lt_arena_array(work->arena, survey->frame_count, sizeof *survey->frames);
    if (!survey->frames)
        return false;
    for (size_t i = 0; i < survey->frame_count; i++) {
        struct lt_survey_frame *frame = &survey->frames[i];
        frame->stream = lt_collect_stream(work->collect, i);
        frame->bus = survey->buses[frame->stream->key.bus].name;
    }
    return true;
}

static enum lt_code run_parts(struct survey_work *work)
{
    static enum lt_code (*const parts[])(struct survey_work *) = {
        survey_diagnostics, survey_fields,   survey_copies,
        survey_groups,      survey_activity, survey_buses,
    };
    for (size_t i = 0; i < sizeof parts / sizeof *parts; i++) {
        struct lt_arena scratch;
        lt_arena_init(&scratch, SCRATCH_CEILING);
        work->scratch = &scratch;
        enum lt_code code = parts[i](work);
        bool failed = scratch.failed || work->arena->failed;
        lt_arena_release(&scratch);
        if (code != LT_OK)
            return code;
        if (failed)
            return lt_fail(work->error, LT_E_MEMORY, "out of memory for the survey");
    }
    return LT_OK;
}

enum lt_code lt_survey_make(const struct lt_collect *collect,
                            const struct lt_survey_options *options, struct lt_arena *arena,
                            struct lt_survey **ret_survey, struct lt_error *error)
{
    static const struct lt_survey_options none;
    struct survey_whole *whole = lt_arena_alloc(arena, sizeof *whole);
    if (!whole)
        return lt_fail(error, LT_E_MEMORY, "out of memory for the survey");
    struct survey_work work = {
        .collect = collect,
        .options = options ? options : &none,
        .survey = &whole->survey,
        .arena = arena,
        .error = error,
    };
    const struct lt_collect_counts *counts = lt_collect_counts(collect);
    whole->survey.counts = counts;
    if (counts->first_ns != LT_NO_TIME && counts->last_ns > counts->first_ns)
        whole->survey.duration_s = (double)(counts->last_ns - counts->first_ns) / 1e9;
    if (!make_buses(&work) || !make_frames(&work))
        return lt_fail(error, LT_E_MEMORY, "out of memory for the survey");
    enum lt_code code = run_parts(&work);
    if (code == LT_OK && !survey_prepare_verify(&work))
        code = lt_fail(error, LT_E_MEMORY, "out of memory for the survey");
    if (code == LT_OK)
        *ret_survey = &whole->survey;
    return code;
}
