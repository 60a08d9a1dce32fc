/* The outputs of a survey: the JSON's keys as the design has them, a draft that the loader takes
 * and that does not change, a table within its width. */
#include "made_bus.h"

#include "loomtap/defs/load.h"
#include "loomtap/survey/output.h"

/* --- a survey put together by hand --------------------------------------------------------- */

struct by_hand {
    struct lt_collect_counts counts;
    struct lt_stream stream;
    struct lt_page page;
    struct lt_survey_bus bus;
    struct lt_survey_frame frame;
    struct lt_survey_field fields[8];
    struct lt_affine affine;
    struct lt_survey survey;
};

static struct lt_bits bits_of(const char *text)
{
    struct lt_bits bits;
    assert_true(lt_bits_parse(lt_text_of(text), &bits));
    return bits;
}

static struct by_hand *make(void)
{
    struct by_hand *made = calloc(1, sizeof *made);
    assert_non_null(made);
    made->counts.frames = 1200;
    made->counts.first_ns = 0;
    made->counts.last_ns = 12 * MADE_S;
    made->stream.key = (struct lt_stream_key){.id = 0xC4, .length = 8};
    made->stream.timing = (struct lt_timing){.count = 1200,
                                             .period_ns = 10 * MADE_MS,
                                             .jitter_ns = 100000,
                                             .shortest_ns = 9 * MADE_MS,
                                             .longest_ns = 20 * MADE_MS,
                                             .cyclic = true,
                                             .gaps = 1,
                                             .lost = 2};
    made->stream.kept.key = made->stream.key;
    made->stream.kept.whole = true;
    made->stream.page_count = 1;
    made->stream.pages = &made->page;
    made->bus = (struct lt_survey_bus){
        .name = "can0", .frames = 1200, .bitrate_hz = 500000, .load = 0.25, .say = "a \"say\""};
    made->frame =
        (struct lt_survey_frame){.stream = &made->stream, .bus = "can0", .fields = made->fields};
    made->survey = (struct lt_survey){.counts = &made->counts,
                                      .duration_s = 12,
                                      .bus_count = 1,
                                      .buses = &made->bus,
                                      .frame_count = 1,
                                      .frames = &made->frame};
    return made;
}

static struct lt_survey_field *add(struct by_hand *made, enum lt_field_kind kind, const char *bits,
                                   double confidence)
{
    struct lt_survey_field *field = &made->fields[made->frame.field_count++];
    field->kind = kind;
    field->bits = bits_of(bits);
    field->order = lt_bits_order(&field->bits);
    field->confidence = confidence;
    field->why = "why";
    field->eta = NAN;
    return field;
}

static struct lt_survey_field *add_check(struct by_hand *made, const char *text)
{
    struct lt_checksum checksum;
    struct lt_error error;
    char place[128];
    assert_int_equal(lt_checksum_parse(lt_text_of(text), &checksum, &error), LT_OK);
    lt_bits_print(place, sizeof place, &checksum.place);
    struct lt_survey_field *field = add(made, LT_FIELD_CHECKSUM, place, 0.99);
    field->check = (struct lt_check_found){
        .form = LT_CHECK_FOUND, .place = checksum.place, .checksum = checksum, .verified = 1200};
    return field;
}

/* --- outputs as text ----------------------------------------------------------------------- */

static const char *const files[] = {"x.log"};
static const struct lt_survey_about plain = {.files = files, .file_count = 1};

static char *output(void (*put)(const struct lt_survey *, const struct lt_survey_about *,
                                struct lt_sink *),
                    const struct lt_survey *survey, const struct lt_survey_about *about)
{
    struct lt_sink *sink = malloc(sizeof *sink);
    struct lt_buf out;
    assert_non_null(sink);
    lt_buf_init(&out, 0);
    lt_sink_init_buf(sink, &out);
    put(survey, about, sink);
    assert_true(lt_sink_flush(sink));
    assert_false(out.failed);
    free(sink);
    return out.at; /* malloc's, as lt_buf_release frees it */
}

static void json_has(const struct by_hand *made, const char *wanted)
{
    char *text = output(lt_survey_json, &made->survey, &plain);
    if (!strstr(text, wanted))
        print_error("not there: %s\nin: %s\n", wanted, text);
    assert_non_null(strstr(text, wanted));
    free(text);
}

static void capture_and_frame_have_their_keys(void **state)
{
    struct by_hand *made = make();
    (void)state;
    json_has(made, "{\"capture\":{\"files\":[\"x.log\"],\"frames\":1200,\"malformed\":0,"
                   "\"duration_s\":12,\"buses\":[{\"name\":\"can0\",\"frames\":1200,"
                   "\"bitrate_assumed\":500000,\"bitrate_given\":false,\"load\":0.25,"
                   "\"say\":\"a \\\"say\\\"\"");
    json_has(made, "\"frames\":[{\"bus\":\"can0\",\"id\":196,\"extended\":false,\"fd\":false,"
                   "\"length\":8,\"count\":1200,\"period_ms\":10,\"jitter_ms\":0.1,\"gaps\":1,");
    json_has(made, "\"selector\":null,\"fields\":[]");
    made->stream.timing.period_ns = 0; /* not known: no number */
    json_has(made, "\"period_ms\":null,\"jitter_ms\":null");
    free(made);
}

static void fields_have_their_keys(void **state)
{
    static const uint16_t pages[] = {1, 3};
    struct by_hand *made = make();
    (void)state;
    struct lt_survey_field *field = add(made, LT_FIELD_PHYSICAL, "0.7..1.0", 0.98);
    json_has(made, "{\"bits\":\"0.7..1.0\",\"order\":\"motorola\",\"sign\":\"unsigned\","
                   "\"kind\":\"physical\",\"page\":null,\"confidence\":0.98,\"why\":\"why\","
                   "\"counter\":null,\"checksum\":null,");
    json_has(made, "\"eta\":null");
    field->sign = LT_OFFSET_BINARY;
    field->pages = pages;
    field->page_count = 2;
    json_has(made, "\"sign\":\"offset-binary\",\"kind\":\"physical\",\"page\":[1,3]");
    field = add(made, LT_FIELD_COUNTER, "6.3..6.0", 1);
    field->counter = (struct lt_counter_found){.modulus = 15, .step = 1};
    json_has(made, "\"bits\":\"6.3..6.0\",\"order\":\"none\",\"sign\":\"unsigned\","
                   "\"kind\":\"counter\",\"page\":null,\"confidence\":1,\"why\":\"why\","
                   "\"counter\":{\"modulus\":15,\"step\":1");
    made->stream.selector = (struct lt_selector_found){
        .present = true, .bits = bits_of("0.7..0.0"), .count = 2, .value = {1, 2}};
    json_has(made, "\"selector\":{\"bits\":\"0.7..0.0\",\"pages\":[1,2]");
    free(made);
}

/* SAE J1850: polynomial 1D = 29, start and end FF (CRC RevEng catalogue, CRC-8/SAE-J1850). */
static void a_named_crc_gives_its_numbers(void **state)
{
    struct by_hand *made = make();
    (void)state;
    add_check(made, "crc8-sae-j1850 over 0..6 in 7");
    json_has(made,
             "\"checksum\":{\"family\":\"crc8\",\"catalogue\":\"crc8-sae-j1850\",\"poly\":29,"
             "\"init\":255,\"xorout\":255,\"reflect\":false,\"start\":0,\"complement\":null,"
             "\"with_id\":false,\"with_length\":false,\"over\":\"0..6\",\"data_id\":null,"
             "\"data_id_at\":\"after\",\"data_id_mode\":\"both\",\"counter\":null,\"page\":null,"
             "\"verified\":1200,\"failed\":0");
    free(made);
}

static void data_ids_counters_and_options_are_said(void **state)
{
    struct by_hand *made = make();
    (void)state;
    add_check(made, "e2e-p1 over 1..7 in 0 data-id 0x23,0x01 alternating counter 1.3..1.0");
    json_has(made, "\"family\":\"e2e-p1\"");
    json_has(made, "\"over\":\"1..7\",\"data_id\":[35,1],\"data_id_at\":\"before\","
                   "\"data_id_mode\":\"alternating\",\"counter\":\"1.3..1.0\"");
    add_check(made,
              "sum over 0..2,4..6 in 7 start 0x11 complement twos with-id with-length page 2");
    json_has(made, "\"family\":\"sum\"");
    json_has(made, "\"start\":17,\"complement\":\"twos\",\"with_id\":true,\"with_length\":true,"
                   "\"over\":\"0..2,4..6\"");
    json_has(made, "\"page\":2,\"verified\"");
    free(made);
}

static void affine_and_authenticated_are_families(void **state)
{
    struct by_hand *made = make();
    (void)state;
    struct lt_survey_field *field = add_check(made, "affine over 0..6 in 7");
    made->affine.constant = 90;
    made->affine.column[0][0] = 49; /* bit 7 of byte 0 */
    made->affine.column[3][7] = 2;  /* bit 0 of byte 3 */
    field->check.checksum.affine = &made->affine;
    json_has(made, "\"family\":\"affine\"");
    json_has(made, "\"constant\":90,\"columns\":{\"0.7\":49,\"3.0\":2}");
    field->check.form = LT_CHECK_AUTHENTICATED;
    json_has(made, "\"family\":\"authenticated\"");
    free(made);
}

static void differences_have_a_key_of_their_own(void **state)
{
    struct by_hand *made = make();
    struct lt_change change = {.kind = LT_CHANGE_MOVES_ONLY_B,
                               .key = made->stream.key,
                               .bus = "can0",
                               .bits = bits_of("3.5"),
                               .say = "moves there"};
    struct lt_survey_about about = plain;
    (void)state;
    json_has(made, "\"groups\":[]}");
    about.against = "y.log";
    about.changes = &change;
    about.change_count = 1;
    char *text = output(lt_survey_json, &made->survey, &about);
    assert_non_null(strstr(text, "\"against\":{\"file\":\"y.log\",\"changes\":[{\"change\":\"moves "
                                 "only there\",\"bus\":\"can0\",\"id\":196,"));
    free(text);
    free(made);
}

/* --- table and page ------------------------------------------------------------------------ */

static void lines_of_the_table_keep_their_width(void **state)
{
    struct by_hand *made = make();
    (void)state;
    add(made, LT_FIELD_PHYSICAL, "0.7..1.0", 0.98)->why =
        "a reason of many words that goes on for much longer than what is left of the line, so "
        "that it has to be cut somewhere between two of its words";
    add_check(made, "e2e-p1 over 1..7 in 0 data-id 0x23,0x01 alternating counter 1.3..1.0");
    char *text = output(lt_survey_table, &made->survey, &plain);
    for (const char *line = text; *line; line = strchr(line, '\n') + 1)
        assert_true(strcspn(line, "\n") <= 100);
    assert_non_null(strstr(text,
                           "0C4        8 bytes      1200 frames  every 10 ms +-100 us, 2 lost "
                           "in 1 gap\n"));
    assert_non_null(strstr(text, "e2e-p1 over 1..7 in 0 data-id 0x23,0x01 alternating counter"));
    free(text);
    free(made);
}

static void names_from_a_capture_are_text_on_the_page(void **state)
{
    struct by_hand *made = make();
    struct lt_survey_about about = plain;
    const char *const odd[] = {"<b>&.log"};
    (void)state;
    about.files = odd;
    made->bus.name = "<can0>";
    made->bus.say = "1 < 2";
    char *text = output(lt_survey_html, &made->survey, &about);
    assert_null(strstr(text, "<b>"));
    assert_null(strstr(text, "<can0>"));
    assert_non_null(strstr(text, "&lt;b&gt;&amp;.log"));
    assert_non_null(strstr(text, "1 &lt; 2"));
    free(text);
    free(made);
}

/* What looks like a selector in diagnostics is the transport's. */
static void pages_are_drawn_unless_they_are_those_of_diagnostics(void **state)
{
    struct by_hand *made = make();
    (void)state;
    made->stream.selector = (struct lt_selector_found){
        .present = true, .bits = bits_of("0.7..0.0"), .count = 2, .value = {1, 2}};
    char *text = output(lt_survey_html, &made->survey, &plain);
    assert_non_null(strstr(text, ">page 2<"));
    free(text);
    made->frame.diagnostic = true;
    text = output(lt_survey_html, &made->survey, &plain);
    assert_null(strstr(text, ">page 2<"));
    free(text);
    free(made);
}

/* --- drafts -------------------------------------------------------------------------------- */

static char *draft_of(const struct lt_survey *survey, double sure, struct lt_draft_counts *counts)
{
    struct lt_sink *sink = malloc(sizeof *sink);
    struct lt_draft_options options = {.name = "a-draft", .sure = sure};
    struct lt_buf out;
    struct lt_error error;
    assert_non_null(sink);
    lt_buf_init(&out, 0);
    lt_sink_init_buf(sink, &out);
    enum lt_code code = lt_survey_draft(survey, &plain, &options, sink, counts, &error);
    if (code != LT_OK)
        print_error("%s\n", error.text);
    assert_int_equal(code, LT_OK);
    assert_true(lt_sink_flush(sink));
    free(sink);
    return out.at;
}

static struct lt_profile *load(const char *text)
{
    struct lt_profile *profile = NULL;
    struct lt_faults faults;
    lt_faults_init(&faults, 0);
    assert_int_equal(lt_profile_load_memory(&profile, "draft", lt_text_of(text), &faults), LT_OK);
    assert_int_equal(faults.errors, 0);
    lt_faults_release(&faults);
    return profile;
}

/* Reading it back and writing it again changes nothing. */
static void is_stable(const char *text)
{
    struct lt_profile *profile = load(text);
    struct lt_sink *sink = malloc(sizeof *sink);
    struct lt_buf out;
    assert_non_null(sink);
    lt_buf_init(&out, 0);
    lt_sink_init_buf(sink, &out);
    lt_profile_write(profile, true, sink);
    assert_true(lt_sink_flush(sink));
    assert_string_equal(out.at, text);
    lt_buf_release(&out);
    free(sink);
    lt_profile_free(profile);
}

static void a_draft_has_frames_signals_and_evidence(void **state)
{
    struct by_hand *made = make();
    struct lt_draft_counts counts;
    (void)state;
    struct lt_survey_field *field = add(made, LT_FIELD_PHYSICAL, "0.7..1.0", 0.98);
    field->sign = LT_TWOS;
    field->unavailable_share = 0.1;
    add(made, LT_FIELD_FLAG, "2.5", 0.7);
    add(made, LT_FIELD_UNKNOWN, "3.7..3.0", 0.3); /* not sure enough */
    add(made, LT_FIELD_CONSTANT, "4.7..4.0", 0.9);
    add(made, LT_FIELD_COUNTER, "6.3..6.0", 0.99)->counter =
        (struct lt_counter_found){.modulus = 15, .step = 1, .kept_steps = 1199};
    add_check(made, "crc8-sae-j1850 over 0..6 in 7");
    char *text = draft_of(&made->survey, 0.5, &counts);
    is_stable(text);
    struct lt_profile *profile = load(text);
    assert_int_equal(counts.frames, 1);
    assert_int_equal(counts.signals, 2);
    assert_int_equal(counts.unsure, 1);
    assert_int_equal(profile->frame_count, 1);
    assert_string_equal(profile->frames[0].name, "x0c4");
    assert_int_equal(profile->frames[0].period_ns, 10 * MADE_MS);
    assert_int_equal(profile->frames[0].counter.modulus, 15);
    assert_int_equal(profile->frames[0].checksum_count, 1);
    assert_int_equal(profile->signal_count, 2);
    assert_string_equal(profile->signals[0].name, "x0c4_b0_7");
    assert_int_equal(profile->signals[0].sign, LT_TWOS);
    assert_int_equal(profile->signals[0].order, LT_ORDER_MOTOROLA);
    assert_int_equal(profile->signals[0].unavailable[0].first, 0xFFFF);
    assert_string_equal(profile->signals[1].name, "x0c4_b2_5");
    assert_non_null(strstr(profile->frames[0].evidence, "1200 frames"));
    assert_non_null(strstr(profile->frames[0].evidence, "1200 right, 0 wrong"));
    for (size_t i = 0; i < profile->signal_count; i++)
        assert_non_null(profile->signals[i].evidence);
    assert_non_null(profile->buses[0].evidence);
    lt_profile_free(profile);
    free(text);
    free(made);
}

static void a_draft_says_pages_and_their_checks(void **state)
{
    static const uint16_t one[] = {1}, others[] = {2, 3, 7};
    struct by_hand *made = make();
    struct lt_draft_counts counts;
    (void)state;
    made->stream.selector = (struct lt_selector_found){.present = true,
                                                       .bits = bits_of("0.7..0.4"),
                                                       .count = 4,
                                                       .value = {1, 2, 3, 7},
                                                       .confidence = 0.97,
                                                       .gain = 0.8};
    struct lt_survey_field *field = add(made, LT_FIELD_PHYSICAL, "1.7..2.0", 0.9);
    field->pages = one;
    field->page_count = 1;
    field = add(made, LT_FIELD_PHYSICAL, "2.7..1.0", 0.9);
    field->pages = others;
    field->page_count = 3;
    field = add_check(made, "xor over 0..6 in 7 start 0x5A page 1");
    field->pages = one;
    field->page_count = 1;
    char *text = draft_of(&made->survey, 0.5, &counts);
    is_stable(text);
    assert_non_null(strstr(text, "page = x0c4_page 1\n"));
    assert_non_null(strstr(text, "page = x0c4_page 2..3,7\n"));
    assert_non_null(strstr(text, "[signal x0c4_p1_b1_7]"));
    assert_non_null(strstr(text, "checksum = xor over 0..6 in 7 start 0x5A page 1\n"));
    free(text);
    free(made);
}

/* Text from a capture may hold what a profile's line may not. */
static void odd_names_and_reasons_do_not_break_a_draft(void **state)
{
    static char long_why[1000];
    struct by_hand *made = make();
    struct lt_draft_counts counts;
    (void)state;
    memset(long_why, 'x', sizeof long_why - 1);
    made->bus.name = "; 9[can] \t\x01";
    add(made, LT_FIELD_ENUM, "0.7..0.4", 0.9)->why = "a ; b\n[c] = \xFF";
    add(made, LT_FIELD_PHYSICAL, "1.7..2.0", 0.9)->why = long_why;
    char *text = draft_of(&made->survey, 0.5, &counts);
    is_stable(text);
    free(text);
    free(made);
}

/* One identifier on two buses, and in two lengths. */
static void names_stay_apart_and_one_length_stands_for_an_identifier(void **state)
{
    struct made_bus made;
    struct lt_draft_counts counts;
    (void)state;
    made_begin(&made, 21);
    made_cyclic(&made, 0, 0x1F0, 20 * MADE_MS, 20 * MADE_S, "one");
    made_cyclic(&made, 1, 0x1F0, 20 * MADE_MS, 20 * MADE_S, "two");
    for (int i = 0; i < 5; i++)
        made_add(&made, 0, 0x1F0, i * MADE_S, "abc", 3);
    made_survey(&made, 0);
    char *text = draft_of(made.survey, 0.5, &counts);
    is_stable(text);
    assert_non_null(strstr(text, "[frame x1f0]\nbus = engine\nid = 0x1F0\nlength = 8\n"));
    assert_non_null(strstr(text, "[frame x1f0_body]\nbus = body\n"));
    assert_int_equal(counts.frames, 2);
    assert_int_equal(counts.left_out, 1);
    free(text);
    made_end(&made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(capture_and_frame_have_their_keys),
        cmocka_unit_test(fields_have_their_keys),
        cmocka_unit_test(a_named_crc_gives_its_numbers),
        cmocka_unit_test(data_ids_counters_and_options_are_said),
        cmocka_unit_test(affine_and_authenticated_are_families),
        cmocka_unit_test(differences_have_a_key_of_their_own),
        cmocka_unit_test(lines_of_the_table_keep_their_width),
        cmocka_unit_test(names_from_a_capture_are_text_on_the_page),
        cmocka_unit_test(pages_are_drawn_unless_they_are_those_of_diagnostics),
        cmocka_unit_test(a_draft_has_frames_signals_and_evidence),
        cmocka_unit_test(a_draft_says_pages_and_their_checks),
        cmocka_unit_test(odd_names_and_reasons_do_not_break_a_draft),
        cmocka_unit_test(names_stay_apart_and_one_length_stands_for_an_identifier),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
