/* Events as lines of text and of JSON, written out by hand from the design's section 5. */
#include "warn_stage.h"

#include "loomtap/base/sink.h"
#include "loomtap/warn/line.h"

struct lines {
    struct stage stage;
    struct lt_buf text, json;
};

static void put_event(void *context, const struct lt_warn_event *event)
{
    struct lines *lines = context;
    static struct lt_sink sink;
    struct lt_json json;
    lt_sink_init_buf(&sink, &lines->text);
    lt_warn_event_text(lines->stage.warn, lines->stage.profile, event, event->time_ns - 5 * MS, 4,
                       &sink);
    lt_sink_flush(&sink);
    lt_sink_init_buf(&sink, &lines->json);
    lt_json_init(&json, &sink);
    lt_json_open(&json, NULL, '{');
    lt_warn_event_json(lines->stage.warn, lines->stage.profile, event, &json);
    lt_json_close(&json, '}');
    lt_sink_flush(&sink);
}

static void an_event_is_a_line_of_text_and_one_of_json(void **state)
{
    struct lines lines = {0};
    const struct lt_warn_sink sink = {.context = &lines, .event = put_event};
    static const struct lt_binding binding = {0, 0, 0};
    (void)state;
    lt_buf_init(&lines.text, 0);
    lt_buf_init(&lines.json, 0);
    lines.stage.profile = stage_profile(STAGE_CAR "[warning w]\nwhen = a > 10 and b >= 0\n");
    assert_int_equal(lt_warn_new(&lines.stage.warn, lines.stage.profile, &binding, 1, &sink, NULL),
                     LT_OK);
    stage_frame(&lines.stage, 5 * MS, "100#0B02");
    stage_frame(&lines.stage, 30 * MS, "100#FF02"); /* unavailable: on by condition, now unknown */
    stage_frame(&lines.stage, 45500 * MS / 1000, "100#0302");
    assert_string_equal(lines.text.at,
                        "           0.0  w     on    condition  a 11, b 2\n"
                        "        0.0405  w     off   condition  a 3, b 2; after 0.0405 s\n");
    const char *wanted =
        "{\"time_s\":0.005,\"warning\":\"w\",\"change\":\"on\",\"cause\":\"condition\","
        "\"values\":{\"a\":11,\"b\":2}}"
        "{\"time_s\":0.0455,\"warning\":\"w\",\"change\":\"off\",\"cause\":\"condition\","
        "\"values\":{\"a\":3,\"b\":2}}";
    assert_string_equal(lines.json.at, wanted);
    lt_buf_release(&lines.text);
    lt_buf_release(&lines.json);
    stage_end(&lines.stage);
}

static void times_keep_their_digits_and_no_more(void **state)
{
    static const struct {
        int64_t ns;
        const char *text;
    } cases[] = {
        {0, "0.0"},
        {1, "0.000000001"},
        {1500000000, "1.5"},
        {-1500000000, "-1.5"},
        {60000000000, "60.0"},
        {1700000000123456789, "1700000000.123456789"},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        char text[LT_WARN_TIME_ROOM];
        size_t len = lt_warn_time_text(cases[i].ns, text);
        assert_string_equal(text, cases[i].text);
        assert_int_equal(len, strlen(cases[i].text));
    }
}

static void inputs_are_cut_where_they_do_not_fit(void **state)
{
    struct stage s;
    char text[8];
    (void)state;
    stage_begin(&s, STAGE_CAR "[warning w]\nwhen = a > 10 and b > 0\n");
    stage_frame(&s, 0, "100#0B02");
    const uint32_t *inputs;
    struct lt_warn_event event = {.on = true};
    event.input_count = lt_warn_inputs_of(s.warn, 0, &inputs);
    event.inputs = inputs;
    size_t len = lt_warn_inputs_text(s.warn, s.profile, &event, text, sizeof text);
    assert_true(len < sizeof text);
    assert_int_equal(strlen(text), len);
    assert_int_equal(strncmp(text, "a 11", 4), 0);
    stage_end(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_event_is_a_line_of_text_and_one_of_json),
        cmocka_unit_test(times_keep_their_digits_and_no_more),
        cmocka_unit_test(inputs_are_cut_where_they_do_not_fit),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
