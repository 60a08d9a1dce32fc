/* Packed captures (gzip, RFC 1952; zstd, RFC 8878): packed here by the reference libraries, read
 * whole and in pieces; damaged and cut at every place. */
#include "binary_capture.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <zlib.h>
#include <zstd.h>

#include "loomtap/base/number.h"

#define LINE "(1436509052.249713) can0 123#DEADBEEF\n"

static void pack_gzip(struct bytes *to, const void *bytes, size_t len)
{
    z_stream gzip = {.next_in = (Bytef *)(uintptr_t)bytes, .avail_in = (uInt)len};
    assert_int_equal(deflateInit2(&gzip, 6, Z_DEFLATED, 15 + 16, 8, Z_DEFAULT_STRATEGY), Z_OK);
    gzip.next_out = to->at + to->len;
    gzip.avail_out = (uInt)(sizeof to->at - to->len);
    assert_int_equal(deflate(&gzip, Z_FINISH), Z_STREAM_END);
    to->len = sizeof to->at - gzip.avail_out;
    deflateEnd(&gzip);
}

static void pack_zstd(struct bytes *to, const void *bytes, size_t len)
{
    ZSTD_CCtx *zstd = ZSTD_createCCtx();
    ZSTD_CCtx_setParameter(zstd, ZSTD_c_checksumFlag, 1);
    size_t got = ZSTD_compress2(zstd, to->at + to->len, sizeof to->at - to->len, bytes, len);
    assert_false(ZSTD_isError(got));
    to->len += got;
    ZSTD_freeCCtx(zstd);
}

static void (*const packers[])(struct bytes *, const void *, size_t) = {pack_gzip, pack_zstd};
static const char *const names[] = {"gzip", "zstd"};

static void packed_text_is_read_whatever_the_pieces(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    for (size_t i = 0; i < COUNT_OF(packers); i++) {
        bytes.len = 0;
        packers[i](&bytes, LINE LINE, 2 * (sizeof LINE - 1));
        check_reading(&bytes,
                      "1 (1436509052.249713) can0 123#DEADBEEF\n"
                      "2 (1436509052.249713) can0 123#DEADBEEF\n",
                      LT_OK, &reading);
        assert_int_equal(reading.counts.bytes, 2 * (sizeof LINE - 1)); /* unpacked */
        assert_false(reading.counts.cut_at_end);
    }
}

/* Members and frames one after another, an empty one and one cut inside a line among them. */
static void members_one_after_another(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    for (size_t i = 0; i < COUNT_OF(packers); i++) {
        bytes.len = 0;
        packers[i](&bytes, LINE "(1436509", sizeof LINE - 1 + 8);
        packers[i](&bytes, "", 0);
        packers[i](&bytes, "052.249714) can0 124#AA\n", 24);
        if (i == 1)
            put_hex(&bytes, "502A4D18 04000000 AABBCCDD"); /* a frame to be skipped */
        check_reading(&bytes,
                      "1 (1436509052.249713) can0 123#DEADBEEF\n"
                      "2 (1436509052.249714) can0 124#AA\n",
                      LT_OK, &reading);
    }
    /* A packer with several threads begins with a frame to be skipped. */
    bytes.len = 0;
    put_hex(&bytes, "502A4D18 04000000 AABBCCDD");
    pack_zstd(&bytes, LINE, sizeof LINE - 1);
    check_reading(&bytes, "1 (1436509052.249713) can0 123#DEADBEEF\n", LT_OK, &reading);
    /* gzip's tools take zeros behind a member for the padding of tapes. */
    bytes.len = 0;
    pack_gzip(&bytes, LINE, sizeof LINE - 1);
    put_hex(&bytes, "0000000000000000");
    check_reading(&bytes, "1 (1436509052.249713) can0 123#DEADBEEF\n", LT_OK, &reading);
}

static void an_empty_packed_file_is_a_capture_without_frames(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    (void)state;
    for (size_t i = 0; i < COUNT_OF(packers); i++) {
        bytes.len = 0;
        packers[i](&bytes, "", 0);
        check_reading(&bytes, "", LT_OK, &reading);
    }
}

static void binary_forms_are_read_packed(void **state)
{
    static struct bytes plain, bytes;
    static struct reading reading;
    (void)state;
    put_hex(&plain, "D4C3B2A1 02000400 00000000 00000000 00000400 E3000000"
                    "00F15365 40E20100 0C000000 0C000000 00000123 04000000 DEADBEEF");
    for (size_t i = 0; i < COUNT_OF(packers); i++) {
        bytes.len = 0;
        packers[i](&bytes, plain.at, plain.len);
        check_reading(&bytes, "1 (1700000000.123456) if0 123#DEADBEEF\n", LT_OK, &reading);
    }
}

static void packed_twice_or_packed_nonsense_is_refused(void **state)
{
    static struct bytes once, bytes;
    (void)state;
    pack_zstd(&once, LINE, sizeof LINE - 1);
    pack_gzip(&bytes, once.at, once.len);
    check_refused(&bytes, "inside packed data");
    bytes.len = 0;
    pack_gzip(&bytes, "%PDF-1.4\n", 9);
    check_refused(&bytes, "PDF");
}

/* Lines that do not repeat, so that packing leaves much to cut. */
static size_t make_log(char *text, size_t size, unsigned lines)
{
    size_t used = 0;
    uint32_t noise = 1;
    for (unsigned i = 0; i < lines; i++) {
        noise = noise * 1664525 + 1013904223;
        used += (size_t)snprintf(text + used, size - used, "(%u.%06u) can0 %03X#%08X\n",
                                 1436509052 + i, noise % 1000000, noise >> 21, noise);
    }
    return used;
}

/* Wherever the file is cut: the whole lines before are read, and the error says that it is cut. */
static void a_cut_file_is_read_up_to_the_cut(void **state)
{
    static char text[20000];
    static struct bytes bytes;
    static struct reading whole, reading;
    size_t len = make_log(text, sizeof text, 200);
    (void)state;
    for (size_t i = 0; i < COUNT_OF(packers); i++) {
        size_t read = 0;
        bytes.len = 0;
        packers[i](&bytes, text, len);
        read_bytes(&whole, bytes.at, bytes.len, 0, NULL);
        assert_int_equal(whole.code, LT_OK);
        assert_int_equal(whole.counts.frames, 200);
        for (size_t cut = 4; cut < bytes.len; cut += 7) {
            read_bytes(&reading, bytes.at, cut, 0, NULL);
            assert_int_equal(reading.open_code, LT_OK);
            assert_int_equal(reading.code, LT_E_TRUNCATED);
            assert_non_null(strstr(reading.error.text, names[i]));
            assert_string_equal(reading.error.source, "x");
            char place[32];
            snprintf(place, sizeof place, "at byte %zu of", cut);
            assert_non_null(strstr(reading.error.text, place));
            assert_memory_equal(reading.lines, whole.lines, strlen(reading.lines));
            assert_int_equal(reading.counts.malformed, 0);
            read = reading.counts.frames;
        }
        if (i == 0) /* gzip gives what it has; a block of zstd comes whole */
            assert_true(read > 150 && read <= 200);
    }
}

/* The file's sums do not hold: that is said, and what came before stays. */
static void a_damaged_file_is_said_with_its_place(void **state)
{
    static char text[20000];
    static struct bytes bytes;
    static struct reading reading;
    size_t len = make_log(text, sizeof text, 200);
    (void)state;
    for (size_t i = 0; i < COUNT_OF(packers); i++) {
        bytes.len = 0;
        packers[i](&bytes, LINE, sizeof LINE - 1);
        size_t first = bytes.len;
        packers[i](&bytes, text, len);
        /* The last bytes are sums: gzip has its length behind them. */
        bytes.at[bytes.len - (i == 0 ? 6 : 2)] ^= 0x10;
        read_bytes(&reading, bytes.at, bytes.len, 0, NULL);
        assert_int_equal(reading.code, LT_E_SYNTAX);
        assert_non_null(strstr(reading.error.text, "damaged"));
        assert_true(reading.counts.frames >= 1);
        /* What follows a good member is none. */
        bytes.len = first;
        put_hex(&bytes, "4142434445464748");
        read_bytes(&reading, bytes.at, bytes.len, 0, NULL);
        assert_int_equal(reading.code, LT_E_SYNTAX);
        const char *place = strstr(reading.error.text, "at byte ");
        uint64_t byte = 0;
        assert_non_null(place);
        struct lt_text number = lt_text_of(place + 8);
        number.len = strspn(number.at, "0123456789");
        assert_true(lt_parse_u64(number, &byte));
        assert_in_range(byte, first, first + 8);
        assert_string_equal(reading.lines, "1 (1436509052.249713) can0 123#DEADBEEF\n");
    }
}

/* A line a member; `wrong` of them says another sum or length. Returns where that one ends. */
static size_t pack_members(struct bytes *bytes, unsigned count, unsigned wrong, size_t trailer_byte)
{
    size_t end = 0;
    bytes->len = 0;
    for (unsigned i = 0; i < count; i++) {
        char line[64];
        int len = snprintf(line, sizeof line, "(1436509052.%06u) can0 123#DEADBEEF\n", i);
        pack_gzip(bytes, line, (size_t)len);
        if (i == wrong) {
            end = bytes->len;
            bytes->at[end - trailer_byte] ^= 0x10;
        }
        if (i % 7 == 0)
            pack_gzip(bytes, "", 0);
    }
    return end;
}

/* Each member has its own sum: all up to the end of the one that is wrong is given, nothing more.
 */
static void a_member_that_is_damaged_ends_the_reading(void **state)
{
    static struct bytes bytes;
    static struct reading reading;
    static const size_t blocks[] = {0, 1, 11, 1000};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(blocks); i++) {
        for (size_t byte = 1; byte <= 8; byte += 7) { /* of the length, of the sum */
            char place[64];
            size_t end = pack_members(&bytes, 200, 150, byte);
            read_bytes(&reading, bytes.at, bytes.len, blocks[i], NULL);
            assert_int_equal(reading.code, LT_E_SYNTAX);
            assert_int_equal(reading.counts.frames, 151);
            snprintf(place, sizeof place, "incorrect %s check, at byte %zu of",
                     byte == 1 ? "length" : "data", end);
            assert_non_null(strstr(reading.error.text, place));
        }
        pack_members(&bytes, 200, 1000, 1);
        read_bytes(&reading, bytes.at, bytes.len, blocks[i], NULL);
        assert_int_equal(reading.code, LT_OK);
        assert_int_equal(reading.counts.frames, 200);
    }
}

/* RFC 1952, 2.3.1, FLG.FHCRC: the two lowest bytes of the header's CRC-32. */
static void the_sum_of_a_header_is_looked_at(void **state)
{
    static struct bytes bytes, plain;
    static struct reading reading;
    (void)state;
    pack_gzip(&plain, LINE, sizeof LINE - 1);
    for (unsigned flip = 0; flip < 2; flip++) {
        uint8_t head[12];
        memcpy(head, plain.at, 10);
        head[3] = 2;
        uLong sum = crc32(0, head, 10);
        head[10] = (uint8_t)sum;
        head[11] = (uint8_t)((sum >> 8) ^ flip);
        memcpy(bytes.at, head, sizeof head);
        memcpy(bytes.at + sizeof head, plain.at + 10, plain.len - 10);
        bytes.len = plain.len + 2;
        read_bytes(&reading, bytes.at, bytes.len, 0, NULL);
        assert_int_equal(reading.open_code ? reading.open_code : reading.code,
                         flip ? LT_E_SYNTAX : LT_OK);
        assert_int_equal(reading.counts.frames, flip ? 0 : 1);
    }
}

/* A reader that is freed early ends the thread that waits for a pipe nobody writes to. */
static void a_reader_can_be_freed_while_its_input_is_silent(void **state)
{
    static struct bytes bytes;
    char path[] = "/tmp/loomtap-test-XXXXXX", fifo[64];
    struct lt_reader *reader = NULL;
    (void)state;
    for (size_t i = 0; i < COUNT_OF(packers); i++) {
        assert_non_null(mkdtemp(path));
        snprintf(fifo, sizeof fifo, "%s/pipe", path);
        assert_int_equal(mkfifo(fifo, 0600), 0);
        int fd = open(fifo, O_RDWR | O_CLOEXEC); /* both ends: nobody is waited for */
        assert_true(fd >= 0);
        bytes.len = 0;
        packers[i](&bytes, LINE, sizeof LINE - 1);
        assert_int_equal(write(fd, bytes.at, bytes.len), (ssize_t)bytes.len);
        assert_int_equal(lt_reader_open(&reader, fifo, NULL, NULL), LT_OK);
        /* The frame is there although the pipe is still open. */
        const struct lt_frame *frame = lt_reader_next(reader);
        assert_non_null(frame);
        assert_int_equal(frame->id, 0x123);
        assert_string_equal(lt_reader_packing(reader), names[i]);
        lt_reader_free(reader);
        close(fd);
        unlink(fifo);
        rmdir(path);
        memcpy(path, "/tmp/loomtap-test-XXXXXX", sizeof path);
    }
}

/* Far more than the ring holds, and freed in the middle of it. */
static void a_large_file_is_read_whole_or_left_in_the_middle(void **state)
{
    enum { LINES = 200000 };
    static struct bytes bytes;
    struct lt_reader *reader = NULL;
    uint64_t frames = 0;
    char *text = malloc(LINES * (sizeof LINE - 1));
    (void)state;
    assert_non_null(text);
    for (size_t i = 0; i < LINES; i++)
        memcpy(text + i * (sizeof LINE - 1), LINE, sizeof LINE - 1);
    for (size_t i = 0; i < COUNT_OF(packers); i++) {
        bytes.len = 0;
        packers[i](&bytes, text, LINES * (sizeof LINE - 1));
        for (uint64_t stop = 1; stop <= LINES + 1; stop += LINES) {
            assert_int_equal(
                lt_reader_open_memory(&reader, "x", bytes.at, bytes.len, 0, NULL, NULL), LT_OK);
            for (frames = 0; frames < stop && lt_reader_next(reader); frames++)
                continue;
            assert_int_equal(frames, stop <= LINES ? stop : LINES);
            assert_int_equal(lt_reader_end(reader, NULL), LT_OK);
            lt_reader_free(reader);
        }
    }
    free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(packed_text_is_read_whatever_the_pieces),
        cmocka_unit_test(members_one_after_another),
        cmocka_unit_test(an_empty_packed_file_is_a_capture_without_frames),
        cmocka_unit_test(binary_forms_are_read_packed),
        cmocka_unit_test(packed_twice_or_packed_nonsense_is_refused),
        cmocka_unit_test(a_cut_file_is_read_up_to_the_cut),
        cmocka_unit_test(a_damaged_file_is_said_with_its_place),
        cmocka_unit_test(a_member_that_is_damaged_ends_the_reading),
        cmocka_unit_test(the_sum_of_a_header_is_looked_at),
        cmocka_unit_test(a_reader_can_be_freed_while_its_input_is_silent),
        cmocka_unit_test(a_large_file_is_read_whole_or_left_in_the_middle),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
