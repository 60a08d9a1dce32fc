/* The outputs of a search: the JSON's keys as the design has them, a table within its width, a page
 * that is well formed, and a draft that holds nothing twice and nothing that is not found. */
#include "unit.h"

#include <math.h>

#include "loomtap/defs/load.h"
#include "loomtap/seek/output.h"

#define TARGETS 4

struct by_hand {
    struct lt_collect_counts counts;
    struct lt_stream stream[2];
    int64_t time_ns[64];
    uint8_t flags[64], bytes[64 * 8 + 8];
    struct lt_reference reference[TARGETS];
    struct lt_candidate candidate[TARGETS][2];
    struct lt_seek_target target[TARGETS];
    struct lt_seek_report report;
    int64_t heard_ns[32];
    double value[32];
    const char *label[32];
    struct lt_frame_def frame[2];
    struct lt_checksum checksum;
    struct lt_signal_def selector;
    struct lt_profile frames;
};

static struct lt_bits bits_of(const char *text)
{
    struct lt_bits bits;
    assert_true(lt_bits_parse(lt_text_of(text), &bits));
    return bits;
}

static const char *const files[] = {"x.log"}, *const buses[] = {"can0"};
static const uint32_t bus_of[LT_BUSES_MAX];

static void add_frames(struct by_hand *made)
{
    static struct lt_bus_def bus = {.name = "power", .sample_point = {0, 1}};
    struct lt_error error;
    assert_int_equal(
        lt_checksum_parse(LT_TEXT("crc8-sae-j1850 over 0..6 in 7"), &made->checksum, &error),
        LT_OK);
    for (size_t i = 0; i < 2; i++) {
        made->stream[i].key = (struct lt_stream_key){.id = 0x100 + (uint32_t)i, .length = 8};
        made->stream[i].kept = (struct lt_kept){.key = made->stream[i].key,
                                                .count = 64,
                                                .time_ns = made->time_ns,
                                                .flags = made->flags,
                                                .bytes = made->bytes,
                                                .whole = true};
        made->frame[i] = (struct lt_frame_def){.name = i ? "x101" : "x100",
                                               .id = 0x100 + (uint32_t)i,
                                               .source = LT_NONE,
                                               .length = 8,
                                               .period_ns = 10000000};
    }
    made->frame[0].checksums = &made->checksum;
    made->frame[0].checksum_count = 1;
    made->frame[0].counter = (struct lt_counter_def){true, bits_of("6.3..6.0"), 16, 1};
    made->selector = (struct lt_signal_def){.name = "x101_page",
                                            .frame = 1,
                                            .parameter = LT_NONE,
                                            .bits = bits_of("0.7..0.0"),
                                            .scale = {1, 1},
                                            .offset = {0, 1},
                                            .curve = LT_NONE,
                                            .stoich = {0, 1},
                                            .on_lost_value = {0, 1}};
    made->stream[1].selector.present = true;
    made->stream[1].selector.bits = made->selector.bits;
    made->frames = (struct lt_profile){.buses = &bus,
                                       .bus_count = 1,
                                       .frames = made->frame,
                                       .frame_count = 2,
                                       .signals = &made->selector,
                                       .signal_count = 1};
}

static struct by_hand *make(void)
{
    struct by_hand *made = calloc(1, sizeof *made);
    assert_non_null(made);
    made->counts.frames = 128;
    made->counts.last_ns = 630000000;
    for (size_t i = 0; i < 64; i++)
        made->time_ns[i] = (int64_t)i * 10000000;
    for (size_t i = 0; i < sizeof made->bytes; i++)
        made->bytes[i] = (uint8_t)(i * 7 % 251);
    for (size_t i = 0; i < 32; i++) {
        made->heard_ns[i] = (int64_t)i * 20000000;
        made->value[i] = (double)(i * i % 17);
        made->label[i] = i % 8 < 4 ? "comfort" : "sport";
    }
    add_frames(made);
    made->report = (struct lt_seek_report){.targets = made->target,
                                           .files = files,
                                           .file_count = 1,
                                           .collected = &made->counts,
                                           .bus_names = buses,
                                           .bus_count = 1};
    return made;
}

static struct lt_seek_target *add(struct by_hand *made, const char *name, unsigned stream,
                                  const char *bits, double confidence)
{
    size_t n = made->report.target_count++;
    assert_true(n < TARGETS);
    made->reference[n] = (struct lt_reference){.name = "obd 01 0C 7E8",
                                               .target = name,
                                               .role = lt_role_find(lt_text_of(name)),
                                               .unit = "rpm",
                                               .count = 32,
                                               .time_ns = made->heard_ns,
                                               .value = made->value,
                                               .quantum = 0.25,
                                               .lag_high_ns = 100000000};
    for (size_t i = 0; i < 2; i++)
        made->candidate[n][i] = (struct lt_candidate){.stream = &made->stream[stream],
                                                      .bits = bits_of(bits),
                                                      .scale = 0.25,
                                                      .snapped = true,
                                                      .lag_s = 0.03,
                                                      .r = 0.9998,
                                                      .rmse = 3.1,
                                                      .confidence = confidence,
                                                      .group = 1 + (unsigned)i,
                                                      .why = "why"};
    for (size_t i = 0; i < 2; i++) {
        made->candidate[n][i].order = lt_bits_order(&made->candidate[n][i].bits);
        made->candidate[n][i].proven_bits = made->candidate[n][i].bits;
    }
    made->target[n] = (struct lt_seek_target){.reference = &made->reference[n],
                                              .n_eff = 130,
                                              .r_needed = 0.38,
                                              .say = "a sentence",
                                              .count = 1,
                                              .candidates = made->candidate[n]};
    return &made->target[n];
}

static struct lt_candidate *best_of(struct by_hand *made, const struct lt_seek_target *target)
{
    return made->candidate[target - made->target];
}

/* --- as text -------------------------------------------------------------------------------- */

static char *output(void (*put)(const struct lt_seek_report *, struct lt_sink *),
                    const struct by_hand *made)
{
    struct lt_sink *sink = malloc(sizeof *sink);
    struct lt_buf out;
    assert_non_null(sink);
    lt_buf_init(&out, 0);
    lt_sink_init_buf(sink, &out);
    put(&made->report, sink);
    assert_true(lt_sink_flush(sink));
    assert_false(out.failed);
    free(sink);
    return out.at;
}

static void json_has(const struct by_hand *made, const char *wanted)
{
    char *text = output(lt_seek_json, made);
    if (!strstr(text, wanted))
        print_error("not there: %s\nin: %s\n", wanted, text);
    assert_non_null(strstr(text, wanted));
    free(text);
}

static void numbers_have_their_keys(void **state)
{
    struct by_hand *made = make();
    (void)state;
    add(made, "engine_speed", 0, "0.7..1.0", 0.99);
    json_has(made, "\"targets\":[{\"target\":\"engine_speed\",\"reference\":\"obd 01 0C 7E8\","
                   "\"n_eff\":130,\"r_needed\":0.38,\"verdict\":\"found\",\"say\":\"a sentence\","
                   "\"candidates\":[{\"bus\":\"can0\",\"id\":256,\"extended\":false,\"page\":null,"
                   "\"bits\":\"0.7..1.0\",\"order\":\"motorola\",\"sign\":\"unsigned\","
                   "\"proven_bits\":\"0.7..1.0\",\"scale\":0.25,\"offset\":0,\"unit\":\"rpm\","
                   "\"lag_s\":0.03,\"r\":0.9998,\"rmse\":3.1,\"confidence\":0.99,\"group\":1,"
                   "\"values\":null,");
    json_has(made, "\"clock_s\":null");
    best_of(made, made->target)->rmse = NAN;
    json_has(made, "\"rmse\":null");
    made->target->clock_found = true;
    made->target->clock_s = -7.25;
    json_has(made, "\"clock_s\":-7.25");
    char *text = output(lt_seek_table, made);
    assert_non_null(strstr(text, "(its clock is 7.25 s behind the recording's)"));
    free(text);
    free(made);
}

static void make_labels(struct by_hand *made, struct lt_seek_target *target)
{
    static const struct lt_candidate_value values[] = {{0, "comfort", 2}, {1, "unavailable", 1}};
    struct lt_reference *reference = &made->reference[target - made->target];
    reference->value = NULL;
    reference->label = made->label;
    reference->unit = "";
    best_of(made, target)->values = values;
    best_of(made, target)->value_count = 2;
}

static void labels_have_values_and_no_scale(void **state)
{
    struct by_hand *made = make();
    (void)state;
    make_labels(made, add(made, "drive_mode", 0, "3.6..3.4", 0.9));
    json_has(made, "\"scale\":null,\"offset\":null,\"unit\":\"\",\"lag_s\":0.03,\"r\":0.9998,"
                   "\"rmse\":null,\"confidence\":0.9,\"group\":1,\"values\":[{\"raw\":0,"
                   "\"label\":\"comfort\",\"visits\":2},{\"raw\":1,\"label\":\"unavailable\","
                   "\"visits\":1}]");
    json_has(made, "\"r_needed\":null");
    free(made);
}

static void what_is_missing_is_listed(void **state)
{
    static const struct lt_seek_missing missing = {"lambda", "Poll 01 34."};
    static const char *const asked[] = {"01 52"};
    struct by_hand *made = make();
    (void)state;
    made->report.missing = &missing;
    made->report.missing_count = 1;
    made->report.asked = asked;
    made->report.asked_count = 1;
    json_has(made, "\"targets\":[],\"missing\":[{\"target\":\"lambda\",\"say\":\"Poll 01 34.\"}],"
                   "\"unanswered\":[\"01 52\"]}");
    free(made);
}

static void the_table_keeps_its_width(void **state)
{
    struct by_hand *made = make();
    (void)state;
    struct lt_seek_target *target = add(made, "engine_speed", 0, "0.7..1.0", 0.99);
    target->say = "a sentence that goes on and on and on, over the hills and far away, until it is "
                  "longer than any line of the table may be, and then some more";
    make_labels(made, add(made, "drive_mode", 1, "3.6..3.4", 0.9));
    char *text = output(lt_seek_table, made);
    for (char *line = text; *line;) {
        size_t len = strcspn(line, "\n");
        assert_true(len <= 100);
        line += len + (line[len] == '\n');
    }
    assert_non_null(strstr(text, "engine_speed: found  (obd 01 0C 7E8, 32 values worth 130, r 0.38 "
                                 "needed)\n"));
    assert_non_null(strstr(text, "x 0.25 rpm"));
    assert_non_null(strstr(text, "0 comfort, 1 unavailable"));
    free(text);
    free(made);
}

/* --- the page ------------------------------------------------------------------------------- */

/* Every element that is opened is closed, in order; those without content say so themselves. */
static void assert_well_formed(const char *text)
{
    char open[64][16];
    size_t depth = 0;
    for (const char *at = strchr(text, '<'); at; at = strchr(at + 1, '<')) {
        const char *name = at + 1, *end = strchr(at, '>');
        assert_non_null(end);
        bool closes = *name == '/';
        size_t len = strspn(name + closes, "abcdefghijklmnopqrstuvwxyz0123456789");
        if (*name == '!' || end[-1] == '/' || strncmp(name, "meta", 4) == 0)
            continue;
        assert_true(len > 0 && len < 16);
        if (!closes) {
            assert_true(depth < 64);
            memcpy(open[depth], name, len);
            open[depth++][len] = '\0';
            continue;
        }
        assert_true(depth > 0);
        assert_memory_equal(open[--depth], name + 1, len);
    }
    assert_int_equal(depth, 0);
}

static void the_page_is_well_formed_and_alone(void **state)
{
    struct by_hand *made = make();
    (void)state;
    add(made, "engine_speed", 0, "0.7..1.0", 0.99)->count = 2; /* the second is a rival */
    make_labels(made, add(made, "drive_mode", 0, "3.6..3.4", 0.9));
    struct lt_seek_target *none = add(made, "load", 0, "2.7..2.0", 0);
    none->verdict = LT_SEEK_NOT_EXERCISED;
    none->count = 0;
    struct lt_seek_target *odd = add(made, "a<b>", 0, "2.7..2.0", 0.2);
    odd->verdict = LT_SEEK_AMBIGUOUS;
    best_of(made, odd)->scale = INFINITY; /* nothing can be drawn of it */
    char *text = output(lt_seek_html, made);
    assert_well_formed(text);
    assert_null(strstr(text, "<script"));
    assert_null(strstr(text, "http:"));
    assert_null(strstr(text, "https:"));
    assert_null(strstr(text, "nan"));
    assert_null(strstr(text, "a<b>"));
    assert_non_null(strstr(text, "a&lt;b&gt;"));
    size_t charts = 0;
    for (const char *at = text; (at = strstr(at, "<svg class=\"chart\"")) != NULL; at++)
        charts++;
    assert_int_equal(charts, 4);
    free(text);
    free(made);
}

/* --- the draft ------------------------------------------------------------------------------ */

static char *draft(struct by_hand *made, struct lt_seek_draft_counts *ret_counts)
{
    struct lt_seek_draft_options options = {.name = "d", .frames = &made->frames, .bus_of = bus_of};
    struct lt_sink *sink = malloc(sizeof *sink);
    struct lt_profile *profile = NULL;
    struct lt_faults faults;
    struct lt_error error;
    struct lt_buf out;
    assert_non_null(sink);
    lt_buf_init(&out, 0);
    lt_sink_init_buf(sink, &out);
    assert_int_equal(lt_seek_draft(&made->report, &options, sink, ret_counts, &error), LT_OK);
    assert_true(lt_sink_flush(sink));
    free(sink);
    lt_faults_init(&faults, 0);
    assert_int_equal(lt_profile_load_memory(&profile, "d", lt_buf_text(&out), &faults), LT_OK);
    lt_profile_free(profile);
    lt_faults_release(&faults);
    return out.at;
}

static void assert_has(const char *text, const char *wanted)
{
    if (!strstr(text, wanted))
        print_error("not there: %s\nin: %s\n", wanted, text);
    assert_non_null(strstr(text, wanted));
}

static void a_draft_has_frame_and_signal(void **state)
{
    struct by_hand *made = make();
    struct lt_seek_draft_counts counts;
    (void)state;
    add(made, "engine_speed", 0, "0.7..1.0", 0.99);
    char *text = draft(made, &counts);
    assert_has(text, "requires = engine_speed\n");
    assert_has(text, "[frame x100]\nbus = power\nid = 0x100\nlength = 8\nperiod_ms = 10\n"
                     "counter = 6.3..6.0\nchecksum = crc8-sae-j1850 over 0..6 in 7\n");
    assert_has(text, "[signal engine_speed]\nframe = x100\nbits = 0.7..1.0\norder = motorola\n"
                     "scale = 0.25\nunit = rpm\nrole = engine_speed\n");
    assert_has(text, "evidence = obd 01 0C 7E8 99 %: r 0.99980, left over 3.1 rpm, lag 30 ms\n");
    assert_null(strstr(text, "x101")); /* no signal there */
    free(text);
    best_of(made, made->target)->proven_bits = bits_of("0.7..1.3");
    text = draft(made, &counts);
    assert_has(text, "evidence = obd 01 0C 7E8 99 % (proven down to 1.3): r");
    assert_int_equal(counts.signals, 1);
    assert_int_equal(counts.frames, 1);
    free(text);
    free(made);
}

static void a_draft_takes_what_is_found_once(void **state)
{
    struct by_hand *made = make();
    struct lt_seek_draft_counts counts;
    (void)state;
    add(made, "engine_speed", 0, "0.7..1.0", 0.9);
    add(made, "engine_speed", 0, "2.7..3.0", 0.99);
    add(made, "torque_like", 0, "3.7..3.0", 0.7); /* its bits are the surer one's */
    add(made, "load", 0, "4.7..4.0", 0.99)->verdict = LT_SEEK_AMBIGUOUS;
    char *text = draft(made, &counts);
    assert_has(text, "bits = 2.7..3.0\n");
    assert_null(strstr(text, "bits = 0.7..1.0\n"));
    assert_null(strstr(text, "bits = 4.7..4.0\n"));
    assert_int_equal(counts.signals, 1);
    assert_int_equal(counts.again, 1);
    assert_int_equal(counts.taken, 1);
    free(text);
    free(made);
}

static void counters_and_checks_are_no_signals(void **state)
{
    struct by_hand *made = make();
    struct lt_seek_draft_counts counts;
    (void)state;
    add(made, "one", 0, "6.7..6.0", 0.9);
    add(made, "two", 0, "7.3..7.0", 0.9);
    add(made, "three", 0, "6.7..6.4", 0.9);
    made->stream[1].key.length = 7; /* not the frame's */
    add(made, "four", 1, "2.7..2.0", 0.9);
    for (size_t i = 0; i < TARGETS; i++)
        made->reference[i].unit = "";
    char *text = draft(made, &counts);
    assert_int_equal(counts.signals, 1);
    assert_int_equal(counts.taken, 2);
    assert_int_equal(counts.no_frame, 1);
    assert_has(text, "[signal three]");
    free(text);
    free(made);
}

static void a_page_brings_its_selector(void **state)
{
    struct by_hand *made = make();
    struct lt_seek_draft_counts counts;
    (void)state;
    struct lt_seek_target *target = add(made, "engine_speed", 1, "2.7..2.0", 0.9);
    best_of(made, target)->has_page = true;
    best_of(made, target)->page = 3;
    char *text = draft(made, &counts);
    assert_has(text, "[signal x101_page]\nframe = x101\nbits = 0.7..0.0\n");
    assert_has(text, "page = x101_page 3\n");
    free(text);
    free(made);
}

static void scales_are_written_as_people_write_them(void **state)
{
    struct by_hand *made = make();
    struct lt_seek_draft_counts counts;
    (void)state;
    struct lt_candidate *best = best_of(made, add(made, "pedal", 0, "0.7..0.0", 0.9));
    made->reference[0].unit = "%";
    best->scale = 100.0 / 255;
    char *text = draft(made, &counts);
    assert_has(text, "scale = 20/51\n");
    free(text);
    best->scale = 0.1 * 3; /* 0.30000000000000004 */
    text = draft(made, &counts);
    assert_has(text, "scale = 0.3\n");
    free(text);
    best->snapped = false; /* measured: to a tenth of its error */
    best->scale = 0.392345678;
    best->scale_error = 0.0004;
    best->offset = -0.98765;
    best->offset_error = 0.2;
    text = draft(made, &counts);
    assert_has(text, "scale = 0.39235\noffset = -0.99\n");
    free(text);
    free(made);
}

static void labels_are_those_a_profile_can_hold(void **state)
{
    struct by_hand *made = make();
    struct lt_seek_draft_counts counts;
    (void)state;
    make_labels(made, add(made, "drive_mode", 0, "3.6..3.4", 0.9));
    char *text = draft(made, &counts);
    assert_has(text, "role = drive_mode\nvalues = 0 comfort, 1 state unavailable\n");
    free(text);
    free(made);
}

static void all_ones_that_were_seen_are_no_value(void **state)
{
    struct by_hand *made = make();
    struct lt_seek_draft_counts counts;
    (void)state;
    add(made, "engine_speed", 0, "0.7..0.0", 0.9);
    char *text = draft(made, &counts);
    assert_null(strstr(text, "unavailable"));
    free(text);
    made->bytes[8 * 5] = 0xFF;
    text = draft(made, &counts);
    assert_has(text, "unavailable = 0xFF\n");
    free(text);
    free(made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(numbers_have_their_keys),
        cmocka_unit_test(labels_have_values_and_no_scale),
        cmocka_unit_test(what_is_missing_is_listed),
        cmocka_unit_test(the_table_keeps_its_width),
        cmocka_unit_test(the_page_is_well_formed_and_alone),
        cmocka_unit_test(a_draft_has_frame_and_signal),
        cmocka_unit_test(a_draft_takes_what_is_found_once),
        cmocka_unit_test(counters_and_checks_are_no_signals),
        cmocka_unit_test(a_page_brings_its_selector),
        cmocka_unit_test(scales_are_written_as_people_write_them),
        cmocka_unit_test(labels_are_those_a_profile_can_hold),
        cmocka_unit_test(all_ones_that_were_seen_are_no_value),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
