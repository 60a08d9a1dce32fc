/* A signal that a profile knows, as a reference: its copies are wanted. See
 * loomtap/seek/reference.h. */
#include <math.h>

#include "loomtap/core/value.h"
#include "loomtap/measure/collect.h"
#include "loomtap/seek/reference.h"
#include "seek/reference_inside.h"

#define MS_NS INT64_C(1000000)
/* A gateway's copy comes later, and the copy may be what was found first. */
#define COPY_LAG_NS (1000 * MS_NS)

static enum lt_code refuse(struct lt_error *error, enum lt_code code, const char *signal,
                           const char *what, const char *advice)
{
    lt_fail(error, code, "`%s` %s", signal, what);
    lt_error_advise(error, "%s", advice);
    return code;
}

static bool has_identifier(const struct lt_frame_def *def, const struct lt_stream_key *key)
{
    if (!def->is_pgn)
        return def->id == key->id && def->extended == key->extended;
    uint32_t pf = key->id >> 16 & 0xFF;
    uint32_t pgn = key->id >> 8 & (pf < 240 ? 0x3FF00u : 0x3FFFFu); /* SAE J1939-21: PDU1, PDU2 */
    return key->extended && pgn == def->pgn &&
           (def->source == LT_NONE || def->source == (key->id & 0xFF));
}

static const struct lt_stream *find_stream(const struct lt_collect *collect,
                                           const struct lt_frame_def *def,
                                           const struct lt_bits *bits, uint32_t bus)
{
    const struct lt_stream *best = NULL;
    for (size_t i = 0; i < lt_collect_count(collect); i++) {
        const struct lt_stream *stream = lt_collect_stream(collect, i);
        if (!has_identifier(def, &stream->key) || (bus != LT_NONE && stream->key.bus != bus) ||
            stream->key.length < lt_bits_bytes(bits))
            continue;
        if (!best || stream->kept.count > best->kept.count)
            best = stream;
    }
    return best;
}

/* Is the signal's page there in this row, and so its selectors' own? (The loader refuses circles.)
 * The frame plan's rule needs a frame's room, and rows are shorter. */
static bool on_page(const struct lt_profile *profile, const struct lt_signal_def *def,
                    const uint8_t *row, unsigned length)
{
    for (size_t c = 0; c < def->page_count; c++) {
        const struct lt_page_clause *clause = &def->page[c];
        const struct lt_signal_def *selector = &profile->signals[clause->selector];
        bool holds = false;
        if (lt_bits_bytes(&selector->bits) > length)
            return false;
        uint64_t value = lt_bits_get(row, &selector->bits);
        for (unsigned r = 0; r < clause->ranges; r++)
            holds = holds || (value >= clause->range[r].first && value <= clause->range[r].last);
        if (!holds || !on_page(profile, selector, row, length))
            return false;
    }
    return true;
}

struct values {
    int64_t *time_ns;
    double *value;
    size_t count;
};

static enum lt_code take_values(const struct lt_profile *profile, const struct lt_scaler *scaler,
                                const struct lt_stream *stream, struct lt_arena *arena,
                                struct values *ret_values, struct lt_error *error)
{
    const struct lt_kept *kept = &stream->kept;
    struct values values = {.time_ns = lt_arena_array(arena, kept->count + 1, sizeof(int64_t)),
                            .value = lt_arena_array(arena, kept->count + 1, sizeof(double))};
    if (!values.time_ns || !values.value)
        return lt_fail(error, LT_E_MEMORY, "no memory for the values of `%s`", scaler->def->name);
    for (size_t i = 0; i < kept->count && values.count < LT_REFERENCE_ROWS_MAX; i++) {
        const uint8_t *row = lt_kept_row(kept, i);
        if (!on_page(profile, scaler->def, row, kept->key.length))
            continue;
        uint64_t raw = lt_bits_get(row, &scaler->def->bits);
        double value = lt_scaler_f64(scaler, raw);
        if (lt_scaler_state(scaler, raw) != LT_STATE_VALUE || !isfinite(value) ||
            (values.count && kept->time_ns[i] < values.time_ns[values.count - 1]))
            continue;
        values.time_ns[values.count] = kept->time_ns[i];
        values.value[values.count++] = value;
    }
    *ret_values = values;
    return LT_OK;
}

static enum lt_code build(const struct lt_profile *profile, const struct lt_scaler *scaler,
                          const struct lt_stream *stream, struct lt_arena *arena,
                          struct lt_reference *ret_reference, struct lt_error *error)
{
    const struct lt_signal_def *def = scaler->def;
    struct values values = {.count = 0};
    char name[160];
    enum lt_code code = take_values(profile, scaler, stream, arena, &values, error);
    if (code != LT_OK)
        return code;
    if (values.count == 0)
        return refuse(error, LT_E_MISSING, def->name, "never had a value in this capture",
                      "record while it is there, or look for another signal");
    lt_text_format(name, sizeof name, "%s of %s", def->name, profile->name);
    struct lt_reference reference = {
        .from = LT_FROM_PROFILE,
        .name = lt_arena_string(arena, name),
        .target = lt_arena_string(arena, def->role ? def->role_name : def->name),
        .role = def->role,
        .unit = lt_arena_string(arena, lt_signal_unit(def)),
        .count = values.count,
        .time_ns = values.time_ns,
        .value = values.value,
        .quantum = reference_step(scaler),
        .lag_low_ns = -COPY_LAG_NS,
        .lag_high_ns = COPY_LAG_NS,
        .bus = stream->key.bus,
        .has_source = true,
        .source = stream->key,
        .source_bits = def->bits,
        .source_has_page = stream->selector.present && def->page_count > 0,
    };
    if (reference.source_has_page)
        reference.source_page = def->page[0].range[0].first;
    if (!reference.name || !reference.target || !reference.unit)
        return lt_fail(error, LT_E_MEMORY, "no memory for the reference `%s`", def->name);
    *ret_reference = reference;
    return LT_OK;
}

enum lt_code lt_reference_from_profile(const struct lt_profile *profile, const char *signal,
                                       uint32_t bus, const struct lt_collect *collect,
                                       struct lt_arena *arena, struct lt_reference *ret_reference,
                                       struct lt_error *error)
{
    uint32_t index = lt_profile_find_signal(profile, lt_text_of(signal));
    if (index == LT_NONE)
        return refuse(error, LT_E_UNKNOWN, signal, "is no signal of the profile",
                      "name one of the profile's signals");
    const struct lt_signal_def *def = &profile->signals[index];
    if (def->frame == LT_NONE)
        return refuse(error, LT_E_CONFLICT, signal, "is a parameter of diagnostics",
                      "its replies are references anyway: leave it out");
    if (def->label_count)
        return refuse(error, LT_E_CONFLICT, signal, "has labels: it is no number",
                      "look for copies of choices with marks");
    const struct lt_stream *stream =
        find_stream(collect, &profile->frames[def->frame], &def->bits, bus);
    if (!stream)
        return refuse(error, LT_E_MISSING, signal, "has no frame in this capture",
                      "check that the capture is of this car and bus");
    struct lt_scaler scaler;
    enum lt_code code = lt_scaler_init(&scaler, profile, index, error);
    if (code != LT_OK)
        return code;
    return build(profile, &scaler, stream, arena, ret_reference, error);
}

bool lt_reference_is_source(const struct lt_reference *reference, const struct lt_stream_key *key,
                            bool has_page, uint64_t page, const struct lt_bits *bits)
{
    const struct lt_stream_key *source = &reference->source;
    if (!reference->has_source || source->id != key->id || source->bus != key->bus ||
        source->extended != key->extended)
        return false;
    if (reference->source_has_page && has_page && reference->source_page != page)
        return false;
    return lt_bits_overlap(&reference->source_bits, bits);
}
