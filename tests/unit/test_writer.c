/* Captures out: the form by name or ending, all digits kept, what a form cannot hold counted,
 * packed output read back by gzip and zstd themselves, and files that appear only when whole. */
#include "folder.h"

#include <errno.h>
#include <sys/stat.h>
#include <unistd.h>
#include <zlib.h>
#include <zstd.h>

#include "loomtap/capture/writer.h"

static size_t read_file(const char *name, char *ret_bytes, size_t room)
{
    FILE *file = fopen(path_of(name), "rb");
    assert_non_null(file);
    size_t len = fread(ret_bytes, 1, room - 1, file);
    ret_bytes[len] = 0;
    fclose(file);
    unlink(path_of(name));
    return len;
}

static struct lt_frame frame_of(int64_t time_ns, uint32_t id, uint16_t flags, uint8_t len)
{
    struct lt_frame frame = {.time_ns = time_ns, .id = id, .flags = flags, .len = len};
    for (unsigned i = 0; i < len; i++)
        frame.data[i] = (uint8_t)(0xA0 + i);
    frame.raw_dlc = lt_len_to_dlc(len, (flags & LT_FRAME_FD) != 0);
    return frame;
}

static struct lt_writer *open_file(const char *name, const struct lt_writer_options *options)
{
    struct lt_writer *writer = NULL;
    struct lt_error error;
    if (lt_writer_open(&writer, path_of(name), options, &error) != LT_OK)
        fail_msg("%s", error.text);
    return writer;
}

static void commit(struct lt_writer *writer)
{
    struct lt_error error;
    if (lt_writer_commit(writer, &error) != LT_OK)
        fail_msg("%s", error.text);
}

struct want {
    const char *form, *text;
    uint64_t losses[LT_LOSS_COUNT];
};

/* One frame in one form: the line, and what was lost. */
static void check_put(const struct lt_frame *frame, const char *bus,
                      const struct lt_writer_options *more, const struct want *want)
{
    struct lt_writer_options options = more ? *more : (struct lt_writer_options){0};
    char text[1000];
    options.form = want->form;
    struct lt_writer *writer = open_file("one", &options);
    assert_true(lt_writer_put(writer, frame, bus));
    commit(writer);
    read_file("one", text, sizeof text);
    const char *line = strncmp(text, "time_s", 6) == 0 ? strchr(text, '\n') + 1 : text;
    assert_string_equal(line, want->text);
    for (int i = 0; i < LT_LOSS_COUNT; i++)
        if (lt_writer_losses(writer)[i] != want->losses[i])
            fail_msg("%s: %s is %d", want->text, lt_loss_word(i), (int)lt_writer_losses(writer)[i]);
    lt_writer_free(writer);
}

static void the_form_goes_by_name_then_by_ending(void **state)
{
    (void)state;
    static const struct {
        const char *name, *form, *want;
    } rows[] = {
        {"a.log", NULL, "log"},     {"a.csv", NULL, "csv"},          {"a.CSV.gz", NULL, "csv"},
        {"a.log.zst", NULL, "log"}, {"a.csv", "csv-all", "csv-all"}, {"a.dat", "log", "log"},
    };
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_writer_options options = {.form = rows[i].form};
        struct lt_writer *writer = open_file(rows[i].name, &options);
        assert_string_equal(lt_writer_form(writer), rows[i].want);
        lt_writer_free(writer);
        assert_int_not_equal(access(path_of(rows[i].name), F_OK), 0);
    }
    assert_int_equal(lt_writer_check("-", NULL, NULL), LT_OK);
    assert_int_equal(lt_writer_check("/dev/null", NULL, NULL), LT_OK);
}

static void wrong_wishes_are_refused(void **state)
{
    (void)state;
    static const struct {
        const char *path;
        struct lt_writer_options options;
        enum lt_code code;
    } rows[] = {
        {"a.dat", {0}, LT_E_UNKNOWN},
        {"a", {0}, LT_E_UNKNOWN},
        {".log", {0}, LT_E_UNKNOWN},
        {"a.log", {.form = "xyz"}, LT_E_UNKNOWN},
        {"a.log", {.has_digits = true, .digits = 10}, LT_E_RANGE},
        {"a.log.gz", {.level = 10}, LT_E_RANGE},
        {"a.log", {.packing = LT_PACK_ZSTD, .level = 20}, LT_E_RANGE},
        {"a.log", {.level = 3}, LT_E_CONFLICT},
    };
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_error error;
        assert_int_equal(lt_writer_check(rows[i].path, &rows[i].options, &error), rows[i].code);
    }
    struct lt_error error;
    lt_writer_check("a.dat", NULL, &error);
    assert_non_null(strstr(error.advice, "log, csv, csv-all"));
}

static void log_lines_keep_every_digit_and_mark(void **state)
{
    (void)state;
    struct lt_frame frame = frame_of(1700000000123456789, 0x123, 0, 2);
    check_put(&frame, "can0", NULL,
              &(struct want){"log", "(1700000000.123456789) can0 123#A0A1\n", {0}});
    frame.time_ns = 1700000000123456000;
    check_put(&frame, "can0", NULL,
              &(struct want){"log", "(1700000000.123456) can0 123#A0A1\n", {0}});
    frame.time_text = "1700000000.1234560000"; /* as it stood */
    frame.time_len = 21;
    check_put(&frame, "can0", NULL,
              &(struct want){"log", "(1700000000.1234560000) can0 123#A0A1\n", {0}});
    frame.flags = LT_FRAME_SENT | LT_FRAME_EXTENDED;
    check_put(&frame, "can0", NULL,
              &(struct want){"log", "(1700000000.1234560000) can0 00000123#A0A1 T\n", {0}});
    frame = frame_of(0, 0x123, LT_FRAME_FD | LT_FRAME_BRS, 12);
    check_put(&frame, "can0", NULL,
              &(struct want){"log", "(000.000000) can0 123##5A0A1A2A3A4A5A6A7A8A9AAAB\n", {0}});
}

static void digits_may_be_limited_and_are_counted(void **state)
{
    (void)state;
    struct lt_writer_options six = {.has_digits = true, .digits = 6}, none = {.has_digits = true};
    struct lt_frame frame = frame_of(1700000000123456789, 0x123, 0, 0);
    check_put(
        &frame, "can0", &six,
        &(struct want){"log", "(1700000000.123456) can0 123#\n", {[LT_LOSS_TIME_DIGITS] = 1}});
    check_put(
        &frame, "can0", &none,
        &(struct want){"csv", "1700000000,can0,0x123,0,0,rx,\n", {[LT_LOSS_TIME_DIGITS] = 1}});
    frame.time_ns = 1700000000123456000;
    frame.time_text = "1700000000.123456";
    frame.time_len = 17;
    check_put(&frame, "can0", &six, &(struct want){"log", "(1700000000.123456) can0 123#\n", {0}});
    frame.time_text = "1700000000.1234560001";
    frame.time_len = 21;
    check_put(
        &frame, "can0", &six,
        &(struct want){"log", "(1700000000.123456) can0 123#\n", {[LT_LOSS_TIME_DIGITS] = 1}});
}

static void what_a_log_cannot_hold_is_counted(void **state)
{
    (void)state;
    struct lt_frame frame = frame_of(LT_NO_TIME, 0x123, 0, 1);
    check_put(&frame, "can0", NULL,
              &(struct want){"log", "(000.000000) can0 123#A0\n", {[LT_LOSS_NO_TIME] = 1}});
    frame.time_ns = 1000000000;
    check_put(&frame, "", NULL,
              &(struct want){"log", "(001.000000) unnamed 123#A0\n", {[LT_LOSS_BUS_NAME] = 1}});
    check_put(
        &frame, "body bus of the car", NULL,
        &(struct want){"log", "(001.000000) body_bus_of_the 123#A0\n", {[LT_LOSS_BUS_NAME] = 1}});
    frame.time_ns = -5;
    check_put(&frame, "can0", NULL,
              &(struct want){"log", "(000.000000) can0 123#A0\n", {[LT_LOSS_TIME_RANGE] = 1}});
}

static void csv_of_seven_columns_says_what_it_leaves_out(void **state)
{
    (void)state;
    struct lt_frame frame = frame_of(1500000000, 0x18FEF100, LT_FRAME_EXTENDED | LT_FRAME_SENT, 2);
    check_put(&frame, "a,b", NULL,
              &(struct want){"csv", "1.500000,\"a,b\",0x18FEF100,1,0,tx,A0A1\n", {0}});
    frame = frame_of(LT_NO_TIME, 0x7, LT_FRAME_FD | LT_FRAME_BRS, 1);
    check_put(&frame, NULL, NULL,
              &(struct want){"csv", ",,0x007,0,1,rx,A0\n", {[LT_LOSS_FD_FLAGS] = 1}});
    frame = frame_of(0, 0x7, 0, 8);
    frame.raw_dlc = 15;
    check_put(&frame, "", NULL,
              &(struct want){
                  "csv", "0.000000,,0x007,0,0,rx,A0A1A2A3A4A5A6A7\n", {[LT_LOSS_RAW_DLC] = 1}});
    check_put(
        &frame, "", NULL,
        &(struct want){"csv-all", "0.000000,,0x007,0,0,rx,A0A1A2A3A4A5A6A7,0,0,0,0,15\n", {0}});
    frame = frame_of(0, 0x7, LT_FRAME_REMOTE, 0);
    frame.raw_dlc = 4;
    check_put(&frame, "", NULL, &(struct want){"csv", "", {[LT_LOSS_FRAME] = 1}});
    check_put(&frame, "", NULL,
              &(struct want){"csv-all", "0.000000,,0x007,0,0,rx,,0,0,1,0,4\n", {0}});
    frame = frame_of(0, 0x20, LT_FRAME_ERROR, 8);
    check_put(&frame, "", NULL, &(struct want){"csv", "", {[LT_LOSS_FRAME] = 1}});
    check_put(
        &frame, "", NULL,
        &(struct want){"csv-all", "0.000000,,0x00000020,0,0,rx,A0A1A2A3A4A5A6A7,0,0,0,1,8\n", {0}});
}

#define MANY 20000

static void put_many(struct lt_writer *writer)
{
    for (int i = 0; i < MANY; i++) {
        struct lt_frame frame = frame_of(i * INT64_C(1000000), (uint32_t)i & 0x7FF, 0, 8);
        assert_true(lt_writer_put(writer, &frame, "can0"));
    }
    commit(writer);
    assert_int_equal(lt_writer_frames(writer), MANY);
    lt_writer_free(writer);
}

static char packed[2000000], unpacked[2000000], plain[2000000];

static void packed_files_unpack_to_the_same_bytes(void **state)
{
    (void)state;
    put_many(open_file("plain.log", NULL));
    size_t plain_len = read_file("plain.log", plain, sizeof plain);
    for (int level = 0; level <= 9; level += 3) {
        struct lt_writer_options options = {.level = level};
        put_many(open_file("x.log.gz", &options));
        size_t len = read_file("x.log.gz", packed, sizeof packed);
        z_stream stream = {.next_in = (Bytef *)packed,
                           .avail_in = (uInt)len,
                           .next_out = (Bytef *)unpacked,
                           .avail_out = sizeof unpacked};
        assert_int_equal(inflateInit2(&stream, 15 + 16), Z_OK);
        assert_int_equal(inflate(&stream, Z_FINISH), Z_STREAM_END);
        assert_int_equal(stream.total_out, plain_len);
        assert_int_equal(stream.avail_in, 0);
        assert_memory_equal(unpacked, plain, plain_len);
        inflateEnd(&stream);
        assert_true(len < plain_len / 2);

        options.packing = LT_PACK_ZSTD;
        put_many(open_file("x.log", &options));
        len = read_file("x.log", packed, sizeof packed);
        assert_int_equal(ZSTD_decompress(unpacked, sizeof unpacked, packed, len), plain_len);
        assert_memory_equal(unpacked, plain, plain_len);
    }
}

static void a_file_appears_only_when_whole(void **state)
{
    (void)state;
    char text[100];
    struct lt_frame frame = frame_of(0, 1, 0, 0);
    struct lt_writer *writer = open_file("x.log", NULL);
    lt_writer_put(writer, &frame, "a");
    assert_int_not_equal(access(path_of("x.log"), F_OK), 0);
    commit(writer);
    assert_int_equal(lt_writer_commit(writer, NULL), LT_E_CONFLICT);
    lt_writer_free(writer);
    writer = open_file("x.log", NULL);
    lt_writer_put(writer, &frame, "b");
    lt_writer_abort(writer);
    lt_writer_free(writer);
    read_file("x.log", text, sizeof text);
    assert_string_equal(text, "(000.000000) a 001#\n");
}

/* /dev/full: every write fails with "no space left on device". */
static void a_full_disk_is_said_plain_and_packed(void **state)
{
    (void)state;
    static const enum lt_packing packings[] = {LT_PACK_NONE, LT_PACK_GZIP, LT_PACK_ZSTD};
    for (size_t i = 0; i < COUNT_OF(packings); i++) {
        struct lt_writer_options options = {.packing = packings[i]};
        struct lt_writer *writer = NULL;
        struct lt_error error;
        assert_int_equal(lt_writer_open(&writer, "/dev/full", &options, &error), LT_OK);
        int put = 0;
        for (; put < MANY; put++) {
            struct lt_frame frame =
                frame_of(put * INT64_C(1234567891), ((uint32_t)put * 2654435761u) >> 21, 0, 8);
            for (int k = 0; k < 8; k++)
                frame.data[k] = (uint8_t)((uint32_t)(put + k) * 2654435761u >> 24);
            if (!lt_writer_put(writer, &frame, "can0"))
                break;
        }
        assert_true(put < MANY);
        assert_int_equal(lt_writer_commit(writer, &error), LT_E_IO);
        assert_non_null(strstr(error.text, strerror(ENOSPC)));
        lt_writer_free(writer);
    }
    struct lt_writer *writer = NULL;
    struct lt_error error;
    assert_int_equal(lt_writer_open(&writer, path_of("no/such/x.log"), NULL, &error), LT_E_IO);
    assert_null(writer);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_form_goes_by_name_then_by_ending),
        cmocka_unit_test(wrong_wishes_are_refused),
        cmocka_unit_test(log_lines_keep_every_digit_and_mark),
        cmocka_unit_test(digits_may_be_limited_and_are_counted),
        cmocka_unit_test(what_a_log_cannot_hold_is_counted),
        cmocka_unit_test(csv_of_seven_columns_says_what_it_leaves_out),
        cmocka_unit_test(packed_files_unpack_to_the_same_bytes),
        cmocka_unit_test(a_file_appears_only_when_whole),
        cmocka_unit_test(a_full_disk_is_said_plain_and_packed),
    };
    return cmocka_run_group_tests(tests, make_folder, drop_folder);
}
