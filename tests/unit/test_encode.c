/* Values into frames: bits, pages, counter, checksum. */
#include "sketch.h"

#include "loomtap/core/encode.h"

static struct lt_checksum check_of(const char *text)
{
    struct lt_checksum checksum;
    struct lt_error error;
    if (lt_checksum_parse(lt_text_of(text), &checksum, &error) != LT_OK)
        fail_msg("%s", error.text);
    return checksum;
}

static void add_check(struct lt_frame_def *def, struct lt_checksum *checksum, const char *text)
{
    *checksum = check_of(text);
    def->checksums = checksum;
    def->checksum_count = 1;
}

/* "a=1 b=2" into settings. */
static size_t split(const char *text, struct lt_setting *ret_settings, size_t room)
{
    struct lt_text rest = lt_text_of(text), word;
    size_t count = 0;
    while (lt_text_word(&rest, &word)) {
        assert_true(count < room);
        assert_true(lt_text_split(&word, '=', &ret_settings[count].signal));
        ret_settings[count++].value = word;
    }
    return count;
}

static enum lt_code try_encode(struct sketch *s, const char *text, uint64_t counter,
                               struct lt_frame *frame, struct lt_error *error)
{
    struct lt_setting settings[16];
    size_t count = split(text, settings, COUNT_OF(settings));
    return lt_encode(&s->profile, 0, settings, count, counter, frame, error);
}

/* Encodes onto the bytes given and compares. */
static void encodes(struct sketch *s, const char *text, uint64_t counter, const char *before,
                    const char *after)
{
    struct lt_frame frame = {0};
    struct lt_error error;
    uint8_t expected[LT_FRAME_MAX] = {0};
    sketch_bytes(before, frame.data, LT_FRAME_MAX);
    size_t len = sketch_bytes(after, expected, LT_FRAME_MAX);
    if (try_encode(s, text, counter, &frame, &error) != LT_OK)
        fail_msg("%s", error.text);
    assert_int_equal(frame.len, len);
    assert_memory_equal(frame.data, expected, len);
}

/* The error's text; the frame must stay as it was. */
static const char *refuses(struct sketch *s, const char *text, enum lt_code code)
{
    static struct lt_error error;
    struct lt_frame frame = {.id = 0x55, .len = 3, .data = {1, 2, 3}}, before = frame;
    assert_int_equal(try_encode(s, text, 0, &frame, &error), code);
    assert_int_equal(error.code, code);
    assert_memory_equal(frame.data, before.data, sizeof frame.data);
    assert_int_equal(frame.id, before.id);
    assert_int_equal(frame.len, before.len);
    assert_int_equal(try_encode(s, text, 0, &frame, NULL), code);
    return error.text;
}

static struct lt_frame_def *engine(struct sketch *s)
{
    sketch_begin(s);
    struct lt_frame_def *def = sketch_frame(s, "engine_a", LT_NONE, 0x0C4, 8);
    struct lt_signal_def *speed =
        sketch_signal(s, "engine_speed", "0.7..1.0", LT_UNSIGNED, "0.25", "0");
    speed->unit = "rpm";
    speed->has_range = true;
    speed->range_low = sketch_ratio("0");
    speed->range_high = sketch_ratio("9000");
    sketch_signal(s, "temp", "2.7..2.0", LT_UNSIGNED, "1", "-40");
    sketch_signal(s, "mode", "3.6..3.4", LT_UNSIGNED, "1", "0");
    return def;
}

static void other_bits_keep_their_value(void **state)
{
    struct sketch s;
    (void)state;
    engine(&s);
    encodes(&s, "engine_speed=1726 mode=5", 0, "FF FF FF FF FF FF FF FF",
            "1A F8 FF DF FF FF FF FF");
    encodes(&s, "engine_speed=1726 mode=2 temp=-40", 0, "00 00 55 00", "1A F8 00 20 00 00 00 00");
    encodes(&s, "", 0, "01 02 03 04 05 06 07 08", "01 02 03 04 05 06 07 08");
}

static void identifier_flags_and_length_are_set(void **state)
{
    struct sketch s;
    struct lt_frame frame = {0};
    (void)state;
    engine(&s);
    assert_int_equal(try_encode(&s, "temp=0", 0, &frame, NULL), LT_OK);
    assert_int_equal(frame.id, 0x0C4);
    assert_int_equal(frame.flags, 0);
    assert_int_equal(frame.raw_dlc, 8);
    sketch_begin(&s);
    sketch_frame(&s, "wide", LT_NONE, 0x18FF0001, 24);
    sketch_signal(&s, "x", "23.7..23.0", LT_UNSIGNED, "1", "0");
    assert_int_equal(try_encode(&s, "x=7", 0, &frame, NULL), LT_OK);
    assert_int_equal(frame.id, 0x18FF0001);
    assert_int_equal(frame.flags, LT_FRAME_EXTENDED | LT_FRAME_FD);
    assert_int_equal(frame.len, 24);
    assert_int_equal(frame.raw_dlc, 12);
    assert_int_equal(frame.data[23], 7);
}

static void lengths_that_no_frame_has_are_refused(void **state)
{
    struct sketch s;
    (void)state;
    struct lt_frame_def *def = engine(&s);
    def->length = 9;
    assert_non_null(strstr(refuses(&s, "temp=0", LT_E_RANGE), "classic"));
    def->fd = true;
    assert_non_null(strstr(refuses(&s, "temp=0", LT_E_RANGE), "CAN FD"));
    def->length = 100;
    assert_non_null(strstr(refuses(&s, "temp=0", LT_E_RANGE), "transport"));
    def->length = 2;
    def->fd = false;
    assert_non_null(strstr(refuses(&s, "temp=0", LT_E_RANGE), "past"));
}

static void errors_name_frame_signal_and_allowed_range(void **state)
{
    struct sketch s;
    (void)state;
    engine(&s);
    assert_string_equal(refuses(&s, "engine_speed=12000", LT_E_RANGE),
                        "frame engine_a: engine_speed = 12000 does not fit: allowed is "
                        "0..9000 rpm");
    assert_string_equal(refuses(&s, "temp=216", LT_E_RANGE),
                        "frame engine_a: temp = 216 does not fit: allowed is -40..215");
    assert_string_equal(refuses(&s, "temp=warm", LT_E_SYNTAX),
                        "frame engine_a: temp = warm: not a decimal number");
    assert_string_equal(refuses(&s, "lamp=1", LT_E_UNKNOWN), "frame engine_a: has no signal lamp");
    assert_string_equal(refuses(&s, "temp=1 temp=2", LT_E_DUPLICATE),
                        "frame engine_a: temp is given twice");
}

static void a_signal_of_another_frame_is_told_apart(void **state)
{
    struct sketch s;
    (void)state;
    engine(&s);
    sketch_frame(&s, "other", LT_NONE, 0x0C5, 8);
    sketch_signal(&s, "elsewhere", "0.0", LT_UNSIGNED, "1", "0");
    assert_non_null(strstr(refuses(&s, "elsewhere=1", LT_E_UNKNOWN), "another frame"));
    struct lt_frame frame = {0};
    assert_int_equal(lt_encode(&s.profile, 2, NULL, 0, 0, &frame, NULL), LT_E_UNKNOWN);
}

static void authenticated_frames_are_refused(void **state)
{
    struct sketch s;
    (void)state;
    engine(&s)->authenticated = true;
    assert_non_null(strstr(refuses(&s, "temp=0", LT_E_CONFLICT), "message code"));
}

/* AUTOSAR PRS E2E, profile 1, data id 0x123, both bytes, all other data 00: CC 00 .. then 91 01 ..
 * Counter 0..14. */
static void counter_then_checksum_as_in_e2e_profile_1(void **state)
{
    struct sketch s;
    struct lt_checksum checksum;
    (void)state;
    sketch_begin(&s);
    struct lt_frame_def *def = sketch_frame(&s, "e2e", LT_NONE, 0x200, 8);
    def->counter = (struct lt_counter_def){true, sketch_bits("1.3..1.0"), 15, 1};
    sketch_signal(&s, "x", "7.7..7.0", LT_UNSIGNED, "1", "0");
    add_check(def, &checksum, "e2e-p1 over 1..7 in 0 data-id 0x23,0x01 both");
    encodes(&s, "", 0, "", "CC 00 00 00 00 00 00 00");
    encodes(&s, "x=0", 1, "FF 0F 00", "91 01 00 00 00 00 00 00");
    encodes(&s, "x=0", 15, "", "CC 00 00 00 00 00 00 00");
    encodes(&s, "x=0", 16, "", "91 01 00 00 00 00 00 00");
}

/* SAE J1939-71 as publicly quoted: TSC1 with id 0C000011. */
static void counter_then_checksum_as_in_tsc1(void **state)
{
    static const struct {
        uint64_t counter;
        const char *bytes;
    } rows[] = {
        {0, "01 E0 2E 7D FF FF FF 40"}, {1, "01 E0 2E 7D FF FF FF 51"},
        {2, "01 E0 2E 7D FF FF FF 72"}, {3, "01 E0 2E 7D FF FF FF 03"},
        {7, "01 E0 2E 7D FF FF FF 47"}, {8, "01 E0 2E 7D FF FF FF 40"},
    };
    struct sketch s;
    struct lt_checksum checksum;
    (void)state;
    sketch_begin(&s);
    struct lt_frame_def *def = sketch_frame(&s, "tsc1", LT_NONE, 0x0C000011, 8);
    def->is_pgn = true;
    def->counter = (struct lt_counter_def){true, sketch_bits("7.3..7.0"), 8, 1};
    sketch_signal(&s, "speed", "2.7..1.0", LT_UNSIGNED, "0.125", "0");
    add_check(def, &checksum, "j1939-tsc1 over 0..6 in 7.7..7.4 counter 7.3..7.0");
    for (size_t i = 0; i < COUNT_OF(rows); i++)
        encodes(&s, "speed=1500", rows[i].counter, "01 00 00 7D FF FF FF 00", rows[i].bytes);
}

static void counters_step_and_wrap(void **state)
{
    struct sketch s;
    (void)state;
    struct lt_frame_def *def = engine(&s);
    def->counter = (struct lt_counter_def){true, sketch_bits("6.3..6.0"), 15, 2};
    encodes(&s, "", 7, "00 00 00 00 00 00 A0 00", "00 00 00 00 00 00 AE 00");
    encodes(&s, "", 8, "", "00 00 00 00 00 00 01 00");
    encodes(&s, "", UINT64_MAX, "", "00 00 00 00 00 00 00 00"); /* 2^64 - 1 is a multiple of 15 */
    def->counter = (struct lt_counter_def){true, sketch_bits("4.7..7.0"), 0, 1}; /* all 2^32 */
    encodes(&s, "", UINT64_C(0x1FFFFFFFF), "", "00 00 00 00 FF FF FF FF");
}

static void what_is_filled_in_cannot_be_given(void **state)
{
    struct sketch s;
    struct lt_checksum checksum;
    (void)state;
    struct lt_frame_def *def = engine(&s);
    def->counter = (struct lt_counter_def){true, sketch_bits("6.3..6.0"), 16, 1};
    sketch_signal(&s, "alive", "6.3..6.0", LT_UNSIGNED, "1", "0");
    sketch_signal(&s, "check", "7.7..7.0", LT_UNSIGNED, "1", "0");
    add_check(def, &checksum, "sum over 0..6 in 7");
    assert_non_null(strstr(refuses(&s, "alive=1", LT_E_CONFLICT), "counter"));
    assert_non_null(strstr(refuses(&s, "check=1", LT_E_CONFLICT), "checksum"));
    encodes(&s, "mode=7", 3, "11 22 33 04 55 66 70 00", "11 22 33 74 55 66 73 08");
}

static struct lt_page_clause clause(uint32_t selector, uint64_t first, uint64_t last)
{
    return (struct lt_page_clause){.selector = selector, .ranges = 1, .range = {{first, last}}};
}

/* kind, sub on kind 3, deep on sub 5, other on kind 4, loose on kind 1..2 or 6, strict on kind 2.
 */
struct paged {
    struct sketch s;
    struct lt_page_clause clauses[6];
    struct lt_checksum checks[2];
};

static void put_on(struct paged *p, const char *name, const char *bits, uint32_t number)
{
    struct lt_signal_def *signal = sketch_signal(&p->s, name, bits, LT_UNSIGNED, "1", "0");
    signal->page = &p->clauses[number];
    signal->page_count = 1;
}

static void paged(struct paged *p)
{
    sketch_begin(&p->s);
    sketch_frame(&p->s, "f", LT_NONE, 0x10, 8);
    sketch_signal(&p->s, "kind", "0.7..0.4", LT_UNSIGNED, "1", "0");
    p->clauses[0] = clause(0, 3, 3);
    p->clauses[1] = clause(1, 5, 5);
    p->clauses[2] = clause(0, 4, 4);
    p->clauses[3] = (struct lt_page_clause){.selector = 0, .ranges = 2, .range = {{1, 2}, {6, 6}}};
    p->clauses[4] = clause(0, 2, 5);
    put_on(p, "sub", "1.7..1.0", 0);
    put_on(p, "deep", "2.7..2.0", 1);
    put_on(p, "other", "2.7..2.0", 2);
    put_on(p, "loose", "3.7..3.0", 3);
    put_on(p, "strict", "4.7..4.0", 4);
}

static void pages_set_their_selectors(void **state)
{
    struct paged p;
    (void)state;
    paged(&p);
    encodes(&p.s, "sub=9", 0, "", "30 09 00 00 00 00 00 00");
    encodes(&p.s, "deep=9", 0, "0F", "3F 05 09 00 00 00 00 00");
    encodes(&p.s, "other=9", 0, "30", "40 00 09 00 00 00 00 00");
    encodes(&p.s, "kind=3 deep=9", 0, "", "30 05 09 00 00 00 00 00");
    encodes(&p.s, "deep=9 sub=5", 0, "", "30 05 09 00 00 00 00 00");
    /* Two pages that have one value in common. */
    encodes(&p.s, "loose=1 strict=2", 0, "", "20 00 00 01 02 00 00 00");
}

static void contradicting_pages_are_refused(void **state)
{
    struct paged p;
    (void)state;
    paged(&p);
    assert_non_null(
        strstr(refuses(&p.s, "sub=9 other=9", LT_E_CONFLICT), "kind shows all of: sub, other"));
    assert_non_null(strstr(refuses(&p.s, "kind=4 deep=9", LT_E_CONFLICT), "not on the page"));
    assert_non_null(strstr(refuses(&p.s, "sub=4 deep=9", LT_E_CONFLICT), "not on the page"));
}

static void a_page_of_several_values_wants_its_selector(void **state)
{
    struct paged p;
    (void)state;
    paged(&p);
    assert_non_null(strstr(refuses(&p.s, "loose=1", LT_E_MISSING), "several"));
    encodes(&p.s, "loose=1 kind=6", 0, "", "60 00 00 01 00 00 00 00");
    encodes(&p.s, "loose=1", 0, "10", "10 00 00 01 00 00 00 00"); /* the bytes already say */
}

static void the_page_chooses_the_checksum(void **state)
{
    struct paged p;
    (void)state;
    paged(&p);
    p.checks[0] = check_of("sum over 0..6 in 7 page 3");
    p.checks[1] = check_of("xor over 0..2 in 5 page 4");
    p.s.frames[0].checksums = p.checks;
    p.s.frames[0].checksum_count = 2;
    encodes(&p.s, "sub=9", 0, "", "30 09 00 00 00 00 00 39");
    encodes(&p.s, "other=9", 0, "", "40 00 09 00 00 49 00 00");
    encodes(&p.s, "kind=6", 0, "", "60 00 00 00 00 00 00 00");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(other_bits_keep_their_value),
        cmocka_unit_test(identifier_flags_and_length_are_set),
        cmocka_unit_test(lengths_that_no_frame_has_are_refused),
        cmocka_unit_test(errors_name_frame_signal_and_allowed_range),
        cmocka_unit_test(a_signal_of_another_frame_is_told_apart),
        cmocka_unit_test(authenticated_frames_are_refused),
        cmocka_unit_test(counter_then_checksum_as_in_e2e_profile_1),
        cmocka_unit_test(counter_then_checksum_as_in_tsc1),
        cmocka_unit_test(counters_step_and_wrap),
        cmocka_unit_test(what_is_filled_in_cannot_be_given),
        cmocka_unit_test(pages_set_their_selectors),
        cmocka_unit_test(contradicting_pages_are_refused),
        cmocka_unit_test(a_page_of_several_values_wants_its_selector),
        cmocka_unit_test(the_page_chooses_the_checksum),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
