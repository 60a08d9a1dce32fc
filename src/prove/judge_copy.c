/* Claims about agreement between signals of one quantity: those of one role, and the speeds of
 * vehicle and wheels, which are one but for slip and curves.
 *
 * Whom two others contradict who agree with each other, is the one that is wrong; of two copies the
 * one that diagnostics do not bear out, if they bear out the other. */
#include <math.h>
#include <string.h>

#include "prove/inside.h"

#define COPIES_MAX   16
#define COPY_SAMPLES 600
#define PAIRS_LEAST  20
#define LABELS_ALIKE 0.9
#define LABELS_OTHER 0.5

/* How far two may be apart: `near` of the same quantity, `far` beyond doubt of another. Two banks
 * of an engine, or a filtered copy, are neither. */
struct tolerance {
    double least_span, near_r, near_slope, near_level, far_r, far_slope, far_level;
};

static const struct tolerance speeds = {5, 0.95, 0.06, 2, 0.8, 0.15, 4};

static struct tolerance of_role(const struct lt_role *role)
{
    double range = role->high - role->low;
    return (struct tolerance){0.05 * range, 0.95, 0.06, 0.02 * range, 0.5, 0.3, 0.1 * range};
}

static bool is_speed(const struct signal_watch *watch)
{
    const char *role = watch->def->role_name;
    return strcmp(role, "vehicle_speed") == 0 || strncmp(role, "wheel_speed_", 12) == 0;
}

static bool are_one(const struct signal_watch *a, const struct signal_watch *b)
{
    return (is_speed(a) && is_speed(b)) || strcmp(a->def->role_name, b->def->role_name) == 0;
}

/* --- two of them: 1 they agree, -1 they do not, 0 it cannot be told --- */

static const char *label_at(const struct signal_watch *watch, double raw)
{
    for (size_t i = 0; i < watch->def->label_count; i++)
        if (fabs((double)watch->def->labels[i].raw - raw) < 0.01)
            return watch->def->labels[i].name;
    return NULL;
}

static int compare_labels(const struct judge *judge, const struct signal_watch *a,
                          const struct signal_watch *b)
{
    const struct samples *s = &b->samples;
    size_t every = s->count / COPY_SAMPLES + 1, at = 0, count = 0, same = 0;
    for (size_t i = 0; i < s->count; i += every) {
        const char *other = label_at(b, s->value[i]);
        const char *own =
            label_at(a, samples_at(&a->samples, s->time_ns[i], hold_of(judge, a), &at));
        count += own && other;
        same += own && other && strcmp(own, other) == 0;
    }
    if (count < PAIRS_LEAST || a->changes < 2 || b->changes < 2)
        return 0;
    double share = (double)same / (double)count;
    return share >= LABELS_ALIKE ? 1 : share < LABELS_OTHER ? -1 : 0;
}

static int compare_numbers(struct judge *judge, const struct signal_watch *a,
                           const struct signal_watch *b)
{
    const struct samples *s = &b->samples;
    const struct tolerance t = is_speed(a) ? speeds : of_role(a->def->role);
    size_t every = s->count / COPY_SAMPLES + 1, count = 0;
    int64_t *times = lt_arena_array(judge->arena, s->count / every + 1, sizeof *times);
    double *values = lt_arena_array(judge->arena, s->count / every + 1, sizeof *values);
    struct follow f;
    if (!times || !values)
        return 0;
    for (size_t i = 0; i < s->count; i += every) {
        times[count] = s->time_ns[i];
        values[count++] = s->value[i];
    }
    if (!follow(a, times, values, count, 0, hold_of(judge, a), &f) || f.span < t.least_span ||
        f.count < PAIRS_LEAST)
        return 0;
    /* Steps of the fields themselves are no difference. */
    double steps = quantum_of(a) + quantum_of(b);
    double slope = fabs(f.slope - 1), level = fabs(f.level);
    if (f.r > t.near_r && slope < t.near_slope && level < t.near_level + steps)
        return 1;
    bool far = f.r < t.far_r || slope > t.far_slope || level > t.far_level + 2 * steps;
    return far && f.span > 4 * steps ? -1 : 0;
}

static int compare(struct judge *judge, const struct signal_watch *a, const struct signal_watch *b)
{
    if (!are_one(a, b))
        return 0;
    if (a->labels && b->labels)
        return compare_labels(judge, a, b);
    return a->labels || b->labels ? 0 : compare_numbers(judge, a, b);
}

/* --- all of them --- */

struct copies {
    struct signal_watch *list[COPIES_MAX];
    int alike[COPIES_MAX][COPIES_MAX];
    size_t count;
};

/* Two others that differ from this one agree with each other. */
static bool is_outvoted(const struct copies *copies, size_t own)
{
    for (size_t i = 0; i < copies->count; i++)
        for (size_t k = 0; k < i; k++)
            if (copies->alike[own][i] < 0 && copies->alike[own][k] < 0 && copies->alike[i][k] > 0)
                return true;
    return false;
}

static const char *borne_out_other(const struct judge *judge, const struct copies *copies,
                                   size_t own)
{
    const struct signal_watch *watch = copies->list[own];
    if (is_borne_out(judge, watch->def->name))
        return NULL;
    for (size_t i = 0; i < copies->count; i++)
        if (copies->alike[own][i] < 0 &&
            strcmp(copies->list[i]->def->role_name, watch->def->role_name) == 0 &&
            is_borne_out(judge, copies->list[i]->def->name))
            return copies->list[i]->def->name;
    return NULL;
}

static void judge_one(struct judge *judge, const struct copies *copies, size_t own)
{
    const struct signal_watch *watch = copies->list[own];
    unsigned same = 0, other = 0, all = 0;
    for (size_t k = 0; k < copies->count; k++) {
        same += copies->alike[own][k] > 0;
        other += copies->alike[own][k] < 0;
        all += k != own && are_one(watch, copies->list[k]);
    }
    if (!all)
        return;
    bool outvoted = !same && is_outvoted(copies, own);
    const char *right = same ? NULL : borne_out_other(judge, copies, own);
    enum lt_proof_verdict verdict = outvoted || right ? LT_CONTRADICTED
                                    : same            ? LT_PROVEN
                                                      : LT_NOT_EXERCISED;
    struct lt_claim *c = claim(judge, LT_CLAIM_COPY, watch->def->name, verdict);
    claim_expected(judge, c,
                   is_speed(watch) ? "as the other speeds of the car"
                                   : "as the other signals of its role");
    claim_measured(judge, c, "agrees with %u, differs from %u of %u", same, other, all);
    if (outvoted)
        claim_say(judge, c, "the others agree among themselves: its scale or place is wrong");
    else if (right)
        claim_say(judge, c, "%s is another, and agrees with diagnostics", right);
    else if (!same)
        claim_say(judge, c,
                  other             ? "one of two is wrong; which cannot be told"
                  : is_speed(watch) ? "the car hardly moved"
                                    : "they hardly moved, or are too far apart for copies and too "
                                      "near for others");
}

static bool has_copy(const struct lt_prove *prove, const struct signal_watch *watch)
{
    for (size_t i = 0; i < prove->profile->signal_count; i++) {
        const struct signal_watch *other = &prove->signals[i];
        if (other != watch && other->def->role && other->def->frame != LT_NONE &&
            other->samples.count > 1 && are_one(watch, other))
            return true;
    }
    return false;
}

void judge_copies(struct judge *judge)
{
    struct copies copies = {.count = 0};
    for (size_t i = 0; i < judge->prove->profile->signal_count && copies.count < COPIES_MAX; i++) {
        struct signal_watch *watch = &judge->prove->signals[i];
        const struct lt_signal_def *def = watch->def;
        if (def && def->role && def->frame != LT_NONE && watch->samples.count > 1 &&
            has_copy(judge->prove, watch) && samples_put_in_order(&watch->samples))
            copies.list[copies.count++] = watch;
    }
    for (size_t i = 0; i < copies.count; i++)
        for (size_t k = 0; k < i; k++)
            copies.alike[i][k] = copies.alike[k][i] =
                compare(judge, copies.list[i], copies.list[k]);
    for (size_t i = 0; copies.count > 1 && i < copies.count; i++)
        judge_one(judge, &copies, i);
}
