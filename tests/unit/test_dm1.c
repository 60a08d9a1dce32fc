/* DM1. Outside facts: worked examples of makers' hardware manuals that quote SAE J1939-73 (a marine
 * display's CAN-2 interface, a generator controller's module), and the usual content without codes.
 */
#include "unit.h"

#include "loomtap/proto/j1939.h"

static void amber_lamp_with_one_code_as_in_the_manuals(void **state)
{
    (void)state;
    struct lt_dm1 dm1;
    static const uint8_t data[8] = {0x04, 0xFF, 0x6E, 0x00, 0x00, 0x03, 0xFF, 0xFF};
    assert_true(lt_dm1_parse(data, 8, &dm1));
    assert_int_equal(dm1.mil, 0);
    assert_int_equal(dm1.red_stop, 0);
    assert_int_equal(dm1.amber_warning, 1);
    assert_int_equal(dm1.protect, 0);
    assert_int_equal(dm1.mil_flash, 3);
    assert_int_equal(dm1.protect_flash, 3);
    assert_int_equal(dm1.count, 1);
    assert_int_equal(dm1.code[0].spn, 110);
    assert_int_equal(dm1.code[0].fmi, 0);
    assert_int_equal(dm1.code[0].count, 3);
    assert_false(dm1.code[0].conversion);
}

static void each_lamp_and_its_flashing_have_bits_of_their_own(void **state)
{
    (void)state;
    struct lt_dm1 dm1;
    static const uint8_t data[6] = {0x1B, 0xE4};
    assert_true(lt_dm1_parse(data, 6, &dm1));
    assert_int_equal(dm1.mil, 0);
    assert_int_equal(dm1.red_stop, 1);
    assert_int_equal(dm1.amber_warning, 2);
    assert_int_equal(dm1.protect, 3);
    assert_int_equal(dm1.mil_flash, 3);
    assert_int_equal(dm1.red_stop_flash, 2);
    assert_int_equal(dm1.amber_warning_flash, 1);
    assert_int_equal(dm1.protect_flash, 0);
}

static void code_layout_of_the_manuals(void **state)
{
    (void)state;
    static const struct {
        uint8_t bytes[4];
        uint32_t spn;
        uint8_t fmi, count;
        bool conversion;
    } row[] = {
        {{0x00, 0xF0, 0xE2, 0x7E}, 520192, 2, 126, false},
        {{0xBE, 0x00, 0x02, 0x05}, 190, 2, 5, false},
        {{0xFF, 0xFF, 0xFF, 0x7F}, 0x7FFFF, 31, 127, false},
        {{0xBE, 0x00, 0x02, 0x85}, 190, 2, 5, true},
    };
    for (size_t i = 0; i < COUNT_OF(row); i++) {
        struct lt_dm1 dm1;
        uint8_t data[8] = {0x00, 0xFF, 0, 0, 0, 0, 0xFF, 0xFF};
        memcpy(data + 2, row[i].bytes, 4);
        assert_true(lt_dm1_parse(data, 8, &dm1));
        assert_int_equal(dm1.count, 1);
        assert_int_equal(dm1.code[0].spn, row[i].spn);
        assert_int_equal(dm1.code[0].fmi, row[i].fmi);
        assert_int_equal(dm1.code[0].count, row[i].count);
        assert_int_equal(dm1.code[0].conversion, row[i].conversion);
    }
}

static void no_code_active_gives_none(void **state)
{
    (void)state;
    struct lt_dm1 dm1;
    static const uint8_t zeros[8] = {0x00, 0xFF, 0x00, 0x00, 0x00, 0x00, 0xFF, 0xFF};
    assert_true(lt_dm1_parse(zeros, 8, &dm1));
    assert_int_equal(dm1.count, 0);
    static const uint8_t ones[8] = {0x00, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF};
    assert_true(lt_dm1_parse(ones, 8, &dm1));
    assert_int_equal(dm1.count, 0);
}

static void transported_codes_follow_each_other(void **state)
{
    (void)state;
    struct lt_dm1 dm1;
    static const uint8_t data[10] = {0x04, 0xFF, 0x6E, 0x00, 0x00, 0x03, 0x64, 0x00, 0x01, 0x01};
    assert_true(lt_dm1_parse(data, sizeof data, &dm1));
    assert_int_equal(dm1.count, 2);
    assert_int_equal(dm1.code[0].spn, 110);
    assert_int_equal(dm1.code[1].spn, 100);
    assert_int_equal(dm1.code[1].fmi, 1);
    assert_int_equal(dm1.code[1].count, 1);
}

static void codes_past_the_room_are_counted(void **state)
{
    (void)state;
    struct lt_dm1 dm1;
    uint8_t data[2 + 4 * 70];
    for (size_t i = 0; i < sizeof data; i++)
        data[i] = (uint8_t)(1 + i % 4);
    assert_true(lt_dm1_parse(data, sizeof data, &dm1));
    assert_int_equal(dm1.count, 64);
    assert_int_equal(dm1.left_out, 6);
}

static void shorter_than_one_code_is_refused(void **state)
{
    (void)state;
    struct lt_dm1 dm1 = {.count = 99};
    static const uint8_t data[6] = {0x04, 0xFF, 0x6E, 0x00, 0x00, 0x03};
    assert_false(lt_dm1_parse(data, 5, &dm1));
    assert_false(lt_dm1_parse(data, 0, &dm1));
    assert_int_equal(dm1.count, 99);
    assert_true(lt_dm1_parse(data, 6, &dm1));
    assert_int_equal(dm1.count, 1);
}

static void failure_modes_of_the_manual_have_texts(void **state)
{
    (void)state;
    for (unsigned fmi = 0; fmi < 256; fmi++) {
        bool known = fmi <= 21 || fmi == 31;
        assert_int_equal(lt_fmi_text((uint8_t)fmi) != NULL, known);
    }
    assert_non_null(strstr(lt_fmi_text(3), "voltage too high"));
    assert_non_null(strstr(lt_fmi_text(5), "open"));
    assert_non_null(strstr(lt_fmi_text(18), "below"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(amber_lamp_with_one_code_as_in_the_manuals),
        cmocka_unit_test(each_lamp_and_its_flashing_have_bits_of_their_own),
        cmocka_unit_test(code_layout_of_the_manuals),
        cmocka_unit_test(no_code_active_gives_none),
        cmocka_unit_test(transported_codes_follow_each_other),
        cmocka_unit_test(codes_past_the_room_are_counted),
        cmocka_unit_test(shorter_than_one_code_is_refused),
        cmocka_unit_test(failure_modes_of_the_manual_have_texts),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
