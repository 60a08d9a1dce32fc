/* See route.h. The rules of what is suspect are those of decoding (src/decode/stream.c). */
#include "loomtap/proto/route.h"

#include <stdlib.h>

#include "loomtap/proto/j1939.h"
#include "loomtap/proto/obd.h"

#define NOWHERE              LT_BUSES_MAX
#define IS_PGN_TRANSPORT(pf) ((pf) == 0xEB || (pf) == 0xEC)

/* The one sender that a definition is taken from. */
struct sender {
    bool taken, has_counter;
    uint16_t bus;
    uint32_t address;
    uint32_t counter;
};

struct listener {
    uint16_t bus;
    bool used;
    struct lt_obd *obd;
    struct lt_j1939 *j1939;
};

struct lt_route {
    const struct lt_plan *plan;
    void (*take)(void *context, const struct lt_message *message);
    void *context;
    struct sender *senders; /* by lt_frame_plan.index */
    size_t sender_count;
    struct listener listeners[LT_ROUTE_LISTENERS];
    const struct lt_frame_plan *const *parameters;
    uint32_t *parameter_bus; /* LT_NONE: any; NOWHERE: its bus is not there */
    size_t parameter_count;
    bool has_transport, has_diagnostics;
    uint64_t other_senders;
};

/* ---- life ---- */

static uint32_t bound_bus(const struct lt_route_setup *setup, const struct lt_frame_plan *plan)
{
    if (plan->parameter->bus == LT_NONE)
        return LT_NONE;
    for (size_t i = 0; i < setup->binding_count; i++) {
        const struct lt_binding *binding = &setup->bindings[i];
        if (setup->profiles[binding->profile] == plan->profile &&
            binding->bus == plan->parameter->bus && binding->capture_bus != LT_NONE)
            return binding->capture_bus;
    }
    return NOWHERE;
}

/* Only what has a field of interest is followed. */
static bool needs_transport(const struct lt_plan *plan)
{
    const struct lt_frame_plan *const *frames;
    size_t count = lt_plan_frames(plan, &frames);
    for (size_t i = 0; i < count; i++)
        if (frames[i]->field_count && frames[i]->def->is_pgn && frames[i]->def->length > 8)
            return true;
    return false;
}

static bool needs_diagnostics(const struct lt_route *route)
{
    for (size_t i = 0; i < route->parameter_count; i++)
        if (route->parameters[i]->field_count)
            return true;
    return false;
}

/* The length of a parameter's data as the profiles say, for replies with several. */
static uint16_t length_in_profiles(void *context, uint8_t service, uint32_t number)
{
    const struct lt_route *route = context;
    for (size_t i = 0; i < route->parameter_count; i++) {
        const struct lt_parameter_def *def = route->parameters[i]->parameter;
        if (def->service == service && def->pid == number && def->length)
            return def->length;
    }
    return 0;
}

static enum lt_code make_listeners(struct lt_route *route, struct lt_error *error)
{
    enum lt_code code = LT_OK;
    for (size_t i = 0; i < LT_ROUTE_LISTENERS && code == LT_OK; i++) {
        if (route->has_diagnostics)
            code = lt_obd_new(&route->listeners[i].obd, length_in_profiles, route, error);
        if (code == LT_OK && route->has_transport)
            code = lt_j1939_new(&route->listeners[i].j1939, error);
    }
    return code;
}

enum lt_code lt_route_new(struct lt_route **ret_route, const struct lt_route_setup *setup,
                          void (*take)(void *context, const struct lt_message *message),
                          void *context, struct lt_error *error)
{
    const struct lt_frame_plan *const *frames;
    struct lt_route *route = calloc(1, sizeof *route);
    if (!route)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    route->plan = setup->plan;
    route->take = take;
    route->context = context;
    route->parameter_count = lt_plan_parameters(setup->plan, &route->parameters);
    route->sender_count = lt_plan_frames(setup->plan, &frames) + route->parameter_count;
    route->has_transport = needs_transport(setup->plan);
    route->has_diagnostics = needs_diagnostics(route);
    route->senders = calloc(route->sender_count + 1, sizeof *route->senders);
    route->parameter_bus = calloc(route->parameter_count + 1, sizeof *route->parameter_bus);
    enum lt_code code = LT_OK;
    if (route->senders && route->parameter_bus)
        code = make_listeners(route, error);
    else
        code = lt_fail(error, LT_E_MEMORY, "out of memory");
    if (code != LT_OK) {
        lt_route_free(route);
        return code;
    }
    for (size_t i = 0; i < route->parameter_count; i++)
        route->parameter_bus[i] = bound_bus(setup, route->parameters[i]);
    *ret_route = route;
    return LT_OK;
}

void lt_route_free(struct lt_route *route)
{
    if (!route)
        return;
    for (size_t i = 0; i < LT_ROUTE_LISTENERS; i++) {
        lt_obd_free(route->listeners[i].obd);
        lt_j1939_free(route->listeners[i].j1939);
    }
    free(route->senders);
    free(route->parameter_bus);
    free(route);
}

void lt_route_restart(struct lt_route *route)
{
    memset(route->senders, 0, route->sender_count * sizeof *route->senders);
}

uint64_t lt_route_other_senders(const struct lt_route *route)
{
    return route->other_senders;
}

/* ---- one message ---- */

static struct sender *sender_of(struct lt_route *route, const struct lt_frame_plan *plan,
                                uint16_t bus, uint32_t address)
{
    struct sender *sender = &route->senders[plan->index];
    if (!sender->taken)
        *sender = (struct sender){.taken = true, .bus = bus, .address = address};
    if (sender->bus == bus && sender->address == address)
        return sender;
    route->other_senders++;
    return NULL;
}

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

/* `whole`: put together by transport, else NULL. */
static bool take_plans(struct lt_route *route, const struct lt_frame_plan *plan,
                       const struct lt_frame *frame, const struct lt_j1939_result *whole)
{
    bool any = plan != NULL;
    for (; plan; plan = plan->next) {
        uint32_t address = !plan->def->is_pgn ? LT_NONE : whole ? whole->source : frame->id & 0xFF;
        struct sender *sender =
            plan->field_count ? sender_of(route, plan, frame->bus, address) : NULL;
        if (!sender)
            continue;
        struct lt_message message = {plan, frame, frame->data, frame->len, false};
        if (whole) {
            message.data = whole->message;
            message.len = whole->length;
        } else {
            message.suspect = is_suspect(plan, sender, frame);
        }
        route->take(route->context, &message);
    }
    return any;
}

/* ---- several frames ---- */

/* NULL: all are taken by other buses. */
static struct listener *listener_of(struct lt_route *route, uint16_t bus)
{
    for (size_t i = 0; i < LT_ROUTE_LISTENERS; i++) {
        struct listener *listener = &route->listeners[i];
        if (!listener->used) {
            listener->bus = bus;
            listener->used = true;
        }
        if (listener->bus == bus)
            return listener;
    }
    return NULL;
}

static bool take_transport(struct lt_route *route, const struct lt_frame *frame)
{
    struct listener *listener = listener_of(route, frame->bus);
    if (!listener)
        return false;
    struct lt_j1939_result result = lt_j1939_feed(listener->j1939, frame);
    if (result.event != LT_J1939_MESSAGE)
        return false;
    return take_plans(route, lt_plan_lookup_pgn(route->plan, frame->bus, result.pgn, result.source),
                      frame, &result);
}

static bool is_answer(const struct lt_route *route, size_t parameter, uint16_t bus,
                      uint32_t reply_id, const struct lt_obd_item *item)
{
    const struct lt_parameter_def *def = route->parameters[parameter]->parameter;
    uint32_t wanted = route->parameter_bus[parameter];
    bool is_number =
        def->pid == item->number || (def->pid == LT_NONE && item->number == LT_OBD_NO_NUMBER);
    return def->service == item->service && is_number &&
           (def->responder == LT_NONE || def->responder == reply_id) &&
           (wanted == LT_NONE || wanted == bus);
}

static bool take_item(struct lt_route *route, const struct lt_frame *frame, uint32_t reply_id,
                      const struct lt_obd_item *item)
{
    bool any = false;
    for (size_t i = 0; i < route->parameter_count; i++) {
        if (!is_answer(route, i, frame->bus, reply_id, item))
            continue;
        any = true;
        if (!route->parameters[i]->field_count ||
            !sender_of(route, route->parameters[i], frame->bus, reply_id))
            continue;
        struct lt_message message = {route->parameters[i], frame, item->data, item->length, false};
        route->take(route->context, &message);
    }
    return any;
}

static bool take_diagnostic(struct lt_route *route, const struct lt_frame *frame)
{
    struct listener *listener = listener_of(route, frame->bus);
    struct lt_obd_reply reply;
    bool any = false;
    if (!listener || !lt_obd_feed(listener->obd, frame, &reply) || reply.negative)
        return false;
    for (size_t i = 0; i < reply.count; i++)
        any |= take_item(route, frame, reply.id, &reply.item[i]);
    return any;
}

bool lt_route_known(struct lt_route *route, const struct lt_frame_plan *plan,
                    const struct lt_frame *frame)
{
    uint32_t partner;
    if (frame->flags & (LT_FRAME_ERROR | LT_FRAME_REMOTE))
        return false;
    bool any = take_plans(route, plan, frame, NULL);
    if (route->has_diagnostics && lt_obd_classify(frame, &partner) != LT_OBD_NOT)
        any |= take_diagnostic(route, frame);
    if (route->has_transport && lt_frame_has(frame, LT_FRAME_EXTENDED) &&
        IS_PGN_TRANSPORT(frame->id >> 16 & 0xFF))
        any |= take_transport(route, frame);
    return any;
}

bool lt_route_frame(struct lt_route *route, const struct lt_frame *frame)
{
    return lt_route_known(route, lt_plan_lookup(route->plan, frame), frame);
}
