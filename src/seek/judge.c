/* From fitted windows to an answer: order, copies and cousins, confidence, verdict and sentence.
 *
 * A true field differs from the reference by rounding, filter and lag alone, so candidates are
 * ranked by what is left over. Those that say the same within the resolution of the test are one
 * group; copies in it agree with the first in every sample within the coarser step. Candidates that
 * are as good and say something else leave the answer open. */
#include "seek/search.h"

#include <stdlib.h>

#include "loomtap/base/number.h"

#define MOVED_STEPS  3.0 /* sd of a reference that moved, in its steps */
#define SLOW_LEVELS  4u
#define N_EFF_LEAST  10.0
#define AS_GOOD      1.15 /* of the best one's residual */
#define COPY_STEPS   1.5
#define COPY_SPREAD  0.05
#define UNUSUAL_MOST 0.9 /* confidence without a usual scale and offset */
#define CLAIM        0.5

struct entry {
    const struct seek_window *window;
    const struct seek_fit *fit;
    double confidence, loss; /* rmse over sd */
    double period_s, outside;
    unsigned group;
    bool copy;
};

struct judging {
    const struct seek_scan *scan;
    const struct seek_course *course;
    struct entry *entry;
    size_t count;
    struct lt_arena *arena;
    bool exercised;
};

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

static double sigmoid(double z)
{
    return 1 / (1 + exp(-z));
}

/* Chance that the window is the quantity, from what physics says a true one has: little left over,
 * a residual of about a step where it is steady, halves that predict each other, a correlation
 * beyond chance. The weights were set by hand on invented cars; they are not calibrated. */
static double confidence_of(const struct judging *judging, const struct entry *entry)
{
    const struct seek_course *course = judging->course;
    const struct seek_fit *fit = entry->fit;
    double r = fabs(fit->r) < 0.999999 ? fabs(fit->r) : 0.999999;
    double needed = course->slow ? 0.95 : fmax(course->r_needed, judging->scan->null_r);
    needed = needed < 0.999 ? needed : 0.999;
    double margin = atanh(r) - atanh(needed);
    if (fit->scale == 0 || !isfinite(fit->rmse) || fit->used < 8)
        return 0;
    double z = 3.0 - 1.2 * (log(entry->loss + 1e-4) + 2.8) -
               1.0 * fmax(log(fit->steady_quanta + 0.05), -1) + (fit->snapped ? 1.0 : 0) +
               2 * fmin(margin, 1) - 10 * fmax(fit->outliers - 0.1, 0) - 20 * entry->outside -
               6 * fmax(fit->split_rmse - 2 * entry->loss, 0);
    if (margin < 0) /* chance alone reaches it */
        return sigmoid(fmin(z - 4, -1));
    if (course->slow && (!fit->snapped || fit->steady_quanta > 0.8))
        z -= 3;
    /* Cousins have odd scales; so do some true ones: never quite sure without a usual scale. */
    return fit->snapped ? sigmoid(z) : fmin(sigmoid(z), UNUSUAL_MOST);
}

static int by_rank(const void *a, const void *b)
{
    const struct entry *one = a, *other = b;
    if (one->loss != other->loss)
        return one->loss < other->loss ? -1 : 1;
    return (one->window->lsb > other->window->lsb) - (one->window->lsb < other->window->lsb);
}

/* Of those that are as good: fast, fine, fresh. */
static double preference(const struct entry *entry, const struct judging *judging)
{
    double step = fabs(entry->fit->scale) / (judging->course->quantum + 1e-300);
    return log(entry->period_s + 0.005) + 0.3 * log(fmax(step, 0.05)) + 2 * entry->fit->lag_s -
           (entry->fit->snapped ? 0.5 : 0);
}

/* Root mean square difference, in the coarser of both steps. */
static double apart(const struct entry *a, const struct entry *b, const struct judging *judging)
{
    double squares = 0, n = 0;
    for (size_t i = 0; i < judging->course->count; i++) {
        double away = a->fit->predicted[i] - b->fit->predicted[i];
        if (!isfinite(away))
            continue;
        squares += away * away;
        n++;
    }
    double coarse = fmax(a->fit->coarse, b->fit->coarse);
    return n > 3 && coarse > 0 ? sqrt(squares / n) / coarse : INFINITY;
}

/* Filters and periods of their own leave a little more between copies than rounding does. */
static bool same_quantity(const struct entry *a, const struct entry *b,
                          const struct judging *judging)
{
    double steps = apart(a, b, judging), coarse = fmax(a->fit->coarse, b->fit->coarse);
    return steps <= COPY_STEPS || steps * coarse <= COPY_SPREAD * judging->course->sd;
}

static void find_groups(struct judging *judging)
{
    unsigned groups = 0;
    for (size_t i = 0; i < judging->count; i++) {
        struct entry *entry = &judging->entry[i];
        entry->group = UINT32_MAX;
        for (size_t j = 0; j < i && entry->group == UINT32_MAX; j++)
            if (same_quantity(entry, &judging->entry[j], judging)) {
                entry->group = judging->entry[j].group;
                entry->copy = j == 0 || judging->entry[j].copy;
            }
        if (entry->group == UINT32_MAX)
            entry->group = groups++;
    }
    if (judging->count)
        judging->entry[0].copy = false;
}

/* The one of the best group that serves best goes to the front. */
static void put_preferred_first(struct judging *judging)
{
    size_t best = 0;
    if (!judging->count)
        return;
    double limit = fmax(judging->entry[0].loss * AS_GOOD,
                        0.3 * judging->course->quantum / judging->course->sd);
    for (size_t i = 1; i < judging->count && judging->entry[i].loss <= limit; i++)
        if (judging->entry[i].group == judging->entry[0].group &&
            judging->entry[i].confidence >= judging->entry[0].confidence - 0.05 &&
            preference(&judging->entry[i], judging) < preference(&judging->entry[best], judging))
            best = i;
    struct entry chosen = judging->entry[best];
    memmove(judging->entry + 1, judging->entry, best * sizeof chosen);
    judging->entry[0] = chosen;
    judging->entry[0].copy = false;
    for (size_t i = 1; i <= best; i++)
        judging->entry[i].copy = judging->entry[i].group == chosen.group;
}

/* --- sentences --- */

struct manoeuvre {
    const char *role, *what;
};
static const struct manoeuvre manoeuvres[] = {
    {"engine_speed", "blip the throttle in neutral, and pull away three times through the gears"},
    {"vehicle_speed", "three pull-aways to 50 km/h and back to a stop"},
    {"pedal",
     "three pull-aways with the pedal held at different depths, and coasting in gear 10 s"},
    {"throttle",
     "three pull-aways with the pedal held at different depths, and coasting in gear 10 s"},
    {"load", "pull hard at low engine speed, then coast in gear 10 s"},
    {"manifold_pressure", "pull hard at low engine speed, then coast in gear 10 s"},
    {"lambda", "coast in gear 10 s, then full load for 5 s, three times"},
    {"coolant_temp", "start cold and record the whole warm-up, 15 minutes"},
    {"intake_temp", "record from a cold start through driving and standing, 15 minutes"},
    {"oil_temp", "start cold and record the whole warm-up, 20 minutes"},
};

static const char *missing_manoeuvre(const struct seek_course *course)
{
    const char *target = course->reference->target;
    for (size_t i = 0; i < sizeof manoeuvres / sizeof manoeuvres[0]; i++)
        if (target && strcmp(target, manoeuvres[i].role) == 0)
            return manoeuvres[i].what;
    return "make it move several times over its whole range";
}

static void say_why_not(const struct seek_course *course, const char *name, char *text, size_t size)
{
    if (course->reference->clock_unknown)
        lt_text_format(text, size,
                       "%s has times of another clock than the recording, so nothing was compared. "
                       "Give times of the recording's clock.",
                       name);
    else
        lt_text_format(text, size,
                       "%s hardly moved in this recording, or not often enough, to be told from "
                       "chance. Record again: %s.",
                       name, missing_manoeuvre(course));
}

static const char *say_of(struct judging *judging, enum lt_seek_verdict verdict)
{
    char text[400], bits[128];
    const struct seek_course *course = judging->course;
    const struct lt_reference *reference = course->reference;
    const struct entry *best = judging->count ? &judging->entry[0] : NULL;
    const char *name = reference->role ? reference->role->title : reference->target;
    size_t copies = 0;
    for (size_t i = 1; i < judging->count; i++)
        copies += judging->entry[i].copy;
    if (best) {
        struct lt_bits place = seek_window_bits(best->window);
        lt_bits_print(bits, sizeof bits, &place);
    }
    if (verdict == LT_SEEK_FOUND)
        lt_text_format(text, sizeof text,
                       best->window->view->kept.key.extended ? "%s is in frame %08X, bits %s%s."
                                                             : "%s is in frame %03X, bits %s%s.",
                       name, (unsigned)best->window->view->kept.key.id, bits,
                       copies ? ", with copies elsewhere" : "");
    else if (verdict == LT_SEEK_AMBIGUOUS)
        lt_text_format(text, sizeof text,
                       "Several numbers follow %s equally well and differ among themselves. To "
                       "tell them apart: %s.",
                       name, missing_manoeuvre(course));
    else if (verdict == LT_SEEK_NOT_EXERCISED)
        say_why_not(course, name, text, sizeof text);
    else
        lt_text_format(text, sizeof text,
                       "%s moved enough, and no number in any frame follows it: this bus does not "
                       "carry it.",
                       name);
    return lt_arena_string(judging->arena, text);
}

static const char *why_of(struct judging *judging, const struct entry *entry)
{
    char text[300];
    const struct seek_fit *fit = entry->fit;
    lt_text_format(
        text, sizeof text,
        "r %.4f where %.2f is needed; steady residual %.2f steps; each half predicts the "
        "other to %.1f %% of its spread%s",
        fabs(fit->r), judging->course->r_needed, fit->steady_quanta, 100 * fit->split_rmse,
        fit->snapped ? "; scale and offset are usual ones" : "");
    return lt_arena_string(judging->arena, text);
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
                                 .confidence = entry->confidence,
                                 .group = entry->group,
                                 .copy = entry->copy};
    out->order = lt_bits_order(&out->bits);
    out->proven_bits = out->bits; /* nothing proves a part of them yet */
    out->why = why_of(judging, entry);
    return out->why != NULL;
}

static bool has_rival(const struct judging *judging)
{
    const struct entry *best = &judging->entry[0];
    for (size_t i = 1; i < judging->count; i++) {
        const struct entry *entry = &judging->entry[i];
        if (entry->group != best->group && !entry->copy && entry->loss <= best->loss * AS_GOOD &&
            entry->confidence >= CLAIM)
            return true;
    }
    return false;
}

static enum lt_seek_verdict verdict_of(struct judging *judging)
{
    if (!judging->count || judging->entry[0].confidence < CLAIM)
        return judging->exercised ? LT_SEEK_NOT_ON_BUS : LT_SEEK_NOT_EXERCISED;
    if (!judging->exercised && judging->entry[0].confidence < 0.9)
        return LT_SEEK_NOT_EXERCISED;
    return has_rival(judging) ? LT_SEEK_AMBIGUOUS : LT_SEEK_FOUND;
}

static bool was_exercised(const struct seek_course *course)
{
    if (course->count < 8 || !(course->quantum > 0) || course->reference->clock_unknown)
        return false;
    if (course->slow)
        return course->levels >= SLOW_LEVELS && course->changes >= SLOW_LEVELS;
    return course->sd >= MOVED_STEPS * course->quantum && course->n_eff >= N_EFF_LEAST;
}

static bool fill(struct judging *judging, const struct seek_fit *fits,
                 const struct seek_window *windows, size_t count, struct lt_arena *scratch)
{
    judging->entry = lt_arena_array(scratch, count + 1, sizeof *judging->entry);
    if (!judging->entry)
        return false;
    for (size_t i = 0; i < count; i++) {
        struct entry entry = {.window = &windows[i], .fit = &fits[i]};
        if (!(fits[i].rmse < INFINITY) || fits[i].used < 8)
            continue;
        entry.loss = fits[i].rmse / judging->course->sd;
        entry.period_s = period_of(&windows[i]);
        entry.outside = outside_of(&fits[i], judging->course->reference->role);
        entry.confidence = confidence_of(judging, &entry);
        judging->entry[judging->count++] = entry;
    }
    qsort(judging->entry, judging->count, sizeof *judging->entry, by_rank);
    if (judging->count > LT_CANDIDATES_MAX)
        judging->count = LT_CANDIDATES_MAX;
    return true;
}

enum lt_code seek_judge(const struct seek_scan *scan, const struct seek_fit *fits, size_t count,
                        const struct seek_window *windows, struct lt_arena *arena,
                        struct lt_seek_target *ret_target, struct lt_error *error)
{
    struct judging judging = {.scan = scan, .course = scan->course, .arena = arena};
    if (!fill(&judging, fits, windows, count, scan->arena))
        return seek_no_memory(error);
    judging.exercised = was_exercised(scan->course);
    find_groups(&judging);
    put_preferred_first(&judging);
    struct lt_seek_target target = {.reference = scan->course->reference,
                                    .n_eff = scan->course->n_eff,
                                    .r_needed = scan->course->r_needed,
                                    .null_r = scan->null_r};
    target.verdict = verdict_of(&judging);
    struct lt_candidate *list = lt_arena_array(arena, judging.count + 1, sizeof *list);
    bool fine = list != NULL;
    for (size_t i = 0; i < judging.count && fine; i++)
        fine = give(&judging, &judging.entry[i], &list[i]);
    target.say = say_of(&judging, target.verdict);
    if (!fine || !target.say)
        return seek_no_memory(error);
    target.candidates = list;
    target.count = judging.count;
    *ret_target = target;
    return LT_OK;
}
