/* What every draft needs: texts and names that a profile can hold, and no draft with an error. */
#include "unit.h"

#include <unistd.h>

#include "loomtap/defs/draft.h"
#include "loomtap/defs/load.h"

static void texts_hold_nothing_that_ends_them(void **state)
{
    struct lt_arena arena;
    char longer[400];
    (void)state;
    lt_arena_init(&arena, 0);
    assert_string_equal(lt_draft_text(&arena, " a;b\tc\n"), "a,b c");
    assert_string_equal(lt_draft_text(&arena, "%s", "\xC2\x80x"), "x");
    assert_string_equal(lt_draft_text(&arena, "%s", "ab\xFF"), "ab");
    assert_string_equal(lt_draft_text(&arena, "%s", " "), "-");
    memset(longer, 'x', sizeof longer - 1);
    longer[sizeof longer - 1] = '\0';
    assert_int_equal(strlen(lt_draft_text(&arena, "%s", longer)), LT_DRAFT_TEXT_ROOM);
    lt_arena_release(&arena);
}

static void names_are_those_of_a_profile(void **state)
{
    char name[LT_NAME_MAX + 1];
    (void)state;
    lt_draft_name(name, "Engine Speed [rpm]", "other");
    assert_string_equal(name, "engine_speed_rpm_");
    lt_draft_name(name, "0x123", "other");
    assert_string_equal(name, "x123");
    lt_draft_name(name, "\xC3\xA9", "other");
    assert_string_equal(name, "other");
    lt_draft_name(name, "a123456789012345678901234567890123456789", "other");
    assert_int_equal(strlen(name), LT_NAME_MAX - 3);
}

static struct lt_sink *sink_into(struct lt_buf *out)
{
    struct lt_sink *sink = malloc(sizeof *sink);
    assert_non_null(sink);
    lt_buf_init(out, 0);
    lt_sink_init_buf(sink, out);
    return sink;
}

static void what_check_refuses_is_not_written(void **state)
{
    struct lt_frame_def frame = {
        .name = "x100", .bus = LT_NONE, .id = 0x100, .length = 8, .source = LT_NONE};
    struct lt_signal_def signals[2] = {lt_draft_signal(0), lt_draft_signal(0)};
    struct lt_profile draft = {
        .name = "d", .frames = &frame, .frame_count = 1, .signals = signals, .signal_count = 1};
    struct lt_error error;
    struct lt_buf out;
    (void)state;
    signals[0].name = "one";
    signals[1].name = "two";
    for (size_t i = 0; i < 2; i++)
        assert_true(lt_bits_parse(LT_TEXT("0.7..0.0"), &signals[i].bits));
    struct lt_sink *sink = sink_into(&out);
    assert_int_equal(lt_draft_write(&draft, sink, &error), LT_OK);
    assert_true(lt_sink_flush(sink));
    assert_non_null(strstr(out.at, "[signal one]\nframe = x100\nbits = 0.7..0.0\n"));
    size_t written = out.len;
    draft.signal_count = 2; /* the same bits twice */
    assert_int_equal(lt_draft_write(&draft, sink, &error), LT_E_FAULTS);
    assert_true(lt_sink_flush(sink));
    assert_int_equal(out.len, written);
    assert_non_null(strstr(error.text, "would not pass `check`"));
    lt_buf_release(&out);
    free(sink);
}

/* A car of which nothing is known but what is wanted. */
static void a_profile_to_be_filled_lacks_its_roles(void **state)
{
    static const char text[] = "[profile]\nformat = 1\nname = wanted\nrequires = load pedal\n";
    char path[] = "/tmp/loomtap-wanted-XXXXXX";
    struct lt_profile *profile = NULL;
    struct lt_faults faults;
    (void)state;
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, sizeof text - 1), sizeof text - 1);
    close(fd);
    lt_faults_init(&faults, 0);
    assert_int_equal(lt_profile_load(&profile, path, &faults), LT_E_FAULTS);
    assert_int_equal(faults.errors, 2);
    assert_int_equal(lt_profile_load_unfinished(&profile, path, &faults), LT_OK);
    assert_int_equal(profile->require_count, 2);
    lt_profile_free(profile);
    lt_faults_release(&faults);
    unlink(path);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(texts_hold_nothing_that_ends_them),
        cmocka_unit_test(names_are_those_of_a_profile),
        cmocka_unit_test(what_check_refuses_is_not_written),
        cmocka_unit_test(a_profile_to_be_filled_lacks_its_roles),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
