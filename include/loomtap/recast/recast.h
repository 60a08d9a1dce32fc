/* Recasting: captures in, one capture out, in another form, cut, filtered, renamed, merged, put in
 * order, or without the numbers that tell whose car it was.
 *
 *     lt_recast_new(&recast, paths, count, &reading, &options, &error)
 *     lt_recast_run(recast, writer, &error)       // then lt_writer_commit
 *     lt_recast_counts(recast), lt_recast_source(recast, i): what was there and what became of it
 *     lt_recast_free(recast)
 *
 * A frame passes these steps, in this order: shift of its file's clock; merging and repair of the
 * order; time span; bus and identifier filters; hiding; rebased time; renamed bus. Memory is
 * constant: see LT_RECAST_HELD_MAX. */
#ifndef LOOMTAP_RECAST_RECAST_H
#define LOOMTAP_RECAST_RECAST_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/capture/reader.h"
#include "loomtap/capture/span.h"
#include "loomtap/capture/writer.h"

/* Frames held back at most to put them in order; more within one window are let go early. */
#define LT_RECAST_HELD_MAX 65536
/* Files that are merged at once: each has a block of its own. */
#define LT_RECAST_MERGE_MAX 32

/* One rule of `ids`: 0x123, 18FEF100x, 0x100..0x1FF, error; `!` before it takes out. */
struct lt_id_rule {
    uint32_t first, last;
    bool extended, error, exclude;
};
/* 0x with up to 7 digits is an 11-bit identifier where it fits and a 29-bit one above; 0x with 8
 * digits, or hex digits with an x behind them, is a 29-bit one; decimal as by its size. */
bool lt_id_rule_parse(struct lt_text text, struct lt_id_rule *ret_rule);

struct lt_bus_rename {
    size_t source; /* of this file alone, from 1; 0: of all */
    struct lt_text from, to;
};
/* "can0=powertrain", "2:can0=chassis"; an empty old name is that of frames without one. */
bool lt_bus_rename_parse(struct lt_text text, struct lt_bus_rename *ret_rename);

struct lt_clock_shift {
    size_t source; /* from 1; 0: all */
    int64_t ns;
};
/* "-0.25" or "2:1.5": file number and seconds. */
bool lt_clock_shift_parse(struct lt_text text, struct lt_clock_shift *ret_shift);

struct lt_recast_options {
    struct lt_time_bound from, to; /* both included; in shifted time */
    const struct lt_id_rule *ids;  /* none: every frame; only exclusions: all but these */
    size_t id_count;
    const char *const *buses; /* names in the capture; none: all */
    size_t bus_count;
    const struct lt_bus_rename *renames; /* the first that fits is taken */
    size_t rename_count;
    const struct lt_clock_shift *shifts; /* they add up */
    size_t shift_count;
    bool merge;        /* by time; else one file behind another */
    bool repair;       /* put frames in order of time */
    int64_t window_ns; /* merge, repair: how far a frame may be behind; 0 = 1 s */
    bool hide;
    bool rebase;
    int64_t rebase_ns; /* the time that the first frame gets */
};

struct lt_recast_counts {
    uint64_t read, written;
    uint64_t outside_span, other_bus, other_id; /* left out as wished */
    uint64_t steps_back;                        /* written: times below that of the frame before */
    int64_t step_most_ns;
    uint64_t repaired; /* were behind a frame read before, and are in their place now */
    uint64_t late;     /* came behind the window: written where they were met */
    int64_t late_most_ns;
    uint64_t let_go; /* times that LT_RECAST_HELD_MAX was reached */
    uint64_t hidden_frames, hidden_bytes, hidden_messages;
    uint64_t vins_left; /* runs like an identification number that are still there */
    uint64_t unwatched; /* conversations not looked at because there were too many */
};

struct lt_recast;

/* The lists of the options and the paths must outlive it. LT_E_RANGE: a file number that is not
 * there; LT_E_LIMIT: too many files to merge. */
enum lt_code lt_recast_new(struct lt_recast **ret_recast, const char *const *paths, size_t count,
                           const struct lt_reader_options *reading,
                           const struct lt_recast_options *options, struct lt_error *error);
void lt_recast_free(struct lt_recast *recast); /* NULL is allowed */

/* To the end of every input. On a read error what came before it is in the writer. LT_OK also when
 * the writer failed: its commit says so. */
enum lt_code lt_recast_run(struct lt_recast *recast, struct lt_writer *writer,
                           struct lt_error *error);

const struct lt_recast_counts *lt_recast_counts(const struct lt_recast *recast);
/* What was in file `index` besides frames; all zero before it was opened. */
const struct lt_reader_counts *lt_recast_source(const struct lt_recast *recast, size_t index);
/* Names of the options that no frame had: rename or bus number `index` never met. */
bool lt_recast_rename_was_met(const struct lt_recast *recast, size_t index);
bool lt_recast_bus_was_met(const struct lt_recast *recast, size_t index);

#endif
