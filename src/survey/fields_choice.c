/* Codes: their bits do not carry. What shows that slow bits belong together is that they change in
 * the same frame, which two things of different causes hardly ever do in a frame that is sent all
 * the time; and not always, as two flags of one cause would. Bit by bit (fields_gaps.c) a code with
 * few changes may fall into pieces, for that two neighbouring bits need not change together at all;
 * here the pieces are looked at as wholes. */
#include <math.h>

#include "survey/fields_inside.h"

#define CHOICE_WEIGHT (-2.0) /* log2 of how common codes are among slow neighbours */
#define ONE_CAUSE     12u    /* how surely flags of one cause change together */
#define TIED_WEIGHT   (-2.3) /* log2 of how common those are */
#define RATE_LEAST    1e-5
#define LENGTH_MOST   8u
#define ODDS_IN_BYTE  0.0 /* needed; over a byte's edge codes are rarer */
#define ODDS_AT_EDGE  3.0

double field_add_logs(double a, double b)
{
    double high = a > b ? a : b, low = a > b ? b : a;
    return high + log2(1 + exp2(low - high));
}

/* Stirling's series; exact enough from 0 on. */
double field_log2_factorial(uint64_t n)
{
    static const double small[] = {0, 0, 1, 2.584962500721156};
    double x = (double)n;
    if (n < 4)
        return small[n];
    return (x * log(x) - x + log(2 * M_PI * x) / 2 + 1 / (12 * x)) / M_LN2;
}

/* log2 of how likely a row of `yes` and `no` is when their share is not known but leans to `yes` as
 * if `lean` - 1 of them had been seen before (beta-binomial). */
static double of_share(uint64_t yes, uint64_t no, unsigned lean)
{
    return field_log2_factorial(yes + lean - 1) + field_log2_factorial(no) +
           field_log2_factorial(lean) - field_log2_factorial(lean - 1) -
           field_log2_factorial(yes + no + lean);
}

static double of_coincidence(uint64_t both, uint64_t alone, double rate)
{
    return (double)both * log2(rate) + (double)alone * log2(1 - rate);
}

double field_choice_odds(const struct field_choice *n, double upper_rate, double lower_rate)
{
    double upper = fmax(upper_rate, RATE_LEAST), lower = fmax(lower_rate, RATE_LEAST);
    double code = of_share(n->both, n->upper, 1) + of_share(n->both, n->lower, 1);
    double tied = of_share(n->both, n->upper, ONE_CAUSE) + of_share(n->both, n->lower, ONE_CAUSE);
    double chance =
        of_coincidence(n->both, n->upper, lower) + of_coincidence(n->both, n->lower, upper);
    return CHOICE_WEIGHT + (code - field_add_logs(chance, tied + 2 * TIED_WEIGHT)) / 2;
}

/* --- pieces --- */

struct field_choice field_choice_count(const struct field_lines *lines, enum lt_order order,
                                       unsigned lsb, unsigned upper, unsigned lower,
                                       uint64_t *ret_steps)
{
    struct field_choice n = {0};
    unsigned place = line_place(lines, order, lsb);
    uint64_t before = 0, steps = 0;
    for (size_t row = 0; row < lines->count; row++) {
        uint64_t now = line_get(lines, order, row, place, upper + lower), flips = now ^ before;
        if (row != 0 && lines->flags[row] & LT_KEPT_FOLLOWS) {
            bool high = flips >> lower != 0, low = (flips & (((uint64_t)1 << lower) - 1)) != 0;
            steps++;
            n.both += high && low;
            n.upper += high && !low;
            n.lower += low && !high;
        }
        before = now;
    }
    *ret_steps = steps;
    return n;
}

static bool are_one(const struct field_lines *lines, struct field_place *upper,
                    const struct field_place *lower, enum lt_order order)
{
    unsigned length = upper->length + lower->length;
    bool fits = (upper->order == LT_ORDER_NONE || upper->order == order) &&
                (lower->order == LT_ORDER_NONE || lower->order == order);
    if (!fits || length > LENGTH_MOST || gap_lower(lines, order, upper->lsb) != lower->msb)
        return false;
    uint64_t steps;
    struct field_choice n =
        field_choice_count(lines, order, lower->lsb, upper->length, lower->length, &steps);
    double all = (double)steps + 1, high = (double)(n.both + n.upper) / all,
           low = (double)(n.both + n.lower) / all;
    if (high >= FIELD_SLOW || low >= FIELD_SLOW)
        return false;
    bool edge = upper->lsb / 8 != lower->msb / 8;
    double odds = field_choice_odds(&n, high, low) - (edge ? ODDS_AT_EDGE : ODDS_IN_BYTE);
    if (odds <= 0)
        return false;
    upper->length = (uint8_t)length;
    upper->lsb = lower->lsb;
    upper->order = upper->msb / 8 == upper->lsb / 8 ? LT_ORDER_NONE : order;
    upper->weakest = fmin(fmin(upper->weakest, lower->weakest), odds);
    upper->edge = fmax(upper->edge, lower->edge);
    upper->margin = fmin(upper->margin, lower->margin);
    return true;
}

void field_choices(const struct field_lines *lines, struct field_cut *cut)
{
    enum lt_order all = field_cut_order(cut);
    bool any = true;
    while (any) {
        any = false;
        for (size_t i = 0; i < cut->count && !any; i++)
            for (size_t j = 0; j < cut->count && !any; j++) {
                bool edge = cut->place[i].lsb % 8 == 0;
                enum lt_order order = edge ? all : LT_ORDER_INTEL;
                any = i != j && order != LT_ORDER_NONE &&
                      are_one(lines, &cut->place[i], &cut->place[j], order);
                if (any)
                    cut->place[j] = cut->place[--cut->count];
            }
    }
}
