/* One profile among many: which of the capture's buses are its own, and the figures of its frames
 * put together as a proof wants them. Runs in several threads at a time: nothing here is written
 * but what belongs to the profile. */
#include <stdlib.h>
#include <string.h>

#include "prove/identify_inside.h"

#define PROFILE_CEILING ((size_t)256 << 20)

/* --- buses: by content first, since a recording's names are of whoever recorded it --- */

struct match {
    const struct lt_identify *identify;
    const struct lt_profile *profile;
    uint32_t number; /* of the profile */
    uint32_t *hits;  /* [bus of the profile][bus of the capture]: identifiers that are there */
    uint32_t *capture_bus;
    bool *done;
    bool taken[LT_BUSES_MAX];
};

/* The first of a stream's owners that is this profile's, and how many follow. */
static size_t owners_of(const struct stream *stream, uint32_t profile, const struct owner **ret_own)
{
    size_t low = 0, high = stream->owner_count, end;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (stream->owners[middle].profile < profile)
            low = middle + 1;
        else
            high = middle;
    }
    for (end = low; end < stream->owner_count && stream->owners[end].profile == profile; end++)
        ;
    *ret_own = stream->owners + low;
    return end - low;
}

static void count_hits(struct match *match)
{
    for (size_t i = 0; i < match->identify->stream_count; i++) {
        const struct stream *stream = &match->identify->streams[i];
        const struct owner *own;
        size_t count = owners_of(stream, match->number, &own);
        for (size_t k = 0; k < count; k++) {
            uint32_t bus = match->profile->frames[own[k].frame].bus;
            if (bus != LT_NONE)
                match->hits[bus * LT_BUSES_MAX + stream->bus]++;
        }
    }
}

static uint32_t bus_called(const struct lt_identify *identify, struct lt_text name)
{
    for (uint32_t i = 0; i < identify->bus_count; i++)
        if (lt_text_is(name, identify->buses[i].name))
            return i;
    return LT_NONE;
}

static uint32_t interface_of(const struct match *match, uint32_t bus)
{
    const char *name = match->profile->buses[bus].interface;
    return name ? bus_called(match->identify, lt_text_of(name)) : LT_NONE;
}

static void bind(struct match *match, uint32_t bus, uint32_t capture_bus)
{
    match->capture_bus[bus] = capture_bus;
    match->done[bus] = true;
    if (capture_bus != LT_NONE)
        match->taken[capture_bus] = true;
}

static void bind_said(struct match *match, const struct lt_identify_given *given)
{
    for (size_t i = 0; i < given->said_count; i++) {
        uint32_t bus = lt_profile_find_bus(match->profile, given->said[i].profile_bus);
        if (bus != LT_NONE)
            bind(match, bus, bus_called(match->identify, given->said[i].capture_bus));
    }
}

/* The pair with most identifiers in common; among equals the one whose names agree. */
static bool bind_best(struct match *match)
{
    uint32_t best_bus = LT_NONE, best = 0, most = 0;
    bool best_named = false;
    for (uint32_t b = 0; b < match->profile->bus_count; b++)
        for (uint32_t c = 0; !match->done[b] && c < match->identify->bus_count; c++) {
            uint32_t hits = match->hits[b * LT_BUSES_MAX + c];
            bool named = interface_of(match, b) == c;
            if (match->taken[c] || !hits || hits < most || (hits == most && (best_named || !named)))
                continue;
            best_bus = b;
            best = c;
            most = hits;
            best_named = named;
        }
    if (best_bus != LT_NONE)
        bind(match, best_bus, best);
    return best_bus != LT_NONE;
}

static void bind_rest(struct match *match)
{
    for (uint32_t b = 0; b < match->profile->bus_count; b++) {
        uint32_t named = match->done[b] ? LT_NONE : interface_of(match, b);
        if (named != LT_NONE && !match->taken[named])
            bind(match, b, named);
    }
    for (uint32_t b = 0; b < match->profile->bus_count; b++)
        if (!match->done[b] && match->identify->bus_count == 1 && !match->taken[0])
            bind(match, b, 0);
}

static bool bind_buses(struct match *match, const struct lt_identify_given *given,
                       struct lt_arena *arena)
{
    size_t count = match->profile->bus_count;
    match->hits = lt_arena_array(arena, count * LT_BUSES_MAX, sizeof *match->hits);
    match->capture_bus = lt_arena_array(arena, count, sizeof *match->capture_bus);
    match->done = lt_arena_array(arena, count, sizeof *match->done);
    if (!match->hits || !match->capture_bus || !match->done)
        return false;
    for (size_t b = 0; b < count; b++)
        match->capture_bus[b] = LT_NONE;
    count_hits(match);
    bind_said(match, given);
    while (bind_best(match))
        ;
    bind_rest(match);
    return true;
}

/* --- figures --- */

static bool is_on_its_bus(const struct match *match, const struct stream *stream, uint32_t frame)
{
    uint32_t bus = match->profile->frames[frame].bus;
    return bus == LT_NONE || match->capture_bus[bus] == stream->bus;
}

/* The names, labels and texts are the profile's own; all else is the same. */
static void take_signals(struct lt_prove *view, const struct stream *stream, uint32_t frame,
                         uint32_t unit)
{
    uint32_t at = stream->units[unit].first_signal;
    for (uint32_t i = 0; i < view->profile->signal_count; i++) {
        const struct lt_signal_def *def = &view->profile->signals[i];
        if (def->frame != frame)
            continue;
        view->signals[i] = stream->prove->signals[at++];
        view->signals[i].def = def;
        view->signals[i].scaler.def = def;
    }
}

/* Of several senders of a PGN, or buses, the one that is there most. */
static bool take_frames(struct lt_prove *view, const struct match *match, uint8_t *claimed)
{
    const struct stream **chosen =
        lt_arena_array(&view->arena, view->profile->frame_count, sizeof *chosen);
    if (!chosen)
        return false;
    for (size_t i = 0; i < match->identify->stream_count; i++) {
        const struct stream *stream = &match->identify->streams[i];
        const struct owner *own;
        size_t count = owners_of(stream, match->number, &own);
        for (size_t k = 0; k < count; k++) {
            uint32_t f = own[k].frame;
            if (!is_on_its_bus(match, stream, f))
                continue;
            claimed[i] = 1;
            if (chosen[f] && chosen[f]->count >= stream->count)
                continue;
            chosen[f] = stream;
            view->frames[f] = stream->prove->frames[own[k].unit];
            view->frames[f].def = &view->profile->frames[f];
            take_signals(view, stream, f, own[k].unit);
        }
    }
    return true;
}

static void take_buses(struct lt_prove *view, const struct match *match)
{
    struct bus_watch *any = &view->buses[view->profile->bus_count];
    for (uint32_t c = 0; c < match->identify->bus_count; c++) {
        const struct capture_bus *bus = &match->identify->buses[c];
        const struct bus_watch seen = {bus->frames > 0, bus->frames, bus->bits_max, bus->alive_ns,
                                       c};
        any->bound |= seen.bound;
        any->frames += seen.frames;
        any->bits_max += seen.bits_max;
        any->alive_ns += seen.alive_ns;
        for (size_t b = 0; b < view->profile->bus_count; b++)
            if (match->capture_bus[b] == c)
                view->buses[b] = seen;
    }
}

static void take_calibrations(struct lt_prove *view, const struct lt_prove *whole)
{
    memcpy(view->calibrations, whole->calibrations, sizeof view->calibrations);
    view->calibration_count = whole->calibration_count;
}

/* What is lent goes back, before the proof frees what it has. */
static void give_back(struct lt_prove *view, const struct lt_profile *profile)
{
    for (size_t i = 0; view && i < profile->frame_count; i++)
        view->frames[i].timing = (struct lt_timing_counts){.count = 0};
    for (size_t i = 0; view && i < profile->signal_count; i++)
        view->signals[i].samples = (struct samples){.count = 0};
    lt_prove_free(view);
}

static enum lt_code prove_one(const struct lt_identify *identify,
                              const struct lt_identify_given *given, struct match *match,
                              struct lt_prove *view, struct identify_judged *judged)
{
    const struct lt_prove_given references = {.references = given->references,
                                              .reference_count = given->reference_count};
    struct lt_proof *proof;
    judged->claimed = lt_arena_array(&judged->arena, identify->stream_count + 1, 1);
    if (!judged->claimed || !bind_buses(match, given, &judged->arena) ||
        !take_frames(view, match, judged->claimed))
        return lt_fail(&judged->error, LT_E_MEMORY, "out of memory");
    judged->capture_bus = match->capture_bus;
    take_buses(view, match);
    take_calibrations(view, identify->whole);
    enum lt_code code = lt_prove_finish(view, &references, &judged->arena, &proof, &judged->error);
    if (code == LT_OK)
        identify_weigh(identify, match->profile, proof, judged);
    return code;
}

/* Its [prove] section cannot be used: that is against it, and no reason to leave the others. */
static enum lt_code refuse(const struct lt_identify *identify, struct identify_judged *judged)
{
    const char **list = lt_arena_array(&judged->arena, 1, sizeof *list);
    judged->claimed = lt_arena_array(&judged->arena, identify->stream_count + 1, 1);
    if (!list || !judged->claimed ||
        !(list[0] = lt_arena_string(&judged->arena, judged->error.text)))
        return lt_fail(&judged->error, LT_E_MEMORY, "out of memory");
    judged->identity.misfits = list;
    judged->identity.misfit_count = 1;
    return LT_OK;
}

void identify_judge(const struct lt_identify *identify, const struct lt_identify_given *given,
                    uint32_t profile, struct identify_judged *judged)
{
    struct match match = {
        .identify = identify, .profile = identify->profiles[profile], .number = profile};
    struct lt_prove *view = NULL;
    lt_arena_init(&judged->arena, PROFILE_CEILING);
    judged->identity.profile = profile;
    judged->identity.name = match.profile->name;
    judged->identity.title = match.profile->title;
    judged->code = lt_prove_new(&view, match.profile, NULL, &judged->error);
    if (judged->code == LT_OK)
        judged->code = prove_one(identify, given, &match, view, judged);
    else if (judged->code == LT_E_RANGE)
        judged->code = refuse(identify, judged);
    give_back(view, match.profile);
}
