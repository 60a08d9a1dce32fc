/* How two recordings differ (loomtap/survey/survey.h), the most telling first: people find a switch
 * by recording once without it and once with it.
 *
 * Two recordings of one car always differ: counters and checks (left out), measured quantities
 * (ranked low), and what happens now and then. So each difference has a rank by what it is, times
 * how sure it is that the other recording would have shown it too: something that happened k times
 * in T seconds is missing from T' seconds by chance with exp(-k T' / T). */
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "survey/compare_units.h"
#include "survey/words.h"

#define PERIOD_CHANGED 1.25
#define NAMES_SHARE    0.2 /* of identifiers that buses of one name should have in common */
#define RANGE_EXCESS   0.25
#define FEW_VALUES     16u

#define RANK_EVENT_FRAME    0.95
#define RANK_CYCLIC_FRAME   0.85
#define RANK_DIAGNOSTIC     0.10
#define RANK_PERIOD         0.50
#define RANK_STARTS_EVENT   0.60
#define RANK_STILL_SWITCH   0.80
#define RANK_STILL_BYTE     0.55
#define RANK_STILL_MANY     0.30
#define RANK_RANGE_ENUM     0.85
#define RANK_RANGE_PHYSICAL 0.20
#define ONLY_IN_A           0.90 /* people look for what is in B */

struct compare {
    const struct lt_survey *a, *b;
    struct lt_arena *arena;
    struct lt_error *error;
    unsigned bus_of_a[LT_BUSES_MAX]; /* in b; LT_BUSES_MAX: none */
    bool bus_of_b_taken[LT_BUSES_MAX];
    struct lt_change *changes;
    size_t count, capacity, left_out;
    size_t still_from; /* first change of the frame at hand */
    const struct lt_survey_frame *frame_a, *frame_b;
};

/* --- buses --- */

/* That of the collector's streams on one bus. */
static int order_of(const struct lt_stream_key *a, const struct lt_stream_key *b)
{
    if (a->extended != b->extended)
        return a->extended ? 1 : -1;
    if (a->id != b->id)
        return a->id < b->id ? -1 : 1;
    return a->length != b->length ? (a->length < b->length ? -1 : 1) : (int)a->fd - (int)b->fd;
}

/* Where the streams of a bus lie: one after another. */
struct part {
    size_t first, end;
};

static struct part part_of(const struct lt_survey *survey, unsigned bus)
{
    struct part part = {0, survey->frame_count};
    while (part.first < part.end && survey->frames[part.first].stream->key.bus != bus)
        part.first++;
    part.end = part.first;
    while (part.end < survey->frame_count && survey->frames[part.end].stream->key.bus == bus)
        part.end++;
    return part;
}

static const struct lt_survey_frame *frame_like(const struct lt_survey *survey, struct part part,
                                                const struct lt_stream_key *key)
{
    size_t low = part.first, high = part.end;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        int order = order_of(&survey->frames[middle].stream->key, key);
        if (order == 0)
            return &survey->frames[middle];
        if (order < 0)
            low = middle + 1;
        else
            high = middle;
    }
    return NULL;
}

/* Frames in common, as a share of those of the smaller one. */
static double share_in_common(const struct compare *compare, unsigned a, unsigned b)
{
    struct part in_a = part_of(compare->a, a), in_b = part_of(compare->b, b);
    size_t least = in_a.end - in_a.first, common = 0;
    if (in_b.end - in_b.first < least)
        least = in_b.end - in_b.first;
    for (size_t i = in_a.first; i < in_a.end; i++)
        common += frame_like(compare->b, in_b, &compare->a->frames[i].stream->key) != NULL;
    return least ? (double)common / (double)least : 0;
}

static bool same_name(const struct compare *compare, unsigned a, unsigned b)
{
    const char *name_a = compare->a->buses[a].name, *name_b = compare->b->buses[b].name;
    return name_a && name_b && name_a[0] && strcmp(name_a, name_b) == 0;
}

static void join_buses(struct compare *compare, unsigned a, unsigned b)
{
    compare->bus_of_a[a] = b;
    compare->bus_of_b_taken[b] = true;
}

static void join_by_name(struct compare *compare, double least_share)
{
    for (unsigned a = 0; a < compare->a->bus_count; a++)
        for (unsigned b = 0; b < compare->b->bus_count; b++)
            if (compare->bus_of_a[a] == LT_BUSES_MAX && !compare->bus_of_b_taken[b] &&
                same_name(compare, a, b) && share_in_common(compare, a, b) >= least_share)
                join_buses(compare, a, b);
}

static bool join_most_alike(struct compare *compare)
{
    double most = 0;
    unsigned best_a = 0, best_b = 0;
    for (unsigned a = 0; a < compare->a->bus_count; a++) {
        for (unsigned b = 0; b < compare->b->bus_count; b++) {
            if (compare->bus_of_a[a] != LT_BUSES_MAX || compare->bus_of_b_taken[b])
                continue;
            double share = share_in_common(compare, a, b);
            if (share > most) {
                most = share;
                best_a = a;
                best_b = b;
            }
        }
    }
    if (most > 0)
        join_buses(compare, best_a, best_b);
    return most > 0;
}

static void meet_buses(struct compare *compare)
{
    for (unsigned a = 0; a < LT_BUSES_MAX; a++)
        compare->bus_of_a[a] = LT_BUSES_MAX;
    join_by_name(compare, NAMES_SHARE);
    while (join_most_alike(compare))
        continue;
    join_by_name(compare, 0);
}

/* --- chance --- */

static double seconds_of(const struct lt_survey *survey)
{
    return survey->duration_s > 0 ? survey->duration_s : 1;
}

/* How sure it is that what happened `times` in one recording would be in the other as well. */
static double surprise(const struct lt_survey *seen_in, const struct lt_survey *not_in,
                       uint64_t times)
{
    double expected = (double)times * seconds_of(not_in) / seconds_of(seen_in);
    return 1 - exp(-expected);
}

/* --- adding --- */

static int by_weight(const void *x, const void *y)
{
    const struct lt_change *a = x, *b = y;
    if (a->weight != b->weight)
        return a->weight > b->weight ? -1 : 1;
    if (a->key.bus != b->key.bus)
        return a->key.bus < b->key.bus ? -1 : 1;
    int order = order_of(&a->key, &b->key);
    if (order)
        return order;
    if (a->has_page && b->has_page && a->page != b->page)
        return a->page < b->page ? -1 : 1;
    if (a->kind != b->kind)
        return a->kind < b->kind ? -1 : 1;
    if (a->bits.part[0].msb != b->bits.part[0].msb)
        return a->bits.part[0].msb < b->bits.part[0].msb ? -1 : 1;
    return (a->bits.part[0].lsb > b->bits.part[0].lsb) -
           (a->bits.part[0].lsb < b->bits.part[0].lsb);
}

static void sort_and_cut(struct compare *compare)
{
    if (compare->count > 1)
        qsort(compare->changes, compare->count, sizeof *compare->changes, by_weight);
    if (compare->count <= LT_CHANGES_MAX)
        return;
    compare->left_out += compare->count - LT_CHANGES_MAX;
    compare->count = LT_CHANGES_MAX;
}

/* Keeps the list short before a frame adds its own. */
static void make_room(struct compare *compare)
{
    if (compare->count >= 2 * LT_CHANGES_MAX)
        sort_and_cut(compare);
}

static struct lt_change *add_change(struct compare *compare, enum lt_change_kind kind,
                                    const struct lt_survey_frame *frame, double weight)
{
    struct lt_change *change = lt_arena_push(compare->arena, &compare->changes, &compare->count,
                                             &compare->capacity, sizeof *change);
    if (change)
        *change = (struct lt_change){
            .kind = kind, .key = frame->stream->key, .bus = frame->bus, .weight = weight};
    return change;
}

static double starts_s(const struct lt_survey *survey, int64_t time_ns)
{
    return time_ns == LT_NO_TIME || survey->counts->first_ns == LT_NO_TIME
               ? -1
               : ((double)time_ns - (double)survey->counts->first_ns) / 1e9;
}

static const char *at_text(const struct lt_survey *survey, int64_t time_ns, char text[48])
{
    double at_s = starts_s(survey, time_ns);
    text[0] = '\0';
    if (at_s >= 0)
        lt_text_format(text, 48, ", first %.2f s in", at_s);
    return text;
}

/* --- frames --- */

static void frame_only(struct compare *compare, const struct lt_survey_frame *frame, bool in_b)
{
    make_room(compare);
    const struct lt_survey *seen = in_b ? compare->b : compare->a;
    const struct lt_survey *other = in_b ? compare->a : compare->b;
    const struct lt_timing *timing = &frame->stream->timing;
    double rank =
        timing->cyclic && !frame->only_with_activity ? RANK_CYCLIC_FRAME : RANK_EVENT_FRAME;
    if (frame->diagnostic)
        rank = RANK_DIAGNOSTIC;
    double weight = rank * surprise(seen, other, timing->count) * (in_b ? 1 : ONLY_IN_A);
    struct lt_change *change =
        add_change(compare, in_b ? LT_CHANGE_FRAME_ONLY_B : LT_CHANGE_FRAME_ONLY_A, frame, weight);
    char at[48];
    if (change)
        change->say = survey_text(compare->arena, "only in %s: %" PRIu64 " frame%s%s%s",
                                  in_b ? "B" : "A", timing->count, timing->count == 1 ? "" : "s",
                                  at_text(seen, timing->first_ns, at),
                                  frame->diagnostic ? " (diagnostics)" : "");
}

static void compare_periods(struct compare *compare)
{
    const struct lt_timing *a = &compare->frame_a->stream->timing;
    const struct lt_timing *b = &compare->frame_b->stream->timing;
    if (a->period_ns <= 0 || b->period_ns <= 0 || compare->frame_b->diagnostic)
        return;
    double ratio = (double)a->period_ns / (double)b->period_ns;
    bool both = a->cyclic && b->cyclic && a->count >= 10 && b->count >= 10;
    bool event = (a->cyclic != b->cyclic || a->extra_on_change != b->extra_on_change) &&
                 a->count >= 10 && b->count >= 10;
    bool slower = both && (ratio > PERIOD_CHANGED || ratio < 1 / PERIOD_CHANGED);
    if (!slower && !event)
        return;
    struct lt_change *change = add_change(compare, LT_CHANGE_PERIOD, compare->frame_b,
                                          slower ? RANK_PERIOD : RANK_STARTS_EVENT * RANK_PERIOD);
    if (!change)
        return;
    change->a_low = change->a_high = (uint64_t)a->period_ns;
    change->b_low = change->b_high = (uint64_t)b->period_ns;
    char text_a[LT_TIME_ROOM], text_b[LT_TIME_ROOM];
    lt_figure_time(text_a, a->period_ns);
    lt_figure_time(text_b, b->period_ns);
    change->say = survey_text(compare->arena, "%s %s in A, %s %s in B",
                              a->cyclic ? "every" : "at times, mostly", text_a,
                              b->cyclic ? "every" : "at times, mostly", text_b);
}

/* --- fields --- */

/* Hands move a switch a few times. What changes in many of the frames is a blinker, or bits of a
 * number. */
static double by_number_of_changes(const struct unit_seen *seen)
{
    if (seen->changes > 8 && seen->changes > seen->rows / 4)
        return 0.6;
    return seen->changes > 60 ? 0.85 : 1;
}

static double rank_moving(const struct unit *unit, const struct unit_seen *seen)
{
    unsigned length = lt_bits_length(&unit->bits);
    switch (unit->kind) {
    case LT_FIELD_FLAG:
        return 1.0;
    case LT_FIELD_ENUM:
        return 0.97;
    case LT_FIELD_ACCUMULATING:
        return 0.15;
    case LT_FIELD_PHYSICAL:
        /* Called smooth, but it only ever took few values: as likely a switch. */
        return seen->value_count <= 4 && length <= 8 ? 0.6 : 0.4;
    case LT_FIELD_TEXT:
        return 0.3;
    default:
        return seen->value_count <= FEW_VALUES ? 0.7 : 0.35;
    }
}

static void fill_unit(const struct unit *unit, struct lt_change *change)
{
    change->bits = unit->bits;
    change->page = unit->page;
    change->has_page = unit->has_page;
    change->a_low = unit->a.low;
    change->a_high = unit->a.high;
    change->b_low = unit->b.low;
    change->b_high = unit->b.high;
}

static const char *values_text(const struct unit_seen *seen, char text[80])
{
    size_t len = 0;
    if (seen->value_count > 4)
        lt_text_format(text, 80, "%" PRIu64 " to %" PRIu64, seen->low, seen->high);
    for (size_t i = 0; i < seen->value_count && seen->value_count <= 4; i++)
        len += lt_text_format(text + len, 80 - len, "%s%" PRIu64, i ? ", " : "", seen->value[i]);
    return text;
}

static void moves_only(struct compare *compare, const struct unit *unit, bool in_b)
{
    const struct lt_survey *seen_in = in_b ? compare->b : compare->a;
    const struct lt_survey *other = in_b ? compare->a : compare->b;
    const struct unit_seen *seen = in_b ? &unit->b : &unit->a;
    const struct unit_seen *still = in_b ? &unit->a : &unit->b;
    /* A switch that went over once and stayed is in the other recording as its first or its last
     * position: one step counts as two happenings, as does there and back. */
    uint64_t times = seen->changes < 2 ? 2 : seen->changes;
    double weight = rank_moving(unit, seen) * surprise(seen_in, other, times);
    weight *= by_number_of_changes(seen) * (in_b ? 1 : ONLY_IN_A);
    struct lt_change *change =
        add_change(compare, in_b ? LT_CHANGE_MOVES_ONLY_B : LT_CHANGE_MOVES_ONLY_A,
                   in_b ? compare->frame_b : compare->frame_a, weight);
    char values[80], at[48];
    if (!change)
        return;
    fill_unit(unit, change);
    change->say =
        survey_text(compare->arena,
                    "%s: moves in %s only: %s, %" PRIu64 " change%s%s; always %" PRIu64 " in %s",
                    lt_field_kind_name(unit->kind), in_b ? "B" : "A", values_text(seen, values),
                    seen->changes, seen->changes == 1 ? "" : "s",
                    at_text(seen_in, seen->first_change_ns, at), still->low, in_b ? "A" : "B");
}

static void still_differs(struct compare *compare, const struct unit *unit)
{
    bool small = lt_bits_length(&unit->bits) <= 3;
    struct lt_change *change = add_change(compare, LT_CHANGE_VALUE, compare->frame_b,
                                          small ? RANK_STILL_SWITCH : RANK_STILL_BYTE);
    if (!change)
        return;
    fill_unit(unit, change);
    change->say = survey_text(compare->arena, "always %" PRIu64 " in A, always %" PRIu64 " in B",
                              unit->a.low, unit->b.low);
}

/* Values of `seen` that `other` never took, and how often they were taken up. */
static uint64_t new_visits(const struct unit_seen *seen, const struct unit_seen *other,
                           uint64_t *ret_first)
{
    uint64_t visits = 0;
    for (size_t i = 0; i < seen->value_count; i++) {
        bool known = false;
        for (size_t k = 0; k < other->value_count && !known; k++)
            known = other->value[k] == seen->value[i];
        if (!known && visits == 0)
            *ret_first = seen->value[i];
        if (!known)
            visits += seen->visits[i];
    }
    return visits;
}

static void new_values(struct compare *compare, const struct unit *unit, bool in_b)
{
    const struct unit_seen *seen = in_b ? &unit->b : &unit->a;
    const struct unit_seen *other = in_b ? &unit->a : &unit->b;
    uint64_t first = 0, visits = new_visits(seen, other, &first);
    if (visits == 0)
        return;
    double sure =
        surprise(in_b ? compare->b : compare->a, in_b ? compare->a : compare->b, 2 * visits);
    double rank = unit->kind == LT_FIELD_PHYSICAL || unit->kind == LT_FIELD_ACCUMULATING
                      ? RANK_RANGE_PHYSICAL
                      : RANK_RANGE_ENUM;
    struct lt_change *change =
        add_change(compare, LT_CHANGE_RANGE, in_b ? compare->frame_b : compare->frame_a,
                   rank * sure * (in_b ? 1 : ONLY_IN_A));
    if (!change)
        return;
    fill_unit(unit, change);
    change->say = survey_text(
        compare->arena, "%s: value %" PRIu64 " (taken %" PRIu64 " time%s) in %s only",
        lt_field_kind_name(unit->kind), first, visits, visits == 1 ? "" : "s", in_b ? "B" : "A");
}

static void wider_range(struct compare *compare, const struct unit *unit)
{
    double span_a = (double)(unit->a.high - unit->a.low), below = 0, above = 0;
    if (unit->b.low < unit->a.low)
        below = (double)(unit->a.low - unit->b.low);
    if (unit->b.high > unit->a.high)
        above = (double)(unit->b.high - unit->a.high);
    double excess = (below + above) / (span_a > 0 ? span_a : 1);
    if (excess < RANGE_EXCESS)
        return;
    struct lt_change *change = add_change(compare, LT_CHANGE_RANGE, compare->frame_b,
                                          RANK_RANGE_PHYSICAL * excess / (1 + excess));
    if (!change)
        return;
    fill_unit(unit, change);
    change->say = survey_text(
        compare->arena, "%s: %" PRIu64 " to %" PRIu64 " in A, %" PRIu64 " to %" PRIu64 " in B",
        lt_field_kind_name(unit->kind), unit->a.low, unit->a.high, unit->b.low, unit->b.high);
}

static enum lt_code compare_unit(void *context, const struct unit *unit)
{
    struct compare *compare = context;
    bool moves_a = unit->a.changes > 0, moves_b = unit->b.changes > 0;
    if (moves_b && !moves_a) {
        moves_only(compare, unit, true);
    } else if (moves_a && !moves_b) {
        moves_only(compare, unit, false);
    } else if (!moves_a) {
        if (unit->a.low != unit->b.low)
            still_differs(compare, unit);
    } else if (unit->a.value_count <= FEW_VALUES && unit->b.value_count <= FEW_VALUES) {
        new_values(compare, unit, true);
        new_values(compare, unit, false);
    } else {
        wider_range(compare, unit);
    }
    return compare->arena->failed ? LT_E_MEMORY : LT_OK;
}

/* Many bytes of a frame that rest elsewhere are a reading of a distance or a clock, or a number of
 * the car, rather than a switch. */
static void lower_many(struct compare *compare)
{
    size_t still = 0;
    for (size_t i = compare->still_from; i < compare->count; i++)
        still += compare->changes[i].kind == LT_CHANGE_VALUE;
    for (size_t i = compare->still_from; i < compare->count && still > 2; i++)
        if (compare->changes[i].kind == LT_CHANGE_VALUE)
            compare->changes[i].weight = RANK_STILL_MANY;
}

static enum lt_code compare_frames(struct compare *compare)
{
    enum lt_code code = LT_OK;
    make_room(compare);
    compare->still_from = compare->count;
    compare_periods(compare);
    if (!compare->frame_a->diagnostic && !compare->frame_b->diagnostic)
        code = compare_units(compare->frame_a, compare->frame_b, compare_unit, compare,
                             compare->error);
    lower_many(compare);
    return code;
}

/* --- the whole --- */

static enum lt_code compare_bus(struct compare *compare, unsigned a, unsigned b)
{
    struct part in_a = part_of(compare->a, a), in_b = part_of(compare->b, b);
    enum lt_code code = LT_OK;
    for (size_t i = in_a.first; i < in_a.end && code == LT_OK; i++) {
        compare->frame_a = &compare->a->frames[i];
        compare->frame_b = frame_like(compare->b, in_b, &compare->frame_a->stream->key);
        if (compare->frame_b)
            code = compare_frames(compare);
        else
            frame_only(compare, compare->frame_a, false);
    }
    for (size_t i = in_b.first; i < in_b.end && code == LT_OK; i++)
        if (!frame_like(compare->a, in_a, &compare->b->frames[i].stream->key))
            frame_only(compare, &compare->b->frames[i], true);
    return code;
}

static void bus_only(struct compare *compare, unsigned bus, bool in_b)
{
    const struct lt_survey *survey = in_b ? compare->b : compare->a;
    struct part part = part_of(survey, bus);
    for (size_t i = part.first; i < part.end; i++)
        frame_only(compare, &survey->frames[i], in_b);
}

enum lt_code lt_survey_compare(const struct lt_survey *a, const struct lt_survey *b,
                               struct lt_arena *arena, struct lt_change **ret_changes,
                               size_t *ret_count, size_t *ret_left_out, struct lt_error *error)
{
    struct compare *compare = lt_arena_alloc(arena, sizeof *compare);
    enum lt_code code = LT_OK;
    if (!compare)
        return lt_fail(error, LT_E_MEMORY, "out of memory for the comparison");
    *compare = (struct compare){.a = a, .b = b, .arena = arena, .error = error};
    meet_buses(compare);
    for (unsigned bus = 0; bus < a->bus_count && code == LT_OK; bus++) {
        if (compare->bus_of_a[bus] < LT_BUSES_MAX)
            code = compare_bus(compare, bus, compare->bus_of_a[bus]);
        else
            bus_only(compare, bus, false);
    }
    for (unsigned bus = 0; bus < b->bus_count && code == LT_OK; bus++)
        if (!compare->bus_of_b_taken[bus])
            bus_only(compare, bus, true);
    if (arena->failed)
        return lt_fail(error, LT_E_MEMORY, "out of memory for the comparison");
    if (code != LT_OK)
        return code;
    sort_and_cut(compare);
    *ret_changes = compare->changes;
    *ret_count = compare->count;
    *ret_left_out = compare->left_out;
    return LT_OK;
}
