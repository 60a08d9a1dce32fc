/* The shared library with its public headers alone: from a profile's text and a line of a log to a
 * value, as a program of someone else would do it. */
#include "unit.h"

#include "loomtap/capture/reader.h"
#include "loomtap/core/plan.h"
#include "loomtap/defs/load.h"
#include "loomtap/measure/collect.h"

/* Published frame of a maker's J1939 manual: 6543.125 rpm. */
static const char log_line[] = "(1436509052.249713) can0 0CF00400#FFFFFF79CCFFFFFF\n";
static const char profile_text[] = "[profile]\nformat = 1\nname = small\n"
                                   "[frame eec1]\npgn = 61444\nlength = 8\n"
                                   "[signal engine_speed]\nframe = eec1\nbits = 4.7..3.0\n"
                                   "order = intel\nscale = 0.125\nunit = rpm\n";

static void a_value_out_of_a_line(void **state)
{
    struct lt_profile *profile = NULL;
    struct lt_reader *reader = NULL;
    struct lt_plan *plan = NULL;
    struct lt_faults faults;
    struct lt_plan_options options = {0};
    char text[LT_VALUE_ROOM + 1];
    (void)state;
    lt_faults_init(&faults, 0);
    assert_int_equal(lt_profile_load_memory(&profile, "small", LT_TEXT(profile_text), &faults),
                     LT_OK);
    assert_int_equal(
        lt_reader_open_memory(&reader, "x.log", log_line, sizeof log_line - 1, 0, NULL, NULL),
        LT_OK);
    const struct lt_profile *profiles[] = {profile};
    assert_int_equal(lt_plan_new(&plan, profiles, 1, NULL, 0, &options, NULL), LT_OK);
    const struct lt_frame *frame = lt_reader_next(reader);
    assert_non_null(frame);
    const struct lt_frame_plan *found = lt_plan_lookup(plan, frame);
    assert_non_null(found);
    uint64_t raw = lt_field_fetch(&found->fields[0], frame->data);
    text[lt_scaler_print(found->fields[0].scaler, raw, text)] = 0;
    assert_string_equal(text, "6543.125");
    lt_plan_free(plan);
    lt_reader_free(reader);
    lt_profile_free(profile);
    lt_faults_release(&faults);
}

/* Frames as they come, looked at in between, as a live view would. */
static void bits_counted_while_frames_come(void **state)
{
    struct lt_collect *collect = NULL;
    struct lt_frame frame = {.id = 0x123, .len = 2};
    (void)state;
    assert_int_equal(lt_collect_new(&collect, NULL, NULL), LT_OK);
    for (unsigned i = 0; i < 200; i++) {
        frame.time_ns = (int64_t)i * 10000000;
        frame.data[1] = (uint8_t)(i & 1);
        assert_int_equal(lt_collect_add(collect, &frame, NULL), LT_OK);
        if (i != 99 && i != 199)
            continue;
        assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
        assert_int_equal(lt_collect_count(collect), 1);
        const struct lt_stream *stream = lt_collect_stream(collect, 0);
        uint64_t ones[512], flips[512];
        assert_int_equal(stream->timing.count, i + 1);
        assert_int_equal(stream->timing.period_ns, 10000000);
        lt_moments_activity(stream->pages[0].moments, ones, flips);
        assert_int_equal(ones[8], (i + 1) / 2);
        assert_int_equal(flips[8], i);
    }
    lt_collect_free(collect);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_value_out_of_a_line),
        cmocka_unit_test(bits_counted_while_frames_come),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
