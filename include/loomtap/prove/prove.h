/* Proving a profile on captures: every claim that it makes is proven, contradicted or not
 * exercised, with the numbers.
 *
 *     lt_prove_new(&prove, profile, &notes, &error)
 *     for each capture:
 *         lt_prove_read(prove, reader, &reading, &notes, &error)
 *     lt_prove_finish(prove, &given, &arena, &proof, &error)
 *     lt_proof_write_text(proof, &about, sink)       // output.h
 *     lt_prove_free(prove)
 *
 * One pass over each capture in constant memory: figures for each frame and signal, and at most
 * 65536 samples over time for each signal with a role. Several captures add up. */
#ifndef LOOMTAP_PROVE_PROVE_H
#define LOOMTAP_PROVE_PROVE_H

#include "loomtap/base/arena.h"
#include "loomtap/base/error.h"
#include "loomtap/capture/reader.h"
#include "loomtap/capture/span.h"
#include "loomtap/core/binding.h"
#include "loomtap/core/profile.h"
#include "loomtap/prove/claims.h"

struct lt_prove;

/* The profile must outlive it. `notes` (may be NULL) gets what the user should know: [prove] keys
 * that are no thresholds. LT_E_RANGE: a threshold is no number. */
enum lt_code lt_prove_new(struct lt_prove **ret_prove, const struct lt_profile *profile,
                          struct lt_faults *notes, struct lt_error *error);
void lt_prove_free(struct lt_prove *prove);

struct lt_prove_reading {
    const struct lt_bus_said *said;
    size_t said_count;
    struct lt_time_bound from, to; /* both included */
    unsigned threads;              /* for large files; the results are the same */
    /* Sees every frame within the span too, in order; NULL: nobody. */
    enum lt_code (*tap)(void *context, const struct lt_frame *frame, struct lt_error *error);
    void *context;
    bool tap_diagnostics; /* the tap sees frames of diagnostics (lt_obd_classify) alone */
};

/* One capture to its end. What was read before an error is counted. */
enum lt_code lt_prove_read(struct lt_prove *prove, struct lt_reader *reader,
                           const struct lt_prove_reading *reading, struct lt_faults *notes,
                           struct lt_error *error);

/* A quantity over time from elsewhere, such as diagnostic replies in the same captures. */
struct lt_proof_reference {
    const char *name;   /* for people: "obd 01 0C 7E8" */
    const char *target; /* the role */
    size_t count;
    const int64_t *time_ns; /* ascending */
    const double *value;    /* in the role's unit */
    double quantum;         /* the step in which values come; 0 not known */
};

struct lt_proof_marks { /* labels that a passenger noted */
    const char *target; /* the role, usually drive_mode */
    size_t count;
    const int64_t *time_ns;
    const char *const *label;
};

struct lt_prove_given {
    const struct lt_proof_reference *references;
    size_t reference_count;
    const struct lt_proof_marks *marks; /* NULL: none */
};

struct lt_claim {
    enum lt_claim_id id;
    const char *subject;
    enum lt_proof_verdict verdict;
    bool required; /* belongs to a required role: counts for the whole */
    double strain; /* how much of its tolerance it needs, 1 all of it; 0 where that is not told */
    const char *expected, *measured, *say;
};

/* A role's signal over its reference, for a picture. */
struct lt_proof_plot {
    const char *role, *signal, *reference, *unit;
    double lag_s;
    size_t signal_count, reference_count; /* thinned to what a picture shows */
    const double *signal_s, *signal_value, *reference_s, *reference_value;
};

struct lt_proof {
    const struct lt_profile *profile;
    enum lt_proof_verdict verdict; /* the worst of the required roles' claims */
    const struct lt_claim *claims;
    size_t claim_count;
    size_t counts[LT_CONTRADICTED + 1]; /* claims by verdict */
    uint64_t frames, claimed_frames;
    double duration_s;
    const char *const *todo; /* what to drive or record next */
    size_t todo_count;
    const struct lt_proof_plot *plots;
    size_t plot_count;
};

/* Everything lives in `arena`. */
enum lt_code lt_prove_finish(struct lt_prove *prove, const struct lt_prove_given *given,
                             struct lt_arena *arena, struct lt_proof **ret_proof,
                             struct lt_error *error);

#endif
