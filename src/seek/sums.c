/* Moments of a view's bits at the reference's times: ones, pairs of ones, and sums of the reference
 * where a bit is set. All whole numbers, so that they are exact whatever the order of adding.
 *
 * 64 samples at a time are turned into one word a bit; pairs are counted by AND and popcount. The
 * reference is summed by the value of each byte and shared out over its bits at the end. */
#include "seek/search.h"

#include "measure/moments_block.h"

struct tables {
    int64_t sum[8][256];
};

unsigned seek_bands(unsigned length)
{
    return length <= 8 ? 1 : (length - 8 + 3) / 4 + 1;
}

static unsigned bytes_of(const struct seek_view *view, unsigned band)
{
    unsigned rest = view->kept.key.length - 4 * band;
    return rest < 8 ? rest : 8;
}

uint64_t seek_usable(const struct seek_view *view, unsigned band, unsigned *ret_bytes)
{
    uint64_t usable = 0;
    *ret_bytes = bytes_of(view, band);
    for (unsigned bit = 0; bit < 8 * *ret_bytes; bit++)
        if (!lt_bit_set_has(&view->taken, 32 * band + bit))
            usable |= (uint64_t)1 << bit;
    return usable;
}

/* The band's bytes, the first one lowest. */
static uint64_t load(const uint8_t *at, unsigned bytes)
{
    uint64_t word = 0;
    for (unsigned i = 0; i < bytes; i++)
        word |= (uint64_t)at[i] << 8 * i;
    return word;
}

static void count_pairs(struct seek_sums *sums, const uint64_t block[LT_BLOCK_FRAMES],
                        uint64_t active)
{
    uint64_t bits[64];
    lt_block_kernel()->transpose(block, bits);
    for (uint64_t rest = active; rest; rest &= rest - 1) {
        unsigned i = (unsigned)__builtin_ctzll(rest);
        uint64_t below = active & (((uint64_t)2 << i) - 1);
        for (uint64_t others = below; others; others &= others - 1) {
            unsigned j = (unsigned)__builtin_ctzll(others);
            sums->both[i][j] += (uint64_t)__builtin_popcountll(bits[i] & bits[j]);
        }
    }
}

static void share_out(struct seek_sums *sums, const struct tables *tables, unsigned bytes)
{
    for (unsigned byte = 0; byte < bytes; byte++)
        for (unsigned bit = 0; bit < 8; bit++) {
            int64_t sum = 0;
            for (unsigned value = 0; value < 256; value++)
                sum += value >> bit & 1 ? tables->sum[byte][value] : 0;
            sums->cross[8 * byte + bit] = sum;
        }
}

/* Which bits are not the same in all samples. */
static uint64_t find_active(const struct seek_view *view, const struct seek_course *course,
                            const uint32_t *rows, unsigned band, unsigned bytes)
{
    uint64_t all = UINT64_MAX, any = 0;
    for (size_t i = 0; i < course->count; i++)
        if (rows[i] != SEEK_NO_ROW) {
            uint64_t word = load(lt_kept_row(&view->kept, rows[i]) + 4 * (size_t)band, bytes);
            all &= word;
            any |= word;
        }
    return any & ~all;
}

void seek_sums_take(const struct seek_view *view, const struct seek_course *course,
                    const uint32_t *rows, unsigned band, struct seek_sums *ret_sums)
{
    struct tables tables;
    uint64_t block[LT_BLOCK_FRAMES];
    unsigned filled = 0, bytes = bytes_of(view, band);
    memset(&tables, 0, sizeof tables);
    memset(ret_sums, 0, sizeof *ret_sums);
    ret_sums->active = find_active(view, course, rows, band, bytes);
    for (size_t i = 0; i < course->count; i++) {
        if (rows[i] == SEEK_NO_ROW)
            continue;
        uint64_t word = load(lt_kept_row(&view->kept, rows[i]) + 4 * (size_t)band, bytes);
        int64_t y = course->whole[i];
        for (unsigned byte = 0; byte < bytes; byte++)
            tables.sum[byte][word >> 8 * byte & 255] += y;
        ret_sums->count++;
        ret_sums->y += y;
        ret_sums->yy += (lt_wide_sum)(y * y);
        block[filled++] = word;
        if (filled == LT_BLOCK_FRAMES) {
            count_pairs(ret_sums, block, ret_sums->active);
            filled = 0;
        }
    }
    if (filled) {
        memset(block + filled, 0, (LT_BLOCK_FRAMES - filled) * sizeof *block);
        count_pairs(ret_sums, block, ret_sums->active);
    }
    share_out(ret_sums, &tables, bytes);
    for (unsigned bit = 0; bit < SEEK_BITS; bit++)
        ret_sums->ones[bit] = ret_sums->both[bit][bit];
}
