/* An older proof, read back from its JSON. */
#ifndef LOOMTAP_SRC_CLI_AGAINST_H
#define LOOMTAP_SRC_CLI_AGAINST_H

#include "loomtap/prove/output.h"

struct older_proof {
    char *verdict, *hash;
    size_t count;
    struct older_claim {
        char *id, *subject, *verdict;
    } * claims;
};

/* LT_E_IO, or LT_E_SYNTAX for what is no proof. */
enum lt_code older_proof_read(const char *path, struct older_proof *ret_proof,
                              struct lt_error *error);
void older_proof_free(struct older_proof *proof);
/* Claims whose verdict is another now, that are new, or that are gone. In `arena`; false without
 * memory. */
bool older_proof_compare(const struct older_proof *older, const struct lt_proof *now,
                         struct lt_arena *arena, const struct lt_proof_change **ret_list,
                         size_t *ret_count);

#endif
