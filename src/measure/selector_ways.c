/* How a window's pages go on, each by itself (selector_inside.h): what tells a selector from a
 * counter beside a check, and from a piece of a number.
 *
 * A check is a function of all that it runs over. Beside an alive counter, in a frame whose
 * contents stand still, the counter tells it as a selector tells its pages. But when the contents
 * change, the check changes with every value of the counter, one after the other; while a page
 * changes alone, and what else changes leaves it as it is. */
#include <string.h>

#include "measure/selector_inside.h"

#define OWN_LEAST  3  /* changes on a page by itself */
#define HELD_LEAST 40 /* times that it stayed while all else changed */
#define HELD_TIMES 20
#define LONE_LEAST 4
#define LONE_SHARE 0.4 /* of those that pages would have that know nothing of each other */
#define LIVELIEST  0.9
#define RESTLESS   0.3 /* flips a row of bits that hardly ever stand still */

/* The bytes that have a bit of the set, whole. */
static struct lt_bit_set whole_bytes(const struct lt_bit_set *set)
{
    struct lt_bit_set bytes = {{0}};
    for (unsigned w = 0; w < sizeof set->word / sizeof *set->word; w++)
        for (unsigned shift = 0; shift < 64; shift += 8)
            if (set->word[w] >> shift & 0xFF)
                bytes.word[w] |= (uint64_t)0xFF << shift;
    return bytes;
}

/* Bits that hardly ever stand still do not count as else, unless `strict`. */
static struct lt_bit_set ignored(const struct search *s, const struct narrow *window,
                                 const struct judged *judged, const struct half *half, bool strict)
{
    struct lt_bits bits = narrow_bits(window);
    struct lt_bit_set apart = s->counters, ignore = {{0}};
    lt_bit_set_add_bits(&apart, &bits);
    for (unsigned bit = 0; bit < s->rows.bits; bit++)
        if (lt_bit_set_has(&apart, bit) ||
            (!strict &&
             (double)judged->same.all.of[bit] > RESTLESS * (double)judged->same.all.pairs &&
             (double)half->next.of[bit] > RESTLESS * (double)half->next.pairs))
            lt_bit_set_add(&ignore, bit);
    return ignore;
}

void lt_selector_own_ways(struct search *s, const struct narrow *window,
                          const struct judged *judged, const struct half *half, bool strict,
                          struct own_ways *ways)
{
    const struct lt_bit_set ignore = ignored(s, window, judged, half, strict);
    struct lt_bits bits = narrow_bits(window);
    struct lt_bit_set near = judged->set;
    lt_bit_set_add_bits(&near, &bits);
    near = whole_bytes(&near);
    bool before = true, begins = false; /* changed in the row before; and not in the one above it */
    memset(s->scratch->last, 0, sizeof *s->scratch->last << window->width);
    for (size_t i = half->first; i < half->end; i++) {
        uint32_t *last = &s->scratch->last[s->values[i]];
        uint64_t changed = 0, others = 0, rest = 0;
        for (unsigned w = 0; *last && w < s->rows.words; w++) {
            uint64_t change =
                s->rows.word[i * s->rows.words + w] ^ s->rows.word[(*last - 1) * s->rows.words + w];
            changed |= change & judged->set.word[w];
            others |= change & ~judged->set.word[w] & ~ignore.word[w];
            rest |= change & ~near.word[w] & ~s->counters.word[w];
        }
        ways->alone += changed != 0 && others == 0;
        ways->held += changed == 0 && rest != 0;
        ways->changed += changed != 0;
        ways->lone += begins && changed == 0 && s->rows.follows[i];
        begins = changed != 0 && !before && s->rows.follows[i];
        before = changed != 0 || *last == 0;
        *last = (uint32_t)i + 1;
    }
    ways->rows += half->end - half->first;
}

bool lt_own_ways_alone(const struct own_ways *ways)
{
    return ways->alone >= OWN_LEAST;
}

bool lt_own_ways_steady(const struct own_ways *ways)
{
    return ways->held >= HELD_LEAST && ways->changed * HELD_TIMES <= ways->held;
}

bool lt_own_ways_lone(const struct own_ways *ways)
{
    double changed = (double)ways->changed, still = 1 - changed / ((double)ways->rows + 1);
    still = still < 1 - LIVELIEST ? 1 - LIVELIEST : still;
    return ways->lone >= LONE_LEAST && (double)ways->lone >= LONE_SHARE * still * still * changed;
}

bool lt_own_ways_lone_and_held(const struct own_ways *ways)
{
    return ways->held >= HELD_LEAST && ways->held >= ways->changed && lt_own_ways_lone(ways);
}

double lt_selector_unrest(const struct search *s, const struct narrow *window,
                          const struct judged *judged)
{
    double rows = (double)judged->same.rows, alike = 0;
    for (unsigned value = 0; value < 1u << window->width; value++)
        alike += (double)s->scratch->times[value] * (double)s->scratch->times[value];
    double by_chance = rows - alike / rows;
    return by_chance > 0 ? (double)judged->same.changes / by_chance : 0;
}
