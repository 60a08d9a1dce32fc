/* What is sought: the references that a command line and a recording give. */
#ifndef LOOMTAP_SRC_CLI_REFERENCES_H
#define LOOMTAP_SRC_CLI_REFERENCES_H

#include "cli/gather.h"
#include "cli/profiles.h"
#include "loomtap/seek/output.h"
#include "loomtap/seek/reference.h"

struct reference_options {
    const char *sheet, *time_column, *unit; /* --ref and what belongs to it */
    const struct list *columns;
    const char *marks, *target;
    const struct list *signals; /* of the profiles: copies are wanted */
    const struct list *only;    /* targets; none: all */
    bool roles;                 /* what the profiles require */
    bool quiet;
};

struct references {
    const struct reference_options *options;
    struct profiles *profiles;     /* the command line's */
    struct lt_profile *standard;   /* the built-in parameters; NULL where they are not needed */
    struct lt_replies *replies;    /* NULL where diagnostics are not asked */
    struct lt_error replies_error; /* the first that feeding gave */
    enum lt_code replies_code;
    struct lt_reference *list; /* numbers */
    size_t count;
    struct lt_reference *marks; /* labels, or NULL */
    const char *const *asked;
    size_t asked_count;
    const struct lt_seek_missing *missing;
    size_t missing_count;
};

/* Before the recording is read: says whether the options have a meaning, and makes ready what
 * follows diagnostics. */
int references_begin(struct references *references, const struct reference_options *options,
                     struct profiles *profiles);
/* For gather's `watch`. */
void references_watch(void *context, const struct lt_frame *frame);
/* After it. EXIT_NO: there is none; said on stderr. */
int references_find(struct references *references, const struct gathered *gathered,
                    struct lt_arena *arena);
void references_free(struct references *references);

/* A passenger's marks; says what is wrong with them, and when they had to be put in order. */
int read_marks(const char *path, const char *target, bool quiet, struct lt_arena *arena,
               struct lt_reference *ret_marks);

#endif
