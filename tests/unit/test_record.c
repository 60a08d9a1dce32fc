/* Recordings that grow: readable after every flush in every form, never written over, in parts by
 * time and size, with a sheet that parts and counts can be checked against. */
#include "folder.h"

#include <sys/stat.h>
#include <unistd.h>

#include "loomtap/capture/reader.h"
#include "loomtap/live/record.h"

#define SECOND INT64_C(1000000000)

static struct lt_record *open_record(const char *name, const struct lt_record_options *options)
{
    struct lt_record *record = NULL;
    struct lt_error error;
    if (lt_record_open(&record, path_of(name), options, &error) != LT_OK)
        fail_msg("%s", error.text);
    return record;
}

static void put(struct lt_record *record, unsigned number)
{
    struct lt_frame frame = {
        .time_ns = number * SECOND, .id = 0x100 + number, .len = 1, .raw_dlc = 1};
    assert_true(lt_record_put(record, &frame, "can0"));
}

/* How many frames can be read, whether or not the file ends early. */
static unsigned readable(const char *name)
{
    struct lt_reader *reader = NULL;
    struct lt_error error;
    unsigned count = 0;
    if (lt_reader_open(&reader, path_of(name), NULL, &error) != LT_OK)
        return 0;
    for (const struct lt_frame *frame; (frame = lt_reader_next(reader)) != NULL; count++)
        assert_int_equal(frame->id, 0x100 + count);
    lt_reader_free(reader);
    return count;
}

static void what_was_flushed_can_be_read_while_it_grows(void **state)
{
    static const char *const names[] = {"x.log",        "x.log.gz",  "x.log.zst", "x.csv",
                                        "x.pcapng.zst", "x.pcap.gz", "x.pcapng"};
    (void)state;
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        struct lt_record_options options = {0};
        struct lt_record *record = open_record(names[i], &options);
        assert_true(lt_record_tick(record, 0));
        for (unsigned number = 0; number < 5; number++)
            put(record, number);
        assert_true(lt_record_tick(record, SECOND - 1));
        assert_int_equal(readable(names[i]), 0); /* not yet a second */
        assert_true(lt_record_tick(record, SECOND));
        assert_int_equal(readable(names[i]), 5);
        put(record, 5);
        assert_true(lt_record_tick(record, 2 * SECOND));
        assert_int_equal(readable(names[i]), 6);
        assert_int_equal(lt_record_end(record, NULL), LT_OK);
        assert_int_equal(readable(names[i]), 6);
        lt_record_free(record);
        unlink(path_of(names[i]));
    }
}

static void a_recording_is_never_written_over(void **state)
{
    struct lt_record_options options = {0};
    struct lt_record *record = open_record("x.log", &options), *second = NULL;
    struct lt_error error;
    (void)state;
    put(record, 0);
    assert_int_equal(lt_record_open(&second, path_of("x.log"), &options, &error), LT_E_IO);
    assert_non_null(strstr(error.advice, "another name"));
    lt_record_free(record);
    assert_int_equal(readable("x.log"), 1);
    unlink(path_of("x.log"));
}

static void check_parts(struct lt_record *record, const char *const *names, const unsigned *frames,
                        size_t count)
{
    assert_int_equal(lt_record_file_count(record), count);
    for (size_t i = 0; i < count; i++) {
        const struct lt_record_file *file = lt_record_file(record, i);
        struct stat status;
        assert_string_equal(file->path, path_of(names[i]));
        assert_int_equal(file->frames, frames[i]);
        assert_int_equal(stat(file->path, &status), 0);
        assert_int_equal(file->bytes, status.st_size);
        unlink(file->path);
    }
}

static void parts_are_numbered_and_a_quiet_bus_makes_none(void **state)
{
    static const char *const names[] = {"a.b-001.log.gz", "a.b-002.log.gz"};
    struct lt_record_options options = {.split_ns = 10 * SECOND};
    struct lt_record *record = open_record("a.b.log.gz", &options);
    (void)state;
    for (unsigned second = 0; second < 60; second++) {
        if (second < 3 || second == 40)
            put(record, second);
        assert_true(lt_record_tick(record, second * SECOND));
    }
    assert_int_equal(lt_record_end(record, NULL), LT_OK);
    check_parts(record, names, (const unsigned[]){3, 1}, 2);
    lt_record_free(record);
}

static void parts_end_at_their_size(void **state)
{
    static const char *const names[] = {"x-001.log", "x-002.log"};
    static const unsigned frames[] = {4, 1};
    struct lt_record_options options = {.split_bytes = 100};
    struct lt_record *record = open_record("x.log", &options);
    (void)state;
    for (unsigned number = 0; number < 4; number++)
        put(record, number); /* 26 bytes each: (0.000000) can0 100#00 */
    assert_true(lt_record_tick(record, 0));
    assert_true(lt_record_tick(record, SECOND));
    put(record, 4);
    assert_int_equal(lt_record_end(record, NULL), LT_OK);
    check_parts(record, names, frames, 2);
    lt_record_free(record);
}

static void a_full_disk_ends_it_and_says_so(void **state)
{
    struct lt_record *record = NULL;
    struct lt_record_options options = {.writing.form = "log"};
    struct lt_error error;
    (void)state;
    assert_int_equal(lt_record_open(&record, "/dev/full", &options, &error), LT_OK);
    put(record, 0);
    assert_true(lt_record_tick(record, 0));
    assert_false(lt_record_tick(record, SECOND));
    struct lt_frame frame = {.id = 1};
    assert_false(lt_record_put(record, &frame, "can0"));
    assert_int_equal(lt_record_end(record, &error), LT_E_IO);
    assert_non_null(strstr(error.text, "No space left"));
    lt_record_free(record);
}

static void marks_are_on_the_disk_at_once(void **state)
{
    struct lt_marks_file *marks = NULL;
    struct lt_error error;
    char text[200] = "";
    (void)state;
    assert_int_equal(lt_marks_open(&marks, path_of("marks.csv"), &error), LT_OK);
    assert_true(lt_marks_put(marks, INT64_C(1700000000123456789), "sport"));
    assert_true(lt_marks_put(marks, INT64_C(1700000001000000000), "say \"cheese\", please"));
    FILE *file = fopen(path_of("marks.csv"), "r");
    assert_non_null(file);
    text[fread(text, 1, sizeof text - 1, file)] = '\0';
    fclose(file);
    assert_string_equal(text, "time_s,label\n1700000000.123456,sport\n"
                              "1700000001.000000,\"say \"\"cheese\"\", please\"\n");
    lt_marks_free(marks);
    unlink(path_of("marks.csv"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_was_flushed_can_be_read_while_it_grows),
        cmocka_unit_test(a_recording_is_never_written_over),
        cmocka_unit_test(parts_are_numbered_and_a_quiet_bus_makes_none),
        cmocka_unit_test(parts_end_at_their_size),
        cmocka_unit_test(a_full_disk_ends_it_and_says_so),
        cmocka_unit_test(marks_are_on_the_disk_at_once),
    };
    return cmocka_run_group_tests(tests, make_folder, drop_folder);
}
