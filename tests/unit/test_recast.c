/* Recasting: the words of its options, order against a sort of all frames, merging, the window's
 * limits, and hiding against messages segmented by the transport layer. */
#include "unit.h"

#include <unistd.h>

#include "loomtap/base/text.h"
#include "loomtap/capture/text.h"
#include "loomtap/proto/isotp.h"
#include "loomtap/recast/recast.h"

#define MS INT64_C(1000000)
#define S  INT64_C(1000000000)

static char folder[] = "/tmp/loomtap-recast-XXXXXX";

static int make_folder(void **state)
{
    (void)state;
    return mkdtemp(folder) ? 0 : -1;
}

static int drop_folder(void **state)
{
    (void)state;
    return rmdir(folder);
}

/* Files of one test: a, b, c ... and the output. */
static char paths[9][100];

static const char *path_of(size_t file)
{
    snprintf(paths[file], sizeof paths[file], "%s/%c.log", folder, (char)('a' + file));
    return paths[file];
}

#define OUTPUT 8

struct entry {
    int64_t time_ns;
    uint32_t id;
};

static void write_frames(size_t file, const struct lt_frame *frames, size_t count)
{
    struct lt_writer *writer = NULL;
    assert_int_equal(lt_writer_open(&writer, path_of(file), NULL, NULL), LT_OK);
    for (size_t i = 0; i < count; i++)
        assert_true(lt_writer_put(writer, &frames[i], "can0"));
    assert_int_equal(lt_writer_commit(writer, NULL), LT_OK);
    lt_writer_free(writer);
}

static void write_entries(size_t file, const struct entry *entries, size_t count)
{
    struct lt_frame *frames = calloc(count, sizeof *frames);
    assert_non_null(frames);
    for (size_t i = 0; i < count; i++) {
        frames[i].time_ns = entries[i].time_ns;
        frames[i].id = entries[i].id;
        frames[i].flags = LT_FRAME_EXTENDED;
    }
    write_frames(file, frames, count);
    free(frames);
}

/* Recasts files 0..files-1 into the output and gives back its frames; counts of the run too. */
static size_t run(size_t files, const struct lt_recast_options *options, struct lt_frame *ret_out,
                  size_t room, struct lt_recast_counts *ret_counts)
{
    const char *names[8];
    struct lt_recast *recast = NULL;
    struct lt_writer *writer = NULL;
    struct lt_reader *reader = NULL;
    struct lt_error error;
    const struct lt_frame *frame;
    size_t count = 0;
    for (size_t i = 0; i < files; i++)
        names[i] = path_of(i);
    if (lt_recast_new(&recast, names, files, NULL, options, &error) != LT_OK)
        fail_msg("%s", error.text);
    assert_int_equal(lt_writer_open(&writer, path_of(OUTPUT), NULL, &error), LT_OK);
    if (lt_recast_run(recast, writer, &error) != LT_OK)
        fail_msg("%s", error.text);
    assert_int_equal(lt_writer_commit(writer, &error), LT_OK);
    *ret_counts = *lt_recast_counts(recast);
    lt_writer_free(writer);
    lt_recast_free(recast);
    assert_int_equal(lt_reader_open(&reader, path_of(OUTPUT), NULL, &error), LT_OK);
    for (; (frame = lt_reader_next(reader)) != NULL; count++) {
        assert_true(count < room);
        ret_out[count] = *frame;
    }
    lt_reader_free(reader);
    for (size_t i = 0; i < files; i++)
        unlink(path_of(i));
    unlink(path_of(OUTPUT));
    return count;
}

static void words_of_identifiers(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        struct lt_id_rule want;
    } good[] = {
        {"0x123", {0x123, 0x123, false, false, false}},
        {"291", {0x123, 0x123, false, false, false}},
        {"0x00000123", {0x123, 0x123, true, false, false}},
        {"123x", {0x123, 0x123, true, false, false}},
        {"18FEF100x", {0x18FEF100, 0x18FEF100, true, false, false}},
        {"0x18FEF100", {0x18FEF100, 0x18FEF100, true, false, false}},
        {"!0x7E0..0x7EF", {0x7E0, 0x7EF, false, false, true}},
        {"0x0..0x7FF", {0, 0x7FF, false, false, false}},
        {"error", {0, 0, false, true, false}},
        {"!error", {0, 0, false, true, true}},
    };
    static const char *const bad[] = {
        "",  "!",  "0x",        "12G",   "0x20000000", "0x1..",     "0x5..0x4", "0x7FF..0x800",
        "x", "-1", "0x1...0x2", "0x..x", "0x 1",       "FFFFFFFFFx"};
    for (size_t i = 0; i < COUNT_OF(good); i++) {
        struct lt_id_rule rule;
        if (!lt_id_rule_parse(lt_text_of(good[i].text), &rule))
            fail_msg("%s is refused", good[i].text);
        if (rule.first != good[i].want.first || rule.last != good[i].want.last ||
            rule.extended != good[i].want.extended || rule.error != good[i].want.error ||
            rule.exclude != good[i].want.exclude)
            fail_msg("%s is read wrong", good[i].text);
    }
    for (size_t i = 0; i < COUNT_OF(bad); i++) {
        struct lt_id_rule rule;
        if (lt_id_rule_parse(lt_text_of(bad[i]), &rule))
            fail_msg("%s is taken", bad[i]);
    }
}

static void words_of_renames_and_shifts(void **state)
{
    (void)state;
    struct lt_bus_rename rename;
    struct lt_clock_shift shift;
    assert_true(lt_bus_rename_parse(LT_TEXT("a=b"), &rename));
    assert_true(rename.source == 0 && lt_text_is(rename.from, "a") && lt_text_is(rename.to, "b"));
    assert_true(lt_bus_rename_parse(LT_TEXT("12:=b"), &rename));
    assert_true(rename.source == 12 && rename.from.len == 0);
    assert_true(lt_bus_rename_parse(LT_TEXT("x:y=b"), &rename));
    assert_true(rename.source == 0 && lt_text_is(rename.from, "x:y"));
    assert_false(lt_bus_rename_parse(LT_TEXT("a"), &rename));
    assert_false(lt_bus_rename_parse(LT_TEXT("a="), &rename));
    assert_false(lt_bus_rename_parse(LT_TEXT("0:a=b"), &rename));
    assert_false(lt_bus_rename_parse(LT_TEXT(""), &rename));
    static const struct {
        const char *text;
        size_t source;
        int64_t ns;
    } good[] = {{"1", 0, S},      {"-0.25", 0, -S / 4},
                {"+2", 0, 2 * S}, {"3:-1e-9", 3, -1},
                {"2:0", 2, 0},    {"1700000000.5", 0, 1700000000 * S + S / 2}};
    for (size_t i = 0; i < COUNT_OF(good); i++) {
        assert_true(lt_clock_shift_parse(lt_text_of(good[i].text), &shift));
        assert_true(shift.source == good[i].source && shift.ns == good[i].ns);
    }
    static const char *const bad[] = {"", "x", "1:", ":1", "0:1", "1:2:3", "--1", "1e30"};
    for (size_t i = 0; i < COUNT_OF(bad); i++)
        assert_false(lt_clock_shift_parse(lt_text_of(bad[i]), &shift));
}

/* A generator of its own: the same numbers everywhere. */
static uint32_t next_random(uint64_t *seed)
{
    *seed = *seed * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return (uint32_t)(*seed >> 33);
}

static int by_time_then_number(const void *a, const void *b)
{
    const struct entry *x = a, *y = b;
    if (x->time_ns != y->time_ns)
        return x->time_ns < y->time_ns ? -1 : 1;
    return x->id < y->id ? -1 : x->id > y->id;
}

#define MANY 3000
static struct lt_frame out[4 * MANY];

/* Displaced by less than the window, a stream comes out as a stable sort has it: the identifiers
 * (29 bits, so that they do not wrap) count in order of reading. */
static void disorder_inside_the_window_is_a_sort(void **state)
{
    (void)state;
    static struct entry entries[MANY];
    struct lt_recast_counts counts;
    for (uint64_t seed = 1; seed <= 5; seed++) {
        uint64_t random = seed;
        for (int i = 0; i < MANY; i++)
            entries[i] = (struct entry){
                10 * S + i * MS + (int64_t)(next_random(&random) % 900) * MS, (uint32_t)i};
        struct lt_recast_options options = {.repair = true};
        write_entries(0, entries, MANY);
        assert_int_equal(run(1, &options, out, MANY, &counts), MANY);
        assert_int_equal(counts.late, 0);
        assert_true(counts.repaired > 0);
        qsort(entries, MANY, sizeof *entries, by_time_then_number);
        for (int i = 0; i < MANY; i++)
            assert_true(out[i].time_ns == entries[i].time_ns && out[i].id == entries[i].id);
    }
}

static void what_is_outside_the_window_is_counted_and_kept(void **state)
{
    (void)state;
    static const struct entry entries[] = {
        {1 * S, 1}, {2 * S, 2}, {4 * S, 3}, {S + 500 * MS, 4}, {5 * S, 5}};
    struct lt_recast_options options = {.repair = true, .window_ns = S};
    struct lt_recast_counts counts;
    write_entries(0, entries, COUNT_OF(entries));
    assert_int_equal(run(1, &options, out, MANY, &counts), COUNT_OF(entries));
    assert_int_equal(counts.late, 1);
    assert_int_equal(counts.late_most_ns, 500 * MS);
    assert_int_equal(counts.repaired, 0);
    options.window_ns = 3 * S;
    write_entries(0, entries, COUNT_OF(entries));
    assert_int_equal(run(1, &options, out, MANY, &counts), COUNT_OF(entries));
    assert_int_equal(counts.late, 0);
    assert_int_equal(counts.repaired, 1);
    static const uint32_t order[] = {1, 4, 2, 3, 5};
    for (size_t i = 0; i < COUNT_OF(order); i++)
        assert_int_equal(out[i].id, order[i]);
}

/* Four files, each disordered inside the window, of very different rates: the merge is in order,
 * whole, and equal times come in order of the files. */
static void merging_keeps_every_frame_in_order(void **state)
{
    (void)state;
    static struct entry entries[MANY];
    uint64_t random = 7;
    size_t all = 0;
    struct lt_recast_counts counts;
    for (size_t file = 0; file < 4; file++) {
        size_t count = MANY >> (2 * file);
        int64_t step = (int64_t)MS << (2 * file);
        for (size_t i = 0; i < count; i++)
            entries[i] = (struct entry){
                S + (int64_t)i * step + (int64_t)(next_random(&random) % 300) * MS, (uint32_t)file};
        write_entries(file, entries, count);
        all += count;
    }
    struct lt_recast_options options = {.merge = true, .window_ns = 400 * MS};
    assert_int_equal(run(4, &options, out, 4 * MANY, &counts), all);
    assert_int_equal(counts.late, 0);
    size_t of_file[4] = {0};
    for (size_t i = 0; i < all; i++) {
        of_file[out[i].id]++;
        if (i == 0)
            continue;
        assert_true(out[i].time_ns >= out[i - 1].time_ns);
        if (out[i].time_ns == out[i - 1].time_ns)
            assert_true(out[i].id >= out[i - 1].id);
    }
    for (size_t file = 0; file < 4; file++)
        assert_int_equal(of_file[file], MANY >> (2 * file));
}

/* More frames inside one window than are held: some go out early, none is lost. */
static void the_held_frames_have_a_ceiling(void **state)
{
    (void)state;
    size_t count = LT_RECAST_HELD_MAX + 1000;
    struct entry *entries = calloc(count, sizeof *entries);
    struct lt_frame *many = calloc(count, sizeof *many);
    assert_non_null(entries);
    assert_non_null(many);
    for (size_t i = 0; i < count; i++)
        entries[i] = (struct entry){(int64_t)i * 1000, (uint32_t)i & 0x7FF};
    struct lt_recast_options options = {.repair = true, .window_ns = 100 * S};
    struct lt_recast_counts counts;
    write_entries(0, entries, count);
    assert_int_equal(run(1, &options, many, count, &counts), count);
    assert_int_equal(counts.let_go, 1000);
    assert_int_equal(counts.late, 0);
    free(many);
    free(entries);
}

static void clocks_are_shifted_and_rebased_before_the_span(void **state)
{
    (void)state;
    static const struct entry a[] = {{10 * S, 1}, {12 * S, 2}}, b[] = {{100 * S, 3}, {101 * S, 4}};
    static const struct lt_clock_shift shifts[] = {{0, S}, {2, -90 * S}};
    struct lt_recast_options options = {
        .merge = true,
        .shifts = shifts,
        .shift_count = 2,
        .rebase = true,
        .rebase_ns = 5 * S,
        .from = {true, true, 0},
        .to = {true, true, 1500 * MS},
    };
    struct lt_recast_counts counts;
    write_entries(0, a, 2);
    write_entries(1, b, 2);
    /* 11, 13 and 11, 12 in shifted time; 13 is past 11 + 1.5 */
    assert_int_equal(run(2, &options, out, MANY, &counts), 3);
    assert_int_equal(counts.outside_span, 1);
    static const struct entry want[] = {{5 * S, 1}, {5 * S, 3}, {6 * S, 4}};
    for (size_t i = 0; i < 3; i++) {
        assert_int_equal(out[i].time_ns, want[i].time_ns);
        assert_int_equal(out[i].id, want[i].id);
    }
}

static void wrong_file_numbers_are_refused(void **state)
{
    (void)state;
    static const struct lt_clock_shift shift = {3, 1};
    struct lt_recast_options options = {.shifts = &shift, .shift_count = 1};
    struct lt_recast *recast = NULL;
    static const char *const names[2] = {"a", "b"};
    struct lt_error error;
    assert_int_equal(lt_recast_new(&recast, names, 2, NULL, &options, &error), LT_E_RANGE);
    assert_int_equal(lt_recast_new(&recast, names, 0, NULL, NULL, &error), LT_E_MISSING);
    options = (struct lt_recast_options){.merge = true};
    assert_int_equal(lt_recast_new(&recast, names, LT_RECAST_MERGE_MAX + 1, NULL, &options, &error),
                     LT_E_LIMIT);
    assert_null(recast);
}

/* Cuts a message into frames of `id`. */
static size_t segment(uint32_t id, const void *message, size_t len, int64_t time_ns,
                      struct lt_frame *ret_frames)
{
    size_t count = 0;
    for (;; count++) {
        struct lt_frame frame = {.id = id, .time_ns = time_ns + (int64_t)count * MS};
        frame.flags = id > LT_ID_MAX_STANDARD ? LT_FRAME_EXTENDED : 0;
        if (!lt_isotp_segment(message, len, count, 0xAA, &frame))
            return count;
        frame.raw_dlc = frame.len;
        ret_frames[count] = frame;
    }
}

/* Puts the frames together again. */
static size_t message_of(const struct lt_frame *frames, size_t count, uint8_t *ret_message)
{
    static struct lt_isotp stream;
    lt_isotp_init(&stream, false);
    for (size_t i = 0; i < count; i++) {
        struct lt_isotp_result result = lt_isotp_feed(&stream, &frames[i]);
        if (result.event == LT_ISOTP_MESSAGE) {
            memcpy(ret_message, result.message, result.length);
            return result.length;
        }
    }
    return 0;
}

/* The number is of the invented world. */
#define VIN "TARN7K2ES0W042788"
#define X17 "XXXXXXXXXXXXXXXXX"

static void replies_with_identification_are_covered_in_place(void **state)
{
    (void)state;
    static const struct {
        uint32_t id;
        const char *message, *want;
        size_t len;
    } rows[] = {
        {0x7E8, "\x49\x02\x01" VIN, "\x49\x02\x01" X17, 20},
        {0x18DAF110, "\x49\x02\x01" VIN, "\x49\x02\x01" X17, 20},
        {0x7E9, "\x49\x04\x01TARN0042\0\0\0\0\0\0\0\0", "\x49\x04\x01XXXXXXXXXXXXXXXX", 19},
        {0x7E9,
         "\x49\x0A\x01"
         "ECM\0-Engine",
         "\x49\x0A\x01XXXXXXXXXXX", 14},
        {0x7E8, "\x62\xF1\x90" VIN, "\x62\xF1\x90" X17, 20},
        {0x728,
         "\x62\xF1\x8C"
         "A1B2C3D4",
         "\x62\xF1\x8CXXXXXXXX", 11},
        {0x728,
         "\x62\xF1\x87"
         "12",
         "\x62\xF1\x87XX", 5},
        {0x728, "\x62\xF8\x02" VIN, "\x62\xF8\x02" X17, 20},
        {0x7E8, "\x5A\x90" VIN, "\x5A\x90" X17, 19},
        {0x7E0, "\x2E\xF1\x90" VIN, "\x2E\xF1\x90" X17, 20},
        /* known by its look alone, also in the middle of other text */
        {0x612, "\x21\x77" VIN "#1", "\x21\x77" X17 "#1", 21},
        {0x612, "\x21\x77-" VIN "AB*", "\x21\x77-" X17 "XX*", 23},
        {0x7E8, "\x62\x08\x08\x01\x02\x03" VIN, "\x62\x08\x08\x01\x02\x03" X17, 23},
        /* no numbers of that kind */
        {0x7E8, "\x49\x06\x01\x12\x34\x56\x78", "\x49\x06\x01\x12\x34\x56\x78", 7},
        {0x7E8, "\x62\xF1\x86\x03", "\x62\xF1\x86\x03", 4},
        {0x7E8,
         "\x62\x20\x00"
         "ABCDEFGH12345678",
         "\x62\x20\x00"
         "ABCDEFGH12345678",
         19},
        {0x7E8,
         "\x62\x20\x00"
         "ABCDEFGHABCDEFGHABC",
         "\x62\x20\x00"
         "ABCDEFGHABCDEFGHABC",
         22},
        {0x7E8, "\x41\x0C\x0F\xA0", "\x41\x0C\x0F\xA0", 4},
    };
    struct lt_recast_options options = {.hide = true};
    struct lt_frame frames[16];
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_recast_counts counts;
        uint8_t message[100];
        size_t count = segment(rows[i].id, rows[i].message, rows[i].len, S, frames);
        write_frames(0, frames, count);
        assert_int_equal(run(1, &options, out, MANY, &counts), count);
        for (size_t k = 0; k < count; k++)
            assert_true(out[k].len == frames[k].len && out[k].time_ns == frames[k].time_ns);
        assert_int_equal(message_of(out, count, message), rows[i].len);
        if (memcmp(message, rows[i].want, rows[i].len) != 0)
            fail_msg("row %zu: \"%.*s\"", i, (int)rows[i].len, (const char *)message);
        assert_int_equal(counts.hidden_messages,
                         memcmp(rows[i].message, rows[i].want, rows[i].len) != 0);
        assert_int_equal(counts.vins_left, 0);
    }
}

static void several_identifiers_in_one_reply_are_covered_by_the_question(void **state)
{
    (void)state;
    static const char question[] = "\x22\x20\x00\xF1\x90";
    static const char answer[] = "\x62\x20\x00\x01\xF1\x90"
                                 "tarn7k2es0w042788";
    struct lt_recast_options options = {.hide = true};
    struct lt_recast_counts counts;
    struct lt_frame frames[32];
    uint8_t message[100];
    size_t asks = segment(0x7E0, question, 5, S, frames);
    size_t first = segment(0x7E8, answer, 23, 2 * S, frames + asks);
    /* the same again without a question: nothing says that a number is in it */
    size_t second = segment(0x7E8, answer, 23, 3 * S, frames + asks + first);
    write_frames(0, frames, asks + first + second);
    size_t count = run(1, &options, out, MANY, &counts);
    assert_int_equal(count, asks + first + second);
    assert_int_equal(message_of(out + asks, first, message), 23);
    assert_memory_equal(message, "\x62\x20\x00XXXXXXXXXXXXXXXXXXXX", 23);
    assert_int_equal(message_of(out + asks + first, second, message), 23);
    assert_memory_equal(message, answer, 23);
}

/* Another controller's messages between the parts, and more than the ring holds between two parts:
 * by its place it is covered all the same; by its look it is too late, and said. */
static void parts_far_apart_are_covered_or_counted(void **state)
{
    (void)state;
    static struct lt_frame frames[20000];
    static struct lt_frame back[20000];
    struct lt_recast_options options = {.hide = true};
    static const char *const messages[] = {"\x49\x02\x01" VIN, "\x21\x77\x01" VIN};
    for (size_t kind = 0; kind < 2; kind++) {
        struct lt_frame parts[4];
        struct lt_recast_counts counts;
        size_t count = 0;
        uint8_t message[100];
        assert_int_equal(segment(0x7E8, messages[kind], 20, S, parts), 3);
        for (size_t part = 0; part < 3; part++) {
            frames[count++] = parts[part];
            for (size_t i = 0; part < 2 && i < 9000; i++, count++)
                frames[count] =
                    (struct lt_frame){.id = 0x100, .time_ns = S, .len = 1, .raw_dlc = 1};
        }
        write_frames(0, frames, count);
        assert_int_equal(run(1, &options, back, count, &counts), count);
        back[1] = back[9001];
        back[2] = back[18002];
        back[1].time_ns = back[2].time_ns = back[0].time_ns;
        assert_int_equal(message_of(back, 3, message), 20);
        assert_int_equal(memcmp(message + 3, X17, 17) == 0, kind == 0);
        assert_int_equal(counts.vins_left, kind);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(words_of_identifiers),
        cmocka_unit_test(words_of_renames_and_shifts),
        cmocka_unit_test(disorder_inside_the_window_is_a_sort),
        cmocka_unit_test(what_is_outside_the_window_is_counted_and_kept),
        cmocka_unit_test(merging_keeps_every_frame_in_order),
        cmocka_unit_test(the_held_frames_have_a_ceiling),
        cmocka_unit_test(clocks_are_shifted_and_rebased_before_the_span),
        cmocka_unit_test(wrong_file_numbers_are_refused),
        cmocka_unit_test(replies_with_identification_are_covered_in_place),
        cmocka_unit_test(several_identifiers_in_one_reply_are_covered_by_the_question),
        cmocka_unit_test(parts_far_apart_are_covered_or_counted),
    };
    return cmocka_run_group_tests(tests, make_folder, drop_folder);
}
