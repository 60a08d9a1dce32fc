/* Claims that need something besides frames of signals: marks of a passenger, the car's own
 * calibration ids. */
#include <inttypes.h>
#include <string.h>

#include "prove/inside.h"

#define SERVICE_UDS     0x22               /* its identifiers have 16 bits */
#define BEHIND_NS       (3 * NS_PER_S / 2) /* a person marks up to so long after the change */
#define AHEAD_NS        NS_PER_S
#define MARKS_LEAST     2
#define LABELS_MAX      64
#define ANSWERS_OUTSIDE 2 /* so many are a slip */

static size_t label_index(const struct lt_signal_def *def, const char *label)
{
    for (size_t i = 0; i < def->label_count; i++)
        if (strcmp(def->labels[i].name, label) == 0)
            return i;
    return SIZE_MAX;
}

/* The label that the signal had for most of a time; SIZE_MAX: none. */
static size_t usual_label(const struct signal_watch *watch, int64_t from_ns, int64_t to_ns)
{
    uint64_t seen[LABELS_MAX] = {0};
    size_t best = SIZE_MAX;
    const struct lt_signal_def *def = watch->def;
    for (size_t i = 0; i < watch->samples.count; i++) {
        if (watch->samples.time_ns[i] < from_ns || watch->samples.time_ns[i] > to_ns)
            continue;
        for (size_t k = 0; k < def->label_count && k < LABELS_MAX; k++)
            if ((double)def->labels[k].raw == watch->samples.value[i])
                seen[k]++;
    }
    for (size_t k = 0; k < def->label_count && k < LABELS_MAX; k++)
        if (seen[k] && (best == SIZE_MAX || seen[k] > seen[best]))
            best = k;
    return best;
}

void judge_marks(struct judge *judge)
{
    const struct lt_proof_marks *marks = judge->given->marks;
    struct signal_watch *watch = role_signal(judge, marks ? marks->target : "drive_mode");
    uint64_t used = 0, right = 0, visited = 0;
    const char *wrong_mark = NULL, *wrong_label = NULL;
    char share[NUMBER_ROOM];
    if (!watch || !watch->labels)
        return;
    struct lt_claim *c = claim(judge, LT_CLAIM_MARKS, watch->def->name, LT_NOT_EXERCISED);
    claim_expected(judge, c, "the label that was marked last, in %s %% of the marks",
                   number_text(share, limit_of(judge, LT_LIMIT_MARKS)));
    if (!marks) {
        claim_measured(judge, c, "no marks");
        claim_say(judge, c,
                  "which label is which is taken on trust: give marks of a drive "
                  "through them");
        return;
    }
    for (size_t i = 0; i < marks->count; i++) {
        size_t wanted = label_index(watch->def, marks->label[i]);
        int64_t end_ns = i + 1 < marks->count ? marks->time_ns[i + 1] - AHEAD_NS : INT64_MAX;
        if (wanted == SIZE_MAX)
            continue;
        size_t found = usual_label(watch, marks->time_ns[i] + BEHIND_NS, end_ns);
        if (found == SIZE_MAX)
            continue;
        used++;
        right += found == wanted;
        if (wanted < LABELS_MAX)
            visited |= (uint64_t)1 << wanted;
        if (found != wanted) {
            wrong_mark = marks->label[i];
            wrong_label = watch->def->labels[found].name;
        }
    }
    claim_measured(judge, c, "%" PRIu64 " of %" PRIu64 " marks", right, used);
    if (used < MARKS_LEAST || __builtin_popcountll(visited) < 2) {
        claim_say(judge, c, "too few marks with labels of this signal");
    } else if (100 * (double)right < limit_of(judge, LT_LIMIT_MARKS) * (double)used) {
        c->verdict = LT_CONTRADICTED;
        claim_say(judge, c, "where %s was marked the signal says %s", wrong_mark, wrong_label);
    } else {
        c->verdict = LT_PROVEN;
    }
}

static const char *fit_of(const struct lt_profile *profile, const char *key)
{
    for (size_t i = 0; i < profile->fit_count; i++)
        if (strcmp(profile->fits[i].key, key) == 0)
            return profile->fits[i].value;
    return NULL;
}

bool lists_calibrations(const struct lt_profile *profile)
{
    return fit_of(profile, "calibration_ids") || fit_of(profile, "verification_numbers");
}

/* `list` is the profile's; what the car said is in `answers`, for the information type. */
static void judge_identity(struct judge *judge, const char *list, const char (*answers)[32],
                           size_t count, const char *type)
{
    const char *fitting = NULL;
    struct lt_text rest = lt_text_of(list), word;
    while (lt_text_word(&rest, &word))
        for (size_t i = 0; i < count; i++)
            if (lt_text_is(word, answers[i]))
                fitting = answers[i];
    enum lt_proof_verdict verdict = !count    ? LT_NOT_EXERCISED
                                    : fitting ? LT_PROVEN
                                              : LT_CONTRADICTED;
    struct lt_claim *c = claim(judge, LT_CLAIM_CALIBRATION, judge->prove->profile->name, verdict);
    claim_expected(judge, c, "one of %s", list);
    if (count)
        claim_measured(judge, c, "%s", fitting ? fitting : answers[0]);
    if (verdict == LT_CONTRADICTED)
        claim_say(judge, c, "the car says %s, which the profile does not list", answers[0]);
    else if (verdict == LT_NOT_EXERCISED)
        claim_say(judge, c, "the car was not asked (service 09, type %s)", type);
}

void judge_calibration(struct judge *judge)
{
    const struct lt_prove *prove = judge->prove;
    const char *ids = fit_of(prove->profile, "calibration_ids");
    const char *numbers = fit_of(prove->profile, "verification_numbers");
    if (ids)
        judge_identity(judge, ids, prove->calibrations, prove->calibration_count, "04");
    if (numbers)
        judge_identity(judge, numbers, prove->numbers, prove->number_count, "06");
}

/* --- profiles of parameters alone: what the car answered --- */

/* The answers to the signal's own parameter: another one may be of the same role. */
static const struct lt_proof_reference *answers_to(const struct judge *judge,
                                                   const struct lt_signal_def *def)
{
    const struct lt_parameter_def *parameter = &judge->prove->profile->parameters[def->parameter];
    const struct lt_proof_reference *best = NULL;
    char asked[40];
    size_t len =
        lt_text_format(asked, sizeof asked,
                       parameter->service == SERVICE_UDS ? "obd %02X %04X " : "obd %02X %02X ",
                       parameter->service, (unsigned)parameter->pid);
    for (size_t i = 0; i < judge->given->reference_count; i++) {
        const struct lt_proof_reference *r = &judge->given->references[i];
        if (strcmp(r->target, def->role_name) == 0 && strncmp(r->name, asked, len) == 0 &&
            (!best || r->count > best->count))
            best = r;
    }
    return best;
}

static void judge_answer(struct judge *judge, const struct signal_watch *watch)
{
    const struct lt_proof_reference *reference = answers_to(judge, watch->def);
    char low[NUMBER_ROOM], high[VALUE_ROOM];
    size_t outside = 0, count = reference ? reference->count : 0;
    for (size_t i = 0; i < count; i++)
        outside +=
            reference->value[i] < watch->range_low || reference->value[i] > watch->range_high;
    bool wrong = outside > ANSWERS_OUTSIDE &&
                 100 * (double)outside > limit_of(judge, LT_LIMIT_RANGE) * (double)count;
    enum lt_proof_verdict verdict = wrong ? LT_CONTRADICTED : count ? LT_PROVEN : LT_NOT_EXERCISED;
    struct lt_claim *c = claim(judge, LT_CLAIM_ANSWERED, watch->def->name, verdict);
    claim_expected(judge, c, "answers within %s..%s%s", number_text(low, watch->range_low),
                   value_text(high, watch->range_high, lt_signal_unit(watch->def)),
                   watch->def->has_range ? "" : " (usual for the role)");
    claim_measured(judge, c, "%zu values%s%s, %zu outside", count, count ? " from " : "",
                   count ? reference->name : "", outside);
    if (wrong)
        claim_say(judge, c, "the car answers something else: scale, offset or bytes are wrong");
    else if (!count)
        claim_say(judge, c, "nobody asked, or the car does not know it");
}

void judge_answers(struct judge *judge)
{
    const struct lt_prove *prove = judge->prove;
    for (size_t i = 0; !prove->profile->frame_count && i < prove->profile->signal_count; i++) {
        const struct signal_watch *watch = &prove->signals[i];
        if (watch->def->parameter != LT_NONE && watch->def->role && !watch->def->role->is_labels)
            judge_answer(judge, watch);
    }
}
