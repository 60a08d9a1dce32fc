/* The odds that a window is the reference's own quantity, with its ends, scale and offset right.
 *
 * From what physics says a true one has: a residual of about what steps and times explain, no cause
 * left in it, changes that keep following without the trend; a usual scale, known well enough to be
 * told from the next usual one; values within reason; no other reference that it follows better,
 * and no other window that serves this one clearly better. Weights by logistic regression on
 * invented cars (tests/bench/seek_truth.py, seeds 101 to 130), lowered by a margin, since real cars
 * are harder; docs/seek-truth.md says how well they hold on cars that nobody tuned on. */
#include "seek/judge.h"

#define ODDS_BASE     1.09
#define ODDS_EXCESS   0.66
#define ODDS_SPLIT    0.71
#define ODDS_CLAIMED  3.2
#define ODDS_OUTSIDE  20.0
#define ODDS_JUMPS    25.0
#define ODDS_OUTLIERS 10.0
#define ODDS_USUAL    2.1 /* a scale of the commonest */
#define ODDS_RARE     -1.3
#define ODDS_STRONG   1.1
#define ODDS_PRECISE  0.91
#define ODDS_PULLED   20.0
#define ODDS_START    4.2
#define ODDS_COARSE   0.27
#define ODDS_FREE     0.26
#define ODDS_CAUSE    0.065 /* a sample */
#define ODDS_FLAT     0.3
#define ODDS_UNPROVEN 0.09
#define ODDS_SLOW     1.1
#define ODDS_BEHIND   0.5
#define ODDS_STALE    0.44
#define ODDS_LENGTH   0.32 /* of the drive, in its logarithm */
#define LENGTH_S      120.0
#define ODDS_UNSURE   2.7 /* no more than that */
#define ODDS_FEW      2.0 /* nor of few levels than that */
#define ODDS_SHARED   1.5 /* what is served to two */
#define CAP_ORDER     0.02
#define MARGIN        0.7
#define LEVELS_SURE   8u
#define SPREAD_LEAST  3.0
#define SAMPLES_LEAST 8u
#define OUTLIERS_FREE 0.12
#define JUMPS_FREE    0.01

/* No more than about `most`, and still in order. */
static double cap(double z, double most)
{
    return z > most ? most + CAP_ORDER * (z - most) : z;
}

static double clip(double value, double least, double most)
{
    return fmin(fmax(value, least), most);
}

/* What cannot be below zero is mostly sent from zero on: another start speaks for a cousin (torque
 * for throttle). */
bool seek_starts_elsewhere(const struct seek_fit *fit, const struct seek_course *course)
{
    const struct lt_role *role = course->reference->role;
    double near = 3 * fit->coarse + 0.05 * course->sd + 2 * fit->offset_error;
    return role && role->low == 0 && role->high > 0 && !fit->strong && !fit->reciprocal &&
           fabs(fit->offset) > near;
}

static double of_the_fit(const struct seek_course *course, const struct entry *entry)
{
    const struct seek_fit *fit = entry->fit;
    double split = log((fit->split_rmse + 1e-3) / (entry->loss + 1e-3)) - 0.7;
    return -ODDS_EXCESS * (log(fit->excess + 0.3) - 0.3) - ODDS_CLAIMED * entry->claimed -
           ODDS_OUTSIDE * fmin(entry->outside, 0.3) -
           ODDS_JUMPS * fmax(fit->jumps - JUMPS_FREE, 0) -
           ODDS_OUTLIERS * fmax(fit->outliers - OUTLIERS_FREE, 0) -
           (course->slow ? 0 : ODDS_SPLIT * clip(split, 0, 3));
}

/* A usual scale is evidence as far as its error leaves out the others, and as far as it need not be
 * pulled there. */
static double of_the_scale(const struct seek_course *course, const struct seek_fit *fit)
{
    double size = fmax(fabs(fit->fitted_scale), 1e-300);
    double precise = clip(log(fit->scale_error / size + 1e-4), -8, 0) + 5;
    double pulled = fit->snapped ? clip(fabs(fit->scale / fit->fitted_scale - 1), 0, 0.05) : 0;
    double coarse = course->quantum > 0 ? clip(log2(fabs(fit->scale) / course->quantum), 0, 6) : 0;
    double z = -ODDS_PRECISE * precise - ODDS_PULLED * pulled - ODDS_COARSE * coarse;
    if (fit->reciprocal) /* earns its place by a residual that no line leaves */
        z += ODDS_USUAL;
    else if (fit->snapped)
        z += (fit->usual < 2 ? ODDS_USUAL : ODDS_RARE) + (fit->strong ? ODDS_STRONG : 0);
    return z - (seek_starts_elsewhere(fit, course) ? ODDS_START : 0);
}

static double of_the_evidence(const struct seek_course *course, const struct entry *entry)
{
    const struct seek_evidence *evidence = &entry->evidence;
    double explained = evidence->explained * (double)evidence->samples;
    unsigned length = entry->window->length, proven = lt_bits_length(&entry->proven);
    /* A frame that is sent seldom is old when the reference is read. */
    double stale = log(50 * entry->period_s / fmax(course->memory_s, 1e-3) + 1);
    return -ODDS_STALE * clip(stale, 0, 3) -
           ODDS_FREE * clip(log(1 - fmin(fabs(evidence->free_r), 1) + 1e-5) + 8, -3, 8) -
           ODDS_CAUSE * fmin(explained, 50) -
           ODDS_UNPROVEN * fmin(length > proven ? length - proven : 0, 12) -
           ODDS_FLAT * fmax(SPREAD_LEAST - course->spread, 0) - ODDS_BEHIND * entry->behind;
}

double seek_odds(const struct judging *judging, const struct entry *entry)
{
    const struct seek_course *course = judging->course;
    const struct seek_fit *fit = entry->fit;
    double r = fmin(fabs(fit->r), 0.999999);
    double needed = course->slow ? 0.95 : fmax(course->r_needed, judging->found->null_r);
    double margin = atanh(r) - atanh(fmin(needed, 0.999));
    if (fit->scale == 0 || !isfinite(fit->rmse) || !isfinite(fit->excess) ||
        fit->used < SAMPLES_LEAST)
        return -9;
    double z = ODDS_BASE - MARGIN + of_the_fit(course, entry) + of_the_scale(course, fit) +
               of_the_evidence(course, entry) + (course->slow ? ODDS_SLOW : 0) +
               ODDS_LENGTH * log(fmax(course->span_s, 1) / LENGTH_S);
    /* Few levels leave the scale open. */
    if (course->spread < SPREAD_LEAST || (course->slow && course->levels < LEVELS_SURE))
        z = cap(z, ODDS_FEW);
    /* Makers send usual scales; another one is what the fit of a cousin gives, and of whatever else
     * drifts with the quantity for a while. */
    if (!fit->snapped && !fit->reciprocal)
        z = cap(z, ODDS_UNSURE);
    if (entry->shared)
        z = cap(z, ODDS_SHARED);
    if (margin < 0) /* chance alone reaches it */
        z = fmin(z - 4, -1);
    return z;
}
