/* Claims about frames: on the bus, length, period, gaps, counter, checksum. */
#include <inttypes.h>
#include <math.h>

#include "prove/inside.h"

#define GAPS_LEAST     5  /* gaps that make a period */
#define NEAR_LEAST     25 /* per cent of the gaps that are the stated period all the same */
#define NEAR_SOME      8
#define LONG_SHARE     0.97
#define STEPS_LEAST    10 /* of a counter */
#define BEYOND_LEAST   2
#define CHECKED_LEAST  10
#define WRAPS_LEAST    3
#define SILENT_PERIODS 5

static double percent(uint64_t part, uint64_t all)
{
    return all ? 100.0 * (double)part / (double)all : 0;
}

/* More than the limit, for certain: the lower end of Wilson's interval (Journal of the American
 * Statistical Association 22, 1927) at two standard errors. */
static bool exceeds(uint64_t part, uint64_t all, double limit)
{
    if (!part || !all)
        return false;
    double n = (double)all, p = (double)part / n, z2 = 4;
    double low = (p + z2 / (2 * n) - 2 * sqrt(p * (1 - p) / n + z2 / (4 * n * n))) / (1 + z2 / n);
    return 100 * low > limit;
}

static double ms(int64_t ns)
{
    return (double)ns / 1e6;
}

/* Long enough that a frame of this period would have come. */
static bool was_alive(const struct judge *judge, const struct lt_frame_def *def)
{
    const struct bus_watch *bus = bus_of(judge->prove, def);
    double least_s = limit_of(judge, LT_LIMIT_ALIVE_S);
    double periods_s = SILENT_PERIODS * (double)def->period_ns / (double)NS_PER_S;
    return (double)bus->alive_ns / (double)NS_PER_S >= fmax(least_s, periods_s);
}

static void judge_present(struct judge *judge, const struct frame_watch *watch)
{
    char place[32], alive[NUMBER_ROOM];
    const struct lt_frame_def *def = watch->def;
    const struct bus_watch *bus = bus_of(judge->prove, def);
    bool cyclic = def->period_ns > 0;
    enum lt_proof_verdict verdict = LT_NOT_EXERCISED;
    if (watch->count)
        verdict = LT_PROVEN;
    else if (cyclic && was_alive(judge, def))
        verdict = LT_CONTRADICTED;
    struct lt_claim *c = claim(judge, LT_CLAIM_PRESENT, def->name, verdict);
    if (def->is_pgn)
        lt_text_format(place, sizeof place, "PGN %u", def->pgn);
    else
        lt_text_format(place, sizeof place, def->extended ? "identifier %08X" : "identifier %03X",
                       def->id);
    claim_expected(judge, c, "%s", place);
    claim_measured(judge, c, "%" PRIu64 " frames", watch->count);
    number_text(alive, (double)bus->alive_ns / (double)NS_PER_S);
    if (verdict == LT_CONTRADICTED)
        claim_say(judge, c, "%s never came in %s s in which its bus was alive", place, alive);
    else if (verdict == LT_NOT_EXERCISED && bus->bound)
        claim_say(judge, c,
                  cyclic ? "%s has not come; its bus was alive for %s s only"
                         : "%s comes on an event, and none came in %s s",
                  place, alive);
    else if (verdict == LT_NOT_EXERCISED)
        claim_say(judge, c, "its bus is not in the capture");
}

static void judge_length(struct judge *judge, const struct frame_watch *watch)
{
    if (!watch->count)
        return;
    bool wrong = exceeds(watch->other_length, watch->count, limit_of(judge, LT_LIMIT_LENGTH_OTHER));
    struct lt_claim *c =
        claim(judge, LT_CLAIM_LENGTH, watch->def->name, wrong ? LT_CONTRADICTED : LT_PROVEN);
    claim_expected(judge, c, "%u bytes", watch->def->length);
    if (watch->other_length)
        claim_measured(judge, c, "%u bytes in %" PRIu64 " of %" PRIu64 " frames", watch->other_len,
                       watch->other_length, watch->count);
    else
        claim_measured(judge, c, "%u bytes", watch->def->length);
    if (wrong)
        claim_say(judge, c, "the car sends %u bytes", watch->other_len);
}

/* It comes on changes too: many gaps are the period all the same, or some are and hardly any is
 * longer. */
static bool comes_between(const struct frame_watch *watch, int64_t low_ns, int64_t high_ns)
{
    double share = 100 * lt_timing_counts_share(&watch->timing, low_ns, high_ns);
    int64_t long_ns = lt_timing_counts_quantile(&watch->timing, LONG_SHARE);
    return share >= NEAR_LEAST || (share >= NEAR_SOME && long_ns >= low_ns && long_ns <= high_ns);
}

static void judge_period(struct judge *judge, const struct frame_watch *watch)
{
    char median[NUMBER_ROOM], stated[NUMBER_ROOM];
    const struct lt_frame_def *def = watch->def;
    uint64_t gaps = watch->timing.gaps;
    if (!watch->count || !def->period_ns)
        return;
    double tolerance = limit_of(judge, LT_LIMIT_PERIOD) / 100;
    int64_t usual = watch->usual_gap_ns;
    int64_t low = (int64_t)((double)def->period_ns * (1 - tolerance));
    int64_t high = (int64_t)((double)def->period_ns * (1 + tolerance));
    bool near = usual >= low && usual <= high;
    enum lt_proof_verdict verdict = near ? LT_PROVEN : LT_CONTRADICTED;
    if (gaps < GAPS_LEAST)
        verdict = LT_NOT_EXERCISED;
    else if (!near && comes_between(watch, low, high))
        verdict = LT_PROVEN;
    struct lt_claim *c = claim(judge, LT_CLAIM_PERIOD, def->name, verdict);
    c->strain = fabs((double)usual / (double)def->period_ns - 1) / fmax(tolerance, 1e-9);
    number_text(median, ms(usual));
    number_text(stated, ms(def->period_ns));
    claim_expected(judge, c, "every %s ms", stated);
    if (gaps)
        claim_measured(judge, c, "every %s ms, median of %" PRIu64 " gaps", median, gaps);
    if (verdict == LT_CONTRADICTED)
        claim_say(judge, c, "the frame comes every %s ms, not every %s ms", median, stated);
    else if (verdict == LT_NOT_EXERCISED)
        claim_say(judge, c, "%" PRIu64 " gaps are too few to tell; record for longer", gaps);
    else if (!near)
        claim_say(judge, c, "it comes between its periods too");
}

static void judge_gaps(struct judge *judge, const struct frame_watch *watch)
{
    char longest[NUMBER_ROOM], share[NUMBER_ROOM];
    uint64_t due = watch->count + watch->missing;
    if (watch->timing.gaps < GAPS_LEAST || !watch->def->period_ns)
        return;
    double missing = percent(watch->missing, due);
    bool wrong = exceeds(watch->missing, due, limit_of(judge, LT_LIMIT_GAPS));
    struct lt_claim *c =
        claim(judge, LT_CLAIM_GAPS, watch->def->name, wrong ? LT_CONTRADICTED : LT_PROVEN);
    claim_expected(judge, c, "at most %s %% missing",
                   number_text(share, limit_of(judge, LT_LIMIT_GAPS)));
    claim_measured(judge, c, "%s %% missing, longest silence %s ms", number_text(share, missing),
                   number_text(longest, ms(watch->longest_ns)));
    if (wrong)
        claim_say(judge, c, "%" PRIu64 " of %" PRIu64 " frames that were due did not come",
                  watch->missing, due);
    else if (watch->pauses)
        claim_say(judge, c, "its sender paused %" PRIu64 " times while the bus was alive",
                  watch->pauses);
}

/* --- counter --- */

static void say_counter(struct judge *judge, struct lt_claim *c, const struct frame_watch *watch,
                        const struct neighbour *above, bool early)
{
    const struct lt_counter_def *def = &watch->def->counter;
    if (above)
        claim_say(judge, c, "bit %u.%u goes on counting: the counter is longer",
                  above->position / 8, above->position % 8);
    else if (watch->counter_high)
        claim_say(judge, c, "it counts up to %u, beyond %u", watch->counter_top, def->modulus - 1);
    else if (early)
        claim_say(judge, c, "it has the codes %u to %u and wraps there, not after %u",
                  watch->counter_bottom, watch->counter_top, def->modulus - def->step);
    else if (watch->counter_still > watch->counter_odd)
        claim_say(judge, c, "it stands still in %" PRIu64 " of %" PRIu64 " steps",
                  watch->counter_still, watch->counter_steps);
    else
        claim_say(judge, c, "%" PRIu64 " of %" PRIu64 " steps are not %u; one was %u",
                  watch->counter_odd, watch->counter_steps, def->step, watch->counter_odd_step);
}

/* Codes that the modulus excludes: as often as a counter of all its bits would have them, and not
 * only in a frame that was spoiled. */
static bool counts_beyond(const struct frame_watch *watch)
{
    const struct lt_counter_def *def = &watch->def->counter;
    double codes = ldexp(1, (int)lt_bits_length(&def->bits));
    double expected = (double)watch->count * (codes - (double)def->modulus) / codes;
    return watch->counter_high >= BEYOND_LEAST && 2 * (double)watch->counter_high >= expected;
}

/* It went round, and where a bit above it that nothing else claims flipped with it, often enough to
 * be told from one that belongs to it. */
static bool shows_modulus(const struct frame_watch *watch)
{
    for (size_t i = 0; i < watch->neighbour_count; i++)
        if (watch->neighbour[i].explained && watch->counter_wraps < WRAPS_LEAST)
            return false;
    return watch->counter_wraps > 0;
}

static void judge_counter(struct judge *judge, const struct frame_watch *watch)
{
    const struct lt_counter_def *def = &watch->def->counter;
    char bits[128], good[NUMBER_ROOM];
    if (!def->present || !watch->count)
        return;
    const struct neighbour *above = goes_on(watch->neighbour, watch->neighbour_count);
    /* All lost frames aside, each wrap of a counter stated too long skips the same codes. */
    bool early = watch->counter_wraps >= WRAPS_LEAST &&
                 watch->counter_top - watch->counter_bottom + def->step < def->modulus &&
                 watch->counter_odd + 1 >= watch->counter_wraps;
    /* Where a gateway repeats the last frame of a counter that counts, that is another claim's. */
    uint64_t repeated = counter_counts(watch) ? watch->repeated_frames : 0;
    uint64_t steps =
        watch->counter_steps - (repeated < watch->counter_still ? repeated : watch->counter_still);
    uint64_t other = steps - watch->counter_good - watch->counter_lost;
    bool many = percent(other, steps) > limit_of(judge, LT_LIMIT_COUNTER);
    bool wrong = exceeds(other, steps, limit_of(judge, LT_LIMIT_COUNTER));
    enum lt_proof_verdict verdict = LT_PROVEN;
    if (above || early || wrong || counts_beyond(watch))
        verdict = LT_CONTRADICTED;
    else if (watch->counter_steps < STEPS_LEAST || many || !shows_modulus(watch))
        verdict = LT_NOT_EXERCISED;
    struct lt_claim *c = claim(judge, LT_CLAIM_COUNTER, watch->def->name, verdict);
    lt_bits_print(bits, sizeof bits, &def->bits);
    claim_expected(judge, c, "%s steps by %u modulo %u", bits, def->step, def->modulus);
    claim_measured(judge, c, "%s %% of %" PRIu64 " steps",
                   number_text(good, percent(watch->counter_good, watch->counter_steps)),
                   watch->counter_steps);
    if (verdict == LT_CONTRADICTED)
        say_counter(judge, c, watch, above, early);
    else if (verdict == LT_NOT_EXERCISED)
        claim_say(judge, c, "too few frames to see it count, and where it begins anew");
    else if (watch->counter_still || watch->counter_odd || watch->counter_lost)
        claim_say(judge, c,
                  "%" PRIu64 " times it stood still, %" PRIu64 " times it jumped, %" PRIu64
                  " times over frames that are missing",
                  watch->counter_still, watch->counter_odd, watch->counter_lost);
}

static void judge_checksum(struct judge *judge, const struct frame_watch *watch)
{
    const struct lt_frame_def *def = watch->def;
    uint64_t checked = watch->check_good + watch->check_bad;
    char text[300], limit[NUMBER_ROOM];
    if (!def->checksum_count || !watch->count)
        return;
    bool many = percent(watch->check_bad, checked) > limit_of(judge, LT_LIMIT_CHECKSUM);
    enum lt_proof_verdict verdict = LT_PROVEN;
    if (checked >= CONTENTS_LEAST &&
        exceeds(watch->check_bad, checked, limit_of(judge, LT_LIMIT_CHECKSUM)))
        verdict = LT_CONTRADICTED;
    else if (checked < CHECKED_LEAST || watch->news < CONTENTS_LEAST || many)
        verdict = LT_NOT_EXERCISED;
    struct lt_claim *c = claim(judge, LT_CLAIM_CHECKSUM, def->name, verdict);
    lt_checksum_print(&def->checksums[0], text, sizeof text);
    claim_expected(judge, c, "%s; at most %s %% wrong", text,
                   number_text(limit, limit_of(judge, LT_LIMIT_CHECKSUM)));
    claim_measured(judge, c, "%" PRIu64 " right, %" PRIu64 " wrong%s", watch->check_good,
                   watch->check_bad, watch->check_short ? ", others too short" : "");
    if (verdict == LT_CONTRADICTED && !watch->check_good)
        claim_say(judge, c, "not one frame verifies: the checksum is made in another way");
    else if (verdict == LT_CONTRADICTED)
        claim_say(judge, c, "%" PRIu64 " of %" PRIu64 " frames fail", watch->check_bad, checked);
    else if (verdict == LT_NOT_EXERCISED)
        claim_say(judge, c, "too few different frames: %" PRIu64, watch->news);
    else if (watch->check_bad)
        claim_say(judge, c, "%" PRIu64 " spoiled; their values were left out", watch->check_bad);
}

void judge_frames(struct judge *judge)
{
    const struct lt_profile *profile = judge->prove->profile;
    for (size_t i = 0; i < profile->frame_count; i++) {
        const struct frame_watch *watch = &judge->prove->frames[i];
        if (watch->def->direction == LT_SEND) {
            /* As the kit itself, or somebody else, made them. */
            judge_counter(judge, watch);
            judge_checksum(judge, watch);
            continue;
        }
        judge_present(judge, watch);
        judge_length(judge, watch);
        judge_period(judge, watch);
        judge_gaps(judge, watch);
        judge_counter(judge, watch);
        judge_checksum(judge, watch);
    }
}
