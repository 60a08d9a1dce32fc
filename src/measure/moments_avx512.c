/* Pairs of blocks of 64 frames where the processor counts the ones of eight words at once
 * (moments_block.h). Compiled with its own flags and entered only where the processor knows these
 * instructions; gives what moments_block.c gives. */
#include "measure/moments_block.h"

#include <immintrin.h>

#define BITS_MAX 64u
#define AT_ONCE  8u

/* The words of the bits by their slots; 0 where a slot has none. */
struct by_slot {
    uint64_t on[BITS_MAX], flips[BITS_MAX];
};

/* Adds the ones of each word to a row's counts from `slot` on. */
static inline __attribute__((always_inline)) void add_ones(uint64_t *row, unsigned slot,
                                                           __mmask8 which, __m512i words)
{
    __m512i counts = _mm512_maskz_loadu_epi64(which, row + slot);
    counts = _mm512_add_epi64(counts, _mm512_popcnt_epi64(words));
    _mm512_mask_storeu_epi64(row + slot, which, counts);
}

static void count_row(const struct lt_block_bit *bit, const struct by_slot *words,
                      const struct lt_pair_tables *tables)
{
    const __m512i on = _mm512_set1_epi64((long long)bit->on);
    const __m512i flips = _mm512_set1_epi64((long long)bit->flips);
    for (unsigned slot = 0; slot <= bit->slot; slot += AT_ONCE) {
        unsigned left = bit->slot + 1 - slot;
        __mmask8 which = (__mmask8)(left >= AT_ONCE ? 0xFF : (1u << left) - 1);
        __m512i other = _mm512_loadu_si512(words->on + slot);
        add_ones(tables->both + bit->row, slot, which, _mm512_and_si512(on, other));
        if (bit->flips == 0)
            continue;
        __m512i both = _mm512_and_si512(flips, _mm512_loadu_si512(words->flips + slot));
        add_ones(tables->flips + bit->row, slot, which, both);
        add_ones(tables->against + bit->row, slot, which,
                 _mm512_and_si512(both, _mm512_xor_si512(on, other)));
    }
}

void lt_block_count_pairs_avx512(const struct lt_block_bit *bits, size_t count,
                                 const struct lt_pair_tables *tables)
{
    struct by_slot words;
    if (count == 0)
        return;
    for (unsigned slot = 0; slot <= bits[count - 1].slot; slot += AT_ONCE) {
        _mm512_storeu_si512(words.on + slot, _mm512_setzero_si512());
        _mm512_storeu_si512(words.flips + slot, _mm512_setzero_si512());
    }
    for (size_t i = 0; i < count; i++) {
        words.on[bits[i].slot] = bits[i].on;
        words.flips[bits[i].slot] = bits[i].flips;
    }
    for (size_t i = 0; i < count; i++)
        count_row(&bits[i], &words, tables);
}
