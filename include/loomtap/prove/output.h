/* A proof as text for a terminal, as JSON for programs, as a page for the customer's file. */
#ifndef LOOMTAP_PROVE_OUTPUT_H
#define LOOMTAP_PROVE_OUTPUT_H

#include "loomtap/base/sink.h"
#include "loomtap/prove/prove.h"

struct lt_proof_capture {
    const char *name;
    char hash[65]; /* SHA-256 of the file in hex; "" where it is no file */
};

/* What has changed since an older proof. */
struct lt_proof_change {
    const char *id, *subject;
    const char *before; /* verdict's name, or "absent" */
    const char *now;
    const char *say;
};

struct lt_proof_about {
    const char *version; /* of the program */
    const struct lt_proof_capture *captures;
    size_t capture_count;
    uint64_t malformed;
    bool all; /* text: every claim, not only those that stand out */
    bool compared;
    const char *old_name, *old_verdict;
    bool other_profile; /* the older proof is of another profile (hash) */
    const struct lt_proof_change *changes;
    size_t change_count;
};

/* The verdict first; fits a screen unless `all`. */
void lt_proof_write_text(const struct lt_proof *proof, const struct lt_proof_about *about,
                         struct lt_sink *sink);
/* Keys as the manual says: profile, profile_hash, verdict, claims. */
void lt_proof_write_json(const struct lt_proof *proof, struct lt_sink *sink);
/* One page by itself that prints well. */
void lt_proof_write_html(const struct lt_proof *proof, const struct lt_proof_about *about,
                         struct lt_sink *sink);

#endif
