/* What a draft says of where each definition comes from: figures first, then the reason, cut where
 * the line of a profile ends. */
#include <inttypes.h>
#include <math.h>

#include "loomtap/base/number.h"
#include "survey/draft.h"
#include "survey/words.h"

const char *draft_bus_evidence(struct lt_arena *arena, const struct lt_survey *survey,
                               const struct lt_survey_bus *bus)
{
    char load[LT_FIGURE_ROOM], seconds[LT_FIGURE_ROOM];
    lt_figure_fixed(load, bus->load * 100, 1);
    lt_figure_fixed(seconds, survey->duration_s, 1);
    if (!bus->bitrate_hz)
        return lt_draft_text(arena, "%" PRIu64 " frames in %s s", bus->frames, seconds);
    return lt_draft_text(arena, "%" PRIu64 " frames in %s s, load %s %%, bit rate %s", bus->frames,
                         seconds, load, bus->bitrate_given ? "given" : "assumed");
}

static size_t add_checks(char *text, size_t size, const struct lt_survey_frame *frame)
{
    size_t used = 0;
    for (size_t i = 0; i < frame->field_count && used + 1 < size; i++) {
        const struct lt_survey_field *field = &frame->fields[i];
        int percent = (int)lround(field->confidence * 100);
        if (field->kind == LT_FIELD_COUNTER)
            used += lt_text_format(text + used, size - used,
                                   ", counter %d %%: %" PRIu64 " steps, %" PRIu64 " not", percent,
                                   field->counter.kept_steps, field->counter.other_steps);
        else if (field->kind == LT_FIELD_CHECKSUM && field->check.form == LT_CHECK_FOUND)
            used += lt_text_format(text + used, size - used,
                                   ", checksum %d %%: %" PRIu64 " right, %" PRIu64 " wrong",
                                   percent, field->check.verified, field->check.failed);
    }
    return used;
}

const char *draft_frame_evidence(struct lt_arena *arena, const struct lt_survey_frame *frame)
{
    const struct lt_timing *timing = &frame->stream->timing;
    char text[LT_DRAFT_TEXT_ROOM], period[LT_TIME_ROOM], jitter[LT_TIME_ROOM];
    size_t used = lt_text_format(text, sizeof text, "%" PRIu64 " frames", timing->count);
    lt_figure_time(period, timing->period_ns);
    lt_figure_time(jitter, timing->jitter_ns);
    if (timing->cyclic)
        used += lt_text_format(text + used, sizeof text - used, " every %s +-%s", period, jitter);
    if (timing->lost)
        used += lt_text_format(text + used, sizeof text - used, ", %" PRIu64 " lost", timing->lost);
    used += add_checks(text + used, sizeof text - used, frame);
    for (size_t i = 0; i < frame->field_count && used + 1 < sizeof text; i++)
        if (frame->fields[i].kind == LT_FIELD_TEXT && frame->fields[i].text)
            used += lt_text_format(text + used, sizeof text - used, ", text: %s",
                                   frame->fields[i].text);
    return lt_draft_text(arena, "%s", text);
}

const char *draft_signal_evidence(struct lt_arena *arena, const struct lt_survey_field *field)
{
    char eta[LT_F64_ROOM + 1] = "";
    if (isfinite(field->eta))
        eta[lt_print_f64(eta, round(field->eta * 1e6) / 1e6)] = '\0';
    return lt_draft_text(
        arena,
        "%s %d %%: raw %" PRIu64 "..%" PRIu64 ", %" PRIu64 " values, %" PRIu64 " changes%s%s%s, %s",
        lt_field_kind_name(field->kind), (int)lround(field->confidence * 100), field->raw_min,
        field->raw_max, field->distinct, field->changes, eta[0] ? ", roughness " : "", eta,
        field->sign != LT_UNSIGNED && !field->sign_exercised ? ", sign not exercised" : "",
        field->why ? field->why : "");
}
