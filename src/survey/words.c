/* Words that all outputs of a survey share (words.h). */
#include "survey/words.h"

#include <inttypes.h>
#include <math.h>

#include "loomtap/base/number.h"

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

const char *survey_confidence_word(double confidence)
{
    static const struct {
        double least;
        const char *word;
    } words[] = {{0.95, "sure"}, {0.8, "likely"}, {0.5, "perhaps"}, {0, "guess"}};
    size_t i = 0;
    while (i < 3 && !(confidence >= words[i].least))
        i++;
    return words[i].word;
}

void survey_print_id(char ret_text[SURVEY_ID_ROOM], const struct lt_stream_key *key)
{
    lt_text_format(ret_text, SURVEY_ID_ROOM, key->extended ? "%08X" : "%03X", (unsigned)key->id);
}

size_t survey_print_fixed(char ret_text[SURVEY_NUMBER_ROOM], double value, unsigned decimals)
{
    double scaled = value;
    for (unsigned i = 0; i < decimals; i++)
        scaled *= 10;
    if (!(fabs(scaled) < 9e18)) /* not finite, or of no use to a person */
        return lt_text_format(ret_text, SURVEY_NUMBER_ROOM, "-");
    size_t len = lt_print_fixed(ret_text, llround(scaled), decimals);
    ret_text[len] = '\0';
    return len;
}

/* Three digits, without zeros at the end. */
void survey_print_time(char ret_text[SURVEY_TIME_ROOM], int64_t ns)
{
    static const struct {
        double unit_ns;
        const char *name;
    } units[] = {{1e9, "s"}, {1e6, "ms"}, {1e3, "us"}};
    char number[SURVEY_NUMBER_ROOM];
    size_t i = 0;
    while (i < 2 && fabs((double)ns) < units[i].unit_ns * 0.9995)
        i++;
    double shown = (double)ns / units[i].unit_ns;
    unsigned decimals = fabs(shown) >= 99.95 ? 0 : fabs(shown) >= 9.995 ? 1 : 2;
    size_t len = survey_print_fixed(number, shown, decimals);
    for (; decimals && number[len - 1] == '0'; decimals--)
        len--;
    if (number[len - 1] == '.')
        len--;
    lt_text_format(ret_text, SURVEY_TIME_ROOM, "%.*s %s", (int)len, number, units[i].name);
}

void survey_print_timing(char ret_text[SURVEY_TIMING_ROOM], const struct lt_timing *timing)
{
    char period[SURVEY_TIME_ROOM], jitter[SURVEY_TIME_ROOM];
    survey_print_time(period, timing->period_ns);
    survey_print_time(jitter, timing->jitter_ns);
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
