/* Profile text in and out. docs/profile-format.md has the grammar. */
#ifndef LOOMTAP_DEFS_LOAD_H
#define LOOMTAP_DEFS_LOAD_H

#include "loomtap/base/error.h"
#include "loomtap/base/sink.h"
#include "loomtap/core/profile.h"

/* Reads a profile with its includes, checks it whole (as `loomtap check` does) and gives it if no
 * error was found. Every fault is added to `faults` with file, line and column; the code is
 * LT_E_FAULTS when there was an error among them (warnings alone are LT_OK), and LT_E_IO when the
 * file could not be read. "-" is standard input (no includes then). `faults` is never NULL: what is
 * wrong with a profile cannot be said in one record. */
enum lt_code lt_profile_load(struct lt_profile **ret_profile, const char *path,
                             struct lt_faults *faults);
/* A profile that is still to be filled: roles that it requires and no signal has are no faults. */
enum lt_code lt_profile_load_unfinished(struct lt_profile **ret_profile, const char *path,
                                        struct lt_faults *faults);
/* From memory, no includes (they are faults then). */
enum lt_code lt_profile_load_memory(struct lt_profile **ret_profile, const char *name,
                                    struct lt_text text, struct lt_faults *faults);
void lt_profile_free(struct lt_profile *profile);

/* The canonical text: fixed order of sections and keys, one spelling for everything. Reading it
 * back gives the same profile, and writing that changes nothing. Definitions from includes are left
 * out (the include line is kept), or with `flat` written in place of the include line. */
void lt_profile_write(const struct lt_profile *profile, bool flat, struct lt_sink *sink);

/* SHA-256 of a file's bytes in hex, for reports that say what they are about. */
enum lt_code lt_file_hash(const char *path, char ret_hex[65], struct lt_error *error);

#endif
