/* candump's screen form. Outside facts: the columns of can-utils candump.c and lib.c
 * (sprint_long_canframe); flag bits from linux/can.h. tests/kernel has the real candump. */
#include "capture_lines.h"

#define T      INT64_C(1700000000123456000)
#define A      " (1700000000.123456)"
#define TEXT   "1700000000.123456"
#define NONE   LT_NO_TIME
#define ESCAPE "\033["

static const struct good_line good_lines[] = {
    /* One line of each column layout. */
    {"  vcan0  123   [4]  DE AD BE EF",
     NONE,
     NULL,
     "vcan0",
     0x123,
     0,
     4,
     4,
     0,
     {0xDE, 0xAD, 0xBE, 0xEF}},
    {A "  vcan0  123   [4]  DE AD BE EF",
     T,
     TEXT,
     "vcan0",
     0x123,
     0,
     4,
     4,
     0,
     {0xDE, 0xAD, 0xBE, 0xEF}},
    {" (2023-11-14 22:13:20.123456)  vcan0  123   [4]  DE AD BE EF",
     T,
     NULL,
     "vcan0",
     0x123,
     0,
     4,
     4,
     0,
     {0xDE, 0xAD, 0xBE, 0xEF}},
    {" (000.000000)  vcan0  123   [4]  DE AD BE EF",
     0,
     "000.000000",
     "vcan0",
     0x123,
     0,
     4,
     4,
     0,
     {0xDE, 0xAD, 0xBE, 0xEF}},
    {"  vcan0  RX - -  123   [4]  DE AD BE EF",
     NONE,
     NULL,
     "vcan0",
     0x123,
     0,
     4,
     4,
     0,
     {0xDE, 0xAD, 0xBE, 0xEF}},
    {"  vcan0  TX - -  123   [1]  DE", NONE, NULL, "vcan0", 0x123, SENT, 1, 1, 0, {0xDE}},
    {"  vcan0  RX B -  123  [01]  DE", NONE, NULL, "vcan0", 0x123, FD | BRS, 1, 1, 0, {0xDE}},
    {"  vcan0  TX - E  123  [01]  DE",
     NONE,
     NULL,
     "vcan0",
     0x123,
     FD | ESI | SENT,
     1,
     1,
     0,
     {0xDE}},
    {"  vcan0  RX B E  123  [00] ", NONE, NULL, "vcan0", 0x123, FD | BRS | ESI, 0, 0, 0, {0}},
    {"  vcan0  12345678   [3]  11 22 33",
     NONE,
     NULL,
     "vcan0",
     0x12345678,
     EXT,
     3,
     3,
     0,
     {0x11, 0x22, 0x33}},
    {"  vcan0       123   [4]  DE AD BE EF",
     NONE,
     NULL,
     "vcan0",
     0x123,
     0,
     4,
     4,
     0,
     {0xDE, 0xAD, 0xBE, 0xEF}},
    {"  vcan0  123   [0] ", NONE, NULL, "vcan0", 0x123, 0, 0, 0, 0, {0}},
    {"  vcan0  123   [4]  remote request", NONE, NULL, "vcan0", 0x123, RTR, 0, 4, 0, {0}},
    {"  vcan0  123   [0]  remote request", NONE, NULL, "vcan0", 0x123, RTR, 0, 0, 0, {0}},
    {"  vcan0  123   {E}  remote request", NONE, NULL, "vcan0", 0x123, RTR, 0, 14, 0, {0}},
    {"  vcan0  123  [03]  11 22 33", NONE, NULL, "vcan0", 0x123, FD, 3, 3, 0, {0x11, 0x22, 0x33}},
    {"  vcan0  123  [12]  11 22 33 44 55 66 77 88 99 AA BB CC",
     NONE,
     NULL,
     "vcan0",
     0x123,
     FD,
     12,
     9,
     0,
     {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88, 0x99, 0xAA, 0xBB, 0xCC}},
    {"  vcan0  20000040   [8]  00 00 00 00 00 00 00 00   ERRORFRAME",
     NONE,
     NULL,
     "vcan0",
     0x40,
     ERR,
     8,
     8,
     0,
     {0}},
    /* -a: the text may hold anything. */
    {"  vcan0  321   [8]  11 22 33 44 55 66 77 88   '.\"3DUfw'",
     NONE,
     NULL,
     "vcan0",
     0x321,
     0,
     8,
     8,
     0,
     {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88}},
    {"  vcan0  321   [8]  27 5B 38 5D 20 23 22 28   ''[8] #\"('",
     NONE,
     NULL,
     "vcan0",
     0x321,
     0,
     8,
     8,
     0,
     {0x27, 0x5B, 0x38, 0x5D, 0x20, 0x23, 0x22, 0x28}},
    {"  vcan0  321   [2]  31 32                     '12'",
     NONE,
     NULL,
     "vcan0",
     0x321,
     0,
     2,
     2,
     0,
     {0x31, 0x32}},
    {"  vcan0  321   [0]                            ''",
     NONE,
     NULL,
     "vcan0",
     0x321,
     0,
     0,
     0,
     0,
     {0}},
    /* -S: the last byte first. */
    {"  vcan0  123   [4]  EF`BE`AD`DE",
     NONE,
     NULL,
     "vcan0",
     0x123,
     0,
     4,
     4,
     0,
     {0xDE, 0xAD, 0xBE, 0xEF}},
    {"  vcan0  123   [4]  EF`BE`AD`DE               `....`",
     NONE,
     NULL,
     "vcan0",
     0x123,
     0,
     4,
     4,
     0,
     {0xDE, 0xAD, 0xBE, 0xEF}},
    {"  vcan0  123   [0]                            ``",
     NONE,
     NULL,
     "vcan0",
     0x123,
     0,
     0,
     0,
     0,
     {0}},
    /* -8: raw DLC in braces. */
    {"  vcan0  123   {E}  11 22 33 44 55 66 77 88",
     NONE,
     NULL,
     "vcan0",
     0x123,
     0,
     8,
     14,
     0,
     {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88}},
    /* -i: binary digits. */
    {"  vcan0  123   [2]  11011110 00000001", NONE, NULL, "vcan0", 0x123, 0, 2, 2, 0, {0xDE, 1}},
    {"  vcan0  123   [2]  00000001`11011110", NONE, NULL, "vcan0", 0x123, 0, 2, 2, 0, {0xDE, 1}},
    /* -c: colours around the columns. */
    {" " ESCAPE "1m" ESCAPE "34m(1700000000.123456)  vcan0  123   [1]  DE" ESCAPE "0m",
     T,
     TEXT,
     "vcan0",
     0x123,
     0,
     1,
     1,
     0,
     {0xDE}},
    {A "  " ESCAPE "31mvcan0" ESCAPE "0m  123   [1]  DE",
     T,
     TEXT,
     "vcan0",
     0x123,
     0,
     1,
     1,
     0,
     {0xDE}},
    {"  " ESCAPE "31mvcan0  123   [0] " ESCAPE "0m", NONE, NULL, "vcan0", 0x123, 0, 0, 0, 0, {0}},
    /* Wide name column, lower case, CR. */
    {A "            vcan0  1ab   [1]  de\r", T, TEXT, "vcan0", 0x1AB, 0, 1, 1, 0, {0xDE}},
    /* What log2long of can-utils prints has no blank before the time. */
    {"(1700000000.123456)  can0       123   [4]  DE AD BE EF               '....'",
     T,
     TEXT,
     "can0",
     0x123,
     0,
     4,
     4,
     0,
     {0xDE, 0xAD, 0xBE, 0xEF}},
    /* Accepted, but odd. */
    {"  vcan0  123   [1]  DE something", NONE, NULL, "vcan0", 0x123, 0, 1, 1, 1, {0xDE}},
    {"  vcan0  123  [11]  11 22 33 44 55 66 77 88 99 AA BB",
     NONE,
     NULL,
     "vcan0",
     0x123,
     FD,
     11,
     9,
     1,
     {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88, 0x99, 0xAA, 0xBB}},
    {"  vcan0  RX B -  123   [1]  DE", NONE, NULL, "vcan0", 0x123, 0, 1, 1, 1, {0xDE}},
};

static void screen_lines_are_read_in_every_layout(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT_OF(good_lines); i++)
        check_good_line(&good_lines[i], LT_FORM_CANDUMP_SCREEN);
}

static const struct bad_line bad_lines[] = {
    {"  vcan0  123   [4]  DE AD BE", LT_BAD_LENGTH, 29},
    {"  vcan0  123   [4]  DE AD BE EF 01", LT_BAD_LENGTH, 33},
    {"  vcan0  123   [4]  DE AD BE   '...'", LT_BAD_LENGTH, 32},
    {"  vcan0  123   [2]  EF`BE`AD", LT_BAD_LENGTH, 26},
    {"  vcan0  123   [9]  11 22 33 44 55 66 77 88 99", LT_BAD_LENGTH, 19},
    {"  vcan0  123  [65]  11", LT_BAD_LENGTH, 19},
    {"  vcan0  123   [2]  DE A", LT_BAD_ODD, 24},
    {"  vcan0  123   [2]  DE AX", LT_BAD_HEX, 25},
    {"  vcan0  123   [2]  11011110 0000002", LT_BAD_HEX, 36},
    {"  vcan0  FFF   [1]  DE", LT_BAD_ID, 10},
    {"  vcan0  1234   [1]  DE", LT_BAD_ID, 10},
    {"  vcan0  FFFFFFFF   [1]  DE", LT_BAD_ID, 10},
    {"  abcdefghijklmnop  123   [1]  DE", LT_BAD_NO_FRAME, 1},
    {A "  abcdefghijklmnop  123   [1]  DE", LT_BAD_BUS, 23},
    {A "  vcan0  123", LT_BAD_NO_FRAME, 30},
    {A, LT_BAD_NO_FRAME, 21},
    {" (17000x)  vcan0  123   [1]  DE", LT_BAD_TIME, 8},
    {"  vcan0  RX B X  123   [1]  DE", LT_BAD_NO_FRAME, 1},
    {A "  vcan0  RX B X  123   [1]  DE", LT_BAD_FLAGS, 36},
    {"  vcan0  123  [01]  remote request", LT_BAD_FLAGS, 21},
};

static void malformed_screen_lines_are_counted_with_reason_and_column(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT_OF(bad_lines); i++)
        check_bad_line(&bad_lines[i], "  vcan0  123   [4]  DE AD BE EF");
}

static void text_under_an_error_frame_is_a_note(void **state)
{
    static const char text[] = "  vcan0  123   [1]  DE\n"
                               "  vcan0  20000004   [8]  00 04 00 00 00 00 00 00   ERRORFRAME\n"
                               "\tcontroller-problem{rx-error-warning}\n"
                               "\t20000204   [8]  00 04 00 00 00 00 60 0A   ERRORFRAME\n"
                               "  vcan0  123   [1]  DE\n";
    struct lt_reader *reader = NULL;
    (void)state;
    assert_int_equal(lt_reader_open_memory(&reader, "m", text, sizeof text - 1, 0, NULL, NULL),
                     LT_OK);
    while (lt_reader_next(reader))
        continue;
    const struct lt_reader_counts *counts = lt_reader_counts(reader);
    assert_int_equal(counts->frames, 3);
    assert_int_equal(counts->notes, 2);
    assert_int_equal(counts->malformed, 0);
    assert_int_equal(counts->error_frames, 1);
    assert_true(counts->no_times);
    assert_false(counts->wall_clock);
    lt_reader_free(reader);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(screen_lines_are_read_in_every_layout),
        cmocka_unit_test(malformed_screen_lines_are_counted_with_reason_and_column),
        cmocka_unit_test(text_under_an_error_frame_is_a_note),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
