/* Which bits mean the same on every page of a frame with a selector (selector_inside.h).
 *
 * A bit that does flips less from frame to frame than from one frame of a page to the next one of
 * it, for more time has passed; a bit of one page cannot. Bits that flip all the time (the low end
 * of a common field, a check) do not tell by this; they go with their neighbours where each page
 * shows the same of them. */
#include <math.h>
#include <string.h>

#include "loomtap/core/frame.h"
#include "measure/selector_inside.h"

#define PAGES_MAX    64
#define SLOWER       1.35 /* flips within pages over flips from frame to frame */
#define ROWS_OF_PAGE 8
#define DEVIATIONS   4.0
#define RANDOM_LOW   0.40
#define RANDOM_HIGH  0.60
#define SURE_SHARE   0.8

struct page_counts {
    uint32_t rows, pairs;
    uint32_t ones[SELECTOR_BITS], flips[SELECTOR_BITS];
};

static bool bit_of(const struct rows *rows, size_t row, unsigned bit)
{
    return rows->word[row * rows->words + bit / 64] >> bit % 64 & 1;
}

/* Counts for the first pages seen, up to PAGES_MAX. */
static size_t count_pages(const struct rows *rows, const uint16_t *values, unsigned width,
                          struct by_value *scratch, struct page_counts *pages)
{
    size_t count = 0;
    memset(scratch->last, 0, sizeof *scratch->last << width);
    memset(scratch->times, 0, sizeof *scratch->times << width);
    for (size_t i = 0; i < rows->count; i++) {
        uint32_t *page = &scratch->times[values[i]], *last = &scratch->last[values[i]];
        if (*page == 0 && count < PAGES_MAX)
            *page = (uint32_t)++count;
        if (*page == 0)
            continue;
        struct page_counts *at = &pages[*page - 1];
        at->rows++;
        at->pairs += *last != 0;
        for (unsigned bit = 0; bit < rows->bits; bit++) {
            at->ones[bit] += bit_of(rows, i, bit);
            at->flips[bit] += *last && bit_of(rows, i, bit) != bit_of(rows, *last - 1, bit);
        }
        *last = (uint32_t)i + 1;
    }
    return count;
}

static bool is_alike(double part, double all, double share)
{
    double spread = sqrt(all * share * (1 - share)) + 0.5;
    return fabs(part - all * share) <= DEVIATIONS * spread;
}

static bool is_alike_everywhere(const struct page_counts *pages, size_t count, unsigned bit)
{
    double rows = 0, pairs = 0, ones = 0, flips = 0;
    for (size_t p = 0; p < count; p++) {
        rows += pages[p].rows;
        pairs += pages[p].pairs;
        ones += pages[p].ones[bit];
        flips += pages[p].flips[bit];
    }
    for (size_t p = 0; p < count; p++) {
        if (pages[p].rows < ROWS_OF_PAGE)
            continue;
        if (!is_alike(pages[p].ones[bit], pages[p].rows, ones / rows) ||
            !is_alike(pages[p].flips[bit], pages[p].pairs, flips / pairs))
            return false;
    }
    return true;
}

struct common_work {
    unsigned bits;
    bool sure[SELECTOR_BITS], maybe[SELECTOR_BITS], random[SELECTOR_BITS];
};

/* Those that cannot tell by themselves go with a sure neighbour, through others like them; and a
 * whole byte of random bits is a check. */
static void spread(struct common_work *work, struct lt_bit_set *common)
{
    bool in[SELECTOR_BITS];
    memcpy(in, work->sure, sizeof in);
    for (unsigned bit = 1; bit < work->bits; bit++)
        in[bit] = in[bit] || (work->maybe[bit] && in[bit - 1]);
    for (unsigned bit = work->bits - 1; bit-- > 0;)
        in[bit] = in[bit] || (work->maybe[bit] && in[bit + 1]);
    for (unsigned byte = 0; byte < work->bits / 8; byte++) {
        unsigned random = 0;
        for (unsigned bit = 8 * byte; bit < 8 * byte + 8; bit++)
            random += work->random[bit];
        for (unsigned bit = 8 * byte; bit < 8 * byte + 8; bit++)
            in[bit] = in[bit] || random == 8;
    }
    for (unsigned bit = 0; bit < work->bits; bit++)
        if (in[bit])
            lt_bit_set_add(common, bit);
}

enum lt_code lt_selector_common(const struct rows *rows, const uint16_t *values, unsigned width,
                                const struct flip_counts *next, const struct flip_counts *same,
                                const struct lt_bit_set *own, struct by_value *scratch,
                                struct lt_arena *arena, struct lt_bit_set *common,
                                struct lt_error *error)
{
    struct page_counts *pages = lt_arena_array(arena, PAGES_MAX, sizeof *pages);
    struct common_work *work = lt_arena_alloc(arena, sizeof *work);
    if (!pages || !work)
        return lt_fail(error, LT_E_MEMORY, "no memory to look for a selector");
    size_t count = count_pages(rows, values, width, scratch, pages);
    work->bits = rows->bits;
    for (unsigned bit = 0; bit < rows->bits; bit++) {
        if (lt_bit_set_has(own, bit) || next->of[bit] == 0)
            continue;
        double by_next = (double)next->of[bit] / (double)next->pairs;
        double by_page = (double)same->of[bit] / (double)same->pairs;
        bool alike = is_alike_everywhere(pages, count, bit);
        work->sure[bit] = by_page >= SLOWER * by_next;
        work->maybe[bit] = alike && by_page >= SURE_SHARE * by_next;
        work->random[bit] = alike && by_next > RANDOM_LOW && by_next < RANDOM_HIGH &&
                            by_page > RANDOM_LOW && by_page < RANDOM_HIGH;
    }
    spread(work, common);
    return LT_OK;
}
