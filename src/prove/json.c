/* A proof as one JSON object, for programs (docs/claims.md). */
#include "loomtap/prove/output.h"

void lt_proof_write_json(const struct lt_proof *proof, struct lt_sink *sink)
{
    struct lt_json json;
    lt_json_init(&json, sink);
    lt_json_open(&json, NULL, '{');
    lt_json_string(&json, "profile", proof->profile->name);
    lt_json_string(&json, "profile_hash", proof->profile->hash);
    lt_json_string(&json, "verdict", lt_proof_verdict_name(proof->verdict));
    lt_json_open(&json, "claims", '[');
    for (size_t i = 0; i < proof->claim_count; i++) {
        const struct lt_claim *claim = &proof->claims[i];
        lt_json_open(&json, NULL, '{');
        lt_json_string(&json, "id", lt_claim_kind(claim->id)->id);
        lt_json_string(&json, "subject", claim->subject);
        lt_json_string(&json, "verdict", lt_proof_verdict_name(claim->verdict));
        lt_json_string(&json, "expected", claim->expected);
        lt_json_string(&json, "measured", claim->measured);
        lt_json_string(&json, "say", claim->say);
        lt_json_close(&json, '}');
    }
    lt_json_close(&json, ']');
    lt_json_close(&json, '}');
    lt_sink_char(sink, '\n');
}
