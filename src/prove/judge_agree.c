/* Claims about agreement with diagnostic replies in the same captures. */
#include <inttypes.h>
#include <math.h>
#include <string.h>

#include "prove/inside.h"

#define HOLD_GAPS     5
#define HOLD_LEAST_NS (NS_PER_S / 5)
#define LEVEL_COUNT   5
#define FAR_LEVEL     1.5 /* tolerances, where the slope cannot be told */
#define ROLE_PART     0.005
#define ROLE_LEAST    0.0005 /* less is of no weight to anyone */
/* A frame behind diagnostics is filtered more than they are, and what swings fast loses height. */
#define FILTERED_LAG_S (-0.05)
#define FILTERED_SLOPE 0.25
/* A lag at the end of what is looked through is a longer one: what moved is not seen aright. */
#define LATE_LAG_S  1.05
#define LATE_LEVEL  0.05 /* of the span */
#define SLOPE_ALONE 30   /* independent replies that tell a slope against a level that agrees */
#define PLOT_POINTS 600
#define PLOTS_MAX   24

double quantum_of(const struct signal_watch *watch)
{
    return fabs(lt_ratio_f64(watch->scaler.scale));
}

int64_t hold_of(const struct judge *judge, const struct signal_watch *watch)
{
    const struct frame_watch *frame = &judge->prove->frames[watch->def->frame];
    int64_t gap_ns = frame->usual_gap_ns;
    uint64_t all = watch->values + watch->suspect + watch->unavailable + watch->errors;
    if (watch->def->page_count && all) /* its page comes once in so many frames */
        gap_ns = (int64_t)((double)gap_ns * (double)frame->count / (double)all);
    int64_t hold_ns =
        HOLD_GAPS * gap_ns * (int64_t)(watch->samples.every ? watch->samples.every : 1);
    return hold_ns > HOLD_LEAST_NS ? hold_ns : HOLD_LEAST_NS;
}

struct signal_watch *role_signal(const struct judge *judge, const char *role)
{
    for (size_t i = 0; i < judge->prove->profile->signal_count; i++) {
        struct signal_watch *watch = &judge->prove->signals[i];
        if (watch->def->frame != LT_NONE && watch->def->role_name &&
            strcmp(watch->def->role_name, role) == 0 && watch->samples.count)
            return watch;
    }
    return NULL;
}

const struct lt_proof_reference *reference_of(const struct judge *judge, const char *role)
{
    const struct lt_proof_reference *best = NULL;
    for (size_t i = 0; i < judge->given->reference_count; i++) {
        const struct lt_proof_reference *r = &judge->given->references[i];
        if (strcmp(r->target, role) == 0 && r->count && (!best || r->count > best->count))
            best = r;
    }
    return best;
}

/* --- pictures --- */

static bool thin(struct judge *judge, const int64_t *time_ns, const double *value, size_t count,
                 int64_t start_ns, const double **ret_s, const double **ret_value,
                 size_t *ret_count)
{
    size_t every = count / PLOT_POINTS + 1, kept = 0;
    double *s = lt_arena_array(judge->arena, count / every + 1, sizeof *s);
    double *v = lt_arena_array(judge->arena, count / every + 1, sizeof *v);
    if (!s || !v)
        return false;
    for (size_t i = 0; i < count; i += every) {
        s[kept] = (double)gap_between(start_ns, time_ns[i]) / (double)NS_PER_S;
        v[kept++] = value[i];
    }
    *ret_s = s;
    *ret_value = v;
    *ret_count = kept;
    return true;
}

static void add_plot(struct judge *judge, const struct signal_watch *watch,
                     const struct lt_proof_reference *reference, double lag_s)
{
    struct lt_proof_plot plot = {.role = watch->def->role_name,
                                 .signal = watch->def->name,
                                 .reference = reference ? reference->name : NULL,
                                 .unit = lt_signal_unit(watch->def),
                                 .lag_s = lag_s};
    int64_t start_ns = watch->samples.time_ns[0];
    if (judge->plot_count == PLOTS_MAX)
        return;
    if (!thin(judge, watch->samples.time_ns, watch->samples.value, watch->samples.count, start_ns,
              &plot.signal_s, &plot.signal_value, &plot.signal_count))
        return;
    if (reference && !thin(judge, reference->time_ns, reference->value, reference->count, start_ns,
                           &plot.reference_s, &plot.reference_value, &plot.reference_count))
        return;
    struct lt_proof_plot *slot = lt_arena_push(judge->arena, &judge->plots, &judge->plot_count,
                                               &judge->plot_capacity, sizeof *slot);
    if (slot)
        *slot = plot;
}

/* --- with diagnostics --- */

struct tolerance {
    double level, slope;
};

static struct tolerance tolerance_of(const struct judge *judge, const struct signal_watch *watch,
                                     const struct lt_proof_reference *reference,
                                     const struct follow *f)
{
    double quantum = reference->quantum + quantum_of(watch);
    double certain = f->n_eff > 1 ? 3 * f->rmse / sqrt(f->n_eff) : f->rmse;
    double r2 = f->r * f->r;
    struct tolerance t;
    t.level = limit_of(judge, LT_LIMIT_AGREE_OFFSET) / 100 * f->span + 1.5 * quantum + certain +
              ROLE_LEAST * (watch->def->role->high - watch->def->role->low);
    t.slope = limit_of(judge, LT_LIMIT_AGREE_SCALE) / 100;
    if (f->lag_s < FILTERED_LAG_S || f->lag_s > LATE_LAG_S)
        t.slope += FILTERED_SLOPE;
    if (f->lag_s > LATE_LAG_S)
        t.level += LATE_LEVEL * f->span;
    if (f->n_eff > 3 && r2 > 0)
        t.slope += 3 * fabs(f->slope) * sqrt((1 - r2) / r2 / (f->n_eff - 2));
    return t;
}

/* The slope is pulled towards 0 by whatever the signal has besides, at most to r^2 of what it is:
 * both ends have to be off, on the same side. */
static bool slope_is_off(const struct follow *f, const struct tolerance *t)
{
    double near = f->slope, far = f->slope / (f->r * f->r);
    return (near > 1 + t->slope && far > 1 + t->slope) ||
           (near < 1 - t->slope && far < 1 - t->slope);
}

/* A single pair far from all others, caught in the middle of a quick change, makes line and mean.
 */
static bool rests_on_one(const struct follow *f)
{
    double unlike = 1 - f->r * f->r;
    return f->n_eff < SLOPE_ALONE && unlike > 0 && f->rmse / sqrt(unlike) > f->span;
}

static bool level_is_off(const struct follow *f, const struct tolerance *t)
{
    double level = rests_on_one(f) ? f->middle : f->level;
    return fabs(level) > t->level;
}

/* A wrong scale moves the level too. Where the level agrees, a few replies that happened to be
 * caught in the middle of quick changes, at whatever lag fits them best, are no proof of another
 * slope. */
static bool slope_is_a_guess(const struct follow *f, const struct tolerance *t)
{
    return !level_is_off(f, t) && f->n_eff < SLOPE_ALONE;
}

/* A factor that an engineer would recognise. */
static double usual_factor(double slope)
{
    static const double factors[] = {
        0.5,  2,    4,    0.25,         8,        0.125,       16,  0.0625,       10,  0.1,
        100,  0.01, 1.8,  0.5555555555, 1.609344, 0.621371192, 3.6, 0.2777777778, 0.4, 2.5,
        1.25, 0.8,  2.55, 0.392156863,  -1};
    for (size_t i = 0; i < sizeof factors / sizeof *factors; i++)
        if (fabs(slope / factors[i] - 1) < 0.04)
            return factors[i];
    return 0;
}

static void say_slope(struct judge *judge, struct lt_claim *c, const struct signal_watch *watch,
                      const struct follow *f)
{
    char slope[NUMBER_ROOM], scale[NUMBER_ROOM];
    double factor = usual_factor(f->slope);
    const char *about = factor ? "" : "about ";
    number_text(slope, factor ? factor : f->slope);
    number_text(scale, lt_ratio_f64(watch->def->scale) * (factor ? factor : f->slope));
    if (watch->def->form == LT_FORM_LINEAR)
        claim_say(judge, c, "diagnostics read %s%s times as much: a scale of %s, or other bits",
                  about, slope, scale);
    else
        claim_say(judge, c, "diagnostics read %s%s times as much", about, slope);
}

static void say_level(struct judge *judge, struct lt_claim *c, const struct follow *f,
                      const char *unit)
{
    char level[VALUE_ROOM];
    claim_say(judge, c, "diagnostics read %s %s: the offset is wrong",
              value_text(level, fabs(f->level), unit), f->level > 0 ? "more" : "less");
}

/* The reference hardly moved, or not often enough to tell a slope: levels can still be far apart.
 */
static void judge_level(struct judge *judge, const struct signal_watch *watch,
                        const struct follow *f, const struct tolerance *t, struct lt_claim *c)
{
    char level[VALUE_ROOM], n[NUMBER_ROOM];
    const char *unit = lt_signal_unit(watch->def);
    c->verdict = LT_NOT_EXERCISED;
    claim_measured(judge, c, "%s off at the mean, %zu replies, %s independent",
                   value_text(level, -f->level, unit), f->count, number_text(n, f->n_eff));
    const struct lt_role *role = watch->def->role;
    double apart = FAR_LEVEL * (t->level + ROLE_PART * (role->high - role->low)) +
                   (f->moved ? 0 : f->signal_span / 2);
    if (f->count >= LEVEL_COUNT && fabs(f->level) > apart) {
        c->verdict = LT_CONTRADICTED;
        claim_say(judge, c, "it stands %s away from what diagnostics read",
                  value_text(level, fabs(f->level), unit));
    } else if (f->count < LEVEL_COUNT) {
        claim_say(judge, c, "too few replies while the signal was there: ask more often");
    } else {
        claim_say(judge, c,
                  "it agrees as far as it moved, which was not enough to tell scale and "
                  "offset");
    }
}

/* What tells scale and offset has moved enough, however wide the field is. */
static void exercised_too(struct judge *judge, const struct signal_watch *watch)
{
    for (size_t i = 0; i < judge->count; i++) {
        struct lt_claim *c = &judge->list[i];
        if (c->id != LT_CLAIM_EXERCISED || c->verdict != LT_NOT_EXERCISED ||
            strcmp(c->subject, watch->def->name) != 0)
            continue;
        c->verdict = LT_PROVEN;
        claim_say(judge, c, "it moved enough for diagnostics to tell scale and offset");
    }
}

static void judge_follow(struct judge *judge, const struct signal_watch *watch,
                         const struct follow *f, const struct tolerance *t, struct lt_claim *c)
{
    char slope[NUMBER_ROOM], level[VALUE_ROOM], lag[NUMBER_ROOM], r[NUMBER_ROOM], rmse[VALUE_ROOM],
        n[NUMBER_ROOM];
    const char *unit = lt_signal_unit(watch->def);
    claim_measured(judge, c,
                   "slope %s, %s off at the mean, lag %s s, residual %s, r %s, %s of %zu replies "
                   "independent",
                   number_text(slope, f->slope), value_text(level, -f->level, unit),
                   number_text(lag, f->lag_s), value_text(rmse, f->rmse, unit),
                   number_text(r, f->r), number_text(n, f->n_eff), f->count);
    c->strain = fmax(fabs(f->slope - 1) / t->slope, fabs(f->level) / t->level);
    c->verdict = LT_CONTRADICTED;
    if (f->r < limit_of(judge, LT_LIMIT_AGREE_LOST_R)) {
        claim_say(judge, c,
                  f->r < -0.9 ? "it moves against what diagnostics read: the sign of "
                                "the scale is wrong"
                              : "it does not follow what diagnostics read: other bits, "
                                "byte order or page");
    } else if (slope_is_off(f, t) && slope_is_a_guess(f, t)) {
        c->verdict = LT_NOT_EXERCISED;
        claim_say(judge, c, "the level agrees; too few replies to tell the scale: ask more often");
    } else if (slope_is_off(f, t)) {
        say_slope(judge, c, watch, f);
    } else if (level_is_off(f, t)) {
        say_level(judge, c, f, unit);
    } else if (f->r < limit_of(judge, LT_LIMIT_AGREE_R)) {
        c->verdict = LT_NOT_EXERCISED;
        claim_say(judge, c, "it follows too loosely to say that it is the same");
    } else {
        c->verdict = LT_PROVEN;
        exercised_too(judge, watch);
    }
}

static void judge_frozen(struct judge *judge, const struct signal_watch *watch,
                         const struct follow *f)
{
    if (!f->moved || f->count < LEVEL_COUNT)
        return;
    bool frozen = f->signal_span <= 0 && watch->changes < 2;
    struct lt_claim *c =
        claim(judge, LT_CLAIM_FROZEN, watch->def->name, frozen ? LT_CONTRADICTED : LT_PROVEN);
    claim_expected(judge, c, "moves when diagnostics do");
    claim_measured(judge, c, "%" PRIu64 " changes", watch->changes);
    if (frozen)
        claim_say(judge, c,
                  "the frame comes, the value stands still: a last value repeated, or "
                  "the wrong place");
}

static void judge_obd(struct judge *judge, struct signal_watch *watch)
{
    const struct lt_role *role = watch->def->role;
    const struct lt_proof_reference *reference = reference_of(judge, watch->def->role_name);
    struct follow f;
    struct lt_claim *c = claim(judge, LT_CLAIM_OBD, watch->def->name, LT_NOT_EXERCISED);
    claim_expected(judge, c, "slope 1, level 0 against diagnostics");
    if (!reference) {
        claim_measured(judge, c, "no diagnostic reply");
        claim_say(judge, c, "poll parameter %02X of service 01 while driving", role->obd_pid);
        if (watch->samples.count)
            add_plot(judge, watch, NULL, 0);
        return;
    }
    claim_expected(judge, c, "slope 1, level 0 against %s", reference->name);
    if (!watch->samples.count || !samples_put_in_order(&watch->samples) ||
        !follow(watch, reference->time_ns, reference->value, reference->count, reference->quantum,
                hold_of(judge, watch), &f)) {
        claim_measured(judge, c, "no valid value beside the replies");
        claim_say(judge, c, "the signal was never there when diagnostics were asked");
        return;
    }
    struct tolerance t = tolerance_of(judge, watch, reference, &f);
    if (!f.moved || f.n_eff < limit_of(judge, LT_LIMIT_AGREE_N))
        judge_level(judge, watch, &f, &t, c);
    else
        judge_follow(judge, watch, &f, &t, c);
    judge_frozen(judge, watch, &f);
    add_plot(judge, watch, reference, f.lag_s);
}

void judge_agreement(struct judge *judge)
{
    for (size_t i = 0; i < judge->prove->profile->signal_count; i++) {
        struct signal_watch *watch = &judge->prove->signals[i];
        const struct lt_role *role = watch->def ? watch->def->role : NULL;
        if (role && !role->is_labels && role->obd_pid >= 0 && watch->def->frame != LT_NONE)
            judge_obd(judge, watch);
    }
}
