/* Which profile is this car's (loomtap/prove/identify.h): life, the index from identifiers to
 * profiles, and the one pass. Frames come through a proof of an empty profile, which reads as every
 * proof does: time span, threads, diagnostics, calibration ids. */
#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

#include "prove/identify_inside.h"

#define ARENA_CEILING ((size_t)256 << 20)
#define SLOTS         (4 * LT_IDENTIFY_STREAMS_MAX)
#define THREADS_MAX   64

/* --- the index --- */

uint64_t definition_key(uint32_t id, bool extended)
{
    return (uint64_t)extended << 32 | id;
}

static int by_key(const void *a, const void *b)
{
    const struct definition *x = a, *y = b;
    if (x->key != y->key)
        return x->key < y->key ? -1 : 1;
    if (x->profile != y->profile)
        return x->profile < y->profile ? -1 : 1;
    return (x->frame > y->frame) - (x->frame < y->frame);
}

size_t definitions_of(const struct definition *list, size_t count, uint64_t key, size_t *ret_first)
{
    size_t low = 0, high = count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (list[middle].key < key)
            low = middle + 1;
        else
            high = middle;
    }
    *ret_first = low;
    for (high = low; high < count && list[high].key == key; high++)
        ;
    return high - low;
}

static bool make_index(struct lt_identify *identify)
{
    size_t all = 0;
    for (size_t p = 0; p < identify->profile_count; p++)
        all += identify->profiles[p]->frame_count;
    identify->by_id = lt_arena_array(&identify->arena, all, sizeof *identify->by_id);
    identify->by_pgn = lt_arena_array(&identify->arena, all, sizeof *identify->by_pgn);
    if (!identify->by_id || !identify->by_pgn)
        return false;
    for (uint32_t p = 0; p < identify->profile_count; p++)
        for (uint32_t f = 0; f < identify->profiles[p]->frame_count; f++) {
            const struct lt_frame_def *def = &identify->profiles[p]->frames[f];
            if (def->is_pgn)
                identify->by_pgn[identify->pgn_count++] =
                    (struct definition){lt_plan_pgn(def->pgn << 8), p, f};
            else
                identify->by_id[identify->id_count++] =
                    (struct definition){definition_key(def->id, def->extended), p, f};
        }
    qsort(identify->by_id, identify->id_count, sizeof *identify->by_id, by_key);
    qsort(identify->by_pgn, identify->pgn_count, sizeof *identify->by_pgn, by_key);
    return true;
}

/* --- life --- */

static enum lt_code make(struct lt_identify *identify, struct lt_error *error)
{
    identify->nothing = lt_arena_alloc(&identify->arena, sizeof *identify->nothing);
    identify->streams =
        lt_arena_array(&identify->arena, LT_IDENTIFY_STREAMS_MAX, sizeof *identify->streams);
    identify->slots = lt_arena_array(&identify->arena, SLOTS, sizeof *identify->slots);
    if (!identify->nothing || !identify->streams || !identify->slots || !make_index(identify))
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    identify->nothing->name = "nothing";
    return lt_prove_new(&identify->whole, identify->nothing, NULL, error);
}

enum lt_code lt_identify_new(struct lt_identify **ret_identify,
                             const struct lt_profile *const *profiles, size_t count,
                             struct lt_error *error)
{
    if (count > LT_IDENTIFY_PROFILES_MAX)
        return lt_fail(error, LT_E_LIMIT, "at most %d profiles are ranked at a time, not %zu",
                       LT_IDENTIFY_PROFILES_MAX, count);
    struct lt_identify *identify = calloc(1, sizeof *identify);
    if (!identify)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    lt_arena_init(&identify->arena, ARENA_CEILING);
    identify->profiles = profiles;
    identify->profile_count = count;
    identify->before_ns = LT_NO_TIME;
    enum lt_code code = make(identify, error);
    if (code != LT_OK) {
        lt_identify_free(identify);
        return code;
    }
    *ret_identify = identify;
    return LT_OK;
}

void lt_identify_free(struct lt_identify *identify)
{
    if (!identify)
        return;
    for (size_t i = 0; i < identify->stream_count; i++)
        stream_release(&identify->streams[i]);
    lt_prove_free(identify->whole);
    lt_arena_release(&identify->arena);
    free(identify);
}

/* --- the pass --- */

static uint16_t *slot_of(struct lt_identify *identify, const struct lt_frame *frame)
{
    bool extended = lt_frame_has(frame, LT_FRAME_EXTENDED);
    uint32_t key = frame->id ^ (uint32_t)frame->bus << 11 ^ (extended ? UINT32_C(1) << 30 : 0);
    uint32_t at = key * UINT32_C(2654435761) >> 16 & (SLOTS - 1);
    for (; identify->slots[at]; at = (at + 1) & (SLOTS - 1)) {
        const struct stream *stream = &identify->streams[identify->slots[at] - 1u];
        if (stream->id == frame->id && stream->bus == frame->bus && stream->extended == extended)
            break;
    }
    return &identify->slots[at];
}

/* NULL: past the ceiling, or an error. */
static struct stream *stream_of(struct lt_identify *identify, const struct lt_frame *frame,
                                enum lt_code *ret_code, struct lt_error *error)
{
    uint16_t *slot = slot_of(identify, frame);
    if (*slot)
        return &identify->streams[*slot - 1u];
    if (identify->stream_count == LT_IDENTIFY_STREAMS_MAX) {
        identify->unwatched++;
        return NULL;
    }
    struct stream *stream = &identify->streams[identify->stream_count];
    *ret_code = stream_make(stream, identify, frame, error);
    *slot = (uint16_t)++identify->stream_count; /* also a broken one: it has to be released */
    return *ret_code == LT_OK ? stream : NULL;
}

static void close_buses(struct lt_identify *identify)
{
    for (size_t i = 0; i < LT_BUSES_MAX; i++) {
        struct capture_bus *bus = &identify->buses[i];
        bus->frames += bus->live.frames;
        bus->bits_max += bus->live.bits_max;
        bus->alive_ns += live_bus_alive_ns(&bus->live);
        bus->live = (struct live_bus){0};
    }
}

/* The next frame follows no other. */
static void break_all(struct lt_identify *identify)
{
    for (size_t i = 0; i < identify->stream_count; i++)
        stream_break(&identify->streams[i]);
    close_buses(identify);
    identify->before_ns = LT_NO_TIME;
}

static void take_place(struct lt_identify *identify, const struct lt_frame *frame)
{
    bool file = frame->number < identify->number;
    identify->capture += file;
    if (file || is_clock_step(identify->before_ns, frame->time_ns))
        break_all(identify);
    identify->number = frame->number;
    if (frame->time_ns != LT_NO_TIME)
        identify->before_ns = frame->time_ns;
}

static enum lt_code take(void *context, const struct lt_frame *frame, struct lt_error *error)
{
    struct lt_identify *identify = context;
    const struct lt_prove_reading *reading = identify->reading;
    enum lt_code code = LT_OK;
    uint32_t partner;
    take_place(identify, frame);
    identify->frames++;
    if (reading->tap)
        code = reading->tap(reading->context, frame, error);
    if (code != LT_OK || (frame->flags & (LT_FRAME_ERROR | LT_FRAME_REMOTE)))
        return code;
    struct live_bus *live = &identify->buses[frame->bus].live;
    if (lt_obd_classify(frame, &partner) == LT_OBD_NOT)
        live_bus_take(live, frame);
    struct stream *stream = stream_of(identify, frame, &code, error);
    if (!stream)
        return code;
    stream->captures |= UINT64_C(1) << (identify->capture < 63 ? identify->capture : 63);
    stream_take(stream, frame, live->quiet_ns);
    if (stream->prove && stream->prove->failed_memory)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    return LT_OK;
}

static bool keep_names(struct lt_identify *identify, const struct lt_reader *reader)
{
    identify->bus_count = lt_reader_bus_count(reader);
    for (size_t i = 0; i < identify->bus_count; i++) {
        identify->buses[i].name = lt_arena_string(&identify->arena, lt_reader_bus_name(reader, i));
        if (!identify->buses[i].name)
            return false;
    }
    return true;
}

enum lt_code lt_identify_read(struct lt_identify *identify, struct lt_reader *reader,
                              const struct lt_prove_reading *reading, struct lt_error *error)
{
    struct lt_prove_reading mine = {.from = reading->from,
                                    .to = reading->to,
                                    .threads = reading->threads,
                                    .tap = take,
                                    .context = identify};
    identify->reading = reading;
    enum lt_code code = lt_prove_read(identify->whole, reader, &mine, NULL, error);
    break_all(identify);
    identify->reading = NULL;
    if (!keep_names(identify, reader))
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    return code;
}

/* --- all profiles --- */

struct work {
    const struct lt_identify *identify;
    const struct lt_identify_given *given;
    struct identify_judged *judged;
    atomic_size_t next;
};

static void *judge_some(void *context)
{
    struct work *work = context;
    size_t at;
    while ((at = atomic_fetch_add(&work->next, 1)) < work->identify->profile_count)
        identify_judge(work->identify, work->given, (uint32_t)at, &work->judged[at]);
    return NULL;
}

/* A thread that cannot be had leaves its work to the others. */
static void judge_all(struct work *work)
{
    pthread_t threads[THREADS_MAX];
    size_t count = 0, wanted = work->given->threads;
    wanted = wanted > THREADS_MAX ? THREADS_MAX : wanted;
    while (count + 1 < wanted && pthread_create(&threads[count], NULL, judge_some, work) == 0)
        count++;
    judge_some(work);
    while (count)
        pthread_join(threads[--count], NULL);
}

static enum lt_code check_said(const struct lt_identify *identify,
                               const struct lt_identify_given *given, struct lt_error *error)
{
    for (size_t i = 0; i < given->said_count; i++) {
        bool known = false;
        for (size_t p = 0; p < identify->profile_count; p++)
            known |=
                lt_profile_find_bus(identify->profiles[p], given->said[i].profile_bus) != LT_NONE;
        if (!known)
            return lt_fail(error, LT_E_UNKNOWN, "--bus: no profile has a bus `%.*s`",
                           LT_TEXT_ARG(given->said[i].profile_bus));
    }
    return LT_OK;
}

enum lt_code lt_identify_finish(struct lt_identify *identify, const struct lt_identify_given *given,
                                struct lt_arena *arena, struct lt_identification **ret_result,
                                struct lt_error *error)
{
    struct work work = {.identify = identify, .given = given};
    enum lt_code code = check_said(identify, given, error);
    if (code != LT_OK)
        return code;
    struct lt_identification *result = lt_arena_alloc(arena, sizeof *result);
    work.judged = calloc(identify->profile_count + 1, sizeof *work.judged);
    bool fine = result && work.judged;
    for (size_t i = 0; fine && i < identify->stream_count; i++)
        fine = stream_settle(&identify->streams[i]);
    if (fine) {
        judge_all(&work);
        code = identify_rank(identify, work.judged, arena, result, error);
    } else {
        code = lt_fail(error, LT_E_MEMORY, "out of memory");
    }
    for (size_t i = 0; work.judged && i < identify->profile_count; i++)
        lt_arena_release(&work.judged[i].arena);
    free(work.judged);
    if (code == LT_OK)
        *ret_result = result;
    return code;
}
