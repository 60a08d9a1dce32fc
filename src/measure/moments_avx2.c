/* Blocks of 64 frames with AVX2 and the instruction that counts ones (moments_block.h). Compiled
 * with its own flags and entered only where the processor knows these instructions; gives what
 * moments_block.c gives. */
#include "measure/moments_block.h"

#include <immintrin.h>

#define VECTORS 16 /* of 4 words */

/* One step of the transposition for words whose numbers differ in the bit `width`: a those without
 * it, b those with it. */
static inline __attribute__((always_inline)) void swap_parts(__m256i *a, __m256i *b, int width,
                                                             __m256i mask)
{
    __m256i swap = _mm256_and_si256(_mm256_xor_si256(_mm256_srli_epi64(*a, width), *b), mask);
    *a = _mm256_xor_si256(*a, _mm256_slli_epi64(swap, width));
    *b = _mm256_xor_si256(*b, swap);
}

/* Words 4 and more apart are in different vectors. */
static inline __attribute__((always_inline)) void far_step(__m256i v[VECTORS], int width,
                                                           int64_t mask)
{
    const __m256i masks = _mm256_set1_epi64x(mask);
    const int apart = width / 4;
    for (int i = 0; i < VECTORS; i = ((i | apart) + 1) & ~apart)
        swap_parts(&v[i], &v[i | apart], width, masks);
}

/* Words 2 and 1 apart are in the same one: two vectors are sorted apart and together again. */
static inline __attribute__((always_inline)) void near_steps(__m256i *v)
{
    const __m256i by_2 = _mm256_set1_epi64x(0x3333333333333333);
    const __m256i by_1 = _mm256_set1_epi64x(0x5555555555555555);
    __m256i a = _mm256_permute2x128_si256(v[0], v[1], 0x20); /* words 0 1 4 5 */
    __m256i b = _mm256_permute2x128_si256(v[0], v[1], 0x31); /* words 2 3 6 7 */
    swap_parts(&a, &b, 2, by_2);
    __m256i c = _mm256_unpacklo_epi64(a, b); /* words 0 2 4 6 */
    __m256i d = _mm256_unpackhi_epi64(a, b); /* words 1 3 5 7 */
    swap_parts(&c, &d, 1, by_1);
    a = _mm256_unpacklo_epi64(c, d); /* words 0 1 4 5 */
    b = _mm256_unpackhi_epi64(c, d); /* words 2 3 6 7 */
    v[0] = _mm256_permute2x128_si256(a, b, 0x20);
    v[1] = _mm256_permute2x128_si256(a, b, 0x31);
}

static void transpose(const uint64_t frames[LT_BLOCK_FRAMES], uint64_t ret_bits[64])
{
    __m256i v[VECTORS];
    for (int i = 0; i < VECTORS; i++)
        v[i] = _mm256_loadu_si256((const __m256i *)frames + i);
    far_step(v, 32, 0x00000000FFFFFFFF);
    far_step(v, 16, 0x0000FFFF0000FFFF);
    far_step(v, 8, 0x00FF00FF00FF00FF);
    far_step(v, 4, 0x0F0F0F0F0F0F0F0F);
    for (int i = 0; i < VECTORS; i += 2)
        near_steps(v + i);
    for (int i = 0; i < VECTORS; i++)
        _mm256_storeu_si256((__m256i *)ret_bits + i, v[i]);
}

static inline uint64_t ones(uint64_t word)
{
    return (uint64_t)_mm_popcnt_u64(word);
}

static void count_pairs(const struct lt_block_bit *bits, size_t count,
                        const struct lt_pair_tables *tables)
{
    for (size_t a = 0; a < count; a++) {
        uint64_t on = bits[a].on, flips = bits[a].flips;
        uint64_t *both_row = tables->both + bits[a].row;
        uint64_t *flips_row = tables->flips + bits[a].row;
        uint64_t *against_row = tables->against + bits[a].row;
        for (size_t b = 0; b <= a; b++) {
            size_t slot = bits[b].slot;
            uint64_t both_flip = flips & bits[b].flips;
            both_row[slot] += ones(on & bits[b].on);
            flips_row[slot] += ones(both_flip);
            against_row[slot] += ones(both_flip & (on ^ bits[b].on));
        }
    }
}

static void count_both(const uint64_t *words, size_t blocks, size_t count, uint64_t *both)
{
    lt_block_count_both(words, blocks, count, both, ones);
}

const struct lt_block_kernel lt_block_avx2 = {"avx2", transpose, count_pairs, count_both};
const struct lt_block_kernel lt_block_avx512 = {"avx512", transpose, lt_block_count_pairs_avx512,
                                                count_both};
