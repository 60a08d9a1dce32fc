/* All profiles in order, and what can be said of the first. */
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "prove/identify_inside.h"

/* Two that differ by less cannot be told apart: less than one frame with its length. */
#define APART_LEAST 2.0
/* Of the second's identifiers, those that the first does not know: it is about another car. */
#define OTHER_SHARE 0.5
#define OTHER_LEAST 3
#define HERE_SHARE  0.9
/* Of the identifiers that the profile knows on a capture's buses, these come in it. */
#define CAPTURE_SHARE 0.4
#define CAPTURES_TOLD 63
#define SAY_MAX       500

static double evidence(const struct lt_identity *identity)
{
    return identity->support - identity->against - identity->unexplained;
}

static int by_score(const void *a, const void *b)
{
    const struct lt_identity *x = &(*(const struct identify_judged *const *)a)->identity;
    const struct lt_identity *y = &(*(const struct identify_judged *const *)b)->identity;
    if (x->score != y->score)
        return x->score > y->score ? -1 : 1;
    if (evidence(x) != evidence(y))
        return evidence(x) > evidence(y) ? -1 : 1;
    return (x->profile > y->profile) - (x->profile < y->profile);
}

static bool copy_texts(struct lt_arena *arena, const char *const **list, size_t count)
{
    const char **copy = lt_arena_array(arena, count, sizeof *copy);
    for (size_t i = 0; copy && i < count; i++)
        if (!(copy[i] = lt_arena_string(arena, (*list)[i])))
            return false;
    *list = copy;
    return copy != NULL;
}

static bool copy_all(const struct identify_judged *const *order, size_t count,
                     struct lt_arena *arena, struct lt_identity *list)
{
    for (size_t i = 0; i < count; i++) {
        list[i] = order[i]->identity;
        if (!copy_texts(arena, &list[i].reasons, list[i].reason_count) ||
            !copy_texts(arena, &list[i].misfits, list[i].misfit_count))
            return false;
    }
    return true;
}

/* --- the verdict --- */

/* How many identifiers the second knows, and how many of them the first does not. */
static bool is_about_others(const struct lt_identify *identify, const struct identify_judged *first,
                            const struct identify_judged *second)
{
    size_t known = 0, others = 0;
    for (size_t i = 0; i < identify->stream_count; i++) {
        if (identify->streams[i].diagnostic || !second->claimed[i])
            continue;
        known++;
        others += !first->claimed[i];
    }
    return others >= OTHER_LEAST && (double)others >= OTHER_SHARE * (double)known;
}

struct odd {
    size_t capture; /* from 1 */
    size_t here, due;
};

/* Which of the capture's buses came in which capture. */
static uint64_t captures_of_bus(const struct lt_identify *identify, uint16_t bus)
{
    uint64_t captures = 0;
    for (size_t i = 0; i < identify->stream_count; i++)
        if (identify->streams[i].bus == bus && !identify->streams[i].diagnostic)
            captures |= identify->streams[i].captures;
    return captures;
}

/* A capture of a bus that the profile knows from another one, in which few of its frames come:
 * another car's. */
static bool find_odd_capture(const struct lt_identify *identify,
                             const struct identify_judged *judged, struct odd *ret_odd)
{
    uint64_t of_bus[LT_BUSES_MAX];
    struct odd seen[CAPTURES_TOLD] = {{0, 0, 0}};
    for (uint16_t bus = 0; bus < LT_BUSES_MAX; bus++)
        of_bus[bus] = bus < identify->bus_count ? captures_of_bus(identify, bus) : 0;
    for (size_t i = 0; i < identify->stream_count; i++) {
        const struct stream *stream = &identify->streams[i];
        for (size_t c = 0; judged->claimed[i] && !stream->diagnostic && c < CAPTURES_TOLD; c++) {
            seen[c].here += stream->captures >> c & 1;
            seen[c].due += of_bus[stream->bus] >> c & 1;
        }
    }
    for (size_t c = 0; c < CAPTURES_TOLD; c++)
        if (seen[c].due >= OTHER_LEAST &&
            (double)seen[c].here < CAPTURE_SHARE * (double)seen[c].due) {
            *ret_odd = (struct odd){c + 1, seen[c].here, seen[c].due};
            return true;
        }
    return false;
}

/* Nearly all of its frames are there. */
static bool is_here(const struct lt_identity *identity)
{
    return identity->frames_here >= OTHER_LEAST &&
           (double)identity->frames_here >= HERE_SHARE * (double)identity->frames_due;
}

/* Another profile whose frames are there too, and are others. */
static const struct identify_judged *find_second_car(const struct lt_identify *identify,
                                                     const struct identify_judged *const *order,
                                                     size_t count)
{
    for (size_t i = 1; i < count; i++)
        if (is_here(&order[0]->identity) && is_here(&order[i]->identity) &&
            is_about_others(identify, order[0], order[i]))
            return order[i];
    return NULL;
}

struct verdict {
    enum lt_identify_verdict verdict;
    char say[SAY_MAX];
};

static void decide_between(const struct identify_judged *const *order, size_t count,
                           struct verdict *verdict)
{
    const struct lt_identity *first = &order[0]->identity;
    size_t alike = 1;
    for (size_t i = 1; i < count; i++)
        alike += order[i]->identity.fits &&
                 evidence(first) - evidence(&order[i]->identity) < APART_LEAST;
    verdict->verdict = alike > 1 ? LT_IDENTIFY_AMBIGUOUS : LT_IDENTIFY_FITS;
    if (alike > 1)
        lt_text_format(verdict->say, sizeof verdict->say,
                       "%zu profiles fit alike: this capture does not tell them apart; drive with "
                       "diagnostics polled, through all modes",
                       alike);
    else
        lt_text_format(verdict->say, sizeof verdict->say, "nothing decisive speaks against it");
}

static const struct identify_judged *first_fitting(const struct identify_judged *const *order,
                                                   size_t count)
{
    size_t at = 0;
    while (at < count && !order[at]->identity.fits)
        at++;
    return at < count ? order[at] : NULL;
}

static void decide(const struct lt_identify *identify, const struct identify_judged *const *order,
                   size_t count, struct verdict *verdict)
{
    const struct lt_identity *first = count ? &order[0]->identity : NULL;
    const struct identify_judged *second;
    const struct identify_judged *fitting = first_fitting(order, count);
    struct odd odd;
    verdict->verdict = LT_IDENTIFY_NONE;
    if (!first)
        lt_text_format(verdict->say, sizeof verdict->say, "there is no profile to rank");
    else if (!identify->frames)
        lt_text_format(verdict->say, sizeof verdict->say, "no frame came");
    else if (!(first->support > 0))
        lt_text_format(verdict->say, sizeof verdict->say,
                       "none of the profiles' frames is in this capture: another car, or a bus "
                       "that none of them describes");
    else if (find_odd_capture(identify, order[0], &odd))
        lt_text_format(
            verdict->say, sizeof verdict->say,
            "the captures are of different cars or buses: capture %zu has %zu of the %zu "
            "identifiers of %s that another has; identify each by itself",
            odd.capture, odd.here, odd.due, first->name);
    else if ((second = find_second_car(identify, order, count)) != NULL) {
        verdict->verdict = LT_IDENTIFY_AMBIGUOUS;
        lt_text_format(verdict->say, sizeof verdict->say,
                       "the frames of %s are there, and those of %s, which are others: two cars in "
                       "one capture, or two parts of one car",
                       first->name, second->identity.name);
    } else if (first->fits) {
        decide_between(order, count, verdict);
    } else if (fitting) {
        verdict->verdict = LT_IDENTIFY_AMBIGUOUS;
        lt_text_format(
            verdict->say, sizeof verdict->say,
            "%s knows more of this car and has misfits; nothing speaks against %s, which "
            "knows less",
            first->name, fitting->identity.name);
    } else {
        lt_text_format(verdict->say, sizeof verdict->say,
                       "none fits; nearest is %s, with what speaks against it below", first->name);
    }
}

enum lt_code identify_rank(const struct lt_identify *identify, struct identify_judged *judged,
                           struct lt_arena *arena, struct lt_identification *result,
                           struct lt_error *error)
{
    size_t count = identify->profile_count;
    struct verdict verdict;
    for (size_t i = 0; i < count; i++)
        if (judged[i].code != LT_OK) {
            if (error)
                *error = judged[i].error;
            return judged[i].code;
        }
    const struct identify_judged **order = lt_arena_array(arena, count, sizeof *order);
    struct lt_identity *list = lt_arena_array(arena, count, sizeof *list);
    if (!order || !list)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    for (size_t i = 0; i < count; i++)
        order[i] = &judged[i];
    qsort(order, count, sizeof *order, by_score);
    decide(identify, order, count, &verdict);
    *result = (struct lt_identification){
        .verdict = verdict.verdict,
        .say = lt_arena_string(arena, verdict.say),
        .ranking = list,
        .count = count,
        .frames = identify->frames,
        .unwatched = identify->unwatched,
        .duration_s = (double)identify->whole->duration_ns / (double)NS_PER_S,
        .captures = identify->capture + 1,
    };
    if (!result->say || !copy_all(order, count, arena, list))
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    return LT_OK;
}
