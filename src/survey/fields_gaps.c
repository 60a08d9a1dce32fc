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
#include "survey/fields_planes.h"

#define MUCH          500.0 /* moves from which on each further one says less than it seems */
#define BEND_COST     4.0
#define BEND_LEAST    4.0
#define STEADY_WEIGHT (-5.0) /* log2 of how common such fields are */
#define ROUND_WEIGHT  (-3.0)
#define EVEN_WEIGHT   (-4.0)
#define FEW           60u /* moves */
#define SLOW_WEIGHT   (-2.0)

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

int gap_resting(const struct field_lines *lines, const struct field_bits *bits, enum lt_order order,
                unsigned upper, unsigned lower, unsigned most)
{
    int at = (int)lower;
    for (int between = 0; between <= (int)most; between++) {
        at = gap_upper(lines, order, (unsigned)at);
        if (at < 0)
            return -1;
        if (at == (int)upper)
            return between;
        if (bits->moved[at] || bits->taken[at])
            return -1;
    }
    return -1;
}

static uint64_t moves_of(const struct gap_counts *n)
{
    return n->carry + n->still + n->anti;
}

/* --- likelihoods, in bits --- */

/* log2 of what a model says of each share; a hundredth is left for what no model foresees. */
struct shares {
    double carry, still, anti;
};

static struct shares shares_of(double carry, double still, double anti)
{
    return (struct shares){log2(0.99 * carry + 0.0033), log2(0.99 * still + 0.0033),
                           log2(0.99 * anti + 0.0033)};
}

/* log2 of the likelihood. */
static inline double of_counts(const struct gap_counts *n, const struct shares *shares)
{
    return (double)n->carry * shares->carry + (double)n->still * shares->still +
           (double)n->anti * shares->anti;
}

static const double sharpness[] = {0,   0.03, 0.06, 0.12, 0.2,  0.3,  0.45,
                                   0.6, 0.75, 0.85, 0.92, 0.97, 0.995};
#define SHARPNESSES (sizeof sharpness / sizeof *sharpness)

static const double evens[] = {0.1, 0.2, 0.35};
#define EVENS (sizeof evens / sizeof *evens)

static const struct {
    double rate, weight;
} rates[] = {{0.01, .1}, {0.03, .1}, {0.06, .1}, {0.12, .12}, {0.2, .15},
             {0.3, .15}, {0.4, .12}, {0.5, .1},  {0.65, .03}, {0.9, .03}};
#define RATES (sizeof rates / sizeof *rates)

static const double ratios[] = {0.01, 0.05, 0.12, 0.25, 0.4, 0.6, 0.8, 0.95};
#define RATIOS (sizeof ratios / sizeof *ratios)

/* All models that do not hang on what is seen: the same for every gap. */
struct gap_models {
    struct shares smooth[SHARPNESSES], even[SHARPNESSES][EVENS], two[RATES], line[RATIOS];
};

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

/* Any shares at all: a number that only goes up, in steps of nearly one size. */
static double of_steady(const struct gap_counts *n)
{
    return 1 + field_log2_factorial(n->carry) + field_log2_factorial(n->still) +
           field_log2_factorial(n->anti) - field_log2_factorial(n->carry + n->still + n->anti + 2);
}

/* With the share `even` of steps that leave the bit alone, beyond what the curve has: noise of a
 * few steps, cut off at the end of its range, does that. Carries must still be seen. */
static struct shares of_sharpness(double q, double even)
{
    double rest = 1 - even;
    return shares_of(rest * (1 + q) * (1 + q) / 4, even + rest * (1 - q * q) / 2,
                     rest * (1 - q) * (1 - q) / 4);
}

/* A number that moves steadily has large steps but small second differences dd = 2 ddu + ddb, say
 * g(k + 1) = r g(k). Where ddu = 1, counting what b can have done in three rows that are alike
 * likely: ddb = -2 (1 of 8, dd = 0), -1 (2 of 8, dd = 1), 0 (2 of 8), 1 (2 of 8), 2 (1 of 8). */
static struct shares of_ratio(double r)
{
    double carry = 1 + 2 * r, still = 2 * r * r, anti = 2 * r * r * r;
    anti += r * r * r * r;
    double all = carry + still + anti;
    return shares_of(carry / all, still / all, anti / all);
}

static void make_models(struct gap_models *models)
{
    for (size_t i = 0; i < SHARPNESSES; i++) {
        models->smooth[i] = of_sharpness(sharpness[i], 0);
        for (size_t k = 0; k < EVENS; k++)
            models->even[i][k] = of_sharpness(sharpness[i], evens[k]);
    }
    for (size_t i = 0; i < RATES; i++)
        models->two[i] = shares_of(rates[i].rate / 2, 1 - rates[i].rate, rates[i].rate / 2);
    for (size_t i = 0; i < RATIOS; i++)
        models->line[i] = of_ratio(ratios[i]);
}

static double of_smooth(const struct gap_models *models, const struct gap_counts *n,
                        const struct pace *pace)
{
    double dull = dullness(pace), sum = -INFINITY;
    double dull_weight = log2(dull / 7), sharp_weight = log2((1 - dull) / 6);
    for (size_t i = 0; i < SHARPNESSES; i++) {
        double q = sharpness[i], weight = q < 0.5 ? dull_weight : sharp_weight;
        sum = field_add_logs(sum, weight + of_counts(n, &models->smooth[i]));
        for (size_t k = 0; k < EVENS && q > 0.05 && q < 0.9; k++)
            sum = field_add_logs(sum, weight + EVEN_WEIGHT + of_counts(n, &models->even[i][k]));
    }
    return sum;
}

/* `lower` is the rate when nothing is known of the upper field; but two fields of one sender may
 * move at the same moments. */
static double of_two_fields(const struct gap_models *models, const struct gap_counts *n,
                            const struct pace *pace)
{
    double rate = pace->lower < 0.0005 ? 0.0005 : pace->lower;
    double tied = rate < FIELD_SLOW ? 0.15 : 0.4;
    struct shares own = shares_of(rate / 2, 1 - rate, rate / 2);
    double sum = log2(1 - tied) + of_counts(n, &own);
    for (size_t i = 0; i < RATES; i++)
        sum = field_add_logs(sum, log2(tied * rates[i].weight) + of_counts(n, &models->two[i]));
    return sum;
}

/* Steps that follow each other are alike, so much evidence is less than it seems. */
static double tempered(double odds, uint64_t moves)
{
    return (double)moves > MUCH ? odds * sqrt(MUCH / (double)moves) : odds;
}

static double of_line(const struct gap_models *models, const struct gap_counts *n)
{
    double sum = -INFINITY;
    for (size_t i = 0; i < RATIOS; i++)
        sum = field_add_logs(sum, of_counts(n, &models->line[i]) - 3);
    return sum;
}

static double odds_of_bends(const struct gap_models *models, const struct gap_moves *seen)
{
    if (seen->ticks < 10)
        return 0;
    double rate = (double)seen->lower_bends / (double)seen->ticks;
    struct pace pace = {rate, rate};
    double odds = of_line(models, &seen->bends) - of_two_fields(models, &seen->bends, &pace);
    return tempered(odds, moves_of(&seen->bends)) / 2;
}

/* The moves of u after a rest and after a move; together where there are few. */
struct strata {
    unsigned count;
    struct gap_counts n[GAP_STRATA], sum;
};

static struct strata strata_of(const struct gap_moves *seen, unsigned above)
{
    struct strata strata = {.count = GAP_STRATA};
    for (unsigned s = 0; s < GAP_STRATA; s++) {
        const struct gap_counts *n = &seen->at[s][above - 1];
        strata.n[s] = *n;
        strata.sum.carry += n->carry;
        strata.sum.anti += n->anti;
        strata.sum.still += n->still;
        strata.sum.up += n->up;
        strata.sum.down += n->down;
        strata.sum.fell += n->fell;
    }
    if (moves_of(&strata.sum) < FEW) {
        strata.count = 1;
        strata.n[0] = strata.sum;
    }
    return strata;
}

static double smooth_odds(const struct gap_models *models, const struct strata *strata,
                          const struct pace *pace, bool turned)
{
    double odds = 0;
    for (unsigned s = 0; s < strata->count; s++) {
        struct gap_counts n = strata->n[s];
        if (turned)
            n = (struct gap_counts){.carry = n.anti, .anti = n.carry, .still = n.still};
        odds += of_smooth(models, &n, pace);
    }
    return odds;
}

/* A number that goes round passes its top in the same direction as its middle: below the top bit,
 * either flip is a carry that falls. */
static double round_odds(const struct gap_models *models, const struct strata *strata,
                         const struct pace *pace)
{
    const struct gap_counts *n = &strata->sum;
    uint64_t flips = n->carry + n->anti;
    struct gap_counts up = {.carry = n->fell, .anti = flips - n->fell, .still = n->still};
    struct gap_counts down = {.carry = up.anti, .anti = up.carry, .still = n->still};
    return ROUND_WEIGHT +
           field_add_logs(of_smooth(models, &up, pace), of_smooth(models, &down, pace)) - 1;
}

static bool goes_one_way(const struct gap_counts *n)
{
    uint64_t least = n->up < n->down ? n->up : n->down, most = n->up + n->down - least;
    return most >= 20 && least * 40 < most;
}

static void weigh(const struct gap_models *models, const struct gap_moves *seen, unsigned count,
                  const struct pace *pace, struct gap *ret_gap)
{
    for (unsigned above = 1; above < count; above++) {
        struct strata strata = strata_of(seen, above);
        double one = smooth_odds(models, &strata, pace, false), two = 0;
        if (above == 1) {
            double turned = smooth_odds(models, &strata, pace, true);
            ret_gap->odds_twos = turned - one;
            one = field_add_logs(one, turned) - 1;
            one = field_add_logs(one, round_odds(models, &strata, pace));
        } else if (goes_one_way(&strata.sum)) {
            one = field_add_logs(one, STEADY_WEIGHT + of_steady(&strata.sum));
        }
        for (unsigned s = 0; s < strata.count; s++)
            two += of_two_fields(models, &strata.n[s], pace);
        ret_gap->at[above - 1] = strata.sum;
        ret_gap->odds[above - 1] = tempered(one - two, moves_of(&strata.sum));
        if (pace->lower < FIELD_SLOW && pace->upper < FIELD_SLOW) {
            const struct field_choice *choice = &seen->choice[above - 1];
            ret_gap->odds[above - 1] = fmax(ret_gap->odds[above - 1] + SLOW_WEIGHT,
                                            field_choice_odds(choice, pace->upper, pace->lower));
        }
        /* The second test says much where numbers move steadily, and little elsewhere. */
        double bends = above > 1 ? odds_of_bends(models, seen) - BEND_COST : 0;
        if (above > 1 && bends > BEND_LEAST && bends > ret_gap->odds[above - 1])
            ret_gap->odds[above - 1] = bends;
    }
    const struct gap_counts *pair = &ret_gap->at[0];
    uint64_t upper_flips = moves_of(pair);
    uint64_t most = upper_flips > seen->lower_flips ? upper_flips : seen->lower_flips;
    ret_gap->together = most ? (double)(pair->carry + pair->anti) / (double)most : 0;
    for (unsigned above = count; above <= GAP_ABOVE; above++) {
        ret_gap->odds[above - 1] = ret_gap->odds[count - 2];
        ret_gap->at[above - 1] = ret_gap->at[count - 2];
    }
}

static void fill(const struct field_lines *lines, const struct field_bits *bits,
                 const struct field_planes *planes, const struct gap_models *models,
                 enum lt_order order, unsigned position, struct gap *ret_gap)
{
    struct gap_moves seen;
    struct gap_window window = {.above = 0};
    int lower = gap_lower(lines, order, position), upper = (int)position;
    if (lower < 0 || !bits->free[position] || !bits->free[lower])
        return;
    window.below[window.below_count++] = (uint16_t)lower;
    while (window.above < GAP_ABOVE && upper >= 0) {
        window.upper[window.above++] = (uint16_t)upper;
        upper = gap_upper(lines, order, (unsigned)upper);
    }
    for (int at = gap_lower(lines, order, (unsigned)lower);
         at >= 0 && bits->free[at] && window.below_count <= GAP_BELOW_MOST;
         at = gap_lower(lines, order, (unsigned)at))
        window.below[window.below_count++] = (uint16_t)at;
    gap_moves_count(planes, &window, &seen);
    struct pace pace = {bits->rate[position], bits->rate[lower]};
    weigh(models, &seen, window.above + 1, &pace, ret_gap);
    ret_gap->seen = true;
}

enum lt_code field_gaps_make(const struct field_lines *lines, const struct field_bits *bits,
                             struct lt_arena *arena, struct gaps *ret_gaps, struct lt_error *error)
{
    struct field_planes planes;
    struct gap_models models;
    make_models(&models);
    enum lt_code code = field_planes_make(lines, arena, &planes, error);
    memset(ret_gaps, 0, sizeof *ret_gaps);
    for (unsigned at = 0; at < bits->bits && code == LT_OK; at++) {
        struct gap *intel = &ret_gaps->below[0][at], *motorola = &ret_gaps->below[1][at];
        fill(lines, bits, &planes, &models, LT_ORDER_INTEL, at, intel);
        if (at % 8 != 0 && at % 8 + GAP_ABOVE <= 8)
            *motorola = *intel;
        else
            fill(lines, bits, &planes, &models, LT_ORDER_MOTOROLA, at, motorola);
    }
    return code;
}
