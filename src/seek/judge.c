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
#define CLAIM_LONG   0.65 /* on a drive of some minutes */
#define CLAIM_SHORT  0.9  /* on a drive of a minute */
#define SHORT_S      60.0
#define LONG_S       240.0
#define BEST_LOSS    1.5 /* of the least: what may be the best */
#define CLAIMED_MOST 3.0
#define SHARED       1.5 /* of what is left over here: served about as well */
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

/* What this window is to another quantity's reference: it may be served better; where it is served
 * about as well, this recording cannot tell which of both the number is. */
static void weigh_other(const struct seek_found *mine, const struct seek_found *other,
                        struct entry *entry)
{
    double own = merit(entry->fit, &mine->course);
    for (size_t k = 0; k < other->count; k++) {
        if (!same_place(&other->window[k], entry->window))
            continue;
        double more = merit(&other->fit[k], &other->course) - own;
        if (more > entry->claimed && !other->course.slow) {
            entry->claimed = more;
            entry->claimed_by = other->course.reference->target;
        }
        double least = fmax(fmax(entry->loss, floor_of(&mine->course)), floor_of(&other->course));
        entry->shared |= other->fit[k].loss <= SHARED * least;
    }
}

static void weigh_others(const struct seek_all *all, const struct seek_found *mine,
                         struct entry *entry)
{
    for (size_t i = 0; i < all->count; i++) {
        const struct seek_found *other = &all->found[i];
        if (other != mine &&
            strcmp(other->course.reference->target, mine->course.reference->target) != 0)
            weigh_other(mine, other, entry);
    }
    entry->claimed = fmin(entry->claimed, CLAIMED_MOST);
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

static bool give(struct judging *judging, const struct entry *entry, struct lt_candidate *out)
{
    const struct seek_window *window = entry->window;
    const struct seek_fit *fit = entry->fit;
    *out = (struct lt_candidate){.stream = window->view->stream,
                                 .has_page = window->view->has_page,
                                 .page = window->view->page,
                                 .bits = seek_window_bits(window),
                                 .proven_bits = entry->proven,
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
    out->why = seek_why(judging, entry);
    return out->why != NULL;
}

/* How sure an answer must be: a short drive has few manoeuvres in it that part a quantity from what
 * drifts along, and coincidences are many. */
static double claim_of(const struct judging *judging)
{
    double part = (LONG_S - judging->course->span_s) / (LONG_S - SHORT_S);
    return CLAIM_LONG + (CLAIM_SHORT - CLAIM_LONG) * fmin(fmax(part, 0), 1);
}

/* A linear cousin (a speed that the dash shows too high) follows as closely as the number itself:
 * without a usual scale it takes more to be believed. Temperatures are told by their values. */
static bool is_over(const struct judging *judging, const struct entry *entry, double claim)
{
    bool odd = !entry->fit->snapped && !entry->fit->reciprocal && !judging->course->slow;
    return seek_sigmoid(entry->odds) >= (odd ? fmax(claim, CLAIM_ODD) : claim);
}

static bool is_claimed(const struct judging *judging, const struct entry *entry)
{
    return is_over(judging, entry, claim_of(judging));
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
    bool claimed = judging->count && is_claimed(judging, &judging->entry[0]);
    judging->too_short = !claimed && judging->count && judging->course->span_s < LONG_S &&
                         judging->entry[0].odds >= 0;
    if (judging->too_short)
        return LT_SEEK_NOT_EXERCISED;
    if (!claimed)
        return judging->exercised ? LT_SEEK_NOT_ON_BUS : LT_SEEK_NOT_EXERCISED;
    if (!judging->exercised && seek_sigmoid(judging->entry[0].odds) < 0.9)
        return LT_SEEK_NOT_EXERCISED;
    judging->rival = rival_of(judging);
    return judging->rival ? LT_SEEK_AMBIGUOUS : LT_SEEK_FOUND;
}

static bool answer(struct judging *judging, struct lt_seek_target *ret_target)
{
    struct lt_seek_target target = {.reference = judging->course->reference,
                                    .n_eff = judging->course->n_eff,
                                    .r_needed = judging->course->r_needed,
                                    .null_r = judging->found->null_r,
                                    .clock_found = judging->course->clock_found,
                                    .clock_s = (double)judging->course->clock_ns / NS_PER_S};
    struct lt_candidate *list = lt_arena_array(judging->arena, judging->count + 1, sizeof *list);
    target.verdict = verdict_of(judging);
    bool fine = list;
    for (size_t i = 0; i < judging->count && fine; i++)
        fine = give(judging, &judging->entry[i], &list[i]);
    target.say = seek_say(judging, target.verdict);
    target.candidates = list;
    target.count = judging->count;
    *ret_target = target;
    return fine && target.say;
}

/* By how much the residual is worse explained than that of the best. */
static void find_behind(struct judging *judging)
{
    double loss = INFINITY, excess = INFINITY;
    for (size_t i = 0; i < judging->count; i++)
        loss = fmin(loss, judging->entry[i].loss);
    for (size_t i = 0; i < judging->count; i++)
        if (judging->entry[i].loss <= BEST_LOSS * loss)
            excess = fmin(excess, judging->entry[i].fit->excess);
    for (size_t i = 0; i < judging->count; i++) {
        double own = judging->entry[i].fit->excess;
        double behind = log((own + 0.2) / (fmin(excess, own) + 0.2));
        judging->entry[i].behind = fmin(fmax(behind, 0), 2);
    }
}

static bool fill(struct judging *judging, const struct seek_all *all, struct lt_arena *scratch)
{
    const struct seek_found *found = judging->found;
    judging->entry = lt_arena_array(scratch, found->count + 1, sizeof *judging->entry);
    uint32_t *rows = lt_arena_array(scratch, judging->course->count + 1, sizeof *rows);
    if (!judging->entry || !rows)
        return false;
    bool fine = true;
    for (size_t i = 0; i < found->count && fine; i++) {
        const struct seek_fit *fit = &found->fit[i];
        struct lt_arena room;
        lt_arena_init(&room, 0);
        struct entry entry = {.window = &found->window[i], .fit = fit};
        entry.loss = fit->loss;
        entry.period_s = period_of(entry.window);
        entry.outside = outside_of(fit, judging->course->reference->role);
        weigh_others(all, found, &entry);
        if (!seek_evidence_find(all, found, fit, &room, &entry.evidence))
            fine = false;
        lt_arena_release(&room);
        seek_prove(entry.window, judging->course, fit, rows, &entry.proven);
        judging->entry[judging->count++] = entry;
    }
    find_behind(judging);
    for (size_t i = 0; i < judging->count; i++)
        judging->entry[i].odds = seek_odds(judging, &judging->entry[i]);
    qsort(judging->entry, judging->count, sizeof *judging->entry, by_rank);
    if (judging->count > LT_CANDIDATES_MAX)
        judging->count = LT_CANDIDATES_MAX;
    return fine;
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
        fine = answer(&judging, ret_target);
    }
    lt_arena_release(&scratch);
    return fine ? LT_OK : seek_no_memory(error);
}
