/* pcap recordings, from bytes worked out by hand from the published layouts:
 * [pcap] draft-ietf-opsawg-pcap; [LT227] LINKTYPE_CAN_SOCKETCAN, [LT113] LINKTYPE_LINUX_SLL and
 * [LT276] LINKTYPE_LINUX_SLL2 of the tcpdump group's link-type pages. */
#include "binary_capture.h"

/* The worked file of [pcap] and [LT227], little-endian, microseconds. */
#define HEADER_US "D4C3B2A1 02000400 00000000 00000000 00000400 E3000000"
#define RECORD    "00F15365 40E20100 0C000000 0C000000"
#define PAYLOAD   "00000123 04000000 DEADBEEF"

static void put_header(struct bytes *bytes, bool big, bool nano, uint32_t link)
{
    bytes->len = 0;
    bytes->big = big;
    put_number(bytes, nano ? 0xA1B23C4D : 0xA1B2C3D4, 4);
    put_number(bytes, 2, 2);
    put_number(bytes, 4, 2);
    put_number(bytes, 0, 8);
    put_number(bytes, 262144, 4);
    put_number(bytes, link, 4);
}

static void put_record(struct bytes *bytes, uint32_t seconds, uint32_t fraction, const char *hex)
{
    static struct bytes payload;
    payload.len = 0;
    put_hex(&payload, hex);
    put_number(bytes, seconds, 4);
    put_number(bytes, fraction, 4);
    put_number(bytes, payload.len, 4);
    put_number(bytes, payload.len, 4);
    put(bytes, payload.at, payload.len);
}

static void the_worked_file_is_read(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    bytes.len = 0;
    put_hex(&bytes, HEADER_US RECORD PAYLOAD);
    assert_int_equal(bytes.len, 52);
    check_reading(&bytes, "1 (1700000000.123456) if0 123#DEADBEEF\n", LT_OK, &reading);
    assert_int_equal(reading.counts.frames, 1);
    assert_int_equal(reading.counts.bytes, 52);
    assert_false(reading.counts.cut_at_end);
    /* The same in nanoseconds. */
    bytes.len = 0;
    put_hex(&bytes, "4D3CB2A1 02000400 00000000 00000000 00000400 E3000000"
                    "00F15365 15CD5B07 0C000000 0C000000" PAYLOAD);
    check_reading(&bytes, "1 (1700000000.123456789) if0 123#DEADBEEF\n", LT_OK, &reading);
}

static void both_byte_orders_and_both_units(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    for (unsigned i = 0; i < 4; i++) {
        put_header(&bytes, i & 1, i & 2, 227);
        put_record(&bytes, 1700000000, 5, PAYLOAD);
        put_record(&bytes, 1700000001, i & 2 ? 999999999 : 999999, PAYLOAD);
        check_reading(&bytes,
                      i & 2 ? "1 (1700000000.000000005) if0 123#DEADBEEF\n"
                              "2 (1700000001.999999999) if0 123#DEADBEEF\n"
                            : "1 (1700000000.000005) if0 123#DEADBEEF\n"
                              "2 (1700000001.999999) if0 123#DEADBEEF\n",
                      LT_OK, &reading);
    }
}

/* [LT227], Linux can.h: each payload with what it is. */
static void every_kind_of_frame(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    put_header(&bytes, false, false, 227);
    put_record(&bytes, 1, 0, "98DAF110 08000000 0322F19000000000"); /* 29 bits */
    put_record(&bytes, 1, 0, "00000123 0C050000 00112233445566778899AABB");
    put_record(&bytes, 1, 0, "20000004 08000000 0004000000000000"); /* receive warning */
    put_record(&bytes, 1, 0, "40000123 04000000");                  /* remote without bytes */
    put_record(&bytes, 1, 0, "40000123 04000000 0000000000000000"); /* and with padding */
    put_record(&bytes, 1, 0, "00000123 0800000E 1122334455667788"); /* DLC 14 */
    put_record(&bytes, 1, 0, "40000123 08000009");
    put_record(&bytes, 1, 0, "000007FF 00000000");
    put_record(&bytes, 1, 0, "80000000 01000000 AA000000 00000000");
    put_record(&bytes, 1, 0, "00000123 02070000 AABB");
    check_reading(&bytes,
                  "1 (1.000000) if0 18DAF110#0322F19000000000\n"
                  "2 (1.000000) if0 123##500112233445566778899AABB\n"
                  "3 (1.000000) if0 20000004#0004000000000000\n"
                  "4 (1.000000) if0 123#R4\n"
                  "5 (1.000000) if0 123#R4\n"
                  "6 (1.000000) if0 123#1122334455667788_E\n"
                  "7 (1.000000) if0 123#R8_9\n"
                  "8 (1.000000) if0 7FF#\n"
                  "9 (1.000000) if0 00000000#AA\n"
                  "10 (1.000000) if0 123##7AABB\n",
                  LT_OK, &reading);
    assert_int_equal(reading.counts.fd_frames, 2);
    assert_int_equal(reading.counts.error_frames, 1);
    assert_int_equal(reading.counts.remote_frames, 3);
    assert_int_equal(reading.counts.oddities, 0);
    assert_int_equal(reading.counts.malformed, 0);
}

/* [LT227]: an original length of 72 means FD, whatever the flags say. */
static void a_packet_of_72_bytes_is_fd(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    char hex[160];
    (void)state;
    snprintf(hex, sizeof hex, "00000123 02000000 AABB%0124d", 0);
    put_header(&bytes, false, false, 227);
    put_record(&bytes, 1, 0, hex);
    check_reading(&bytes, "1 (1.000000) if0 123##4AABB\n", LT_OK, &reading);
}

static void malformed_packets_are_counted_with_reason_and_place(void **state)
{
    static const struct {
        const char *hex;
        enum lt_bad_line reason;
    } rows[] = {
        {"000001", LT_BAD_SHORT}, /* less than the head */
        {"00000123 040000", LT_BAD_SHORT},
        {"00000123 04000000 DEADBE", LT_BAD_SHORT},              /* three of four bytes */
        {"00000123 09000000 112233445566778899", LT_BAD_LENGTH}, /* nine bytes, classic */
        {"00000123 41040000 00", LT_BAD_LENGTH},                 /* 65 bytes, FD */
        {"00000800 00000000", LT_BAD_ID},                        /* above 7FF in 11 bits */
        {"40000123 00040000", LT_BAD_FLAGS},                     /* remote and FD */
        {"20000004 08040000 0004000000000000", LT_BAD_FLAGS},    /* error and FD */
        {"00000123 81000100 00000000 00", LT_BAD_XL},
    };
    static struct bytes bytes;
    static struct reading reading;
    static const struct lt_reader_options strict = {.strict = true};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        put_header(&bytes, i & 1, false, 227);
        put_record(&bytes, 1, 0, PAYLOAD);
        put_record(&bytes, 2, 0, rows[i].hex);
        put_record(&bytes, 3, 0, PAYLOAD);
        check_reading(&bytes,
                      "1 (1.000000) if0 123#DEADBEEF\n"
                      "3 (3.000000) if0 123#DEADBEEF\n",
                      LT_OK, &reading);
        assert_int_equal(reading.counts.malformed, 1);
        if (reading.counts.bad[rows[i].reason] != 1)
            fail_msg("%s: %s", rows[i].hex, lt_bad_line_word(reading.counts.first_bad[0].reason));
        assert_int_equal(reading.counts.first_bad[0].line, 2);
        /* 24 of the header, 16 + 12 of the first record. */
        assert_memory_equal(reading.counts.first_bad[0].text, "byte 52: ", 9);
        assert_int_equal(reading.counts.lines, 3);
        read_bytes(&reading, bytes.at, bytes.len, 0, &strict);
        assert_int_equal(reading.code, LT_E_SYNTAX);
        assert_string_equal(reading.lines, "1 (1.000000) if0 123#DEADBEEF\n");
        assert_int_equal(reading.error.line, 2);
    }
}

static void a_fraction_of_a_second_or_more_is_malformed(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    put_header(&bytes, false, false, 227);
    put_record(&bytes, 1, 1000000, PAYLOAD);
    put_record(&bytes, 1, 999999, PAYLOAD);
    check_reading(&bytes, "2 (1.999999) if0 123#DEADBEEF\n", LT_OK, &reading);
    assert_int_equal(reading.counts.bad[LT_BAD_STAMP], 1);
}

/* Wherever the file ends, the whole records before that are read, and the cut is said. */
static void a_cut_file_is_read_up_to_the_cut(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    put_header(&bytes, true, false, 227);
    put_record(&bytes, 1, 0, PAYLOAD);
    put_record(&bytes, 2, 0, PAYLOAD);
    size_t len = bytes.len;
    for (size_t cut = 24; cut <= len; cut++) {
        bytes.len = cut;
        check_reading(&bytes,
                      cut < 52   ? ""
                      : cut < 80 ? "1 (1.000000) if0 123#DEADBEEF\n"
                                 : "1 (1.000000) if0 123#DEADBEEF\n"
                                   "2 (2.000000) if0 123#DEADBEEF\n",
                      LT_OK, &reading);
        bool whole = cut == 24 || cut == 52 || cut == 80;
        assert_int_equal(reading.counts.cut_at_end, !whole);
        assert_int_equal(reading.counts.bad[LT_BAD_CUT], !whole);
        assert_int_equal(reading.counts.malformed, !whole);
    }
    for (size_t cut = 4; cut < 24; cut++) {
        bytes.len = cut;
        check_refused(&bytes, "ends inside its header");
    }
}

static void a_length_that_cannot_be_ends_the_reading(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    put_header(&bytes, false, false, 227);
    put_record(&bytes, 1, 0, PAYLOAD);
    put_hex(&bytes, "00000000 00000000 FFFFFFFF 0C000000 00000123 04000000 DEADBEEF");
    check_reading(&bytes, "1 (1.000000) if0 123#DEADBEEF\n", LT_E_SYNTAX, &reading);
    assert_non_null(strstr(reading.error.text, "byte 52"));
    assert_string_equal(reading.error.source, "x");
}

static void other_link_types_are_refused_by_name(void **state)
{
    static struct bytes bytes;
    (void)state;
    put_header(&bytes, false, false, 1);
    check_refused(&bytes, "Ethernet packets (link type 1)");
    put_header(&bytes, true, true, 190);
    check_refused(&bytes, "link type 190");
    put_header(&bytes, true, true, 4242);
    check_refused(&bytes, "link type 4242");
    put_header(&bytes, false, false, 227);
    bytes.at[4] = 3;
    check_refused(&bytes, "version 3.4");
}

#define COOKED   "0004 0118 0000 0000000000000000 000C" /* sent by this host, ARPHRD 280 */
#define COOKED_2 "000C 0000 %08X 0118 00 00 0000000000000000"

/* [LT113]: big-endian header, and CAN fields in the order of the host that captured. */
static void cooked_packets_in_either_host_order(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    for (unsigned big = 0; big < 2; big++) {
        put_header(&bytes, big, false, 113);
        put_record(&bytes, 1, 0, COOKED "23010000 04000000 DEADBEEF");
        put_record(&bytes, 1, 0, COOKED "00000123 04000000 DEADBEEF");
        put_record(&bytes, 1, 0, COOKED "10F1DA98 01000000 AA");
        put_record(&bytes, 1, 0, COOKED "98DAF110 01000000 AA");
        put_record(&bytes, 1, 0, "0000 0118 0000 0000000000000000 000D 23010000 01010000 AA");
        check_reading(&bytes,
                      "1 (1.000000) if0 123#DEADBEEF T\n"
                      "2 (1.000000) if0 123#DEADBEEF T\n"
                      "3 (1.000000) if0 18DAF110#AA T\n"
                      "4 (1.000000) if0 18DAF110#AA T\n"
                      "5 (1.000000) if0 123##5AA\n",
                      LT_OK, &reading);
        assert_int_equal(reading.counts.sent_frames, 4);
    }
}

/* 80F1FE98 makes sense in both orders: as F1FE98, and as 18FEF180. The packet before it decides, or
 * where there is none the order of the file. */
static void an_identifier_that_fits_both_orders_follows_those_before_it(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    put_header(&bytes, true, false, 113);
    put_record(&bytes, 1, 0, COOKED "80F1FE98 01000000 AA");
    put_record(&bytes, 1, 0, COOKED "23010000 01000000 AA"); /* little, in a big-endian file */
    put_record(&bytes, 1, 0, COOKED "80F1FE98 01000000 AA");
    check_reading(&bytes,
                  "1 (1.000000) if0 00F1FE98#AA T\n"
                  "2 (1.000000) if0 123#AA T\n"
                  "3 (1.000000) if0 18FEF180#AA T\n",
                  LT_OK, &reading);
}

/* [LT276]: the header says from which interface each packet came. */
static void cooked_packets_of_the_second_kind_keep_interfaces_apart(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    char hex[200];
    (void)state;
    put_header(&bytes, false, false, 276);
    for (unsigned i = 0; i < 4; i++) {
        snprintf(hex, sizeof hex, COOKED_2 "23010000 01000000 AA", 3 + i % 2);
        put_record(&bytes, 1, 0, hex);
    }
    check_reading(&bytes,
                  "1 (1.000000) if3 123#AA\n"
                  "2 (1.000000) if4 123#AA\n"
                  "3 (1.000000) if3 123#AA\n"
                  "4 (1.000000) if4 123#AA\n",
                  LT_OK, &reading);
    assert_int_equal(reading.buses, 2);
}

static void cooked_packets_without_can_are_counted_apart(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    put_header(&bytes, false, false, 113);
    /* IPv4 on Ethernet, and something too short for the header. */
    put_record(&bytes, 1, 0, "0000 0001 0006 0011223344550000 0800 45000014");
    put_record(&bytes, 1, 0, "0000 0001 0006");
    put_record(&bytes, 1, 0, COOKED "23010000 04000000 DEADBEEF");
    check_reading(&bytes, "3 (1.000000) if0 123#DEADBEEF T\n", LT_OK, &reading);
    assert_int_equal(reading.counts.other_packets, 2);
    assert_int_equal(reading.counts.malformed, 0);
}

/* The largest packet that a recorder writes is passed over, not held. */
static void a_long_packet_is_passed_over(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    put_header(&bytes, false, false, 113);
    put_number(&bytes, 1, 4);
    put_number(&bytes, 0, 4);
    put_number(&bytes, 60000, 4);
    put_number(&bytes, 60000, 4);
    memset(bytes.at + bytes.len, 0x55, 60000);
    bytes.len += 60000;
    put_record(&bytes, 1, 0, COOKED "23010000 04000000 DEADBEEF");
    check_reading(&bytes, "2 (1.000000) if0 123#DEADBEEF T\n", LT_OK, &reading);
    assert_int_equal(reading.counts.other_packets, 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_worked_file_is_read),
        cmocka_unit_test(both_byte_orders_and_both_units),
        cmocka_unit_test(every_kind_of_frame),
        cmocka_unit_test(a_packet_of_72_bytes_is_fd),
        cmocka_unit_test(malformed_packets_are_counted_with_reason_and_place),
        cmocka_unit_test(a_fraction_of_a_second_or_more_is_malformed),
        cmocka_unit_test(a_cut_file_is_read_up_to_the_cut),
        cmocka_unit_test(a_length_that_cannot_be_ends_the_reading),
        cmocka_unit_test(other_link_types_are_refused_by_name),
        cmocka_unit_test(cooked_packets_in_either_host_order),
        cmocka_unit_test(an_identifier_that_fits_both_orders_follows_those_before_it),
        cmocka_unit_test(cooked_packets_of_the_second_kind_keep_interfaces_apart),
        cmocka_unit_test(cooked_packets_without_can_are_counted_apart),
        cmocka_unit_test(a_long_packet_is_passed_over),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
