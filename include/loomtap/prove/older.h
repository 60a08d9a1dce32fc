/* An older proof, read back from its JSON, against the present one. */
#ifndef LOOMTAP_PROVE_OLDER_H
#define LOOMTAP_PROVE_OLDER_H

#include "loomtap/prove/output.h"

struct lt_older_claim {
    char *id, *subject, *verdict;
};

struct lt_older_proof {
    char *verdict, *hash;
    size_t count;
    struct lt_older_claim *claims;
};

/* LT_E_IO, LT_E_LIMIT, or LT_E_SYNTAX for what is no proof. */
enum lt_code lt_older_proof_read(const char *path, struct lt_older_proof *ret_proof,
                                 struct lt_error *error);
/* From memory; `name` stands for the file. */
enum lt_code lt_older_proof_parse(const char *name, struct lt_text text,
                                  struct lt_older_proof *ret_proof, struct lt_error *error);
void lt_older_proof_free(struct lt_older_proof *proof);
/* Claims whose verdict is another now, that are new, or that are gone. In `arena`; false without
 * memory. Pointers into both proofs stay. */
bool lt_older_proof_compare(const struct lt_older_proof *older, const struct lt_proof *now,
                            struct lt_arena *arena, const struct lt_proof_change **ret_list,
                            size_t *ret_count);

#endif
