/* Claims about a signal's values: range, slew, how much of it was exercised, labels, availability,
 * freshness. */
#include <inttypes.h>
#include <math.h>

#include "prove/inside.h"

#define VALUES_LEAST 3
#define FEW_OUTSIDE  2 /* so many are a slip, whatever their share */
#define LABELS_LEAST 2
#define AGE_SLACK    1.1
#define STILL_MOST   12

static double percent(uint64_t part, uint64_t all)
{
    return all ? 100.0 * (double)part / (double)all : 0;
}

static bool is_labels(const struct lt_signal_def *def)
{
    return def->label_count > 0 || (def->role && def->role->is_labels);
}

static const char *unit_of(const struct signal_watch *watch)
{
    return lt_signal_unit(watch->def);
}

static void judge_range(struct judge *judge, const struct signal_watch *watch)
{
    char low[NUMBER_ROOM], high[VALUE_ROOM], a[NUMBER_ROOM], b[VALUE_ROOM];
    bool none = isinf(watch->range_low) && isinf(watch->range_high);
    if (none || is_labels(watch->def))
        return;
    double outside = percent(watch->outside, watch->values);
    enum lt_proof_verdict verdict = LT_PROVEN;
    if (watch->values < VALUES_LEAST)
        verdict = LT_NOT_EXERCISED;
    else if (outside > limit_of(judge, LT_LIMIT_RANGE) && watch->outside > FEW_OUTSIDE)
        verdict = LT_CONTRADICTED;
    struct lt_claim *c = claim(judge, LT_CLAIM_RANGE, watch->def->name, verdict);
    number_text(low, watch->range_low);
    value_text(high, watch->range_high, unit_of(watch));
    claim_expected(judge, c, "%s..%s%s", low, high,
                   watch->def->has_range ? "" : " (usual for the role)");
    if (watch->values)
        claim_measured(judge, c, "%s..%s, %" PRIu64 " of %" PRIu64 " values outside",
                       number_text(a, watch->low), value_text(b, watch->high, unit_of(watch)),
                       watch->outside, watch->values);
    if (verdict == LT_CONTRADICTED)
        claim_say(judge, c, "the car goes from %s to %s: scale, offset, sign or place is wrong", a,
                  b);
    else if (verdict == LT_NOT_EXERCISED)
        claim_say(judge, c, "no valid value came");
}

static void judge_slew(struct judge *judge, const struct signal_watch *watch)
{
    char most[VALUE_ROOM], fastest[VALUE_ROOM];
    const struct lt_role *role = watch->def->role;
    if (!role || role->is_labels || role->max_rate <= 0 || watch->steps < VALUES_LEAST)
        return;
    bool wrong = percent(watch->fast_steps, watch->changes) > limit_of(judge, LT_LIMIT_SLEW) &&
                 watch->fast_steps > FEW_OUTSIDE;
    enum lt_proof_verdict verdict = !watch->changes ? LT_NOT_EXERCISED
                                    : wrong         ? LT_CONTRADICTED
                                                    : LT_PROVEN;
    struct lt_claim *c = claim(judge, LT_CLAIM_SLEW, watch->def->name, verdict);
    claim_expected(judge, c, "at most %s a second (usual for the role)",
                   value_text(most, role->max_rate, unit_of(watch)));
    claim_measured(judge, c, "fastest %s a second, %" PRIu64 " of %" PRIu64 " steps faster",
                   value_text(fastest, watch->fastest, unit_of(watch)), watch->fast_steps,
                   watch->changes);
    if (wrong)
        claim_say(judge, c, "no %s moves like this: bits, byte order or scale is wrong",
                  role->title);
    else if (!watch->changes)
        claim_say(judge, c, "the value never moved");
}

/* --- exercised --- */

static unsigned labels_seen(const struct signal_watch *watch)
{
    unsigned seen = 0;
    for (size_t i = 0; i < watch->def->label_count; i++)
        seen += watch->labels[i] > 0;
    return seen;
}

static double span_of(const struct signal_watch *watch)
{
    double low, high;
    lt_scaler_limits(&watch->scaler, &low, &high);
    low = fmax(low, watch->range_low);
    high = fmin(high, watch->range_high);
    return high - low;
}

static void exercised_labels(struct judge *judge, const struct signal_watch *watch)
{
    unsigned seen = labels_seen(watch), all = (unsigned)watch->def->label_count;
    struct lt_claim *c = claim(judge, LT_CLAIM_EXERCISED, watch->def->name,
                               seen >= LABELS_LEAST ? LT_PROVEN : LT_NOT_EXERCISED);
    char list[200] = "";
    size_t len = 0;
    for (size_t i = 0; i < watch->def->label_count; i++)
        if (!watch->labels[i] && len < sizeof list)
            len += lt_text_format(list + len, sizeof list - len, "%s%s", len ? ", " : "",
                                  watch->def->labels[i].name);
    claim_expected(judge, c, "at least %d of %u labels", LABELS_LEAST, all);
    claim_measured(judge, c, "%u of %u labels came", seen, all);
    if (seen < all)
        claim_say(judge, c, "never came: %s", list);
}

/* "0.7, 0.6": bits of the field that stood, the most significant first. */
static void list_still(const struct signal_watch *watch, uint64_t moved, char *text, size_t size)
{
    const struct lt_bits *bits = &watch->def->bits;
    unsigned left = watch->length, listed = 0;
    size_t len = 0;
    text[0] = '\0';
    for (unsigned p = 0; p < bits->parts; p++)
        for (unsigned n = 0; n < lt_span_length(bits->part[p]); n++) {
            if (moved >> --left & 1 || listed++ >= STILL_MOST)
                continue;
            unsigned at = lt_span_position(bits->part[p], n);
            len +=
                lt_text_format(text + len, size - len, "%s%u.%u", len ? ", " : "", at / 8, at % 8);
        }
    if (listed > STILL_MOST)
        lt_text_format(text + len, size - len, " and %u more", listed - STILL_MOST);
}

static void exercised_number(struct judge *judge, const struct signal_watch *watch)
{
    char share[NUMBER_ROOM], least[NUMBER_ROOM], still[120];
    uint64_t moved = watch->values ? watch->bits_or & ~watch->bits_and : 0;
    unsigned bits = (unsigned)__builtin_popcountll(moved);
    double span = span_of(watch), covered = 0;
    if (watch->values && span > 0 && isfinite(span))
        covered = 100 * (watch->high - watch->low) / span;
    else if (watch->values)
        covered = 100.0 * bits / (double)watch->length;
    bool enough = moved && covered >= limit_of(judge, LT_LIMIT_EXERCISED);
    struct lt_claim *c =
        claim(judge, LT_CLAIM_EXERCISED, watch->def->name, enough ? LT_PROVEN : LT_NOT_EXERCISED);
    claim_expected(judge, c, "at least %s %% of the range",
                   number_text(least, limit_of(judge, LT_LIMIT_EXERCISED)));
    claim_measured(judge, c, "%s %% of the range, %u of %u bits moved", number_text(share, covered),
                   bits, watch->length);
    if (!watch->values)
        claim_say(judge, c, watch->def->page_count ? "its page never came" : "no valid value came");
    else if (!moved)
        claim_say(judge, c, "it never moved");
    else if (bits < watch->length) {
        list_still(watch, moved, still, sizeof still);
        claim_say(judge, c, "%sbits that stood: %s", enough ? "" : "it hardly moved; ", still);
    } else if (!enough)
        claim_say(judge, c, "it hardly moved");
}

static void judge_labels(struct judge *judge, const struct signal_watch *watch)
{
    char share[NUMBER_ROOM];
    if (!watch->labels || !watch->values)
        return;
    double other = percent(watch->unlabelled, watch->values);
    bool wrong = other > limit_of(judge, LT_LIMIT_LABELS);
    /* Elsewhere a list of labels may be a part of what there is. */
    enum lt_proof_verdict verdict = !wrong             ? LT_PROVEN
                                    : watch->def->role ? LT_CONTRADICTED
                                                       : LT_NOT_EXERCISED;
    struct lt_claim *c = claim(judge, LT_CLAIM_LABELS, watch->def->name, verdict);
    claim_expected(judge, c, "at most %s %% without a label",
                   number_text(share, limit_of(judge, LT_LIMIT_LABELS)));
    claim_measured(judge, c, "%s %% without a label", number_text(share, other));
    if (wrong)
        claim_say(judge, c,
                  "%" PRIu64 " of %" PRIu64 " values are codes that the profile does not "
                  "name",
                  watch->unlabelled, watch->values);
}

static void judge_unavailable(struct judge *judge, const struct signal_watch *watch)
{
    uint64_t codes = watch->unavailable + watch->errors, all = watch->values + codes;
    char share[NUMBER_ROOM];
    if (!watch->def->role || !all)
        return;
    double part = percent(codes, all);
    bool few = part <= limit_of(judge, LT_LIMIT_UNAVAILABLE);
    struct lt_claim *c =
        claim(judge, LT_CLAIM_UNAVAILABLE, watch->def->name, few ? LT_PROVEN : LT_NOT_EXERCISED);
    claim_expected(judge, c, "at most %s %% unavailable",
                   number_text(share, limit_of(judge, LT_LIMIT_UNAVAILABLE)));
    claim_measured(judge, c, "%s %% of %" PRIu64 " values", number_text(share, part), all);
    if (!few)
        claim_say(judge, c, "it was hardly there; record with the engine warm and running");
}

/* Of a signal on every page the frame's gaps; of a paged one nothing is kept: its values' rate. */
static int64_t usual_gap_ns(const struct judge *judge, const struct signal_watch *watch)
{
    const struct frame_watch *frame = &judge->prove->frames[watch->def->frame];
    int64_t gap_ns = frame->slow_gap_ns;
    uint64_t all = watch->values + watch->unavailable + watch->errors + watch->suspect;
    if (watch->def->page_count && all)
        gap_ns = (int64_t)((double)gap_ns * (double)frame->count / (double)all);
    return gap_ns;
}

static void judge_fresh(struct judge *judge, const struct signal_watch *watch)
{
    const struct lt_signal_def *def = watch->def;
    char age[NUMBER_ROOM];
    if (!def->role || !def->role->max_age_ms || !watch->values ||
        judge->prove->frames[def->frame].timing.gaps < VALUES_LEAST)
        return;
    /* The profile's own limit is what it states; the role's is what a controller needs. */
    uint32_t most_ms = def->max_age_ms ? def->max_age_ms : def->role->max_age_ms;
    double gap_ms = (double)usual_gap_ns(judge, watch) / 1e6;
    enum lt_proof_verdict verdict = LT_PROVEN;
    if (def->max_age_ms && gap_ms > most_ms * AGE_SLACK)
        verdict = LT_CONTRADICTED;
    else if (gap_ms > def->role->max_age_ms * AGE_SLACK)
        verdict = LT_NOT_EXERCISED;
    struct lt_claim *c = claim(judge, LT_CLAIM_FRESH, def->name, verdict);
    claim_expected(judge, c, "a value every %u ms at least%s", most_ms,
                   def->max_age_ms ? "" : " (usual for the role)");
    claim_measured(judge, c, "nine of ten within %s ms", number_text(age, gap_ms));
    if (verdict == LT_CONTRADICTED)
        claim_say(judge, c, "it comes less often than stated");
    else if (verdict == LT_NOT_EXERCISED)
        claim_say(judge, c, "too slow for the role: a controller wants it every %u ms",
                  def->role->max_age_ms);
}

void judge_signals(struct judge *judge)
{
    const struct lt_profile *profile = judge->prove->profile;
    for (size_t i = 0; i < profile->signal_count; i++) {
        const struct signal_watch *watch = &judge->prove->signals[i];
        if (watch->def->frame == LT_NONE || profile->frames[watch->def->frame].direction == LT_SEND)
            continue;
        judge_range(judge, watch);
        judge_slew(judge, watch);
        if (watch->labels)
            exercised_labels(judge, watch);
        else
            exercised_number(judge, watch);
        judge_labels(judge, watch);
        judge_unavailable(judge, watch);
        judge_fresh(judge, watch);
        judge_bits(judge, watch);
    }
}
