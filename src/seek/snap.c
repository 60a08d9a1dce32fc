/* Usual scales and offsets.
 *
 * People choose round steps: 1, 2, 5, 2.5 x 10^n, powers of two, some over 3 or 255. A fitted scale
 * within two standard errors of one of them is taken to be that one, but only where the errors are
 * small enough to leave out the other usual numbers nearby; offsets likewise, among round ones and
 * half the range. A hit is evidence; a miss says nothing. */
#include "seek/search.h"

#define ERRORS     2.0
#define WIDE       0.03 /* of the scale: with a larger error nothing is taken for usual */
#define RARER      0.6  /* errors, a row */
#define CLEARLY    0.3
#define AS_GOOD    0.003 /* nearer to each other two usual scales are one */
#define ABOVE_MOST 8u    /* constant bits above a window */

/* The commonest first: each row is asked only where none of the rows before it has one. */
struct heads {
    size_t count;
    double head[20];
    bool percent; /* of a byte that stands for 100 % */
};
static const struct heads rows[] = {
    {7, {1, 2, 5, 2.5, 4, 1.25, 7.5}, false},
    {8,
     {3.92156862745098, 7.84313725490196, 1.56862745098039, 3.13725490196078, 1.96078431372549,
      9.80392156862745, 4.90196078431373, 6.27450980392157},
     true},
    {18,
     {8, 6.25, 1.5625, 3.125, 7.8125, 3.90625, 9.765625, 1.953125, 4.8828125, 2.44140625,
      1.220703125, 6.103515625, 3.0517578125, 1.52587890625, 1.5, 3, 6, 7.62939453125},
     false},
    {16,
     {1.6, 3.2, 6.4, 1.28, 2.56, 5.12, 1.024, 3.92156862745098, 7.84313725490196, 1.56862745098039,
      3.33333333333333, 1.66666666666667, 6.66666666666667, 8.33333333333333, 1.2, 2.4},
     false},
};
#define ROWS   (sizeof rows / sizeof rows[0])
#define COMMON 4u /* offsets of the list below */

struct usual {
    double scale, away;
    size_t row;
};

/* The usual scale nearest in errors, where a rarer one counts as further away, of those that are
 * not `but` (NULL: of all); its `away` is INFINITY where there is none. */
static struct usual nearest(double size, double error, bool percent, const struct usual *but)
{
    struct usual best = {.away = INFINITY};
    double decade = pow(10, floor(log10(size)));
    for (size_t row = 0; row < ROWS; row++)
        for (size_t i = 0; i < rows[row].count * 3; i++) {
            double part = i % 3 == 0 ? 0.1 : i % 3 == 1 ? 1 : 10;
            double usual = rows[row].head[i / 3] * decade * part;
            double away = fabs(usual - size) / error + RARER * (double)row;
            if (fabs(usual - size) > ERRORS * error || (rows[row].percent && !percent) ||
                (but && fabs(usual - but->scale) < AS_GOOD * usual) || away >= best.away)
                continue;
            best = (struct usual){usual, away, row};
        }
    return best;
}

/* 0 where there is none, or where another is about as near. */
static double usual_scale(double scale, double error, bool percent, size_t *ret_row)
{
    double size = fabs(scale);
    if (error > WIDE * size)
        return 0;
    struct usual best = nearest(size, error, percent, NULL);
    if (!isfinite(best.away) || nearest(size, error, percent, &best).away <= best.away + CLEARLY)
        return 0;
    *ret_row = best.row;
    return copysign(best.scale, scale);
}

bool seek_is_common(double scale, double error)
{
    size_t row = ROWS;
    return isfinite(scale) && scale != 0 && usual_scale(scale, error, false, &row) != 0 && row == 0;
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

/* What constant bits above the window add, in its steps, with `count` of them; false where one of
 * them moves. */
static bool constant_above(const struct seek_window *window, unsigned count, double *ret_adds)
{
    const struct lt_kept *kept = &window->view->kept;
    struct seek_window longer = *window;
    longer.length = (uint8_t)(window->length + count);
    struct lt_bits bits = seek_window_bits(&longer);
    if (longer.length > LT_WINDOW_MAX || bits.part[0].msb >= 8u * kept->key.length)
        return false;
    uint64_t first = lt_bits_get(lt_kept_row(kept, 0), &bits) >> window->length;
    for (size_t i = 1; i < kept->count; i += kept->count / 64 + 1)
        if (lt_bits_get(lt_kept_row(kept, i), &bits) >> window->length != first)
            return false;
    *ret_adds = ldexp((double)first, window->length);
    return true;
}

/* Whatever its scale, what starts about zero mostly starts at zero: then the line is the one
 * through it. */
static void start_at_zero(struct seek_fit *fit, const struct seek_course *course)
{
    double mean = (course->mean - fit->offset) / fit->scale, spread = course->sd / fit->scale;
    double through =
        (fit->scale * spread * spread + mean * course->mean) / (spread * spread + mean * mean);
    if (fabs(fit->offset) > ERRORS * fit->offset_error || !isfinite(through) ||
        fabs(through - fit->scale) > ERRORS * fit->scale_error)
        return;
    fit->scale = through;
    fit->offset = 0;
}

bool seek_snap(struct seek_fit *fit, const struct seek_window *window,
               const struct seek_course *course)
{
    if (fit->reciprocal || !(fabs(fit->scale) > 0) || !isfinite(fit->scale_error))
        return false;
    bool common_offset;
    size_t row = 0;
    const char *unit = course->reference->unit;
    bool percent = unit && strcmp(unit, "%") == 0;
    double scale = usual_scale(fit->scale, fit->scale_error, percent, &row);
    if (scale == 0) {
        start_at_zero(fit, course);
        return false;
    }
    /* The offset again, at the mean of the reference, with the scale as it now is. */
    double mean_raw = (course->mean - fit->offset) / fit->scale;
    double offset = course->mean - scale * mean_raw, usual, adds = 0;
    double error = fit->rmse / sqrt((double)(fit->used > 9 ? fit->used : 9)) * 3 +
                   0.05 * (fit->coarse > course->quantum ? fit->coarse : course->quantum) +
                   0.25 * course->quantum;
    bool found = usual_offset(offset, error, scale, window->length, &usual, &common_offset);
    /* Bits above that never moved are part of what the offset was meant for. */
    for (unsigned above = 1; above <= ABOVE_MOST && !(found && common_offset) &&
                             window->sign == LT_UNSIGNED && constant_above(window, above, &adds);
         above++) {
        double full;
        if (adds == 0 ||
            !usual_offset(offset - scale * adds, error, scale, window->length + above, &full,
                          &common_offset) ||
            !common_offset)
            continue;
        usual = full + scale * adds;
        found = true;
    }
    if (!found)
        return false;
    fit->scale = scale;
    fit->offset = usual;
    fit->snapped = true;
    int ignored;
    fit->usual = frexp(fabs(scale), &ignored) == 0.5 && row > 1 ? 1 : (double)row;
    fit->strong = common_offset;
    return true;
}
