/* The tables of claims and thresholds (loomtap/prove/claims.h). */
#include "loomtap/prove/claims.h"

#include <assert.h>

#define KIND_ROW(name, id, subject, needed, sentence)   [name] = {id, subject, needed, sentence},
#define LIMIT_ROW(name, key, value, unit, common, text) [name] = {key, value, unit, common, text},

const char *lt_proof_verdict_name(enum lt_proof_verdict verdict)
{
    static const char *const names[] = {[LT_PROVEN] = "proven",
                                        [LT_NOT_EXERCISED] = "not exercised",
                                        [LT_CONTRADICTED] = "contradicted"};
    return names[verdict];
}

const struct lt_claim_kind *lt_claim_kind(enum lt_claim_id id)
{
    static const struct lt_claim_kind kinds[] = {LT_CLAIMS(KIND_ROW)};
    assert(id < LT_CLAIM_COUNT);
    return &kinds[id];
}

const struct lt_threshold *lt_threshold(enum lt_limit limit)
{
    static const struct lt_threshold rows[] = {LT_THRESHOLDS(LIMIT_ROW)};
    assert(limit < LT_LIMIT_COUNT);
    return &rows[limit];
}
