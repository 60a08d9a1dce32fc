/* Words that all outputs of a survey share (words.h). */
#include "survey/words.h"

#include <inttypes.h>

const char *survey_change_word(enum lt_change_kind kind)
{
    static const char *const words[] = {
        [LT_CHANGE_FRAME_ONLY_A] = "frame only here",
        [LT_CHANGE_FRAME_ONLY_B] = "frame only there",
        [LT_CHANGE_PERIOD] = "period",
        [LT_CHANGE_MOVES_ONLY_A] = "moves only here",
        [LT_CHANGE_MOVES_ONLY_B] = "moves only there",
        [LT_CHANGE_VALUE] = "other value",
        [LT_CHANGE_RANGE] = "other range",
    };
    return words[kind];
}

void survey_print_timing(char ret_text[SURVEY_TIMING_ROOM], const struct lt_timing *timing)
{
    char period[LT_TIME_ROOM], jitter[LT_TIME_ROOM];
    lt_figure_time(period, timing->period_ns);
    lt_figure_time(jitter, timing->jitter_ns);
    size_t used, size = SURVEY_TIMING_ROOM;
    if (timing->count == 1)
        used = lt_text_format(ret_text, size, "once");
    else if (timing->cyclic)
        used = lt_text_format(ret_text, size, "every %s +-%s", period, jitter);
    else if (timing->period_ns)
        used = lt_text_format(ret_text, size, "at times, mostly %s apart", period);
    else
        used = lt_text_format(ret_text, size, "at times");
    if (timing->extra_on_change)
        used += lt_text_format(ret_text + used, size - used, " and on changes");
    if (timing->lost)
        used += lt_text_format(ret_text + used, size - used, ", %" PRIu64 " lost", timing->lost);
    if (timing->lost && timing->gaps != timing->lost)
        used += lt_text_format(ret_text + used, size - used, " in %" PRIu64 " gap%s", timing->gaps,
                               timing->gaps == 1 ? "" : "s");
    if (timing->pauses)
        used += lt_text_format(ret_text + used, size - used, ", %" PRIu64 " pause%s",
                               timing->pauses, timing->pauses == 1 ? "" : "s");
    if (timing->backward_steps)
        used += lt_text_format(ret_text + used, size - used,
                               ", time ran backwards %" PRIu64 " times", timing->backward_steps);
}

void survey_print_check(char *ret_text, size_t size, const struct lt_check_found *check)
{
    if (check->form == LT_CHECK_AUTHENTICATED)
        lt_text_format(ret_text, size, "made with a key: nothing in the frame explains it");
    else
        lt_checksum_print(&check->checksum, ret_text, size);
}
