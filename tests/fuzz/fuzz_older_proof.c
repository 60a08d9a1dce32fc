/* The JSON of an older proof, any bytes: read whole or refused with a reason, and comparable with a
 * proof that has nothing: then every claim of it is gone. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "loomtap/prove/older.h"

static void check(bool fine)
{
    if (!fine)
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    struct lt_older_proof older;
    struct lt_proof nothing = {0};
    const struct lt_proof_change *changes;
    struct lt_arena arena;
    struct lt_error error;
    size_t count;
    enum lt_code code = lt_older_proof_parse(
        "fuzz.json", (struct lt_text){(const char *)bytes, size}, &older, &error);
    if (code != LT_OK) {
        check(error.code == code && error.text[0]);
        return 0;
    }
    lt_arena_init(&arena, 0);
    check(older.verdict && older.hash);
    if (lt_older_proof_compare(&older, &nothing, &arena, &changes, &count)) {
        check(count == older.count);
        for (size_t i = 0; i < count; i++)
            check(strcmp(changes[i].now, "absent") == 0 && changes[i].id && changes[i].subject);
    }
    lt_arena_release(&arena);
    lt_older_proof_free(&older);
    return 0;
}
