/* pcap and pcapng out: against files worked out by hand from draft-ietf-opsawg-pcap,
 * draft-ietf-opsawg-pcapng and LINKTYPE_CAN_SOCKETCAN (227), and round trips through our reader. */
#include "binary_capture.h"

#include <fcntl.h>
#include <unistd.h>

#include "loomtap/capture/writer.h"

static char path[] = "/tmp/loomtap-binary-XXXXXX";

struct put {
    struct lt_frame frame;
    const char *bus;
};

struct losses {
    uint64_t counts[LT_LOSS_COUNT];
};

/* Writes the frames; *ret_bytes gets the file. */
static void write_frames(const char *form, const struct lt_writer_options *more,
                         const struct put *puts, size_t count, struct bytes *ret_bytes,
                         const struct losses *losses)
{
    struct lt_writer_options options = more ? *more : (struct lt_writer_options){0};
    struct lt_writer *writer = NULL;
    struct lt_error error;
    options.form = form;
    assert_int_equal(lt_writer_open(&writer, path, &options, &error), LT_OK);
    for (size_t i = 0; i < count; i++)
        assert_true(lt_writer_put(writer, &puts[i].frame, puts[i].bus));
    assert_int_equal(lt_writer_commit(writer, &error), LT_OK);
    for (int i = 0; i < LT_LOSS_COUNT; i++)
        if (lt_writer_losses(writer)[i] != losses->counts[i])
            fail_msg("%s: %s is %d", form, lt_loss_word(i), (int)lt_writer_losses(writer)[i]);
    assert_int_equal(lt_writer_frames(writer), count);
    lt_writer_free(writer);
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    ssize_t got = read(fd, ret_bytes->at, sizeof ret_bytes->at);
    assert_true(got >= 0);
    ret_bytes->len = (size_t)got;
    close(fd);
}

static void check_bytes(const struct bytes *bytes, const char *hex)
{
    static struct bytes want;
    want.len = 0;
    put_hex(&want, hex);
    assert_int_equal(bytes->len, want.len);
    assert_memory_equal(bytes->at, want.at, want.len);
}

static const struct losses none;

#define FRAME_OF(text)                                                                             \
    .id = 0x123, .len = 4, .raw_dlc = 4, .data = {0xDE, 0xAD, 0xBE, 0xEF}, .time_text = text,      \
    .time_len = sizeof(text) - 1

static void the_worked_files_come_out_byte_for_byte(void **state)
{
    static const struct put us = {{FRAME_OF("1700000000.123456"), .time_ns = 1700000000123456000},
                                  "can0"};
    static const struct put ns = {
        {FRAME_OF("1700000000.123456789"), .time_ns = 1700000000123456789}, "can0"};
    static struct bytes bytes;
    (void)state;
    write_frames("pcap", NULL, &us, 1, &bytes, &(struct losses){{[LT_LOSS_BUS_NAME] = 1}});
    check_bytes(&bytes, "D4C3B2A1 02000400 00000000 00000000 00000400 E3000000"
                        "00F15365 40E20100 0C000000 0C000000 00000123 04000000 DEADBEEF");
    write_frames("pcap", NULL, &ns, 1, &bytes, &(struct losses){{[LT_LOSS_BUS_NAME] = 1}});
    check_bytes(&bytes, "4D3CB2A1 02000400 00000000 00000000 00000400 E3000000"
                        "00F15365 15CD5B07 0C000000 0C000000 00000123 04000000 DEADBEEF");
    write_frames("pcapng", NULL, &ns, 1, &bytes, &none);
    check_bytes(&bytes, "0A0D0D0A 1C000000 4D3C2B1A 01000000 FFFFFFFF FFFFFFFF 1C000000"
                        "01000000 28000000 E3000000 00000000 02000400 63616E30"
                        "09000100 09000000 00000000 28000000"
                        "06000000 2C000000 00000000 FE9C9717 15CD853D 0C000000 0C000000"
                        "00000123 04000000 DEADBEEF 2C000000");
}

#define AT(s) .time_ns = INT64_C(s) * 1000000000
static const struct put every_kind[] = {
    {{AT(1), .id = 0x7FF, .len = 0}, "can0"},
    {{AT(2), .id = 0x123, .flags = LT_FRAME_EXTENDED, .len = 1, .raw_dlc = 1, .data = {0xAA}},
     "can1"},
    {{AT(3), .id = 0x123, .flags = LT_FRAME_REMOTE, .raw_dlc = 4}, "can0"},
    {{AT(4), .id = 0x123, .flags = LT_FRAME_REMOTE, .raw_dlc = 9}, "can0"},
    {{AT(5), .id = 0x123, .len = 8, .raw_dlc = 14, .data = {1, 2, 3, 4, 5, 6, 7, 8}}, "can0"},
    {{AT(6), .id = 0x123, .flags = LT_FRAME_FD, .len = 0}, "can0"},
    {{AT(7), .id = 0x123, .flags = LT_FRAME_FD | LT_FRAME_BRS, .len = 12, .raw_dlc = 9}, "can0"},
    {{AT(8), .id = 1, .flags = LT_FRAME_FD | LT_FRAME_ESI | LT_FRAME_EXTENDED, .len = 64,
      .raw_dlc = 15},
     "can0"},
    {{AT(9), .id = 0x40, .flags = LT_FRAME_ERROR, .len = 8, .raw_dlc = 8}, "can1"},
    {{AT(10), .id = 1, .flags = LT_FRAME_SENT, .len = 1, .raw_dlc = 1, .data = {0xBB}}, "can1"},
    {{.time_ns = 11000000001, .id = 2, .len = 1, .raw_dlc = 1, .data = {0xCC}}, "can1"},
};

/* What the frames are as lines; `ns`: all, `last`: the last one in nanoseconds. */
static void round_trip(const char *form, const struct losses *losses, const char *want)
{
    static struct bytes bytes;
    static struct reading reading;
    write_frames(form, NULL, every_kind, COUNT_OF(every_kind), &bytes, losses);
    check_reading(&bytes, want, LT_OK, &reading);
    assert_int_equal(reading.counts.malformed, 0);
    assert_int_equal(reading.counts.oddities, 0);
}

#define ZEROS_12 "000000000000000000000000"
#define ZEROS_64 ZEROS_12 ZEROS_12 ZEROS_12 ZEROS_12 ZEROS_12 "00000000"

static void every_kind_of_frame_comes_back(void **state)
{
    (void)state;
    round_trip("pcapng", &none,
               "1 (1.000000) can0 7FF#\n"
               "2 (2.000000) can1 00000123#AA\n"
               "3 (3.000000) can0 123#R4\n"
               "4 (4.000000) can0 123#R8_9\n"
               "5 (5.000000) can0 123#0102030405060708_E\n"
               "6 (6.000000) can0 123##4\n"
               "7 (7.000000) can0 123##5" ZEROS_12 "\n"
               "8 (8.000000) can0 00000001##6" ZEROS_64 "\n"
               "9 (9.000000) can1 20000040#0000000000000000\n"
               "10 (10.000000) can1 001#BB T\n"
               "11 (11.000000001) can1 002#CC\n");
    round_trip("pcap",
               &(struct losses){{[LT_LOSS_BUS_NAME] = COUNT_OF(every_kind),
                                 [LT_LOSS_BUSES] = 4,
                                 [LT_LOSS_DIRECTION] = 1,
                                 [LT_LOSS_TIME_DIGITS] = 1}},
               "1 (1.000000) if0 7FF#\n"
               "2 (2.000000) if0 00000123#AA\n"
               "3 (3.000000) if0 123#R4\n"
               "4 (4.000000) if0 123#R8_9\n"
               "5 (5.000000) if0 123#0102030405060708_E\n"
               "6 (6.000000) if0 123##4\n"
               "7 (7.000000) if0 123##5" ZEROS_12 "\n"
               "8 (8.000000) if0 00000001##6" ZEROS_64 "\n"
               "9 (9.000000) if0 20000040#0000000000000000\n"
               "10 (10.000000) if0 001#BB\n"
               "11 (11.000000) if0 002#CC\n");
}

static void what_the_forms_cannot_hold_is_counted(void **state)
{
    static const struct put puts[] = {
        {{.time_ns = LT_NO_TIME, .id = 1}, ""},
        {{.time_ns = -1, .id = 2}, ""},
        {{.time_ns = INT64_C(4294967296) * 1000000000, .id = 3}, ""},
        {{.time_ns = 1, .id = 4, .len = 8, .raw_dlc = 3}, ""}, /* no DLC can mean 8 bytes */
    };
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    write_frames("pcap", NULL, puts, COUNT_OF(puts), &bytes,
                 &(struct losses){{[LT_LOSS_NO_TIME] = 1,
                                   [LT_LOSS_TIME_RANGE] = 2,
                                   [LT_LOSS_TIME_DIGITS] = 1,
                                   [LT_LOSS_RAW_DLC] = 1}});
    check_reading(&bytes,
                  "1 (0.000000) if0 001#\n2 (0.000000) if0 002#\n3 (0.000000) if0 003#\n"
                  "4 (0.000000) if0 004#0000000000000000\n",
                  LT_OK, &reading);
    write_frames("pcapng", NULL, puts, COUNT_OF(puts), &bytes,
                 &(struct losses){{[LT_LOSS_TIME_RANGE] = 1, [LT_LOSS_RAW_DLC] = 1}});
    check_reading(&bytes,
                  "1 () if0 001#\n2 (0.000000000) if1 002#\n3 (4294967296.000000) if0 003#\n"
                  "4 (0.000000001) if1 004#0000000000000000\n",
                  LT_OK, &reading);
}

static void the_digits_asked_for_decide(void **state)
{
    static const struct put put = {{.time_ns = 1123456789, .id = 1}, "if0"};
    static const struct {
        unsigned digits;
        const char *line;
        uint64_t lost;
    } rows[] = {
        {9, "1 (1.123456789) if0 001#\n", 0},
        {6, "1 (1.123456) if0 001#\n", 1},
        {3, "1 (1.123000) if0 001#\n", 1},
        {0, "1 (1.000000) if0 001#\n", 1},
    };
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    for (size_t i = 0; i < 2 * COUNT_OF(rows); i++) {
        struct lt_writer_options options = {.has_digits = true, .digits = rows[i / 2].digits};
        struct losses losses = {{[LT_LOSS_TIME_DIGITS] = rows[i / 2].lost}};
        write_frames(i % 2 ? "pcap" : "pcapng", &options, &put, 1, &bytes, &losses);
        check_reading(&bytes, rows[i / 2].line, LT_OK, &reading);
    }
}

static void no_frames_make_a_recording_all_the_same(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    write_frames("pcap", NULL, NULL, 0, &bytes, &none);
    assert_int_equal(bytes.len, 24);
    check_reading(&bytes, "", LT_OK, &reading);
    write_frames("pcapng", NULL, NULL, 0, &bytes, &none);
    assert_int_equal(bytes.len, 28);
    check_reading(&bytes, "", LT_OK, &reading);
}

static int make_file(void **state)
{
    (void)state;
    int fd = mkstemp(path);
    return fd < 0 ? -1 : close(fd);
}

static int remove_file(void **state)
{
    (void)state;
    return unlink(path);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_worked_files_come_out_byte_for_byte),
        cmocka_unit_test(every_kind_of_frame_comes_back),
        cmocka_unit_test(what_the_forms_cannot_hold_is_counted),
        cmocka_unit_test(the_digits_asked_for_decide),
        cmocka_unit_test(no_frames_make_a_recording_all_the_same),
    };
    return cmocka_run_group_tests(tests, make_file, remove_file);
}
