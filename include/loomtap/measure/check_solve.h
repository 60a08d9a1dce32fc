/* Finding checksums from frames alone.
 *
 * CRCs with any start, final XOR, reflection and hidden data-id bytes, and XOR sums, are affine
 * over GF(2) in the bits of a frame of fixed length: c(m) = A m + k. Each bit of a candidate check
 * is one linear system over the frames, solved by elimination on 64-bit words; no polynomial is
 * searched. What solves it is then named in the vocabulary of core/checksum.h, so that the result
 * verifies, encodes and goes into a profile as it is. Sums, complements, nibble sums and forms
 * with the identifier, with a data id chosen by a counter or with a constant of its own on every
 * page are solved beside it.
 *
 * A random bit passes with chance 2^-(frames - rank); a solution is reported only where that is
 * below 10^-9 for the check as a whole, and where it reproduces every kept value (but for frames
 * that `failed` counts: a few spoiled ones do not hide a check). */
#ifndef LOOMTAP_MEASURE_CHECK_SOLVE_H
#define LOOMTAP_MEASURE_CHECK_SOLVE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/arena.h"
#include "loomtap/base/error.h"
#include "loomtap/core/checksum.h"
#include "loomtap/measure/counter.h"
#include "loomtap/measure/kept.h"
#include "loomtap/measure/work.h"

#define LT_CHECKS_MAX 4 /* of one page */

enum lt_check_form {
    LT_CHECK_FOUND,         /* `checksum` says how it is made */
    LT_CHECK_AUTHENTICATED, /* looks like a check, nothing in the frame explains it */
};

struct lt_check_found {
    enum lt_check_form form;
    struct lt_bits place;
    struct lt_checksum checksum;   /* of LT_CHECK_FOUND; `affine` lives in the arena */
    uint64_t verified, failed;     /* kept frames that agree, and that do not */
    uint64_t distinct;             /* different frames among them */
    struct lt_bit_set unexercised; /* covered bits that never moved, as far as the form does not
                                      settle them: what it says of them is not proven */
    double confidence;
    const char *why; /* for people; in the arena */
};

/* What is already known about the page: counters (a counter may choose the data id), and bits that
 * are no check (the selector). Returns the surest first; places do not overlap. */
enum lt_code lt_checks_find(const struct lt_kept *kept, const struct lt_counter_found *counters,
                            size_t counter_count, const struct lt_bit_set *taken,
                            struct lt_arena *arena, struct lt_check_found ret_found[LT_CHECKS_MAX],
                            size_t *ret_count, struct lt_error *error);

/* The same with a ceiling: what is likeliest is tried first, and `work` says if the rest was left
 * out. */
enum lt_code lt_checks_find_within(const struct lt_kept *kept,
                                   const struct lt_counter_found *counters, size_t counter_count,
                                   const struct lt_bit_set *taken, struct lt_work *work,
                                   struct lt_arena *arena,
                                   struct lt_check_found ret_found[LT_CHECKS_MAX],
                                   size_t *ret_count, struct lt_error *error);

/* Makers use one form for many frames: tries `known` (with ranges, place and identifier of this
 * stream, and a constant or data id of its own) on a stream that has too few different frames to be
 * solved alone. False where it does not reproduce every frame. */
bool lt_check_transfer(const struct lt_kept *kept, const struct lt_checksum *known,
                       const struct lt_counter_found *counters, size_t counter_count,
                       struct lt_arena *arena, struct lt_check_found *ret_found);
/* The first of several forms that holds. */
bool lt_check_transfer_any(const struct lt_kept *kept, const struct lt_checksum *const *known,
                           size_t known_count, const struct lt_counter_found *counters,
                           size_t counter_count, struct lt_arena *arena,
                           struct lt_check_found *ret_found);

#endif
