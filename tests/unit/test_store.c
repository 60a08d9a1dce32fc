/* The database of decoded captures: what is put in comes out, exactly; an old file is never harmed.
 */
#include "unit.h"

#include <dirent.h>
#include <fcntl.h>
#include <signal.h>
#include <sqlite3.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

#include "loomtap/core/frame.h"
#include "loomtap/store/store.h"
#include "sketch.h"

#define S_NS INT64_C(1000000000)

struct place {
    char folder[64], path[100];
    struct sketch *sketch;
    sqlite3 *db; /* opened by ask() */
};

static int begin(void **state)
{
    struct place *place = calloc(1, sizeof *place);
    const char *base = "/tmp/loomtap-store-XXXXXX";
    place->sketch = calloc(1, sizeof *place->sketch);
    memcpy(place->folder, base, strlen(base) + 1);
    assert_non_null(mkdtemp(place->folder));
    snprintf(place->path, sizeof place->path, "%s/x.db", place->folder);

    struct sketch *s = place->sketch;
    static const struct lt_label modes[] = {{0, "comfort", {0}}, {1, "sport", {0}}};
    static const struct lt_raw_range code = {0xFFFF, 0xFFFF};
    sketch_begin(s);
    uint32_t bus = sketch_bus(s, "powertrain");
    sketch_frame(s, "engine_a", bus, 0x0C4, 8)->period_ns = S_NS / 100;
    struct lt_signal_def *speed =
        sketch_signal(s, "engine_speed", "0.7..1.0", LT_UNSIGNED, "0.25", "0");
    speed->unit = speed->role_unit = "rpm";
    speed->role_name = "engine_speed";
    speed->role = lt_role_find(LT_TEXT("engine_speed"));
    speed->role_factor = speed->stoich = (struct lt_ratio){1, 1};
    speed->role_offset = (struct lt_ratio){0, 1};
    speed->unavailable = &code;
    speed->unavailable_count = 1;
    struct lt_signal_def *mode = sketch_signal(s, "drive_mode", "3.6..3.4", LT_UNSIGNED, "1", "0");
    mode->role_name = "drive_mode";
    mode->role = lt_role_find(LT_TEXT("drive_mode"));
    mode->role_unit = "";
    mode->role_factor = (struct lt_ratio){1, 1};
    mode->role_offset = (struct lt_ratio){0, 1};
    mode->labels = modes;
    mode->label_count = 2;
    sketch_frame(s, "wide_b", bus, 0x18FF0001, 8);
    sketch_signal(s, "odometer", "7.7..0.0", LT_UNSIGNED, "1", "0");
    sketch_signal(s, "ratio", "7.7..0.0", LT_FLOAT, "1", "0");
    s->profile.name = "tarn-test";
    memset(s->profile.hash, 'a', 64);
    *state = place;
    return 0;
}

static int end(void **state)
{
    struct place *place = *state;
    DIR *folder = opendir(place->folder);
    struct dirent *entry;
    char name[400];
    sqlite3_close(place->db);
    while (folder && (entry = readdir(folder)) != NULL) {
        snprintf(name, sizeof name, "%s/%s", place->folder, entry->d_name);
        unlink(name);
    }
    closedir(folder);
    rmdir(place->folder);
    free(place->sketch);
    free(place);
    return 0;
}

/* How many files the folder holds: nothing may be left lying about. */
static unsigned files_in(const struct place *place)
{
    DIR *folder = opendir(place->folder);
    struct dirent *entry;
    unsigned count = 0;
    while ((entry = readdir(folder)) != NULL)
        count += entry->d_name[0] != '.';
    closedir(folder);
    return count;
}

static const char *ask(struct place *place, const char *query)
{
    static char text[2000];
    sqlite3_stmt *statement = NULL;
    size_t at = 0;
    if (!place->db)
        assert_int_equal(sqlite3_open_v2(place->path, &place->db, SQLITE_OPEN_READWRITE, NULL),
                         SQLITE_OK);
    if (sqlite3_prepare_v2(place->db, query, -1, &statement, NULL) != SQLITE_OK) {
        print_message("%s: %s\n", query, sqlite3_errmsg(place->db));
        fail();
    }
    text[0] = 0;
    while (sqlite3_step(statement) == SQLITE_ROW) {
        at += lt_text_format(text + at, sizeof text - at, at ? "\n" : "");
        for (int i = 0; i < sqlite3_column_count(statement); i++) {
            const char *cell = (const char *)sqlite3_column_text(statement, i);
            at += lt_text_format(text + at, sizeof text - at, "%s%s", i ? "|" : "",
                                 cell ? cell : "NULL");
        }
    }
    sqlite3_finalize(statement);
    return text;
}

static void forget_answers(struct place *place)
{
    sqlite3_close(place->db);
    place->db = NULL;
}

static struct lt_store *open_good(struct place *place)
{
    struct lt_store *store = NULL;
    struct lt_error error;
    if (lt_store_open(&store, place->path, &error) != LT_OK) {
        print_message("%s\n", error.text);
        fail();
    }
    return store;
}

static struct lt_store_series *series_of(struct place *place, struct lt_store *store,
                                         uint32_t signal, const char *frame)
{
    struct lt_store_source source = {&place->sketch->profile, signal, "can0", frame, S_NS / 2};
    struct lt_store_series *series = NULL;
    assert_int_equal(lt_store_series(store, &source, &series, NULL), LT_OK);
    return series;
}

static enum lt_code commit(struct place *place, struct lt_store *store, const char *fingerprint,
                           struct lt_store_result *result, struct lt_error *error)
{
    struct lt_store_profile profile = {&place->sketch->profile, LT_TEXT("[profile]\n")};
    struct lt_store_bus bus = {"can0", "powertrain", 12};
    struct lt_store_unknown unknown = {"can0", 0x123, false, false, 8, 4, S_NS, 2 * S_NS};
    struct lt_store_message message = {"malformed", "x.log:3:1", "no frame in this line", 2};
    struct lt_store_capture capture = {.file = "x.log",
                                       .fingerprint = fingerprint,
                                       .selection = "",
                                       .form = "candump log",
                                       .frames = 12,
                                       .malformed = 2,
                                       .first_ns = S_NS,
                                       .last_ns = 3 * S_NS,
                                       .complete = true,
                                       .profiles = &profile,
                                       .profile_count = 1,
                                       .buses = &bus,
                                       .bus_count = 1,
                                       .unknown = &unknown,
                                       .unknown_count = 1,
                                       .messages = &message,
                                       .message_count = 1};
    return lt_store_commit(store, &capture, result, error);
}

/* One capture with a few values of each kind. */
static struct lt_store_result put_drive(struct place *place, const char *fingerprint)
{
    struct lt_store *store = open_good(place);
    struct lt_store_series *speed = series_of(place, store, 0, "engine_a");
    struct lt_store_series *mode = series_of(place, store, 1, "engine_a");
    struct lt_store_result result;
    assert_true(lt_store_add(speed, S_NS, 6904, LT_STORE_GOOD));
    assert_true(lt_store_add(speed, S_NS + 1, 6906, LT_STORE_SUSPECT));
    assert_true(lt_store_add(speed, 2 * S_NS, 0xFFFF, LT_STORE_UNAVAILABLE));
    assert_true(lt_store_add(speed, 3 * S_NS, 0xFFFE, LT_STORE_ERROR));
    assert_true(lt_store_add(mode, S_NS + 5, 1, LT_STORE_GOOD));
    assert_int_equal(commit(place, store, fingerprint, &result, NULL), LT_OK);
    lt_store_free(store);
    return result;
}

static void what_is_put_in_comes_out(void **state)
{
    struct place *place = *state;
    struct lt_store_result result = put_drive(place, "f1");
    assert_true(result.created);
    assert_int_equal(result.capture, 1);
    assert_int_equal(result.same_frames, 0);
    assert_int_equal(result.value_count, 5);
    assert_int_equal(files_in(place), 1);
    assert_string_equal(ask(place, "PRAGMA user_version"), "1");
    assert_string_equal(ask(place, "PRAGMA application_id"), "1280590160"); /* "LTAP" */
    assert_string_equal(ask(place, "PRAGMA integrity_check"), "ok");
    assert_string_equal(ask(place, "PRAGMA foreign_key_check"), "");
    assert_string_equal(
        ask(place, "SELECT time_ns, time_s, bus, frame, signal, value, value_text, unit, label,"
                   " state, raw FROM v_values ORDER BY time_ns"),
        "1000000000|1.000000000|can0|engine_a|engine_speed|1726.0|1726.00|rpm|NULL|good|6904\n"
        "1000000001|1.000000001|can0|engine_a|engine_speed|1726.5|1726.50|rpm|NULL|suspect|6906\n"
        "1000000005|1.000000005|can0|engine_a|drive_mode|1.0|1||sport|good|1\n"
        "2000000000|2.000000000|can0|engine_a|engine_speed|NULL|NULL|rpm|NULL|unavailable|65535\n"
        "3000000000|3.000000000|can0|engine_a|engine_speed|NULL|NULL|rpm|NULL|error|65534");
    assert_string_equal(
        ask(place, "SELECT file, fingerprint, form, frames, malformed, first_ns, last_ns, complete"
                   " FROM capture"),
        "x.log|f1|candump log|12|2|1000000000|3000000000|1");
    assert_string_equal(ask(place, "SELECT count, good, suspect, unavailable, error FROM series"),
                        "4|1|1|1|1\n1|1|0|0|0");
    assert_string_equal(ask(place, "SELECT * FROM bus"), "1|can0|powertrain|12");
    assert_string_equal(ask(place, "SELECT * FROM unknown"),
                        "1|can0|291|0|0|8|4|1000000000|2000000000");
    assert_string_equal(ask(place, "SELECT * FROM message"),
                        "1|1|malformed|x.log:3:1|no frame in this line|2");
}

static void definitions_are_kept_with_their_exact_law(void **state)
{
    struct place *place = *state;
    put_drive(place, "f1");
    assert_string_equal(ask(place, "SELECT kind, name, bus, can_id, extended, length, period_ns"
                                   " FROM frame"),
                        "frame|engine_a|powertrain|196|0|8|10000000\n"
                        "frame|wide_b|powertrain|419364865|1|8|NULL");
    assert_string_equal(
        ask(place, "SELECT name, unit, role, bits, byte_order, sign, length, form, factor, addend,"
                   " divisor, decimals FROM signal WHERE id < 3"),
        "engine_speed|rpm|engine_speed|0.7..1.0|motorola|unsigned|16|linear|25|0|100|2\n"
        "drive_mode||drive_mode|3.6..3.4|none|unsigned|3|linear|1|0|1|0");
    assert_string_equal(ask(place, "SELECT raw, name FROM label"), "0|comfort\n1|sport");
    assert_string_equal(ask(place, "SELECT name, hash, text FROM profile"),
                        "tarn-test|"
                        "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa|[profile]"
                        "\n");
}

/* SQLite's integers are 64 bits with sign, so the bit pattern is kept and its sign is documented.
 */
static void raws_of_64_bits_keep_every_bit(void **state)
{
    static const uint64_t raws[] = {
        0, 1, UINT64_C(9007199254740993), INT64_MAX, (uint64_t)INT64_MAX + 1, UINT64_MAX};
    struct place *place = *state;
    struct lt_store *store = open_good(place);
    struct lt_store_series *series = series_of(place, store, 2, "wide_b");
    struct lt_store_result result;
    for (size_t i = 0; i < COUNT_OF(raws); i++)
        assert_true(lt_store_add(series, S_NS + (int64_t)i, raws[i], LT_STORE_GOOD));
    assert_int_equal(commit(place, store, "f", &result, NULL), LT_OK);
    lt_store_free(store);
    assert_string_equal(ask(place, "SELECT raw FROM value"),
                        "0\n1\n9007199254740993\n9223372036854775807\n-9223372036854775808\n-1");
    assert_string_equal(ask(place, "SELECT value_text FROM v_values WHERE raw > 1"),
                        "9007199254740993\n9223372036854775807");
    assert_string_equal(ask(place, "SELECT value = 65536.0 * 65536 * 65536 * 65536, value_text"
                                   " FROM v_values WHERE raw = -1"),
                        "1|NULL"); /* 2^64 is the nearest double of 2^64 - 1 */
}

static void floats_that_are_no_numbers_have_no_value(void **state)
{
    struct place *place = *state;
    struct lt_store *store = open_good(place);
    struct lt_store_series *series = series_of(place, store, 3, "wide_b");
    struct lt_store_result result;
    assert_true(lt_store_add(series, 1, UINT64_C(0x7FF8000000000000), LT_STORE_GOOD)); /* NaN */
    assert_true(lt_store_add(series, 2, UINT64_C(0xFFF0000000000000), LT_STORE_GOOD)); /* -inf */
    assert_true(lt_store_add(series, 3, UINT64_C(0x3FB999999999999A), LT_STORE_GOOD)); /* 0.1 */
    assert_int_equal(commit(place, store, "f", &result, NULL), LT_OK);
    lt_store_free(store);
    assert_string_equal(ask(place, "SELECT value, value_text, state FROM v_values"),
                        "NULL|NULL|good\n-Inf|-Inf|good\n0.1|0.1|good");
}

static void equal_times_and_a_clock_set_back_lose_nothing(void **state)
{
    static const int64_t times[] = {5, 5, 7, 3, 5, 3, 8, LT_NO_TIME, LT_NO_TIME};
    struct place *place = *state;
    struct lt_store *store = open_good(place);
    struct lt_store_series *series = series_of(place, store, 0, "engine_a");
    struct lt_store_result result;
    for (size_t i = 0; i < COUNT_OF(times); i++)
        assert_true(lt_store_add(series, times[i], i, LT_STORE_GOOD));
    assert_int_equal(commit(place, store, "f", &result, NULL), LT_OK);
    lt_store_free(store);
    assert_int_equal(result.value_count, COUNT_OF(times));
    /* In order of time, and of arrival where the time is the same. */
    assert_string_equal(ask(place, "SELECT raw FROM value ORDER BY time_ns, n"),
                        "7\n8\n3\n5\n0\n1\n4\n2\n6");
    assert_string_equal(ask(place, "SELECT time_s, since_start_s FROM v_values WHERE raw = 7"),
                        "NULL|NULL");
    assert_string_equal(ask(place, "SELECT first_ns, last_ns FROM series"), "3|8");
}

/* More than memory holds of a series: its blocks go to the scratch file and come back in order. */
static void long_series_in_turn_keep_their_order(void **state)
{
    enum { SERIES = 3, EACH = 5003 };
    struct place *place = *state;
    struct lt_store *store = open_good(place);
    struct lt_store_series *series[SERIES];
    struct lt_store_result result;
    char text[100];
    for (uint32_t i = 0; i < SERIES; i++)
        series[i] = series_of(place, store, i, "x");
    series_of(place, store, 3, "never");
    for (uint64_t n = 0; n < EACH; n++)
        for (uint64_t i = 0; i < SERIES; i++)
            if (i != 1 || n % 7 == 0)
                assert_true(lt_store_add(series[i], (int64_t)(n * 10 + i), n, n % 4));
    assert_int_equal(files_in(place), 1); /* the new database; the scratch file has no name */
    assert_int_equal(commit(place, store, "f", &result, NULL), LT_OK);
    lt_store_free(store);
    assert_int_equal(result.value_count, 2 * EACH + 715);
    snprintf(text, sizeof text, "1|%d\n2|715\n3|%d", EACH, EACH);
    assert_string_equal(ask(place, "SELECT series, count(*) FROM value GROUP BY 1"), text);
    assert_string_equal(
        ask(place, "SELECT count(*) FROM value WHERE time_ns <> raw * 10 + series - 1 OR n <> 0"
                   " OR state <> raw % 4"),
        "0");
    assert_string_equal(ask(place, "SELECT min(raw), max(raw), sum(raw) FROM value WHERE series=3"),
                        "0|5002|12512503"); /* 5002 * 5003 / 2 */
}

static void a_second_capture_is_added(void **state)
{
    struct place *place = *state;
    put_drive(place, "f1");
    struct lt_store_result result = put_drive(place, "f2");
    assert_false(result.created);
    assert_int_equal(result.capture, 2);
    assert_int_equal(files_in(place), 1);
    assert_string_equal(ask(place, "SELECT count(*) FROM profile"), "1");
    assert_string_equal(ask(place, "SELECT count(*) FROM signal"), "4");
    assert_string_equal(ask(place, "SELECT capture, count(*) FROM v_values GROUP BY 1"),
                        "1|5\n2|5");
    forget_answers(place);
    memset(place->sketch->profile.hash, 'b', 64); /* another profile, the same frames */
    result = put_drive(place, "f1");
    assert_int_equal(result.capture, 3);
    assert_int_equal(result.same_frames, 1);
    assert_string_equal(ask(place, "SELECT count(*) FROM profile"), "2");
    assert_string_equal(ask(place, "SELECT DISTINCT g.profile FROM series s JOIN signal g ON"
                                   " g.id = s.signal WHERE s.capture = 3"),
                        "2");
    assert_string_equal(ask(place, "SELECT count(*) FROM role_engine_speed"), "3");
    assert_string_equal(ask(place, "PRAGMA integrity_check"), "ok");
}

static size_t read_file(const char *path, char *ret_bytes, size_t room)
{
    FILE *file = fopen(path, "rb");
    assert_non_null(file);
    size_t len = fread(ret_bytes, 1, room, file);
    fclose(file);
    return len;
}

static void write_file(const char *path, const void *bytes, size_t len)
{
    FILE *file = fopen(path, "wb");
    assert_non_null(file);
    assert_int_equal(fwrite(bytes, 1, len, file), len);
    assert_int_equal(fclose(file), 0);
}

#define FILE_ROOM (1 << 20)

static void the_same_capture_twice_is_refused(void **state)
{
    struct place *place = *state;
    char *before = malloc(FILE_ROOM), *after = malloc(FILE_ROOM);
    struct lt_store_result result = {.capture = 77};
    struct lt_error error;
    put_drive(place, "f1");
    size_t len = read_file(place->path, before, FILE_ROOM);
    struct lt_store *store = open_good(place);
    lt_store_add(series_of(place, store, 0, "engine_a"), 1, 1, LT_STORE_GOOD);
    assert_int_equal(commit(place, store, "f1", &result, &error), LT_E_DUPLICATE);
    lt_store_free(store);
    assert_non_null(strstr(error.text, "capture 1"));
    assert_int_equal(result.capture, 77);
    assert_int_equal(read_file(place->path, after, FILE_ROOM), len);
    assert_memory_equal(before, after, len);
    free(before);
    free(after);
}

static void without_commit_nothing_is_there(void **state)
{
    struct place *place = *state;
    struct lt_store *store = open_good(place);
    struct lt_store_series *series = series_of(place, store, 0, "engine_a");
    for (int i = 0; i < 1000; i++)
        assert_true(lt_store_add(series, i, 1, LT_STORE_GOOD));
    lt_store_free(store);
    assert_int_equal(files_in(place), 0);
    lt_store_free(NULL);
}

static void roles_have_views_of_good_values(void **state)
{
    struct place *place = *state;
    put_drive(place, "f1");
    assert_string_equal(ask(place, "SELECT capture, time_ns, since_start_s, value, label, unit,"
                                   " signal, frame, bus FROM role_engine_speed"),
                        "1|1000000000|0.0|1726.0|NULL|rpm|engine_speed|engine_a|can0");
    assert_string_equal(ask(place, "SELECT value, label FROM role_drive_mode"), "1.0|sport");
    assert_string_equal(ask(place, "SELECT name FROM sqlite_master WHERE type = 'view'"
                                   " ORDER BY name"),
                        "role_drive_mode\nrole_engine_speed\nv_series\nv_values\nv_wide");
}

/* Held for half a second (the source's age), passed over while suspect, emptied by a code. */
static void the_wide_view_holds_the_last_value(void **state)
{
    struct place *place = *state;
    put_drive(place, "f1");
    assert_string_equal(ask(place, "SELECT count(*), min(time_ns), max(time_ns) FROM v_wide"),
                        "21|1000000000|3000000000");
    assert_string_equal(ask(place, "SELECT since_start_s, engine_speed, drive_mode FROM v_wide"
                                   " WHERE engine_speed IS NOT NULL OR drive_mode IS NOT NULL"),
                        "0.0|1726.0|NULL\n0.1|1726.0|sport\n0.2|1726.0|sport\n0.3|1726.0|sport\n"
                        "0.4|1726.0|sport\n0.5|1726.0|sport");
}

static void expect_refused(struct place *place, const char *path, const char *says)
{
    struct lt_store *store = (struct lt_store *)place;
    struct lt_error error;
    assert_int_equal(lt_store_open(&store, path, &error), LT_E_CONFLICT);
    assert_ptr_equal(store, place);
    if (!strstr(error.text, says)) {
        print_message("%s: %s\n", path, error.text);
        fail();
    }
    assert_true(error.advice[0] != 0);
}

static void what_is_no_database_of_this_kind_is_refused(void **state)
{
    static const char text[] = "time_s,bus,frame,signal,value,unit,label\n1,can0,a,b,1,,\n"
                               "1,can0,a,b,1,,\n1,can0,a,b,1,,\n1,can0,a,b,1,,\n1,can0,a,b,1,,\n";
    struct place *place = *state;
    char after[sizeof text];
    sqlite3 *db = NULL;
    write_file(place->path, text, sizeof text);
    expect_refused(place, place->path, "no database");
    assert_int_equal(read_file(place->path, after, sizeof after), sizeof text);
    assert_memory_equal(after, text, sizeof text);
    unlink(place->path);

    assert_int_equal(sqlite3_open(place->path, &db), SQLITE_OK);
    sqlite3_exec(db, "CREATE TABLE music (title TEXT)", NULL, NULL, NULL);
    sqlite3_close(db);
    expect_refused(place, place->path, "another program");
    unlink(place->path);

    put_drive(place, "f1");
    assert_int_equal(sqlite3_open(place->path, &db), SQLITE_OK);
    sqlite3_exec(db, "PRAGMA user_version = 2", NULL, NULL, NULL);
    sqlite3_close(db);
    expect_refused(place, place->path, "schema 2");

    expect_refused(place, place->folder, "ordinary file");
    expect_refused(place, "/dev/null", "ordinary file");
    expect_refused(place, "-", "ordinary file");
    expect_refused(place, "", "ordinary file");
}

static void an_empty_file_becomes_a_database(void **state)
{
    struct place *place = *state;
    write_file(place->path, "", 0);
    assert_true(put_drive(place, "f1").created);
    assert_string_equal(ask(place, "SELECT count(*) FROM value"), "5");
}

static void a_file_that_came_meanwhile_is_not_replaced(void **state)
{
    struct place *place = *state;
    struct lt_store *store = open_good(place);
    struct lt_store_result result;
    struct lt_error error;
    char after[10] = "";
    lt_store_add(series_of(place, store, 0, "engine_a"), 1, 1, LT_STORE_GOOD);
    write_file(place->path, "other", 5);
    assert_int_equal(commit(place, store, "f", &result, &error), LT_E_CONFLICT);
    lt_store_free(store);
    assert_int_equal(read_file(place->path, after, sizeof after), 5);
    assert_memory_equal(after, "other", 5);
    assert_int_equal(files_in(place), 1);
}

static void a_database_that_came_meanwhile_is_added_to(void **state)
{
    struct place *place = *state;
    struct lt_store *store = open_good(place);
    struct lt_store_series *series = series_of(place, store, 0, "engine_a");
    struct lt_store_result result;
    for (int i = 0; i < 500; i++)
        lt_store_add(series, i, 1, LT_STORE_GOOD);
    put_drive(place, "f1");
    assert_int_equal(commit(place, store, "f2", &result, NULL), LT_OK);
    lt_store_free(store);
    assert_false(result.created);
    assert_int_equal(result.capture, 2);
    assert_int_equal(result.value_count, 500);
    assert_int_equal(files_in(place), 1);
    assert_string_equal(ask(place, "SELECT capture, count(*) FROM v_values GROUP BY 1"),
                        "1|5\n2|500");
}

static void no_folder_is_an_error_with_advice(void **state)
{
    struct lt_store *store = NULL;
    struct lt_error error;
    (void)state;
    assert_int_equal(lt_store_open(&store, "/nonexistent/folder/x.db", &error), LT_E_IO);
    assert_null(store);
    assert_true(error.advice[0] != 0);
}

/* Every length at which the disk may be full, in coarse steps: an error each time, nothing left,
 * and the file as it was; until it fits. */
static void a_full_disk_is_an_error_and_leaves_the_old_file(void **state)
{
    struct place *place = *state;
    struct rlimit usual, tight;
    char *before = malloc(FILE_ROOM), *after = malloc(FILE_ROOM);
    unsigned refused = 0, written = 0;
    put_drive(place, "f1");
    size_t len = read_file(place->path, before, FILE_ROOM);
    signal(SIGXFSZ, SIG_IGN);
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &usual), 0);
    for (rlim_t limit = 0; !written && limit < FILE_ROOM; limit += 10000) {
        struct lt_store *store = open_good(place);
        struct lt_store_series *series = series_of(place, store, 0, "engine_a");
        struct lt_store_result result;
        struct lt_error error;
        tight = usual;
        tight.rlim_cur = limit;
        setrlimit(RLIMIT_FSIZE, &tight);
        for (int i = 0; i < 5000; i++)
            if (!lt_store_add(series, i, 1, LT_STORE_GOOD))
                break;
        enum lt_code code = commit(place, store, "f2", &result, &error);
        lt_store_free(store);
        setrlimit(RLIMIT_FSIZE, &usual);
        written += code == LT_OK;
        if (code == LT_OK)
            break;
        refused++;
        assert_int_equal(code, LT_E_IO);
        assert_true(error.text[0] && error.advice[0]);
        /* The limit also keeps SQLite from putting the old pages back at once, as a full disk would
         * not: whoever opens the file next does it. */
        assert_string_equal(ask(place, "SELECT count(*) FROM value"), "5");
        forget_answers(place);
        assert_int_equal(files_in(place), 1);
        assert_int_equal(read_file(place->path, after, FILE_ROOM), len);
        assert_memory_equal(before, after, len);
    }
    signal(SIGXFSZ, SIG_DFL);
    assert_true(refused > 3);
    assert_int_equal(written, 1);
    assert_string_equal(ask(place, "PRAGMA integrity_check"), "ok");
    assert_string_equal(ask(place, "SELECT count(*) FROM value"), "5005");
    free(before);
    free(after);
}

/* A database with any of its bytes changed: an error or not, but no crash, and the next one works.
 */
static void damaged_databases_do_no_harm(void **state)
{
    struct place *place = *state;
    char *whole = malloc(FILE_ROOM), *bent = malloc(FILE_ROOM);
    put_drive(place, "f1");
    size_t len = read_file(place->path, whole, FILE_ROOM);
    uint64_t random = 0x9E3779B97F4A7C15u;
    for (int round = 0; round < 60; round++) {
        struct lt_store *store = NULL;
        struct lt_store_result result;
        struct lt_error error;
        memcpy(bent, whole, len);
        for (int i = 0; i < 40; i++) {
            random = random * UINT64_C(6364136223846793005) + 1442695040888963407u;
            bent[(random >> 33) % len] = (char)(random >> 20);
        }
        write_file(place->path, bent, round % 3 ? len : (size_t)(random >> 33) % len);
        if (lt_store_open(&store, place->path, &error) != LT_OK) {
            assert_true(error.text[0] != 0);
            continue;
        }
        lt_store_add(series_of(place, store, 0, "engine_a"), 1, 1, LT_STORE_GOOD);
        if (commit(place, store, "f2", &result, &error) != LT_OK)
            assert_true(error.text[0] != 0);
        lt_store_free(store);
    }
    unlink(place->path);
    put_drive(place, "f1");
    free(whole);
    free(bent);
}

#define IN_A_FOLDER(test) cmocka_unit_test_setup_teardown(test, begin, end)

int main(void)
{
    const struct CMUnitTest tests[] = {
        IN_A_FOLDER(what_is_put_in_comes_out),
        IN_A_FOLDER(definitions_are_kept_with_their_exact_law),
        IN_A_FOLDER(raws_of_64_bits_keep_every_bit),
        IN_A_FOLDER(floats_that_are_no_numbers_have_no_value),
        IN_A_FOLDER(equal_times_and_a_clock_set_back_lose_nothing),
        IN_A_FOLDER(long_series_in_turn_keep_their_order),
        IN_A_FOLDER(a_second_capture_is_added),
        IN_A_FOLDER(the_same_capture_twice_is_refused),
        IN_A_FOLDER(without_commit_nothing_is_there),
        IN_A_FOLDER(roles_have_views_of_good_values),
        IN_A_FOLDER(the_wide_view_holds_the_last_value),
        IN_A_FOLDER(what_is_no_database_of_this_kind_is_refused),
        IN_A_FOLDER(an_empty_file_becomes_a_database),
        IN_A_FOLDER(a_file_that_came_meanwhile_is_not_replaced),
        IN_A_FOLDER(a_database_that_came_meanwhile_is_added_to),
        IN_A_FOLDER(no_folder_is_an_error_with_advice),
        IN_A_FOLDER(a_full_disk_is_an_error_and_leaves_the_old_file),
        IN_A_FOLDER(damaged_databases_do_no_harm),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
