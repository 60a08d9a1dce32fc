/* The arena: alignment, ceiling, and failing on purpose. */
#include "unit.h"

#include "loomtap/base/arena.h"

static void memory_is_zeroed_and_aligned(void **state)
{
    struct lt_arena arena;
    (void)state;
    lt_arena_init(&arena, 0);
    for (size_t size = 0; size < 10000; size += 37) {
        unsigned char *bytes = lt_arena_alloc(&arena, size);
        assert_non_null(bytes);
        assert_int_equal((uintptr_t)bytes % _Alignof(max_align_t), 0);
        for (size_t i = 0; i < size; i++)
            assert_int_equal(bytes[i], 0);
        memset(bytes, 0xA5, size);
    }
    lt_arena_release(&arena);
}

static void the_ceiling_holds(void **state)
{
    struct lt_arena arena;
    (void)state;
    lt_arena_init(&arena, 1000);
    assert_non_null(lt_arena_alloc(&arena, 900));
    assert_null(lt_arena_alloc(&arena, 900));
    assert_true(arena.failed);
    assert_null(lt_arena_array(&arena, SIZE_MAX / 2, 3));
    assert_null(lt_arena_alloc(&arena, SIZE_MAX));
    lt_arena_release(&arena);
}

static void it_fails_when_told_and_from_then_on(void **state)
{
    struct lt_arena arena;
    (void)state;
    lt_arena_init(&arena, 0);
    arena.fail_countdown = 3;
    assert_non_null(lt_arena_alloc(&arena, 1));
    assert_non_null(lt_arena_string(&arena, "x"));
    assert_null(lt_arena_alloc(&arena, 1));
    assert_null(lt_arena_alloc(&arena, 1));
    lt_arena_release(&arena);
}

static void pushed_items_stay_in_order(void **state)
{
    struct lt_arena arena;
    int *list = NULL;
    size_t count = 0, capacity = 0;
    (void)state;
    lt_arena_init(&arena, 0);
    for (int i = 0; i < 1000; i++) {
        int *item = lt_arena_push(&arena, &list, &count, &capacity, sizeof *item);
        assert_non_null(item);
        *item = i;
    }
    assert_int_equal(count, 1000);
    for (int i = 0; i < 1000; i++)
        assert_int_equal(list[i], i);
    lt_arena_release(&arena);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(memory_is_zeroed_and_aligned),
        cmocka_unit_test(the_ceiling_holds),
        cmocka_unit_test(it_fails_when_told_and_from_then_on),
        cmocka_unit_test(pushed_items_stay_in_order),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
