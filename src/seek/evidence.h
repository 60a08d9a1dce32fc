/* What speaks for a candidate beside the size of its residual (evidence.c). */
#ifndef LOOMTAP_SRC_SEEK_EVIDENCE_H
#define LOOMTAP_SRC_SEEK_EVIDENCE_H

#include "seek/search.h"

struct seek_evidence {
    size_t samples;    /* that both have, without codes and slips; where few, the rest is 0 */
    double free_r;     /* correlation after both are freed of a slow trend */
    double free_steps; /* spread of the reference that is left then, in its steps */
    double free_n;     /* and how many independent excursions */
    double changes_r;  /* correlation of the changes from value to value */
    double sticks;     /* correlation of neighbours in the residual */
    double explained;  /* the most of the residual's variance that another reference explains */
};

/* False: out of memory. `arena` for scratch. */
bool seek_evidence_find(const struct seek_all *all, const struct seek_found *mine,
                        const struct seek_fit *fit, struct lt_arena *arena,
                        struct seek_evidence *ret_evidence);

#endif
