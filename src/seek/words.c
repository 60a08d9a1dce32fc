/* Words that all outputs of a search share (words.h). */
#include "seek/words.h"

#include <inttypes.h>
#include <math.h>

#define USUAL_DIGITS 9 /* of a scale that was set to a usual number */
#define RAW_DIGITS   5 /* of one that was measured */

const char *seek_bus_name(const struct lt_seek_report *report, uint16_t bus)
{
    return bus < report->bus_count ? report->bus_names[bus] : "";
}

static void print_values(char *ret_text, size_t size, const struct lt_candidate *candidate)
{
    size_t used = 0;
    ret_text[0] = '\0';
    for (size_t i = 0; i < candidate->value_count && used + 1 < size; i++)
        used += lt_text_format(ret_text + used, size - used, "%s%" PRIu64 " %s", i ? ", " : "",
                               candidate->values[i].raw, candidate->values[i].label);
}

/* As many digits of the offset as the scale gives it. */
static void print_offset(char ret_text[LT_FIGURE_ROOM], const struct lt_candidate *candidate)
{
    double step = fabs(candidate->scale);
    int decimals = step > 0 && isfinite(step) ? 1 - (int)floor(log10(step)) : 3;
    if (candidate->snapped)
        lt_figure_digits(ret_text, fabs(candidate->offset), USUAL_DIGITS);
    else
        lt_figure_fixed(ret_text, fabs(candidate->offset),
                        decimals < 0   ? 0
                        : decimals > 9 ? 9
                                       : (unsigned)decimals);
}

void seek_print_meaning(char ret_text[SEEK_MEANING_ROOM], const struct lt_seek_target *target,
                        const struct lt_candidate *candidate)
{
    char scale[LT_FIGURE_ROOM], offset[LT_FIGURE_ROOM], line[3 * LT_FIGURE_ROOM];
    const char *unit = target->reference->unit ? target->reference->unit : "";
    if (seek_is_labels(target)) {
        print_values(ret_text, SEEK_MEANING_ROOM, candidate);
        return;
    }
    lt_figure_digits(scale, candidate->scale, candidate->snapped ? USUAL_DIGITS : RAW_DIGITS);
    print_offset(offset, candidate);
    if (candidate->offset != 0)
        lt_text_format(line, sizeof line, "x %s %c %s", scale, candidate->offset < 0 ? '-' : '+',
                       offset);
    else
        lt_text_format(line, sizeof line, "x %s", scale);
    if (candidate->form == LT_FORM_RECIPROCAL)
        lt_text_format(ret_text, SEEK_MEANING_ROOM, "1 / (%s)%s%s", line, *unit ? " " : "", unit);
    else
        lt_text_format(ret_text, SEEK_MEANING_ROOM, "%s%s%s", line, *unit ? " " : "", unit);
}

void seek_print_lag(char ret_text[LT_TIME_ROOM], double lag_s)
{
    char number[LT_FIGURE_ROOM];
    lt_figure_fixed(number, lag_s * 1e3, 0);
    lt_text_format(ret_text, LT_TIME_ROOM, "%s ms", number);
}

void seek_print_proven(char ret_text[SEEK_PROVEN_ROOM], const struct lt_candidate *candidate)
{
    const struct lt_bits *proven = &candidate->proven_bits;
    ret_text[0] = '\0';
    if (!proven->parts || lt_bits_length(proven) >= lt_bits_length(&candidate->bits))
        return;
    unsigned low = proven->part[proven->parts - 1].lsb;
    lt_text_format(ret_text, SEEK_PROVEN_ROOM, " (proven down to %u.%u)", low / 8, low % 8);
}

bool seek_print_clock(char ret_text[SEEK_CLOCK_ROOM], const struct lt_seek_target *target)
{
    char seconds[LT_FIGURE_ROOM];
    if (!target->clock_found)
        return false;
    lt_figure_fixed(seconds, fabs(target->clock_s), 2);
    lt_text_format(ret_text, SEEK_CLOCK_ROOM, "its clock is %s s %s the recording's", seconds,
                   target->clock_s < 0 ? "behind" : "ahead of");
    return true;
}
