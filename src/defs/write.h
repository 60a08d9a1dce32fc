/* The canonical text, line by line. */
#ifndef LOOMTAP_SRC_DEFS_WRITE_H
#define LOOMTAP_SRC_DEFS_WRITE_H

#include "loomtap/base/sink.h"
#include "loomtap/core/profile.h"

struct lt_writer {
    const struct lt_profile *profile;
    struct lt_sink *sink;
    bool flat;
    bool any; /* something was written: the next section wants an empty line before it */
    struct lt_place place; /* of the definition being written */
    /* Called for a line that would be too long to be read back; may be NULL. */
    void (*too_long)(void *context, struct lt_place place, const char *key, size_t bytes);
    void *context;
};

void lt_defs_write(struct lt_writer *writer);

/* write_line.c */
void lt_write_section(struct lt_writer *writer, const char *kind, const char *name,
                      struct lt_place place);
/* A line "key = value"; nothing when the value is NULL. */
void lt_write_text(struct lt_writer *writer, const char *key, const char *value);
void lt_write_format(struct lt_writer *writer, const char *key, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
void lt_write_u64(struct lt_writer *writer, const char *key, uint64_t value);
void lt_write_ratio(struct lt_writer *writer, const char *key, struct lt_ratio value);
/* Raw values and ranges: in hex from 10 on, as short as they go where that would be too long. */
void lt_write_codes(struct lt_writer *writer, const char *key, const struct lt_raw_range *codes,
                    size_t count);
/* write_signal.c */
void lt_write_signal(struct lt_writer *writer, const struct lt_signal_def *signal);
/* Is this definition written, or left to its include? */
bool lt_write_wants(const struct lt_writer *writer, struct lt_place place);

/* Text of a list of raw ranges, with commas. Returns its length; cut at `size`. */
size_t lt_print_codes(char *ret_text, size_t size, const struct lt_raw_range *codes, size_t count,
                      bool shortest);

#endif
