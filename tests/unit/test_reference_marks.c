/* Marks: labels over time, and the faults of hand-made lists. */
#include "unit.h"

#include "loomtap/seek/reference.h"

#define S_NS INT64_C(1000000000)

static enum lt_code parse(const char *text, struct lt_arena *arena, struct lt_reference *reference,
                          uint64_t *unordered, struct lt_error *error)
{
    lt_arena_init(arena, 0);
    return lt_reference_parse_marks("marks.csv", lt_text_of(text), NULL, arena, reference,
                                    unordered, error);
}

static void marks_are_read_and_put_in_order(void **state)
{
    (void)state;
    static const char *const texts[] = {
        "time_s,label\n1.5,comfort\n3,wet\n2,sport\n",
        "time_ms;mode\r\n1500;comfort\r\n3000;wet\r\n2000;sport\r\n",
        "label,time_s\n\"comfort\",1.5\nwet,3\nsport,2\n",
    };
    for (size_t i = 0; i < COUNT_OF(texts); i++) {
        struct lt_arena arena;
        struct lt_reference marks;
        uint64_t unordered = 99;
        assert_int_equal(parse(texts[i], &arena, &marks, &unordered, NULL), LT_OK);
        assert_int_equal(unordered, 1);
        assert_int_equal(marks.count, 3);
        assert_int_equal(marks.from, LT_FROM_MARKS);
        assert_string_equal(marks.target, "drive_mode");
        assert_string_equal(marks.name, "marks.csv");
        assert_null(marks.value);
        assert_true(marks.role && marks.role->is_labels);
        assert_int_equal(marks.time_ns[0], 3 * S_NS / 2);
        assert_int_equal(marks.time_ns[1], 2 * S_NS);
        assert_string_equal(marks.label[0], "comfort");
        assert_string_equal(marks.label[1], "sport");
        assert_string_equal(marks.label[2], "wet");
        lt_arena_release(&arena);
    }
}

static void times_that_are_whole_are_seconds(void **state)
{
    (void)state;
    struct lt_arena arena;
    struct lt_reference marks;
    uint64_t unordered;
    assert_int_equal(parse("time,label\n10,a\n200,b\n400,c\n", &arena, &marks, &unordered, NULL),
                     LT_OK);
    assert_int_equal(marks.time_ns[1], 200 * S_NS);
    lt_arena_release(&arena);
}

static void faults_are_told_with_place_and_advice(void **state)
{
    (void)state;
    static const struct {
        const char *text, *says;
        uint64_t line;
    } wrong[] = {
        {"", "empty", 0},
        {"time_s,label\n", "no time in any row", 1},
        {"1,comfort\n2,sport\n", "no header line", 1},
        {"when,label\n1,comfort\n", "no time column", 1},
        {"time_s,a,b\n1,x,y\n", "no column is named `label`", 1},
        {"time_s,label\n1,comfort\n2,\n", "no label", 3},
        {"time_s,label\n1,comfort\n2\n", "ends before", 3},
        {"time_s,label\n1,comfort\nsoon,sport\n", "no time like the others", 3},
        {"time_s,label\n0,a\n1,\"comfort\n", "quote", 3},
        {"time_s,label\n1,a\xFF\n", "UTF-8", 2},
    };
    for (size_t i = 0; i < COUNT_OF(wrong); i++) {
        struct lt_arena arena;
        struct lt_reference marks;
        struct lt_error error;
        uint64_t unordered = 99;
        enum lt_code code = parse(wrong[i].text, &arena, &marks, &unordered, &error);
        if (code == LT_OK || !strstr(error.text, wrong[i].says) || error.line != wrong[i].line)
            print_message("%s: %d %s at %d\n", wrong[i].text, code, error.text, (int)error.line);
        assert_int_not_equal(code, LT_OK);
        assert_non_null(strstr(error.text, wrong[i].says));
        assert_int_equal(error.line, wrong[i].line);
        assert_true(error.advice[0] != '\0');
        assert_int_equal(unordered, 99);
        lt_arena_release(&arena);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(marks_are_read_and_put_in_order),
        cmocka_unit_test(times_that_are_whole_are_seconds),
        cmocka_unit_test(faults_are_told_with_place_and_advice),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
