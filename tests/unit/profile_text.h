/* For the tests of src/defs: loading profiles from text, and looking for one fault. */
#ifndef LOOMTAP_TESTS_PROFILE_TEXT_H
#define LOOMTAP_TESTS_PROFILE_TEXT_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "loomtap/defs/load.h"

struct loaded {
    enum lt_code code;
    struct lt_profile *profile;
    struct lt_faults faults;
};

static inline struct loaded load_bytes(const char *text, size_t len)
{
    struct loaded got = {.profile = NULL};
    lt_faults_init(&got.faults, 0);
    got.code =
        lt_profile_load_memory(&got.profile, "t.ini", (struct lt_text){text, len}, &got.faults);
    /* A profile is given if and only if nothing was wrong with it. */
    assert_int_equal(got.code == LT_OK, got.profile != NULL);
    assert_int_equal(got.code == LT_OK, got.faults.errors == 0);
    return got;
}

static inline struct loaded load_text(const char *text)
{
    return load_bytes(text, strlen(text));
}

static inline void release(struct loaded *got)
{
    lt_profile_free(got->profile);
    lt_faults_release(&got->faults);
}

static inline void show_faults(const struct loaded *got)
{
    for (size_t i = 0; i < got->faults.count; i++) {
        char text[1200];
        lt_error_print(&got->faults.items[i], text, sizeof text);
        print_message("%s\n", text);
    }
}

static inline struct loaded load_good(const char *text)
{
    struct loaded got = load_text(text);
    if (got.faults.count) {
        show_faults(&got);
        print_message("unexpected faults in:\n%s\n", text);
    }
    assert_int_equal(got.code, LT_OK);
    assert_int_equal(got.faults.count, 0);
    return got;
}

/* One thing that is wrong with a text, and how it must be told. */
struct wrong {
    const char *what; /* the behaviour, for the reader of a failure */
    const char *text;
    uint64_t line;
    uint32_t column;
    const char *says;    /* words of the text */
    const char *advises; /* words of the advice */
    bool is_warning;
    enum lt_code code;
};

static inline void fail_wrong(const struct wrong *wrong, const struct loaded *got, const char *why)
{
    print_message("%s: %s\n", wrong->what, why);
    show_faults(got);
    fail();
}

/* Exactly this one fault is found, and nothing else. */
static inline void expect_wrong(const struct wrong *wrong, const char *text, size_t len,
                                uint64_t line_offset)
{
    struct loaded got = load_bytes(text, len);
    if (got.faults.count != 1)
        fail_wrong(wrong, &got, "not exactly one fault");
    const struct lt_error *fault = &got.faults.items[0];
    if ((fault->severity == LT_SEVERITY_WARNING) != wrong->is_warning)
        fail_wrong(wrong, &got, "wrong severity");
    if (fault->line != wrong->line + line_offset || fault->column != wrong->column)
        fail_wrong(wrong, &got, "wrong place");
    if (!strstr(fault->text, wrong->says))
        fail_wrong(wrong, &got, "wrong text");
    if (!strstr(fault->advice, wrong->advises) || fault->advice[0] == '\0')
        fail_wrong(wrong, &got, "wrong advice");
    if (wrong->code != LT_OK && fault->code != wrong->code)
        fail_wrong(wrong, &got, "wrong code");
    assert_string_equal(fault->source, "t.ini");
    release(&got);
}

#endif
