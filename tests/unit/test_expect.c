/* Expected warnings as text, and events held against them. */
#include "warn_stage.h"

#include "loomtap/warn/expect.h"

#define MS_NS INT64_C(1000000)

static const char profile_text[] = STAGE_CAR "[warning lean]\nwhen = a > 10\nlimp = yes\n"
                                             "[warning low]\nwhen = b > 10\nlimp = yes\n";

struct fixture {
    struct lt_profile *profile;
    struct lt_arena arena;
    struct lt_faults faults;
    struct lt_error error;
    struct lt_expect *expect;
};

static void begin(struct fixture *f)
{
    f->profile = stage_profile(profile_text);
    f->expect = NULL;
    lt_arena_init(&f->arena, 0);
    lt_faults_init(&f->faults, 0);
}

static void end(struct fixture *f)
{
    lt_faults_release(&f->faults);
    lt_arena_release(&f->arena);
    lt_profile_free(f->profile);
}

static enum lt_code parse(struct fixture *f, const char *text)
{
    return lt_expect_parse("drive.expect", lt_text_of(text), f->profile, &f->arena, &f->expect,
                           &f->error);
}

static bool event(struct fixture *f, int64_t at_ns, uint32_t warning, bool on,
                  enum lt_warn_cause cause)
{
    const struct lt_warn_event event = {.warning = warning, .on = on, .cause = cause};
    return lt_expect_event(f->expect, at_ns, &event, &f->faults);
}

static void events_within_the_tolerance_meet_their_lines(void **state)
{
    struct fixture f;
    (void)state;
    begin(&f);
    assert_int_equal(parse(&f, "# a drive\r\n"
                               "1.5  lean on condition   # the first\n"
                               "tolerance 0.2\n"
                               "\t2 lean off\n"
                               "3 low on lost within 0\n"
                               "ignore low # never mind\n"),
                     LT_OK);
    assert_true(event(&f, 1550 * MS_NS, 0, true, LT_WARN_CAUSE_CONDITION)); /* 50 ms: just */
    assert_true(event(&f, 1800 * MS_NS, 0, false, LT_WARN_CAUSE_LOST));     /* whatever the cause */
    assert_true(event(&f, 9000 * MS_NS, 1, true, LT_WARN_CAUSE_LOST));      /* ignored */
    lt_expect_finish(f.expect, &f.faults);
    const struct lt_expect_counts *counts = lt_expect_counts(f.expect);
    assert_int_equal(counts->lines, 3);
    assert_int_equal(counts->met, 2);
    assert_int_equal(counts->missed, 0);
    assert_int_equal(counts->unexpected, 0);
    assert_int_equal(counts->ignored, 1);
    assert_int_equal(f.faults.count, 0);
    end(&f);
}

static void what_is_missed_and_what_is_unexpected_is_said(void **state)
{
    struct fixture f;
    (void)state;
    begin(&f);
    assert_int_equal(parse(&f, "\n1.5 lean on condition\n2.5 lean off condition within 0.1\n"),
                     LT_OK);
    assert_false(event(&f, 1550 * MS_NS + 1, 0, true, LT_WARN_CAUSE_CONDITION)); /* too far */
    assert_false(event(&f, 1500 * MS_NS, 0, true, LT_WARN_CAUSE_LOST));          /* cause */
    assert_false(event(&f, 1500 * MS_NS, 1, true, LT_WARN_CAUSE_CONDITION));     /* warning */
    assert_false(event(&f, 2500 * MS_NS, 0, true, LT_WARN_CAUSE_CONDITION));     /* change */
    lt_expect_finish(f.expect, &f.faults);
    assert_int_equal(lt_expect_counts(f.expect)->missed, 2);
    assert_int_equal(lt_expect_counts(f.expect)->unexpected, 4);
    assert_int_equal(f.faults.errors, 6);
    assert_string_equal(f.faults.items[0].text, "unexpected: 1.550000001 lean on condition");
    assert_string_equal(f.faults.items[4].text, "missed: 1.5 lean on condition within 0.05 s");
    assert_int_equal(f.faults.items[4].line, 2);
    assert_string_equal(f.faults.items[5].text, "missed: 2.5 lean off condition within 0.1 s");
    end(&f);
}

static void an_event_meets_one_line_and_a_line_one_event(void **state)
{
    struct fixture f;
    (void)state;
    begin(&f);
    assert_int_equal(parse(&f, "1.02 lean on\n1.0 lean on\n"), LT_OK);
    assert_true(event(&f, 1010 * MS_NS, 0, true, LT_WARN_CAUSE_CONDITION));
    assert_true(event(&f, 1060 * MS_NS, 0, true, LT_WARN_CAUSE_CONDITION)); /* 1.02: 1.0 is met */
    assert_false(event(&f, 1020 * MS_NS, 0, true, LT_WARN_CAUSE_CONDITION));
    end(&f);
}

static void what_is_written_reads_back(void **state)
{
    struct fixture f;
    struct lt_buf text;
    static struct lt_sink sink;
    const struct lt_warn_event events[] = {
        {.warning = 1, .on = true, .cause = LT_WARN_CAUSE_LOST},
        {.warning = 1, .on = false, .cause = LT_WARN_CAUSE_LOST},
        {.warning = 0, .on = true, .cause = LT_WARN_CAUSE_CONDITION}};
    const int64_t times[] = {0, 400000001, 123456789123};
    (void)state;
    begin(&f);
    lt_buf_init(&text, 0);
    lt_sink_init_buf(&sink, &text);
    lt_sink_string(&sink, "tolerance 0\n");
    for (size_t i = 0; i < COUNT_OF(events); i++)
        lt_expect_write(&sink, f.profile, times[i], &events[i]);
    lt_sink_flush(&sink);
    assert_int_equal(parse(&f, text.at), LT_OK);
    for (size_t i = 0; i < COUNT_OF(events); i++)
        assert_true(lt_expect_event(f.expect, times[i], &events[i], &f.faults));
    lt_expect_finish(f.expect, &f.faults);
    assert_int_equal(f.faults.count, 0);
    lt_buf_release(&text);
    end(&f);
}

static void faults_have_their_place(void **state)
{
    static const struct {
        const char *text;
        enum lt_code code;
        unsigned line, column;
    } cases[] = {
        {"soon lean on\n", LT_E_SYNTAX, 1, 1},
        {"-1 lean on\n", LT_E_SYNTAX, 1, 1},
        {"1e30 lean on\n", LT_E_SYNTAX, 1, 1},
        {"\n1.5\n", LT_E_SYNTAX, 2, 4},
        {"1.5 rich on\n", LT_E_UNKNOWN, 1, 5},
        {"1.5 lean up\n", LT_E_SYNTAX, 1, 10},
        {"1.5 lean on maybe\n", LT_E_SYNTAX, 1, 13},
        {"1.5 lean on lost within\n", LT_E_RANGE, 1, 24},
        {"1.5 lean on within -1\n", LT_E_RANGE, 1, 20},
        {"1.5 lean on lost within 1 2\n", LT_E_SYNTAX, 1, 27},
        {"tolerance fine\n", LT_E_RANGE, 1, 11},
        {"ignore all\n", LT_E_UNKNOWN, 1, 8},
        {"1.5 lean on \xFF\n", LT_E_SYNTAX, 1, 13},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        struct fixture f;
        begin(&f);
        assert_int_equal(parse(&f, cases[i].text), cases[i].code);
        assert_string_equal(f.error.source, "drive.expect");
        assert_int_equal(f.error.line, cases[i].line);
        assert_int_equal(f.error.column, cases[i].column);
        assert_null(f.expect);
        end(&f);
    }
}

static void everything_that_grows_has_a_ceiling(void **state)
{
    struct fixture f;
    struct lt_buf text;
    (void)state;
    begin(&f);
    lt_buf_init(&text, 0);
    for (unsigned i = 0; i < LT_EXPECT_LINES_MAX; i++)
        lt_buf_string(&text, "1 lean on\n");
    assert_int_equal(parse(&f, text.at), LT_OK);
    lt_buf_string(&text, "1 lean on\n");
    assert_int_equal(parse(&f, text.at), LT_E_LIMIT);
    lt_buf_clear(&text);
    lt_buf_format(&text, "1 lean on #%*s", LT_EXPECT_LINE_MAX, "");
    assert_int_equal(parse(&f, text.at), LT_E_LIMIT);
    lt_buf_clear(&text);
    lt_buf_format(&text, "%*s", (int)LT_EXPECT_BYTES_MAX + 1, "");
    assert_int_equal(parse(&f, text.at), LT_E_LIMIT);
    lt_buf_release(&text);
    end(&f);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(events_within_the_tolerance_meet_their_lines),
        cmocka_unit_test(what_is_missed_and_what_is_unexpected_is_said),
        cmocka_unit_test(an_event_meets_one_line_and_a_line_one_event),
        cmocka_unit_test(what_is_written_reads_back),
        cmocka_unit_test(faults_have_their_place),
        cmocka_unit_test(everything_that_grows_has_a_ceiling),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
