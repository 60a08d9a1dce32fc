/* Which bits of a frame with pages are the same quantity on all of them? The selector's search says
 * so bit by bit (loomtap/measure/selector.h), which cannot be done for the low end of a number:
 * bits that flip like noise say nothing by themselves. Here a common bit that is busy takes the
 * bits below it along, while they are busy on every page, at one rate, and no busier from one page
 * to the next than from a page to its own next. Fields of their own would start with slow bits, or
 * be different from page to page. Slow bits above are taken along where they do not care for pages.
 */
#include "survey/fields_inside.h"
#include "survey/parts.h"

#define PAGES_MOST  64u
#define VALUES_MOST 65536u
#define BUSY        0.1  /* flips a step of the common bit above */
#define BUSY_BELOW  0.2  /* of those taken along, on every page, and */
#define ALIKE       1.35 /* no page more than so much busier than another */
#define NOT_LESS    0.8  /* of the rate of the bit above */
#define STEPS_LEAST 50u  /* on every page */
#define SLOW_FLIPS  2u

struct page_flips {
    uint64_t steps, flips[LT_FRAME_MAX * 8];
    const uint8_t *last;
};

struct flips {
    size_t pages;
    struct page_flips *page;
    struct page_flips across; /* between rows that follow each other on different pages */
};

static void note(struct page_flips *flips, const uint8_t *from, const uint8_t *to, unsigned length)
{
    flips->steps++;
    for (unsigned byte = 0; byte < length; byte++)
        for (unsigned moved = from[byte] ^ to[byte]; moved != 0; moved &= moved - 1)
            flips->flips[8 * byte + (unsigned)__builtin_ctz(moved)]++;
}

static bool count_flips(const struct lt_stream *stream, struct lt_arena *arena, struct flips *flips)
{
    const struct lt_kept *kept = &stream->kept;
    uint8_t *index = lt_arena_array(arena, VALUES_MOST, sizeof *index);
    flips->pages = stream->page_count;
    flips->page = lt_arena_array(arena, stream->page_count, sizeof *flips->page);
    if (!index || !flips->page)
        return false;
    for (size_t i = 0; i < stream->page_count; i++)
        index[stream->pages[i].value % VALUES_MOST] = (uint8_t)(i + 1);
    uint64_t before = 0;
    for (size_t row = 0; row < kept->count; row++) {
        const uint8_t *now = lt_kept_row(kept, row);
        uint64_t value = lt_bits_get(now, &stream->selector.bits) % VALUES_MOST;
        if (index[value] != 0) {
            struct page_flips *own = &flips->page[index[value] - 1];
            if (own->last)
                note(own, own->last, now, kept->key.length);
            own->last = now;
        }
        if (row != 0 && value != before && kept->flags[row] & LT_KEPT_NEXT)
            note(&flips->across, lt_kept_row(kept, row - 1), now, kept->key.length);
        before = value;
    }
    return true;
}

static double rate_of(const struct page_flips *flips, unsigned at)
{
    return (double)flips->flips[at] / (double)flips->steps;
}

static bool goes_along(const struct flips *flips, unsigned upper, unsigned at)
{
    double least = 1, most = 0, sum = 0;
    for (size_t i = 0; i < flips->pages; i++) {
        double rate = rate_of(&flips->page[i], at);
        least = rate < least ? rate : least;
        most = rate > most ? rate : most;
        sum += rate / (double)flips->pages;
    }
    double across = rate_of(&flips->across, at), above = rate_of(&flips->across, upper);
    return above >= BUSY && least >= BUSY_BELOW && most <= least * ALIKE && across <= sum * 1.1 &&
           across >= NOT_LESS * above;
}

/* A slow bit above: one that flips when the time comes, whatever the page, flips no more often in
 * the whole than on any page by itself. */
static bool is_slow_and_common(const struct flips *flips, unsigned at)
{
    uint64_t least = UINT64_MAX;
    for (size_t i = 0; i < flips->pages; i++) {
        uint64_t own = flips->page[i].flips[at];
        least = own < least ? own : least;
    }
    return least >= SLOW_FLIPS && flips->across.flips[at] <= least + least / 4 + 1;
}

/* Every page of every bit taken must have been seen for long enough. */
static bool is_enough(const struct flips *flips)
{
    bool enough = flips->across.steps >= STEPS_LEAST;
    for (size_t i = 0; i < flips->pages; i++)
        enough = enough && flips->page[i].steps >= STEPS_LEAST;
    return enough;
}

static bool may_join(const struct frame_parts *frame, const struct lt_bit_set *taken, int at)
{
    return at >= 0 && !lt_bit_set_has(&frame->common, (unsigned)at) &&
           !lt_bit_set_has(taken, (unsigned)at);
}

/* The next lower bit, then the next upper one: at a byte's edge one for each byte order. */
static bool take_along(struct frame_parts *frame, const struct flips *flips,
                       const struct lt_bit_set *taken, unsigned at)
{
    static const enum lt_order orders[] = {LT_ORDER_INTEL, LT_ORDER_MOTOROLA};
    const struct field_lines lines = {.length = frame->stream->key.length};
    for (unsigned i = 0; i < 4; i++) {
        bool below = i < 2;
        int next =
            below ? gap_lower(&lines, orders[i % 2], at) : gap_upper(&lines, orders[i % 2], at);
        if (may_join(frame, taken, next) && (below ? goes_along(flips, at, (unsigned)next)
                                                   : is_slow_and_common(flips, (unsigned)next))) {
            lt_bit_set_add(&frame->common, (unsigned)next);
            return true;
        }
    }
    return false;
}

bool parts_extend_common(struct frame_parts *frame, struct lt_arena *scratch)
{
    const struct lt_stream *stream = frame->stream;
    struct flips *flips = lt_arena_alloc(scratch, sizeof *flips);
    unsigned bits = 8u * stream->key.length;
    if (!flips)
        return false;
    if (stream->page_count < 2 || stream->page_count > PAGES_MOST)
        return true;
    if (!count_flips(stream, scratch, flips))
        return false;
    struct lt_bit_set taken = {{0}};
    lt_bit_set_add_bits(&taken, &stream->selector.bits);
    for (size_t i = 0; i < frame->page_count; i++)
        parts_take(&taken, &frame->pages[i], false);
    for (bool any = is_enough(flips); any;) {
        any = false;
        for (unsigned at = 0; at < bits; at++)
            if (lt_bit_set_has(&frame->common, at) && !lt_bit_set_has(&taken, at))
                any = take_along(frame, flips, &taken, at) || any;
    }
    return true;
}
