/* Scores of windows against a pass over the frames' values: random ones, and those in which sums of
 * squares cancel. */
#include "unit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "../ref/naive_moments.h"
#include "loomtap/base/bytes.h"
#include "loomtap/measure/moments.h"

#define ROWS 3000

static uint64_t random_state = 12345;

static uint64_t random_word(void)
{
    random_state ^= random_state << 13;
    random_state ^= random_state >> 7;
    random_state ^= random_state << 17;
    return random_state;
}

struct made {
    uint8_t bytes[ROWS * 8];
    bool next[ROWS];
    struct naive_frames frames;
    struct lt_moments *moments;
    const struct lt_band *band;
    uint64_t count, steps;
};

static void finish(struct made *made)
{
    const struct lt_band *const *bands;
    made->frames = (struct naive_frames){8, ROWS, made->bytes, made->next};
    assert_int_equal(lt_moments_new(&made->moments, 8, NULL), LT_OK);
    for (size_t row = 0; row < ROWS; row++)
        lt_moments_add(made->moments, made->bytes + 8 * row, made->next[row]);
    assert_int_equal(lt_moments_bands(made->moments, &bands), 1);
    made->band = bands[0];
    made->count = lt_moments_frames(made->moments);
    made->steps = lt_moments_steps(made->moments);
}

/* Each frame's 64 bits, read in Intel order. */
static struct made *make(uint64_t (*word_of)(size_t row))
{
    static struct made made;
    for (size_t row = 0; row < ROWS; row++) {
        uint64_t word = word_of(row);
        for (unsigned byte = 0; byte < 8; byte++)
            made.bytes[8 * row + byte] = (uint8_t)(word >> 8 * byte);
        made.next[row] = row != 0 && row % 97 != 0;
    }
    finish(&made);
    return &made;
}

static double apart(double is, long double should_be)
{
    if (should_be == 0)
        return is == 0 ? 0 : INFINITY;
    return (double)fabsl(((long double)is - should_be) / should_be);
}

static void compare_window(const struct made *made, const struct lt_window *window)
{
    unsigned positions[LT_WINDOW_MAX];
    long double variance, step;
    for (unsigned n = 0; n < window->length; n++) {
        int bit = lt_window_bit(made->band, window, n);
        assert_true(bit >= 0);
        positions[n] = (unsigned)bit;
    }
    naive_window(&made->frames, positions, window->length, window->sign == LT_WINDOW_TWOS,
                 &variance, &step);
    struct lt_window_score score = lt_window_score(made->band, made->count, made->steps, window);
    assert_true(apart(score.step, step) < 1e-14);
    if (variance < 1e-9) { /* the twin's mean is rounded: a window that stands still */
        assert_true(score.variance == 0);
        assert_true(isnan(score.eta));
        return;
    }
    assert_true(apart(score.variance, variance) < 1e-13);
    assert_true(apart(score.eta, step / variance) < 1e-13);
}

/* All windows from `low` on, one by one and grown. */
static void compare_windows_from(const struct made *made, enum lt_order order, unsigned low,
                                 enum lt_window_sign sign)
{
    struct lt_window_score scores[LT_WINDOW_MAX];
    unsigned count =
        lt_window_scores(made->band, made->count, made->steps, order, low, sign, scores);
    for (unsigned length = 1; length <= LT_WINDOW_MAX; length++) {
        struct lt_window window = {order, (uint8_t)low, (uint8_t)length, sign};
        bool inside = lt_window_bit(made->band, &window, length - 1) >= 0;
        assert_int_equal(inside, length <= count);
        if (!inside)
            continue;
        compare_window(made, &window);
        struct lt_window_score one = lt_window_score(made->band, made->count, made->steps, &window);
        assert_memory_equal(&one.variance, &scores[length - 1].variance, sizeof(double));
        assert_memory_equal(&one.step, &scores[length - 1].step, sizeof(double));
    }
}

static void compare_all(struct made *made, unsigned every)
{
    for (unsigned low = 0; low < 64; low += every)
        for (unsigned both = 0; both < 4; both++)
            compare_windows_from(made, both & 1 ? LT_ORDER_MOTOROLA : LT_ORDER_INTEL, low,
                                 both & 2 ? LT_WINDOW_TWOS : LT_WINDOW_UNSIGNED);
    lt_moments_free(made->moments);
}

static uint64_t noise(size_t row)
{
    (void)row;
    return random_word();
}

/* A slow sine of `amplitude` around `middle`. */
static int64_t wave(size_t row, int64_t middle, double amplitude)
{
    return middle + (int64_t)floor(amplitude * sin((double)row / 50) + 0.5);
}

static uint64_t eight_bits_sign_extended(size_t row)
{
    return (uint64_t)wave(row, 0, 100);
}

static uint64_t around_two_to_31(size_t row)
{
    return (uint64_t)wave(row, INT64_C(1) << 31, 40) & 0xFFFFFFFF;
}

static uint64_t around_two_to_31_noise_above(size_t row)
{
    return around_two_to_31(row) | random_word() << 32;
}

static uint64_t negative_near_zero_twice(size_t row)
{
    return ((uint64_t)wave(row, -1, 2) & 0xFFFFFFFF) | (uint64_t)wave(row, 0, 3000) << 32;
}

static uint64_t all_ones_but_once(size_t row)
{
    return row == 1234 ? UINT64_MAX - 1 : UINT64_MAX;
}

static void random_windows(void **state)
{
    (void)state;
    compare_all(make(noise), 5);
}

static void sign_extended_windows(void **state)
{
    (void)state;
    compare_all(make(eight_bits_sign_extended), 4);
}

static void windows_around_two_to_31(void **state)
{
    (void)state;
    compare_all(make(around_two_to_31), 8);
    compare_all(make(around_two_to_31_noise_above), 8);
}

static void windows_of_small_negative_numbers(void **state)
{
    (void)state;
    compare_all(make(negative_near_zero_twice), 8);
}

static void a_single_change_in_a_constant_window(void **state)
{
    (void)state;
    compare_all(make(all_ones_but_once), 8);
}

/* Worked by hand: values 3 2 1 0 3 2 1 0 have variance 1.25; steps 1 1 1 9 1 1 1, mean 15/7. */
static void a_window_worked_by_hand(void **state)
{
    struct lt_moments *moments;
    const struct lt_band *const *bands;
    struct lt_window window = {LT_ORDER_INTEL, 4, 2, LT_WINDOW_UNSIGNED};
    (void)state;
    assert_int_equal(lt_moments_new(&moments, 1, NULL), LT_OK);
    for (unsigned i = 0; i < 8; i++) {
        uint8_t byte = (uint8_t)((3 - i % 4) << 4);
        lt_moments_add(moments, &byte, true);
    }
    assert_int_equal(lt_moments_bands(moments, &bands), 1);
    struct lt_window_score score = lt_window_score(bands[0], 8, 7, &window);
    assert_true(score.variance == 1.25);
    assert_true(score.step == 15.0 / 7);
    assert_true(fabs(score.eta - 15.0 / 7 / 1.25) < 1e-15);
    lt_moments_free(moments);
}

/* core/bits.h draws both orders: 2.3..3.0 Motorola and 3.7..2.4 Intel. */
static void bits_of_a_window_as_the_project_counts_them(void **state)
{
    struct lt_band band = {.first_byte = 0, .bytes = 4};
    struct lt_window motorola = {LT_ORDER_MOTOROLA, 3 * 8 + 0, 12, LT_WINDOW_UNSIGNED};
    struct lt_window intel = {LT_ORDER_INTEL, 2 * 8 + 4, 12, LT_WINDOW_UNSIGNED};
    struct lt_span down = {2 * 8 + 3, 3 * 8 + 0}, up = {3 * 8 + 7, 2 * 8 + 4};
    (void)state;
    for (unsigned n = 0; n < 12; n++) {
        assert_int_equal(lt_window_bit(&band, &motorola, n), lt_span_position(down, 11 - n));
        assert_int_equal(lt_window_bit(&band, &intel, n), lt_span_position(up, 11 - n));
    }
    assert_int_equal(lt_window_bit(&band, &intel, 12), -1);
    assert_int_equal(lt_window_bit(&band, &motorola, 31), 7);
    assert_int_equal(lt_window_bit(&band, &motorola, 32), -1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(random_windows),
        cmocka_unit_test(sign_extended_windows),
        cmocka_unit_test(windows_around_two_to_31),
        cmocka_unit_test(windows_of_small_negative_numbers),
        cmocka_unit_test(a_single_change_in_a_constant_window),
        cmocka_unit_test(a_window_worked_by_hand),
        cmocka_unit_test(bits_of_a_window_as_the_project_counts_them),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
