/* What every draft needs: a profile put together in memory by a program, from a recording. */
#ifndef LOOMTAP_DEFS_DRAFT_H
#define LOOMTAP_DEFS_DRAFT_H

#include "loomtap/base/error.h"
#include "loomtap/base/sink.h"
#include "loomtap/core/profile.h"

/* Evidence is one line of a profile, which holds at most 199 bytes. */
#define LT_DRAFT_TEXT_ROOM 180

/* A text that a profile can hold: no `;`, no control characters, not too long; "-" where nothing
 * is left of it. NULL: no memory. */
const char *lt_draft_text(struct lt_arena *arena, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/* A name as a profile has it, of at most LT_NAME_MAX - 3 bytes so that a number still fits behind
 * it; `otherwise` where nothing of the text can be kept. */
void lt_draft_name(char ret_name[LT_NAME_MAX + 1], const char *text, const char *otherwise);

/* A signal definition with everything as it is when nothing is said. */
struct lt_signal_def lt_draft_signal(uint32_t frame);

/* The canonical text. The profile is read back once through the loader, which is what `check` does:
 * what leaves here has no errors. LT_E_FAULTS: it would have had one, which `error` says. */
enum lt_code lt_draft_write(const struct lt_profile *draft, struct lt_sink *sink,
                            struct lt_error *error);

#endif
