/* The reader: telling forms apart, counting what is no frame, several inputs, blocks of any size.
 */
#include "unit.h"

#include <errno.h>
#include <sys/stat.h>
#include <unistd.h>

#include "loomtap/capture/reader.h"
#include "loomtap/capture/text.h"

#define LINE "(1436509052.249713) can0 123#DEADBEEF\n"

static struct lt_reader *open_text(const char *text, const struct lt_reader_options *options)
{
    struct lt_reader *reader = NULL;
    struct lt_error error = {.code = LT_OK};
    if (lt_reader_open_memory(&reader, "m.log", text, strlen(text), 0, options, &error) != LT_OK)
        fail_msg("refused: %s", error.text);
    return reader;
}

/* Reads to the end; the caller frees. */
static const struct lt_reader_counts *read_all(struct lt_reader *reader)
{
    while (lt_reader_next(reader))
        continue;
    return lt_reader_counts(reader);
}

static void refused(const void *bytes, size_t len, const char *word)
{
    struct lt_reader *reader = NULL;
    struct lt_error error;
    if (lt_reader_open_memory(&reader, "x", bytes, len, 0, NULL, &error) != LT_E_NOT_CAPTURE)
        fail_msg("%s is not refused", word);
    assert_null(reader);
    assert_int_equal(error.code, LT_E_NOT_CAPTURE);
    assert_string_equal(error.source, "x");
    if (!strstr(error.text, word))
        fail_msg("\"%s\" does not say \"%s\"", error.text, word);
    assert_true(strlen(error.advice) > 0);
    assert_null(strchr(error.text, '\n'));
}

static void refused_text(const char *text, const char *word)
{
    refused(text, strlen(text), word);
}

static void what_is_no_capture_is_refused_with_what_it_seems_to_be(void **state)
{
    static char big[100000];
    (void)state;
    refused("\xD4\xC3\xB2\xA1\2\0\4\0", 8, "pcap");
    refused("\x4D\x3C\xB2\xA1\2\0\4\0", 8, "pcap");
    refused("\x89PNG\r\n\x1A\n", 8, "PNG");
    refused("\x7F"
            "ELF\2\1\1",
            7, "ELF");
    refused("\xFF\xFE(\0001\0", 6, "UTF-16");
    refused("\0\1\2\3\4\n\5\6", 8, "binary");
    refused_text("[profile]\nformat = 1\n", "INI");
    refused_text("time_s,bus,frame,signal\n1,2,3,4\n", "CSV");
    refused_text("<html>\n", "HTML");
    refused_text("{\"frames\": []}\n", "JSON");
    refused_text("Dear reader,\nthis is a letter.\n", "text");
    refused_text("List:\n(1) one thing\n(2) another\n", "text");
    refused_text("hello", "text");
    memset(big, 'x', sizeof big);
    refused(big, sizeof big, "text");
    memset(big, 0, sizeof big);
    refused(big, sizeof big, "binary");
    for (size_t i = 0; i < sizeof big; i++)
        big[i] = i % 5000 == 4999 ? '\n' : 'y';
    refused(big, sizeof big, "text");
}

static void an_empty_input_is_a_capture_without_frames(void **state)
{
    static const char *const texts[] = {"", "\n\n", "# nothing yet\n; really\n", "\r\n", "   "};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(texts); i++) {
        struct lt_reader *reader = open_text(texts[i], NULL);
        const struct lt_reader_counts *counts = read_all(reader);
        assert_int_equal(counts->frames, 0);
        assert_int_equal(counts->malformed, 0);
        assert_int_equal(counts->bytes, strlen(texts[i]));
        assert_int_equal(lt_reader_end(reader, NULL), LT_OK);
        lt_reader_free(reader);
    }
}

static void a_capture_with_nothing_but_damaged_lines_is_still_read(void **state)
{
    struct lt_reader *reader = open_text("(1436509052.249713) can0 12\n(1436509052.2497", NULL);
    const struct lt_reader_counts *counts = read_all(reader);
    (void)state;
    assert_int_equal(counts->frames, 0);
    assert_int_equal(counts->malformed, 2);
    assert_int_equal(counts->bad[LT_BAD_NO_FRAME], 1);
    assert_int_equal(counts->bad[LT_BAD_TIME], 1);
    assert_true(counts->cut_at_end);
    lt_reader_free(reader);
}

static void lines_that_need_not_be_frames_are_counted_by_kind(void **state)
{
    static const char text[] = "Welcome to the bench computer\n"
                               "Last login: today\n"
                               "$ candump -L can0\n"
                               "\n" LINE "# a comment\n"
                               "; another\n"
                               "\tindented text\n"
                               "DROPCOUNT: dropped 3 CAN frames on 'can0' socket (total drops 7)\n"
                               "DROPCOUNT: dropped 1 CAN frame on 'can0' socket (total drops 8)\n"
                               "\r\n" LINE "prose after the first frame\n"
                               "\x01\x02 noise\n" LINE;
    struct lt_reader *reader = open_text(text, NULL);
    const struct lt_reader_counts *counts = read_all(reader);
    (void)state;
    assert_int_equal(counts->frames, 3);
    assert_int_equal(counts->banner_lines, 3);
    assert_int_equal(counts->blank_lines, 2);
    assert_int_equal(counts->notes, 3);
    assert_int_equal(counts->drop_lines, 2);
    assert_int_equal(counts->dropped_frames, 4);
    assert_int_equal(counts->malformed, 2);
    assert_int_equal(counts->bad[LT_BAD_NO_FRAME], 1);
    assert_int_equal(counts->bad[LT_BAD_BINARY], 1);
    assert_int_equal(counts->lines, 15);
    assert_int_equal(counts->bytes, sizeof text - 1);
    assert_false(counts->cut_at_end);
    assert_int_equal(counts->first_bad_count, 2);
    assert_int_equal(counts->first_bad[0].line, 13);
    assert_string_equal(counts->first_bad[0].text, "prose after the first frame");
    assert_int_equal(counts->first_bad[1].column, 1);
    assert_string_equal(counts->first_bad[1].text, ".. noise");
    lt_reader_free(reader);
}

static void binary_bytes_in_a_frame_line_are_named(void **state)
{
    static const char text[] = LINE "(1436509052.249713) ca\x80n0 123#11\n"
                                    "\0\0\0\0(1436509052.249713) can0 123#11\n"
                                    "(1436509052.249713) can0 123#\x01\x02\n" LINE;
    struct lt_reader *reader = NULL;
    (void)state;
    assert_int_equal(lt_reader_open_memory(&reader, "m", text, sizeof text - 1, 0, NULL, NULL),
                     LT_OK);
    const struct lt_reader_counts *counts = read_all(reader);
    assert_int_equal(counts->frames, 2);
    assert_int_equal(counts->bad[LT_BAD_BINARY], 3);
    assert_int_equal(counts->first_bad[0].column, 23);
    assert_int_equal(counts->first_bad[1].column, 1);
    assert_int_equal(counts->first_bad[2].column, 30);
    assert_int_equal(lt_reader_bus_count(reader), 1);
    lt_reader_free(reader);
}

/* A cut on a byte boundary cannot be told from a shorter frame: said, but read. */
static void a_last_line_without_line_break_is_read_and_said(void **state)
{
    struct lt_reader *reader = open_text(LINE "(1436509052.249714) can0 123#DEAD", NULL);
    const struct lt_reader_counts *counts = read_all(reader);
    (void)state;
    assert_int_equal(counts->frames, 2);
    assert_true(counts->cut_at_end);
    lt_reader_free(reader);

    reader = open_text(LINE "(1436509052.249714) can0 123#DEA", NULL);
    counts = read_all(reader);
    assert_int_equal(counts->frames, 1);
    assert_int_equal(counts->bad[LT_BAD_ODD], 1);
    assert_true(counts->cut_at_end);
    lt_reader_free(reader);
}

static void long_lines_are_skipped_to_their_end_and_counted_once(void **state)
{
    static const size_t lens[] = {4097, 5000, 300000, 600000};
    static const size_t blocks[] = {0, 1000, 4096};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(lens) * COUNT_OF(blocks); i++) {
        size_t len = lens[i % COUNT_OF(lens)], line = sizeof LINE - 1;
        char *text = malloc(len + 2 * line + 1);
        struct lt_reader *reader = NULL;
        memcpy(text, LINE, line);
        memset(text + line, 'z', len);
        text[line + len] = '\n';
        memcpy(text + line + len + 1, LINE, line);
        assert_int_equal(lt_reader_open_memory(&reader, "m", text, len + 2 * line + 1,
                                               blocks[i / COUNT_OF(lens)], NULL, NULL),
                         LT_OK);
        const struct lt_reader_counts *counts = read_all(reader);
        assert_int_equal(counts->frames, 2);
        assert_int_equal(counts->lines, 3);
        assert_int_equal(counts->malformed, 1);
        assert_int_equal(counts->bad[LT_BAD_LONG], 1);
        assert_int_equal(counts->first_bad[0].line, 2);
        lt_reader_free(reader);
        free(text);
    }
}

static void a_line_of_just_the_limit_is_read(void **state)
{
    char text[2 * LT_LINE_MAX];
    struct lt_reader *reader = NULL;
    (void)state;
    memset(text, ' ', sizeof text);
    memcpy(text, LINE, sizeof LINE - 2); /* then blanks */
    text[LT_LINE_MAX] = '\n';
    assert_int_equal(lt_reader_open_memory(&reader, "m", text, LT_LINE_MAX + 1, 0, NULL, NULL),
                     LT_OK);
    assert_int_equal(read_all(reader)->frames, 1);
    assert_int_equal(lt_reader_counts(reader)->malformed, 0);
    lt_reader_free(reader);
}

static void backward_steps_are_counted_on_each_bus_alone(void **state)
{
    struct lt_reader *reader = open_text("(303.0046) can0 1F0#00\n"
                                         "(302.9918) can1 103#00\n"
                                         "(303.0118) can1 104#00\n"
                                         "(303.0047) can0 1F0#00\n"
                                         "(300.0047) can0 1F0#00\n"
                                         "(302.0118) can1 104#00\n",
                                         NULL);
    const struct lt_reader_counts *counts = read_all(reader);
    (void)state;
    assert_int_equal(counts->backward_steps, 2);
    assert_int_equal(counts->backward_most_ns, 3000000000);
    assert_false(counts->looks_like_differences);
    lt_reader_free(reader);
}

static void differences_are_suspected_and_added_up_on_request(void **state)
{
    static const char text[] = " (000.000000)  can0  123   [1]  01\n"
                               " (000.010000)  can0  123   [1]  02\n"
                               " (000.000100)  can0  124   [1]  03\n"
                               " (000.009900)  can0  123   [1]  04\n"
                               " (000.000100)  can0  124   [1]  05\n"
                               " (000.009900)  can0  123   [1]  06\n"
                               " (000.000100)  can0  124   [1]  07\n"
                               "(8589934592.0) can0 123#08\n";
    static const int64_t want_ns[] = {0,        10000000, 10100000, 20000000,
                                      20100000, 30000000, 30100000};
    struct lt_reader_options options = {.differences = true};
    struct lt_reader *reader = open_text(text, NULL);
    (void)state;
    assert_true(read_all(reader)->looks_like_differences);
    lt_reader_free(reader);

    reader = open_text(text, &options);
    for (size_t i = 0; i < COUNT_OF(want_ns); i++) {
        const struct lt_frame *frame = lt_reader_next(reader);
        assert_non_null(frame);
        assert_int_equal(frame->data[0], i + 1);
        assert_int_equal(frame->time_ns, want_ns[i]);
        assert_null(frame->time_text);
        assert_int_equal(frame->time_len, 0);
    }
    assert_null(lt_reader_next(reader));
    const struct lt_reader_counts *counts = lt_reader_counts(reader);
    assert_false(counts->looks_like_differences);
    assert_int_equal(counts->backward_steps, 0);
    assert_int_equal(counts->bad[LT_BAD_TIME], 1); /* the sum would overflow */
    lt_reader_free(reader);
}

static void lines_of_the_other_form_are_read_and_counted_as_odd(void **state)
{
    struct lt_reader *reader =
        open_text(LINE " (1436509053.249713)  can0  124   [1]  11\n" LINE, NULL);
    (void)state;
    assert_int_equal(read_all(reader)->frames, 3);
    assert_int_equal(lt_reader_counts(reader)->oddities, 1);
    assert_int_equal(lt_reader_form(reader), LT_FORM_CANDUMP_LOG);
    lt_reader_free(reader);

    reader = open_text("  can0  124   [1]  11\n" LINE, NULL);
    assert_int_equal(read_all(reader)->frames, 2);
    assert_int_equal(lt_reader_form(reader), LT_FORM_CANDUMP_SCREEN);
    assert_true(lt_reader_counts(reader)->no_times);
    lt_reader_free(reader);
}

static void strict_reading_ends_at_the_first_malformed_line(void **state)
{
    struct lt_reader_options options = {.strict = true};
    struct lt_reader *reader = open_text("a banner is no fault\n" LINE "# nor is a note\n" LINE
                                         "(1436509052.249713) can0 123#112\n" LINE,
                                         &options);
    struct lt_error error;
    (void)state;
    assert_non_null(lt_reader_next(reader));
    assert_non_null(lt_reader_next(reader));
    assert_null(lt_reader_next(reader));
    assert_null(lt_reader_next(reader));
    assert_int_equal(lt_reader_end(reader, &error), LT_E_SYNTAX);
    assert_string_equal(error.source, "m.log");
    assert_int_equal(error.line, 5);
    assert_int_equal(error.column, 32);
    assert_non_null(strstr(error.text, "half a byte"));
    assert_true(strlen(error.advice) > 0);
    lt_reader_free(reader);
}

static void more_buses_than_the_ceiling_are_refused_line_by_line(void **state)
{
    char text[80 * 40] = "";
    size_t used = 0;
    (void)state;
    for (int i = 0; i < 70; i++)
        used += (size_t)snprintf(text + used, sizeof text - used, "(1.000000) bus%d 123#11\n", i);
    struct lt_reader *reader = open_text(text, NULL);
    const struct lt_reader_counts *counts = read_all(reader);
    assert_int_equal(counts->frames, LT_BUSES_MAX);
    assert_int_equal(counts->bad[LT_BAD_BUSES], 70 - LT_BUSES_MAX);
    assert_int_equal(lt_reader_bus_count(reader), LT_BUSES_MAX);
    assert_string_equal(lt_reader_bus_name(reader, 63), "bus63");
    assert_string_equal(lt_reader_bus_name(reader, 64), "");
    lt_reader_free(reader);
}

static void names_keep_their_number_when_buses_alternate(void **state)
{
    static const char *const names[] = {"can0", "can1", "a-long-bus-name", "can10", "x"};
    char text[8000] = "";
    size_t used = 0;
    (void)state;
    for (unsigned i = 0; i < 150; i++)
        used += (size_t)snprintf(text + used, sizeof text - used, "(1.000000) %s 123#%02X\n",
                                 names[(i * 7 + i / 5) % 5], (i * 7 + i / 5) % 5);
    struct lt_reader *reader = open_text(text, NULL);
    const struct lt_frame *frame;
    size_t count = 0;
    while ((frame = lt_reader_next(reader)) != NULL) {
        assert_string_equal(lt_reader_bus_name(reader, frame->bus), names[frame->data[0]]);
        count++;
    }
    assert_int_equal(count, 150);
    assert_int_equal(lt_reader_bus_count(reader), 5);
    lt_reader_free(reader);
}

static void a_mark_of_utf8_at_the_start_is_skipped(void **state)
{
    struct lt_reader *reader = open_text("\xEF\xBB\xBF" LINE, NULL);
    (void)state;
    assert_int_equal(read_all(reader)->frames, 1);
    assert_int_equal(lt_reader_counts(reader)->oddities, 0);
    lt_reader_free(reader);
}

/* --- files --- */

static char folder[64];

static int make_folder(void **state)
{
    (void)state;
    strcpy(folder, "/tmp/loomtap-reader-XXXXXX");
    return mkdtemp(folder) ? 0 : -1;
}

static const char *write_file(const char *name, const char *text)
{
    static char paths[4][128];
    static unsigned next;
    char *path = paths[next++ % 4];
    snprintf(path, sizeof paths[0], "%s/%s", folder, name);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fputs(text, file);
    fclose(file);
    return path;
}

static int remove_folder(void **state)
{
    char command[128];
    (void)state;
    snprintf(command, sizeof command, "rm -r %s", folder);
    return system(command);
}

static void several_files_are_one_stream_with_one_list_of_buses(void **state)
{
    const char *paths[] = {
        write_file("a.log", "(1.0) can0 101#01\n(2.0) can1 102#02"),
        write_file("empty.log", ""),
        write_file("b.txt", "greeting\n  can1  103   [1]  03\n  can2  104   [1]  04\nxx\n"),
    };
    static const struct {
        uint32_t id;
        const char *bus;
        uint64_t number;
    } want[] = {{0x101, "can0", 1}, {0x102, "can1", 2}, {0x103, "can1", 2}, {0x104, "can2", 3}};
    struct lt_reader *reader = NULL;
    (void)state;
    assert_int_equal(lt_reader_open_all(&reader, paths, 3, NULL, NULL), LT_OK);
    for (size_t i = 0; i < COUNT_OF(want); i++) {
        const struct lt_frame *frame = lt_reader_next(reader);
        assert_non_null(frame);
        assert_int_equal(frame->id, want[i].id);
        assert_int_equal(frame->number, want[i].number);
        assert_string_equal(lt_reader_bus_name(reader, frame->bus), want[i].bus);
    }
    assert_null(lt_reader_next(reader));
    assert_int_equal(lt_reader_end(reader, NULL), LT_OK);
    const struct lt_reader_counts *counts = lt_reader_counts(reader);
    assert_int_equal(lt_reader_bus_count(reader), 3);
    assert_int_equal(lt_reader_source_count(reader), 3);
    assert_string_equal(lt_reader_source_name(reader, 2), paths[2]);
    assert_int_equal(counts->banner_lines, 1);
    assert_int_equal(counts->first_bad[0].source, 2);
    assert_int_equal(counts->first_bad[0].line, 4);
    assert_int_equal(counts->lines, 6);
    assert_true(counts->cut_at_end);
    lt_reader_free(reader);
}

static void a_missing_file_is_said_before_the_first_is_read(void **state)
{
    char missing[128];
    struct lt_reader *reader = NULL;
    struct lt_error error;
    const char *paths[] = {write_file("a.log", LINE), missing};
    (void)state;
    snprintf(missing, sizeof missing, "%s/absent.log", folder);
    assert_int_equal(lt_reader_open_all(&reader, paths, 2, NULL, &error), LT_E_IO);
    assert_null(reader);
    assert_string_equal(error.source, missing);
    assert_string_equal(error.text, strerror(ENOENT));
    paths[1] = folder;
    assert_int_equal(lt_reader_open_all(&reader, paths, 2, NULL, &error), LT_E_IO);
    assert_string_equal(error.source, folder);
    assert_string_equal(error.text, strerror(EISDIR));
    paths[0] = paths[1] = "-";
    assert_int_equal(lt_reader_open_all(&reader, paths, 2, NULL, &error), LT_E_DUPLICATE);
    assert_int_equal(lt_reader_open_all(&reader, paths, 0, NULL, &error), LT_E_MISSING);
}

static void a_second_file_that_is_no_capture_ends_the_reading(void **state)
{
    const char *paths[] = {write_file("a.log", LINE), write_file("p.ini", "[profile]\nx = 1\n")};
    struct lt_reader *reader = NULL;
    struct lt_error error;
    (void)state;
    assert_int_equal(lt_reader_open_all(&reader, paths, 2, NULL, NULL), LT_OK);
    assert_non_null(lt_reader_next(reader));
    assert_null(lt_reader_next(reader));
    assert_int_equal(lt_reader_end(reader, &error), LT_E_NOT_CAPTURE);
    assert_string_equal(error.source, paths[1]);
    lt_reader_free(reader);
}

/* Through a pipe as standard input, in pieces that cut lines anywhere. */
static void standard_input_is_read_as_it_comes(void **state)
{
    int ends[2], kept = dup(STDIN_FILENO);
    struct lt_reader *reader = NULL;
    (void)state;
    assert_int_equal(pipe(ends), 0);
    assert_true(dup2(ends[0], STDIN_FILENO) >= 0);
    close(ends[0]);
    assert_true(write(ends[1], LINE "(1436509052.2", sizeof LINE - 1 + 13) > 0);
    assert_int_equal(lt_reader_open(&reader, "-", NULL, NULL), LT_OK);
    /* The first frame is there before the input ends. */
    assert_non_null(lt_reader_next(reader));
    assert_true(write(ends[1], "49714) can0 124#", 16) > 0);
    assert_true(write(ends[1], "11\n", 3) > 0);
    const struct lt_frame *frame = lt_reader_next(reader);
    assert_non_null(frame);
    assert_int_equal(frame->id, 0x124);
    assert_memory_equal(frame->time_text, "1436509052.249714", 17);
    close(ends[1]);
    assert_null(lt_reader_next(reader));
    assert_int_equal(lt_reader_end(reader, NULL), LT_OK);
    lt_reader_free(reader);
    assert_true(dup2(kept, STDIN_FILENO) >= 0);
    close(kept);
}

/* More than a block, written by our own writer; every time_text is looked at when it is borrowed.
 */
static void frames_across_blocks_keep_their_text(void **state)
{
    static struct lt_sink sink;
    enum { FRAMES = 30000 };
    struct lt_buf buf;
    struct lt_reader *reader = NULL;
    const struct lt_frame *frame;
    (void)state;
    lt_buf_init(&buf, 0);
    lt_sink_init_buf(&sink, &buf);
    for (unsigned i = 0; i < FRAMES; i++) {
        struct lt_frame made = {.time_ns = INT64_C(1436509052000000000) + (int64_t)i * 1000000,
                                .id = i & 0x7FF,
                                .len = (uint8_t)(i % 9),
                                .data = {(uint8_t)i, (uint8_t)(i >> 8)}};
        lt_frame_write_log(&sink, &made, i % 3 ? "can0" : "vcan10", 6);
    }
    assert_true(lt_sink_flush(&sink));
    assert_int_equal(lt_reader_open_memory(&reader, "m", buf.at, buf.len, 0, NULL, NULL), LT_OK);
    unsigned i = 0;
    for (; (frame = lt_reader_next(reader)) != NULL; i++) {
        char text[40];
        int len = snprintf(text, sizeof text, "%u.%06u", 1436509052 + i / 1000, i % 1000 * 1000);
        assert_int_equal(frame->time_len, len);
        assert_memory_equal(frame->time_text, text, (size_t)len);
        assert_int_equal(frame->id, i & 0x7FF);
        assert_int_equal(frame->len, i % 9);
        assert_true(frame->len < 1 || frame->data[0] == (i & 255));
        assert_int_equal(frame->number, i + 1);
        assert_string_equal(lt_reader_bus_name(reader, frame->bus), i % 3 ? "can0" : "vcan10");
    }
    assert_int_equal(i, FRAMES);
    lt_reader_free(reader);
    lt_buf_release(&buf);
}

/* Recordings that no one here made, where they are. What is known of them stands beside them. */
static void real_recordings_are_read_whole(void **state)
{
    static const struct {
        const char *name;
        size_t buses;
        bool interleaved;
    } files[] = {
        {"tractor-j1939/highRPM1.log", 1, false},
        {"tractor-j1939/noFuse1.log", 1, false},
        {"ev-diagnostics/polled-17min.log", 1, false},
        {"ev-diagnostics/two-buses-no-key.log", 2, true},
    };
    const char *source = getenv("LOOMTAP_SOURCE");
    size_t found = 0;
    (void)state;
    for (size_t i = 0; source && i < COUNT_OF(files); i++) {
        char path[4096];
        struct lt_reader *reader = NULL;
        snprintf(path, sizeof path, "%s/../shared/captures/%s", source, files[i].name);
        if (access(path, R_OK) != 0)
            continue;
        found++;
        assert_int_equal(lt_reader_open(&reader, path, NULL, NULL), LT_OK);
        const struct lt_reader_counts *counts = read_all(reader);
        assert_int_equal(counts->malformed, 0);
        assert_int_equal(counts->frames, counts->lines);
        assert_int_equal(lt_reader_bus_count(reader), files[i].buses);
        assert_false(counts->looks_like_differences);
        lt_reader_free(reader);
    }
    if (found == 0)
        skip();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_no_capture_is_refused_with_what_it_seems_to_be),
        cmocka_unit_test(an_empty_input_is_a_capture_without_frames),
        cmocka_unit_test(a_capture_with_nothing_but_damaged_lines_is_still_read),
        cmocka_unit_test(lines_that_need_not_be_frames_are_counted_by_kind),
        cmocka_unit_test(binary_bytes_in_a_frame_line_are_named),
        cmocka_unit_test(a_last_line_without_line_break_is_read_and_said),
        cmocka_unit_test(long_lines_are_skipped_to_their_end_and_counted_once),
        cmocka_unit_test(a_line_of_just_the_limit_is_read),
        cmocka_unit_test(backward_steps_are_counted_on_each_bus_alone),
        cmocka_unit_test(differences_are_suspected_and_added_up_on_request),
        cmocka_unit_test(lines_of_the_other_form_are_read_and_counted_as_odd),
        cmocka_unit_test(strict_reading_ends_at_the_first_malformed_line),
        cmocka_unit_test(more_buses_than_the_ceiling_are_refused_line_by_line),
        cmocka_unit_test(names_keep_their_number_when_buses_alternate),
        cmocka_unit_test(a_mark_of_utf8_at_the_start_is_skipped),
        cmocka_unit_test(several_files_are_one_stream_with_one_list_of_buses),
        cmocka_unit_test(a_missing_file_is_said_before_the_first_is_read),
        cmocka_unit_test(a_second_file_that_is_no_capture_ends_the_reading),
        cmocka_unit_test(standard_input_is_read_as_it_comes),
        cmocka_unit_test(frames_across_blocks_keep_their_text),
        cmocka_unit_test(real_recordings_are_read_whole),
    };
    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
