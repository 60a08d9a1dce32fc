/* Usual scales and offsets.
 *
 * People choose round steps: 1, 2, 5, 2.5 x 10^n, powers of two, some over 3 or 255. A fitted scale
 * within two standard errors of one of them is taken to be that one, but only where the errors are
 * small enough to leave out the other usual numbers nearby; offsets likewise, among round ones and
 * half the range. A hit is evidence; a miss says nothing. */
#include "seek/search.h"

#define ERRORS 2.0

static const double scale_heads[] = {1,
                                     2,
                                     2.5,
                                     5,
                                     1.5,
                                     3,
                                     4,
                                     6,
                                     7.5,
                                     8,
                                     1.25,
                                     6.25,
                                     1.5625,
                                     3.125,
                                     7.8125,
                                     3.90625,
                                     9.765625,
                                     1.953125,
                                     4.8828125,
                                     2.44140625,
                                     1.220703125,
                                     6.103515625,
                                     3.0517578125,
                                     3.92156862745098,
                                     3.33333333333333,
                                     1.66666666666667,
                                     6.66666666666667,
                                     1.6,
                                     3.2,
                                     6.4,
                                     1.28,
                                     2.56,
                                     5.12,
                                     1.024};
#define HEADS  (sizeof scale_heads / sizeof scale_heads[0])
#define COMMON 4u /* offsets of them */
#define USUAL  9u /* the first of them are common, the rest need a smaller error */

/* The usual scale within `error`; 0 where there is none, or two. */
static double usual_scale(double scale, double error, bool *ret_common)
{
    double size = fabs(scale), found = 0;
    unsigned hits = 0;
    double decade = pow(10, floor(log10(size)));
    for (unsigned group = 0; group < 2 && !hits; group++) {
        *ret_common = group == 0;
        for (size_t i = group ? USUAL : 0; i < (group ? HEADS : USUAL); i++)
            for (int down = -1; down <= 1; down++) {
                double usual = scale_heads[i] * decade * pow(10, down);
                if (fabs(usual - size) <= ERRORS * error) {
                    hits += fabs(usual - found) > 1e-9 * usual;
                    found = usual;
                }
            }
    }
    return hits == 1 ? copysign(found, scale) : 0;
}

/* The roundest number within `error` of the offset; false where that is no better than chance. */
static bool usual_offset(double offset, double error, double scale, unsigned length,
                         double *ret_usual, bool *ret_common)
{
    static const double usual[] = {0,    -40, -50, -48, -100, -273, -273.15, -125, -64,
                                   -128, -30, -20, -10, -60,  -200, -500,    -1000};
    double half = -ldexp(scale, (int)length - 1);
    for (size_t i = 0; i < sizeof usual / sizeof usual[0]; i++)
        /* Controllers round, or cut off: then half a step is missing. */
        if (fabs(offset - usual[i]) <= ERRORS * error ||
            fabs(offset - 0.5 * fabs(scale) - usual[i]) <= ERRORS * error) {
            *ret_usual = usual[i];
            *ret_common = i < COMMON;
            return true;
        }
    if (fabs(offset - half) <= ERRORS * error) {
        *ret_usual = half;
        *ret_common = true;
        return true;
    }
    /* A whole number of steps of the scale, or a round number, when the error is far below. */
    double grain = pow(10, ceil(log10(8 * error)));
    double round_one = round(offset / grain) * grain;
    if (error > 0 && fabs(offset - round_one) <= ERRORS * error) {
        *ret_usual = round_one;
        *ret_common = false;
        return true;
    }
    return false;
}

bool seek_snap(struct seek_fit *fit, const struct seek_course *course, unsigned length)
{
    if (fit->reciprocal || !(fabs(fit->scale) > 0) || !isfinite(fit->scale_error))
        return false;
    bool common_scale, common_offset;
    double scale = usual_scale(fit->scale, fit->scale_error, &common_scale);
    if (scale == 0)
        return false;
    /* The offset again, at the mean of the reference, with the scale as it now is. */
    double mean_raw = (course->mean - fit->offset) / fit->scale;
    double offset = course->mean - scale * mean_raw, usual;
    double error = fit->rmse / sqrt((double)(fit->used > 9 ? fit->used : 9)) * 3 +
                   0.05 * (fit->coarse > course->quantum ? fit->coarse : course->quantum) +
                   0.25 * course->quantum;
    if (!usual_offset(offset, error, scale, length, &usual, &common_offset))
        return false;
    fit->scale = scale;
    fit->offset = usual;
    fit->snapped = true;
    fit->strong = common_offset && (usual == 0 || !common_scale || course->slow);
    return true;
}
