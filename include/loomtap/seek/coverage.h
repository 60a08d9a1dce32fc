/* Is what was recorded so far enough to seek by, and what is still missing? By the same figures as
 * lt_seek and lt_seek_marks judge by afterwards, so that a recording that says `enough` is not
 * "not exercised" later. Whether the signal is on the bus is not asked here. */
#ifndef LOOMTAP_SEEK_COVERAGE_H
#define LOOMTAP_SEEK_COVERAGE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/seek/reference.h"

struct lt_coverage {
    bool enough;
    size_t samples; /* values; marks */
    double n_eff;   /* independent excursions so far; visits of a label that count */
    double wanted;  /* of them */
    char say[200];  /* what to do, for a person who drives: "two more pull-aways ..." */
};

/* Numbers. NULL: there is no reference yet; `target` is what it is for. LT_E_MEMORY. */
enum lt_code lt_coverage_number(const char *target, const struct lt_reference *reference,
                                struct lt_coverage *ret_coverage, struct lt_error *error);

/* Labels: each of `labels`, and each that was marked, is to be visited twice. `visits` (may be
 * NULL) gets how often each of `labels` was. LT_E_MEMORY, LT_E_LIMIT: as lt_seek_marks. */
struct lt_coverage_marks {
    const char *target;
    const char *const *labels;
    size_t label_count;
    const int64_t *time_ns; /* the marks, ascending */
    const char *const *label;
    size_t count;
    int64_t first_ns, last_ns; /* of the recording */
};
enum lt_code lt_coverage_of_marks(const struct lt_coverage_marks *marks, unsigned *visits,
                                  struct lt_coverage *ret_coverage, struct lt_error *error);

/* One time of what makes a quantity move, told to the driver, and how long it takes. */
const char *lt_coverage_step(const char *target, int64_t *ret_length_ns);

#endif
