/* Modes and switches from marks: which bits say what a passenger noted down. */
#ifndef LOOMTAP_SEEK_MARKS_H
#define LOOMTAP_SEEK_MARKS_H

#include "loomtap/base/arena.h"
#include "loomtap/base/error.h"
#include "loomtap/measure/collect.h"
#include "loomtap/seek/reference.h"
#include "loomtap/seek/seek.h"

#define LT_MARK_LABELS_MAX 64   /* different labels */
#define LT_MARKS_USED_MAX  4096 /* changes of the label */

/* Looks for windows of 1..8 bits (on pages too, either byte order) whose value is a function of the
 * label that was marked last: the same on every visit of a label, another for every label, and
 * changing when a mark was put (the person is -0.8..+1.5 s behind the car, see the reference's
 * lag). Marks with one label alone are presses: what changes at each of them, and hardly else.
 *
 * One mark in about eight may be wrong, late, missing or double (of less than six none); `say`
 * tells. Found means: chance would not do the same (at most 1 % after all that was tried), and the
 * labels were visited twice. One label of several visited once does not hinder it when the rest is
 * proof enough: its value has `visits` 1, and `say` asks for one more visit.
 *
 * The candidate's values list the raw code of each label; lag_s is how far the mark was behind the
 * change at the median; r the share of visits that agree; n_eff the changes of the label. r_needed,
 * null_r, rmse and what belongs to a scale are not filled in. Candidates of about as few faults are
 * in the order of their changes after the mark, since what follows another change comes behind its
 * cause.
 *
 * The collector must have kept its frames and be finished. LT_E_RANGE: the marks are not of this
 * capture's time. LT_E_MISSING: no marks, or no times. LT_E_LIMIT: past the ceilings above. Marks
 * counted from 0 in a capture by the clock are taken from its start (said).
 * `options` may be NULL; null_shifts is not used: the chance is counted, not drawn. */
enum lt_code lt_seek_marks(const struct lt_collect *collect, const struct lt_reference *marks,
                           const struct lt_seek_options *options, struct lt_arena *arena,
                           struct lt_seek_target *ret_target, struct lt_error *error);

#endif
