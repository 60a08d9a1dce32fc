/* Places of fields, their text, and the general way to get and put them. */
#include "sketch.h"

#include "published_bits.h"

#include "loomtap/core/frame.h"

static void published_examples_read_raw(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT_OF(published_bits); i++) {
        const struct published_bits *row = &published_bits[i];
        uint8_t data[LT_FRAME_MAX] = {0};
        struct lt_bits bits = sketch_bits(row->bits);
        sketch_bytes(row->data, data, sizeof data);
        if (lt_bits_get(data, &bits) != row->raw)
            fail_msg("row %s: raw %llX", row->row, (unsigned long long)lt_bits_get(data, &bits));
        assert_int_equal(lt_bits_order(&bits), row->order);
        assert_int_equal(lt_bits_length(&bits), row->length);
    }
}

static void published_examples_put_back_the_same_bytes(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT_OF(published_bits); i++) {
        const struct published_bits *row = &published_bits[i];
        uint8_t data[LT_FRAME_MAX] = {0}, before[LT_FRAME_MAX];
        struct lt_bits bits = sketch_bits(row->bits);
        sketch_bytes(row->data, data, sizeof data);
        memcpy(before, data, sizeof data);
        /* Wrong bits first: the field must change, its surroundings not. */
        lt_bits_put(data, &bits, ~row->raw);
        assert_memory_not_equal(data, before, sizeof data);
        lt_bits_put(data, &bits, row->raw);
        assert_memory_equal(data, before, sizeof data);
    }
}

static void parts_are_joined_most_significant_first(void **state)
{
    uint8_t data[8] = {0, 0, 0, 0x02, 0, 0xA5, 0, 0};
    struct lt_bits bits = sketch_bits("3.1..3.0 5.7..5.0");
    (void)state;
    assert_int_equal(bits.parts, 2);
    assert_int_equal(lt_bits_length(&bits), 10);
    assert_int_equal(lt_bits_bytes(&bits), 6);
    assert_int_equal(lt_bits_get(data, &bits), 0x2A5);
    lt_bits_put(data, &bits, 0x15A);
    assert_int_equal(data[3], 0x01);
    assert_int_equal(data[5], 0x5A);
}

static void sixty_four_bits_over_nine_bytes(void **state)
{
    uint8_t data[9] = {0x01, 0x23, 0x45, 0x67, 0x89, 0xAB, 0xCD, 0xEF, 0x10};
    struct lt_bits motorola = sketch_bits("0.3..8.4"), intel = sketch_bits("8.3..0.4");
    (void)state;
    assert_int_equal(lt_bits_length(&motorola), 64);
    assert_int_equal(lt_bits_length(&intel), 64);
    assert_true(lt_bits_get(data, &motorola) == 0x123456789ABCDEF1);
    assert_true(lt_bits_get(data, &intel) == 0x0EFCDAB896745230);
    lt_bits_put(data, &intel, UINT64_MAX);
    assert_int_equal(data[0], 0xF1);
    assert_int_equal(data[8], 0x1F);
}

static void positions_follow_the_drawing(void **state)
{
    static const unsigned motorola[] = {19, 18, 17, 16, 31, 30}, intel[] = {25, 24, 23, 22};
    struct lt_span down = {2 * 8 + 3, 3 * 8 + 0}, up = {3 * 8 + 1, 2 * 8 + 4};
    (void)state;
    for (unsigned n = 0; n < COUNT_OF(motorola); n++)
        assert_int_equal(lt_span_position(down, n), motorola[n]);
    for (unsigned n = 0; n < COUNT_OF(intel); n++)
        assert_int_equal(lt_span_position(up, n), intel[n]);
}

static void text_reads_and_prints_the_same(void **state)
{
    static const char *const texts[] = {
        "0.7..1.0",       "1.7..0.0", "3.6..3.4",          "3.5",
        "2047.7..2040.0", "0.0",      "3.1..3.0 5.7..5.0", "7.7..0.0",
    };
    char text[128];
    (void)state;
    for (size_t i = 0; i < COUNT_OF(texts); i++) {
        struct lt_bits bits = sketch_bits(texts[i]);
        size_t len = lt_bits_print(text, sizeof text, &bits);
        assert_string_equal(text, texts[i]);
        assert_int_equal(len, strlen(texts[i]));
    }
}

static void text_that_names_no_field_is_refused(void **state)
{
    static const char *const texts[] = {
        "",
        " ",
        "3",
        "3.",
        "3.8",
        ".5",
        "2048.0",
        "0.7..",
        "0.7...1",
        "0.7..1.8",
        "0.7-1.0",
        "0.3..0.7",
        "0.7..1.0x",
        "-1.0",
        "0x1.0",
        "99999999999.0",
        "0.7..8.0",
        "8.7..0.0",
        "1.0 1.0",
        "0.7..1.0 1.3",
        "0.7..3.0 4.7..8.0",
        "0.0 0.1 0.2 0.3 0.4 0.5 0.6 0.7 1.0",
        "0.7 ..1.0",
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(texts); i++) {
        struct lt_bits bits = {.parts = 77};
        if (lt_bits_parse(lt_text_of(texts[i]), &bits))
            fail_msg("accepted: %s", texts[i]);
        assert_int_equal(bits.parts, 77);
    }
}

static void overlap_is_bit_by_bit(void **state)
{
    static const struct {
        const char *a, *b;
        bool overlap;
    } rows[] = {
        {"0.7..1.0", "1.0", true},  {"0.3..1.4", "1.3..1.0", false}, {"0.3..1.4", "1.4", true},
        {"1.3..0.4", "0.3", false}, {"1.3..0.4", "0.4", true},       {"1.3..0.4", "1.4", false},
        {"0.7..0.0", "1.0", false}, {"0.7..7.0", "3.3", true},       {"7.7..0.0", "3.3", true},
        {"0.1 5.2", "5.1", false},  {"0.1 5.2", "5.2..4.0", true},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_bits a = sketch_bits(rows[i].a), b = sketch_bits(rows[i].b);
        assert_int_equal(lt_bits_overlap(&a, &b), rows[i].overlap);
        assert_int_equal(lt_bits_overlap(&b, &a), rows[i].overlap);
    }
}

static void equal_is_part_by_part(void **state)
{
    static const struct {
        const char *a, *b;
        bool equal;
    } rows[] = {
        {"0.7..1.0", "0.7..1.0", true}, {"0.7..1.0", "1.7..0.0", false},
        {"3.5", "3.5", true},           {"3.5", "3.4", false},
        {"0.1 5.2", "0.1 5.2", true},   {"0.1 5.2", "5.2 0.1", false},
        {"0.1 5.2", "0.1", false},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_bits a = sketch_bits(rows[i].a), b = sketch_bits(rows[i].b);
        assert_int_equal(lt_bits_equal(&a, &b), rows[i].equal);
        assert_int_equal(lt_bits_equal(&b, &a), rows[i].equal);
    }
}

static void bytes_needed_reach_the_farthest_part(void **state)
{
    struct lt_bits bits = sketch_bits("7.3..6.4 2.1");
    (void)state;
    assert_int_equal(lt_bits_bytes(&bits), 8);
    bits = sketch_bits("0.0");
    assert_int_equal(lt_bits_bytes(&bits), 1);
    bits = sketch_bits("2.7..3.4");
    assert_int_equal(lt_bits_bytes(&bits), 4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(published_examples_read_raw),
        cmocka_unit_test(published_examples_put_back_the_same_bytes),
        cmocka_unit_test(parts_are_joined_most_significant_first),
        cmocka_unit_test(sixty_four_bits_over_nine_bytes),
        cmocka_unit_test(positions_follow_the_drawing),
        cmocka_unit_test(text_reads_and_prints_the_same),
        cmocka_unit_test(text_that_names_no_field_is_refused),
        cmocka_unit_test(overlap_is_bit_by_bit),
        cmocka_unit_test(equal_is_part_by_part),
        cmocka_unit_test(bytes_needed_reach_the_farthest_part),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
