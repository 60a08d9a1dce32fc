/* The parts of a draft profile. */
#ifndef LOOMTAP_SRC_SURVEY_DRAFT_H
#define LOOMTAP_SRC_SURVEY_DRAFT_H

#include "loomtap/defs/draft.h"
#include "loomtap/survey/output.h"

const char *draft_bus_evidence(struct lt_arena *arena, const struct lt_survey *survey,
                               const struct lt_survey_bus *bus);
const char *draft_frame_evidence(struct lt_arena *arena, const struct lt_survey_frame *frame);
const char *draft_signal_evidence(struct lt_arena *arena, const struct lt_survey_field *field);

#endif
