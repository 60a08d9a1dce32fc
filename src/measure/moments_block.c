/* Blocks of 64 frames in portable C (moments_block.h): what every vector form is compared with. */
#include "measure/moments_block.h"

#include "loomtap/base/bytes.h"

/* By quarters: swaps the upper right with the lower left, then the same inside each quarter
 * (Warren, "Hacker's Delight", 2nd edition, section 7-3, for the matrix whose columns count from
 * the least significant bit). */
static void transpose(const uint64_t frames[LT_BLOCK_FRAMES], uint64_t ret_bits[64])
{
    uint64_t mask = 0x00000000FFFFFFFF;
    for (unsigned i = 0; i < 64; i++)
        ret_bits[i] = frames[i];
    for (unsigned width = 32; width != 0; width >>= 1, mask ^= mask << width) {
        for (unsigned i = 0; i < 64; i = ((i | width) + 1) & ~width) {
            uint64_t swap = (ret_bits[i] >> width ^ ret_bits[i | width]) & mask;
            ret_bits[i] ^= swap << width;
            ret_bits[i | width] ^= swap;
        }
    }
}

static inline uint64_t ones(uint64_t word)
{
    return lt_count_ones(word);
}

static void count_pairs(const struct lt_block_bit *bits, size_t count,
                        const struct lt_pair_tables *tables)
{
    for (size_t a = 0; a < count; a++) {
        uint64_t on = bits[a].on, flips = bits[a].flips;
        for (size_t b = 0; b <= a; b++) {
            size_t at = bits[a].row + bits[b].slot;
            uint64_t both_flip = flips & bits[b].flips;
            tables->both[at] += ones(on & bits[b].on);
            if (both_flip == 0)
                continue;
            tables->flips[at] += ones(both_flip);
            tables->against[at] += ones(both_flip & (on ^ bits[b].on));
        }
    }
}

static void count_both(const uint64_t *words, size_t blocks, size_t count, uint64_t *both)
{
    lt_block_count_both(words, blocks, count, both, ones);
}

const struct lt_block_kernel lt_block_portable = {"portable", transpose, count_pairs, count_both};

const struct lt_block_kernel *lt_block_kernel(void)
{
#if defined(__x86_64__) && !defined(LT_PORTABLE)
    if (__builtin_cpu_supports("avx2") && __builtin_cpu_supports("popcnt"))
        return __builtin_cpu_supports("avx512f") && __builtin_cpu_supports("avx512vpopcntdq")
                   ? &lt_block_avx512
                   : &lt_block_avx2;
#endif
    return &lt_block_portable;
}
