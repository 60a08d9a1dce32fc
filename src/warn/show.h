/* Times, causes and inputs as text: internal to src/warn. */
#ifndef LOOMTAP_SRC_WARN_SHOW_H
#define LOOMTAP_SRC_WARN_SHOW_H

#include "loomtap/base/sink.h"
#include "loomtap/warn/warn.h"

#define LT_TIME_TEXT_ROOM 32

/* Seconds with all digits that are needed, at least one decimal: "30.312". Terminated. */
size_t time_text(int64_t ns, char ret_text[LT_TIME_TEXT_ROOM]);
const char *cause_text(enum lt_warn_cause cause); /* "condition", "lost" */

/* "rail_pressure 298 kPa", "lambda lost (too old)", "kit_state feeding (held, suspect)". Returns
 * the length, terminated; cut where it does not fit. */
size_t input_text(const struct lt_profile *profile, const struct lt_warn_input *input, char *buffer,
                  size_t size);
/* As a value in an open JSON object: a number, a label, or null. */
void input_json(const struct lt_profile *profile, const struct lt_warn_input *input,
                struct lt_json *json);

#endif
