/* Life of a proof under way, and its thresholds (loomtap/prove/prove.h). */
#include <stdlib.h>
#include <string.h>

#include "loomtap/proto/j1939.h"
#include "prove/inside.h"

#define ARENA_CEILING ((size_t)64 << 20)

static void note_unknown_key(const struct lt_profile *profile, const struct lt_text_pair *pair,
                             struct lt_faults *notes)
{
    struct lt_error error;
    lt_fail(&error, LT_E_UNKNOWN, "[prove]: `%s` is no threshold", pair->key);
    lt_error_at(&error, profile->files[pair->place.file], pair->place.line, pair->place.column);
    lt_error_advise(&error, "docs/claims.md lists them");
    error.severity = LT_SEVERITY_WARNING;
    if (notes)
        lt_faults_add(notes, &error);
}

/* "5", "0.5", "5 %": the unit of the table may be written, no other. */
static bool parse_limit(struct lt_text text, const char *unit, double *ret_value)
{
    size_t len = strlen(unit);
    if (text.len > len && memcmp(text.at + text.len - len, unit, len) == 0 &&
        strcmp(unit, "1") != 0) {
        text.len -= len;
        text = lt_text_trim(text);
    }
    return lt_parse_f64(text, ret_value) && *ret_value >= 0;
}

static enum lt_code take_limits(struct lt_prove *prove, struct lt_faults *notes,
                                struct lt_error *error)
{
    const struct lt_profile *profile = prove->profile;
    for (unsigned i = 0; i < LT_LIMIT_COUNT; i++)
        prove->limit[i] = lt_threshold(i)->usual;
    for (size_t i = 0; i < profile->prove_count; i++) {
        const struct lt_text_pair *pair = &profile->prove[i];
        unsigned at = 0;
        while (at < LT_LIMIT_COUNT && strcmp(lt_threshold(at)->key, pair->key) != 0)
            at++;
        if (at == LT_LIMIT_COUNT) {
            note_unknown_key(profile, pair, notes);
            continue;
        }
        prove->limit_set[at] = true;
        if (parse_limit(lt_text_of(pair->value), lt_threshold(at)->unit, &prove->limit[at]))
            continue;
        lt_fail(error, LT_E_RANGE, "[prove]: %s = `%s` is no number from 0 up", pair->key,
                pair->value);
        lt_error_at(error, profile->files[pair->place.file], pair->place.line, 1);
        lt_error_advise(error, "its unit is %s; see docs/claims.md", lt_threshold(at)->unit);
        return LT_E_RANGE;
    }
    return LT_OK;
}

static enum lt_code make_watches(struct lt_prove *prove, struct lt_error *error)
{
    const struct lt_profile *profile = prove->profile;
    prove->frames = lt_arena_array(&prove->arena, profile->frame_count, sizeof *prove->frames);
    prove->signals = lt_arena_array(&prove->arena, profile->signal_count, sizeof *prove->signals);
    prove->buses = lt_arena_array(&prove->arena, profile->bus_count + 1, sizeof *prove->buses);
    if (!prove->frames || !prove->signals || !prove->buses)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    for (unsigned i = 0; i <= LT_FRAME_MAX; i++)
        for (unsigned extended = 0; extended < 2; extended++)
            prove->frame_bits[extended][i] = (uint16_t)lt_frame_bits_max((uint8_t)i, extended);
    for (uint32_t i = 0; i < profile->frame_count; i++)
        frame_watch_init(prove, i);
    for (uint32_t i = 0; i < profile->signal_count; i++)
        if (!signal_watch_init(prove, i, error))
            return LT_E_MEMORY;
    return LT_OK;
}

enum lt_code lt_prove_new(struct lt_prove **ret_prove, const struct lt_profile *profile,
                          struct lt_faults *notes, struct lt_error *error)
{
    struct lt_prove *prove = calloc(1, sizeof *prove);
    if (!prove)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    prove->profile = profile;
    /* A profile of nothing is read for others. */
    prove->has_transport = needs_transport(profile);
    prove->wants_calibrations = lists_calibrations(profile) || !profile->frame_count;
    lt_arena_init(&prove->arena, ARENA_CEILING);
    enum lt_code code = take_limits(prove, notes, error);
    if (code == LT_OK)
        code = make_watches(prove, error);
    if (code != LT_OK) {
        lt_prove_free(prove);
        return code;
    }
    *ret_prove = prove;
    return LT_OK;
}

void lt_prove_free(struct lt_prove *prove)
{
    if (!prove)
        return;
    for (size_t i = 0; prove->frames && i < prove->profile->frame_count; i++)
        lt_timing_counts_release(&prove->frames[i].timing);
    for (size_t i = 0; prove->signals && i < prove->profile->signal_count; i++)
        samples_release(&prove->signals[i].samples);
    for (size_t i = 0; i < LT_BUSES_MAX; i++) {
        lt_obd_free(prove->obd[i]);
        lt_j1939_free(prove->j1939[i]);
    }
    lt_plan_free(prove->plan);
    lt_arena_release(&prove->arena);
    free(prove);
}

const struct bus_watch *bus_of(const struct lt_prove *prove, const struct lt_frame_def *def)
{
    return &prove->buses[def->bus == LT_NONE ? prove->profile->bus_count : def->bus];
}
