/* The parts of a draft profile. */
#ifndef LOOMTAP_SRC_SURVEY_DRAFT_H
#define LOOMTAP_SRC_SURVEY_DRAFT_H

#include "loomtap/core/profile.h"
#include "loomtap/survey/output.h"

/* Evidence is one line of a profile, which holds at most 199 bytes. */
#define DRAFT_EVIDENCE_ROOM 180

/* A text that a profile can hold: no `;`, no control characters, not too long. */
const char *draft_text(struct lt_arena *arena, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

const char *draft_bus_evidence(struct lt_arena *arena, const struct lt_survey *survey,
                               const struct lt_survey_bus *bus);
const char *draft_frame_evidence(struct lt_arena *arena, const struct lt_survey_frame *frame);
const char *draft_signal_evidence(struct lt_arena *arena, const struct lt_survey_field *field);

#endif
