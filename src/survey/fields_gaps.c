/* Are two neighbouring bits of one number? The test is the carry.
 *
 * Let u be the number formed by the bits above a gap and b the bit below. When u goes up by one,
 * the number x = 2u + b went up by 2 + db. Steps of x are a matter of the quantity, not of where
 * its bits happen to wrap: nearby steps are about equally likely, larger ones less, say f(k + 1) =
 * r f(k). Of the moves of u by +1
 *
 *     b goes 1 -> 0 ("carry")   x went up by 1     1
 *     b stays                   x went up by 2     2 r    (b was 0, or b was 1)
 *     b goes 0 -> 1 ("anti")    x went up by 3     r^2
 *
 * and with q = (1 - r) / (1 + r) the shares are (1 + q)^2 / 4, (1 - q^2) / 2, (1 - q)^2 / 4: one
 * curve from "always carry" (q = 1: steps small against the bit) to 1 : 2 : 1 (q = 0: steps large,
 * nothing can be seen). Two fields beside each other know nothing of each other: b flips at a rate
 * of its own and in both directions alike. The ratio of the two likelihoods, each averaged over
 * what is not known (q, the rate), is the evidence. Moves after a step in which u rested are
 * counted apart, because there steps are smaller and carries surer.
 *
 * For the top bit of a two's complement number "up" is down: carry and anti change places. */
#include <math.h>
#include <string.h>

#include "survey/fields_inside.h"

#define WINDOW        (GAP_ABOVE + 1u) /* bits: those above, and the one below */
#define CODES         (1u << WINDOW)
#define STRATA        2u
#define MUCH          500.0 /* moves from which on each further one says less than it seems */
#define SLOW          0.03  /* flips a step below which a bit may be one of a code */
#define BENDS_MOST    200.0
#define STEADY_WEIGHT (-5.0) /* log2 of how common such fields are */
#define CHOICE_WEIGHT (-2.0)

int gap_lower(const struct field_lines *lines, enum lt_order order, unsigned position)
{
    if (position % 8 != 0)
        return (int)position - 1;
    unsigned byte = position / 8;
    if (order == LT_ORDER_INTEL)
        return byte == 0 ? -1 : (int)position - 1;
    return byte + 1 >= lines->length ? -1 : (int)(8 * (byte + 1) + 7);
}

int gap_upper(const struct field_lines *lines, enum lt_order order, unsigned position)
{
    if (position % 8 != 7)
        return (int)position + 1;
    unsigned byte = position / 8;
    if (order == LT_ORDER_MOTOROLA)
        return byte == 0 ? -1 : (int)(8 * (byte - 1));
    return byte + 1 >= lines->length ? -1 : (int)position + 1;
}

/* --- counting --- */

struct transitions {
    uint32_t from_to[STRATA][CODES * CODES];
    /* Second differences of u and b: against each other, and with each other. */
    uint64_t bend_carry, bend_anti;
};

static inline int wrapped(unsigned difference, unsigned bits)
{
    unsigned half = 1u << (bits - 1), mask = 2 * half - 1;
    difference &= mask;
    return difference >= half ? (int)difference - (int)(2 * half) : (int)difference;
}

static void count_transitions(const struct field_lines *lines, enum lt_order order, unsigned place,
                              unsigned count, struct transitions *ret)
{
    memset(ret, 0, sizeof *ret);
    unsigned before = 0, above = count - 1;
    bool moved_before = true;
    int du_before = 0, db_before = 0;
    for (size_t row = 0; row < lines->count; row++) {
        unsigned now = (unsigned)line_get(lines, order, row, place, count);
        if (row != 0 && lines->flags[row] & LT_KEPT_NEXT) {
            int du = wrapped((now >> 1) - (before >> 1), above);
            int db = (int)(now & 1) - (int)(before & 1);
            ret->from_to[moved_before][before * CODES + now]++;
            int bend = wrapped((unsigned)(du - du_before), above) * (db - db_before);
            ret->bend_carry += bend < 0;
            ret->bend_anti += bend > 0;
            moved_before = du != 0;
            du_before = du;
            db_before = db;
        } else {
            moved_before = true;
            du_before = db_before = 0;
        }
        before = now;
    }
}

/* Direction of u, 0 where it is not a move by one. One bit alone goes up or down; two bits cannot
 * tell +2 from -2, which is no move. */
static int move_of(unsigned from, unsigned to, unsigned above)
{
    unsigned mask = (1u << above) - 1;
    if (above == 1)
        return (int)(to & 1) - (int)(from & 1);
    int du = wrapped((to & mask) - (from & mask), above);
    return du == 1 || du == -1 ? du : 0;
}

static struct gap_counts counts_of(const uint32_t *from_to, unsigned above, unsigned count)
{
    struct gap_counts counts = {0, 0, 0};
    for (unsigned from = 0; from < 1u << count; from++)
        for (unsigned to = 0; to < 1u << count; to++) {
            uint32_t times = from_to[from * CODES + to];
            int move = times ? move_of(from >> 1, to >> 1, above) : 0;
            int db = (int)(to & 1) - (int)(from & 1);
            if (move == 0)
                continue;
            if (db == 0)
                counts.still += times;
            else if (db == -move)
                counts.carry += times;
            else
                counts.anti += times;
        }
    return counts;
}

/* --- likelihoods, in bits --- */

static double add_logs(double a, double b)
{
    double high = a > b ? a : b, low = a > b ? b : a;
    return high + log2(1 + exp2(low - high));
}

/* log2 of the likelihood; a hundredth is left for what no model foresees. */
static double of_counts(const struct gap_counts *n, double carry, double still, double anti)
{
    return (double)n->carry * log2(0.99 * carry + 0.0033) +
           (double)n->still * log2(0.99 * still + 0.0033) +
           (double)n->anti * log2(0.99 * anti + 0.0033);
}

static const double sharpness[] = {0,   0.03, 0.06, 0.12, 0.2,  0.3,  0.45,
                                   0.6, 0.75, 0.85, 0.92, 0.97, 0.995};
#define SHARPNESSES (sizeof sharpness / sizeof *sharpness)

struct pace { /* flips a step */
    double upper, lower;
};

/* How likely it is, for one field, that steps are large against the bit below: then it flips no
 * more often than the bit above, or as often as noise. */
static double dullness(const struct pace *pace)
{
    if (pace->lower >= 0.4 || pace->lower < 1.4 * pace->upper)
        return 0.4;
    return pace->lower < 1.8 * pace->upper ? 0.15 : 0.04;
}

/* Stirling's series; exact enough from 0 on. */
static double log2_factorial(uint64_t n)
{
    static const double small[] = {0, 0, 1, 2.584962500721156};
    double x = (double)n;
    if (n < 4)
        return small[n];
    return (x * log(x) - x + log(2 * M_PI * x) / 2 + 1 / (12 * x)) / M_LN2;
}

/* Any shares at all: a number that only goes up, in steps of nearly one size. */
static double of_steady(const struct gap_counts *n)
{
    return 1 + log2_factorial(n->carry) + log2_factorial(n->still) + log2_factorial(n->anti) -
           log2_factorial(n->carry + n->still + n->anti + 2);
}

/* Codes: bits that change at the same time, with any share and in any direction. */
static double of_choice(const struct gap_counts *n)
{
    uint64_t both = n->carry + n->anti;
    return log2_factorial(both) + log2_factorial(n->still) - log2_factorial(both + n->still + 1) -
           (double)both;
}

static double of_one_field(const struct gap_counts *n, const struct pace *pace, bool is_top)
{
    double dull = dullness(pace), sum = -INFINITY;
    for (size_t i = 0; i < SHARPNESSES; i++) {
        double q = sharpness[i];
        double weight = q < 0.5 ? dull / 7 : (1 - dull) / 6;
        sum = add_logs(sum, log2(weight) + of_counts(n, (1 + q) * (1 + q) / 4, (1 - q * q) / 2,
                                                     (1 - q) * (1 - q) / 4));
    }
    bool rests = n->still * 4 > (n->carry + n->still + n->anti) * 3;
    if (!is_top && !rests) /* below a bit that flips all the time none can rest */
        sum = add_logs(sum, STEADY_WEIGHT + of_steady(n));
    if (pace->lower < SLOW && pace->upper < SLOW)
        sum = add_logs(sum, CHOICE_WEIGHT + of_choice(n));
    return sum;
}

/* `lower` is the rate when nothing is known of the upper field; but two fields of one sender may
 * move at the same moments. */
static double of_two_fields(const struct gap_counts *n, const struct pace *pace)
{
    static const struct {
        double rate, weight;
    } rates[] = {{0.01, .1}, {0.03, .1}, {0.06, .1}, {0.12, .12}, {0.2, .15},
                 {0.3, .15}, {0.4, .12}, {0.5, .1},  {0.65, .03}, {0.9, .03}};
    double rate = pace->lower < 0.0005 ? 0.0005 : pace->lower;
    double tied = rate < SLOW ? 0.15 : 0.4;
    double sum = log2(1 - tied) + of_counts(n, rate / 2, 1 - rate, rate / 2);
    for (size_t i = 0; i < sizeof rates / sizeof *rates; i++)
        sum = add_logs(sum,
                       log2(tied * rates[i].weight) +
                           of_counts(n, rates[i].rate / 2, 1 - rates[i].rate, rates[i].rate / 2));
    return sum;
}

/* Steps that follow each other are alike, so much evidence is less than it seems. */
static double tempered(double odds, uint64_t moves)
{
    return (double)moves > MUCH ? odds * sqrt(MUCH / (double)moves) : odds;
}

static double odds_of(const struct gap_counts *n, const struct pace *pace, bool is_top)
{
    return tempered(of_one_field(n, pace, is_top) - of_two_fields(n, pace),
                    n->carry + n->still + n->anti);
}

/* A number that moves steadily has large steps but small second differences; against each other
 * in u and b is what carries do to them. Only in favour: their absence says nothing. */
static double odds_of_bends(const struct transitions *seen)
{
    double carry = (double)seen->bend_carry, anti = (double)seen->bend_anti;
    if (carry + anti < 50)
        return 0;
    double z = (carry - anti) / sqrt(carry + anti) / 1.5;
    return z < 3 ? 0 : z * z / 4 > BENDS_MOST ? BENDS_MOST : z * z / 4;
}

static void weigh(const struct transitions *seen, unsigned count, const struct pace *pace,
                  struct gap *ret_gap)
{
    for (unsigned above = 1; above < count; above++) {
        double odds = 0, flipped = 0;
        struct gap_counts *sum = &ret_gap->at[above - 1];
        for (unsigned s = 0; s < STRATA; s++) {
            struct gap_counts n = counts_of(seen->from_to[s], above, count);
            struct gap_counts turned = {n.anti, n.carry, n.still};
            odds += odds_of(&n, pace, above == 1);
            flipped += odds_of(&turned, pace, above == 1);
            sum->carry += n.carry;
            sum->anti += n.anti;
            sum->still += n.still;
        }
        if (above == 1) {
            ret_gap->odds_twos = flipped - odds;
            odds = add_logs(odds, flipped) - 1;
        }
        ret_gap->odds[above - 1] = odds + (above == 1 ? 0 : odds_of_bends(seen));
    }
    for (unsigned above = count; above <= GAP_ABOVE; above++) {
        ret_gap->odds[above - 1] = ret_gap->odds[count - 2];
        ret_gap->at[above - 1] = ret_gap->at[count - 2];
    }
}

static void fill(const struct field_lines *lines, const struct field_bits *bits,
                 enum lt_order order, unsigned position, struct gap *ret_gap)
{
    struct transitions seen;
    int lower = gap_lower(lines, order, position), upper = (int)position;
    unsigned count = 1;
    if (lower < 0 || !bits->free[position] || !bits->free[lower])
        return;
    while (count < WINDOW && upper >= 0) {
        count++;
        upper = gap_upper(lines, order, (unsigned)upper);
    }
    count_transitions(lines, order, line_place(lines, order, (unsigned)lower), count, &seen);
    struct pace pace = {bits->rate[position], bits->rate[lower]};
    weigh(&seen, count, &pace, ret_gap);
    ret_gap->seen = true;
}

void field_gaps_make(const struct field_lines *lines, const struct field_bits *bits,
                     struct gaps *ret_gaps)
{
    memset(ret_gaps, 0, sizeof *ret_gaps);
    for (unsigned at = 0; at < bits->bits; at++) {
        struct gap *intel = &ret_gaps->below[0][at], *motorola = &ret_gaps->below[1][at];
        fill(lines, bits, LT_ORDER_INTEL, at, intel);
        if (at % 8 != 0 && at % 8 + GAP_ABOVE <= 8)
            *motorola = *intel;
        else
            fill(lines, bits, LT_ORDER_MOTOROLA, at, motorola);
    }
}
