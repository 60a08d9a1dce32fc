/* Which of many profiles is a car's: one pass over its captures, then every profile is judged from
 * what the pass counted.
 *
 *     lt_identify_new(&identify, profiles, count, &error)
 *     lt_identify_read(identify, reader, &reading, &error)
 *     lt_identify_finish(identify, &given, &arena, &result, &error)
 *     lt_identify_write_text(result, &about, sink)
 *     lt_identify_free(identify)
 *
 * Each identifier of the capture is watched once for every different definition that profiles give
 * it, so that variants which share most frames cost little more than one profile. The figures are
 * those of a proof (prove.h), and so are the claims. Memory does not grow with the captures. */
#ifndef LOOMTAP_PROVE_IDENTIFY_H
#define LOOMTAP_PROVE_IDENTIFY_H

#include "loomtap/base/sink.h"
#include "loomtap/prove/prove.h"

#define LT_IDENTIFY_PROFILES_MAX 4096
#define LT_IDENTIFY_STREAMS_MAX  4096 /* identifiers of a capture; frames of others are counted */

struct lt_identify;

/* The profiles must outlive it. LT_E_LIMIT: too many. */
enum lt_code lt_identify_new(struct lt_identify **ret_identify,
                             const struct lt_profile *const *profiles, size_t count,
                             struct lt_error *error);
void lt_identify_free(struct lt_identify *identify);

/* One reader to its end, of one capture or of several one after another. `said` is not looked at
 * here. What was read before an error is counted. */
enum lt_code lt_identify_read(struct lt_identify *identify, struct lt_reader *reader,
                              const struct lt_prove_reading *reading, struct lt_error *error);

struct lt_identify_given {
    const struct lt_proof_reference *references; /* diagnostic replies in the same captures */
    size_t reference_count;
    const struct lt_bus_said *said; /* goes before everything else, in the profiles that have it */
    size_t said_count;
    unsigned threads; /* 0 counts as 1; the result is the same */
};

enum lt_identify_verdict { LT_IDENTIFY_FITS, LT_IDENTIFY_AMBIGUOUS, LT_IDENTIFY_NONE };
/* "fits", "ambiguous", "none" */
const char *lt_identify_verdict_name(enum lt_identify_verdict verdict);

struct lt_identity {
    size_t profile; /* index in the list given */
    const char *name, *title;
    double score; /* 0..1: support / (support + against + unexplained) */
    double support, against, unexplained;
    bool fits;                      /* nothing decisive against it, and enough for it */
    size_t frames_here, frames_due; /* of those that should have come */
    size_t checks_right, checks;
    size_t streams_explained, streams; /* identifiers of the capture, diagnostics aside */
    const char *const *reasons;        /* for it, as sentences */
    size_t reason_count;
    const char *const *misfits; /* against it; the gravest first */
    size_t misfit_count;
};

struct lt_identification {
    enum lt_identify_verdict verdict;
    const char *say; /* why so, and what to do */
    const struct lt_identity *ranking;
    size_t count;
    uint64_t frames, unwatched; /* unwatched: of identifiers past the ceiling */
    double duration_s;
    size_t captures;
};

/* Everything lives in `arena`. LT_E_UNKNOWN: a bus was said that no profile has. */
enum lt_code lt_identify_finish(struct lt_identify *identify, const struct lt_identify_given *given,
                                struct lt_arena *arena, struct lt_identification **ret_result,
                                struct lt_error *error);

struct lt_identify_about {
    const char *const *files; /* of each profile, for people; NULL for none */
    bool all;                 /* text: reasons for every profile, not only for the first ones */
};

/* The verdict first; fits a screen unless `all`. */
void lt_identify_write_text(const struct lt_identification *result,
                            const struct lt_identify_about *about, struct lt_sink *sink);
/* {"ranking": [{"profile", "score", "fits", "misfits", ...}], "verdict", "say"}. "profile" is the
 * profile's name, or its file where several have that name. */
void lt_identify_write_json(const struct lt_identification *result,
                            const struct lt_identify_about *about, struct lt_sink *sink);

#endif
