/* Bits just above a field: does its number go on there?
 *
 * If the field wraps when such a bit flips, and together with the bit it does not, the field is cut
 * short. Only bits that nothing else on the same page claims are looked at. */
#include <math.h>

#include "prove/inside.h"

/* In parts of the field. */
#define WRAP_STEP       0.5
#define SMOOTH_STEP     0.3
#define WRAPS_LEAST     3
#define EXPLAINED_LEAST 0.9
#define HARMED_MOST     0.1

/* --- which bits are whose --- */

static bool clauses_exclude(const struct lt_page_clause *a, const struct lt_page_clause *b)
{
    if (a->selector != b->selector)
        return false;
    for (unsigned i = 0; i < a->ranges; i++)
        for (unsigned k = 0; k < b->ranges; k++)
            if (a->range[i].first <= b->range[k].last && b->range[k].first <= a->range[i].last)
                return false;
    return true;
}

static bool never_together(const struct lt_signal_def *a, const struct lt_signal_def *b)
{
    for (size_t i = 0; i < a->page_count; i++)
        for (size_t k = 0; k < b->page_count; k++)
            if (clauses_exclude(&a->page[i], &b->page[k]))
                return true;
    return false;
}

static bool is_claimed(const struct lt_profile *profile, uint32_t frame, uint32_t signal,
                       uint16_t position)
{
    const struct lt_frame_def *def = &profile->frames[frame];
    struct lt_bits bit = {1, {{position, position}}};
    if (def->counter.present && lt_bits_overlap(&def->counter.bits, &bit))
        return true;
    for (size_t i = 0; i < def->checksum_count; i++)
        if (lt_bits_overlap(&def->checksums[i].place, &bit))
            return true;
    for (uint32_t i = 0; i < profile->signal_count; i++) {
        const struct lt_signal_def *other = &profile->signals[i];
        if (i == signal || other->frame != frame || !lt_bits_overlap(&other->bits, &bit))
            continue;
        if (signal == LT_NONE || !never_together(&profile->signals[signal], other))
            return true;
    }
    return false;
}

static void add_neighbour(const struct lt_profile *profile, uint32_t frame, uint32_t signal,
                          int position, struct neighbour *list, size_t *count)
{
    if (position < 0 || position >= 8 * (int)profile->frames[frame].length)
        return;
    if (!is_claimed(profile, frame, signal, (uint16_t)position))
        list[(*count)++] = (struct neighbour){.position = (uint16_t)position};
}

size_t find_neighbours(const struct lt_profile *profile, uint32_t frame, const struct lt_bits *bits,
                       uint32_t signal, struct neighbour ret_list[NEIGHBOURS_MAX])
{
    size_t count = 0;
    if (bits->parts != 1)
        return 0;
    int top = bits->part[0].msb;
    enum lt_order order = lt_bits_order(bits);
    if (top % 8 != 7) {
        add_neighbour(profile, frame, signal, top + 1, ret_list, &count);
        return count;
    }
    if (order != LT_ORDER_MOTOROLA)
        add_neighbour(profile, frame, signal, top + 1, ret_list, &count);
    if (order != LT_ORDER_INTEL)
        add_neighbour(profile, frame, signal, top - 15, ret_list, &count);
    return count;
}

/* Around the whole of field and bit: a running number wraps there too. */
static double the_short_way(double step)
{
    return step >= 1 ? step - 2 : step < -1 ? step + 2 : step;
}

void neighbour_step(struct neighbour *n, enum lt_sign sign, unsigned length, uint64_t raw,
                    uint64_t before, bool bit, bool was)
{
    uint64_t top = (uint64_t)1 << length;
    double size = (double)top;
    double step =
        ((double)ordered(sign, length, raw) - (double)ordered(sign, length, before)) / size;
    double whole = ((double)ordered(sign, length + 1, bit ? raw | top : raw) -
                    (double)ordered(sign, length + 1, was ? before | top : before)) /
                   size;
    whole = the_short_way(whole);
    if (length == 1) { /* of two codes one step is half of all: it wraps where it falls */
        n->wraps += raw < before;
        n->explained += raw < before && whole > 0 && whole <= WRAP_STEP;
        n->harmed += raw > before && bit != was;
    } else if (fabs(step) > WRAP_STEP) {
        n->wraps++;
        n->explained += fabs(whole) < SMOOTH_STEP;
    } else {
        n->harmed += fabs(whole) > WRAP_STEP;
    }
}

const struct neighbour *goes_on(const struct neighbour *list, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        double wraps = (double)list[i].wraps;
        if (list[i].wraps >= WRAPS_LEAST && (double)list[i].explained >= EXPLAINED_LEAST * wraps &&
            (double)list[i].harmed <= HARMED_MOST * wraps)
            return &list[i];
    }
    return NULL;
}
