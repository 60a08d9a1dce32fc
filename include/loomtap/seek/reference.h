/* References: what a signal is looked for by. A number over time (a diagnostic reply, a logger's
 * column, a signal that a profile already knows) or labels over time (marks). */
#ifndef LOOMTAP_SEEK_REFERENCE_H
#define LOOMTAP_SEEK_REFERENCE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/arena.h"
#include "loomtap/base/error.h"
#include "loomtap/core/frame.h"
#include "loomtap/core/profile.h"
#include "loomtap/core/role.h"
#include "loomtap/measure/kept.h"

enum lt_reference_from {
    LT_FROM_DIAGNOSTICS, /* replies in the capture */
    LT_FROM_CSV,
    LT_FROM_MARKS,
    LT_FROM_PROFILE, /* a signal that is known: its copies are wanted */
};

struct lt_reference {
    enum lt_reference_from from;
    const char *name;           /* for people: "obd 01 0C 7E8", "speed.csv km/h", "marks.csv" */
    const char *target;         /* role, or the parameter's name where no role measures it */
    const struct lt_role *role; /* NULL for none */
    const char *unit;           /* of `value`: the role's where there is one, else as given; "" */
    size_t count;
    const int64_t *time_ns;   /* capture time (or the csv's own, see clock_unknown); ascending */
    const double *value;      /* count; NULL for labels */
    const char *const *label; /* count; NULL for numbers */
    double quantum;           /* the step in which the values come; 0 not known */
    /* How far the reference is behind the frames, at least and at most, once the clocks agree.
     * Diagnostics: a controller may answer with a value some hundred ms old; the frame's own value
     * may be older than that (filtered, or of a slow frame), so a part lies below 0. */
    int64_t lag_low_ns, lag_high_ns;
    /* csv: its clock is another one than the capture's, so that its times cannot be compared before
     * the offset is known: lt_seek searches for it. Where it is false and no
     * candidate follows within the lag, a csv's clock may still be off. */
    bool clock_unknown;
    /* csv: its clock minus the capture's, at least and at most; beyond, too little of the two would
     * meet. 0 and 0: the same clock for certain. See lt_reference_move. */
    int64_t clock_low_ns, clock_high_ns;
    uint16_t bus; /* of LT_FROM_DIAGNOSTICS: where the replies are */
    /* LT_FROM_PROFILE: where the values were read, for lt_reference_is_source. */
    bool has_source;
    struct lt_stream_key source;
    struct lt_bits source_bits;
    bool source_has_page;
    uint64_t source_page;
};

#define LT_REFERENCES_MAX     256
#define LT_REFERENCE_ROWS_MAX 4000000

/* Diagnostics: fed with every frame of the capture; gives a reference for each parameter of each
 * controller that answered with at least one value. `profile` says how the replies' bytes become
 * values (signaldefs/obd-ii.ini, and the car's own parameters); it must outlive this. A value at
 * the very end of a field of 16 bits or more is left out: the quantity may be beyond
 * (lambda 1.99997 in overrun). */
struct lt_replies;
enum lt_code lt_replies_new(struct lt_replies **ret_replies,
                            const struct lt_profile *const *profiles, size_t profile_count,
                            struct lt_error *error);
void lt_replies_free(struct lt_replies *replies);
enum lt_code lt_replies_feed(struct lt_replies *replies, const struct lt_frame *frame,
                             struct lt_error *error);
/* Into `arena`, in the order service, number, controller, signal. `ret_asked`: parameters that were
 * asked and never answered with a value, as names for people ("01 0C"), for honest talk; those that
 * no profile says how to read are named as such. */
enum lt_code lt_replies_references(struct lt_replies *replies, struct lt_arena *arena,
                                   struct lt_reference **ret_list, size_t *ret_count,
                                   const char *const **ret_asked, size_t *ret_asked_count,
                                   struct lt_error *error);

/* A logger's column. Text with a header line: the time column by name (time_s, time_ms, t, a clock
 * time ...), the value's by `column` or the only other one; comma, semicolon or tab; decimal point
 * or comma; quotes. The unit from "name [unit]" or "name (unit)" of the header, or `unit`. Faulty
 * rows are counted in ret_skipped with the first place in `error` as a note; columns that cannot be
 * told are an error with file, line and what to do. Dates without a zone that miss the capture are
 * moved by the quarters of an hour with which most of them meet it. clock_unknown: less than half
 * of the rows fall into the capture all the same (times from 0 beside a capture by the clock). */
struct lt_csv_reference_options {
    const char *target, *column, *time_column, *unit; /* NULL: by the header */
    int64_t capture_first_ns, capture_last_ns;
};
enum lt_code lt_reference_read_csv(const char *path, const struct lt_csv_reference_options *options,
                                   struct lt_arena *arena, struct lt_reference *ret_reference,
                                   uint64_t *ret_skipped, struct lt_error *error);
/* Marks: `time_s,label`, in the capture's own time. Marks out of order are put in order, and
 * ret_unordered is how many stood behind a later one. */
enum lt_code lt_reference_read_marks(const char *path, const char *target, struct lt_arena *arena,
                                     struct lt_reference *ret_reference, uint64_t *ret_unordered,
                                     struct lt_error *error);
/* From text in memory (tests, fuzzing): as above, `name` stands for the file. */
enum lt_code lt_reference_parse_csv(const char *name, struct lt_text text,
                                    const struct lt_csv_reference_options *options,
                                    struct lt_arena *arena, struct lt_reference *ret_reference,
                                    uint64_t *ret_skipped, struct lt_error *error);
enum lt_code lt_reference_parse_marks(const char *name, struct lt_text text, const char *target,
                                      struct lt_arena *arena, struct lt_reference *ret_reference,
                                      uint64_t *ret_unordered, struct lt_error *error);

/* The same reference by a clock that is `by_ns` later: every time plus by_ns. The rest is shared.
 * LT_E_RANGE where a time would leave what can be counted. */
enum lt_code lt_reference_move(const struct lt_reference *reference, int64_t by_ns,
                               struct lt_arena *arena, struct lt_reference *ret_moved,
                               struct lt_error *error);

/* The values of a signal of a profile, from the kept frames of its stream; the copies of it are
 * wanted. The stream is the one with the frame's identifier and enough bytes that has most frames
 * (`bus`: of that bus of the capture; LT_NONE: any). Where frames were thinned out the reference
 * has gaps. LT_E_UNKNOWN: no such signal; LT_E_MISSING: no such frame in the capture, or never a
 * value; LT_E_CONFLICT: its bits say labels, not a number, or it is a parameter's. */
struct lt_collect;
enum lt_code lt_reference_from_profile(const struct lt_profile *profile, const char *signal,
                                       uint32_t bus, const struct lt_collect *collect,
                                       struct lt_arena *arena, struct lt_reference *ret_reference,
                                       struct lt_error *error);
/* Do these bits of this stream lie where the reference was read? Then they are no news, and
 * lt_seek leaves them out. */
bool lt_reference_is_source(const struct lt_reference *reference, const struct lt_stream_key *key,
                            bool has_page, uint64_t page, const struct lt_bits *bits);

#endif
