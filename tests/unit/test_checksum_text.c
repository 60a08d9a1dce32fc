/* The text of a checksum: what the grammar takes, where each fault is, and that printing and
 * reading are inverse. The grammar is this project's own (include/loomtap/core/checksum.h). */
#include "unit.h"

#include "loomtap/core/checksum.h"

static struct lt_checksum parsed(const char *text)
{
    struct lt_checksum checksum;
    struct lt_error error;
    if (lt_checksum_parse(lt_text_of(text), &checksum, &error) != LT_OK)
        fail_msg("%s: %s", text, error.text);
    return checksum;
}

static void a_catalogue_name_with_range_and_byte(void **state)
{
    struct lt_checksum c = parsed("crc8-sae-j1850 over 0..6 in 7");
    (void)state;
    assert_int_equal(c.family, LT_CHECK_CRC8);
    assert_string_equal(c.catalogue, "crc8-sae-j1850");
    assert_int_equal(c.width, 8);
    assert_int_equal(c.poly, 0x1D);
    assert_int_equal(c.init, 0xFF);
    assert_int_equal(c.xorout, 0xFF);
    assert_int_equal(c.ranges, 1);
    assert_int_equal(c.range[0].first, 0);
    assert_int_equal(c.range[0].last, 6);
    assert_int_equal(c.place.parts, 1);
    assert_int_equal(c.place.part[0].msb, 63);
    assert_int_equal(c.place.part[0].lsb, 56);
    assert_false(c.with_id || c.with_length || c.has_counter || c.has_page);
    assert_int_equal(c.data_id_count, 0);
}

static void every_option_of_a_crc(void **state)
{
    struct lt_checksum c =
        parsed(" crc16  over 0..2,\t4..7 , 9 in 3.7..8.0 poly 0x8005 init 0xFFFF xorout 1 reflect "
               "with-id with-length data-id 0x23, 0x01 alternating before counter 6.3..6.0 page 3");
    (void)state;
    assert_int_equal(c.family, LT_CHECK_CRC16);
    assert_null(c.catalogue);
    assert_int_equal(c.width, 16);
    assert_int_equal(c.ranges, 3);
    assert_int_equal(c.range[1].first, 4);
    assert_int_equal(c.range[1].last, 7);
    assert_int_equal(c.range[2].first, 9);
    assert_int_equal(c.range[2].last, 9);
    assert_int_equal(c.place.part[0].msb, 31);
    assert_int_equal(c.place.part[0].lsb, 64);
    assert_int_equal(c.poly, 0x8005);
    assert_int_equal(c.init, 0xFFFF);
    assert_int_equal(c.xorout, 1);
    assert_true(c.reflect && c.with_id && c.with_length && c.data_id_before);
    assert_int_equal(c.data_id_count, 2);
    assert_int_equal(c.data_id[0], 0x23);
    assert_int_equal(c.data_id[1], 0x01);
    assert_int_equal(c.data_id_mode, LT_DATA_ID_ALTERNATING);
    assert_true(c.has_counter && c.has_page);
    assert_int_equal(c.counter.part[0].msb, 51);
    assert_int_equal(c.counter.part[0].lsb, 48);
    assert_int_equal(c.page, 3);
}

static void plain_options(void **state)
{
    struct lt_checksum c = parsed("sum over 6..0 in 7 start 0x12 complement twos");
    (void)state;
    assert_int_equal(c.family, LT_CHECK_SUM);
    assert_int_equal(c.range[0].first, 6);
    assert_int_equal(c.range[0].last, 0);
    assert_int_equal(c.start, 0x12);
    assert_int_equal(c.complement, LT_COMPLEMENT_TWOS);
    assert_int_equal(parsed("xor over 0 in 1 complement ones").complement, LT_COMPLEMENT_ONES);
    c = parsed("nibble-sum over 0..6 in 7.7..7.4 start 15");
    assert_int_equal(c.width, 4);
    assert_int_equal(c.start, 15);
    assert_int_equal(parsed("affine over 0..6 in 7.5..7.1").width, 5);
    assert_int_equal(parsed("affine over 0..6 in 7.0").width, 1);
}

static void data_id_defaults(void **state)
{
    struct lt_checksum c = parsed("crc8-smbus over 0..6 in 7 data-id 0xAA");
    (void)state;
    assert_int_equal(c.data_id_mode, LT_DATA_ID_BOTH);
    assert_false(c.data_id_before);
    c = parsed("crc8-smbus over 0..6 in 7 data-id 0xAA before low with-id");
    assert_int_equal(c.data_id_mode, LT_DATA_ID_LOW);
    assert_true(c.data_id_before && c.with_id);
    c = parsed("e2e-p1 over 1..7 in 0 data-id 0x23,0x01");
    assert_int_equal(c.data_id_mode, LT_DATA_ID_BOTH);
    assert_true(c.data_id_before);
    c = parsed("e2e-p2 over 1..7 in 0 data-id 1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16");
    assert_int_equal(c.data_id_mode, LT_DATA_ID_LIST);
    assert_int_equal(c.data_id_count, 16);
    assert_false(c.data_id_before);
}

/* Written in the canonical form and read back the same; `canonical` is NULL where the text is
 * canonical already. */
static void printing_and_reading_are_inverse(void **state)
{
    static const struct {
        const char *text, *canonical;
    } rows[] = {
        {"crc8-sae-j1850 over 0..6 in 7", NULL},
        {"crc16-ccitt-false over 0..5 in 7.7..6.0", "crc16-ibm-3740 over 0..5 in 7.7..6.0"},
        {"  sum over 0..2 , 4..7 in 3 with-length   with-id ",
         "sum over 0..2,4..7 in 3 with-id with-length"},
        {"sum over 6..0 in 7.7..7.0", "sum over 6..0 in 7"},
        {"sum over 3..3 in 7 start 0", "sum over 3 in 7"},
        {"xor over 0..6 in 7 complement ones start 90",
         "xor over 0..6 in 7 start 0x5A complement ones"},
        {"nibble-sum over 0..6 in 7.3..7.0 start 0xA", NULL},
        {"crc8 over 0..6 in 7 poly 0x1D init 0xFF xorout 0xFF reflect", NULL},
        {"crc8 over 0..6 in 7 reflect init 0 poly 29", "crc8 over 0..6 in 7 poly 0x1D reflect"},
        {"crc16 over 0..5 in 6.7..7.0 poly 0x1021 xorout 0x0001", NULL},
        {"crc8-smbus over 0..6 in 7 data-id 0x01", "crc8-smbus over 0..6 in 7 data-id 0x01 both"},
        {"crc8-smbus over 0..6 in 7 data-id 1,2 before alternating counter 6.3..6.0 page "
         "4294967295",
         "crc8-smbus over 0..6 in 7 data-id 0x01,0x02 alternating before counter 6.3..6.0 page "
         "4294967295"},
        {"crc8-smbus over 0..6 in 7 data-id 1 low after",
         "crc8-smbus over 0..6 in 7 data-id 0x01 low"},
        {"e2e-p1 over 1..7 in 0 data-id 0x23,0x01 before",
         "e2e-p1 over 1..7 in 0 data-id 0x23,0x01 both"},
        {"e2e-p1 over 1..7 in 0 data-id 0x23 nibble counter 1", NULL},
        {"e2e-p2 over 1..7 in 0 data-id "
         "0x01,0x02,0x03,0x04,0x05,0x06,0x07,0x08,0x09,0x0A,0x0B,0x0C,0x0D,0x0E,0x0F,0x10 list",
         NULL},
        {"e2e-p5 over 2..7 in 1.7..0.0 data-id 0x34,0x12 both", NULL},
        {"j1939-tsc1 over 0..6 in 7.7..7.4", NULL},
        {"j1939-xbr over 0..6 in 7.7..7.4 counter 7.3..7.0", NULL},
        {"affine over 0..6 in 7.6..7.1 page 0", NULL},
        {"sum over 0,2,4,6,8,10,12,14 in 63", NULL},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_checksum first = parsed(rows[i].text), again;
        char text[512], text_again[512];
        size_t len = lt_checksum_print(&first, text, sizeof text);
        assert_string_equal(text, rows[i].canonical ? rows[i].canonical : rows[i].text);
        assert_int_equal(len, strlen(text));
        again = parsed(text);
        lt_checksum_print(&again, text_again, sizeof text_again);
        assert_string_equal(text_again, text);
        assert_int_equal(again.poly, first.poly);
        assert_int_equal(again.width, first.width);
        assert_int_equal(again.data_id_before, first.data_id_before);
    }
}

static void every_catalogue_name_of_8_or_16_bits_reads_and_prints(void **state)
{
    size_t count;
    const struct lt_crc *rows = lt_crc_table(&count);
    (void)state;
    for (size_t i = 0; i < count; i++) {
        char text[100], printed[100];
        struct lt_checksum checksum;
        bool fits = rows[i].width == 8 || rows[i].width == 16;
        snprintf(text, sizeof text, "%s over 0..5 in %s", rows[i].name,
                 rows[i].width == 16 ? "6.7..7.0" : "7");
        enum lt_code code = lt_checksum_parse(lt_text_of(text), &checksum, NULL);
        assert_int_equal(code, fits ? LT_OK : LT_E_RANGE);
        if (fits) {
            lt_checksum_print(&checksum, printed, sizeof printed);
            assert_string_equal(printed, text);
        }
    }
}

/* A short buffer is filled, terminated and not passed. */
static void printing_into_a_short_buffer(void **state)
{
    struct lt_checksum c = parsed("crc8-sae-j1850 over 0..6 in 7 with-id");
    char text[40];
    (void)state;
    for (size_t size = 0; size < 38; size++) {
        memset(text, 'x', sizeof text);
        size_t len = lt_checksum_print(&c, text, size);
        if (size > 0) {
            assert_true(len < size);
            assert_int_equal(strlen(text), len);
            assert_memory_equal(text, "crc8-sae-j1850 over 0..6 in 7 with-id", len);
        }
        assert_int_equal(text[size], 'x');
    }
}

/* `^` stands under the column that must be named. */
static void each_fault_names_its_column(void **state)
{
    static const struct {
        enum lt_code code;
        const char *text, *mark, *part;
    } rows[] = {
        {LT_E_MISSING, "", "^", "empty"},
        {LT_E_MISSING, "  ", "  ^", "empty"},
        {LT_E_UNKNOWN, "crc9 over 0..6 in 7", "^", "called `crc9`"},
        {LT_E_UNKNOWN, " CRC-8/SAE-J1850 over 0..6 in 7", " ^", "called `CRC-8/SAE-J1850`"},
        {LT_E_RANGE, "crc32-autosar over 0..3 in 7.7..4.0", "^", "32 bits"},
        {LT_E_RANGE, "crc15-can over 0..3 in 7.7..6.0", "^", "15 bits"},
        {LT_E_MISSING, "sum", "   ^", "`over` is missing"},
        {LT_E_SYNTAX, "sum 0..6 in 7", "    ^", "`over` is missing before `0..6`"},
        {LT_E_MISSING, "sum over", "        ^", "names no bytes"},
        {LT_E_SYNTAX, "sum over in 7", "         ^", "`in` is not a range of bytes"},
        {LT_E_SYNTAX, "sum over 0..6,x in 7", "              ^", "`x` is not a range"},
        {LT_E_SYNTAX, "sum over 0..64 in 7", "         ^", "`0..64` is not a range"},
        {LT_E_SYNTAX, "sum over 0...6 in 7", "         ^", "not a range"},
        {LT_E_SYNTAX, "sum over 0.0..6.7 in 7", "         ^", "not a range"},
        {LT_E_SYNTAX, "sum over 0..6, in 7", "               ^", "`in` is not a range"},
        {LT_E_SYNTAX, "sum over -1..6 in 7", "         ^", "not a range"},
        {LT_E_SYNTAX, "sum over 0..6,,7 in 7", "              ^", "not a range"},
        {LT_E_LIMIT, "sum over 0,2,4,6,8,10,12,14,16 in 7", "                            ^",
         "more than 8 ranges"},
        {LT_E_MISSING, "sum over 0..6", "             ^", "`in` is missing"},
        {LT_E_SYNTAX, "sum over 0..6 at 7", "              ^", "`in` is missing before `at`"},
        {LT_E_MISSING, "sum over 0..6 in", "                ^", "`in` wants a byte or bits"},
        {LT_E_SYNTAX, "sum over 0..6 in 64", "                 ^", "not `64`"},
        {LT_E_SYNTAX, "sum over 0..6 in 7.8", "                 ^", "not `7.8`"},
        {LT_E_SYNTAX, "sum over 0..6 in 64.7..64.0", "                 ^", "byte or bits"},
        {LT_E_SYNTAX, "crc16-arc over 0..5 in 6..7", "                       ^", "byte or bits"},
        {LT_E_SYNTAX, "sum over 0..6 in 7.0..7.7", "                 ^", "byte or bits"},
        {LT_E_UNKNOWN, "sum over 0..6 in 7 8", "                   ^", "no option `8`"},
        {LT_E_UNKNOWN, "sum over 0..6 in 7 withid", "                   ^", "no option `withid`"},
        {LT_E_CONFLICT, "sum over 0..6 in 7 poly 7", "                   ^", "`poly` does not go"},
        {LT_E_CONFLICT, "crc8-smbus over 0..6 in 7 init 1", "                          ^",
         "`init` does not go with crc8-smbus"},
        {LT_E_CONFLICT, "crc8 over 0 in 7 poly 7 start 1", "                        ^", "`start`"},
        {LT_E_CONFLICT, "e2e-p1 over 0 in 7 with-id", "                   ^", "`with-id`"},
        {LT_E_CONFLICT, "j1939-xbr over 0 in 7.7..7.4 data-id 1", "                             ^",
         "`data-id`"},
        {LT_E_CONFLICT, "affine over 0 in 7 start 1", "                   ^", "`start`"},
        {LT_E_DUPLICATE, "sum over 0 in 7 with-id with-id", "                        ^", "twice"},
        {LT_E_DUPLICATE, "sum over 0 in 7 page 1 page 2", "                       ^", "twice"},
        {LT_E_MISSING, "  crc8 over 0..6 in 7 init 0xFF", "  ^", "no polynomial"},
        {LT_E_RANGE, "crc8 over 0 in 7 poly 0", "                      ^", "polynomial of 0"},
        {LT_E_RANGE, "crc8 over 0 in 7 poly 0x11D", "                      ^", "0 to 0xFF, not"},
        {LT_E_RANGE, "crc16 over 0 in 7 poly 0x11021", "                       ^", "0 to 0xFFFF"},
        {LT_E_SYNTAX, "crc8 over 0 in 7 poly 1D", "                      ^", "not `1D`"},
        {LT_E_MISSING, "crc8 over 0 in 7 poly", "                     ^", "`poly` wants a number"},
        {LT_E_RANGE, "nibble-sum over 0 in 7.7..7.4 start 16",
         "                                    ^", "0 to 0xF,"},
        {LT_E_SYNTAX, "sum over 0 in 7 start -1", "                      ^", "not `-1`"},
        {LT_E_MISSING, "sum over 0 in 7 complement", "                          ^", "`ones`"},
        {LT_E_UNKNOWN, "sum over 0 in 7 complement two", "                           ^", "`twos`"},
        {LT_E_MISSING, "sum over 0 in 7 data-id", "                       ^", "names no bytes"},
        {LT_E_RANGE, "sum over 0 in 7 data-id 0x0123", "                        ^", "not a byte"},
        {LT_E_SYNTAX, "sum over 0 in 7 data-id 1,both", "                          ^", "`both`"},
        {LT_E_LIMIT, "sum over 0 in 7 data-id 1,2,3,4,5,6,7,8,9,0,1,2,3,4,5,6,7",
         "                                                        ^", "more than 16"},
        {LT_E_UNKNOWN, "sum over 0 in 7 data-id 1 both low", "                               ^",
         "no option `low`"},
        {LT_E_CONFLICT, "e2e-p1 over 1 in 0 data-id 1,2 after", "                               ^",
         "before the data"},
        {LT_E_CONFLICT, "e2e-p5 over 2 in 1.7..0.0 data-id 1,2 both before",
         "                                           ^", "after the data"},
        {LT_E_MISSING, "sum over 0 in 7 counter", "                       ^", "`counter` wants"},
        {LT_E_SYNTAX, "sum over 0 in 7 counter mod", "                        ^", "not `mod`"},
        {LT_E_SYNTAX, "sum over 0 in 7 page -", "                     ^", "`page` wants a number"},
        {LT_E_RANGE, "sum over 0 in 7 page 4294967296", "                     ^", "`page` wants"},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_checksum checksum, untouched;
        struct lt_error error = {0};
        memset(&checksum, 0xA5, sizeof checksum);
        memset(&untouched, 0xA5, sizeof untouched);
        enum lt_code code = lt_checksum_parse(lt_text_of(rows[i].text), &checksum, &error);
        if (code != rows[i].code || !strstr(error.text, rows[i].part) ||
            error.column != strlen(rows[i].mark))
            fail_msg("%s: code %d, column %u, `%s`", rows[i].text, code, error.column, error.text);
        assert_int_equal(error.code, code);
        assert_memory_equal(&checksum, &untouched, sizeof checksum);
        assert_int_equal(lt_checksum_parse(lt_text_of(rows[i].text), &checksum, NULL), code);
    }
}

static void advice_helps(void **state)
{
    static const struct {
        const char *text, *advice;
    } rows[] = {
        {"CRC-8/SAE-J1850 over 0..6 in 7", "write `crc8-sae-j1850`"},
        {"crc8_sae_j1850 over 0..6 in 7", "write `crc8-sae-j1850`"},
        {"E2E_P1 over 1..7 in 0", "write `e2e-p1`"},
        {"checksum over 0..6 in 7", "families: xor, sum"},
        {"crc32-autosar over 0..3 in 4", "begins crc8- or crc16-"},
        {"sum over 0..6 in 7 crc", "options here: start, complement, with-id"},
        {"j1939-tsc1 over 0..6 in 7 start 1", "options here: counter, page"},
        {"crc8 over 0..6 in 7", "poly 0x1D"},
        {"sum over 0 in 7 data-id 0x0123", "0x23,0x01"},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_checksum checksum;
        struct lt_error error = {0};
        assert_int_not_equal(lt_checksum_parse(lt_text_of(rows[i].text), &checksum, &error), LT_OK);
        if (!strstr(error.advice, rows[i].advice))
            fail_msg("%s: `%s`", rows[i].text, error.advice);
    }
}

/* A faulty word is not repeated whole, and no UTF-8 character is split. */
static void a_long_word_is_shown_short(void **state)
{
    char text[400] = "x";
    struct lt_checksum checksum;
    struct lt_error error = {0};
    (void)state;
    for (size_t i = 1; i + 2 < sizeof text; i += 2)
        memcpy(text + i, "\xC2\xB0", 2);
    assert_int_equal(lt_checksum_parse((struct lt_text){text, 399}, &checksum, &error),
                     LT_E_UNKNOWN);
    assert_true(strlen(error.text) < 100);
    assert_true(lt_text_is_utf8(lt_text_of(error.text), NULL));
}

static void bytes_that_are_no_text_are_refused(void **state)
{
    struct lt_checksum checksum;
    struct lt_error error = {0};
    (void)state;
    assert_int_equal(
        lt_checksum_parse((struct lt_text){"sum\0over 0..6 in 7", 18}, &checksum, &error),
        LT_E_SYNTAX);
    assert_int_equal(error.column, 4);
    assert_int_equal(lt_checksum_parse(LT_TEXT("sum over \xFF"), &checksum, &error), LT_E_SYNTAX);
    assert_int_equal(error.column, 10);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_catalogue_name_with_range_and_byte),
        cmocka_unit_test(every_option_of_a_crc),
        cmocka_unit_test(plain_options),
        cmocka_unit_test(data_id_defaults),
        cmocka_unit_test(printing_and_reading_are_inverse),
        cmocka_unit_test(every_catalogue_name_of_8_or_16_bits_reads_and_prints),
        cmocka_unit_test(printing_into_a_short_buffer),
        cmocka_unit_test(each_fault_names_its_column),
        cmocka_unit_test(advice_helps),
        cmocka_unit_test(a_long_word_is_shown_short),
        cmocka_unit_test(bytes_that_are_no_text_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
