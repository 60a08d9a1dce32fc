/* Sinks: buffering, failing writes, CSV and JSON cells, files that appear only when whole. */
#include "unit.h"

#include <errno.h>
#include <math.h>
#include <unistd.h>

#include "loomtap/base/sink.h"

static struct lt_sink sink;
static struct lt_file_sink file;
static struct lt_buf out;

static int fresh(void **state)
{
    (void)state;
    lt_buf_init(&out, 0);
    lt_sink_init_buf(&sink, &out);
    return 0;
}

static int done(void **state)
{
    (void)state;
    lt_buf_release(&out);
    return 0;
}

static void long_and_short_writes_keep_their_order(void **state)
{
    char big[LT_SINK_BUFFER + 10];
    (void)state;
    memset(big, 'x', sizeof big);
    lt_sink_string(&sink, "a");
    lt_sink_put(&sink, big, sizeof big);
    lt_sink_format(&sink, "%0*d", 2000, 7);
    assert_true(lt_sink_flush(&sink));
    assert_int_equal(out.len, 1 + sizeof big + 2000);
    assert_int_equal(out.at[0], 'a');
    assert_int_equal(out.at[1 + sizeof big], '0');
    assert_int_equal(out.at[out.len - 1], '7');
}

static bool write_nothing(void *context, const char *bytes, size_t len)
{
    (void)bytes;
    (void)len;
    ++*(int *)context;
    errno = ENOSPC;
    return false;
}

static void a_failing_write_is_tried_once_and_remembered(void **state)
{
    int calls = 0;
    (void)state;
    lt_sink_init(&sink, write_nothing, &calls);
    lt_sink_string(&sink, "x");
    assert_false(lt_sink_flush(&sink));
    lt_sink_string(&sink, "y");
    assert_false(lt_sink_flush(&sink));
    assert_int_equal(calls, 1);
    assert_int_equal(sink.failed_errno, ENOSPC);
}

/* RFC 4180, section 2, points 5 to 7. */
static void csv_cells_are_quoted_where_rfc_4180_says(void **state)
{
    (void)state;
    lt_sink_csv(&sink, LT_TEXT("plain text"));
    lt_sink_char(&sink, ';');
    lt_sink_csv(&sink, LT_TEXT("a,b"));
    lt_sink_char(&sink, ';');
    lt_sink_csv(&sink, LT_TEXT("say \"x\""));
    lt_sink_flush(&sink);
    assert_string_equal(out.at, "plain text;\"a,b\";\"say \"\"x\"\"\"");
}

/* RFC 8259, sections 2, 6 and 7; bytes that are not UTF-8 become U+FFFD. */
static void json_as_rfc_8259_has_it(void **state)
{
    struct lt_json json;
    (void)state;
    lt_json_init(&json, &sink);
    lt_json_open(&json, NULL, '{');
    lt_json_string(&json, "a", "q\"\\\n\x01\xFF\xC2\xB0");
    lt_json_open(&json, "list", '[');
    lt_json_u64(&json, NULL, UINT64_MAX);
    lt_json_f64(&json, NULL, NAN);
    lt_json_f64(&json, NULL, 0.1);
    lt_json_bool(&json, NULL, true);
    lt_json_close(&json, ']');
    lt_json_string(&json, "n", NULL);
    lt_json_close(&json, '}');
    lt_sink_flush(&sink);
    assert_string_equal(out.at, "{\"a\":\"q\\\"\\\\\\n\\u0001\xEF\xBF\xBD\xC2\xB0\",\"list\":"
                                "[18446744073709551615,null,0.1,true],\"n\":null}");
}

static void read_whole(const char *path, char *text, size_t size)
{
    FILE *f = fopen(path, "r");
    text[0] = 0;
    if (!f)
        return;
    text[fread(text, 1, size - 1, f)] = 0;
    fclose(f);
}

static void an_aborted_file_leaves_the_old_one(void **state)
{
    char folder[] = "/tmp/loomtap-sink-XXXXXX", path[64], text[64];
    (void)state;
    assert_non_null(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/out", folder);
    assert_int_equal(lt_file_sink_open(&file, path, NULL), LT_OK);
    lt_sink_string(&file.sink, "first");
    assert_int_equal(lt_file_sink_commit(&file, NULL), LT_OK);
    assert_int_equal(lt_file_sink_open(&file, path, NULL), LT_OK);
    lt_sink_string(&file.sink, "second");
    lt_sink_flush(&file.sink);
    lt_file_sink_abort(&file);
    read_whole(path, text, sizeof text);
    assert_string_equal(text, "first");
    unlink(path);
    assert_int_equal(rmdir(folder), 0); /* nothing left beside it */
}

static void a_folder_that_is_not_there_is_named(void **state)
{
    struct lt_error error;
    (void)state;
    assert_int_equal(lt_file_sink_open(&file, "/nonexistent/x", &error), LT_E_IO);
    assert_non_null(strstr(error.text, "/nonexistent/x"));
}

static void a_full_disk_is_reported(void **state)
{
    struct lt_error error;
    (void)state;
    assert_int_equal(lt_file_sink_open(&file, "/dev/full", &error), LT_OK);
    lt_sink_string(&file.sink, "x");
    assert_int_equal(lt_file_sink_commit(&file, &error), LT_E_IO);
    assert_non_null(strstr(error.text, "No space left"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(long_and_short_writes_keep_their_order, fresh, done),
        cmocka_unit_test(a_failing_write_is_tried_once_and_remembered),
        cmocka_unit_test_setup_teardown(csv_cells_are_quoted_where_rfc_4180_says, fresh, done),
        cmocka_unit_test_setup_teardown(json_as_rfc_8259_has_it, fresh, done),
        cmocka_unit_test(an_aborted_file_leaves_the_old_one),
        cmocka_unit_test(a_folder_that_is_not_there_is_named),
        cmocka_unit_test(a_full_disk_is_reported),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
