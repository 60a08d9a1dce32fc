/* pcapng recordings, from bytes worked out by hand from draft-ietf-opsawg-pcapng; the packets are
 * those of LINKTYPE_CAN_SOCKETCAN (227) of the tcpdump group's link-type pages. */
#include "binary_capture.h"

#define FRAME "00000123 04000000 DEADBEEF"

/* Blocks made here: begin, body, end. */
static size_t begin_block(struct bytes *bytes, uint32_t type)
{
    size_t start = bytes->len;
    put_number(bytes, type, 4);
    put_number(bytes, 0, 4);
    return start;
}

static void end_block(struct bytes *bytes, size_t start)
{
    struct bytes *at = bytes;
    pad(bytes);
    size_t total = bytes->len + 4 - start, end = bytes->len;
    at->len = start + 4;
    put_number(at, total, 4);
    at->len = end;
    put_number(at, total, 4);
}

static void put_option(struct bytes *bytes, unsigned code, const void *value, size_t len)
{
    put_number(bytes, code, 2);
    put_number(bytes, len, 2);
    put(bytes, value, len);
    while (len++ % 4)
        put(bytes, "", 1);
}

static void put_number_option(struct bytes *bytes, unsigned code, uint64_t value, unsigned size)
{
    put_number(bytes, code, 2);
    put_number(bytes, size, 2);
    put_number(bytes, value, size);
}

static void put_section(struct bytes *bytes, bool big)
{
    bytes->big = big;
    size_t start = begin_block(bytes, 0x0A0D0D0A);
    put_number(bytes, 0x1A2B3C4D, 4);
    put_number(bytes, 1, 2);
    put_number(bytes, 0, 2);
    put_number(bytes, UINT64_MAX, 8);
    end_block(bytes, start);
}

/* resolution 0: not said; offset_s 0: not said. */
static void put_interface(struct bytes *bytes, unsigned link, const char *name, uint8_t resolution,
                          int64_t offset_s)
{
    size_t start = begin_block(bytes, 1);
    put_number(bytes, link, 2);
    put_number(bytes, 0, 2);
    put_number(bytes, 0, 4);
    if (name)
        put_option(bytes, 2, name, strlen(name));
    if (resolution)
        put_option(bytes, 9, &resolution, 1);
    if (offset_s)
        put_number_option(bytes, 14, (uint64_t)offset_s, 8);
    end_block(bytes, start);
}

static size_t begin_packet(struct bytes *bytes, uint32_t interface, uint64_t stamp, const char *hex)
{
    static struct bytes payload;
    payload.len = 0;
    put_hex(&payload, hex);
    size_t start = begin_block(bytes, 6);
    put_number(bytes, interface, 4);
    put_number(bytes, stamp >> 32, 4);
    put_number(bytes, stamp & UINT32_MAX, 4);
    put_number(bytes, payload.len, 4);
    put_number(bytes, payload.len, 4);
    put(bytes, payload.at, payload.len);
    pad(bytes);
    return start;
}

static void put_packet(struct bytes *bytes, uint32_t interface, uint64_t stamp, const char *hex)
{
    end_block(bytes, begin_packet(bytes, interface, stamp, hex));
}

/* Worked from the draft by hand: interface can0, nanoseconds, one frame. */
static void the_worked_file_is_read(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    bytes.len = 0;
    put_hex(&bytes, "0A0D0D0A 1C000000 4D3C2B1A 01000000 FFFFFFFF FFFFFFFF 1C000000"
                    "01000000 28000000 E3000000 00000000 02000400 63616E30"
                    "09000100 09000000 00000000 28000000"
                    "06000000 2C000000 00000000 FE9C9717 15CD853D 0C000000 0C000000"
                    "00000123 04000000 DEADBEEF 2C000000");
    assert_int_equal(bytes.len, 112);
    check_reading(&bytes, "1 (1700000000.123456789) can0 123#DEADBEEF\n", LT_OK, &reading);
    assert_int_equal(reading.counts.oddities, 0);
}

/* 0x0006_0A24_1820_2240 microseconds, the default unit, is the same time cut to microseconds. */
static void without_a_resolution_units_are_microseconds(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    for (unsigned big = 0; big < 2; big++) {
        bytes.len = 0;
        put_section(&bytes, big);
        put_interface(&bytes, 227, "can0", 0, 0);
        put_packet(&bytes, 0, UINT64_C(0x00060A2418202240), FRAME);
        check_reading(&bytes, "1 (1700000000.123456) can0 123#DEADBEEF\n", LT_OK, &reading);
    }
}

static void resolutions_and_offsets(void **state)
{
    static const struct {
        uint8_t resolution;
        int64_t offset_s;
        uint64_t stamp;
        const char *line;
    } rows[] = {
        {3, 0, 1700000000123, "1 (1700000000.123000) can0 123#DEADBEEF\n"},
        {6, 1700000000, 123456, "1 (1700000000.123456) can0 123#DEADBEEF\n"},
        {9, -10, 1700000010000000001, "1 (1700000000.000000001) can0 123#DEADBEEF\n"},
        {7, 0, 10000001, "1 (1.000000100) can0 123#DEADBEEF\n"},
        /* Beyond nanoseconds: cut. */
        {12, 0, 1000000001999, "1 (1.000000001) can0 123#DEADBEEF\n"},
        /* 2^-1 s; 2^-10 s: 1/1024 = 0.0009765625. */
        {0x81, 0, 3, "1 (1.500000000) can0 123#DEADBEEF\n"},
        {0x8A, 0, 2049, "1 (2.000976562) can0 123#DEADBEEF\n"},
        /* 2^-32 s: a half; 2^-40 s: 1 s and the last unit, 2^-40 s = 0.0009 ns short of 2 s. */
        {0xA0, 0, UINT64_C(0x500000000) | 0x80000000, "1 (5.500000000) can0 123#DEADBEEF\n"},
        {0xA8, 0, (UINT64_C(2) << 40) - 1, "1 (1.999999999) can0 123#DEADBEEF\n"},
    };
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        bytes.len = 0;
        put_section(&bytes, i & 1);
        put_interface(&bytes, 227, "can0", rows[i].resolution, rows[i].offset_s);
        put_packet(&bytes, 0, rows[i].stamp, FRAME);
        check_reading(&bytes, rows[i].line, LT_OK, &reading);
    }
}

static void a_time_that_no_capture_can_have_is_malformed(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    bytes.len = 0;
    put_section(&bytes, false);
    put_interface(&bytes, 227, "can0", 6, -10);
    put_interface(&bytes, 227, "can1", 6, INT64_MIN);
    put_interface(&bytes, 227, "can2", 0x80, 0);
    put_packet(&bytes, 0, 9999999, FRAME); /* 0.000001 s before 0 */
    put_packet(&bytes, 0, 10000000, FRAME);
    put_packet(&bytes, 1, 0, FRAME);
    put_packet(&bytes, 2, UINT64_MAX, FRAME);
    check_reading(&bytes, "2 (0.000000) can0 123#DEADBEEF\n", LT_OK, &reading);
    assert_int_equal(reading.counts.bad[LT_BAD_STAMP], 3);
}

/* Interfaces are numbered anew in each section, and a section may change the byte order. */
static void sections_and_interfaces(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    bytes.len = 0;
    put_section(&bytes, false);
    put_interface(&bytes, 227, "can0", 0, 0);
    put_packet(&bytes, 0, 1000000, FRAME);
    put_interface(&bytes, 227, "can1", 9, 0); /* described when it was met */
    put_packet(&bytes, 1, 2000000000, FRAME);
    put_packet(&bytes, 0, 3000000, FRAME);
    put_section(&bytes, true);
    put_interface(&bytes, 227, "can1", 0, 0);
    put_interface(&bytes, 227, NULL, 0, 0);
    put_packet(&bytes, 0, 4000000, FRAME);
    put_packet(&bytes, 1, 5000000, FRAME);
    check_reading(&bytes,
                  "1 (1.000000) can0 123#DEADBEEF\n"
                  "2 (2.000000000) can1 123#DEADBEEF\n"
                  "3 (3.000000) can0 123#DEADBEEF\n"
                  "4 (4.000000) can1 123#DEADBEEF\n"
                  "5 (5.000000) if1 123#DEADBEEF\n",
                  LT_OK, &reading);
    assert_int_equal(reading.buses, 3);
}

/* A bus name has at most 15 bytes and no blanks; long names that begin alike stay apart. */
static void names_that_no_bus_can_have_are_made_to_fit(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    bytes.len = 0;
    put_section(&bytes, false);
    put_interface(&bytes, 227, "left rear", 0, 0);
    put_interface(&bytes, 227, "a name far too long 1", 0, 0);
    put_interface(&bytes, 227, "a name far too long 2", 0, 0);
    put_interface(&bytes, 227, "\xFF\xFE", 0, 0);
    for (unsigned i = 0; i < 4; i++)
        put_packet(&bytes, i, 0, FRAME);
    read_bytes(&reading, bytes.at, bytes.len, 0, NULL);
    assert_int_equal(reading.code, LT_OK);
    assert_int_equal(reading.buses, 4);
    char first[20], second[20];
    assert_int_equal(sscanf(reading.lines,
                            "1 (0.000000) left_rear 123#DEADBEEF\n"
                            "2 (0.000000) %19s 123#DEADBEEF\n"
                            "3 (0.000000) %19s 123#DEADBEEF\n"
                            "4 (0.000000) if3 123#DEADBEEF\n",
                            first, second),
                     2);
    assert_int_equal(strlen(first), 15);
    assert_memory_equal(first, "a_name_far_", 11);
    assert_memory_equal(second, "a_name_far_", 11);
    assert_string_not_equal(first, second);
}

static void packets_of_other_kinds_of_block(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    for (unsigned big = 0; big < 2; big++) {
        bytes.len = 0;
        put_section(&bytes, big);
        put_interface(&bytes, 227, "can0", 0, 0);
        /* Simple: | original length | bytes |, no time. */
        size_t start = begin_block(&bytes, 3);
        put_number(&bytes, 10, 4);
        put_hex(&bytes, "00000123 02000000 AABB");
        end_block(&bytes, start);
        /* Obsolete: | interface 16 | drops 16 | time | lengths | bytes |; drops FFFF: unknown. */
        for (unsigned drops = 0; drops < 2; drops++) {
            start = begin_block(&bytes, 2);
            put_number(&bytes, 0, 2);
            put_number(&bytes, drops ? 7 : 0xFFFF, 2);
            put_number(&bytes, 0, 4);
            put_number(&bytes, 1500000, 4);
            put_number(&bytes, 12, 4);
            put_number(&bytes, 12, 4);
            put_hex(&bytes, FRAME);
            end_block(&bytes, start);
        }
        check_reading(&bytes,
                      "1 () can0 123#AABB\n"
                      "2 (1.500000) can0 123#DEADBEEF\n"
                      "3 (1.500000) can0 123#DEADBEEF\n",
                      LT_OK, &reading);
        assert_true(reading.counts.no_times);
        assert_int_equal(reading.counts.dropped_frames, 7);
    }
}

/* The snapshot length of the first interface bounds what a simple packet holds. */
static void a_simple_packet_cut_by_the_snapshot_length(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    bytes.len = 0;
    put_section(&bytes, false);
    size_t start = begin_block(&bytes, 1);
    put_number(&bytes, 227, 2);
    put_number(&bytes, 0, 2);
    put_number(&bytes, 12, 4); /* snaplen */
    end_block(&bytes, start);
    start = begin_block(&bytes, 3);
    put_number(&bytes, 16, 4); /* 16 there were, 12 are here: 4 of them data */
    put_hex(&bytes, FRAME);
    end_block(&bytes, start);
    start = begin_block(&bytes, 3);
    put_number(&bytes, 12, 4); /* 12 said, 8 here */
    put_hex(&bytes, "00000123 00000000");
    end_block(&bytes, start);
    check_reading(&bytes, "1 () if0 123#DEADBEEF\n", LT_OK, &reading);
    assert_int_equal(reading.counts.bad[LT_BAD_BLOCK], 1);
}

static void options_of_packets(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    bytes.len = 0;
    put_section(&bytes, true);
    put_interface(&bytes, 227, "can0", 0, 0);
    size_t start = begin_packet(&bytes, 0, 1000000, FRAME);
    put_number_option(&bytes, 2, 2, 4); /* outbound */
    put_option(&bytes, 1, "a mark", 6);
    put_number_option(&bytes, 4, 3, 8); /* three lost before it */
    end_block(&bytes, start);           /* no end-of-options mark: allowed */
    start = begin_packet(&bytes, 0, 2000000, FRAME);
    put_number_option(&bytes, 2, 1, 4); /* inbound */
    put_option(&bytes, 0, "", 0);
    put_option(&bytes, 1, "behind the end", 14);
    end_block(&bytes, start);
    check_reading(&bytes,
                  "1 (1.000000) can0 123#DEADBEEF T\n"
                  "2 (2.000000) can0 123#DEADBEEF\n",
                  LT_OK, &reading);
    assert_int_equal(reading.counts.notes, 1);
    assert_int_equal(reading.counts.dropped_frames, 3);
    assert_int_equal(reading.counts.sent_frames, 1);
}

static void put_statistics(struct bytes *bytes, uint64_t by_interface, uint64_t by_host)
{
    size_t start = begin_block(bytes, 5);
    put_number(bytes, 0, 4);
    put_number(bytes, 0, 8);
    put_number_option(bytes, 5, by_interface, 8);
    put_number_option(bytes, 7, by_host, 8);
    end_block(bytes, start);
}

/* Statistics count from the start of the recording, so the last is the whole; a packet's own count
 * is part of it. */
static void statistics_say_what_was_lost_in_all(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    bytes.len = 0;
    put_section(&bytes, false);
    put_interface(&bytes, 227, "can0", 0, 0);
    size_t start = begin_packet(&bytes, 0, 1000000, FRAME);
    put_number_option(&bytes, 4, 3, 8);
    end_block(&bytes, start);
    put_statistics(&bytes, 2, 1);
    put_statistics(&bytes, 5, 4);
    put_statistics(&bytes, UINT64_MAX, UINT64_MAX); /* how some write "not known" */
    check_reading(&bytes, "1 (1.000000) can0 123#DEADBEEF\n", LT_OK, &reading);
    assert_int_equal(reading.counts.dropped_frames, 9);
}

/* Names, secrets, custom and unknown blocks, also longer than what is held at a time. */
static void other_blocks_are_passed_over_by_their_length(void **state)
{
    static const uint32_t types[] = {4, 0xA, 0xBAD, 0x40000BAD, 0x80001234, 0};
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    bytes.len = 0;
    put_section(&bytes, false);
    for (size_t i = 0; i < COUNT_OF(types); i++) {
        size_t start = begin_block(&bytes, types[i]);
        memset(bytes.at + bytes.len, 0x0A, 4 * i * i * 400);
        bytes.len += 4 * i * i * 400; /* the last has 40000 bytes */
        end_block(&bytes, start);
    }
    put_interface(&bytes, 227, "can0", 0, 0);
    put_packet(&bytes, 0, 1000000, FRAME);
    check_reading(&bytes, "1 (1.000000) can0 123#DEADBEEF\n", LT_OK, &reading);
    assert_int_equal(reading.counts.malformed, 0);
    assert_int_equal(reading.counts.lines, 1);
}

static void packets_without_can_are_counted_apart(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    bytes.len = 0;
    put_section(&bytes, false);
    put_interface(&bytes, 1, "eth0", 0, 0);
    put_interface(&bytes, 227, "can0", 0, 0);
    put_packet(&bytes, 0, 0, "0011223344556677889900AA0800");
    put_packet(&bytes, 1, 1000000, FRAME);
    check_reading(&bytes, "2 (1.000000) can0 123#DEADBEEF\n", LT_OK, &reading);
    assert_int_equal(reading.counts.other_packets, 1);
    assert_int_equal(reading.counts.lines, 2);
    assert_int_equal(reading.buses, 1);
}

static void a_recording_without_can_is_refused_at_its_end(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    bytes.len = 0;
    put_section(&bytes, false);
    put_interface(&bytes, 1, "eth0", 0, 0);
    put_packet(&bytes, 0, 0, "0011223344556677889900AA0800");
    check_reading(&bytes, "", LT_E_NOT_CAPTURE, &reading);
    assert_non_null(strstr(reading.error.text, "Ethernet packets (link type 1)"));
    assert_int_equal(reading.counts.other_packets, 1);
}

/* The block's own length is good, what is in it is not: counted, and reading goes on behind it. */
static void malformed_packets_are_counted_with_their_place(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    bytes.len = 0;
    put_section(&bytes, false);               /* 28 bytes */
    put_interface(&bytes, 227, "can0", 0, 0); /* 28 bytes */
    put_packet(&bytes, 9, 0, FRAME);          /* no such interface */
    size_t start = begin_packet(&bytes, 0, 0, FRAME);
    end_block(&bytes, start);
    bytes.at[start + 20] = 200;     /* captured length beyond the block */
    start = begin_block(&bytes, 6); /* shorter than a packet's fixed part */
    put_number(&bytes, 0, 8);
    end_block(&bytes, start);
    start = begin_packet(&bytes, 0, 1000000, FRAME);
    put_number(&bytes, 1, 2);
    put_number(&bytes, 60000, 2); /* an option beyond the block: the frame stands */
    end_block(&bytes, start);
    check_reading(&bytes, "4 (1.000000) can0 123#DEADBEEF\n", LT_OK, &reading);
    assert_int_equal(reading.counts.malformed, 3);
    assert_int_equal(reading.counts.bad[LT_BAD_INTERFACE], 1);
    assert_int_equal(reading.counts.bad[LT_BAD_BLOCK], 2);
    assert_int_equal(reading.counts.oddities, 1);
    assert_int_equal(reading.counts.first_bad[0].line, 1);
    assert_string_equal(reading.counts.first_bad[0].text,
                        "byte 56: 06 00 00 00 2C 00 00 00 09 00 00 00");
}

static void a_cut_file_is_read_up_to_the_cut(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    bytes.len = 0;
    put_section(&bytes, false);
    put_interface(&bytes, 227, "can0", 0, 0);
    size_t first = bytes.len;
    put_packet(&bytes, 0, 1000000, FRAME);
    size_t second = bytes.len;
    put_packet(&bytes, 0, 2000000, FRAME);
    size_t whole = bytes.len;
    for (size_t cut = 4; cut <= whole; cut++) {
        bool at_block = cut == 28 || cut == first || cut == second || cut == whole;
        bytes.len = cut;
        check_reading(&bytes,
                      cut < second  ? ""
                      : cut < whole ? "1 (1.000000) can0 123#DEADBEEF\n"
                                    : "1 (1.000000) can0 123#DEADBEEF\n"
                                      "2 (2.000000) can0 123#DEADBEEF\n",
                      LT_OK, &reading);
        assert_int_equal(reading.counts.cut_at_end, !at_block);
        assert_int_equal(reading.counts.bad[LT_BAD_CUT], !at_block);
    }
}

/* Where a block's end cannot be known, what stands before it stays, and the place is said. */
static void lengths_that_cannot_be_end_the_reading(void **state)
{
    static const struct {
        size_t at; /* in the third block */
        uint32_t value;
        const char *says;
    } rows[] = {
        {4, 8, "shorter"},       {4, 45, "multiple of 4"}, {4, 0x7FFFFFFC, "16 MiB"},
        {40, 48, "two lengths"}, {4, 0, "shorter"},
    };
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        bytes.len = 0;
        put_section(&bytes, true);
        put_interface(&bytes, 227, "can0", 0, 0);
        put_packet(&bytes, 0, 1000000, FRAME);
        size_t bad = bytes.len;
        put_packet(&bytes, 0, 2000000, FRAME);
        size_t end = bytes.len;
        bytes.len = bad + rows[i].at;
        put_number(&bytes, rows[i].value, 4);
        bytes.len = end;
        check_reading(&bytes, "1 (1.000000) can0 123#DEADBEEF\n", LT_E_SYNTAX, &reading);
        assert_non_null(strstr(reading.error.text, rows[i].says));
        assert_non_null(strstr(reading.error.text, "byte 100")); /* 28 + 28 + 44 */
    }
}

static void sections_of_another_kind_are_said(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    bytes.len = 0;
    put_section(&bytes, false);
    bytes.at[12] = 2;
    check_reading(&bytes, "", LT_E_SYNTAX, &reading);
    assert_non_null(strstr(reading.error.text, "version"));
    bytes.at[12] = 1;
    bytes.at[8] = 0;
    check_reading(&bytes, "", LT_E_SYNTAX, &reading);
    assert_non_null(strstr(reading.error.text, "byte-order magic"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_worked_file_is_read),
        cmocka_unit_test(without_a_resolution_units_are_microseconds),
        cmocka_unit_test(resolutions_and_offsets),
        cmocka_unit_test(a_time_that_no_capture_can_have_is_malformed),
        cmocka_unit_test(sections_and_interfaces),
        cmocka_unit_test(names_that_no_bus_can_have_are_made_to_fit),
        cmocka_unit_test(packets_of_other_kinds_of_block),
        cmocka_unit_test(a_simple_packet_cut_by_the_snapshot_length),
        cmocka_unit_test(options_of_packets),
        cmocka_unit_test(statistics_say_what_was_lost_in_all),
        cmocka_unit_test(other_blocks_are_passed_over_by_their_length),
        cmocka_unit_test(packets_without_can_are_counted_apart),
        cmocka_unit_test(a_recording_without_can_is_refused_at_its_end),
        cmocka_unit_test(malformed_packets_are_counted_with_their_place),
        cmocka_unit_test(a_cut_file_is_read_up_to_the_cut),
        cmocka_unit_test(lengths_that_cannot_be_end_the_reading),
        cmocka_unit_test(sections_of_another_kind_are_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
