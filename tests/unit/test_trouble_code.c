/* Trouble codes. Outside facts: the encyclopaedia's "OBD-II PIDs" (SAE J2012) for the layout; a
 * public discussion thread with three controllers answering service 07 (count bytes included). */
#include "unit.h"

#include "loomtap/proto/obd.h"

static void two_bytes_give_letter_and_four_digits(void **state)
{
    (void)state;
    static const struct {
        uint8_t bytes[2];
        const char *text;
    } row[] = {
        {{0x01, 0x35}, "P0135"}, {{0x01, 0x33}, "P0133"}, {{0xC1, 0x58}, "U0158"},
        {{0xA2, 0x45}, "B2245"}, {{0x43, 0x07}, "C0307"}, {{0xD6, 0x00}, "U1600"},
        {{0xFF, 0xFF}, "U3FFF"}, {{0x00, 0x01}, "P0001"},
    };
    for (size_t i = 0; i < COUNT_OF(row); i++) {
        char text[6] = "-----";
        assert_true(lt_obd_trouble_code(row[i].bytes, text));
        assert_string_equal(text, row[i].text);
    }
}

static void zero_is_padding_and_leaves_the_text_alone(void **state)
{
    (void)state;
    char text[6] = "-----";
    assert_false(lt_obd_trouble_code((const uint8_t[]){0, 0}, text));
    assert_string_equal(text, "-----");
}

static void codes_of_the_public_thread(void **state)
{
    (void)state;
    char codes[8][6];
    /* 47 04 01 07 02 07 03 07 43 07, behind the service byte */
    static const uint8_t first[] = {0x04, 0x01, 0x07, 0x02, 0x07, 0x03, 0x07, 0x43, 0x07};
    assert_int_equal(lt_obd_trouble_codes(first, sizeof first, codes, 8), 4);
    assert_string_equal(codes[0], "P0107");
    assert_string_equal(codes[1], "P0207");
    assert_string_equal(codes[2], "P0307");
    assert_string_equal(codes[3], "C0307");
    static const uint8_t second[] = {0x02, 0x01, 0x02, 0xD6, 0x00};
    assert_int_equal(lt_obd_trouble_codes(second, sizeof second, codes, 8), 2);
    assert_string_equal(codes[0], "P0102");
    assert_string_equal(codes[1], "U1600");
    static const uint8_t third[] = {0x01, 0xA2, 0x45};
    assert_int_equal(lt_obd_trouble_codes(third, sizeof third, codes, 8), 1);
    assert_string_equal(codes[0], "B2245");
}

static void count_room_and_length_all_bound_the_list(void **state)
{
    (void)state;
    char codes[8][6];
    static const uint8_t data[] = {0x02, 0x01, 0x07, 0x00, 0x00, 0x03, 0x07, 0x43};
    assert_int_equal(lt_obd_trouble_codes(data, 0, codes, 8), 0);
    assert_int_equal(lt_obd_trouble_codes(data, 1, codes, 8), 0);
    assert_int_equal(lt_obd_trouble_codes(data, 2, codes, 8), 0); /* half a code */
    assert_int_equal(lt_obd_trouble_codes(data, 3, codes, 8), 1);
    /* Two are announced, of which one is padding; what follows is not looked at. */
    assert_int_equal(lt_obd_trouble_codes(data, sizeof data, codes, 8), 1);
    static const uint8_t many[] = {0xFF, 0x01, 0x07, 0x02, 0x07, 0x03, 0x07};
    assert_int_equal(lt_obd_trouble_codes(many, sizeof many, codes, 8), 3);
    assert_int_equal(lt_obd_trouble_codes(many, sizeof many, codes, 2), 2);
    assert_int_equal(lt_obd_trouble_codes(many, sizeof many, codes, 0), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(two_bytes_give_letter_and_four_digits),
        cmocka_unit_test(zero_is_padding_and_leaves_the_text_alone),
        cmocka_unit_test(codes_of_the_public_thread),
        cmocka_unit_test(count_room_and_length_all_bound_the_list),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
