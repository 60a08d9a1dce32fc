/* asc text. Outside facts: lines that log2asc of can-utils 2020.11 printed for the log lines beside
 * them, and log2asc itself where it is installed; flag bits from linux/can.h. */
#include "capture_lines.h"

#define S INT64_C(1000000000)

static const struct good_line good_lines[] = {
    {"   0.000000 1  123             Rx   d 4 DE AD BE EF",
     0,
     "0.000000",
     "1",
     0x123,
     0,
     4,
     4,
     0,
     {0xDE, 0xAD, 0xBE, 0xEF}},
    {"   0.200000 2  18FEF100x       Rx   d 8 FF FF FF FF FF FF FF FF",
     S / 5,
     "0.200000",
     "2",
     0x18FEF100,
     EXT,
     8,
     8,
     0,
     {255, 255, 255, 255, 255, 255, 255, 255}},
    {"   0.2000 1  123x            Rx   d 1 DE\r",
     S / 5,
     "0.2000",
     "1",
     0x123,
     EXT,
     1,
     1,
     0,
     {0xDE}},
    {"   0.300000 1  123             Rx   r 4",
     S / 10 * 3,
     "0.300000",
     "1",
     0x123,
     RTR,
     0,
     4,
     0,
     {0}},
    {"   0.300000 1  12345678x       Rx   r",
     S / 10 * 3,
     "0.300000",
     "1",
     0x12345678,
     EXT | RTR,
     0,
     0,
     0,
     {0}},
    {"   1.300000 CANFD   1 Rx        123                                   1 0 9 12 11 22 33 44 "
     "55 "
     "66 77 88 99 AA BB CC   130000  130     3000 0 0 0 0 0",
     S / 10 * 13,
     "1.300000",
     "1",
     0x123,
     FD | BRS,
     12,
     9,
     0,
     {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88, 0x99, 0xAA, 0xBB, 0xCC}},
    {"   1.300000 CANFD   1 Rx        123                                   1 1 0  0   130000  130 "
     "  "
     "  7000 0 0 0 0 0",
     S / 10 * 13,
     "1.300000",
     "1",
     0x123,
     FD | BRS | ESI,
     0,
     0,
     0,
     {0}},
    {"   1.300000 CANFD   1 Tx   12345678x                                  0 0 3  3 11 22 33   "
     "130000  130     1000 0 0 0 0 0",
     S / 10 * 13,
     "1.300000",
     "1",
     0x12345678,
     EXT | FD | SENT,
     3,
     3,
     0,
     {0x11, 0x22, 0x33}},
    /* -f: classic frames in the same columns. */
    {"   0.000000 CANFD   1 Rx        123                                   0 0 4  4 DE AD BE EF   "
     "130000  130        0 0 0 0 0 0",
     0,
     "0.000000",
     "1",
     0x123,
     0,
     4,
     4,
     0,
     {0xDE, 0xAD, 0xBE, 0xEF}},
    {"   0.300000 CANFD   1 Rx        123                                   0 0 4  0   130000  130 "
     "  "
     "    10 0 0 0 0 0",
     S / 10 * 3,
     "0.300000",
     "1",
     0x123,
     RTR,
     0,
     4,
     0,
     {0}},
    {"   2.000000 1  ErrorFrame", 2 * S, "2.000000", "1", 0, ERR, 0, 0, 0, {0}},
    {"   0.000000 3  0               Tx   d 0", 0, "0.000000", "3", 0, SENT, 0, 0, 0, {0}},
};

static void asc_lines_are_read_with_everything_they_say(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT_OF(good_lines); i++)
        check_good_line(&good_lines[i], LT_FORM_ASC_TEXT);
}

static const struct bad_line bad_lines[] = {
    {"   0.000000 1  123             Rx   d 4 DE AD BE", LT_BAD_LENGTH, 49},
    {"   0.000000 1  123             Rx   d 2 DE AD BE", LT_BAD_LENGTH, 47},
    {"   0.000000 1  123             Rx   d 2 DE A", LT_BAD_ODD, 44},
    {"   0.000000 1  123             Rx   d 2 DE AX", LT_BAD_HEX, 44},
    {"   0.000000 1  800             Rx   d 0", LT_BAD_ID, 16},
    {"   0.000000 1  20000000x       Rx   d 0", LT_BAD_ID, 16},
    {"   0.000000 1  123             Rx   q 0", LT_BAD_FLAGS, 37},
    {"   0.000000 CANFD   1 Rx        123     2 0 0  0   130000  130     3000 0 0 0 0 0",
     LT_BAD_FLAGS, 41},
    {"   0.000000 CANFD   1 Rx        123     0 0 9 11 11 22", LT_BAD_LENGTH, 55},
    {"   0.000000 1  123", LT_BAD_NO_FRAME, 1},
};

static void malformed_asc_lines_are_counted_with_reason_and_column(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT_OF(bad_lines); i++)
        check_bad_line(&bad_lines[i], "   0.000000 1  123             Rx   d 1 DE");
}

static void header_lines_are_notes_and_say_how_to_read(void **state)
{
    static const char absolute[] = "date Fri Jul 10 06:17:32 2015\n"
                                   "base hex  timestamps absolute\n"
                                   "no internal events logged\n"
                                   "   1.500000 1  123             Rx   d 1 DE\n"
                                   "   1.750000 1  123             Rx   d 1 DE\n";
    static const char relative[] = "base hex  timestamps relative\n"
                                   "   1.500000 1  123             Rx   d 1 DE\n"
                                   "   1.750000 1  123             Rx   d 1 DE\n";
    static const char decimal[] = "base dec  timestamps absolute\n"
                                  "   1.500000 1  123             Rx   d 1 10\n";
    struct lt_reader *reader = NULL;
    (void)state;
    assert_int_equal(
        lt_reader_open_memory(&reader, "m", absolute, sizeof absolute - 1, 0, NULL, NULL), LT_OK);
    assert_int_equal(lt_reader_next(reader)->time_ns, 1500000000);
    assert_int_equal(lt_reader_next(reader)->time_ns, 1750000000);
    assert_null(lt_reader_next(reader));
    assert_int_equal(lt_reader_counts(reader)->notes, 3);
    lt_reader_free(reader);

    assert_int_equal(
        lt_reader_open_memory(&reader, "m", relative, sizeof relative - 1, 0, NULL, NULL), LT_OK);
    assert_int_equal(lt_reader_next(reader)->time_ns, 1500000000);
    const struct lt_frame *frame = lt_reader_next(reader);
    assert_int_equal(frame->time_ns, 3250000000);
    assert_null(frame->time_text);
    lt_reader_free(reader);

    /* Never a wrong number: what is said to be decimal is not read as hex. */
    assert_int_equal(
        lt_reader_open_memory(&reader, "m", decimal, sizeof decimal - 1, 0, NULL, NULL), LT_OK);
    assert_null(lt_reader_next(reader));
    assert_int_equal(lt_reader_counts(reader)->malformed, 1);
    lt_reader_free(reader);
}

/* --- log2asc itself --- */

static const char log_text[] = "(1436509052.249713) can0 123#DEADBEEF\n"
                               "(1436509052.249813) can1 00000123#DEADBEEF\n"
                               "(1436509052.449713) can0 18FEF100#FFFFFFFFFFFFFFFF R\n"
                               "(1436509052.549713) can0 123#R4\n"
                               "(1436509052.549714) can0 12345678#R\n"
                               "(1436509053.549713) can0 123##5112233445566778899AABBCC\n"
                               "(1436509053.549713) can0 123##3\n"
                               "(1436509053.649713) can1 12345678##1112233445566778899AABBCC T\n"
                               "(1436509053.749713) can0 123# T\n"
                               "(1436509054.249713) can0 456##0"
                               "000102030405060708090A0B0C0D0E0F101112131415161718191A1B1C1D1E1F"
                               "202122232425262728292A2B2C2D2E2F303132333435363738393A3B3C3D3E3F\n"
                               "(1436509054.349713) can0 000#00\n";

static void compare_with_log(const char *options, const char *path)
{
    char command[256];
    static char asc[20000];
    struct lt_reader *log = NULL, *converted = NULL;
    snprintf(command, sizeof command, "log2asc %s -I %s can0 can1", options, path);
    FILE *tool = popen(command, "r");
    assert_non_null(tool);
    size_t len = fread(asc, 1, sizeof asc, tool);
    assert_int_equal(pclose(tool), 0);
    assert_int_equal(lt_reader_open(&log, path, NULL, NULL), LT_OK);
    assert_int_equal(lt_reader_open_memory(&converted, "asc", asc, len, 0, NULL, NULL), LT_OK);
    const struct lt_frame *a, *b;
    int64_t first_ns = -1;
    size_t count = 0;
    for (; (a = lt_reader_next(log)) != NULL; count++) {
        b = lt_reader_next(converted);
        assert_non_null(b);
        first_ns = first_ns < 0 ? a->time_ns : first_ns;
        assert_int_equal(a->id, b->id);
        assert_int_equal(a->flags, b->flags);
        assert_int_equal(a->len, b->len);
        assert_memory_equal(a->data, b->data, a->len);
        assert_int_equal(a->bus, b->bus);
        int64_t apart_ns = a->time_ns - first_ns - b->time_ns;
        assert_true(apart_ns >= 0 && apart_ns < (strstr(options, "-4") ? 100000 : 1));
    }
    assert_null(lt_reader_next(converted));
    assert_int_equal(count, 11);
    assert_int_equal(lt_reader_form(converted), LT_FORM_ASC_TEXT);
    assert_int_equal(lt_reader_counts(converted)->malformed, 0);
    assert_int_equal(lt_reader_counts(converted)->oddities, 0);
    assert_int_equal(lt_reader_counts(converted)->notes, 3);
    assert_string_equal(lt_reader_bus_name(converted, 0), "1");
    lt_reader_free(log);
    lt_reader_free(converted);
}

static void what_log2asc_of_can_utils_writes_is_read_frame_for_frame(void **state)
{
    static const char *const options[] = {"", "-4", "-n", "-r", "-f", "-4 -n -r -f"};
    char path[] = "/tmp/loomtap-log2asc-XXXXXX";
    (void)state;
    if (system("command -v log2asc >/dev/null") != 0)
        skip();
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    FILE *file = fdopen(fd, "w");
    assert_non_null(file);
    fputs(log_text, file);
    fclose(file);
    for (size_t i = 0; i < COUNT_OF(options); i++)
        compare_with_log(options[i], path);
    remove(path);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(asc_lines_are_read_with_everything_they_say),
        cmocka_unit_test(malformed_asc_lines_are_counted_with_reason_and_column),
        cmocka_unit_test(header_lines_are_notes_and_say_how_to_read),
        cmocka_unit_test(what_log2asc_of_can_utils_writes_is_read_frame_for_frame),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
