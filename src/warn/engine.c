/* The engine: frames and time in, through inputs and conditions, events and frames out. */
#include "warn/internal.h"

#include <stdlib.h>

#define ARENA_CEILING     ((size_t)64 << 20)
#define PGN_TRANSPORT(pf) ((pf) == 0xEB || (pf) == 0xEC)

/* --- life --- */

enum lt_code lt_warn_new(struct lt_warn **ret_warn, const struct lt_profile *profile,
                         const struct lt_binding *bindings, size_t binding_count,
                         const struct lt_warn_sink *sink, struct lt_error *error)
{
    struct lt_warn *warn = calloc(1, sizeof *warn);
    if (!warn)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    lt_arena_init(&warn->arena, ARENA_CEILING);
    warn->profile = profile;
    warn->sink = *sink;
    warn->now_ns = LT_NO_TIME;
    warn->next_ns = NEVER;
    warn->counts.foreign_frame = LT_NONE;
    enum lt_code code = warn_setup(warn, bindings, binding_count, error);
    if (code != LT_OK) {
        lt_warn_free(warn);
        return code;
    }
    *ret_warn = warn;
    return LT_OK;
}

void lt_warn_free(struct lt_warn *warn)
{
    if (!warn)
        return;
    for (size_t i = 0; i < LISTENERS; i++) {
        lt_obd_free(warn->obd[i]);
        lt_j1939_free(warn->j1939[i]);
    }
    lt_plan_free(warn->plan);
    lt_arena_release(&warn->arena);
    free(warn);
}

/* --- time --- */

static int64_t least(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

static int64_t earliest(const struct lt_warn *warn)
{
    int64_t due_ns = NEVER;
    for (size_t i = 0; i < warn->input_count; i++)
        due_ns = least(due_ns, warn->inputs[i].due_ns);
    for (size_t i = 0; i < warn->warning_count; i++)
        due_ns = least(due_ns, warn->warnings[i].due_ns);
    for (size_t i = 0; i < warn->frame_count; i++)
        due_ns = least(due_ns, warn->frames[i].next_ns);
    return due_ns;
}

/* All that is due at this instant: inputs, then warnings, then frames. */
static void do_due(struct lt_warn *warn)
{
    for (size_t i = 0; i < warn->input_count; i++)
        if (warn->inputs[i].due_ns <= warn->now_ns)
            input_due(warn, (uint32_t)i);
    for (size_t i = 0; i < warn->warning_count; i++) {
        struct warning *warning = &warn->warnings[i];
        if (warning->due_ns > warn->now_ns)
            continue;
        warning->due_ns = NEVER;
        warning->dirty = warn->dirty = true;
    }
    warn_settle(warn);
    frames_due(warn);
}

static void advance(struct lt_warn *warn, int64_t to_ns)
{
    while (warn->next_ns <= to_ns) {
        int64_t due_ns = earliest(warn);
        warn->next_ns = due_ns; /* the old one may have been too early */
        if (due_ns > to_ns)
            break;
        if (due_ns > warn->now_ns)
            warn->now_ns = due_ns;
        do_due(warn);
    }
    if (to_ns > warn->now_ns)
        warn->now_ns = to_ns;
}

static void begin(struct lt_warn *warn, int64_t start_ns)
{
    warn->now_ns = warn->heard_ns = start_ns;
    warn->next_ns = NEVER;
    const struct lt_frame_plan *const *list;
    size_t senders = lt_plan_frames(warn->plan, &list) + lt_plan_parameters(warn->plan, &list);
    memset(warn->senders, 0, senders * sizeof *warn->senders);
    inputs_begin(warn, start_ns);
    warnings_begin(warn);
    warn_settle(warn);
    frames_due(warn);
}

static void restart(struct lt_warn *warn, int64_t start_ns)
{
    warn->counts.restarts++;
    warnings_drop(warn);
    frames_drop(warn);
    if (warn->sink.restart)
        warn->sink.restart(warn->sink.context, warn->now_ns);
    begin(warn, start_ns);
}

static bool go_back(struct lt_warn *warn, int64_t time_ns)
{
    int64_t back_ns;
    warn->counts.backward++;
    if (__builtin_sub_overflow(warn->now_ns, time_ns, &back_ns) || back_ns > LT_WARN_BACK_NS)
        restart(warn, time_ns);
    return true;
}

/* By a frame. False: there is no time yet. */
static bool move_to(struct lt_warn *warn, int64_t time_ns)
{
    if (time_ns == LT_NO_TIME) {
        warn->counts.no_time++;
        return warn->now_ns != LT_NO_TIME;
    }
    if (warn->now_ns == LT_NO_TIME) {
        begin(warn, time_ns);
        return true;
    }
    if (time_ns < warn->now_ns)
        return go_back(warn, time_ns);
    int64_t last_ns = later(warn->heard_ns, LT_WARN_PAUSE_NS);
    if (time_ns <= last_ns) {
        advance(warn, time_ns);
        warn->heard_ns = time_ns;
    } else {
        advance(warn, last_ns);
        restart(warn, time_ns);
    }
    return true;
}

/* --- frames --- */

/* As in decoding: wrong or cut off check, or a counter that stands still. */
static bool is_suspect(const struct lt_frame_plan *plan, struct sender *sender,
                       const struct lt_frame *frame)
{
    bool suspect = false;
    if (plan->has_counter && frame->len >= plan->counter.end_byte) {
        uint32_t value = (uint32_t)lt_field_fetch(&plan->counter, frame->data);
        suspect = sender->has_counter && value == sender->counter;
        sender->has_counter = true;
        sender->counter = value;
    }
    if (plan->checksum_count) {
        enum lt_verdict verdict = lt_frame_plan_verify(plan, frame);
        suspect |= verdict == LT_CHECK_BAD || verdict == LT_CHECK_SHORT;
    }
    return suspect;
}

static bool is_from(struct lt_warn *warn, const struct lt_frame_plan *plan, uint16_t bus,
                    uint32_t address)
{
    struct sender *sender = &warn->senders[plan->index];
    if (!sender->taken)
        *sender = (struct sender){.taken = true, .bus = bus, .address = address};
    if (sender->bus == bus && sender->address == address)
        return true;
    warn->counts.other_senders++;
    return false;
}

/* True if any was there. */
static bool take_fields(struct lt_warn *warn, const struct lt_frame_plan *plan, const uint8_t *data,
                        size_t len, bool suspect)
{
    uint64_t pages = plan->page_set_count ? lt_frame_plan_pages(plan, data, len) : 0;
    bool any = false;
    for (unsigned i = 0; i < plan->field_count; i++) {
        const struct lt_field *field = &plan->fields[i];
        if (len < field->end_byte || !lt_field_on_page(field, pages))
            continue;
        input_take(warn, warn->input_of_field[field->index], lt_field_fetch(field, data), suspect);
        any = true;
    }
    return any;
}

static void note_foreign(struct lt_warn *warn, const struct lt_frame_plan *plan,
                         const struct lt_frame *frame)
{
    if (lt_frame_has(frame, LT_FRAME_SENT))
        return;
    if (!warn->counts.foreign++) {
        warn->counts.first_foreign_ns = warn->now_ns;
        warn->counts.foreign_frame = (uint32_t)(plan->def - warn->profile->frames);
    }
}

/* Frames of the plan; `message` where the bytes were put together by transport. */
static bool take_plans(struct lt_warn *warn, const struct lt_frame_plan *plan,
                       const struct lt_frame *frame, const struct lt_j1939_result *message)
{
    bool any = false;
    for (; plan; plan = plan->next) {
        uint32_t address = !plan->def->is_pgn ? LT_NONE
                           : message          ? message->source
                                              : frame->id & 0xFF;
        if (plan->def->direction == LT_SEND)
            note_foreign(warn, plan, frame);
        if (!plan->field_count || !is_from(warn, plan, frame->bus, address))
            continue;
        if (message)
            any |= take_fields(warn, plan, message->message, message->length, false);
        else
            any |= take_fields(warn, plan, frame->data, frame->len,
                               is_suspect(plan, &warn->senders[plan->index], frame));
    }
    return any;
}

/* The listener of a bus, from a pool; LISTENERS when all are taken by other buses. */
static size_t listener(uint16_t bus, uint16_t *buses, size_t *used)
{
    for (size_t i = 0; i < *used; i++)
        if (buses[i] == bus)
            return i;
    if (*used == LISTENERS)
        return LISTENERS;
    buses[*used] = bus;
    return (*used)++;
}

static bool take_transport(struct lt_warn *warn, const struct lt_frame *frame)
{
    size_t at = listener(frame->bus, warn->j1939_bus, &warn->j1939_buses);
    if (at == LISTENERS)
        return false;
    struct lt_j1939_result result = lt_j1939_feed(warn->j1939[at], frame);
    if (result.event != LT_J1939_MESSAGE)
        return false;
    return take_plans(warn, lt_plan_lookup_pgn(warn->plan, frame->bus, result.pgn, result.source),
                      frame, &result);
}

static bool is_answer(const struct lt_warn *warn, const struct lt_frame_plan *plan, uint16_t bus,
                      uint32_t reply_id, const struct lt_obd_item *item)
{
    const struct lt_parameter_def *def = plan->parameter;
    uint32_t wanted = warn->parameter_bus[def - warn->profile->parameters];
    bool is_number =
        def->pid == item->number || (def->pid == LT_NONE && item->number == LT_OBD_NO_NUMBER);
    return def->service == item->service && is_number &&
           (def->responder == LT_NONE || def->responder == reply_id) &&
           (wanted == LT_NONE || wanted == bus);
}

static bool take_diagnostic(struct lt_warn *warn, const struct lt_frame *frame)
{
    const struct lt_frame_plan *const *plans;
    struct lt_obd_reply reply;
    bool any = false;
    size_t at = listener(frame->bus, warn->obd_bus, &warn->obd_buses);
    if (at == LISTENERS || !lt_obd_feed(warn->obd[at], frame, &reply) || reply.negative)
        return false;
    size_t count = lt_plan_parameters(warn->plan, &plans);
    for (size_t k = 0; k < reply.count; k++)
        for (size_t i = 0; i < count; i++) {
            const struct lt_obd_item *item = &reply.item[k];
            if (!plans[i]->field_count || !is_answer(warn, plans[i], frame->bus, reply.id, item) ||
                !is_from(warn, plans[i], frame->bus, reply.id))
                continue;
            any |= take_fields(warn, plans[i], item->data, item->length, false);
        }
    return any;
}

void lt_warn_frame(struct lt_warn *warn, const struct lt_frame *frame)
{
    warn->counts.frames++;
    if (!move_to(warn, frame->time_ns) || frame->flags & (LT_FRAME_ERROR | LT_FRAME_REMOTE))
        return;
    bool any = take_plans(warn, lt_plan_lookup(warn->plan, frame), frame, NULL);
    uint32_t partner;
    if (warn->has_parameters && lt_obd_classify(frame, &partner) != LT_OBD_NOT)
        any |= take_diagnostic(warn, frame);
    if (warn->has_transport && lt_frame_has(frame, LT_FRAME_EXTENDED) &&
        PGN_TRANSPORT(frame->id >> 16 & 0xFF))
        any |= take_transport(warn, frame);
    warn->counts.matched += any;
    if (!any || !warn->dirty)
        return;
    warn_settle(warn);
    frames_due(warn);
}

/* No further than a pause: what a longer one means is decided by the frame that ends it, as in a
 * recording, which has no ticks. */
void lt_warn_tick(struct lt_warn *warn, int64_t now_ns)
{
    if (warn->now_ns == LT_NO_TIME)
        begin(warn, now_ns);
    else if (now_ns >= warn->now_ns)
        advance(warn, least(now_ns, later(warn->heard_ns, LT_WARN_PAUSE_NS)));
    else
        go_back(warn, now_ns);
}

void lt_warn_end(struct lt_warn *warn, int64_t now_ns, bool normal)
{
    if (warn->now_ns == LT_NO_TIME)
        return;
    if (now_ns > warn->now_ns)
        lt_warn_tick(warn, now_ns);
    if (normal)
        frames_clear(warn);
}

/* --- what can be asked --- */

int64_t lt_warn_next_ns(const struct lt_warn *warn)
{
    return warn->next_ns;
}

size_t lt_warn_input_count(const struct lt_warn *warn)
{
    return warn->input_count;
}

const struct lt_warn_input *lt_warn_input(const struct lt_warn *warn, uint32_t input)
{
    return &warn->inputs[input].is;
}

size_t lt_warn_inputs_of(const struct lt_warn *warn, uint32_t warning, const uint32_t **ret_inputs)
{
    *ret_inputs = warn->warnings[warning].inputs;
    return warn->warnings[warning].input_count;
}

bool lt_warn_is_on(const struct lt_warn *warn, uint32_t warning, enum lt_warn_cause *ret_cause)
{
    if (warn->warnings[warning].on && ret_cause)
        *ret_cause = warn->warnings[warning].cause;
    return warn->warnings[warning].on;
}

bool lt_warn_limp(const struct lt_warn *warn)
{
    return warn->limp;
}

const struct lt_warn_counts *lt_warn_counts(const struct lt_warn *warn)
{
    return &warn->counts;
}

const char *const lt_warn_cautions[] = {
    "Transmitting on a vehicle bus can change how the vehicle behaves.",
    "Do it with the vehicle stationary and its wheels chocked, never on a public road.",
    "Keep clear of restraint, brake and steering networks.",
    "Follow the maker's workshop information, local law (emission control, type approval) and a "
    "licensed technician's judgement.",
    "A passenger operates it, not the driver. This program is no safety device.",
    NULL,
};
