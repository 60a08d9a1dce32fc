/* From the odds at the gaps to fields. Inside a byte the neighbours of a bit are known; at a byte's
 * edge there are two candidates, one for each byte order, and at most one of them is right. Since a
 * bit has one neighbour only, fields of both orders cannot meet in one byte: the byte edges of a
 * frame are a chain of three states (cut, Intel, Motorola) in which the two orders never follow
 * each other directly. One order for the whole frame is by far the rule; frames that mix pay for
 * it.
 *
 * How many bits above a gap belong to its number is known from the top of the field downwards, so
 * decisions run that way. A byte whose top continues another byte is cut again with that byte's
 * bits above it. */
#include <math.h>
#include <string.h>

#include "survey/fields_inside.h"

/* Odds before anything is seen, in bits. Neighbours in a byte are mostly one field. A bit that is
 * as busy as noise is hardly the top of a field. */
#define JOIN_IN_BYTE 2.0
#define JOIN_AT_EDGE -1.0
#define BUSY_BONUS   7.0
#define MIXED_COST   7.0
#define PRIOR_WEIGHT 2.5
#define TWIN_FLIPS   2u
#define TWIN_SHARE   0.7
#define TWIN_ODDS    3.0
#define BYTES_MAX    64u

struct cutting {
    const struct field_lines *lines;
    const struct gaps *gaps;
    bool joined[FRAME_BITS];       /* to the bit below, inside the byte */
    enum lt_order edge[BYTES_MAX]; /* between byte and byte + 1 */
    double odds[FRAME_BITS];       /* of the decision below each bit, in favour of what was said */
    double order_odds[BYTES_MAX];  /* by which an edge's order is better than the other */
    double end_odds[BYTES_MAX];    /* that fields end at the edge; INFINITY where none could pass */
};

/* Both bits flip at half of each other's flips: at the low end of a number whose steps are large, 0
 * (no) to 1. Where a source rests between its looks that is seldom in time, but together. */
static double alike_busy(const struct gap *gap)
{
    double share = gap->together;
    return share < 0.2 ? 0 : share > 0.38 ? 1 : (share - 0.2) / 0.18;
}

/* --- inside a byte --- */

/* Bits of the same field above `position`, with it, up to GAP_ABOVE. */
static unsigned run_above(const struct cutting *cutting, unsigned position, enum lt_order order)
{
    unsigned run = 1;
    int upper = (int)position;
    while (run < GAP_ABOVE) {
        bool edge = upper % 8 == 7;
        if (edge && order == LT_ORDER_NONE)
            break;
        upper = gap_upper(cutting->lines, order == LT_ORDER_NONE ? LT_ORDER_INTEL : order,
                          (unsigned)upper);
        if (upper < 0 || (!edge && !cutting->joined[upper]))
            break;
        run++;
        if (edge)
            order = LT_ORDER_NONE; /* not further than into the next byte */
    }
    return run;
}

/* The order in which the byte's top bit continues another byte. */
static enum lt_order order_of_top(const struct cutting *cutting, unsigned byte)
{
    if (byte > 0 && cutting->edge[byte - 1] == LT_ORDER_MOTOROLA)
        return LT_ORDER_MOTOROLA;
    if (byte + 1 < cutting->lines->length && cutting->edge[byte] == LT_ORDER_INTEL)
        return LT_ORDER_INTEL;
    return LT_ORDER_NONE;
}

static void cut_byte(struct cutting *cutting, unsigned byte)
{
    enum lt_order top = order_of_top(cutting, byte);
    for (unsigned bit = 7; bit > 0; bit--) {
        unsigned at = 8 * byte + bit;
        const struct gap *gap = &cutting->gaps->below[top == LT_ORDER_MOTOROLA][at];
        cutting->joined[at] = false;
        if (!gap->seen)
            continue;
        unsigned run = run_above(cutting, at, top);
        double odds = gap->odds[run - 1] + JOIN_IN_BYTE + BUSY_BONUS * alike_busy(gap);
        cutting->joined[at] = odds > 0;
        cutting->odds[at] = fabs(odds);
    }
}

/* --- byte edges --- */

static double edge_odds(const struct cutting *cutting, unsigned edge, enum lt_order order)
{
    unsigned upper = order == LT_ORDER_INTEL ? 8 * (edge + 1) : 8 * edge;
    const struct gap *gap = &cutting->gaps->below[order == LT_ORDER_MOTOROLA][upper];
    if (!gap->seen)
        return -INFINITY;
    unsigned run = run_above(cutting, upper, LT_ORDER_NONE);
    return gap->odds[run - 1] + JOIN_AT_EDGE + BUSY_BONUS * alike_busy(gap);
}

/* The best chain of edges, with the orders that are allowed. Returns its odds. */
static double chain(const struct cutting *cutting, double odds[BYTES_MAX][3], const bool allowed[3],
                    enum lt_order ret_edge[BYTES_MAX])
{
    double best[BYTES_MAX][3];
    uint8_t from[BYTES_MAX][3];
    unsigned edges = (unsigned)cutting->lines->length - 1;
    for (unsigned e = 0; e < edges; e++)
        for (unsigned now = 0; now < 3; now++) {
            best[e][now] = e == 0 ? 0 : -INFINITY;
            from[e][now] = 0;
            for (unsigned before = 0; e != 0 && before < 3; before++) {
                bool clash = before != now && before != 0 && now != 0;
                if (!clash && best[e - 1][before] > best[e][now]) {
                    best[e][now] = best[e - 1][before];
                    from[e][now] = (uint8_t)before;
                }
            }
            best[e][now] += now == 0 ? 0 : allowed[now] ? odds[e][now] : -INFINITY;
        }
    unsigned at = 0;
    for (unsigned now = 1; now < 3; now++)
        if (best[edges - 1][now] > best[edges - 1][at])
            at = now;
    double total = best[edges - 1][at];
    for (unsigned e = edges; e-- > 0; at = from[e][at])
        ret_edge[e] = (enum lt_order)at;
    return total;
}

static void choose_edges(struct cutting *cutting, double order_prior)
{
    static const bool ways[3][3] = {{true, true, false}, {true, false, true}, {true, true, true}};
    double odds[BYTES_MAX][3], total[3];
    enum lt_order edge[3][BYTES_MAX];
    unsigned edges = (unsigned)cutting->lines->length - 1, best = 0;
    for (unsigned e = 0; e < edges; e++) {
        odds[e][LT_ORDER_NONE] = 0;
        odds[e][LT_ORDER_INTEL] = edge_odds(cutting, e, LT_ORDER_INTEL);
        odds[e][LT_ORDER_MOTOROLA] = edge_odds(cutting, e, LT_ORDER_MOTOROLA);
    }
    double lean = PRIOR_WEIGHT * log2((1.02 + order_prior) / (1.02 - order_prior)) / 2;
    for (unsigned way = 0; way < 3; way++)
        total[way] = chain(cutting, odds, ways[way], edge[way]);
    total[0] -= lean;
    total[1] += lean;
    total[2] -= MIXED_COST;
    for (unsigned way = 1; way < 3; way++)
        if (total[way] > total[best])
            best = way;
    for (unsigned e = 0; e < edges; e++) {
        enum lt_order said = edge[best][e];
        double own = odds[e][said], other = total[0] - total[1];
        enum lt_order against = said == LT_ORDER_INTEL ? LT_ORDER_MOTOROLA : LT_ORDER_INTEL;
        cutting->edge[e] = said;
        cutting->order_odds[e] = best == 2                ? odds[e][said] - odds[e][against]
                                 : said == LT_ORDER_INTEL ? other
                                                          : -other;
        if (said == LT_ORDER_NONE)
            own = -fmax(odds[e][LT_ORDER_INTEL], odds[e][LT_ORDER_MOTOROLA]);
        unsigned upper = said == LT_ORDER_INTEL ? 8 * (e + 1) : 8 * e;
        if (said != LT_ORDER_NONE)
            cutting->odds[upper] = own;
        cutting->end_odds[e] = said == LT_ORDER_NONE ? own : INFINITY;
    }
}

/* --- fields --- */

static int joined_lower(const struct cutting *cutting, unsigned position, enum lt_order *order)
{
    unsigned byte = position / 8;
    if (position % 8 != 0)
        return cutting->joined[position] ? (int)position - 1 : -1;
    if (byte > 0 && cutting->edge[byte - 1] == LT_ORDER_INTEL && *order != LT_ORDER_MOTOROLA) {
        *order = LT_ORDER_INTEL;
        return (int)position - 1;
    }
    if (byte + 1 < cutting->lines->length && cutting->edge[byte] == LT_ORDER_MOTOROLA &&
        *order != LT_ORDER_INTEL) {
        *order = LT_ORDER_MOTOROLA;
        return (int)(8 * (byte + 1) + 7);
    }
    return -1;
}

static bool has_upper(const struct cutting *cutting, unsigned position)
{
    if (position % 8 != 7)
        return cutting->joined[position + 1];
    return order_of_top(cutting, position / 8) != LT_ORDER_NONE;
}

/* The field from its top bit down; `done` marks its bits. */
static struct field_place follow(const struct cutting *cutting, unsigned top, bool done[FRAME_BITS])
{
    struct field_place place = {.order = LT_ORDER_NONE,
                                .msb = (uint16_t)top,
                                .length = 1,
                                .weakest = INFINITY,
                                .edge = INFINITY,
                                .margin = INFINITY};
    int at = (int)top;
    done[top] = true;
    while (place.length < COURSE_BITS) {
        int lower = joined_lower(cutting, (unsigned)at, &place.order);
        if (lower < 0 || done[lower])
            break;
        if (at % 8 == 0)
            place.margin =
                fmin(place.margin,
                     cutting->order_odds[place.order == LT_ORDER_INTEL ? lower / 8 : at / 8]);
        place.weakest = fmin(place.weakest, cutting->odds[at]);
        at = lower;
        done[at] = true;
        place.length++;
    }
    place.lsb = (uint16_t)at;
    return place;
}

/* Two slow bits that flip together in the same direction, and nothing below them: 0 and 3 would be
 * odd codes, two flags with one cause are common. */
static void part_twins(const struct cutting *cutting, struct field_cut *cut)
{
    size_t count = cut->count;
    for (size_t i = 0; i < count; i++) {
        struct field_place *place = &cut->place[i], *other = &cut->place[cut->count];
        const struct gap_counts *n = &cutting->gaps->below[0][place->msb].at[0];
        if (place->length != 2 || place->order != LT_ORDER_NONE || n->anti < TWIN_FLIPS ||
            (double)n->anti < TWIN_SHARE * (double)(n->anti + n->carry + n->still))
            continue;
        place->edge = TWIN_ODDS;
        place->length = 1;
        *other = *place;
        other->msb = place->lsb;
        place->lsb = place->msb;
        place->weakest = other->weakest = INFINITY;
        cut->count++;
    }
}

/* Odds that a field that touches the edges of this byte ends there. */
static double end_at_edges(const struct cutting *cutting, unsigned byte)
{
    double odds = byte > 0 ? cutting->end_odds[byte - 1] : INFINITY;
    return byte + 1 < cutting->lines->length ? fmin(odds, cutting->end_odds[byte]) : odds;
}

static double end_below(const struct cutting *cutting, unsigned lsb)
{
    if (lsb % 8 == 0)
        return end_at_edges(cutting, lsb / 8);
    return cutting->gaps->below[0][lsb].seen ? cutting->odds[lsb] : INFINITY;
}

static double end_above(const struct cutting *cutting, unsigned msb)
{
    if (msb % 8 == 7)
        return end_at_edges(cutting, msb / 8);
    return cutting->gaps->below[0][msb + 1].seen ? cutting->odds[msb + 1] : INFINITY;
}

void field_cut_make(const struct field_lines *lines, const struct field_bits *bits,
                    const struct gaps *gaps, double order_prior, struct field_cut *ret_cut)
{
    struct cutting cutting = {.lines = lines, .gaps = gaps};
    bool done[FRAME_BITS] = {false};
    for (unsigned round = 0; round < 3; round++) {
        for (unsigned byte = 0; byte < lines->length; byte++)
            cut_byte(&cutting, byte);
        if (lines->length > 1)
            choose_edges(&cutting, order_prior);
    }
    ret_cut->count = 0;
    for (unsigned at = 0; at < bits->bits; at++)
        if (bits->free[at] && !has_upper(&cutting, at))
            ret_cut->place[ret_cut->count++] = follow(&cutting, at, done);
    for (unsigned at = 0; at < bits->bits; at++) /* what is left of fields that were too long */
        if (bits->free[at] && !done[at])
            ret_cut->place[ret_cut->count++] = follow(&cutting, at, done);
    for (size_t i = 0; i < ret_cut->count; i++) {
        struct field_place *place = &ret_cut->place[i];
        if (place->msb / 8 == place->lsb / 8)
            place->order = LT_ORDER_NONE;
        place->edge = fmin(end_below(&cutting, place->lsb), end_above(&cutting, place->msb));
    }
    part_twins(&cutting, ret_cut);
}
