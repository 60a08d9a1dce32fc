/* From fitted windows to an answer: order, copies and cousins, confidence, verdict.
 *
 * A true field differs from the reference by rounding, filter and lag alone, and people give it a
 * usual scale; candidates are ranked by both. What follows another reference of the same recording
 * better is that one's (throttle, pedal, load and torque have one cause: poll all of them). Those
 * that say the same within the resolution of the test are one group. Candidates that are as good
 * and say something materially different leave the answer open. */
#include "seek/judge.h"

#include <stdlib.h>

#define COPY_STEPS   1.5
#define COPY_SPREAD  0.012 /* of the reference's spread */
#define APART_STEPS  2.5   /* beyond it the values are materially different */
#define APART_SPREAD 0.08
#define APART_SHARE  0.1 /* of the time */
#define STEADY_S     0.1
#define FLOOR_STEPS  0.3  /* of the reference's: what a true field leaves at the least */
#define RIVAL        0.7  /* in the logarithm of the odds: as good as the first */
#define PREFER       0.7  /* within it the handier one goes first */
#define AS_LITTLE    1.08 /* left over as the first */
#define AS_CLOSE     1.25 /* to what steps and times explain: no cousin that is only finer */
#define CLAIM_ODD    0.75
#define CLAIM        0.5
#define CLAIMED_MOST 3.0
/* Odds: fitted on generated cars (tests/bench), see there how well they hold. */
#define ODDS_BASE    2.2
#define ODDS_LOSS    1.5
#define ODDS_EXCESS  1.2
#define ODDS_SNAP    0.9
#define ODDS_STRONG  1.3
#define ODDS_SLOW    1.0
#define ODDS_START   2.0
#define ODDS_FLAT    1.2
#define ODDS_UNSURE  2.7
#define LEVELS_SURE  8u
#define SPREAD_LEAST 3.0
#define ODDS_CLAIMED 3.0
#define SNAP_WORTH   0.7 /* of a usual scale, in the logarithm of what is left over */

static double period_of(const struct seek_window *window)
{
    int64_t period_ns = window->view->period_ns;
    return period_ns > 0 ? (double)period_ns / NS_PER_S : 10;
}

/* How far the values leave what the role can be, in widths of its range. */
static double outside_of(const struct seek_fit *fit, const struct lt_role *role)
{
    double width = role ? role->high - role->low : 0, over, under;
    if (!role || !(width > 0))
        return 0;
    over = (fit->high - role->high) / width;
    under = (role->low - fit->low) / width;
    return fmax(fmax(over, under), 0);
}

double seek_sigmoid(double z)
{
    return 1 / (1 + exp(-z));
}

static double floor_of(const struct seek_course *course)
{
    return FLOOR_STEPS * course->quantum / course->sd;
}

/* How well a window serves a reference, for the contest between references. */
static double merit(const struct seek_fit *fit, const struct seek_course *course)
{
    double loss = fmax(fit->loss, floor_of(course));
    return -log(loss + 1e-6) + SNAP_WORTH * fit->snapped;
}

static bool same_place(const struct seek_window *a, const struct seek_window *b)
{
    struct lt_bits one = seek_window_bits(a), other = seek_window_bits(b);
    int low = abs((int)one.part[0].lsb - (int)other.part[0].lsb);
    return a->view == b->view && one.part[0].msb == other.part[0].msb && low <= 2;
}

/* By how much another quantity's reference is served better by this window. */
static double claimed_by_others(const struct seek_all *all, const struct seek_found *mine,
                                const struct seek_window *window, const struct seek_fit *fit,
                                const char **ret_by)
{
    double most = 0, own = merit(fit, &mine->course);
    for (size_t i = 0; i < all->count; i++) {
        const struct seek_found *other = &all->found[i];
        if (other == mine || other->course.slow ||
            strcmp(other->course.reference->target, mine->course.reference->target) == 0)
            continue;
        for (size_t k = 0; k < other->count; k++) {
            if (!same_place(&other->window[k], window))
                continue;
            double more = merit(&other->fit[k], &other->course) - own;
            if (more > most) {
                most = more;
                *ret_by = other->course.reference->target;
            }
        }
    }
    return fmin(most, CLAIMED_MOST);
}

/* What cannot be below zero is mostly sent from zero on: another start speaks for a cousin (torque
 * for throttle). */
static bool starts_elsewhere(const struct seek_fit *fit, const struct seek_course *course)
{
    const struct lt_role *role = course->reference->role;
    double near = 3 * fit->coarse + 0.05 * course->sd + 2 * fit->offset_error;
    return role && role->low == 0 && role->high > 0 && !fit->strong && !fit->reciprocal &&
           fabs(fit->offset) > near;
}

/* The logarithm of the odds that the window is the quantity, from what physics says a true one has:
 * little left over, a residual of about what steps and times explain, a usual scale, values within
 * reason, no other reference that it follows better. */
static double odds_of(const struct judging *judging, const struct entry *entry)
{
    const struct seek_course *course = judging->course;
    const struct seek_fit *fit = entry->fit;
    double r = fmin(fabs(fit->r), 0.999999);
    double needed = course->slow ? 0.95 : fmax(course->r_needed, judging->found->null_r);
    double margin = atanh(r) - atanh(fmin(needed, 0.999));
    if (fit->scale == 0 || !isfinite(fit->rmse) || fit->used < 8)
        return -9;
    double split = log((fit->split_rmse + 1e-3) / (entry->loss + 1e-3)) - 0.7;
    split = course->slow ? 0 : 2 * fmin(fmax(split, 0), 3);
    double z = ODDS_BASE - ODDS_LOSS * (log(entry->loss + 1e-3) + 4.5) -
               ODDS_EXCESS * (log(fit->excess + 0.3) - 0.3) + ODDS_SNAP * fit->snapped +
               ODDS_STRONG * fit->strong - ODDS_CLAIMED * entry->claimed -
               10 * fmax(fit->outliers - 0.12, 0) - 20 * entry->outside -
               20 * fmax(fit->jumps - 0.01, 0) - split;
    if (course->slow)
        z += ODDS_SLOW - (fit->snapped ? ODDS_SNAP : 0);
    z -= starts_elsewhere(fit, course) ? ODDS_START : 0;
    /* Two values and little between them fit anything that has two. */
    z -= ODDS_FLAT * fmax(SPREAD_LEAST - course->spread, 0);
    /* Few levels leave the scale open. */
    if (course->spread < SPREAD_LEAST || (course->slow && course->levels < LEVELS_SURE))
        z = fmin(z, ODDS_UNSURE);
    /* Makers send usual scales; another one is what the fit of a cousin gives, and of whatever else
     * drifts with the quantity for a while. */
    if (!fit->snapped && !fit->reciprocal)
        z = fmin(z, ODDS_UNSURE);
    if (margin < 0) /* chance alone reaches it */
        z = fmin(z - 4, -1);
    return z;
}

static int by_rank(const void *a, const void *b)
{
    const struct entry *one = a, *other = b;
    if (one->odds != other->odds)
        return one->odds > other->odds ? -1 : 1;
    return (one->window->lsb > other->window->lsb) - (one->window->lsb < other->window->lsb);
}

/* Of those that are as good: fast, fine, fresh. */
static double preference(const struct entry *entry, const struct judging *judging)
{
    double step = fabs(entry->fit->scale) / (judging->course->quantum + 1e-300);
    double late_s = fmax(entry->fit->lag_s + entry->fit->filter_s, -0.5);
    return 0.5 * log(entry->period_s + 0.01) + 0.3 * log(fmax(step, 0.05)) - 2 * late_s;
}

/* The share of time in which two differ by more than `limit`, where the reference is steady: timing
 * and filters do not count there. */
static double apart(const struct entry *a, const struct entry *b, const struct judging *judging,
                    double limit)
{
    const struct seek_course *course = judging->course;
    double far = 0, n = 0;
    for (size_t i = 0; i * course->every < course->count; i++) {
        double away = fabs(a->fit->predicted[i] - b->fit->predicted[i]);
        if (!isfinite(away))
            continue;
        double moved = seek_rate_at(course, i * course->every) * STEADY_S / limit;
        double weight = 1 / (1 + moved * moved);
        far += away > limit ? weight : 0;
        n += weight;
    }
    return n > 1 ? far / n : 1;
}

static bool within(const struct entry *a, const struct entry *b, const struct judging *judging,
                   double steps, double spread)
{
    double coarse = fmax(fmax(a->fit->coarse, b->fit->coarse), judging->course->quantum);
    return apart(a, b, judging, fmax(steps * coarse, spread * judging->course->sd)) <= APART_SHARE;
}

static bool same_quantity(const struct entry *a, const struct entry *b,
                          const struct judging *judging)
{
    return within(a, b, judging, COPY_STEPS, COPY_SPREAD);
}

static bool differs(const struct entry *a, const struct entry *b, const struct judging *judging)
{
    return !within(a, b, judging, APART_STEPS, APART_SPREAD);
}

static void find_groups(struct judging *judging)
{
    unsigned groups = 0;
    for (size_t i = 0; i < judging->count; i++) {
        struct entry *entry = &judging->entry[i];
        entry->group = UINT32_MAX;
        entry->copy = false;
        for (size_t j = 0; j < i && entry->group == UINT32_MAX; j++)
            if (judging->entry[j].lead && same_quantity(entry, &judging->entry[j], judging))
                entry->group = judging->entry[j].group;
        entry->lead = entry->group == UINT32_MAX;
        if (entry->lead)
            entry->group = groups++;
        entry->copy =
            !entry->lead && entry->group == 0 && entry->odds >= -1 && entry->claimed < CLAIMED_COPY;
    }
}

/* The one of the best group that serves best goes to the front. */
static void put_preferred_first(struct judging *judging)
{
    size_t best = 0;
    for (size_t i = 1; i < judging->count; i++)
        if (judging->entry[i].group == 0 &&
            judging->entry[i].odds >= judging->entry[0].odds - PREFER &&
            judging->entry[i].claimed <= judging->entry[0].claimed + 0.2 &&
            judging->entry[i].loss <= AS_LITTLE * judging->entry[0].loss &&
            judging->entry[i].fit->excess <= AS_CLOSE * judging->entry[0].fit->excess + 0.05 &&
            preference(&judging->entry[i], judging) < preference(&judging->entry[best], judging))
            best = i;
    if (best == 0)
        return;
    struct entry chosen = judging->entry[best];
    memmove(judging->entry + 1, judging->entry, best * sizeof chosen);
    judging->entry[0] = chosen;
    judging->entry[0].copy = false;
    judging->entry[1].copy = true;
}

/* --- the answer --- */

static bool give(struct judging *judging, const struct entry *entry, uint32_t *rows,
                 struct lt_candidate *out)
{
    const struct seek_window *window = entry->window;
    const struct seek_fit *fit = entry->fit;
    *out = (struct lt_candidate){.stream = window->view->stream,
                                 .has_page = window->view->has_page,
                                 .page = window->view->page,
                                 .bits = seek_window_bits(window),
                                 .sign = window->sign,
                                 .form = fit->reciprocal ? LT_FORM_RECIPROCAL : LT_FORM_LINEAR,
                                 .scale = fit->scale,
                                 .offset = fit->offset,
                                 .scale_error = fit->scale_error,
                                 .offset_error = fit->offset_error,
                                 .snapped = fit->snapped,
                                 .lag_s = fit->lag_s + fit->filter_s,
                                 .r = fit->r,
                                 .rmse = fit->rmse,
                                 .steady_quanta = fit->steady_quanta,
                                 .split_rmse = fit->split_rmse,
                                 .confidence = seek_sigmoid(entry->odds),
                                 .group = entry->group,
                                 .copy = entry->copy};
    out->order = lt_bits_order(&out->bits);
    /* Zero in the middle of the range, on both sides of which it was seen. */
    double half = ldexp(fit->scale, window->length - 1);
    if (window->sign == LT_UNSIGNED && fit->snapped && !fit->reciprocal &&
        fabs(fit->offset + half) < 1e-6 * fabs(half) && fit->low < 0 && fit->high > 0) {
        out->sign = LT_OFFSET_BINARY;
        out->offset = 0;
    }
    seek_prove(window, judging->course, fit, rows, &out->proven_bits);
    out->why = seek_why(judging, entry);
    return out->why != NULL;
}

/* A linear cousin (a speed that the dash shows too high) follows as closely as the number itself:
 * without a usual scale it takes more to be believed. Temperatures are told by their values. */
static bool is_claimed(const struct judging *judging, const struct entry *entry)
{
    bool odd = !entry->fit->snapped && !entry->fit->reciprocal && !judging->course->slow;
    return seek_sigmoid(entry->odds) >= (odd ? CLAIM_ODD : CLAIM);
}

/* As good as the first, and says something else. */
static const struct entry *rival_of(const struct judging *judging)
{
    const struct entry *best = &judging->entry[0];
    for (size_t i = 1; i < judging->count; i++) {
        const struct entry *entry = &judging->entry[i];
        if (entry->odds >= best->odds - RIVAL && is_claimed(judging, entry) &&
            differs(best, entry, judging))
            return entry;
    }
    return NULL;
}

static enum lt_seek_verdict verdict_of(struct judging *judging)
{
    if (!judging->count || !is_claimed(judging, &judging->entry[0]))
        return judging->exercised ? LT_SEEK_NOT_ON_BUS : LT_SEEK_NOT_EXERCISED;
    if (!judging->exercised && seek_sigmoid(judging->entry[0].odds) < 0.9)
        return LT_SEEK_NOT_EXERCISED;
    judging->rival = rival_of(judging);
    return judging->rival ? LT_SEEK_AMBIGUOUS : LT_SEEK_FOUND;
}

static bool answer(struct judging *judging, struct lt_arena *scratch,
                   struct lt_seek_target *ret_target)
{
    struct lt_seek_target target = {.reference = judging->course->reference,
                                    .n_eff = judging->course->n_eff,
                                    .r_needed = judging->course->r_needed,
                                    .null_r = judging->found->null_r,
                                    .clock_found = judging->course->clock_found,
                                    .clock_s = (double)judging->course->clock_ns / NS_PER_S};
    struct lt_candidate *list = lt_arena_array(judging->arena, judging->count + 1, sizeof *list);
    target.verdict = verdict_of(judging);
    uint32_t *rows = lt_arena_array(scratch, judging->course->count + 1, sizeof *rows);
    bool fine = list && rows;
    for (size_t i = 0; i < judging->count && fine; i++)
        fine = give(judging, &judging->entry[i], rows, &list[i]);
    target.say = seek_say(judging, target.verdict);
    target.candidates = list;
    target.count = judging->count;
    *ret_target = target;
    return fine && target.say;
}

static bool fill(struct judging *judging, const struct seek_all *all, struct lt_arena *scratch)
{
    const struct seek_found *found = judging->found;
    judging->entry = lt_arena_array(scratch, found->count + 1, sizeof *judging->entry);
    if (!judging->entry)
        return false;
    for (size_t i = 0; i < found->count; i++) {
        const struct seek_fit *fit = &found->fit[i];
        struct entry entry = {.window = &found->window[i], .fit = fit};
        entry.loss = fit->loss;
        entry.period_s = period_of(entry.window);
        entry.outside = outside_of(fit, judging->course->reference->role);
        entry.claimed = claimed_by_others(all, found, entry.window, fit, &entry.claimed_by);
        entry.odds = odds_of(judging, &entry);
        judging->entry[judging->count++] = entry;
    }
    qsort(judging->entry, judging->count, sizeof *judging->entry, by_rank);
    if (judging->count > LT_CANDIDATES_MAX)
        judging->count = LT_CANDIDATES_MAX;
    return true;
}

enum lt_code seek_judge(const struct seek_all *all, size_t which, struct lt_arena *arena,
                        struct lt_seek_target *ret_target, struct lt_error *error)
{
    const struct seek_found *found = &all->found[which];
    struct judging judging = {.found = found, .course = &found->course, .arena = arena};
    struct lt_arena scratch;
    lt_arena_init(&scratch, 0);
    bool fine = fill(&judging, all, &scratch);
    if (fine) {
        judging.exercised = seek_was_exercised(judging.course);
        find_groups(&judging);
        put_preferred_first(&judging);
        fine = answer(&judging, &scratch, ret_target);
    }
    lt_arena_release(&scratch);
    return fine ? LT_OK : seek_no_memory(error);
}
