/* How often a claim like this one is right: bits, order and sign together. A logistic function of a
 * few measures, fitted on invented cars of two generators with nothing in common (captures of 30
 * seconds and of 5 minutes, with and without lost frames), then shifted towards caution: of numbers
 * by so much that on cars that nothing was fitted on less than one in a hundred is wrong of those
 * that are said to be right 19 times of 20.
 *
 * The measures: the odds of the weakest gap inside and of the ends, against other moving bits, each
 * once up to a small ceiling (is it doubtful?) and once up to a large one (is it beyond doubt?);
 * the odds of the byte order; how often the field changed; and what does not fit together: a number
 * that passes both its ends and its middle in both directions is mostly the lower part of a larger
 * one, a flag that flips all the time beside other moving bits a piece of something. */
#include <math.h>

#include "survey/fields_inside.h"

/* Their low bits may hardly ever move, where they go up in even steps. */
#define MOST_OF_ACCUMULATING 0.94
/* A slow number with few values may as well be a code. */
#define FEW_VALUES         16u
#define MOST_OF_FEW_VALUES 0.93
#define OFTEN              9 /* log2 of the flips from which on a flag beside other bits is suspect */
#define LOWEST             -2.0 /* odds in bits below which a decision is no worse */

enum measure {
    ALWAYS,
    INSIDE_DOUBT,
    INSIDE_SURE,
    ENDS_DOUBT,
    ENDS_SURE,
    ORDER,
    GOES_ROUND,
    SIGN_GUESSED,
    FEW_CHANGES,
    ACCUMULATES,
    FLIPS_OFTEN,
    FLIPS_ALWAYS,
    MEASURES
};

struct habit {
    double weight[MEASURES];
    double few;    /* log2 of the changes from which on they are no longer few ... */
    double scale;  /* ... and what stands for one unit of that measure */
    double inside; /* ceiling of INSIDE_SURE, in bits */
    double ends;   /* ceiling of ENDS_DOUBT */
    double caution, most;
};

static const struct habit of_numbers = {.weight = {[ALWAYS] = -0.46,
                                                   [INSIDE_DOUBT] = 2.29,
                                                   [INSIDE_SURE] = 0.22,
                                                   [ENDS_DOUBT] = 0.84,
                                                   [ENDS_SURE] = 0.90,
                                                   [ORDER] = 0.74,
                                                   [GOES_ROUND] = -2.46,
                                                   [SIGN_GUESSED] = -0.80,
                                                   [FEW_CHANGES] = -1.32,
                                                   [ACCUMULATES] = 0.73},
                                        .few = 8,
                                        .scale = 4,
                                        .inside = 30,
                                        .ends = 6,
                                        .caution = 0.6,
                                        .most = 0.98};

static const struct habit of_flags = {.weight = {[ALWAYS] = 1.85,
                                                 [ENDS_DOUBT] = 0.30,
                                                 [ENDS_SURE] = 0.72,
                                                 [FEW_CHANGES] = -2.83,
                                                 [FLIPS_OFTEN] = -5.82,
                                                 [FLIPS_ALWAYS] = -1.46},
                                      .few = 4,
                                      .scale = 4,
                                      .inside = 25,
                                      .ends = 5,
                                      .caution = 0.1,
                                      .most = 0.96};

static const struct habit of_codes = {.weight = {[ALWAYS] = -0.79,
                                                 [INSIDE_DOUBT] = 1.39,
                                                 [INSIDE_SURE] = 0.24,
                                                 [ENDS_DOUBT] = 1.00,
                                                 [ENDS_SURE] = 0.75,
                                                 [FEW_CHANGES] = -2.27,
                                                 [FLIPS_OFTEN] = -1.07},
                                      .few = 4,
                                      .scale = 4,
                                      .inside = 25,
                                      .ends = 5,
                                      .caution = 0.1,
                                      .most = 0.95};

static double share(double odds, double most)
{
    return (odds < LOWEST ? LOWEST : odds > most ? most : odds) / most;
}

double field_sureness(const struct field_place *place, const struct field_course *course,
                      const struct field_claim *claim)
{
    enum lt_field_kind kind = claim->kind;
    double sign_odds = claim->sign_odds;
    const struct habit *habit = kind == LT_FIELD_FLAG   ? &of_flags
                                : kind == LT_FIELD_ENUM ? &of_codes
                                                        : &of_numbers;
    double changes = log2((double)course->changes + 1), measure[MEASURES] = {[ALWAYS] = 1};
    measure[INSIDE_DOUBT] = share(place->weakest, 6);
    measure[INSIDE_SURE] = share(place->weakest, habit->inside);
    measure[ENDS_DOUBT] = share(place->edge, habit->ends);
    measure[ENDS_SURE] = share(place->edge, 40);
    measure[ORDER] = share(place->margin, 30);
    measure[GOES_ROUND] = course->mids > 0 && course->wraps_up + course->wraps_down > 0 &&
                          sign_odds > 7 && sign_odds < 12.5;
    measure[SIGN_GUESSED] = sign_odds <= 3;
    measure[FEW_CHANGES] = fmax(0, habit->few - changes) / habit->scale;
    measure[ACCUMULATES] = kind == LT_FIELD_ACCUMULATING;
    measure[FLIPS_OFTEN] = isinf(place->edge) ? 0 : fmax(0, changes - OFTEN) / 3;
    measure[FLIPS_ALWAYS] = (double)course->changes > 0.15 * (double)course->steps;
    double logit = -habit->caution;
    for (unsigned i = 0; i < MEASURES; i++)
        logit += habit->weight[i] * measure[i];
    double most = kind == LT_FIELD_ACCUMULATING ? MOST_OF_ACCUMULATING : habit->most;
    if (course->distinct <= FEW_VALUES && course->changes * 20 < course->frames)
        most = fmin(most, MOST_OF_FEW_VALUES);
    return fmin(most, 1 / (1 + exp(-logit)));
}
