/* Claims about where a field lies and how it is read: ends, byte order, sign. They are made from
 * the way that its bits move; a reading is contradicted only where another one is clearly better.
 */
#include <inttypes.h>
#include <math.h>

#include "prove/inside.h"

#define FLIPS_LEAST     8    /* of a bit, before it says something */
#define UNMOVED_BROKEN  0.95 /* of the flips the bits below stay where they are */
#define UNMOVED_WHOLE   0.5
#define TOP_LEAST       3
#define CHANGES_LEAST   20
#define SMALL_SHARE     0.8 /* steps that are small for the field: a quantity, no code */
#define BETTER          4.0 /* times smoother is clearly better */
#define CLEAR           2.0
#define TORN_LEAST      0.7
#define CROSSINGS_LEAST 4
#define BOUNDARY_LEAST  3
#define SIGN_BITS_LEAST 6

/* --- ends --- */

/* The upper bit of the boundary at which another number begins, or -1. */
static int broken_boundary(const struct signal_watch *watch)
{
    unsigned last = watch->length - (watch->def->sign == LT_SIGN_MAGNITUDE ? 2 : 1);
    for (unsigned k = BOUNDARY_LEAST; k <= last && k < 64; k++) {
        double flips = (double)watch->boundary[k].flips,
               below = (double)watch->boundary[k - 1].flips;
        bool broken = watch->boundary[k].flips >= FLIPS_LEAST &&
                      (double)watch->boundary[k].unmoved >= UNMOVED_BROKEN * flips;
        bool whole = watch->boundary[k - 1].flips >= FLIPS_LEAST &&
                     (double)watch->boundary[k - 1].unmoved <= UNMOVED_WHOLE * below;
        if (broken && whole)
            return (int)k;
    }
    return -1;
}

static unsigned position_of(const struct signal_watch *watch, unsigned bit)
{
    return lt_span_position(watch->def->bits.part[0], watch->length - 1 - bit);
}

/* The top bit moved with the rest: nothing is left to move above what was seen of the field. */
static bool top_moved(const struct signal_watch *watch)
{
    unsigned top = watch->length - 1;
    bool with_rest =
        watch->def->sign == LT_SIGN_MAGNITUDE ||
        (double)watch->boundary[top].unmoved <= UNMOVED_WHOLE * (double)watch->boundary[top].flips;
    return watch->boundary[top].flips >= TOP_LEAST && with_rest;
}

static void judge_edges(struct judge *judge, const struct signal_watch *watch, int broken)
{
    char bits[128];
    const struct neighbour *more = goes_on(watch->neighbour, watch->neighbour_count);
    enum lt_proof_verdict verdict = LT_NOT_EXERCISED;
    if (broken >= 0 || more)
        verdict = LT_CONTRADICTED;
    else if (top_moved(watch) && watch->changes >= CHANGES_LEAST)
        verdict = LT_PROVEN;
    struct lt_claim *c = claim(judge, LT_CLAIM_EDGES, watch->def->name, verdict);
    lt_bits_print(bits, sizeof bits, &watch->def->bits);
    claim_expected(judge, c, "one number in %s", bits);
    if (broken >= 0) {
        unsigned at = position_of(watch, (unsigned)broken);
        claim_measured(judge, c, "bit %u.%u flips %" PRIu64 " times without the bits below it",
                       at / 8, at % 8, watch->boundary[broken].flips);
        claim_say(judge, c, "bit %u.%u is no part of this number", at / 8, at % 8);
    } else if (more) {
        claim_measured(judge, c,
                       "with bit %u.%u it does not wrap, %" PRIu64 " of %" PRIu64 " times",
                       more->position / 8, more->position % 8, more->explained, more->wraps);
        claim_say(judge, c, "the number goes on at bit %u.%u", more->position / 8,
                  more->position % 8);
    } else {
        claim_measured(judge, c, "%" PRIu64 " changes", watch->changes);
        if (verdict == LT_NOT_EXERCISED)
            claim_say(judge, c, "its upper bits did not move enough to see where it ends");
    }
}

/* --- byte order --- */

static double roughness(const struct reading *reading)
{
    return reading->high > reading->low ? reading->travel / (double)(reading->high - reading->low)
                                        : 0;
}

/* Between two of its bytes the upper one moves without the lower one: no number goes on there. The
 * upper one's lowest bit that moves tells (a coarse quantity leaves low bits alone). */
static bool is_torn(const struct signal_watch *watch)
{
    for (size_t i = 0; i + 1 < watch->piece_count; i++) {
        unsigned k = watch->piece[i].shift, end = k + watch->piece[i].width;
        while (k < end && watch->boundary[k].flips < FLIPS_LEAST)
            k++;
        if (k < end &&
            (double)watch->boundary[k].unmoved >= TORN_LEAST * (double)watch->boundary[k].flips)
            return true;
    }
    return false;
}

static void judge_order(struct judge *judge, const struct signal_watch *watch)
{
    char stated[NUMBER_ROOM], turned[NUMBER_ROOM];
    if (watch->piece_count < 2)
        return;
    double a = roughness(&watch->stated), b = roughness(&watch->turned);
    bool enough = watch->changes >= CHANGES_LEAST && a > 0 && b > 0;
    enum lt_proof_verdict verdict = LT_NOT_EXERCISED;
    if (enough && a >= BETTER * b && is_torn(watch))
        verdict = LT_CONTRADICTED;
    else if (enough && b >= CLEAR * a)
        verdict = LT_PROVEN;
    struct lt_claim *c = claim(judge, LT_CLAIM_ORDER, watch->def->name, verdict);
    bool intel = watch->def->order == LT_ORDER_INTEL;
    claim_expected(judge, c, intel ? "intel" : "motorola");
    claim_measured(judge, c, "travels %s times its span, the other way round %s times",
                   number_text(stated, a), number_text(turned, b));
    if (verdict == LT_CONTRADICTED)
        claim_say(judge, c, "read as %s it goes smoothly, as stated it jumps",
                  intel ? "motorola" : "intel");
    else if (verdict == LT_NOT_EXERCISED)
        claim_say(judge, c, "not enough of its bytes moved to tell the order");
}

/* --- sign --- */

static double travel_of(const struct signal_watch *watch, enum lt_sign sign)
{
    double crossing = sign == LT_TWOS             ? watch->travel_twos
                      : sign == LT_SIGN_MAGNITUDE ? watch->travel_magnitude
                                                  : watch->travel_unsigned;
    return watch->travel_common + crossing;
}

/* Up and down in about equal parts: a running number goes up, and is set back once in a while. */
static bool both_ways(uint64_t all, uint64_t down)
{
    return all >= CROSSINGS_LEAST && 4 * down >= all && 4 * (all - down) >= all;
}

static bool crossed(const struct signal_watch *watch)
{
    return both_ways(watch->over_top, watch->over_top_down) ||
           both_ways(watch->over_middle, watch->over_middle_down) ||
           both_ways(watch->top_alone, watch->top_alone_down);
}

/* Steps across the top bit that are smooth as stated: a number that is read wrongly has none, one
 * that is read well may jump from one end to the other all the same. */
static uint64_t smooth_crossings(const struct signal_watch *watch)
{
    switch (watch->def->sign) {
    case LT_TWOS:
        return watch->over_top;
    case LT_SIGN_MAGNITUDE:
        return watch->top_alone;
    default:
        return watch->over_middle;
    }
}

static void judge_sign(struct judge *judge, const struct signal_watch *watch)
{
    static const enum lt_sign signs[] = {LT_UNSIGNED, LT_TWOS, LT_SIGN_MAGNITUDE};
    static const char *const names[] = {"unsigned", "twos", "offset-binary", "sign-magnitude"};
    char a[NUMBER_ROOM], b[NUMBER_ROOM];
    if (watch->length < SIGN_BITS_LEAST)
        return;
    enum lt_sign stated = watch->def->sign, best = stated;
    double own = travel_of(watch, stated);
    for (size_t i = 0; i < 3; i++)
        if (travel_of(watch, signs[i]) < travel_of(watch, best))
            best = signs[i];
    bool smooth = watch->changes >= CHANGES_LEAST &&
                  (double)watch->small_steps >= SMALL_SHARE * (double)watch->changes;
    /* Each wrong crossing costs the whole field: two of them are no chance. */
    bool better = own - travel_of(watch, best) >= 2 * ldexp(1, (int)watch->length - 1) &&
                  own >= 1.5 * travel_of(watch, best);
    enum lt_proof_verdict verdict = LT_NOT_EXERCISED;
    if (smooth && crossed(watch))
        verdict = !better                   ? LT_PROVEN
                  : smooth_crossings(watch) ? LT_NOT_EXERCISED
                                            : LT_CONTRADICTED;
    struct lt_claim *c = claim(judge, LT_CLAIM_SIGN, watch->def->name, verdict);
    claim_expected(judge, c, "%s", names[stated]);
    claim_measured(judge, c, "travels %s steps; best read as %s: %s", number_text(a, own),
                   names[best], number_text(b, travel_of(watch, best)));
    if (verdict == LT_CONTRADICTED)
        claim_say(judge, c, "read as %s it goes smoothly through zero, as stated it jumps",
                  names[best]);
    else if (verdict == LT_NOT_EXERCISED)
        claim_say(judge, c, "it did not cross the place where a sign would show");
}

void judge_bits(struct judge *judge, const struct signal_watch *watch)
{
    if (!watch->watches_bits || !watch->values)
        return;
    judge_edges(judge, watch, broken_boundary(watch));
    judge_order(judge, watch);
    judge_sign(judge, watch);
}
