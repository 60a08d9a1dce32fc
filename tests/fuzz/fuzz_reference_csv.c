/* A logger's table, any bytes: what is read is in order and finite, and the same every time. The
 * first byte chooses whether a capture is told of. */
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "loomtap/seek/reference.h"

static void check(bool fine)
{
    if (!fine)
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    struct lt_csv_reference_options options = {.target = NULL};
    struct lt_reference reference;
    struct lt_error error;
    struct lt_arena arena;
    uint64_t skipped = 0;
    if (size < 1 || size > 20000)
        return 0;
    if (bytes[0] & 1) {
        options.capture_first_ns = INT64_C(1000000000) * INT64_C(1000000000);
        options.capture_last_ns = options.capture_first_ns + INT64_C(300000000000);
    }
    if (bytes[0] & 2)
        options.target = "engine_speed";
    lt_arena_init(&arena, 0);
    enum lt_code code =
        lt_reference_parse_csv("fuzz.csv", (struct lt_text){(const char *)bytes + 1, size - 1},
                               &options, &arena, &reference, &skipped, &error);
    if (code != LT_OK) {
        check(error.text[0] && error.code == code);
    } else {
        check(reference.count > 0 && reference.count <= size && skipped <= size);
        check(reference.clock_low_ns <= reference.clock_high_ns);
        check(reference.quantum >= 0 && isfinite(reference.quantum));
        for (size_t i = 0; i < reference.count; i++)
            check(isfinite(reference.value[i]) &&
                  (i == 0 || reference.time_ns[i] >= reference.time_ns[i - 1]));
    }
    lt_arena_release(&arena);
    return 0;
}
