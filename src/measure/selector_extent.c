/* Where a selector ends (selector_inside.h).
 *
 * The window that was believed tells the pages; bits beside it that are the same on every frame of
 * a page may be its own too (a selector of 0 and 3 has two bits that always change together), or
 * what the pages hold and what never changes there. Three things tell: pages are mostly numbered
 * one after another, which chance hardly does; a byte in which nothing changes within a page is
 * mostly the selector's as a whole; and how much of what the pages hold elsewhere never changes.
 *
 * Bits that never move do not tell whose they are. But ones above, where nothing else of the byte
 * moves, are taken for part of the numbers, which are 194 to 199 then and not 2 to 7; and ones
 * below down to the end of the byte or of its half. */
#include <math.h>
#include <string.h>

#include "measure/selector_inside.h"

/* Bits of evidence: */
#define OWN_BYTE   2.0 /* a byte is the selector's as a whole */
#define NUMBERED   2.0 /* pages are numbered one after another */
#define STEPPED    1.0 /* ... or in equal steps */
#define RUN_MOST   12.0
#define FROM_START 1.0 /* ... from 0 or 1 on */
#define ALONE      1.5 /* nothing else of its byte moves, and the rest is 0 */
#define RARE       2.0 /* of a bit's being fixed: then a byte of them is telling */
#define IN_FRONT   2.0 /* most selectors are in the first byte */
#define ZEROS      1.0 /* zeros beside it, where unused bits are ones: it has bits that never moved */
#define WRITTEN    6.0 /* against a byte of a text: it tells the pages, but is what they hold */
#define ODD_ONES   2u  /* below the moving bits of numbers that are not one after another */
#define NEXT_BIT   0.3 /* share of that of a bit of the one beside it: they may be of one field */

#define BYTES 256u

/* What the window's byte holds on each page, and which of its bits change within a page. */
struct byte_of_pages {
    unsigned count;
    uint8_t value[BYTES];      /* of the first row of each page ... */
    const uint8_t *row[BYTES]; /* ... and that row */
    uint8_t fixed;             /* bits that are the same on all rows of any page ... */
    uint8_t moving;            /* ... and those that move at all */
    double rare;               /* bits of evidence that lie in a bit being fixed */
};

/* Of the explained bits elsewhere, how few are the same on every frame of a page. */
static double rarity_of_fixed(const struct judged *judged, unsigned bits, unsigned byte)
{
    unsigned fixed = 0, all = 0;
    for (unsigned bit = 0; bit < bits; bit++) {
        bool is_one = bit / 8 != byte && lt_bit_set_has(&judged->set, bit);
        all += is_one;
        fixed += is_one && judged->same.all.of[bit] == 0;
    }
    return log2((all + 1) / (fixed + 0.5));
}

static void read_pages(const struct search *s, const struct narrow *window,
                       const struct judged *judged, struct byte_of_pages *ret)
{
    uint16_t *first = s->scratch->after; /* 1 + number of the page */
    unsigned byte = window->span.lsb / 8u;
    memset(ret, 0, sizeof *ret);
    memset(first, 0, sizeof *first << window->width);
    ret->fixed = 0xFF;
    ret->rare = rarity_of_fixed(judged, s->rows.bits, byte);
    for (size_t row = 0; row < s->kept->count; row++) {
        const uint8_t *bytes = lt_kept_row(s->kept, row);
        uint16_t *page = &first[narrow_value(window, bytes)];
        if (*page == 0 && ret->count < BYTES) {
            ret->value[ret->count] = bytes[byte];
            ret->row[ret->count] = bytes;
            *page = (uint16_t)++ret->count;
        }
        if (*page)
            ret->fixed &= (uint8_t) ~(bytes[byte] ^ ret->value[*page - 1]);
        ret->moving |= bytes[byte] ^ ret->value[0];
    }
}

/* log2 of how many sets of `count` values there are in `width` bits. */
static double sets(unsigned width, unsigned count)
{
    double bits = 0, all = (double)(1u << width);
    for (unsigned k = 0; k < count; k++)
        bits += log2((all - k) / (k + 1));
    return bits;
}

/* They go on in equal steps without a gap: by how much; else 0. */
static unsigned step_of(const bool *present, unsigned width, unsigned *ret_count)
{
    unsigned step = 0, last = 0;
    bool even = true;
    *ret_count = 0;
    for (unsigned value = 0; value < 1u << width; value++) {
        if (!present[value])
            continue;
        if (*ret_count == 1)
            step = value - last;
        even = even && (*ret_count < 2 || value - last == step);
        last = value;
        ++*ret_count;
    }
    return even ? step : 0;
}

double lt_selector_run(const bool *present, unsigned width)
{
    unsigned count, step = step_of(present, width, &count);
    double bits = step == 0 ? 0 : sets(width, count) - (step > 1 ? 2 : 1) * (double)width;
    return bits > 0 ? bits : 0;
}

/* The numbers that the bits lsb to msb of the byte give the pages. */
struct numbers {
    unsigned count, first, step; /* step 0: not in equal steps */
    double bits;                 /* that it takes to say which they are */
    double run;                  /* bits of evidence that they are one run */
};

static struct numbers numbers_of(const struct byte_of_pages *pages, unsigned lsb, unsigned msb)
{
    bool present[BYTES] = {false};
    struct numbers ret = {.first = 0};
    unsigned mask = (1u << (msb - lsb + 1)) - 1;
    for (unsigned p = 0; p < pages->count; p++)
        present[pages->value[p] >> lsb & mask] = true;
    while (ret.first < BYTES - 1 && !present[ret.first])
        ret.first++;
    ret.step = step_of(present, msb - lsb + 1, &ret.count);
    unsigned moving = (unsigned)__builtin_popcount(pages->moving >> lsb & mask);
    ret.run = lt_selector_run(present, msb - lsb + 1);
    ret.bits = ret.run > 0 ? sets(msb - lsb + 1, ret.count) - ret.run : sets(moving, ret.count);
    return ret;
}

static double evidence_of_steps(const struct numbers *numbers)
{
    /* Two bits beside each other that are opposites soon come by chance. */
    if (numbers->count == 2 && numbers->first != 0)
        return 0;
    return numbers->step == 1 ? NUMBERED : numbers->step > 1 && numbers->count > 2 ? STEPPED : 0;
}

/* Bits lsb to msb that move and are not the window's own. */
static unsigned more_bits(const struct byte_of_pages *pages, const struct narrow *window,
                          unsigned lsb, unsigned msb)
{
    unsigned more = 0;
    for (unsigned bit = lsb; bit <= msb; bit++)
        more += (pages->moving >> bit & 1) &&
                (bit < window->span.lsb % 8u || bit > window->span.msb % 8u);
    return more;
}

/* How much it speaks for them that they are fixed too. */
static double evidence_of_more(const struct byte_of_pages *pages, unsigned more)
{
    return more ? pages->rare * (1 + NEXT_BIT * (more - 1)) : 0;
}

/* How much speaks for the bits lsb to msb of the byte, which are all fixed, around those of
 * `window`. */
static double evidence(const struct byte_of_pages *pages, const struct narrow *window, unsigned lsb,
                       unsigned msb)
{
    unsigned mask = ((1u << (msb - lsb + 1)) - 1) << lsb;
    unsigned more = more_bits(pages, window, lsb, msb);
    struct numbers numbers = numbers_of(pages, lsb, msb);
    bool whole = pages->fixed == 0xFF && (pages->moving & ~mask) == 0;
    /* Each page has to say what the bits are that are not in its number. */
    double said = (double)more * numbers.count - numbers.bits;
    return said + evidence_of_steps(&numbers) + (whole ? fmin(OWN_BYTE, pages->rare) : 0) +
           evidence_of_more(pages, more);
}

static bool has(uint8_t bits, unsigned bit)
{
    return bits >> bit & 1;
}

static struct narrow widened(const struct search *s, const struct narrow *window,
                             const struct byte_of_pages *pages)
{
    unsigned base = window->span.lsb / 8u * 8u, low = window->span.lsb % 8u;
    unsigned high = window->span.msb % 8u;
    struct narrow best = *window, wide;
    double most = evidence(pages, window, low, high);
    for (unsigned lsb = low + 1; lsb-- > 0 && (lsb == low || has(pages->fixed, lsb));)
        for (unsigned msb = high; msb < 8 && (msb == high || has(pages->fixed, msb)); msb++) {
            if ((lsb != low && !has(pages->moving, lsb)) ||
                (msb != high && !has(pages->moving, msb)))
                continue;
            double bits = evidence(pages, window, lsb, msb);
            if (bits <= most ||
                !narrow_make(&wide, base + lsb, msb - lsb + 1, false, s->kept->key.length))
                continue;
            most = bits;
            best = wide;
        }
    return best;
}

/* The unused bits of this frame are ones. */
static bool is_filled_with_ones(const struct search *s, unsigned byte)
{
    const uint8_t *row = lt_kept_row(s->kept, 0);
    unsigned ones = 0, still = 0;
    for (unsigned bit = 0; bit < s->rows.bits; bit++) {
        bool rests = bit / 8 != byte && !lt_bit_set_has(&s->moves, bit);
        still += rests;
        ones += rests && (row[bit / 8] >> bit % 8 & 1);
    }
    return 3 * ones > still;
}

/* The highest bit above the window's that is a one, if nothing above moves: the numbers begin
 * there. Where unused bits are ones, those at the byte's end may be unused. */
static unsigned highest_one(const struct byte_of_pages *pages, unsigned msb, bool filled)
{
    unsigned high = 7;
    if (pages->moving >> msb >> 1)
        return msb;
    while (filled && high > msb && has(pages->value[0], high))
        high--;
    while (high > msb && !has(pages->value[0], high))
        high--;
    return high;
}

/* Pages of odd numbers alone end in a one that never moves, those of every fourth in two. */
static unsigned lowest_one(const struct byte_of_pages *pages, unsigned lsb)
{
    uint8_t ones = (uint8_t)(pages->value[0] & ~pages->moving);
    unsigned low = lsb;
    for (unsigned bit = lsb; bit > 0 && lsb - bit < ODD_ONES && has(ones, bit - 1); bit--)
        if ((bit - 1) % 4 == 0)
            low = bit - 1;
    return low;
}

static struct narrow with_ones(const struct search *s, const struct narrow *window,
                               const struct byte_of_pages *pages)
{
    unsigned byte = window->span.lsb / 8u, lsb = window->span.lsb % 8u, msb = window->span.msb % 8u;
    bool filled = is_filled_with_ones(s, byte);
    unsigned high = highest_one(pages, msb, filled), low = filled ? lsb : lowest_one(pages, lsb);
    struct narrow wide;
    return narrow_make(&wide, 8 * byte + low, high - low + 1, false, s->kept->key.length) ? wide
                                                                                          : *window;
}

struct narrow lt_selector_extent(struct search *s, const struct narrow *window,
                                 const struct judged *judged)
{
    struct byte_of_pages pages;
    struct narrow wide;
    if (window->span.msb / 8 != window->span.lsb / 8)
        return *window;
    read_pages(s, window, judged, &pages);
    wide = widened(s, window, &pages);
    return with_ones(s, &wide, &pages);
}

static bool is_written(uint8_t byte)
{
    return (byte >= 'A' && byte <= 'Z') || (byte >= 'a' && byte <= 'z') ||
           (byte >= '0' && byte <= '9') || byte == '-' || byte == '.' || byte == '/' || byte == '_';
}

static bool is_blank(uint8_t byte)
{
    return byte == 0 || byte == ' ' || byte == 0xFF;
}

/* Never changes on a page, and is a letter or digit or nothing on each. */
static bool holds_text(const struct byte_of_pages *pages, const struct judged *judged,
                       unsigned byte)
{
    for (unsigned bit = 8 * byte; bit < 8 * byte + 8; bit++)
        if (judged->same.all.of[bit] != 0)
            return false;
    for (unsigned p = 0; p < pages->count; p++)
        if (!is_written(pages->row[p][byte]) && !is_blank(pages->row[p][byte]))
            return false;
    return true;
}

/* The byte and one beside it hold text: on the same page there is a letter in both. */
static bool is_of_text(const struct search *s, const struct byte_of_pages *pages,
                       const struct judged *judged, unsigned byte)
{
    unsigned first = byte ? byte - 1 : 1;
    for (unsigned other = first; other <= byte + 1 && other < s->kept->key.length; other += 2)
        for (unsigned p = 0; p < pages->count; p++)
            if (is_written(pages->row[p][byte]) && is_written(pages->row[p][other]) &&
                holds_text(pages, judged, byte) && holds_text(pages, judged, other))
                return true;
    return false;
}

double lt_selector_prior(struct search *s, const struct narrow *window, const struct judged *judged)
{
    struct byte_of_pages pages;
    unsigned byte = window->span.lsb / 8u;
    if (window->span.msb / 8u != byte)
        return 0;
    read_pages(s, window, judged, &pages);
    struct narrow wide = widened(s, window, &pages);
    unsigned lsb = wide.span.lsb % 8u, msb = wide.span.msb % 8u;
    bool alone = (pages.moving & ~(((1u << (msb - lsb + 1)) - 1) << lsb)) == 0;
    struct numbers numbers = numbers_of(&pages, lsb, msb);
    double bits = byte == 0 ? IN_FRONT : 0;
    uint8_t beside = (uint8_t)~pages.moving;
    bool zeros = beside != 0 && (pages.value[0] & beside) == 0;
    if (alone && zeros)
        bits += ALONE;
    if (alone && pages.rare >= RARE)
        bits += evidence_of_more(&pages, more_bits(&pages, window, lsb, msb));
    /* On two pages any bit is 0 and 1, and of two bits one is the other's opposite soon. */
    if (alone || numbers.count > 2)
        bits += fmax(evidence_of_steps(&numbers), fmin(numbers.run, RUN_MOST)) +
                (numbers.first < 2 ? FROM_START : 0);
    if (is_of_text(s, &pages, judged, byte))
        bits -= WRITTEN;
    return bits + (zeros && is_filled_with_ones(s, byte) ? ZEROS : 0);
}
