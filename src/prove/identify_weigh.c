/* Claims to evidence. The weights are about what a claim is worth between two cars: how seldom it
 * would hold by chance on another car, and how seldom it would fail on the right one, in the size
 * of a natural logarithm of the odds. They are common practice at best: no document says them.
 * docs/man/loomtap-identify.1 has the same table. */
#include <math.h>
#include <string.h>

#include "prove/identify_inside.h"

#define UNEXPLAINED_WEIGHT 0.25 /* an identifier that the profile does not know */
#define SUPPORT_LEAST      12.0 /* less would come together by chance */
#define SUPPORT_SHARE      0.9
#define NAMES_MOST         6
#define MISFITS_MOST       40
#define SENTENCE_MAX       400
/* Of a claim that holds with all its tolerance used. */
#define STRAIN_COST 0.5

/* kind, for, against, decisive, sentence of those that hold (NULL: not told) */
struct weight {
    double support, against;
    bool decisive;
    const char *sentence;
};

static const struct weight weights[LT_CLAIM_COUNT] = {
    [LT_CLAIM_PRESENT] = {2, 6, true, "frames are on their bus"},
    [LT_CLAIM_LENGTH] = {1, 5, true, "frames have their length"},
    [LT_CLAIM_PERIOD] = {2, 4, true, "frames come as often as stated"},
    [LT_CLAIM_COUNTER] = {3, 6, true, "counters count as stated"},
    [LT_CLAIM_CHECKSUM] = {5, 12, true, "checksums verify"},
    [LT_CLAIM_OBD] = {4, 12, true, "signals agree with the diagnostic replies"},
    [LT_CLAIM_CALIBRATION] = {6, 8, true, "calibration id of the car is listed in [fits]"},
    [LT_CLAIM_ORDER] = {0.5, 4, true, "byte orders are seen to be as stated"},
    [LT_CLAIM_SIGN] = {0.5, 4, true, "signs are seen to be as stated"},
    [LT_CLAIM_EDGES] = {0.25, 3, false, NULL},
    [LT_CLAIM_RANGE] = {0.25, 3, false, "signals stay in their range"},
    [LT_CLAIM_SLEW] = {0.1, 2, false, NULL},
    [LT_CLAIM_LABELS] = {0.25, 2, false, NULL},
    [LT_CLAIM_FROZEN] = {0.25, 3, false, NULL},
    [LT_CLAIM_COPY] = {0.5, 3, false, NULL},
    [LT_CLAIM_LAW] = {0.5, 3, false, NULL},
    [LT_CLAIM_GAPS] = {0, 1, false, NULL},
    [LT_CLAIM_SEND_FREE] = {0, 4, true, NULL},
};

/* A claim is worth a little less, the more of its tolerance it needs: of two periods that are both
 * near enough, the nearer one is more likely. */
static void add(struct lt_identity *identity, const struct lt_claim *claim)
{
    const struct weight *weight = &weights[claim->id];
    double lost = STRAIN_COST * weight->support * fmin(claim->strain, 1);
    if (claim->verdict == LT_PROVEN) {
        identity->support += weight->support - lost;
        identity->against += lost;
    } else if (claim->verdict == LT_CONTRADICTED) {
        identity->against += weight->against;
        identity->fits &= !weight->decisive;
    }
    bool due = claim->verdict != LT_NOT_EXERCISED;
    if (claim->id == LT_CLAIM_PRESENT) {
        identity->frames_due += due;
        identity->frames_here += claim->verdict == LT_PROVEN;
    } else if (claim->id == LT_CLAIM_CHECKSUM) {
        identity->checks += due;
        identity->checks_right += claim->verdict == LT_PROVEN;
    }
}

/* --- sentences --- */

struct sentences {
    struct lt_arena *arena;
    const char **list;
    size_t count, capacity;
};

static void say(struct sentences *to, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
static void say(struct sentences *to, const char *format, ...)
{
    char text[SENTENCE_MAX];
    va_list args;
    va_start(args, format);
    lt_text_vformat(text, sizeof text, format, args);
    va_end(args);
    const char **slot =
        lt_arena_push(to->arena, &to->list, &to->count, &to->capacity, sizeof *slot);
    const char *kept = lt_arena_string(to->arena, text);
    if (slot)
        *slot = kept ? kept : "";
}

static size_t count_of(const struct lt_proof *proof, enum lt_claim_id id,
                       enum lt_proof_verdict verdict)
{
    size_t count = 0;
    for (size_t i = 0; i < proof->claim_count; i++)
        count += proof->claims[i].id == id && proof->claims[i].verdict == verdict;
    return count;
}

/* "a, b, c and 4 more" */
static void names(char *ret_text, size_t size, const struct lt_proof *proof, enum lt_claim_id id,
                  enum lt_proof_verdict verdict)
{
    size_t len = 0, told = 0, all = count_of(proof, id, verdict);
    ret_text[0] = '\0';
    for (size_t i = 0; i < proof->claim_count && told < NAMES_MOST; i++) {
        if (proof->claims[i].id != id || proof->claims[i].verdict != verdict)
            continue;
        len += lt_text_format(ret_text + len, size - len, "%s%s", told ? ", " : "",
                              proof->claims[i].subject);
        told++;
    }
    if (told < all)
        lt_text_format(ret_text + len, size - len, " and %zu more", all - told);
}

static void say_reasons(struct sentences *to, const struct lt_proof *proof,
                        const struct lt_identity *identity)
{
    char list[300];
    for (unsigned id = 0; id < LT_CLAIM_COUNT; id++) {
        size_t proven = count_of(proof, id, LT_PROVEN);
        size_t all = proven + count_of(proof, id, LT_CONTRADICTED);
        if (!weights[id].sentence || !proven)
            continue;
        if (id == LT_CLAIM_OBD) {
            names(list, sizeof list, proof, id, LT_PROVEN);
            say(to, "%zu of %zu %s: %s", proven, all, weights[id].sentence, list);
        } else {
            say(to, "%zu of %zu %s", proven, all, weights[id].sentence);
        }
    }
    say(to, "it knows %zu of %zu identifiers of the capture", identity->streams_explained,
        identity->streams);
}

/* Frames that never came are one sentence, however many. */
static void say_absent(struct sentences *to, const struct lt_proof *proof)
{
    char list[300];
    size_t absent = count_of(proof, LT_CLAIM_PRESENT, LT_CONTRADICTED);
    size_t due = absent + count_of(proof, LT_CLAIM_PRESENT, LT_PROVEN);
    if (!absent)
        return;
    names(list, sizeof list, proof, LT_CLAIM_PRESENT, LT_CONTRADICTED);
    say(to, "%zu of %zu frames never came while their bus was alive: %s", absent, due, list);
}

static void say_contradicted(struct sentences *to, const struct lt_claim *claim, size_t *left)
{
    if (to->count >= MISFITS_MOST) {
        ++*left;
        return;
    }
    say(to, "%s of %s: %s", lt_claim_kind(claim->id)->id, claim->subject,
        claim->say[0] ? claim->say : claim->measured);
}

/* In the order of what they weigh. */
static void say_misfits(struct sentences *to, const struct lt_proof *proof)
{
    static const double steps[] = {INFINITY, 8, 5, 3, 2, -1};
    size_t left = 0;
    for (size_t step = 0; step + 1 < sizeof steps / sizeof *steps; step++) {
        if (weights[LT_CLAIM_PRESENT].against <= steps[step] &&
            weights[LT_CLAIM_PRESENT].against > steps[step + 1])
            say_absent(to, proof);
        for (size_t i = 0; i < proof->claim_count; i++) {
            const struct lt_claim *claim = &proof->claims[i];
            double weight = weights[claim->id].against;
            if (claim->verdict == LT_CONTRADICTED && claim->id != LT_CLAIM_PRESENT &&
                weight <= steps[step] && weight > steps[step + 1])
                say_contradicted(to, claim, &left);
        }
    }
    if (left)
        say(to, "and %zu more claims are contradicted", left);
}

static void say_missing_buses(struct sentences *to, const struct lt_profile *profile,
                              const struct identify_judged *judged)
{
    for (size_t b = 0; b < profile->bus_count; b++)
        if (judged->capture_bus[b] == LT_NONE)
            say(to, "its bus %s is not in the capture", profile->buses[b].name);
}

static void count_streams(const struct lt_identify *identify, struct identify_judged *judged)
{
    for (size_t i = 0; i < identify->stream_count; i++) {
        if (identify->streams[i].diagnostic)
            continue;
        judged->identity.streams++;
        judged->identity.streams_explained += judged->claimed[i];
    }
}

void identify_weigh(const struct lt_identify *identify, const struct lt_profile *profile,
                    const struct lt_proof *proof, struct identify_judged *judged)
{
    struct lt_identity *identity = &judged->identity;
    struct sentences reasons = {.arena = &judged->arena}, misfits = reasons;
    identity->fits = true;
    count_streams(identify, judged);
    for (size_t i = 0; i < proof->claim_count; i++)
        add(identity, &proof->claims[i]);
    size_t unknown = identity->streams - identity->streams_explained;
    identity->unexplained = UNEXPLAINED_WEIGHT * (double)unknown;
    double judged_weight = identity->support + identity->against;
    double all = judged_weight + identity->unexplained;
    identity->score = all > 0 ? identity->support / all : 0;
    identity->fits &=
        identity->support >= SUPPORT_LEAST && identity->support >= SUPPORT_SHARE * judged_weight;
    say_reasons(&reasons, proof, identity);
    say_misfits(&misfits, proof);
    say_missing_buses(&misfits, profile, judged);
    if (!profile->frame_count)
        say(&misfits, "it claims no frame: nothing to hold against the traffic");
    identity->reasons = reasons.list;
    identity->reason_count = reasons.count;
    identity->misfits = misfits.list;
    identity->misfit_count = misfits.count;
    if (judged->arena.failed)
        judged->code = lt_fail(&judged->error, LT_E_MEMORY, "out of memory");
}
