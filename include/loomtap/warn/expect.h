/* What warnings a run is expected to give, as text: a regression test of a calibration.
 *
 *     # a comment; also behind a line
 *     tolerance 0.05                              # of the lines below, in seconds
 *     30.312  rail_pressure_low  on   condition   # at this time, within the tolerance
 *     32.9    rail_pressure_low  off              # whatever the cause
 *     0.4     input_lost         on   lost  within 0.5
 *     ignore  tank_low                            # its events may come or not
 *
 * Times are seconds from the first frame of the run, as in the text of a rehearsal. An event meets
 * the earliest line that is still open, names the same warning and change, and is not further away
 * than its tolerance (at exactly the tolerance it is met). Lines that no event met are missed;
 * events that met no line are unexpected. docs/warnings.md describes it for people. */
#ifndef LOOMTAP_WARN_EXPECT_H
#define LOOMTAP_WARN_EXPECT_H

#include "loomtap/base/arena.h"
#include "loomtap/base/error.h"
#include "loomtap/base/sink.h"
#include "loomtap/core/profile.h"
#include "loomtap/warn/warn.h"

#define LT_EXPECT_BYTES_MAX    ((size_t)4 << 20)
#define LT_EXPECT_LINES_MAX    65536 /* events */
#define LT_EXPECT_LINE_MAX     512   /* bytes */
#define LT_EXPECT_TOLERANCE_NS INT64_C(50000000)

struct lt_expect;

/* `name` stands in the places of messages. The text may go away afterwards; profile, name and arena
 * must stay. LT_E_SYNTAX, LT_E_UNKNOWN (no such warning), LT_E_RANGE, LT_E_LIMIT with line and
 * column. */
enum lt_code lt_expect_parse(const char *name, struct lt_text text,
                             const struct lt_profile *profile, struct lt_arena *arena,
                             struct lt_expect **ret_expect, struct lt_error *error);

/* In the order in which they come. False: unexpected, which is added to the faults. */
bool lt_expect_event(struct lt_expect *expect, int64_t from_start_ns,
                     const struct lt_warn_event *event, struct lt_faults *faults);
/* After the last event: what is missed is added to the faults. */
void lt_expect_finish(struct lt_expect *expect, struct lt_faults *faults);

struct lt_expect_counts {
    uint64_t lines, met, missed, unexpected, ignored; /* lines: of events */
};
const struct lt_expect_counts *lt_expect_counts(const struct lt_expect *expect);

/* One line as it is read. */
void lt_expect_write(struct lt_sink *sink, const struct lt_profile *profile, int64_t from_start_ns,
                     const struct lt_warn_event *event);

#endif
