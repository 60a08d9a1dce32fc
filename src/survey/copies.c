/* Frames that a gateway copies to another bus, or that are sent twice under two identifiers.
 *
 * What counts are the moments at which the content becomes another (a frame that repeats its
 * content says nothing of when it was copied). A frame is a copy where nearly all of its new
 * contents stood in the other frame a short and steady time before. Counters and checks do not take
 * part: a gateway that makes them anew still copies. Frames of different identifiers are brought
 * together by the contents that their sketches share (the smallest hashes of their contents), so
 * thousands of identifiers need no comparison of each with each. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "survey/survey_internal.h"

#define WINDOW_NS     INT64_C(1000000000) /* longest delay looked for */
#define SHARE_LEAST   0.85
#define MATCHES_LEAST 8u
#define DISTINCT_MOST 64u /* different contents among the matches; counting stops here */
#define DISTINCT_ANY  24u /* needed where identifiers differ: few contents meet by chance */
#define DISTINCT_SAME 6u
#define SPREAD_MOST   0.35 /* middle distance from the usual delay, in periods */
#define SPREAD_NS     INT64_C(20000000)
#define SKETCH        32u
#define SHARED_BY     8u /* contents in more frames than this bring nothing together */
#define SHARED_LEAST  4u
#define EVENTS_MOST   4096u    /* of one frame ... */
#define EVENTS_ALL    1500000u /* ... and of all together, as far as each has EVENTS_LEAST */
#define EVENTS_LEAST  64u

struct event { /* the content became another */
    int64_t time_ns;
    uint64_t hash;
};

struct side {
    struct lt_survey_frame *frame;
    size_t count;
    struct event *events; /* by time */
    size_t sketch_count;
    uint64_t sketch[SKETCH]; /* smallest hashes, ascending */
};

struct copies {
    struct survey_work *work;
    struct side *sides; /* one a frame; count 0: nothing to compare */
    size_t events_most; /* of one frame */
    int64_t *delays_ns; /* room for so many */
};

/* --- contents --- */

/* Bits that take part: without counters and checks. */
static void make_mask(const struct lt_survey_frame *frame, uint8_t mask[LT_FRAME_MAX])
{
    struct lt_bit_set derived = {{0}};
    for (size_t i = 0; i < frame->field_count; i++) {
        const struct lt_survey_field *field = &frame->fields[i];
        if (field->kind == LT_FIELD_COUNTER || field->kind == LT_FIELD_CHECKSUM)
            lt_bit_set_add_bits(&derived, &field->bits);
    }
    for (unsigned byte = 0; byte < LT_FRAME_MAX; byte++)
        mask[byte] = (uint8_t) ~(derived.word[byte / 8] >> 8 * (byte % 8));
}

/* FNV-1a with a last mixing step, so that the smallest hashes are a fair choice. */
static uint64_t hash_of(const uint8_t *row, const uint8_t *mask, unsigned length)
{
    uint64_t hash = UINT64_C(0xCBF29CE484222325) ^ length;
    for (unsigned i = 0; i < length; i++)
        hash = (hash ^ (row[i] & mask[i])) * UINT64_C(0x100000001B3);
    hash ^= hash >> 29;
    hash *= UINT64_C(0xBF58476D1CE4E5B9);
    return hash ^ hash >> 32;
}

static void add_to_sketch(struct side *side, uint64_t hash)
{
    size_t at = 0;
    while (at < side->sketch_count && side->sketch[at] < hash)
        at++;
    if (at == SKETCH || (at < side->sketch_count && side->sketch[at] == hash))
        return;
    size_t last = side->sketch_count < SKETCH ? side->sketch_count++ : SKETCH - 1;
    memmove(&side->sketch[at + 1], &side->sketch[at], (last - at) * sizeof *side->sketch);
    side->sketch[at] = hash;
}

static bool read_side(struct copies *copies, struct side *side)
{
    const struct lt_kept *kept = &side->frame->stream->kept;
    uint8_t mask[LT_FRAME_MAX];
    uint64_t before = 0;
    make_mask(side->frame, mask);
    size_t room = kept->count < copies->events_most ? kept->count : copies->events_most;
    side->events = lt_arena_array(copies->work->scratch, room, sizeof *side->events);
    if (!side->events)
        return false;
    for (size_t row = 0; row < kept->count && side->count < copies->events_most; row++) {
        uint64_t hash = hash_of(lt_kept_row(kept, row), mask, kept->key.length);
        /* Only a frame that follows the one above it shows when the content came. */
        bool comes = row > 0 && hash != before;
        if (comes && kept->flags[row] & LT_KEPT_FOLLOWS && kept->time_ns[row] != LT_NO_TIME &&
            (side->count == 0 || kept->time_ns[row] >= side->events[side->count - 1].time_ns)) {
            side->events[side->count++] = (struct event){kept->time_ns[row], hash};
            add_to_sketch(side, hash);
        }
        before = hash;
    }
    return true;
}

/* --- two frames --- */

struct match {
    size_t matched, tried, distinct;
    int64_t delay_ns; /* middle; positive: `to` is later */
    int64_t spread_ns;
};

static int by_delay(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return x < y ? -1 : x > y;
}

static size_t first_at(const struct side *side, int64_t time_ns)
{
    size_t low = 0, high = side->count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (side->events[middle].time_ns < time_ns)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

/* The event with this content that is nearest in time. */
static bool nearest_event(const struct side *from, const struct event *event, int64_t *ret_delay_ns)
{
    bool found = false;
    int64_t nearest_ns = WINDOW_NS;
    for (size_t i = first_at(from, event->time_ns - WINDOW_NS);
         i < from->count && from->events[i].time_ns <= event->time_ns + WINDOW_NS; i++) {
        int64_t delay_ns = event->time_ns - from->events[i].time_ns;
        if (from->events[i].hash != event->hash || llabs(delay_ns) > nearest_ns)
            continue;
        nearest_ns = llabs(delay_ns);
        *ret_delay_ns = delay_ns;
        found = true;
    }
    return found;
}

struct distinct {
    size_t count;
    uint64_t hash[DISTINCT_MOST];
};

static void note_distinct(struct distinct *distinct, uint64_t hash)
{
    for (size_t i = 0; i < distinct->count; i++)
        if (distinct->hash[i] == hash)
            return;
    if (distinct->count < DISTINCT_MOST)
        distinct->hash[distinct->count++] = hash;
}

/* Events of `to` while `from` was kept too; the content and the moment of them in `from`. */
static struct match match_sides(struct copies *copies, const struct side *from,
                                const struct side *to)
{
    struct match match = {.matched = 0};
    struct distinct distinct = {.count = 0};
    int64_t *delays_ns = copies->delays_ns;
    for (size_t i = 0; i < to->count; i++) {
        const struct event *event = &to->events[i];
        if (event->time_ns < from->events[0].time_ns ||
            event->time_ns > from->events[from->count - 1].time_ns + WINDOW_NS)
            continue;
        match.tried++;
        if (nearest_event(from, event, &delays_ns[match.matched])) {
            match.matched++;
            note_distinct(&distinct, event->hash);
        }
    }
    match.distinct = distinct.count;
    if (match.matched) {
        qsort(delays_ns, match.matched, sizeof *delays_ns, by_delay);
        match.delay_ns = delays_ns[match.matched / 2];
        for (size_t i = 0; i < match.matched; i++)
            delays_ns[i] = llabs(delays_ns[i] - match.delay_ns);
        qsort(delays_ns, match.matched, sizeof *delays_ns, by_delay);
        match.spread_ns = delays_ns[match.matched / 2];
    }
    return match;
}

static bool same_identifier(const struct side *a, const struct side *b)
{
    return a->frame->stream->key.id == b->frame->stream->key.id &&
           a->frame->stream->key.extended == b->frame->stream->key.extended;
}

static bool is_match(const struct side *from, const struct side *to, const struct match *match)
{
    int64_t period_ns = to->frame->stream->timing.period_ns;
    int64_t spread_ns = (int64_t)(SPREAD_MOST * (double)period_ns);
    size_t least = same_identifier(from, to) ? DISTINCT_SAME : DISTINCT_ANY;
    return match->matched >= MATCHES_LEAST && match->distinct >= least &&
           (double)match->matched >= SHARE_LEAST * (double)match->tried &&
           match->spread_ns <= (spread_ns > SPREAD_NS ? spread_ns : SPREAD_NS);
}

static void note_copy(struct copies *copies, size_t from, size_t to, const struct match *match)
{
    struct lt_survey_frame *frame = copies->sides[to].frame;
    double delay_s = (double)match->delay_ns / 1e9;
    /* Of several that it copies, the earliest: the others are copies themselves. */
    if (frame->copy_of && frame->copy_delay_s >= delay_s)
        return;
    frame->copy_of = (unsigned)(from + 1);
    frame->copy_delay_s = delay_s;
}

/* Which of the two is the copy: the one whose contents all stand in the other (a gateway may leave
 * frames out); where that holds both ways, the later. */
static void compare_sides(struct copies *copies, size_t a, size_t b)
{
    struct side *x = &copies->sides[a], *y = &copies->sides[b];
    struct match in_x = match_sides(copies, x, y), in_y = match_sides(copies, y, x);
    bool y_copies = is_match(x, y, &in_x), x_copies = is_match(y, x, &in_y);
    if (y_copies && x_copies) {
        y_copies = in_x.delay_ns >= 0;
        x_copies = !y_copies;
    }
    if (y_copies)
        note_copy(copies, a, b, &in_x);
    if (x_copies)
        note_copy(copies, b, a, &in_y);
}

/* --- which two --- */

static bool worth_it(const struct side *side)
{
    return side->count >= MATCHES_LEAST;
}

/* The same identifier on two buses; streams are in the order bus, extended, id. */
static void compare_same_identifiers(struct copies *copies, size_t index)
{
    const struct lt_survey *survey = copies->work->survey;
    const struct lt_stream_key *key = &survey->frames[index].stream->key;
    for (size_t i = index + 1; i < survey->frame_count; i++) {
        const struct lt_stream_key *other = &survey->frames[i].stream->key;
        if (other->bus == key->bus || other->id != key->id || other->extended != key->extended ||
            other->length != key->length || !worth_it(&copies->sides[i]))
            continue;
        compare_sides(copies, index, i);
    }
}

struct entry {
    uint64_t hash;
    uint32_t side;
};

static int by_hash(const void *a, const void *b)
{
    const struct entry *x = a, *y = b;
    if (x->hash != y->hash)
        return x->hash < y->hash ? -1 : 1;
    return x->side < y->side ? -1 : x->side > y->side;
}

struct meeting {
    uint32_t a, b;
};

static int by_sides(const void *a, const void *b)
{
    const struct meeting *x = a, *y = b;
    if (x->a != y->a)
        return x->a < y->a ? -1 : 1;
    return x->b < y->b ? -1 : x->b > y->b;
}

static struct entry *list_contents(struct copies *copies, size_t *ret_count)
{
    size_t frames = copies->work->survey->frame_count, count = 0;
    struct entry *entries = lt_arena_array(copies->work->scratch, frames * SKETCH, sizeof *entries);
    for (size_t i = 0; i < frames && entries; i++)
        for (size_t k = 0; k < copies->sides[i].sketch_count && worth_it(&copies->sides[i]); k++)
            entries[count++] = (struct entry){copies->sides[i].sketch[k], (uint32_t)i};
    if (entries && count)
        qsort(entries, count, sizeof *entries, by_hash);
    *ret_count = count;
    return entries;
}

static bool add_meetings(struct copies *copies, const struct entry *entries, size_t count,
                         struct meeting **list, size_t *list_count, size_t *room)
{
    for (size_t i = 0; i < count && count <= SHARED_BY; i++) {
        for (size_t k = i + 1; k < count; k++) {
            struct meeting *meeting =
                lt_arena_push(copies->work->scratch, list, list_count, room, sizeof *meeting);
            if (!meeting)
                return false;
            *meeting = (struct meeting){entries[i].side, entries[k].side};
        }
    }
    return true;
}

static void compare_meetings(struct copies *copies, const struct meeting *list, size_t count)
{
    for (size_t i = 0, end; i < count; i = end) {
        for (end = i; end < count && by_sides(&list[i], &list[end]) == 0;)
            end++;
        const struct side *a = &copies->sides[list[i].a], *b = &copies->sides[list[i].b];
        bool seen = same_identifier(a, b) && a->frame->stream->key.bus != b->frame->stream->key.bus;
        if (end - i >= SHARED_LEAST && !seen &&
            a->frame->stream->key.length == b->frame->stream->key.length)
            compare_sides(copies, list[i].a, list[i].b);
    }
}

/* Frames of any identifiers whose sketches share contents. */
static bool compare_alike(struct copies *copies)
{
    struct meeting *list = NULL;
    size_t count, list_count = 0, room = 0;
    struct entry *entries = list_contents(copies, &count);
    if (!entries)
        return false;
    for (size_t i = 0, end; i < count; i = end) {
        for (end = i; end < count && entries[end].hash == entries[i].hash;)
            end++;
        if (!add_meetings(copies, &entries[i], end - i, &list, &list_count, &room))
            return false;
    }
    if (list_count)
        qsort(list, list_count, sizeof *list, by_sides);
    compare_meetings(copies, list, list_count);
    return true;
}

static bool read_sides(struct copies *copies)
{
    struct lt_survey *survey = copies->work->survey;
    size_t most = EVENTS_ALL / (survey->frame_count + 1);
    most = most < EVENTS_LEAST ? EVENTS_LEAST : most;
    copies->events_most = most < EVENTS_MOST ? most : EVENTS_MOST;
    copies->sides =
        lt_arena_array(copies->work->scratch, survey->frame_count, sizeof *copies->sides);
    copies->delays_ns =
        lt_arena_array(copies->work->scratch, EVENTS_MOST, sizeof *copies->delays_ns);
    bool fine = copies->sides && copies->delays_ns;
    for (size_t i = 0; i < survey->frame_count && fine; i++) {
        copies->sides[i] = (struct side){.frame = &survey->frames[i]};
        if (!survey->frames[i].diagnostic)
            fine = read_side(copies, &copies->sides[i]);
    }
    return fine;
}

enum lt_code survey_copies(struct survey_work *work)
{
    struct copies copies = {.work = work};
    bool fine = read_sides(&copies);
    for (size_t i = 0; i < work->survey->frame_count && fine && work->survey->bus_count > 1; i++)
        if (worth_it(&copies.sides[i]))
            compare_same_identifiers(&copies, i);
    fine = fine && compare_alike(&copies);
    return fine ? LT_OK : lt_fail(work->error, LT_E_MEMORY, "out of memory for copies of frames");
}
