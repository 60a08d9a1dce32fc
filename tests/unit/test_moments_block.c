/* Blocks of 64 frames: the portable form against one bit at a time, the vector form against it. */
#include "unit.h"

#include "measure/moments_block.h"

static uint64_t random_state = 42;

static uint64_t random_word(void)
{
    random_state ^= random_state << 13;
    random_state ^= random_state >> 7;
    random_state ^= random_state << 17;
    return random_state;
}

static void check_transpose(const struct lt_block_kernel *kernel)
{
    for (unsigned i = 0; i < 100; i++) {
        uint64_t frames[64], bits[64];
        for (unsigned k = 0; k < 64; k++)
            frames[k] = i == 0 ? (uint64_t)1 << k : random_word() & random_word();
        kernel->transpose(frames, bits);
        for (unsigned k = 0; k < 64; k++)
            for (unsigned bit = 0; bit < 64; bit++)
                assert_int_equal(bits[bit] >> k & 1, frames[k] >> bit & 1);
    }
}

static unsigned count_ones(uint64_t word)
{
    unsigned count = 0;
    for (unsigned i = 0; i < 64; i++)
        count += word >> i & 1;
    return count;
}

static void check_pairs(const struct lt_block_kernel *kernel)
{
    static uint64_t both[2080], flips[2080], against[2080];
    struct lt_block_bit bits[64];
    struct lt_pair_tables tables = {both, flips, against};
    for (size_t count = 0; count <= 64; count += 7) {
        uint32_t slot = (uint32_t)(random_word() % (65 - count));
        memset(both, 0, sizeof both);
        memset(flips, 0, sizeof flips);
        memset(against, 0, sizeof against);
        for (size_t i = 0;
             i<count; i++, slot += (64 - slot)> count - i ? random_word() % 2 + 1 : 1) {
            if (slot > 63 - (count - 1 - i))
                slot = (uint32_t)(63 - (count - 1 - i));
            bits[i] = (struct lt_block_bit){random_word(), i % 5 == 0 ? 0 : random_word(), slot,
                                            slot * (slot + 1) / 2};
        }
        kernel->count_pairs(bits, count, &tables);
        kernel->count_pairs(bits, count, &tables);
        uint64_t sum = 0, expected = 0;
        for (size_t a = 0; a < count; a++)
            for (size_t b = 0; b <= a; b++) {
                size_t at = bits[a].row + bits[b].slot;
                uint64_t moves = bits[a].flips & bits[b].flips;
                assert_int_equal(both[at], 2 * count_ones(bits[a].on & bits[b].on));
                assert_int_equal(flips[at], 2 * count_ones(moves));
                assert_int_equal(against[at], 2 * count_ones(moves & (bits[a].on ^ bits[b].on)));
                expected += both[at];
            }
        for (size_t at = 0; at < 2080; at++)
            sum += both[at];
        assert_int_equal(sum, expected); /* nothing elsewhere */
    }
}

static void portable_form(void **state)
{
    (void)state;
    check_transpose(&lt_block_portable);
    check_pairs(&lt_block_portable);
}

static void the_form_that_this_processor_runs(void **state)
{
    (void)state;
    check_transpose(lt_block_kernel());
    check_pairs(lt_block_kernel());
}

/* A processor that has the latest instructions has those before them. */
static void the_forms_before_it(void **state)
{
    (void)state;
#if defined(__x86_64__) && !defined(LT_PORTABLE)
    if (__builtin_cpu_supports("avx2") && __builtin_cpu_supports("popcnt")) {
        check_transpose(&lt_block_avx2);
        check_pairs(&lt_block_avx2);
        return;
    }
#endif
    skip();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(portable_form),
        cmocka_unit_test(the_form_that_this_processor_runs),
        cmocka_unit_test(the_forms_before_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
