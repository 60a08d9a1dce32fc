/* 128-bit whole numbers: against known values, and the two implementations against each other. */
#include "unit.h"

#include "core/wide.h"

static uint64_t random64(uint64_t *state)
{
    *state += UINT64_C(0x9E3779B97F4A7C15); /* splitmix64 */
    uint64_t z = *state;
    z = (z ^ z >> 30) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ z >> 27) * UINT64_C(0x94D049BB133111EB);
    return z ^ z >> 31;
}

/* All sizes come up, and the edges often. */
static uint64_t random_edge(uint64_t *state)
{
    static const uint64_t edges[] = {0,
                                     1,
                                     2,
                                     INT64_MAX,
                                     (uint64_t)INT64_MAX + 1,
                                     UINT64_MAX,
                                     UINT64_MAX - 1,
                                     UINT32_MAX,
                                     (uint64_t)UINT32_MAX + 1};
    uint64_t pick = random64(state);
    if (pick % 4 == 0)
        return edges[pick / 4 % COUNT_OF(edges)];
    return random64(state) >> pick % 64;
}

static bool equal(struct lt_wide a, struct lt_wide b)
{
    return a.high == b.high && a.low == b.low;
}

static void portable_twin_multiplies_and_divides_alike(void **state)
{
    uint64_t seed = 1;
    (void)state;
    for (unsigned i = 0; i < 200000; i++) {
        uint64_t a = random_edge(&seed), b = random_edge(&seed);
        struct lt_wide top = {random_edge(&seed), random_edge(&seed)};
        struct lt_wide bottom = {i % 2 ? random_edge(&seed) : 0, random_edge(&seed)};
        struct lt_wide q1, r1, q2, r2;
        assert_true(equal(lt_wide_multiply(a, b), lt_wide_multiply_portable(a, b)));
        if (lt_wide_is_zero(bottom))
            continue;
        lt_wide_divide(top, bottom, &q1, &r1);
        lt_wide_divide_portable(top, bottom, &q2, &r2);
        assert_true(equal(q1, q2) && equal(r1, r2));
        assert_true(lt_wide_compare(r1, bottom) < 0);
    }
}

static void largest_products(void **state)
{
    struct lt_wide product = lt_wide_multiply_portable(UINT64_MAX, UINT64_MAX);
    (void)state;
    assert_true(product.high == UINT64_MAX - 1 && product.low == 1);
    assert_true(lt_wide_scale((struct lt_wide){1, 0}, UINT64_MAX, &product));
    assert_true(product.high == UINT64_MAX && product.low == 0);
    assert_false(lt_wide_scale((struct lt_wide){2, 0}, UINT64_C(1) << 63, &product));
    assert_false(lt_wide_add((struct lt_wide){UINT64_MAX, UINT64_MAX}, lt_wide_of(1), &product));
    assert_false(lt_wide_add((struct lt_wide){UINT64_MAX, 0}, (struct lt_wide){1, 0}, &product));
    assert_true(product.high == UINT64_MAX && product.low == 0);
}

static void signed_sums(void **state)
{
    static const int64_t numbers[] = {0, 1, -1, 5, -5, INT64_MAX, INT64_MIN + 1, -7000};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(numbers); i++)
        for (size_t k = 0; k < COUNT_OF(numbers); k++) {
            struct lt_signed_wide sum;
            int64_t expected;
            if (__builtin_add_overflow(numbers[i], numbers[k], &expected))
                continue;
            assert_true(lt_signed_wide_add(lt_signed_wide_of(numbers[i]),
                                           lt_signed_wide_of(numbers[k]), &sum));
            assert_int_equal(sum.negative, expected < 0);
            assert_true(sum.size.high == 0 && sum.size.low == lt_size_of(expected));
        }
}

static void quotients_round_once_half_to_even(void **state)
{
    const struct lt_wide one = lt_wide_of(1);
    const uint64_t two53 = UINT64_C(1) << 53;
    (void)state;
    assert_true(lt_wide_ratio(one, lt_wide_of(3), 53) == 1.0 / 3.0);
    assert_true(lt_wide_ratio(one, lt_wide_of(10), 53) == 0.1);
    assert_true(lt_wide_ratio(lt_wide_of(0), lt_wide_of(7), 53) == 0);
    assert_true(lt_wide_ratio(lt_wide_of(two53 + 1), one, 53) == 9007199254740992.0);
    assert_true(lt_wide_ratio(lt_wide_of(two53 + 3), one, 53) == 9007199254740996.0);
    /* A hair above the tie decides it. */
    assert_true(lt_wide_ratio(lt_wide_of((two53 + 1) * 2 + 1), lt_wide_of(2), 53) ==
                9007199254740994.0);
    assert_true(lt_wide_ratio(lt_wide_of(16777217), one, 24) == 16777216.0);
    assert_true(lt_wide_ratio(lt_wide_of(1234567890123456789), lt_wide_of(1000), 53) ==
                1234567890123456.789);
    assert_true(lt_wide_ratio((struct lt_wide){UINT64_MAX, UINT64_MAX}, one, 53) ==
                340282366920938463463374607431768211456.0);
    assert_true(lt_wide_ratio(one, (struct lt_wide){UINT64_C(1) << 62, 0}, 53) == 0x1p-126);
    assert_true(lt_wide_ratio(lt_wide_of(3), (struct lt_wide){INT64_MAX, UINT64_MAX}, 53) ==
                0x3p-127);
}

/* Whole doubles divided by the machine are correctly rounded (IEEE 754): the same must come out. */
static void quotients_agree_with_the_machine_division(void **state)
{
    uint64_t seed = 2;
    (void)state;
    for (unsigned i = 0; i < 100000; i++) {
        uint64_t a = random_edge(&seed) >> 11, b = random_edge(&seed) >> 11;
        if (b)
            assert_true(lt_wide_ratio(lt_wide_of(a), lt_wide_of(b), 53) == (double)a / (double)b);
    }
}

static void decimal_text(void **state)
{
    static const struct {
        struct lt_signed_wide value;
        unsigned decimals;
        const char *text;
    } rows[] = {
        {{false, {0, 0}}, 0, "0"},
        {{false, {0, 0}}, 2, "0.00"},
        {{true, {0, 5}}, 2, "-0.05"},
        {{true, {0, 12345}}, 2, "-123.45"},
        {{false, {1, 0}}, 0, "18446744073709551616"},
        {{false, {UINT64_MAX, UINT64_MAX}}, 0, "340282366920938463463374607431768211455"},
        {{true, {UINT64_MAX, UINT64_MAX}}, 18, "-340282366920938463463.374607431768211455"},
        {{false, {0, 1}}, 18, "0.000000000000000001"},
    };
    char text[48];
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        text[lt_wide_print(text, rows[i].value, rows[i].decimals)] = 0;
        assert_string_equal(text, rows[i].text);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(portable_twin_multiplies_and_divides_alike),
        cmocka_unit_test(largest_products),
        cmocka_unit_test(signed_sums),
        cmocka_unit_test(quotients_round_once_half_to_even),
        cmocka_unit_test(quotients_agree_with_the_machine_division),
        cmocka_unit_test(decimal_text),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
