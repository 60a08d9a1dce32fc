/* From pages to fields: what runs over all pages is one field, what each page has stays its own;
 * forms of checks go from rich frames to sparse ones; a second reading tells right claims from
 * wrong ones. */
#include "made_bus.h"

static const struct lt_survey_field *field_at(const struct lt_survey_frame *frame,
                                              enum lt_field_kind kind, const char *bits)
{
    for (size_t i = 0; i < frame->field_count; i++) {
        char text[128];
        lt_bits_print(text, sizeof text, &frame->fields[i].bits);
        if (frame->fields[i].kind == kind && strcmp(text, bits) == 0)
            return &frame->fields[i];
    }
    return NULL;
}

static unsigned fields_of(const struct lt_survey_frame *frame, enum lt_field_kind kind)
{
    unsigned count = 0;
    for (size_t i = 0; i < frame->field_count; i++)
        count += frame->fields[i].kind == kind;
    return count;
}

static uint8_t xor_of(const uint8_t *data, size_t count)
{
    uint8_t sum = 0;
    for (size_t i = 0; i < count; i++)
        sum ^= data[i];
    return sum;
}

/* Selector in 0.7..0.4, quantities of each page in bytes 1, 2 and of all pages in 3, 4, counter
 * over all frames in 6.3..6.0, xor in 7. */
static void make_paged(struct made_bus *made, size_t count)
{
    static const struct {
        uint8_t value;
        double middle;
    } kinds[] = {{1, 12000}, {2, 25000}, {5, 40000}, {9, 52000}};
    double *pages[4], *common = made_course(made, count, 30000, 6000);
    for (int p = 0; p < 4; p++)
        pages[p] = made_course(made, count, kinds[p].middle, 5000);
    for (size_t i = 0; i < count; i++) {
        uint8_t data[8] = {(uint8_t)(kinds[i % 4].value << 4)};
        made_put16(data + 1, pages[i % 4][i]);
        made_put16(data + 3, common[i]);
        data[6] = (uint8_t)(i % 16);
        data[7] = xor_of(data, 7);
        made_add(made, 0, 0x2A0, (int64_t)i * 10 * MADE_MS, data, 8);
    }
    for (int p = 0; p < 4; p++)
        free(pages[p]);
    free(common);
}

static void what_runs_over_all_pages_is_one_field(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 11);
    make_paged(&made, 9000);
    made_survey(&made, 0);
    const struct lt_survey_frame *frame = made_find(&made, 0, 0x2A0);
    assert_true(frame->stream->selector.present);
    const struct lt_survey_field *counter = field_at(frame, LT_FIELD_COUNTER, "6.3..6.0");
    assert_non_null(counter);
    assert_null(counter->pages);
    assert_int_equal(fields_of(frame, LT_FIELD_COUNTER), 1);
    const struct lt_survey_field *check = field_at(frame, LT_FIELD_CHECKSUM, "7.7..7.0");
    assert_non_null(check);
    assert_null(check->pages);
    assert_false(check->check.checksum.has_page);
    assert_int_equal(fields_of(frame, LT_FIELD_CHECKSUM), 1);
    assert_int_equal(check->check.verified, 9000);
    made_end(&made);
}

static void a_quantity_of_all_pages_is_one_and_those_of_a_page_stay_apart(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 12);
    make_paged(&made, 9000);
    made_survey(&made, 0);
    const struct lt_survey_frame *frame = made_find(&made, 0, 0x2A0);
    unsigned on_all = 0, apart = 0;
    for (size_t i = 0; i < frame->field_count; i++) {
        const struct lt_survey_field *field = &frame->fields[i];
        unsigned byte = lt_span_position(field->bits.part[0], 0) / 8;
        if (field->kind != LT_FIELD_PHYSICAL)
            continue;
        on_all += (byte == 3 || byte == 4) && !field->pages;
        apart += (byte == 1 || byte == 2) && field->page_count == 1;
    }
    assert_true(on_all >= 1);
    assert_true(apart >= 3);
    made_end(&made);
}

/* Three pages whose checks differ by a constant that belongs to the page: a map over the whole
 * frame takes the selector's two bits for it, and says nothing of a fourth page. Each page has a
 * counter in 2.3..2.0; the third has another one, and nothing else that moves. */
static void make_constants(struct made_bus *made, size_t count)
{
    static const uint8_t own[] = {0x9D, 0x42, 0x6A};
    struct lt_checksum form;
    struct lt_error error;
    double *pages[2] = {made_course(made, count, 30000, 6000),
                        made_course(made, count, 12000, 4000)};
    assert_int_equal(lt_checksum_parse(LT_TEXT("crc8-sae-j1850 over 0..6 in 7"), &form, &error),
                     LT_OK);
    for (size_t i = 0; i < count; i++) {
        unsigned page = (unsigned)(made_random(made) % 3);
        uint8_t data[8] = {(uint8_t)(page + 1)};
        static unsigned turns[3];
        turns[page]++;
        data[2] = (uint8_t)(turns[page] % 16);
        if (page < 2)
            made_put16(data + 4, pages[page][i]);
        else
            data[3] = (uint8_t)turns[page];
        data[7] = (uint8_t)(lt_checksum_compute(&form, data, 8, 0x2B0, false) ^ own[page]);
        made_add(made, 0, 0x2B0, (int64_t)i * 10 * MADE_MS, data, 8);
    }
    free(pages[0]);
    free(pages[1]);
}

static void a_constant_of_each_page_is_not_a_map_over_the_frame(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 15);
    make_constants(&made, 9000);
    made_survey(&made, 0);
    const struct lt_survey_frame *frame = made_find(&made, 0, 0x2B0);
    assert_true(frame->stream->selector.present);
    unsigned named = 0;
    for (size_t i = 0; i < frame->field_count; i++) {
        const struct lt_survey_field *field = &frame->fields[i];
        if (field->kind != LT_FIELD_CHECKSUM)
            continue;
        assert_int_equal(field->check.checksum.family, LT_CHECK_CRC8);
        assert_true(field->check.checksum.has_page);
        named++;
    }
    assert_int_equal(named, 3);
    made_end(&made);
}

static void a_counter_of_the_other_pages_is_found_beside_one_that_goes_with_it(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 16);
    make_constants(&made, 9000);
    made_survey(&made, 0);
    const struct lt_survey_frame *frame = made_find(&made, 0, 0x2B0);
    const struct lt_survey_field *shared = field_at(frame, LT_FIELD_COUNTER, "2.3..2.0");
    const struct lt_survey_field *own = field_at(frame, LT_FIELD_COUNTER, "3.7..3.0");
    assert_non_null(shared);
    assert_null(shared->pages);
    assert_non_null(own);
    assert_int_equal(own->page_count, 1);
    made_end(&made);
}

static void nothing_on_a_page_is_surer_than_that_it_is_one(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 17);
    make_paged(&made, 900);
    made_survey(&made, 0);
    const struct lt_survey_frame *frame = made_find(&made, 0, 0x2A0);
    assert_true(frame->stream->selector.present);
    for (size_t i = 0; i < frame->field_count; i++)
        if (frame->fields[i].pages && frame->fields[i].kind != LT_FIELD_CONSTANT)
            assert_true(frame->fields[i].confidence < frame->stream->selector.confidence);
    made_end(&made);
}

/* A maker's form: the rich frame solves it, the sparse one has too few different frames. */
static void a_sparse_frame_gets_the_form_of_a_rich_one(void **state)
{
    struct made_bus made;
    struct lt_checksum form;
    struct lt_error error;
    (void)state;
    assert_int_equal(lt_checksum_parse(LT_TEXT("crc8-sae-j1850 over 0..6 in 7"), &form, &error),
                     LT_OK);
    made_begin(&made, 13);
    for (size_t i = 0; i < 4000; i++) {
        uint8_t data[8];
        for (int k = 0; k < 7; k++)
            data[k] = (uint8_t)made_random(&made);
        lt_checksum_apply(&form, data, 8, 0x100, false);
        made_add(&made, 0, 0x100, (int64_t)i * 10 * MADE_MS, data, 8);
    }
    for (size_t i = 0; i < 24; i++) {
        uint8_t data[8] = {(uint8_t)(i * 37), (uint8_t)(i * i), 0x5A, (uint8_t)(7 * i), 1, 2, 3, 0};
        lt_checksum_apply(&form, data, 8, 0x101, false);
        made_add(&made, 0, 0x101, (int64_t)i * 1000 * MADE_MS + 3, data, 8);
    }
    made_survey(&made, 0);
    const struct lt_survey_field *rich =
        field_at(made_find(&made, 0, 0x100), LT_FIELD_CHECKSUM, "7.7..7.0");
    const struct lt_survey_field *sparse =
        field_at(made_find(&made, 0, 0x101), LT_FIELD_CHECKSUM, "7.7..7.0");
    assert_non_null(rich);
    assert_int_equal(rich->check.form, LT_CHECK_FOUND);
    assert_non_null(sparse);
    assert_int_equal(sparse->check.form, LT_CHECK_FOUND);
    assert_int_equal(sparse->check.verified, 24);
    assert_int_equal(sparse->check.failed, 0);
    made_end(&made);
}

/* More frames than are kept. */
#define MANY 70000

static void make_many(struct made_bus *made)
{
    for (size_t i = 0; i < MANY; i++) {
        uint8_t data[8] = {(uint8_t)(i % 16)};
        for (int k = 1; k < 7; k++)
            data[k] = (uint8_t)made_random(made);
        data[7] = xor_of(data, 7);
        made_add(made, 0, 0x123, (int64_t)i * 10 * MADE_MS, data, 8);
    }
    made_survey(made, 0);
    assert_false(made_find(made, 0, 0x123)->stream->kept.whole);
}

static void the_second_reading_tries_every_frame(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 14);
    make_many(&made);
    for (size_t i = 0; i < MANY; i++)
        lt_survey_verify(made.survey, &made.frames[i]);
    lt_survey_verified(made.survey);
    const struct lt_survey_frame *frame = made_find(&made, 0, 0x123);
    const struct lt_survey_field *check = field_at(frame, LT_FIELD_CHECKSUM, "7.7..7.0");
    const struct lt_survey_field *counter = field_at(frame, LT_FIELD_COUNTER, "0.3..0.0");
    assert_non_null(check);
    assert_int_equal(check->check.verified, MANY);
    assert_int_equal(check->check.failed, 0);
    assert_true(check->confidence > 0.95);
    assert_non_null(counter);
    assert_int_equal(counter->counter.kept_steps, MANY - 1);
    assert_int_equal(counter->counter.other_steps, 0);
    made_end(&made);
}

static void a_claim_that_fails_on_the_whole_loses_its_confidence(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 15);
    make_many(&made);
    for (size_t i = 0; i < MANY; i++) {
        if (i % 5 == 0)
            made.frames[i].data[7] ^= 0x11;
        lt_survey_verify(made.survey, &made.frames[i]);
    }
    lt_survey_verified(made.survey);
    const struct lt_survey_frame *frame = made_find(&made, 0, 0x123);
    const struct lt_survey_field *check = field_at(frame, LT_FIELD_CHECKSUM, "7.7..7.0");
    const struct lt_survey_field *counter = field_at(frame, LT_FIELD_COUNTER, "0.3..0.0");
    assert_int_equal(check->check.failed, MANY / 5);
    assert_true(check->confidence <= 0.1);
    assert_true(counter->confidence > 0.95);
    made_end(&made);
}

/* Diagnostics on a maker's own identifiers: a question and its answer as ISO-TP single frames
 * (ISO 15765-2), read data by identifier (ISO 14229-1, 22 answered by 62). */
static void a_conversation_is_not_looked_at_for_fields(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 16);
    for (size_t i = 0; i < 200; i++) {
        uint8_t question[8] = {3, 0x22, 0xF1, (uint8_t)(i % 7), 0x55, 0x55, 0x55, 0x55};
        uint8_t answer[8] = {5, 0x62, 0xF1, (uint8_t)(i % 7), (uint8_t)i, (uint8_t)(i * 3), 0, 0};
        int64_t t = (int64_t)i * 250 * MADE_MS;
        made_add(&made, 0, 0x714, t, question, 8);
        made_add(&made, 0, 0x77E, t + 20 * MADE_MS, answer, 8);
        made_add(&made, 1, 0x714, t, question, 8); /* nobody answers on this bus */
    }
    made_survey(&made, 0);
    assert_true(made_find(&made, 0, 0x714)->diagnostic);
    assert_true(made_find(&made, 0, 0x77E)->diagnostic);
    assert_int_equal(made_find(&made, 0, 0x77E)->field_count, 0);
    assert_false(made_find(&made, 1, 0x714)->diagnostic);
    made_end(&made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_runs_over_all_pages_is_one_field),
        cmocka_unit_test(a_quantity_of_all_pages_is_one_and_those_of_a_page_stay_apart),
        cmocka_unit_test(a_constant_of_each_page_is_not_a_map_over_the_frame),
        cmocka_unit_test(a_counter_of_the_other_pages_is_found_beside_one_that_goes_with_it),
        cmocka_unit_test(nothing_on_a_page_is_surer_than_that_it_is_one),
        cmocka_unit_test(a_sparse_frame_gets_the_form_of_a_rich_one),
        cmocka_unit_test(the_second_reading_tries_every_frame),
        cmocka_unit_test(a_claim_that_fails_on_the_whole_loses_its_confidence),
        cmocka_unit_test(a_conversation_is_not_looked_at_for_fields),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
