/* csv of raw frames in: columns by header name or by map, separators, units, decimal comma, dates,
 * identifiers, bytes; every kind of malformed row with its place. Dates: seconds by `date -u -d`.
 */
#include "unit.h"

#include "loomtap/capture/reader.h"

struct want {
    int64_t time_ns;
    const char *bus;
    uint32_t id;
    uint16_t flags;
    uint8_t len, raw_dlc;
    uint8_t data[64];
};

enum {
    EXT = LT_FRAME_EXTENDED,
    FD = LT_FRAME_FD,
    SENT = LT_FRAME_SENT,
    RTR = LT_FRAME_REMOTE,
    ERR = LT_FRAME_ERROR,
    BRS = LT_FRAME_BRS,
    ESI = LT_FRAME_ESI,
};

static struct lt_reader *open_text(const char *text, const char *columns)
{
    struct lt_reader_options options = {.columns = columns};
    struct lt_reader *reader = NULL;
    struct lt_error error;
    if (lt_reader_open_memory(&reader, "x.csv", text, strlen(text), 0, &options, &error) != LT_OK)
        fail_msg("not taken for a capture: %s", error.text);
    assert_int_equal(lt_reader_form(reader), LT_FORM_CSV_FRAMES);
    return reader;
}

static void check_frame(const struct lt_reader *reader, const struct lt_frame *frame,
                        const struct want *want, const char *text)
{
    if (!frame) {
        const struct lt_reader_counts *counts = lt_reader_counts(reader);
        fail_msg("no frame in \"%s\": %s", text,
                 counts->malformed ? lt_bad_line_word(counts->first_bad[0].reason) : "none");
        return;
    }
    if (frame->time_ns != want->time_ns || frame->id != want->id || frame->flags != want->flags ||
        frame->len != want->len || frame->raw_dlc != want->raw_dlc ||
        memcmp(frame->data, want->data, want->len) != 0)
        fail_msg("\"%s\": time %lld id %X flags %X len %u dlc %u data %02X %02X", text,
                 (long long)frame->time_ns, frame->id, frame->flags, frame->len, frame->raw_dlc,
                 frame->data[0], frame->data[1]);
    assert_string_equal(lt_reader_bus_name(reader, frame->bus), want->bus);
}

struct one {
    const char *columns, *text;
    struct want want;
};

static void check_all(const struct one *rows, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        struct lt_reader *reader = open_text(rows[i].text, rows[i].columns);
        check_frame(reader, lt_reader_next(reader), &rows[i].want, rows[i].text);
        assert_null(lt_reader_next(reader));
        assert_int_equal(lt_reader_counts(reader)->malformed, 0);
        assert_int_equal(lt_reader_end(reader, NULL), LT_OK);
        lt_reader_free(reader);
    }
}

static void columns_go_by_header_name(void **state)
{
    (void)state;
    static const struct one rows[] = {
        {NULL,
         "time_s,bus,id,extended,fd,dir,data\n1.5,can0,0x123,0,0,rx,DEADBEEF\n",
         {1500000000, "can0", 0x123, 0, 4, 4, {0xDE, 0xAD, 0xBE, 0xEF}}},
        {NULL,
         "data,extra,dir,id,time_s\n0102,x,tx,291,0.25\n",
         {250000000, "", 291, SENT, 2, 2, {1, 2}}},
        {NULL, "TIME_S;ID;Data\r\n1,5;0x7FF;\r\n", {1500000000, "", 0x7FF, 0, 0, 0, {0}}},
        {NULL, "time_s\tid\tdata\n2\t5\t01\n", {2000000000, "", 5, 0, 1, 1, {1}}},
        {NULL,
         "\"time_s\",\"id\",\"data\"\n\"1,25\",\"0x10\",\"01 02\"\n",
         {1250000000, "", 0x10, 0, 2, 2, {1, 2}}},
        {NULL,
         "some logger, version 3\nserial,17\ntime_s,id,data\n1,1,00\n",
         {1000000000, "", 1, 0, 1, 1, {0}}},
        {NULL, "id,data\n1,00\n", {LT_NO_TIME, "", 1, 0, 1, 1, {0}}},
        {NULL, "time_s,id,data\n,1,00\n", {LT_NO_TIME, "", 1, 0, 1, 1, {0}}},
        {NULL, "\xEF\xBB\xBFtime_s,id,data\n3,1,00", {3000000000, "", 1, 0, 1, 1, {0}}},
        {NULL, "id,data,bus\n1,00,\"a \"\"b\"\"\"\n", {LT_NO_TIME, "a_\"b\"", 1, 0, 1, 1, {0}}},
    };
    check_all(rows, COUNT_OF(rows));
}

static void times_in_every_unit_and_as_dates(void **state)
{
    (void)state;
    static const struct one rows[] = {
        {NULL, "time_ms,id,data\n1234.5,1,00\n", {1234500000, "", 1, 0, 1, 1, {0}}},
        {NULL, "time_us,id,data\n1234567,1,00\n", {1234567000, "", 1, 0, 1, 1, {0}}},
        {NULL, "time_us,id,data\n0.1239,1,00\n", {123, "", 1, 0, 1, 1, {0}}},
        {NULL,
         "time_ns,id,data\n1700000000123456789,1,00\n",
         {1700000000123456789, "", 1, 0, 1, 1, {0}}},
        {"unit=ms,time=T", "T;id;data\n12,5;1;00\n", {12500000, "", 1, 0, 1, 1, {0}}},
        {"unit=\xC2\xB5s,time=T", "T;id;data\n12;1;00\n", {12000, "", 1, 0, 1, 1, {0}}},
        /* date -u -d '2023-11-14 22:13:20' +%s = 1700000000 */
        {NULL,
         "time,id,data\n2023-11-14T22:13:20.5Z,1,00\n",
         {1700000000500000000, "", 1, 0, 1, 1, {0}}},
        {NULL,
         "time,id,data\n2023-11-14 22:13:20,1,00\n",
         {1700000000000000000, "", 1, 0, 1, 1, {0}}},
        {NULL,
         "time;id;data\n2023-11-14 23:13:20,25+01:00;1;00\n",
         {1700000000250000000, "", 1, 0, 1, 1, {0}}},
        {NULL, "time,id,data\n00:01:02.5,1,00\n", {62500000000, "", 1, 0, 1, 1, {0}}},
    };
    check_all(rows, COUNT_OF(rows));
}

static void times_in_seconds_keep_their_text(void **state)
{
    (void)state;
    struct lt_reader *reader = open_text("time_s,id,data\n1700000000.1234567890,1,00\n"
                                         "0,1,00\n\"1,5\",1,00\n",
                                         NULL);
    const struct lt_frame *frame = lt_reader_next(reader);
    assert_int_equal(frame->time_len, 21);
    assert_memory_equal(frame->time_text, "1700000000.1234567890", 21);
    assert_int_equal(frame->time_ns, 1700000000123456789);
    frame = lt_reader_next(reader);
    assert_int_equal(frame->time_len, 1);
    frame = lt_reader_next(reader); /* a decimal comma is no text to give on */
    assert_int_equal(frame->time_len, 0);
    assert_null(frame->time_text);
    lt_reader_free(reader);
}

static void identifiers_decimal_marked_hex_and_by_map(void **state)
{
    (void)state;
    static const struct one rows[] = {
        {NULL, "id,data\n2047,00\n", {LT_NO_TIME, "", 0x7FF, 0, 1, 1, {0}}},
        {NULL, "id,data\n2048,00\n", {LT_NO_TIME, "", 0x800, EXT, 1, 1, {0}}},
        {NULL, "id,data\n0x00000123,00\n", {LT_NO_TIME, "", 0x123, EXT, 1, 1, {0}}},
        {NULL, "id,data\n0x0123,00\n", {LT_NO_TIME, "", 0x123, 0, 1, 1, {0}}},
        {NULL, "id,data\n18FEF100h,00\n", {LT_NO_TIME, "", 0x18FEF100, EXT, 1, 1, {0}}},
        {NULL, "id,extended,data\n5,1,00\n", {LT_NO_TIME, "", 5, EXT, 1, 1, {0}}},
        {NULL, "id,extended,data\n5,true,00\n", {LT_NO_TIME, "", 5, EXT, 1, 1, {0}}},
        {NULL, "id,extended,data\n0x00000005,0,00\n", {LT_NO_TIME, "", 5, 0, 1, 1, {0}}},
        {"id=ID:hex", "ID,data\n0C4,00\n", {LT_NO_TIME, "", 0x0C4, 0, 1, 1, {0}}},
        {"id=ID:hex", "ID,data\n100,00\n", {LT_NO_TIME, "", 0x100, 0, 1, 1, {0}}},
        {"id=ID:hex", "ID,data\n000000C4,00\n", {LT_NO_TIME, "", 0x0C4, EXT, 1, 1, {0}}},
        {"id=ID:dec", "ID,data\n0100,00\n", {LT_NO_TIME, "", 100, 0, 1, 1, {0}}},
    };
    check_all(rows, COUNT_OF(rows));
}

static void bytes_in_one_column_or_one_each(void **state)
{
    (void)state;
    static const struct want two = {LT_NO_TIME, "", 1, 0, 2, 2, {0x0A, 0xB0}};
    static const char *const texts[] = {
        "id,data\n1,0AB0\n",
        "id,data\n1,0a b0\n",
        "id,data\n1,0x0AB0\n",
        "id,data\n1,0x0A 0xB0\n",
        "id,data\n1,A B0\n",
        "id,data\n1,0A-B0\n",
        "id,d0,d1\n1,0A,B0\n",
        "id,d0,d1,d2\n1,A,B0,\n",
        "id,d0,d1,d2\n1,0x0A,0xB0\n",
        "id,len,d0,d1,d2\n1,2,A,B0,00\n",
        "id,dlc,d0,d1,d2\n1,2,A,B0,\n",
        "d1,d0,id\nB0,0A,1\n",
        "id,len,data\n1,2,0AB0\n",
    };
    for (size_t i = 0; i < COUNT_OF(texts); i++) {
        struct lt_reader *reader = open_text(texts[i], NULL);
        check_frame(reader, lt_reader_next(reader), &two, texts[i]);
        assert_int_equal(lt_reader_counts(reader)->malformed, 0);
        lt_reader_free(reader);
    }
    static const struct one rows[] = {
        {"data=Byte1..Byte3",
         "id,Byte1,Byte2,Byte3\n1,0A,B0,\n",
         {LT_NO_TIME, "", 1, 0, 2, 2, {0x0A, 0xB0}}},
        {"data=B00..B10",
         "id,B00,B01,B02,B03,B04,B05,B06,B07,B08,B09,B10\n1,1,2,,,,,,,,,\n",
         {LT_NO_TIME, "", 1, 0, 2, 2, {1, 2}}},
        {"data=D0..D1:dec", "id,D0,D1\n1,10,176\n", {LT_NO_TIME, "", 1, 0, 2, 2, {10, 176}}},
        {"data=D:dec", "id,D\n1,10 176\n", {LT_NO_TIME, "", 1, 0, 2, 2, {10, 176}}},
        {"time=#1,id=#2:hex,data=#3..#4",
         "0.5;7FF;0A;B0\n",
         {500000000, "", 0x7FF, 0, 2, 2, {0x0A, 0xB0}}},
        {"time=#1,id=#2:hex,data=#3..#4,sep=tab",
         "a\tb\tc\td\n0,5\t7FF\t0A\tB0\n",
         {500000000, "", 0x7FF, 0, 2, 2, {0x0A, 0xB0}}},
        {"id='a,b',data=\"c=d\"",
         "\"a,b\",c=d\n1,0AB0\n",
         {LT_NO_TIME, "", 1, 0, 2, 2, {0x0A, 0xB0}}},
    };
    check_all(rows, COUNT_OF(rows));
}

static void lengths_codes_and_flags(void **state)
{
    (void)state;
    static const struct one rows[] = {
        {NULL, "id,dlc,data\n1,15,0000000000000000\n", {LT_NO_TIME, "", 1, 0, 8, 15, {0}}},
        {NULL,
         "id,fd,dlc,data\n1,1,9,000000000000000000000000\n",
         {LT_NO_TIME, "", 1, FD, 12, 9, {0}}},
        {NULL, "id,dlc,data\n1,9,000000000000000000000000\n", {LT_NO_TIME, "", 1, FD, 12, 9, {0}}},
        {NULL,
         "id,dlc,d0,d1,d2,d3,d4,d5,d6,d7,d8,d9,d10,d11\n1,9,0,1,2,3,4,5,6,7,8,9,A,B\n",
         {LT_NO_TIME, "", 1, FD, 12, 9, {0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}}},
        {NULL, "id,dlc,data\n1,12,000000000000000000000000\n", {LT_NO_TIME, "", 1, FD, 12, 9, {0}}},
        {NULL, "id,fd,brs,esi,data\n1,1,1,1,00\n", {LT_NO_TIME, "", 1, FD | BRS | ESI, 1, 1, {0}}},
        {NULL, "id,remote,dlc,data\n1,1,4,\n", {LT_NO_TIME, "", 1, RTR, 0, 4, {0}}},
        {NULL, "id,error,data\n0x20,1,0000000000000000\n", {LT_NO_TIME, "", 0x20, ERR, 8, 8, {0}}},
    };
    check_all(rows, COUNT_OF(rows));
}

static void malformed_rows_have_reason_and_column(void **state)
{
    (void)state;
    static const struct {
        const char *row;
        enum lt_bad_line reason;
        uint32_t column;
    } rows[] = {
        {"x,can0,1,0,0,rx,00", LT_BAD_CSV_TIME, 1},
        {"-1,can0,1,0,0,rx,00", LT_BAD_CSV_TIME, 1},
        {"1.5e3,can0,1,0,0,rx,00", LT_BAD_CSV_TIME, 4},
        {"2023-02-30 00:00:00,can0,1,0,0,rx,00", LT_BAD_CSV_TIME, 1},
        {"1,abcdefghijklmnop,1,0,0,rx,00", LT_BAD_BUS, 3},
        {"1,can0,012,0,0,rx,00", LT_BAD_CSV_ID, 8},
        {"1,can0,0C4,0,0,rx,00", LT_BAD_CSV_ID, 8},
        {"1,can0,,0,0,rx,00", LT_BAD_CSV_ID, 8},
        {"1,can0,2048,0,0,rx,00", LT_BAD_CSV_ID, 8},
        {"1,can0,0x20000000,1,0,rx,00", LT_BAD_CSV_ID, 8},
        {"1,can0,99999999999999999999,1,0,rx,00", LT_BAD_CSV_ID, 8},
        {"1,can0,1,maybe,0,rx,00", LT_BAD_CELL, 10},
        {"1,can0,1,0,0,up,00", LT_BAD_CELL, 14},
        {"1,can0,1,0,0,rx,0", LT_BAD_ODD, 17},
        {"1,can0,1,0,0,rx,0G", LT_BAD_HEX, 18},
        {"1,can0,1,0,0,rx,010203040506070809", LT_BAD_LENGTH, 17},
        {"1,can0,1,0,0", LT_BAD_COLUMNS, 13},
        {"1,can0,1,0,0,rx,\"00", LT_BAD_COLUMNS, 17},
    };
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        char text[300];
        snprintf(text, sizeof text, "time_s,bus,id,extended,fd,dir,data\n%s\n2,can0,1,0,0,rx,00\n",
                 rows[i].row);
        struct lt_reader *reader = open_text(text, NULL);
        size_t frames = 0;
        while (lt_reader_next(reader))
            frames++;
        const struct lt_reader_counts *counts = lt_reader_counts(reader);
        const struct lt_bad_place *place = &counts->first_bad[0];
        if (counts->malformed != 1 || place->reason != rows[i].reason ||
            place->column != rows[i].column || place->line != 2 || frames != 1)
            fail_msg("\"%s\": %d malformed, %s at %d:%u, %zu frames", rows[i].row,
                     (int)counts->malformed, lt_bad_line_word(place->reason), (int)place->line,
                     place->column, frames);
        lt_reader_free(reader);
    }
}

static void rows_longer_than_announced_are_refused(void **state)
{
    (void)state;
    static const char *const texts[] = {
        "id,len,data\n1,1,0AB0\n",
        "id,len,data\n1,3,0AB0\n",
        "id,dlc,data\n1,11,000000000000000000000000\n", /* the code of 20 bytes */
        "id,d0,d1,d2\n1,0A,,B0\n",
        "id,len,d0,d1\n1,2,0A,\n",
        "id,remote,fd,data\n1,1,1,\n",
        "id,fd,brs,data\n1,0,1,\n",
    };
    for (size_t i = 0; i < COUNT_OF(texts); i++) {
        struct lt_reader *reader = open_text(texts[i], NULL);
        if (lt_reader_next(reader))
            fail_msg("\"%s\" is taken", texts[i]);
        assert_int_equal(lt_reader_counts(reader)->malformed, 1);
        lt_reader_free(reader);
    }
}

static void notes_blank_lines_and_a_second_header_are_no_rows(void **state)
{
    (void)state;
    struct lt_reader *reader = open_text("time_s,id,data\n# made up\n\n1,1,00\n"
                                         "data,time_s,id\n01,2,3\n",
                                         NULL);
    const struct lt_frame *frame = lt_reader_next(reader);
    assert_int_equal(frame->id, 1);
    frame = lt_reader_next(reader);
    assert_int_equal(frame->id, 3);
    assert_int_equal(frame->data[0], 1);
    assert_null(lt_reader_next(reader));
    const struct lt_reader_counts *counts = lt_reader_counts(reader);
    assert_int_equal(counts->malformed, 0);
    assert_int_equal(counts->notes, 3);
    assert_int_equal(counts->blank_lines, 1);
    lt_reader_free(reader);
}

static void wrong_maps_are_refused_with_the_item(void **state)
{
    (void)state;
    static const struct {
        const char *map, *in_text;
    } rows[] = {
        {"id", "`id`"},
        {"identifier=ID", "no such key"},
        {"id=ID,id=Other", "said twice"},
        {"data=D,data=D0..D7", "said twice"},
        {"unit=h", "units"},
        {"sep=x", "comma"},
        {"id=", "column name"},
        {"id=#0", "column name"},
        {"data=D7..D0", "count up"},
        {"data=D0..E7", "count up"},
        {"data=D0..D64", "64"},
        {"bus=Channel:hex", "base"},
        {"", "KEY=COLUMN"},
    };
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_reader_options options = {.columns = rows[i].map};
        struct lt_reader *reader = NULL;
        struct lt_error error;
        assert_int_equal(lt_reader_open_memory(&reader, "x", "id,data\n", 8, 0, &options, &error),
                         LT_E_SYNTAX);
        if (!strstr(error.text, rows[i].in_text))
            fail_msg("\"%s\": %s", rows[i].map, error.text);
        assert_null(reader);
    }
}

static void other_tables_are_no_captures(void **state)
{
    (void)state;
    static const char *const texts[] = {
        "time_s,bus,frame,signal,value,unit,label\n1,can0,a,b,1,rpm,\n", "time_s,id,value\n1,2,3\n",
        "id,d1,d2\n1,2,3\n", /* bytes that do not begin at d0 */
    };
    for (size_t i = 0; i < COUNT_OF(texts); i++) {
        struct lt_reader *reader = NULL;
        struct lt_error error;
        assert_int_equal(
            lt_reader_open_memory(&reader, "x", texts[i], strlen(texts[i]), 0, NULL, &error),
            LT_E_NOT_CAPTURE);
        assert_non_null(strstr(error.advice, "--columns"));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(columns_go_by_header_name),
        cmocka_unit_test(times_in_every_unit_and_as_dates),
        cmocka_unit_test(times_in_seconds_keep_their_text),
        cmocka_unit_test(identifiers_decimal_marked_hex_and_by_map),
        cmocka_unit_test(bytes_in_one_column_or_one_each),
        cmocka_unit_test(lengths_codes_and_flags),
        cmocka_unit_test(malformed_rows_have_reason_and_column),
        cmocka_unit_test(rows_longer_than_announced_are_refused),
        cmocka_unit_test(notes_blank_lines_and_a_second_header_are_no_rows),
        cmocka_unit_test(wrong_maps_are_refused_with_the_item),
        cmocka_unit_test(other_tables_are_no_captures),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
