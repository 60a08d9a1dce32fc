/* Claims about frames that come on time and bring nothing new: a gateway that repeats the last
 * value of a sender that is gone.
 *
 * It is told from a quantity that stands by the frame's counter, which a living sender moves; or,
 * where there is none, by diagnostics that read a quantity of the frame moving meanwhile. It is
 * told from a sender that is alive and frozen (`frozen`) by everything standing, the counter too.
 */
#include <inttypes.h>
#include <math.h>

#include "prove/inside.h"

#define FRAMES_LEAST  20
#define COUNTS_SHARE  0.9
#define BEHIND_NS     (3 * NS_PER_S / 2) /* diagnostics are so late at most */
#define AHEAD_NS      (NS_PER_S / 2)
#define REPLIES_LEAST 4
#define MOVED_PART    0.2 /* of all that the reference moved */
#define MOVED_QUANTA  8

bool counter_counts(const struct frame_watch *watch)
{
    uint64_t moved = watch->counter_steps - watch->counter_still;
    return watch->def->counter.present && moved >= FRAMES_LEAST &&
           (double)(watch->counter_good + watch->counter_lost) >= COUNTS_SHARE * (double)moved;
}

/* Did the quantity move, by diagnostics, while the frame stood? */
static bool moved_meanwhile(const struct judge *judge, const struct signal_watch *signal,
                            const struct run *run)
{
    const struct lt_proof_reference *reference =
        signal->def->role_name ? reference_of(judge, signal->def->role_name) : NULL;
    double low = INFINITY, high = -INFINITY, least = INFINITY, most = -INFINITY;
    size_t count = 0;
    for (size_t i = 0; reference && i < reference->count; i++) {
        double value = reference->value[i];
        least = fmin(least, value);
        most = fmax(most, value);
        if (gap_between(run->from_ns, reference->time_ns[i]) < BEHIND_NS ||
            gap_between(reference->time_ns[i], run->to_ns) < AHEAD_NS)
            continue;
        low = fmin(low, value);
        high = fmax(high, value);
        count++;
    }
    if (count < REPLIES_LEAST)
        return false;
    double quantum = fmax(reference->quantum, quantum_of(signal));
    return high - low >= fmax(MOVED_PART * (most - least), MOVED_QUANTA * quantum);
}

static const char *who_moved(const struct judge *judge, const struct frame_watch *watch)
{
    const struct lt_prove *prove = judge->prove;
    for (size_t i = 0; i < prove->profile->signal_count; i++) {
        const struct signal_watch *signal = &prove->signals[i];
        if (signal->def->frame == LT_NONE ||
            &prove->profile->frames[signal->def->frame] != watch->def ||
            is_contradicted(judge, signal->def->name))
            continue;
        if (moved_meanwhile(judge, signal, &watch->longest))
            return signal->def->name;
    }
    return NULL;
}

static void judge_repeat(struct judge *judge, const struct frame_watch *watch)
{
    char most[NUMBER_ROOM], longest[NUMBER_ROOM];
    bool counting = counter_counts(watch);
    const char *moved = watch->repeats && !counting ? who_moved(judge, watch) : NULL;
    enum lt_proof_verdict verdict = LT_PROVEN;
    if (watch->repeats)
        verdict = counting || moved ? LT_CONTRADICTED : LT_NOT_EXERCISED;
    else if (watch->news < FRAMES_LEAST)
        verdict = LT_NOT_EXERCISED;
    struct lt_claim *c = claim(judge, LT_CLAIM_REPEATED, watch->def->name, verdict);
    double stood_s =
        (double)gap_between(watch->longest.from_ns, watch->longest.to_ns) / (double)NS_PER_S;
    claim_expected(judge, c, "news within %s s while other frames have some",
                   number_text(most, limit_of(judge, LT_LIMIT_REPEATED)));
    number_text(longest, watch->longest.frames ? stood_s : 0);
    claim_measured(judge, c,
                   "the same content for %s s at most; %" PRIu64 " of %" PRIu64 " frames had news",
                   longest, watch->news, watch->count);
    if (verdict == LT_CONTRADICTED && counting)
        claim_say(judge, c,
                  "it came with one content for %s s, its counter standing too, while "
                  "others had news: a gateway repeats its last value",
                  longest);
    else if (verdict == LT_CONTRADICTED)
        claim_say(judge, c,
                  "it came with one content for %s s while diagnostics read %s moving: a "
                  "gateway repeats its last value",
                  longest, moved);
    else if (verdict == LT_NOT_EXERCISED && watch->repeats)
        claim_say(judge, c,
                  "its content stood while others had news; without a counter that is no "
                  "fault");
    else if (verdict == LT_NOT_EXERCISED)
        claim_say(judge, c, "too little news to tell");
}

void judge_repeats(struct judge *judge)
{
    const struct lt_profile *profile = judge->prove->profile;
    for (size_t i = 0; i < profile->frame_count; i++) {
        const struct frame_watch *watch = &judge->prove->frames[i];
        if (watch->def->direction != LT_SEND && watch->def->period_ns &&
            watch->count >= FRAMES_LEAST)
            judge_repeat(judge, watch);
    }
}
