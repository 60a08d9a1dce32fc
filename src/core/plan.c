/* The decode plan: made once, then only look-ups. See loomtap/core/plan.h.
 *
 * Two lists lie in one arena. `frames` and `parameters` hold one plan a definition, in the order of
 * profiles. Each capture bus has a table from identifiers to chains of copies of these: copies,
 * because `next` depends on the bus and on the identifier. Buses that carry the same definitions
 * share one table, so most of the LT_BUSES_MAX entries are one and the same.
 *
 * 11-bit identifiers index an array of 2048 numbers of chains. 29-bit ones go through a small hash
 * with up to three questions: the exact identifier, the PGN with this source, the PGN alone. An
 * answer to the first already has the others' frames in its chain. */
#include "loomtap/core/plan.h"

#include <assert.h>
#include <stdlib.h>

#include "core/page.h"

enum {
    STANDARD_IDS = LT_ID_MAX_STANDARD + 1,
    CHAINS_MAX = UINT16_MAX,
    PAGE_SETS_MAX = 64,
    SIGNALS_PER_FRAME_MAX = UINT16_MAX,
};

/* Kinds of hash keys; none is 0, which marks a free slot. */
#define KEY_ID         (UINT32_C(1) << 31)
#define KEY_PGN_SOURCE (UINT32_C(1) << 30)
#define KEY_PGN        (UINT32_C(1) << 29)

struct slot {
    uint32_t key;
    uint32_t chain;
};

struct table {
    const struct lt_frame_plan **chains; /* [0] is NULL: nothing known */
    size_t chain_count, chain_room;
    struct slot *slots;
    uint32_t slot_mask;
    bool has_ids, has_pgn_sources, has_pgns;
    uint16_t standard[STANDARD_IDS];
};

struct lt_plan {
    struct lt_arena arena;
    const struct table *tables[LT_BUSES_MAX];
    const struct lt_frame_plan **frames;
    uint32_t *frame_profiles; /* of each of `frames`: the profile's index */
    const struct lt_frame_plan **parameters;
    size_t frame_count, parameter_count, field_count;
};

/* ---- Look-ups ---- */

static uint32_t hash(uint32_t key)
{
    key *= UINT32_C(2654435761); /* Fibonacci hashing: 2^32 / golden ratio */
    return key ^ key >> 15;
}

static const struct lt_frame_plan *find(const struct table *table, uint32_t key)
{
    for (uint32_t at = hash(key) & table->slot_mask;; at = (at + 1) & table->slot_mask) {
        if (table->slots[at].key == key)
            return table->chains[table->slots[at].chain];
        if (!table->slots[at].key)
            return NULL;
    }
}

/* The low byte of a PDU1 PGN is the destination's place and counts as 0. */
static uint32_t plain_pgn(uint32_t pgn)
{
    return (pgn >> 8 & 0xFF) < 240 ? pgn & 0x3FF00 : pgn & 0x3FFFF;
}

uint32_t lt_plan_pgn(uint32_t id)
{
    return plain_pgn(id >> 8 & 0x3FFFF);
}

static uint32_t pgn_key(uint32_t pgn)
{
    return KEY_PGN | pgn << 8;
}

static uint32_t pgn_source_key(uint32_t pgn, uint32_t source)
{
    return KEY_PGN_SOURCE | pgn << 8 | (source & 0xFF);
}

static const struct lt_frame_plan *find_pgn(const struct table *table, uint32_t pgn,
                                            uint32_t source)
{
    const struct lt_frame_plan *plan = NULL;
    if (table->has_pgn_sources)
        plan = find(table, pgn_source_key(pgn, source));
    if (!plan && table->has_pgns)
        plan = find(table, pgn_key(pgn));
    return plan;
}

static const struct lt_frame_plan *find_extended(const struct table *table, uint32_t id)
{
    const struct lt_frame_plan *plan = NULL;
    if (table->has_ids)
        plan = find(table, KEY_ID | id);
    return plan ? plan : find_pgn(table, lt_plan_pgn(id), id & 0xFF);
}

const struct lt_frame_plan *lt_plan_lookup(const struct lt_plan *plan, const struct lt_frame *frame)
{
    if (frame->bus >= LT_BUSES_MAX || (frame->flags & (LT_FRAME_REMOTE | LT_FRAME_ERROR)))
        return NULL;
    const struct table *table = plan->tables[frame->bus];
    if (frame->flags & LT_FRAME_EXTENDED)
        return find_extended(table, frame->id & LT_ID_MAX_EXTENDED);
    return frame->id < STANDARD_IDS ? table->chains[table->standard[frame->id]] : NULL;
}

const struct lt_frame_plan *lt_plan_lookup_pgn(const struct lt_plan *plan, uint16_t bus,
                                               uint32_t pgn, uint8_t source)
{
    if (bus >= LT_BUSES_MAX)
        return NULL;
    return find_pgn(plan->tables[bus], plain_pgn(pgn), source);
}

size_t lt_plan_parameters(const struct lt_plan *plan, const struct lt_frame_plan *const **ret_list)
{
    *ret_list = plan->parameters;
    return plan->parameter_count;
}

size_t lt_plan_frames(const struct lt_plan *plan, const struct lt_frame_plan *const **ret_list)
{
    *ret_list = plan->frames;
    return plan->frame_count;
}

size_t lt_plan_field_count(const struct lt_plan *plan)
{
    return plan->field_count;
}

uint64_t lt_frame_plan_pages(const struct lt_frame_plan *plan, const uint8_t *data, size_t len)
{
    uint64_t pages = 0;
    for (unsigned i = 0; i < plan->page_set_count; i++) {
        const struct lt_page_set *set = &plan->page_sets[i];
        bool holds = true;
        for (size_t k = 0; k < set->count && holds; k++) {
            const struct lt_field *selector = set->selectors[k];
            holds = selector->end_byte <= len &&
                    lt_page_clause_holds(set->clauses[k], lt_field_fetch(selector, data));
        }
        pages |= (uint64_t)holds << i;
    }
    return pages;
}

static enum lt_verdict verify(const struct lt_frame_plan *plan, const struct lt_checksum *checksum,
                              const struct lt_frame *frame)
{
    unsigned bytes = plan->checksum_count == 1 ? plan->checksum_bytes : lt_checksum_bytes(checksum);
    if (frame->len < bytes)
        return LT_CHECK_SHORT;
    return lt_checksum_verify(checksum, frame->data, frame->len, frame->id,
                              lt_frame_has(frame, LT_FRAME_EXTENDED))
               ? LT_CHECK_GOOD
               : LT_CHECK_BAD;
}

enum lt_verdict lt_frame_plan_verify(const struct lt_frame_plan *plan, const struct lt_frame *frame)
{
    const struct lt_field *selector = plan->page_selector;
    bool has_page = selector && selector->end_byte <= frame->len;
    uint64_t page = has_page ? lt_field_fetch(selector, frame->data) : 0;
    bool unknown_page = false;
    for (unsigned i = 0; i < plan->checksum_count; i++) {
        const struct lt_checksum *checksum = &plan->checksums[i];
        if (!checksum->has_page || (has_page && checksum->page == page))
            return verify(plan, checksum, frame);
        unknown_page |= !has_page;
    }
    return unknown_page ? LT_CHECK_SHORT : LT_CHECK_NONE;
}

/* ---- Fields ---- */

/* One 8-byte load from the field's first byte, if all of it is in there. */
static void prepare_span(struct lt_field *field, struct lt_span span, unsigned length)
{
    if (lt_span_order(span) == LT_ORDER_MOTOROLA) {
        unsigned end =
            7u - (span.msb & 7u) + length; /* bits from the load's top to the field's end */
        field->first_byte = span.msb >> 3;
        field->fetch = end <= 64 ? LT_FETCH_BE : LT_FETCH_GENERAL;
        field->shift = end <= 64 ? (uint8_t)(64 - end) : 0;
    } else {
        unsigned low = span.lsb & 7u;
        field->first_byte = span.lsb >> 3;
        field->fetch = low + length <= 64 ? LT_FETCH_LE : LT_FETCH_GENERAL;
        field->shift = low + length <= 64 ? (uint8_t)low : 0;
    }
}

static struct lt_field prepare(const struct lt_bits *bits, uint32_t signal)
{
    unsigned length = lt_bits_length(bits);
    assert(length >= 1 && length <= 64); /* the profile was checked */
    struct lt_field field = {
        .end_byte = (uint16_t)lt_bits_bytes(bits),
        .fetch = LT_FETCH_GENERAL,
        .mask = UINT64_MAX >> (64 - length),
        .signal = signal,
        .index = LT_NONE,
        .bits = bits,
    };
    if (bits->parts == 1)
        prepare_span(&field, bits->part[0], length);
    return field;
}

/* ---- Building ---- */

/* The signals of one frame or parameter, and what is being made of them. */
struct builder {
    struct lt_plan *plan;
    const struct lt_plan_options *options;
    struct lt_error *error;
    const struct lt_profile *profile;
    uint32_t *signals; /* of this frame, in the profile's order */
    size_t signal_count;
    const struct lt_field **selectors; /* by position in `signals`, made when first needed */
    struct lt_page_set *sets;
    size_t set_count;
};

static enum lt_code no_memory(struct lt_error *error)
{
    return lt_fail(error, LT_E_MEMORY, "no memory for the decode plan");
}

static const char *owner_name(const struct lt_frame_plan *plan)
{
    return plan->def ? plan->def->name : plan->parameter->name;
}

/* A fetch of a selector, whether its value is wanted or not. NULL: not on this frame, or no
 * memory. */
static const struct lt_field *selector_field(struct builder *b, uint32_t signal)
{
    for (size_t i = 0; i < b->signal_count; i++) {
        if (b->signals[i] != signal)
            continue;
        if (!b->selectors[i]) {
            struct lt_field *field = lt_arena_alloc(&b->plan->arena, sizeof *field);
            if (field)
                *field = prepare(&b->profile->signals[signal].bits, signal);
            b->selectors[i] = field;
        }
        return b->selectors[i];
    }
    return NULL;
}

static enum lt_code foreign_selector(struct builder *b, uint32_t selector)
{
    return lt_fail(b->error, LT_E_CONFLICT,
                   "selector %s is not on the frame whose pages it chooses",
                   b->profile->signals[selector].name);
}

static bool same_clause(const struct lt_page_clause *a, const struct lt_page_clause *b)
{
    if (a->selector != b->selector || a->ranges != b->ranges)
        return false;
    for (unsigned i = 0; i < a->ranges; i++)
        if (a->range[i].first != b->range[i].first || a->range[i].last != b->range[i].last)
            return false;
    return true;
}

static bool same_set(const struct lt_page_set *set, const struct lt_page_clause *const *clauses,
                     size_t count)
{
    if (set->count != count)
        return false;
    for (size_t i = 0; i < count; i++)
        if (!same_clause(set->clauses[i], clauses[i]))
            return false;
    return true;
}

static enum lt_code fill_set(struct builder *b, struct lt_page_set *set,
                             const struct lt_page_clause *const *clauses, size_t count)
{
    struct lt_arena *arena = &b->plan->arena;
    const struct lt_page_clause **kept = lt_arena_array(arena, count, sizeof *kept);
    const struct lt_field **selectors = lt_arena_array(arena, count, sizeof *selectors);
    if (!kept || !selectors)
        return no_memory(b->error);
    for (size_t i = 0; i < count; i++) {
        kept[i] = clauses[i];
        selectors[i] = selector_field(b, clauses[i]->selector);
        if (!selectors[i])
            return arena->failed ? no_memory(b->error) : foreign_selector(b, clauses[i]->selector);
    }
    *set = (struct lt_page_set){kept, selectors, count};
    return LT_OK;
}

/* Finds or makes the page set of a signal; its number + 1, or 0 for a signal without page. */
static enum lt_code page_set_of(struct builder *b, uint32_t signal, uint16_t *ret_set)
{
    const struct lt_page_clause *clauses[LT_PAGE_CLAUSES_MAX];
    const char *name = b->profile->signals[signal].name;
    size_t count;
    if (!lt_page_clauses(b->profile, signal, clauses, &count))
        return lt_fail(b->error, LT_E_LIMIT,
                       "%s: its page rests on itself, or on more than %d conditions", name,
                       LT_PAGE_CLAUSES_MAX);
    *ret_set = 0;
    if (!count)
        return LT_OK;
    for (size_t i = 0; i < b->set_count; i++)
        if (same_set(&b->sets[i], clauses, count)) {
            *ret_set = (uint16_t)(i + 1);
            return LT_OK;
        }
    if (b->set_count == PAGE_SETS_MAX)
        return lt_fail(b->error, LT_E_LIMIT, "%s: its frame has more than %d different pages", name,
                       PAGE_SETS_MAX);
    enum lt_code code = fill_set(b, &b->sets[b->set_count], clauses, count);
    if (code == LT_OK)
        *ret_set = (uint16_t)++b->set_count;
    return code;
}

static bool is_wanted(const struct builder *b, uint32_t signal)
{
    const struct lt_plan_options *options = b->options;
    return !options || !options->wants || options->wants(options->context, b->profile, signal);
}

static enum lt_code build_field(struct builder *b, uint32_t signal, struct lt_field *ret_field)
{
    struct lt_scaler *scaler = lt_arena_alloc(&b->plan->arena, sizeof *scaler);
    if (!scaler)
        return no_memory(b->error);
    enum lt_code code = lt_scaler_init(scaler, b->profile, signal, b->error);
    if (code != LT_OK)
        return code;
    struct lt_field field = prepare(&b->profile->signals[signal].bits, signal);
    code = page_set_of(b, signal, &field.page_set);
    if (code != LT_OK)
        return code;
    field.index = (uint32_t)b->plan->field_count++;
    field.scaler = scaler;
    *ret_field = field;
    return LT_OK;
}

static enum lt_code build_fields(struct builder *b, struct lt_frame_plan *plan)
{
    struct lt_arena *arena = &b->plan->arena;
    struct lt_field *fields = lt_arena_array(arena, b->signal_count, sizeof *fields);
    struct lt_page_set sets[PAGE_SETS_MAX];
    b->selectors = lt_arena_array(arena, b->signal_count, sizeof *b->selectors);
    b->sets = sets;
    b->set_count = 0;
    if (!fields || !b->selectors)
        return no_memory(b->error);
    for (size_t i = 0; i < b->signal_count; i++) {
        if (!is_wanted(b, b->signals[i]))
            continue;
        enum lt_code code = build_field(b, b->signals[i], &fields[plan->field_count]);
        if (code != LT_OK)
            return code;
        plan->field_count++;
    }
    struct lt_page_set *kept = lt_arena_array(arena, b->set_count, sizeof *kept);
    if (!kept)
        return no_memory(b->error);
    memcpy(kept, sets, b->set_count * sizeof *kept);
    plan->fields = fields;
    plan->page_sets = kept;
    plan->page_set_count = (uint16_t)b->set_count;
    return LT_OK;
}

static enum lt_code build_checks(struct builder *b, struct lt_frame_plan *plan)
{
    const struct lt_frame_def *def = plan->def;
    uint32_t outermost = LT_NONE;
    for (size_t i = 0; i < b->signal_count; i++) {
        uint32_t outer = lt_page_outer(b->profile, b->signals[i]);
        outermost = outer < outermost ? outer : outermost;
    }
    if (outermost != LT_NONE) {
        plan->page_selector = selector_field(b, outermost);
        if (!plan->page_selector)
            return b->plan->arena.failed ? no_memory(b->error) : foreign_selector(b, outermost);
    }
    if (!def)
        return LT_OK;
    if (def->checksum_count > UINT8_MAX)
        return lt_fail(b->error, LT_E_LIMIT, "%s: more than %d checksums", def->name, UINT8_MAX);
    plan->checksums = def->checksums;
    plan->checksum_count = (uint8_t)def->checksum_count;
    for (size_t i = 0; i < def->checksum_count; i++) {
        unsigned bytes = lt_checksum_bytes(&def->checksums[i]);
        if (bytes > plan->checksum_bytes)
            plan->checksum_bytes = (uint16_t)bytes;
    }
    plan->has_counter = def->counter.present;
    if (plan->has_counter)
        plan->counter = prepare(&def->counter.bits, LT_NONE);
    return LT_OK;
}

/* Completes a plan whose profile and def or parameter are set. */
static enum lt_code build_frame_plan(struct builder *b, struct lt_frame_plan *plan)
{
    if (b->signal_count > SIGNALS_PER_FRAME_MAX)
        return lt_fail(b->error, LT_E_LIMIT, "%s: more than %d signals", owner_name(plan),
                       SIGNALS_PER_FRAME_MAX);
    enum lt_code code = build_fields(b, plan);
    return code == LT_OK ? build_checks(b, plan) : code;
}

/* The signals of each frame (or parameter) as runs of one array: those of owner i are
 * signals[start[i]] up to signals[start[i + 1]], in the profile's order. */
struct groups {
    uint32_t *start, *signals;
};

static bool group(struct lt_arena *arena, const struct lt_profile *profile, bool by_frame,
                  struct groups *ret_groups)
{
    size_t owners = by_frame ? profile->frame_count : profile->parameter_count;
    uint32_t *start = lt_arena_array(arena, owners + 2, sizeof *start);
    uint32_t *signals = lt_arena_array(arena, profile->signal_count, sizeof *signals);
    if (!start || !signals)
        return false;
    for (size_t pass = 0; pass < 2; pass++) {
        for (size_t i = 0; i < profile->signal_count; i++) {
            const struct lt_signal_def *def = &profile->signals[i];
            uint32_t owner = by_frame ? def->frame : def->parameter;
            if (owner >= owners)
                continue;
            if (pass == 0)
                start[owner + 2]++; /* counts, two places on ... */
            else
                signals[start[owner + 1]++] = (uint32_t)i; /* ... so that filling leaves starts */
        }
        if (pass == 0)
            for (size_t i = 2; i < owners + 2; i++)
                start[i] += start[i - 1];
    }
    *ret_groups = (struct groups){start, signals};
    return true;
}

/* All frames, or all parameters, of one profile. */
static enum lt_code build_owners(struct builder *b, uint32_t profile_index, bool frames)
{
    struct lt_plan *plan = b->plan;
    const struct lt_profile *profile = b->profile;
    struct groups groups;
    size_t owners = frames ? profile->frame_count : profile->parameter_count;
    if (!group(&plan->arena, profile, frames, &groups))
        return no_memory(b->error);
    for (size_t i = 0; i < owners; i++) {
        struct lt_frame_plan *made = lt_arena_alloc(&plan->arena, sizeof *made);
        if (!made)
            return no_memory(b->error);
        made->profile = profile;
        made->def = frames ? &profile->frames[i] : NULL;
        made->parameter = frames ? NULL : &profile->parameters[i];
        made->index = (uint16_t)(plan->frame_count + plan->parameter_count);
        b->signals = groups.signals + groups.start[i];
        b->signal_count = groups.start[i + 1] - groups.start[i];
        enum lt_code code = build_frame_plan(b, made);
        if (code != LT_OK)
            return code;
        if (frames) {
            plan->frame_profiles[plan->frame_count] = profile_index;
            plan->frames[plan->frame_count++] = made;
        } else {
            plan->parameters[plan->parameter_count++] = made;
        }
    }
    return LT_OK;
}

static enum lt_code build_plans(struct lt_plan *plan, const struct lt_profile *const *profiles,
                                size_t profile_count, const struct lt_plan_options *options,
                                struct lt_error *error)
{
    size_t frames = 0, parameters = 0;
    for (size_t i = 0; i < profile_count; i++) {
        frames += profiles[i]->frame_count;
        parameters += profiles[i]->parameter_count;
    }
    if (frames + parameters >= CHAINS_MAX)
        return lt_fail(error, LT_E_LIMIT, "more than %d frames and parameters in all profiles",
                       CHAINS_MAX);
    plan->frames = lt_arena_array(&plan->arena, frames, sizeof *plan->frames);
    plan->frame_profiles = lt_arena_array(&plan->arena, frames, sizeof *plan->frame_profiles);
    plan->parameters = lt_arena_array(&plan->arena, parameters, sizeof *plan->parameters);
    if (!plan->frames || !plan->frame_profiles || !plan->parameters)
        return no_memory(error);
    for (size_t i = 0; i < profile_count; i++) {
        struct builder b = {
            .plan = plan, .options = options, .error = error, .profile = profiles[i]};
        enum lt_code code = build_owners(&b, (uint32_t)i, true);
        if (code == LT_OK)
            code = build_owners(&b, (uint32_t)i, false);
        if (code != LT_OK)
            return code;
    }
    return LT_OK;
}

/* ---- Tables ---- */

struct bindings {
    const struct lt_binding *list;
    size_t count;
};

static bool is_bound(struct bindings bindings, uint32_t profile, uint32_t bus, uint32_t capture_bus)
{
    for (size_t i = 0; i < bindings.count; i++)
        if (bindings.list[i].profile == profile && bindings.list[i].bus == bus &&
            bindings.list[i].capture_bus == capture_bus)
            return true;
    return false;
}

static bool is_on_bus(const struct lt_plan *plan, struct bindings bindings, size_t frame,
                      uint32_t capture_bus)
{
    uint32_t bus = plan->frames[frame]->def->bus;
    return bus == LT_NONE || is_bound(bindings, plan->frame_profiles[frame], bus, capture_bus);
}

/* Do all profile buses bound to `a` also go to `b`? */
static bool carries_all(struct bindings bindings, uint32_t a, uint32_t b)
{
    for (size_t i = 0; i < bindings.count; i++)
        if (bindings.list[i].capture_bus == a &&
            !is_bound(bindings, bindings.list[i].profile, bindings.list[i].bus, b))
            return false;
    return true;
}

static struct slot *find_slot(struct table *table, uint32_t key)
{
    uint32_t at = hash(key) & table->slot_mask;
    while (table->slots[at].key && table->slots[at].key != key)
        at = (at + 1) & table->slot_mask;
    return &table->slots[at];
}

/* The frames of one bus, while its table is made. */
struct bus_frames {
    const struct lt_frame_plan **list;
    size_t count;
};

/* What one identifier stands for. */
struct question {
    bool extended, has_id, has_source;
    uint32_t id, pgn, source;
};

static bool answers(const struct lt_frame_def *def, const struct question *q)
{
    if (def->is_pgn)
        return q->extended && plain_pgn(def->pgn) == q->pgn &&
               (def->source == LT_NONE || (q->has_source && def->source == q->source));
    return q->has_id && def->extended == q->extended && def->id == q->id;
}

/* A new chain of copies, in the order of profiles; its number, or 0 where memory ended. */
static uint32_t make_chain(struct lt_arena *arena, struct table *table, struct bus_frames frames,
                           const struct question *q)
{
    const struct lt_frame_plan *first = NULL, **link = &first;
    for (size_t i = 0; i < frames.count; i++) {
        if (!answers(frames.list[i]->def, q))
            continue;
        struct lt_frame_plan *copy = lt_arena_alloc(arena, sizeof *copy);
        if (!copy)
            return 0;
        *copy = *frames.list[i];
        *link = copy;
        link = &copy->next;
    }
    table->chains[table->chain_count] = first;
    return (uint32_t)table->chain_count++;
}

static struct question question_of(const struct lt_frame_def *def)
{
    if (!def->is_pgn)
        return (struct question){
            .extended = def->extended,
            .has_id = true,
            .has_source = true,
            .id = def->id,
            .pgn = lt_plan_pgn(def->id),
            .source = def->id & 0xFF,
        };
    return (struct question){
        .extended = true,
        .has_source = def->source != LT_NONE,
        .pgn = plain_pgn(def->pgn),
        .source = def->source,
    };
}

static bool enter_standard(struct lt_arena *arena, struct table *table, struct bus_frames frames,
                           const struct question *q)
{
    if (q->id >= STANDARD_IDS || table->standard[q->id])
        return true;
    table->standard[q->id] = (uint16_t)make_chain(arena, table, frames, q);
    return table->standard[q->id] != 0;
}

static bool enter_extended(struct lt_arena *arena, struct table *table, struct bus_frames frames,
                           const struct question *q)
{
    uint32_t key = q->has_id       ? KEY_ID | q->id
                   : q->has_source ? pgn_source_key(q->pgn, q->source)
                                   : pgn_key(q->pgn);
    struct slot *slot = find_slot(table, key);
    if (slot->key)
        return true;
    table->has_ids |= q->has_id;
    table->has_pgn_sources |= !q->has_id && q->has_source;
    table->has_pgns |= !q->has_id && !q->has_source;
    *slot = (struct slot){key, make_chain(arena, table, frames, q)};
    return slot->chain != 0;
}

static struct table *new_table(struct lt_arena *arena, size_t frames)
{
    size_t slots = 8;
    while (slots < 4 * frames) /* at most a quarter full: a wrong identifier is soon recognised */
        slots *= 2;
    struct table *table = lt_arena_alloc(arena, sizeof *table);
    if (!table)
        return NULL;
    table->slots = lt_arena_array(arena, slots, sizeof *table->slots);
    table->chains = lt_arena_array(arena, frames + 1, sizeof *table->chains);
    table->slot_mask = (uint32_t)(slots - 1);
    table->chain_count = 1;
    return table->slots && table->chains ? table : NULL;
}

static const struct table *build_table(struct lt_plan *plan, struct bindings bindings, uint32_t bus)
{
    struct lt_arena *arena = &plan->arena;
    struct bus_frames frames = {lt_arena_array(arena, plan->frame_count, sizeof *frames.list), 0};
    if (!frames.list)
        return NULL;
    for (size_t i = 0; i < plan->frame_count; i++)
        if (is_on_bus(plan, bindings, i, bus))
            frames.list[frames.count++] = plan->frames[i];
    struct table *table = new_table(arena, frames.count);
    if (!table)
        return NULL;
    for (size_t i = 0; i < frames.count; i++) {
        struct question q = question_of(frames.list[i]->def);
        if (!(q.extended ? enter_extended : enter_standard)(arena, table, frames, &q))
            return NULL;
    }
    return table;
}

static enum lt_code build_tables(struct lt_plan *plan, struct bindings bindings,
                                 struct lt_error *error)
{
    for (uint32_t bus = 0; bus < LT_BUSES_MAX; bus++) {
        for (uint32_t other = 0; other < bus && !plan->tables[bus]; other++)
            if (carries_all(bindings, bus, other) && carries_all(bindings, other, bus))
                plan->tables[bus] = plan->tables[other];
        if (!plan->tables[bus])
            plan->tables[bus] = build_table(plan, bindings, bus);
        if (!plan->tables[bus])
            return no_memory(error);
    }
    return LT_OK;
}

static enum lt_code check_bindings(const struct lt_profile *const *profiles, size_t profile_count,
                                   struct bindings bindings, struct lt_error *error)
{
    for (size_t i = 0; i < bindings.count; i++) {
        const struct lt_binding *b = &bindings.list[i];
        if (b->profile >= profile_count || b->bus >= profiles[b->profile]->bus_count)
            return lt_fail(error, LT_E_RANGE, "a binding names a bus that no profile has");
        if (b->capture_bus != LT_NONE && b->capture_bus >= LT_BUSES_MAX)
            return lt_fail(error, LT_E_LIMIT, "at most %u buses in one run", LT_BUSES_MAX);
    }
    return LT_OK;
}

enum lt_code lt_plan_new(struct lt_plan **ret_plan, const struct lt_profile *const *profiles,
                         size_t profile_count, const struct lt_binding *bindings,
                         size_t binding_count, const struct lt_plan_options *options,
                         struct lt_error *error)
{
    struct bindings list = {bindings, binding_count};
    enum lt_code code = check_bindings(profiles, profile_count, list, error);
    if (code != LT_OK)
        return code;
    struct lt_plan *plan = calloc(1, sizeof *plan);
    if (!plan)
        return no_memory(error);
    lt_arena_init(&plan->arena, 0);
    code = build_plans(plan, profiles, profile_count, options, error);
    if (code == LT_OK)
        code = build_tables(plan, list, error);
    if (code != LT_OK) {
        lt_plan_free(plan);
        return code;
    }
    *ret_plan = plan;
    return LT_OK;
}

void lt_plan_free(struct lt_plan *plan)
{
    if (!plan)
        return;
    lt_arena_release(&plan->arena);
    free(plan);
}
