/* The survey of a recording that was gathered: for those who show it and those who use it. */
#ifndef LOOMTAP_SRC_CLI_SURVEYS_H
#define LOOMTAP_SRC_CLI_SURVEYS_H

#include "cli/gather.h"
#include "loomtap/survey/output.h"

/* With a second reading where frames were thinned out and the input can be read again, so that
 * counters and checksums are tried on all of them. On EXIT_SYSTEM *ret_survey may be set all the
 * same: the second reading failed. */
int make_survey(const struct gathered *gathered, uint32_t bitrate_hz, struct lt_arena *arena,
                struct lt_survey **ret_survey);

/* What is known of it besides. */
struct lt_survey_about about_survey(const struct gathered *gathered);

#endif
