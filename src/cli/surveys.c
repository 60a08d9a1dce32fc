/* See surveys.h. */
#include "cli/surveys.h"

static bool is_kept_whole(const struct lt_collect *collect)
{
    for (size_t i = 0; i < lt_collect_count(collect); i++)
        if (!lt_collect_stream(collect, i)->kept.whole)
            return false;
    return true;
}

static void verify_frame(void *context, const struct lt_frame *frame)
{
    lt_survey_verify(context, frame);
}

static int verify(const struct gathered *gathered, struct lt_survey *survey)
{
    if (is_kept_whole(gathered->collect) || !gather_can_repeat(gathered))
        return EXIT_FINE;
    int status = gather_repeat(gathered, verify_frame, survey);
    lt_survey_verified(survey);
    return status;
}

static void show_progress(void *context, size_t done, size_t all)
{
    progress_show(context, "looking at frames: %.0f %%", 100.0 * (double)done / (double)all);
}

int make_survey(const struct gathered *gathered, uint32_t bitrate_hz, struct lt_arena *arena,
                struct lt_survey **ret_survey)
{
    struct lt_error error;
    struct progress progress = progress_begin(!gathered->options->progress);
    struct lt_survey_options making = {
        .progress = show_progress,
        .context = &progress,
        .bitrate_hz = bitrate_hz,
        .bus_names = gathered->bus_names,
        .bus_count = gathered->bus_count,
    };
    enum lt_code code = lt_survey_make(gathered->collect, &making, arena, ret_survey, &error);
    progress_end(&progress);
    if (code != LT_OK) {
        say_error(&error);
        return EXIT_SYSTEM;
    }
    return gathered->broken ? EXIT_FINE : verify(gathered, *ret_survey);
}

struct lt_survey_about about_survey(const struct gathered *gathered)
{
    return (struct lt_survey_about){
        .files = gathered->paths,
        .file_count = gathered->path_count,
        .counts = lt_reader_counts(gathered->reader),
        .outside_span = gathered->outside_span,
        .other_buses = gathered->other_buses,
    };
}
