/* candump's log form. Outside facts: the example lines and edge cases of can-utils candump.c and
 * lib.c, and what the replay tool takes (canplayer.c); flag bits from linux/can.h. */
#include "capture_lines.h"

#include "capture/reader.h"

#define T    INT64_C(1436509052249713000)
#define TEXT "1436509052.249713"
#define HEAD "(" TEXT ") "

static const struct good_line good_lines[] = {
    /* Published example lines. */
    {HEAD "can0 123#DEADBEEF", T, TEXT, "can0", 0x123, 0, 4, 4, 0, {0xDE, 0xAD, 0xBE, 0xEF}},
    {HEAD "can0 00000123#DEADBEEF", T, TEXT, "can0", 0x123, EXT, 4, 4, 0, {0xDE, 0xAD, 0xBE, 0xEF}},
    {HEAD "can0 18FEF100#FFFFFFFFFFFFFFFF R",
     T,
     TEXT,
     "can0",
     0x18FEF100,
     EXT,
     8,
     8,
     0,
     {255, 255, 255, 255, 255, 255, 255, 255}},
    {HEAD "vcan0 123# T", T, TEXT, "vcan0", 0x123, SENT, 0, 0, 0, {0}},
    {HEAD "can0 123#R", T, TEXT, "can0", 0x123, RTR, 0, 0, 0, {0}},
    {HEAD "can0 123#R4", T, TEXT, "can0", 0x123, RTR, 0, 4, 0, {0}},
    {HEAD "can0 123#R8_9", T, TEXT, "can0", 0x123, RTR, 0, 9, 0, {0}},
    {HEAD "can0 123#1122334455667788_E",
     T,
     TEXT,
     "can0",
     0x123,
     0,
     8,
     14,
     0,
     {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88}},
    {HEAD "can0 123##0112233", T, TEXT, "can0", 0x123, FD, 3, 3, 0, {0x11, 0x22, 0x33}},
    {HEAD "can0 123##5112233445566778899AABB",
     T,
     TEXT,
     "can0",
     0x123,
     FD | BRS,
     11,
     9,
     1,
     {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88, 0x99, 0xAA, 0xBB}},
    {HEAD "can0 123##3", T, TEXT, "can0", 0x123, FD | BRS | ESI, 0, 0, 0, {0}},
    {HEAD "can0 20000040#0000000000000000", T, TEXT, "can0", 0x40, ERR, 8, 8, 0, {0}},
    {HEAD "can0 20000004#0004000000000000", T, TEXT, "can0", 4, ERR, 8, 8, 0, {0, 4}},
    {"(1436509052.249713456) can0 123#11",
     T + 456,
     "1436509052.249713456",
     "can0",
     0x123,
     0,
     1,
     1,
     0,
     {0x11}},
    {"(000.000000) can0 123#11", 0, "000.000000", "can0", 0x123, 0, 1, 1, 0, {0x11}},
    {HEAD " can0 123#11.22.33", T, TEXT, "can0", 0x123, 0, 3, 3, 0, {0x11, 0x22, 0x33}},
    /* Both cases of hex digits, CRLF, blanks and tabs, direction after them. */
    {HEAD "can0 7ab#deadbeef\r", T, TEXT, "can0", 0x7AB, 0, 4, 4, 0, {0xDE, 0xAD, 0xBE, 0xEF}},
    {HEAD "\t  can0 \t 123#11 \t", T, TEXT, "can0", 0x123, 0, 1, 1, 0, {0x11}},
    {HEAD "can0 123#11   T\r", T, TEXT, "can0", 0x123, SENT, 1, 1, 0, {0x11}},
    {HEAD "can0 123##112 T", T, TEXT, "can0", 0x123, FD | BRS | SENT, 1, 1, 0, {0x12}},
    /* Any number of fraction digits; time_ns is cut at nine, the text keeps all. */
    {"(5) can0 123#11", INT64_C(5000000000), "5", "can0", 0x123, 0, 1, 1, 0, {0x11}},
    {"(5.) can0 123#11", INT64_C(5000000000), "5.", "can0", 0x123, 0, 1, 1, 0, {0x11}},
    {"(7254.4) can0 123#11", INT64_C(7254400000000), "7254.4", "can0", 0x123, 0, 1, 1, 0, {0x11}},
    {"(0.12345678987) can0 123#11", 123456789, "0.12345678987", "can0", 0x123, 0, 1, 1, 0, {0x11}},
    {"(0000000000000000012.000001) can0 123#11",
     INT64_C(12000001000),
     "0000000000000000012.000001",
     "can0",
     0x123,
     0,
     1,
     1,
     0,
     {0x11}},
    {"(8589934592.000000) can0 123#11",
     INT64_C(8589934592000000000),
     "8589934592.000000",
     "can0",
     0x123,
     0,
     1,
     1,
     0,
     {0x11}},
    /* A date where a writer puts one: UTC, no seconds as text. */
    {"(2023-11-14 22:13:20.123456) can0 123#11",
     INT64_C(1700000000123456000),
     NULL,
     "can0",
     0x123,
     0,
     1,
     1,
     0,
     {0x11}},
    /* Accepted, but not as a writer should write. */
    {HEAD "can0 123#11 and more", T, TEXT, "can0", 0x123, 0, 1, 1, 1, {0x11}},
    {HEAD "can0 123#11 T more", T, TEXT, "can0", 0x123, SENT, 1, 1, 1, {0x11}},
    {HEAD "can0 123#1122334455667788_3",
     T,
     TEXT,
     "can0",
     0x123,
     0,
     8,
     8,
     1,
     {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88}},
    {" " HEAD "can0 123#11", T, TEXT, "can0", 0x123, 0, 1, 1, 1, {0x11}},
    {HEAD "can0 20000040#00", T, TEXT, "can0", 0x40, ERR, 1, 1, 1, {0}},
    /* Names up to what Linux allows. */
    {HEAD "can-fd_1 123#11", T, TEXT, "can-fd_1", 0x123, 0, 1, 1, 0, {0x11}},
    {HEAD "abcdefghijklmno 123#11", T, TEXT, "abcdefghijklmno", 0x123, 0, 1, 1, 0, {0x11}},
};

static void log_lines_are_read_with_everything_they_say(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT_OF(good_lines); i++)
        check_good_line(&good_lines[i], LT_FORM_CANDUMP_LOG);
}

static const struct bad_line bad_lines[] = {
    {"(-1.000000) can0 123#11", LT_BAD_TIME, 2},
    {"(12.5x) can0 123#11", LT_BAD_TIME, 6},
    {"(8589934593.000000) can0 123#11", LT_BAD_TIME, 11},
    {"(99999999999999999999999.0) can0 123#11", LT_BAD_TIME, 11},
    {"(1436509052.249713 can0 123#11", LT_BAD_TIME, 19},
    {"(1436509052", LT_BAD_TIME, 12},
    {"(2023-02-29 22:13:20.123456) can0 123#11", LT_BAD_TIME, 21},
    {"(2023-11-14 24:13:20.123456) can0 123#11", LT_BAD_TIME, 21},
    {"(1436509052.249713)can0 123#11", LT_BAD_BUS, 20},
    {HEAD "abcdefghijklmnop 123#11", LT_BAD_BUS, 21},
    {HEAD "123#11", LT_BAD_BUS, 21},
    {HEAD "can0", LT_BAD_NO_FRAME, 25},
    {HEAD, LT_BAD_NO_FRAME, 21},
    {HEAD "can0 12345", LT_BAD_NO_FRAME, 26},
    {HEAD "can0 12#00", LT_BAD_ID, 26},
    {HEAD "can0 1234#00", LT_BAD_ID, 26},
    {HEAD "can0 FFF#00", LT_BAD_ID, 26},
    {HEAD "can0 800#00", LT_BAD_ID, 26},
    {HEAD "can0 FFFFFFFF#00", LT_BAD_ID, 26},
    {HEAD "can0 12X#00", LT_BAD_ID, 26},
    {HEAD "can0 123#112", LT_BAD_ODD, 32},
    {HEAD "can0 123#112 T", LT_BAD_ODD, 32},
    {HEAD "can0 123#1.22", LT_BAD_HEX, 31},
    {HEAD "can0 123#1G", LT_BAD_HEX, 31},
    {HEAD "can0 123#11GG", LT_BAD_HEX, 32},
    {HEAD "can0 123#112233445566778899", LT_BAD_LENGTH, 46},
    {HEAD "can0 123##R", LT_BAD_FLAGS, 31},
    {HEAD "can0 123##", LT_BAD_FLAGS, 31},
    {HEAD "can0 123#R9", LT_BAD_FLAGS, 31},
    {HEAD "can0 123#1122_9", LT_BAD_FLAGS, 34},
    {HEAD "can0 00123#81:00:12345678#1122", LT_BAD_XL, 26},
    {"some words between the frames", LT_BAD_NO_FRAME, 1},
};

static void malformed_log_lines_are_counted_with_reason_and_column(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT_OF(bad_lines); i++)
        check_bad_line(&bad_lines[i], HEAD "can0 123#11");
}

/* --- The quick path against the general parser, over mutated lines. --- */

static uint64_t random_state = 20240607;

static uint64_t random_below(uint64_t limit)
{
    random_state ^= random_state << 13;
    random_state ^= random_state >> 7;
    random_state ^= random_state << 17;
    return random_state % limit;
}

/* A usual line, in one of the many usual ways. Returns its length. */
static size_t make_line(char *line, size_t room)
{
    static const char *const buses[] = {"can0",    "can1",           "c", "vcan10", "slcan123",
                                        "abcdefg", "a-very-long-bus"};
    static const char *const gaps[] = {" ", " ", " ", "  ", "\t", "    "};
    static const char *const ends[] = {"", "", "", "", " R", " T", "\r", " R\r", " T ", " x", "_9"};
    static const unsigned fractions[] = {6, 6, 6, 6, 9, 9, 0, 1, 3, 8, 12};
    char data[140], fraction[16], id[12];
    unsigned kind = (unsigned)random_below(10);
    unsigned bytes = (unsigned)random_below(kind == 9 ? 65 : 10);
    unsigned digits = fractions[random_below(COUNT_OF(fractions))];
    const char *hex = random_below(5) ? "0123456789ABCDEF" : "0123456789abcdef";
    for (unsigned i = 0; i < 2 * bytes; i++)
        data[i] = hex[random_below(16)];
    data[2 * bytes] = '\0';
    for (unsigned i = 0; i < digits; i++)
        fraction[i] = (char)('0' + random_below(10));
    fraction[digits] = '\0';
    if (random_below(3))
        snprintf(id, sizeof id, "%03X", (unsigned)random_below(0x850));
    else
        snprintf(id, sizeof id, "%08X", (unsigned)random_below(0x28000000));
    static const char *const marks[] = {"#", "#", "#", "#", "#", "#", "#", "#R", "#r4"};
    char mark[8];
    snprintf(mark, sizeof mark, "##%X", (unsigned)random_below(16));
    int len =
        snprintf(line, room, "(%u%s%s)%s%s%s%s%s%s%s",
                 (unsigned)(random_below(4) ? 1436509052 : random_below(2000000000)),
                 digits || random_below(2) ? "." : "", fraction, gaps[random_below(COUNT_OF(gaps))],
                 buses[random_below(COUNT_OF(buses))], random_below(9) ? " " : "  ", id,
                 kind == 9 ? mark : marks[kind], data, ends[random_below(COUNT_OF(ends))]);
    return (size_t)len < room ? (size_t)len : room - 1;
}

static size_t mutate(char *line, size_t len, size_t room)
{
    static const char chars[] = "0123456789ABCDEFabcdef#(). _RT\r\t:GZ\"'@`\0\xFF\x80\x10/[";
    size_t at = (size_t)random_below(len + 1);
    switch (random_below(4)) {
    case 0: /* another character */
        if (at < len)
            line[at] = chars[random_below(sizeof chars - 1)];
        return len;
    case 1: /* one more */
        if (len + 1 >= room)
            return len;
        memmove(line + at + 1, line + at, len - at);
        line[at] = chars[random_below(sizeof chars - 1)];
        return len + 1;
    case 2: /* one less */
        if (at == len)
            return len;
        memmove(line + at, line + at + 1, len - at - 1);
        return len - 1;
    default: /* cut */
        return at;
    }
}

/* Every frame, every count and every place of a malformed line, as text. */
static void describe(struct lt_buf *out, const char *bytes, size_t len, size_t block,
                     lt_log_take *take)
{
    struct lt_reader *reader = NULL;
    const struct lt_frame *frame;
    assert_int_equal(lt_reader_open_memory(&reader, "m", bytes, len, block, NULL, NULL), LT_OK);
    lt_reader_set_fast(reader, take != NULL);
    if (take)
        lt_reader_set_take(reader, take);
    while ((frame = lt_reader_next(reader)) != NULL) {
        lt_buf_format(out, "%llu %lld %X %u %X %u %u %.*s %s ", (unsigned long long)frame->number,
                      (long long)frame->time_ns, frame->id, frame->bus, frame->flags, frame->len,
                      frame->raw_dlc, frame->time_len, frame->time_text ? frame->time_text : "-",
                      lt_reader_bus_name(reader, frame->bus));
        for (unsigned i = 0; i < frame->len; i++)
            lt_buf_format(out, "%02X", frame->data[i]);
        lt_buf_string(out, "\n");
    }
    const struct lt_reader_counts *counts = lt_reader_counts(reader);
    lt_buf_format(out,
                  "%llu frames %llu lines %llu bytes %llu malformed %llu odd %llu back %lld "
                  "blank %llu notes %llu banner %llu\n",
                  (unsigned long long)counts->frames, (unsigned long long)counts->lines,
                  (unsigned long long)counts->bytes, (unsigned long long)counts->malformed,
                  (unsigned long long)counts->oddities, (unsigned long long)counts->backward_steps,
                  (long long)counts->backward_most_ns, (unsigned long long)counts->blank_lines,
                  (unsigned long long)counts->notes, (unsigned long long)counts->banner_lines);
    lt_buf_format(out, "%llu errors %llu remote %llu fd %llu sent\n",
                  (unsigned long long)counts->error_frames,
                  (unsigned long long)counts->remote_frames, (unsigned long long)counts->fd_frames,
                  (unsigned long long)counts->sent_frames);
    for (size_t i = 0; i < LT_BAD_COUNT; i++)
        lt_buf_format(out, "%llu ", (unsigned long long)counts->bad[i]);
    for (size_t i = 0; i < counts->first_bad_count; i++)
        lt_buf_format(out, "\n%llu:%u %s %s", (unsigned long long)counts->first_bad[i].line,
                      counts->first_bad[i].column, lt_bad_line_word(counts->first_bad[i].reason),
                      counts->first_bad[i].text);
    lt_reader_free(reader);
}

static size_t make_log(char *text, size_t lines)
{
    char line[400];
    /* One good line first, so that the rest is read whatever it is. */
    static const char first[] = "(1436509052.249713) can0 123#11\n";
    size_t used = sizeof first - 1;
    memcpy(text, first, used);
    for (size_t i = 0; i < lines; i++) {
        size_t len = make_line(line, sizeof line);
        for (uint64_t n = random_below(2) ? 0 : 1 + random_below(2); n > 0; n--)
            len = mutate(line, len, sizeof line);
        memcpy(text + used, line, len);
        used += len;
        text[used++] = '\n';
    }
    return used - random_below(2);
}

static void check_same(const char *text, size_t len, const struct lt_buf *general, size_t block,
                       lt_log_take *take)
{
    struct lt_buf fast;
    lt_buf_init(&fast, 0);
    describe(&fast, text, len, block, take);
    if (strcmp(general->at, fast.at) != 0)
        fail_msg("in:\n%.*s\ngeneral:\n%s\nfast:\n%s", (int)len, text, general->at, fast.at);
    lt_buf_release(&fast);
}

/* The general parser is the slow twin of both quick paths. */
static void quick_and_general_path_agree_on_mutated_lines(void **state)
{
    static const size_t blocks[] = {0, 1, 7, 64, 1000};
    enum { LINES = 12 };
    char *text = malloc(LINES * 420 + 100);
    (void)state;
    for (unsigned round = 0; round < 8000; round++) {
        struct lt_buf general;
        size_t block = blocks[round % COUNT_OF(blocks)];
        size_t len = make_log(text, LINES);
        lt_buf_init(&general, 0);
        describe(&general, text, len, 0, NULL);
        check_same(text, len, &general, block, lt_log_take_portable);
        check_same(text, len, &general, block, lt_log_take_best());
        lt_buf_release(&general);
    }
    free(text);
}

/* The comparison above would be empty if the quick path refused everything. */
static void check_usual_lines(lt_log_take *take)
{
    static const char text[] = "(1436509052.249713) can0 123#DEADBEEF\n"
                               "(1436509052.249714) can0 123#DEADBEEF\n"
                               "(1436509053.249714) can1 123#DEADBEEF\n"
                               "(1436509053.249714) can1 123#DE\n"
                               "(1436509053.249714) can0 7FF#\n"
                               "(1436509053.249714123) can0 18FEF100#1122334455667788\n"
                               "(1436509053.249714123)   can0 18FEF100#1122334455667788 T\r\n"
                               "(1436509054.249714) can0 123##5DEADBEEF\n"
                               "(0.249714) can0 7ab#deadbeef\n"
                               "(0.249714) can0 7ab#R4\n"
                               "(1436509054.249714) can0 800#00\n";
    struct lt_reader *reader = NULL;
    assert_int_equal(lt_reader_open_memory(&reader, "m", text, sizeof text - 1, 0, NULL, NULL),
                     LT_OK);
    lt_reader_set_take(reader, take);
    /* Once each bus is known, nothing but the refused identifier is left to the other path. */
    uint16_t bus;
    assert_true(lt_buses_intern(&reader->buses, LT_TEXT("can0"), &bus));
    assert_true(lt_buses_intern(&reader->buses, LT_TEXT("can1"), &bus));
    lt_candump_log_fast(reader);
    assert_int_equal(reader->batch_count, 10);
    assert_int_equal(reader->line_number, 10);
    assert_memory_equal(reader->input.at, "(1436509054.249714) can0 800", 28);
    lt_reader_free(reader);
}

static void usual_lines_are_taken_by_the_quick_paths(void **state)
{
    (void)state;
    check_usual_lines(lt_log_take_portable);
    check_usual_lines(lt_log_take_best());
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(log_lines_are_read_with_everything_they_say),
        cmocka_unit_test(malformed_log_lines_are_counted_with_reason_and_column),
        cmocka_unit_test(usual_lines_are_taken_by_the_quick_paths),
        cmocka_unit_test(quick_and_general_path_agree_on_mutated_lines),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
