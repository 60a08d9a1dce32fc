/* Words that all outputs of a search share. */
#ifndef LOOMTAP_SRC_SEEK_WORDS_H
#define LOOMTAP_SRC_SEEK_WORDS_H

#include "loomtap/report/figures.h"
#include "loomtap/seek/output.h"

/* "" where the report does not know it. */
const char *seek_bus_name(const struct lt_seek_report *report, uint16_t bus);

/* Labels have no scale, no residual. */
static inline bool seek_is_labels(const struct lt_seek_target *target)
{
    return !target->reference->value;
}

/* What the raw value becomes: "x 0.25 - 40 °C", "1 / (x 0.001)"; of labels "0 comfort, 1 sport". */
#define SEEK_MEANING_ROOM 400
void seek_print_meaning(char ret_text[SEEK_MEANING_ROOM], const struct lt_seek_target *target,
                        const struct lt_candidate *candidate);

/* " (proven down to 1.2)" where the low end is only probable, else nothing. */
#define SEEK_PROVEN_ROOM 40
void seek_print_proven(char ret_text[SEEK_PROVEN_ROOM], const struct lt_candidate *candidate);

/* "its clock is 7.25 s behind the recording's"; false where it is the same one, or not known. */
#define SEEK_CLOCK_ROOM 100
bool seek_print_clock(char ret_text[SEEK_CLOCK_ROOM], const struct lt_seek_target *target);

/* "-20 ms"; whole milliseconds are as fine as any lag is known. */
void seek_print_lag(char ret_text[LT_TIME_ROOM], double lag_s);

#endif
