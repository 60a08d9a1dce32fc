/* Any bytes as expected warnings. What is read can be held against events, and each line ends up
 * met, ignored or missed. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "loomtap/warn/expect.h"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

static void check(bool fine)
{
    if (!fine)
        abort();
}

static void hold_events(struct lt_expect *expect, const uint8_t *bytes, size_t size)
{
    struct lt_faults faults;
    uint64_t events = 0;
    lt_faults_init(&faults, 5);
    for (size_t i = 0; i < size && i < 200; i++, events++) {
        struct lt_warn_event event = {
            .warning = bytes[i] & 1, .on = bytes[i] & 2, .cause = bytes[i] >> 2 & 1};
        lt_expect_event(expect, (int64_t)i * 500000000, &event, &faults);
    }
    lt_expect_finish(expect, &faults);
    const struct lt_expect_counts *counts = lt_expect_counts(expect);
    check(counts->met + counts->unexpected + counts->ignored == events);
    check(counts->met + counts->missed <= counts->lines);
    check(faults.errors == counts->unexpected + counts->missed);
    lt_faults_release(&faults);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    static struct lt_warning_def warnings[2] = {{.name = "lean"}, {.name = "low"}};
    static const struct lt_profile profile = {.warnings = warnings, .warning_count = 2};
    struct lt_expect *expect = NULL;
    struct lt_error error;
    struct lt_arena arena;
    lt_arena_init(&arena, 0);
    enum lt_code code = lt_expect_parse("fuzz.expect", (struct lt_text){(const char *)bytes, size},
                                        &profile, &arena, &expect, &error);
    if (code == LT_OK) {
        check(expect != NULL);
        hold_events(expect, bytes, size);
    } else {
        check(error.code == code && error.text[0]);
        check(!error.line || (error.column >= 1 && error.column <= size + 1));
    }
    lt_arena_release(&arena);
    return 0;
}
