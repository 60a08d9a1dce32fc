/* Rows in which a sensor is not available are not compared; numbers that pass through FF are. */
#include "unit.h"

#include "seek/search.h"

#define ROWS 400

struct made {
    int64_t time_ns[ROWS];
    uint8_t bytes[2 * ROWS + 8];
    struct seek_view view;
    struct lt_arena arena;
};

/* Byte 0 is what `course` says of the row, byte 1 is always FF: filler. */
static struct made *make(uint8_t (*course)(size_t row))
{
    struct made *made = calloc(1, sizeof *made);
    assert_non_null(made);
    for (size_t i = 0; i < ROWS; i++) {
        made->time_ns[i] = (int64_t)i * 10000000;
        made->bytes[2 * i] = course(i);
        made->bytes[2 * i + 1] = 0xFF;
    }
    made->view.kept = (struct lt_kept){
        .key = {.length = 2}, .count = ROWS, .time_ns = made->time_ns, .bytes = made->bytes};
    lt_arena_init(&made->arena, 0);
    assert_true(seek_codes_find(&made->view, &made->arena));
    return made;
}

static void end(struct made *made)
{
    lt_arena_release(&made->arena);
    free(made);
}

static size_t marked(const struct made *made, size_t from, size_t to)
{
    size_t count = 0;
    for (size_t i = from; i < to && made->view.codes; i++)
        count += made->view.codes[i];
    return count;
}

static uint8_t asleep_then_failed(size_t row)
{
    return row < 40 || (row >= 200 && row < 220) ? 0xFF : (uint8_t)(80 + row % 50);
}

static void sensors_that_sleep_or_fail_are_left_out(void **state)
{
    struct made *made = make(asleep_then_failed);
    (void)state;
    assert_int_equal(marked(made, 0, ROWS), 60);
    assert_int_equal(marked(made, 0, 40), 40);
    assert_int_equal(marked(made, 200, 220), 20);
    end(made);
}

/* The upper byte of a number that is a little below zero at times. */
static uint8_t around_zero(size_t row)
{
    return row % 100 >= 90 ? 0xFF
                           : (uint8_t)(row % 100 < 10 || row % 100 >= 80 ? 0 : row % 100 / 10);
}

static uint8_t rises_to_its_end(size_t row)
{
    size_t step = row % 300;
    return (uint8_t)(step < 60    ? 190 + step
                     : step < 80  ? 255
                     : step < 145 ? 255 - (step - 80)
                                  : 190);
}

static uint8_t noise(size_t row)
{
    return (uint8_t)(row * 2654435761u >> 16);
}

static void numbers_that_pass_through_stay(void **state)
{
    struct made *made = make(around_zero);
    (void)state;
    assert_int_equal(marked(made, 0, ROWS), 0);
    end(made);
    made = make(rises_to_its_end);
    assert_int_equal(marked(made, 0, ROWS), 0);
    end(made);
    made = make(noise);
    assert_true(marked(made, 0, ROWS) < ROWS / 50);
    end(made);
}

static uint8_t mostly_full(size_t row)
{
    return row % 100 < 60 ? 0xFF : 100;
}

/* What is FF for a large part of the time is a value of this byte. */
static void a_usual_value_is_no_code(void **state)
{
    struct made *made = make(mostly_full);
    (void)state;
    assert_null(made->view.codes);
    end(made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(sensors_that_sleep_or_fail_are_left_out),
        cmocka_unit_test(numbers_that_pass_through_stay),
        cmocka_unit_test(a_usual_value_is_no_code),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
