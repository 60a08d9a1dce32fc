/* The ceiling on searches: what it gives, and that a search stops at it and says so. */
#include "unit.h"

#include "loomtap/measure/check_solve.h"
#include "loomtap/measure/work.h"

static void what_is_not_there_is_not_taken(void **state)
{
    struct lt_work work = {100, false};
    (void)state;
    assert_true(lt_work_take(NULL, UINT64_MAX));
    assert_true(lt_work_take(&work, 60));
    assert_false(work.cut);
    assert_false(lt_work_take(&work, 41));
    assert_true(work.cut);
    assert_int_equal(work.left, 40);
    assert_true(lt_work_take(&work, 40));
}

static void the_own_allowance_goes_before_the_pool(void **state)
{
    struct lt_work_pool pool = {LT_WORK_POOL};
    (void)state;
    struct lt_work work = lt_work_begin(&pool, 1000, 8);
    assert_true(lt_work_take(&work, lt_work_own(1000, 8)));
    lt_work_end(&pool, &work);
    assert_int_equal(pool.left, LT_WORK_POOL);
    work = lt_work_begin(&pool, 1000, 8);
    assert_true(lt_work_take(&work, lt_work_own(1000, 8) + 5));
    lt_work_end(&pool, &work);
    assert_int_equal(pool.left, LT_WORK_POOL - 5);
}

static void no_search_empties_the_pool_alone(void **state)
{
    struct lt_work_pool pool = {LT_WORK_POOL};
    (void)state;
    unsigned searches = 0;
    while (pool.left && searches < 1000) {
        struct lt_work work = lt_work_begin(&pool, 10, 8);
        assert_true(lt_work_take(&work, work.left));
        lt_work_end(&pool, &work);
        searches++;
    }
    assert_in_range(searches, 10, 999);
    struct lt_work work = lt_work_begin(&pool, 10, 8);
    assert_int_equal(work.left, lt_work_own(10, 8));
}

#define ROWS   200u
#define LENGTH 64u

static uint8_t bytes[ROWS * LENGTH + 8];
static uint8_t flags[ROWS];
static int64_t time_ns[ROWS];

/* Random frames; `with_sum`: the last byte is the sum of the others. */
static struct lt_kept make_frames(bool with_sum)
{
    uint32_t random = 7;
    for (size_t row = 0; row < ROWS; row++) {
        uint8_t sum = 0;
        for (unsigned i = 0; i < LENGTH; i++) {
            random = random * 1664525u + 1013904223u;
            bytes[row * LENGTH + i] = (uint8_t)(random >> 24);
            sum = i + 1 < LENGTH ? (uint8_t)(sum + bytes[row * LENGTH + i]) : sum;
        }
        if (with_sum)
            bytes[row * LENGTH + LENGTH - 1] = sum;
        flags[row] = row ? LT_KEPT_FOLLOWS | LT_KEPT_NEXT : 0;
        time_ns[row] = (int64_t)row * 10000000;
    }
    return (struct lt_kept){
        .key = {.id = 0x100, .fd = true, .length = LENGTH},
        .count = ROWS,
        .time_ns = time_ns,
        .flags = flags,
        .bytes = bytes,
        .whole = true,
    };
}

static size_t find_within(bool with_sum, struct lt_work *work, struct lt_check_found *ret_found)
{
    struct lt_kept kept = make_frames(with_sum);
    struct lt_bit_set taken = {{0}};
    struct lt_arena arena;
    struct lt_error error;
    size_t count = 99;
    lt_arena_init(&arena, 0);
    assert_int_equal(
        lt_checks_find_within(&kept, NULL, 0, &taken, work, &arena, ret_found, &count, &error),
        LT_OK);
    lt_arena_release(&arena);
    return count;
}

static bool any_named(const struct lt_check_found *found, size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (found[i].form == LT_CHECK_FOUND)
            return true;
    return false;
}

static void a_search_without_end_is_cut_and_says_so(void **state)
{
    struct lt_check_found found[LT_CHECKS_MAX];
    struct lt_work work = {100000, false};
    (void)state;
    size_t count = find_within(false, &work, found);
    assert_true(work.cut);
    assert_false(any_named(found, count));
}

static void what_is_likeliest_is_tried_first(void **state)
{
    struct lt_check_found found[LT_CHECKS_MAX];
    struct lt_work work = {1000000, false};
    (void)state;
    size_t count = find_within(true, &work, found);
    assert_true(any_named(found, count));
    assert_int_equal(found[0].checksum.family, LT_CHECK_SUM);
    assert_int_equal(found[0].place.part[0].lsb, 8 * (LENGTH - 1));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_not_there_is_not_taken),
        cmocka_unit_test(the_own_allowance_goes_before_the_pool),
        cmocka_unit_test(no_search_empties_the_pool_alone),
        cmocka_unit_test(a_search_without_end_is_cut_and_says_so),
        cmocka_unit_test(what_is_likeliest_is_tried_first),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
