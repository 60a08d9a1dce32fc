/* The scores of all windows against a naive twin: one window at a time, bit by bit, in long double,
 * with the mean taken off first. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "seek/search.h"

#define ROWS 700u

struct made {
    uint8_t bytes[ROWS * 16 + 8];
    uint8_t flags[ROWS];
    int64_t row_ns[ROWS], time_ns[ROWS];
    double value[ROWS];
    uint32_t rows[ROWS];
    struct seek_view view;
    struct lt_reference reference;
    struct seek_course course;
    struct lt_arena arena;
};

static uint64_t random_of(uint64_t *state)
{
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    return *state;
}

/* A course in 16 bits Motorola, a signed one sign-extended to 32 bits Intel, noise and rest. */
static void make_row(struct made *made, size_t i, double value, unsigned length, uint64_t *state)
{
    uint8_t *row = made->bytes + i * length;
    int32_t small = (int32_t)lround(value / 400 - 40);
    uint32_t wide = (uint32_t)small, raw = (uint32_t)lround(value);
    row[0] = (uint8_t)(raw >> 8);
    row[1] = (uint8_t)raw;
    for (unsigned byte = 0; byte < 4; byte++)
        row[2 + byte] = (uint8_t)(wide >> 8 * byte);
    row[6] = (uint8_t)random_of(state);
    row[7] = 0x5A;
    for (unsigned byte = 8; byte < length; byte++)
        row[byte] = (uint8_t)((uint32_t)lround(value) >> (byte % 2 ? 3 : 9));
}

static void make(struct made *made, unsigned length, uint64_t seed)
{
    double value = 20000;
    memset(made, 0, sizeof *made);
    lt_arena_init(&made->arena, 0);
    for (size_t i = 0; i < ROWS; i++) {
        value += ((double)(random_of(&seed) % 2001) - 1000) * 0.8;
        value = value < 1000 ? 1000 : value > 60000 ? 60000 : value;
        make_row(made, i, value, length, &seed);
        made->row_ns[i] = (int64_t)i * 20000000;
        made->time_ns[i] = made->row_ns[i] + 5000000;
        made->value[i] = value / 7 + (double)(random_of(&seed) % 100);
        made->rows[i] = (uint32_t)i;
    }
    made->view.kept = (struct lt_kept){.key = {.id = 0x123, .length = (uint8_t)length},
                                       .count = ROWS,
                                       .time_ns = made->row_ns,
                                       .flags = made->flags,
                                       .bytes = made->bytes,
                                       .whole = true};
    made->view.hold_ns = 100000000;
    seek_view_look(&made->view);
    made->reference = (struct lt_reference){.name = "made",
                                            .target = "made",
                                            .unit = "",
                                            .count = ROWS,
                                            .time_ns = made->time_ns,
                                            .value = made->value};
    assert_int_equal(seek_course_make(&made->reference, &made->arena, &made->course, NULL), LT_OK);
}

static long double number(const struct made *made, size_t row, unsigned band, unsigned order,
                          unsigned sign, unsigned low, unsigned length)
{
    const uint8_t *bytes = lt_kept_row(&made->view.kept, row) + 4 * (size_t)band;
    long double value = 0;
    unsigned position = low;
    for (unsigned n = 0; n < length; n++) {
        long double weight = ldexpl(1, (int)n);
        if (sign && n + 1 == length)
            weight = -weight;
        if (bytes[position / 8] >> position % 8 & 1)
            value += weight;
        if (order == 0 || position % 8 < 7)
            position++;
        else
            position -= 15;
    }
    return value;
}

static bool fits(unsigned order, unsigned low, unsigned length, unsigned bytes)
{
    unsigned position = low;
    for (unsigned n = 1; n < length; n++) {
        if (order == 0 || position % 8 < 7)
            position++;
        else if (position >= 15)
            position -= 15;
        else
            return false;
        if (position >= 8 * bytes)
            return false;
    }
    return true;
}

static long double naive(const struct made *made, unsigned band, unsigned order, unsigned sign,
                         unsigned low, unsigned length)
{
    static long double x[ROWS];
    long double mx = 0, my = 0, xx = 0, yy = 0, xy = 0;
    for (size_t i = 0; i < ROWS; i++) {
        x[i] = number(made, i, band, order, sign, low, length);
        mx += x[i] / ROWS;
        my += (long double)made->course.whole[i] / ROWS;
    }
    for (size_t i = 0; i < ROWS; i++) {
        long double dx = x[i] - mx, dy = made->course.whole[i] - my;
        xx += dx * dx;
        yy += dy * dy;
        xy += dx * dy;
    }
    return xx > 0 ? xy / sqrtl(xx * yy) : 0;
}

static void compare_band(unsigned length, unsigned band, uint64_t seed)
{
    static struct made made;
    static struct seek_sums sums;
    static struct seek_scores scores;
    unsigned bytes, compared = 0;
    make(&made, length, seed);
    uint64_t usable = seek_usable(&made.view, band, &bytes);
    seek_sums_take(&made.view, &made.course, made.rows, band, &sums);
    seek_scores_take(&sums, usable, bytes, &scores);
    for (unsigned order = 0; order < 2; order++)
        for (unsigned sign = 0; sign < 2; sign++)
            for (unsigned low = 0; low < 8 * bytes; low++)
                for (unsigned n = 1; n <= LT_WINDOW_MAX; n += n < 12 ? 1 : 4) {
                    if (!fits(order, low, n, bytes))
                        continue;
                    /* A constant sign bit makes one a number and the other one too. */
                    long double twin = naive(&made, band, order, sign, low, n);
                    double score = (double)scores.r[order][sign][low][n - 1];
                    assert_true(fabsl(twin - (long double)score) < 1e-6L);
                    compared++;
                }
    assert_true(compared > 1000);
    lt_arena_release(&made.arena);
}

static void every_window_scores_as_one_alone_does(void **state)
{
    (void)state;
    compare_band(8, 0, 11);
}

static void long_frames_are_scored_in_bands(void **state)
{
    (void)state;
    assert_int_equal(seek_bands(8), 1);
    assert_int_equal(seek_bands(12), 2);
    assert_int_equal(seek_bands(16), 3);
    assert_int_equal(seek_bands(64), 15);
    compare_band(16, 2, 12);
}

static void taken_bits_are_in_no_window(void **state)
{
    static struct made made;
    static struct seek_sums sums;
    static struct seek_scores scores;
    unsigned bytes;
    (void)state;
    make(&made, 8, 13);
    lt_bit_set_add(&made.view.taken, 12);
    uint64_t usable = seek_usable(&made.view, 0, &bytes);
    seek_sums_take(&made.view, &made.course, made.rows, 0, &sums);
    seek_scores_take(&sums, usable, bytes, &scores);
    assert_true(scores.r[0][0][12][3] == 0);
    assert_true(scores.r[0][0][10][2] == 0); /* 10, 11, 12 */
    assert_true(scores.r[0][0][10][1] != 0);
    lt_arena_release(&made.arena);
}

static void the_row_is_the_last_one_sent_before(void **state)
{
    static struct made made;
    uint32_t rows[ROWS];
    (void)state;
    make(&made, 8, 14);
    seek_rows(&made.view, &made.course, 0, rows);
    assert_int_equal(rows[5], 5);
    seek_rows(&made.view, &made.course, 5000000, rows); /* sent at that very moment */
    assert_int_equal(rows[5], 5);
    seek_rows(&made.view, &made.course, 5000001, rows);
    assert_int_equal(rows[5], 4);
    assert_true(rows[0] == SEEK_NO_ROW);
    made.row_ns[ROWS - 1] = INT64_C(1) << 62;
    made.view.hold_ns = 10000000;
    seek_rows(&made.view, &made.course, 0, rows); /* the last one never came: too old by now */
    assert_true(rows[ROWS - 1] == SEEK_NO_ROW);
    lt_arena_release(&made.arena);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_window_scores_as_one_alone_does),
        cmocka_unit_test(long_frames_are_scored_in_bands),
        cmocka_unit_test(taken_bits_are_in_no_window),
        cmocka_unit_test(the_row_is_the_last_one_sent_before),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
