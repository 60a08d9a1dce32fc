/* One identifier on one bus of the capture, and what the profiles say of it.
 *
 * When it comes for the first time, every profile's frame with that identifier is looked up. Frames
 * that are defined alike (length, period, counter, checksums, all signals) are one unit, whatever
 * they are called: a folder of variants has few. The units make a small profile that is proven on
 * this identifier alone. */
#include <stdlib.h>
#include <string.h>

#include "prove/identify_inside.h"

#define STREAM_CEILING ((size_t)64 << 20)

/* --- what the figures depend on, as bytes --- */

struct key {
    struct lt_buf bytes;
    const struct lt_profile *profile;
    const uint32_t *signals; /* of the frame */
    size_t signal_count;
};

static void put(struct key *key, uint64_t value)
{
    uint8_t bytes[8];
    for (unsigned i = 0; i < 8; i++)
        bytes[i] = (uint8_t)(value >> 8 * i);
    lt_buf_add(&key->bytes, bytes, sizeof bytes);
}

static void put_ratio(struct key *key, struct lt_ratio ratio)
{
    put(key, (uint64_t)ratio.num);
    put(key, (uint64_t)ratio.den);
}

static void put_bits(struct key *key, const struct lt_bits *bits)
{
    put(key, bits->parts);
    for (unsigned i = 0; i < bits->parts; i++)
        put(key, (uint64_t)bits->part[i].msb << 16 | bits->part[i].lsb);
}

static void put_ranges(struct key *key, const struct lt_raw_range *ranges, size_t count)
{
    put(key, count);
    for (size_t i = 0; i < count; i++) {
        put(key, ranges[i].first);
        put(key, ranges[i].last);
    }
}

static void put_checksum(struct key *key, const struct lt_checksum *checksum)
{
    char text[600];
    size_t len = lt_checksum_print(checksum, text, sizeof text);
    put(key, len);
    lt_buf_add(&key->bytes, text, len < sizeof text ? len : sizeof text);
    if (checksum->affine) {
        put(key, checksum->affine->constant);
        lt_buf_add(&key->bytes, checksum->affine->column, sizeof checksum->affine->column);
    }
}

static void put_frame(struct key *key, const struct lt_frame_def *def)
{
    put(key, def->length);
    put(key, (uint64_t)def->period_ns);
    put(key, (uint64_t)def->is_pgn << 1 | (def->direction == LT_SEND));
    put(key, def->counter.present);
    if (def->counter.present) {
        put_bits(key, &def->counter.bits);
        put(key, (uint64_t)def->counter.modulus << 32 | def->counter.step);
    }
    put(key, def->checksum_count);
    for (size_t i = 0; i < def->checksum_count; i++)
        put_checksum(key, &def->checksums[i]);
}

/* By its place among the frame's signals. */
static uint32_t place_of(const struct key *key, uint32_t signal)
{
    uint32_t at = 0;
    while (at < key->signal_count && key->signals[at] != signal)
        at++;
    return at;
}

static void put_codes(struct key *key, const struct lt_signal_def *def)
{
    put_ranges(key, def->unavailable, def->unavailable_count);
    put_ranges(key, def->error, def->error_count);
    put(key, def->label_count);
    for (size_t i = 0; i < def->label_count; i++)
        put(key, def->labels[i].raw);
    put(key, def->page_count);
    for (size_t i = 0; i < def->page_count; i++) {
        put(key, place_of(key, def->page[i].selector));
        put_ranges(key, def->page[i].range, def->page[i].ranges);
    }
}

static void put_law(struct key *key, const struct lt_signal_def *def)
{
    put(key, (uint64_t)def->sign << 8 | (uint64_t)def->form);
    put_ratio(key, def->scale);
    put_ratio(key, def->offset);
    put(key, def->form == LT_FORM_CURVE);
    if (def->form == LT_FORM_CURVE && def->curve < key->profile->curve_count) {
        const struct lt_curve_def *curve = &key->profile->curves[def->curve];
        put(key, curve->count);
        for (size_t i = 0; i < curve->count; i++) {
            put_ratio(key, curve->points[i].raw);
            put_ratio(key, curve->points[i].physical);
        }
    }
    put(key, def->has_range);
    if (def->has_range) {
        put_ratio(key, def->range_low);
        put_ratio(key, def->range_high);
    }
    put(key, def->role != NULL);
    if (def->role) {
        put(key, (uint64_t)(uintptr_t)def->role); /* a row of one table, the same for all */
        put_ratio(key, def->role_factor);
        put_ratio(key, def->role_offset);
    }
}

static bool make_key(struct key *key, uint32_t frame)
{
    lt_buf_clear(&key->bytes);
    put_frame(key, &key->profile->frames[frame]);
    put(key, key->signal_count);
    for (size_t i = 0; i < key->signal_count; i++) {
        const struct lt_signal_def *def = &key->profile->signals[key->signals[i]];
        put_bits(key, &def->bits);
        put_law(key, def);
        put_codes(key, def);
    }
    return !key->bytes.failed;
}

/* FNV-1a. */
static uint64_t hash_of(struct lt_text bytes)
{
    uint64_t hash = UINT64_C(14695981039346656037);
    for (size_t i = 0; i < bytes.len; i++)
        hash = (hash ^ (uint8_t)bytes.at[i]) * UINT64_C(1099511628211);
    return hash;
}

/* --- units --- */

static size_t signals_of(const struct lt_profile *profile, uint32_t frame, uint32_t *ret_list)
{
    size_t count = 0;
    for (uint32_t i = 0; i < profile->signal_count; i++)
        if (profile->signals[i].frame == frame)
            ret_list[count++] = i;
    return count;
}

static uint32_t unit_of(struct stream *stream, const struct key *key, uint32_t profile,
                        uint32_t frame)
{
    struct lt_text bytes = lt_buf_text(&key->bytes);
    uint64_t hash = hash_of(bytes);
    for (uint32_t i = 0; i < stream->unit_count; i++) {
        const struct unit *unit = &stream->units[i];
        if (unit->hash == hash && unit->key.len == bytes.len &&
            memcmp(unit->key.at, bytes.at, bytes.len) == 0)
            return i;
    }
    char *kept = lt_arena_text(&stream->arena, bytes);
    if (!kept)
        return LT_NONE;
    stream->units[stream->unit_count] =
        (struct unit){.hash = hash, .key = {kept, bytes.len}, .profile = profile, .frame = frame};
    return (uint32_t)stream->unit_count++;
}

static bool add_owner(struct stream *stream, const struct lt_identify *identify, struct key *key,
                      uint32_t *signals, const struct definition *definition)
{
    key->profile = identify->profiles[definition->profile];
    key->signals = signals;
    key->signal_count = signals_of(key->profile, definition->frame, signals);
    uint32_t unit = make_key(key, definition->frame)
                        ? unit_of(stream, key, definition->profile, definition->frame)
                        : LT_NONE;
    stream->owners[stream->owner_count++] =
        (struct owner){definition->profile, definition->frame, unit};
    return unit != LT_NONE;
}

static int by_owner(const void *a, const void *b)
{
    const struct owner *x = a, *y = b;
    if (x->profile != y->profile)
        return x->profile < y->profile ? -1 : 1;
    return (x->frame > y->frame) - (x->frame < y->frame);
}

static bool answers_source(const struct lt_identify *identify, const struct definition *definition,
                           const struct stream *stream)
{
    const struct lt_frame_def *def =
        &identify->profiles[definition->profile]->frames[definition->frame];
    return def->source == LT_NONE || def->source == (stream->id & 0xFF);
}

static bool find_owners(struct stream *stream, const struct lt_identify *identify)
{
    size_t first, first_pgn = 0, of_pgn = 0;
    size_t of_id = definitions_of(identify->by_id, identify->id_count,
                                  definition_key(stream->id, stream->extended), &first);
    if (stream->extended)
        of_pgn = definitions_of(identify->by_pgn, identify->pgn_count, lt_plan_pgn(stream->id),
                                &first_pgn);
    size_t all = of_id + of_pgn, most = 1;
    for (size_t p = 0; p < identify->profile_count; p++)
        if (identify->profiles[p]->signal_count > most)
            most = identify->profiles[p]->signal_count;
    if (!all)
        return true;
    stream->owners = lt_arena_array(&stream->arena, all, sizeof *stream->owners);
    stream->units = lt_arena_array(&stream->arena, all, sizeof *stream->units);
    uint32_t *signals = malloc(most * sizeof *signals);
    struct key key = {.signals = NULL};
    lt_buf_init(&key.bytes, 0);
    bool fine = stream->owners && stream->units && signals;
    for (size_t i = 0; fine && i < of_id; i++)
        fine = add_owner(stream, identify, &key, signals, &identify->by_id[first + i]);
    for (size_t i = 0; fine && i < of_pgn; i++)
        if (answers_source(identify, &identify->by_pgn[first_pgn + i], stream))
            fine = add_owner(stream, identify, &key, signals, &identify->by_pgn[first_pgn + i]);
    if (fine)
        qsort(stream->owners, stream->owner_count, sizeof *stream->owners, by_owner);
    lt_buf_release(&key.bytes);
    free(signals);
    return fine;
}

const struct owner *stream_owner(const struct stream *stream, uint32_t profile, uint32_t frame)
{
    const struct owner wanted = {.profile = profile, .frame = frame};
    if (!stream->owner_count)
        return NULL;
    return bsearch(&wanted, stream->owners, stream->owner_count, sizeof wanted, by_owner);
}

/* --- the stream's own profile --- */

/* Selectors and curves are named by their places, which are others here. */
static bool copy_signal(struct stream *stream, const struct lt_profile *from, uint32_t signal,
                        const uint32_t *signals, size_t count, uint32_t unit)
{
    struct lt_profile *own = stream->profile;
    uint32_t first = stream->units[unit].first_signal;
    struct lt_signal_def *def = &own->signals[own->signal_count++];
    *def = from->signals[signal];
    def->frame = unit;
    if (def->form == LT_FORM_CURVE && def->curve < from->curve_count) {
        own->curves[own->curve_count] = from->curves[def->curve];
        def->curve = (uint32_t)own->curve_count++;
    }
    struct lt_page_clause *page = lt_arena_array(&stream->arena, def->page_count, sizeof *page);
    if (!page)
        return false;
    for (size_t i = 0; i < def->page_count; i++) {
        page[i] = def->page[i];
        for (size_t k = 0; k < count; k++)
            if (signals[k] == def->page[i].selector)
                page[i].selector = first + (uint32_t)k;
    }
    def->page = page;
    return true;
}

static bool copy_unit(struct stream *stream, const struct lt_identify *identify, uint32_t unit,
                      uint32_t *signals)
{
    struct unit *u = &stream->units[unit];
    const struct lt_profile *from = identify->profiles[u->profile];
    struct lt_frame_def *def = &stream->profile->frames[unit];
    *def = from->frames[u->frame];
    def->bus = LT_NONE;
    u->first_signal = (uint32_t)stream->profile->signal_count;
    size_t count = signals_of(from, u->frame, signals);
    for (size_t i = 0; i < count; i++)
        if (!copy_signal(stream, from, signals[i], signals, count, unit))
            return false;
    return true;
}

static bool make_profile(struct stream *stream, const struct lt_identify *identify)
{
    struct lt_arena *arena = &stream->arena;
    size_t signals = 0, most = 1;
    for (size_t i = 0; i < stream->unit_count; i++) {
        const struct lt_profile *from = identify->profiles[stream->units[i].profile];
        for (size_t k = 0; k < from->signal_count; k++)
            signals += from->signals[k].frame == stream->units[i].frame;
        most = from->signal_count > most ? from->signal_count : most;
    }
    struct lt_profile *own = stream->profile = lt_arena_alloc(arena, sizeof *own);
    if (!own)
        return false;
    own->name = "stream";
    own->frame_count = stream->unit_count;
    own->frames = lt_arena_array(arena, stream->unit_count, sizeof *own->frames);
    own->signals = lt_arena_array(arena, signals, sizeof *own->signals);
    own->curves = lt_arena_array(arena, signals, sizeof *own->curves);
    uint32_t *list = malloc(most * sizeof *list);
    bool fine = own->frames && own->signals && own->curves && list;
    for (uint32_t i = 0; fine && i < stream->unit_count; i++)
        fine = copy_unit(stream, identify, i, list);
    free(list);
    return fine;
}

static enum lt_code make_watches(struct stream *stream, const struct lt_frame *frame,
                                 struct lt_error *error)
{
    enum lt_code code = lt_prove_new(&stream->prove, stream->profile, NULL, error);
    if (code == LT_OK)
        code = prove_plan(stream->prove, NULL, 0, error);
    if (code == LT_OK)
        stream->chain = lt_plan_lookup(stream->prove->plan, frame);
    return code;
}

enum lt_code stream_make(struct stream *stream, const struct lt_identify *identify,
                         const struct lt_frame *frame, struct lt_error *error)
{
    uint32_t partner;
    *stream = (struct stream){.id = frame->id,
                              .bus = frame->bus,
                              .extended = lt_frame_has(frame, LT_FRAME_EXTENDED),
                              .diagnostic = lt_obd_classify(frame, &partner) != LT_OBD_NOT};
    lt_arena_init(&stream->arena, STREAM_CEILING);
    if (!find_owners(stream, identify))
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    if (!stream->unit_count)
        return LT_OK;
    if (!make_profile(stream, identify))
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    return make_watches(stream, frame, error);
}

void stream_take(struct stream *stream, const struct lt_frame *frame, int64_t quiet_ns)
{
    stream->count++;
    if (!stream->chain)
        return;
    stream->prove->live[frame->bus].quiet_ns = quiet_ns;
    prove_take(stream->prove, stream->chain, frame);
}

void stream_break(struct stream *stream)
{
    if (stream->prove)
        prove_break(stream->prove);
}

bool stream_settle(struct stream *stream)
{
    struct lt_prove *prove = stream->prove;
    if (!prove)
        return true;
    prove_settle(prove);
    for (size_t i = 0; i < stream->profile->signal_count; i++)
        if (!samples_put_in_order(&prove->signals[i].samples))
            return false;
    return true;
}

void stream_release(struct stream *stream)
{
    lt_prove_free(stream->prove);
    lt_arena_release(&stream->arena);
}
