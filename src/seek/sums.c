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
    if (bytes == 8) {
        memcpy(&word, at, sizeof word);
#if __BYTE_ORDER__ == __ORDER_BIG_ENDIAN__
        word = __builtin_bswap64(word);
#endif
        return word;
    }
    for (unsigned i = 0; i < bytes; i++)
        word |= (uint64_t)at[i] << 8 * i;
    return word;
}

/* Bits that move somewhere in the view. */
static uint64_t active_in(const struct seek_view *view, unsigned band, unsigned bytes)
{
    uint64_t active = 0;
    for (unsigned bit = 0; bit < 8 * bytes; bit++)
        active |= (uint64_t)lt_bit_set_has(&view->moving, 32 * band + bit) << bit;
    return active;
}

#define BLOCKS 8u /* that are counted together */

/* Pairs of the moving bits, packed. */
struct packed {
    uint8_t bit[SEEK_BITS]; /* of each packed one */
    size_t count, blocks;
    uint64_t words[BLOCKS * SEEK_BITS];
    uint64_t both[SEEK_BITS * (SEEK_BITS + 1) / 2];
};

static void flush(struct packed *packed)
{
    lt_block_kernel()->count_both(packed->words, packed->blocks, packed->count, packed->both);
    packed->blocks = 0;
}

static void add_block(struct packed *packed, const uint64_t block[LT_BLOCK_FRAMES])
{
    uint64_t bits[64];
    lt_block_kernel()->transpose(block, bits);
    for (size_t n = 0; n < packed->count; n++)
        packed->words[packed->blocks * packed->count + n] = bits[packed->bit[n]];
    if (++packed->blocks == BLOCKS)
        flush(packed);
}

static void unpack(const struct packed *packed, struct seek_sums *sums)
{
    for (size_t a = 0, at = 0; a < packed->count; a++)
        for (size_t b = 0; b <= a; b++, at++)
            sums->both[packed->bit[a]][packed->bit[b]] = packed->both[at];
    for (size_t a = 0; a < packed->count; a++)
        sums->ones[packed->bit[a]] = sums->both[packed->bit[a]][packed->bit[a]];
}

static void share_out(struct seek_sums *sums, const struct tables *tables)
{
    for (uint64_t rest = sums->active; rest; rest &= rest - 1) {
        unsigned bit = (unsigned)__builtin_ctzll(rest);
        int64_t sum = 0;
        for (unsigned value = 0; value < 256; value++)
            sum += value >> bit % 8 & 1 ? tables->sum[bit / 8][value] : 0;
        sums->cross[bit] = sum;
    }
}

void seek_sums_take(const struct seek_view *view, const struct seek_course *course,
                    const uint32_t *rows, unsigned band, struct seek_sums *ret_sums)
{
    struct tables tables;
    struct packed packed;
    uint64_t block[LT_BLOCK_FRAMES];
    unsigned filled = 0, bytes = bytes_of(view, band), used_count = 0, used[8];
    memset(&tables, 0, sizeof tables);
    memset(ret_sums, 0, sizeof *ret_sums);
    packed.count = packed.blocks = 0;
    memset(packed.both, 0, sizeof packed.both);
    ret_sums->active = active_in(view, band, bytes);
    for (unsigned bit = 0; bit < SEEK_BITS; bit++)
        if (ret_sums->active >> bit & 1)
            packed.bit[packed.count++] = (uint8_t)bit;
    for (unsigned byte = 0; byte < bytes; byte++)
        if (ret_sums->active >> 8 * byte & 255)
            used[used_count++] = byte;
    for (size_t i = 0; i < course->count; i++) {
        if (rows[i] == SEEK_NO_ROW)
            continue;
        uint64_t word = load(lt_kept_row(&view->kept, rows[i]) + 4 * (size_t)band, bytes);
        int64_t y = course->whole[i];
        for (unsigned n = 0; n < used_count; n++)
            tables.sum[used[n]][word >> 8 * used[n] & 255] += y;
        ret_sums->count++;
        ret_sums->y += y;
        ret_sums->yy += (lt_wide_sum)(y * y);
        block[filled++] = word;
        if (filled == LT_BLOCK_FRAMES) {
            add_block(&packed, block);
            filled = 0;
        }
    }
    if (filled) {
        memset(block + filled, 0, (LT_BLOCK_FRAMES - filled) * sizeof *block);
        add_block(&packed, block);
    }
    flush(&packed);
    unpack(&packed, ret_sums);
    share_out(ret_sums, &tables);
}
