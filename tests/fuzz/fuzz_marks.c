/* Marks, any bytes: what is read is in order, and every label is short text. */
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
    struct lt_reference marks;
    struct lt_error error;
    struct lt_arena arena;
    uint64_t unordered = 0;
    if (size > 20000)
        return 0;
    lt_arena_init(&arena, 0);
    enum lt_code code =
        lt_reference_parse_marks("fuzz.csv", (struct lt_text){(const char *)bytes, size}, NULL,
                                 &arena, &marks, &unordered, &error);
    if (code != LT_OK) {
        check(error.text[0] && error.code == code);
    } else {
        check(marks.count > 0 && unordered < marks.count);
        for (size_t i = 0; i < marks.count; i++)
            check(marks.label[i][0] && strlen(marks.label[i]) <= 64 &&
                  (i == 0 || marks.time_ns[i] >= marks.time_ns[i - 1]));
    }
    lt_arena_release(&arena);
    return 0;
}
