/* The hot part of the moments: 64 frames at a time, a word for each bit of the frame.
 *
 *     frames:   64 words, one a frame           bits:   64 words, one a bit of the frame
 *     word k = the 8 bytes of frame k    ->     word i, bit k = bit i of frame k
 *
 * In that form one AND and one count of ones serve 64 frames for a pair of bits. */
#ifndef LOOMTAP_MEASURE_MOMENTS_BLOCK_H
#define LOOMTAP_MEASURE_MOMENTS_BLOCK_H

#include <stddef.h>
#include <stdint.h>

#define LT_BLOCK_FRAMES 64u

/* One bit of a band in one block, for pair counting. `slot` orders the bits in the tables. */
struct lt_block_bit {
    uint64_t on;    /* frames in which it differs from the base */
    uint64_t flips; /* frames in which it differs from the one before, both next to each other */
    uint32_t slot, row; /* row: slot * (slot + 1) / 2, where its row begins in the tables */
};

/* Triangular tables: the pair of slots a >= b is at a * (a + 1) / 2 + b. */
struct lt_pair_tables {
    uint64_t *both, *flips, *against;
};

struct lt_block_kernel {
    const char *name;
    /* 64 x 64 bits, mirrored along the diagonal; the two may not overlap. */
    void (*transpose)(const uint64_t frames[LT_BLOCK_FRAMES], uint64_t ret_bits[64]);
    /* Every pair of `bits` (ascending slots), each with itself too, into the tables. */
    void (*count_pairs)(const struct lt_block_bit *bits, size_t count,
                        const struct lt_pair_tables *tables);
    /* Ones in both of every pair of `count` bits, over `blocks` blocks: the word of bit b in a
     * block is at words[block * count + b], the pair a >= b at both[a * (a + 1) / 2 + b]. */
    void (*count_both)(const uint64_t *words, size_t blocks, size_t count, uint64_t *both);
};

/* count_both for a kernel that counts the ones of a word in its own way: always inlined, so that it
 * is compiled with the kernel's flags. */
static inline __attribute__((always_inline)) void lt_block_count_both(const uint64_t *words,
                                                                      size_t blocks, size_t count,
                                                                      uint64_t *both,
                                                                      uint64_t (*ones)(uint64_t))
{
    for (size_t a = 0, at = 0; a < count; a++)
        for (size_t b = 0; b <= a; b++, at++) {
            uint64_t sum = 0;
            for (size_t block = 0; block < blocks; block++)
                sum += ones(words[block * count + a] & words[block * count + b]);
            both[at] += sum;
        }
}

extern const struct lt_block_kernel lt_block_portable, lt_block_avx2;
/* count_pairs eight pairs at once; what else the kernel does is that of AVX2. */
void lt_block_count_pairs_avx512(const struct lt_block_bit *bits, size_t count,
                                 const struct lt_pair_tables *tables);
extern const struct lt_block_kernel lt_block_avx512;
/* The best that this processor runs. */
const struct lt_block_kernel *lt_block_kernel(void);

#endif
