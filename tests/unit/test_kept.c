/* Rows of one page out of kept frames, and sets of bits. */
#include "unit.h"

#include "loomtap/measure/kept.h"
#include "measure/kept_flags.h"

#define MS INT64_C(1000000)

static const struct lt_bits first_byte = {.parts = 1, .part = {{7, 0}}};

static struct lt_kept page(const struct lt_kept *kept, uint64_t value, int64_t period_ns,
                           struct lt_arena *arena)
{
    struct lt_kept rows;
    assert_int_equal(lt_kept_page(kept, &first_byte, value, period_ns, arena, &rows, NULL), LT_OK);
    return rows;
}

static void a_page_has_its_rows_and_flags_of_its_own(void **state)
{
    /* Pages 1 2 1 2 1 | 1 2 1: at | rows were thinned out; the last page 1 came late. */
    static const uint8_t bytes[2 * 8 + 8] = {1, 10, 2, 20, 1, 11, 2, 21,
                                             1, 12, 1, 40, 2, 50, 1, 41};
    static const int64_t time_ns[] = {0,       10 * MS,  20 * MS,  30 * MS,
                                      40 * MS, 400 * MS, 410 * MS, 431 * MS};
    static const uint8_t flags[] = {0, 1, 1, 1, 1, 0, 1, 1};
    struct lt_kept kept = {
        .key = {.length = 2}, .count = 8, .time_ns = time_ns, .flags = flags, .bytes = bytes};
    struct lt_arena arena;
    (void)state;
    lt_arena_init(&arena, 0);
    struct lt_kept one = page(&kept, 1, 20 * MS, &arena);
    assert_int_equal(one.count, 5);
    static const uint8_t values[] = {10, 11, 12, 40, 41};
    static const uint8_t expected[] = {0, 3, 3, 0, 1};
    for (size_t row = 0; row < 5; row++) {
        assert_int_equal(lt_kept_row(&one, row)[1], values[row]);
        assert_int_equal(one.flags[row], expected[row]);
    }
    /* Where the page has no period its next frame is next whenever it comes. */
    assert_int_equal(page(&kept, 1, 0, &arena).flags[4], 3);
    struct lt_kept two = page(&kept, 2, 20 * MS, &arena);
    assert_int_equal(two.count, 3);
    assert_int_equal(two.flags[1], 3);
    assert_int_equal(two.flags[2], 0);
    assert_int_equal(page(&kept, 3, 0, &arena).count, 0);
    lt_arena_release(&arena);
}

static void a_page_without_memory_is_an_error(void **state)
{
    static const uint8_t bytes[16] = {1}, flags[1] = {0};
    static const int64_t time_ns[1] = {0};
    struct lt_kept kept = {
        .key = {.length = 8}, .count = 1, .time_ns = time_ns, .flags = flags, .bytes = bytes};
    (void)state;
    for (unsigned i = 1; i <= 3; i++) {
        struct lt_kept rows = {.count = 77};
        struct lt_arena arena;
        lt_arena_init(&arena, 0);
        arena.fail_countdown = i;
        assert_int_equal(lt_kept_page(&kept, &first_byte, 1, 0, &arena, &rows, NULL), LT_E_MEMORY);
        assert_int_equal(rows.count, 77);
        lt_arena_release(&arena);
    }
}

static void next_means_at_most_one_and_a_half_periods(void **state)
{
    (void)state;
    assert_true(lt_gap_is_next(0, 10));
    assert_true(lt_gap_is_next(15, 10));
    assert_false(lt_gap_is_next(16, 10));
    assert_false(lt_gap_is_next(-1, 10));
    assert_true(lt_gap_is_next(INT64_MAX, 0));
    assert_false(lt_gap_is_next(-1, 0));
    assert_false(lt_gap_is_next(INT64_MAX, INT64_MAX / 2));
    assert_int_equal(lt_gap_of(INT64_MIN, INT64_MAX), INT64_MAX);
    assert_int_equal(lt_gap_of(INT64_MAX, INT64_MIN), INT64_MIN);
}

static void a_field_in_a_set_of_bits(void **state)
{
    struct lt_bit_set set = {{0}};
    struct lt_bits motorola = {.parts = 1, .part = {{3, 8 + 6}}}, /* 0.3..1.6: 0.3-0.0, 1.7, 1.6 */
        beside = {.parts = 1, .part = {{8 + 5, 8 + 0}}},
                   across = {.parts = 2, .part = {{63, 56}, {9, 14}}};
    (void)state;
    lt_bit_set_add_bits(&set, &motorola);
    assert_int_equal(set.word[0], 0xC00F);
    assert_true(lt_bit_set_has(&set, 15));
    assert_false(lt_bit_set_has(&set, 13));
    assert_false(lt_bit_set_meets(&set, &beside));
    assert_true(lt_bit_set_meets(&set, &motorola));
    across.part[1] = (struct lt_span){14, 9};
    assert_true(lt_bit_set_meets(&set, &across));
    lt_bit_set_add(&set, 511);
    assert_true(lt_bit_set_has(&set, 511));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_page_has_its_rows_and_flags_of_its_own),
        cmocka_unit_test(a_page_without_memory_is_an_error),
        cmocka_unit_test(next_means_at_most_one_and_a_half_periods),
        cmocka_unit_test(a_field_in_a_set_of_bits),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
