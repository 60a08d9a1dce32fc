/* OBD-II listener: which frame belongs to which conversation, and what comes out of it.
 *
 * Assumes frames of one bus in the order sent. Requests and replies are put together separately,
 * each identifier by itself, so that loss on one does no harm to another; a reply is tied to the
 * request that it answers by service and number alone, because nothing else in it says so. All
 * memory is there from the start; what does not fit is counted as forgotten.
 *
 * What went wrong -> where it is counted: transport faults -> the controller's counters; a reply
 * that is none (bit 6 not set, a negative reply cut short) -> the controller's `bad`; too many
 * identifiers or questions -> `forgotten`.
 *
 * Documents: SAE J1979 / ISO 15031-5 on ISO 15765-4 (identifiers as in the encyclopaedia's "OBD-II
 * PIDs" and, for 29 bits, Linux iso15765-2.rst), ISO 14229-1 for negative replies. */
#include "loomtap/proto/obd.h"

#include <stdlib.h>
#include <string.h>

#include "proto/obd_questions.h"
#include "proto/obd_split.h"

#define TARGETS_MAX   32 /* request identifiers of one bus */
#define REMEMBERED    4  /* last requests of each */
#define NEGATIVE      0x7F
#define FUNCTIONAL_29 0x18DB33F1u
#define PHYSICAL_29   0x18DA00F1u /* xx in the middle: the controller */
#define REPLY_29      0x18DAF100u /* xx at the end */

/* One request identifier. */
struct target {
    uint32_t id;
    uint32_t partner; /* reply identifier; 0 = all */
    bool extended;
    unsigned next;
    struct lt_obd_asked asked[REMEMBERED];
    struct lt_isotp stream;
};

struct lt_obd {
    lt_obd_length_fn length;
    void *context;
    struct lt_obd_counts counts;
    uint64_t order; /* of the last request */
    size_t target_count, controller_count;
    struct lt_obd_controller controllers[LT_OBD_CONTROLLERS_MAX];
    /* Large and touched only when used. */
    struct lt_isotp replies[LT_OBD_CONTROLLERS_MAX];
    struct target targets[TARGETS_MAX];
    struct lt_obd_questions questions;
};

enum lt_code lt_obd_new(struct lt_obd **ret_obd, lt_obd_length_fn length, void *context,
                        struct lt_error *error)
{
    struct lt_obd *obd = calloc(1, sizeof *obd);
    if (!obd)
        return lt_fail(error, LT_E_MEMORY, "no memory to follow a diagnostic conversation");
    obd->length = length;
    obd->context = context;
    *ret_obd = obd;
    return LT_OK;
}

void lt_obd_free(struct lt_obd *obd)
{
    free(obd);
}

static enum lt_obd_kind classify_standard(uint32_t id, uint32_t *partner)
{
    if (id == 0x7DF)
        return LT_OBD_FUNCTIONAL;
    if (id < 0x7E0 || id > 0x7EF)
        return LT_OBD_NOT;
    *partner = id ^ 8;
    return id < 0x7E8 ? LT_OBD_PHYSICAL : LT_OBD_REPLY;
}

static enum lt_obd_kind classify_extended(uint32_t id, uint32_t *partner)
{
    if (id == FUNCTIONAL_29)
        return LT_OBD_FUNCTIONAL;
    uint32_t controller = id >> 8 & 0xFF;
    if ((id & 0xFFFF00FF) == PHYSICAL_29 && controller != 0xF1) {
        *partner = REPLY_29 | controller;
        return LT_OBD_PHYSICAL;
    }
    controller = id & 0xFF;
    if ((id & 0xFFFFFF00) == REPLY_29 && controller != 0xF1) {
        *partner = PHYSICAL_29 | controller << 8;
        return LT_OBD_REPLY;
    }
    return LT_OBD_NOT;
}

enum lt_obd_kind lt_obd_classify(const struct lt_frame *frame, uint32_t *ret_partner)
{
    *ret_partner = 0;
    if (lt_frame_has(frame, LT_FRAME_ERROR) || lt_frame_has(frame, LT_FRAME_REMOTE))
        return LT_OBD_NOT;
    return lt_frame_has(frame, LT_FRAME_EXTENDED) ? classify_extended(frame->id, ret_partner)
                                                  : classify_standard(frame->id, ret_partner);
}

/* --- requests --- */

static struct target *target_of(struct lt_obd *obd, const struct lt_frame *frame, uint32_t partner)
{
    bool extended = lt_frame_has(frame, LT_FRAME_EXTENDED);
    for (size_t i = 0; i < obd->target_count; i++)
        if (obd->targets[i].id == frame->id && obd->targets[i].extended == extended)
            return &obd->targets[i];
    if (obd->target_count == TARGETS_MAX) {
        obd->counts.forgotten++;
        return NULL;
    }
    struct target *target = &obd->targets[obd->target_count++];
    target->id = frame->id;
    target->partner = partner;
    target->extended = extended;
    return target;
}

static void remember_request(struct lt_obd *obd, struct target *target, const uint8_t *message,
                             uint32_t length)
{
    struct lt_obd_asked *asked = &target->asked[target->next];
    struct lt_obd_asked request;
    if (!lt_obd_read_request(message, length, &request))
        return;
    request.order = ++obd->order;
    *asked = request;
    target->next = (target->next + 1) % REMEMBERED;
    struct lt_obd_key key = {.service = request.service,
                             .number = LT_OBD_NO_NUMBER,
                             .reply_id = target->partner,
                             .extended = target->extended};
    if (request.count == 0)
        lt_obd_questions_ask(&obd->questions, key);
    for (size_t i = 0; i < request.count; i++) {
        key.number = request.number[i];
        lt_obd_questions_ask(&obd->questions, key);
    }
}

/* Flow control from the tester: the controller's pause before it is no silence. */
static void keep_alive(struct lt_obd *obd, const struct target *target, int64_t now_ns)
{
    for (size_t i = 0; i < obd->controller_count; i++)
        if (obd->controllers[i].reply_id == target->partner &&
            obd->controllers[i].extended == target->extended && obd->replies[i].busy)
            obd->replies[i].last_ns = now_ns;
}

/* What became complete, in `event` or, after a replaced or timed-out message, in `then`. */
static bool is_complete(const struct lt_isotp_result *result)
{
    return result->event == LT_ISOTP_MESSAGE || result->then == LT_ISOTP_MESSAGE;
}

static void feed_request(struct lt_obd *obd, const struct lt_frame *frame, uint32_t partner)
{
    obd->counts.request_frames++;
    struct target *target = target_of(obd, frame, partner);
    if (!target)
        return;
    struct lt_isotp_result result = lt_isotp_feed(&target->stream, frame);
    if (result.event == LT_ISOTP_FLOW || result.then == LT_ISOTP_FLOW)
        keep_alive(obd, target, frame->time_ns);
    if (!is_complete(&result))
        return;
    obd->counts.requests++;
    if (result.message)
        remember_request(obd, target, result.message, result.length);
}

/* --- replies --- */

/* Index of the controller; LT_OBD_CONTROLLERS_MAX when there is no room for one more. */
static size_t controller_of(struct lt_obd *obd, const struct lt_frame *frame)
{
    bool extended = lt_frame_has(frame, LT_FRAME_EXTENDED);
    for (size_t i = 0; i < obd->controller_count; i++)
        if (obd->controllers[i].reply_id == frame->id && obd->controllers[i].extended == extended)
            return i;
    if (obd->controller_count == LT_OBD_CONTROLLERS_MAX) {
        obd->counts.forgotten++;
        return LT_OBD_CONTROLLERS_MAX;
    }
    obd->controllers[obd->controller_count].reply_id = frame->id;
    obd->controllers[obd->controller_count].extended = extended;
    return obd->controller_count++;
}

static void count_event(struct lt_obd_controller *controller, enum lt_isotp_event event)
{
    switch (event) {
    case LT_ISOTP_MESSAGE:
        controller->messages++;
        break;
    case LT_ISOTP_REPEATED:
        controller->repeated++;
        break;
    case LT_ISOTP_LOST:
        controller->lost++;
        break;
    case LT_ISOTP_REPLACED:
        controller->replaced++;
        break;
    case LT_ISOTP_STRAY:
        controller->stray++;
        break;
    case LT_ISOTP_TIMEOUT:
        controller->timeouts++;
        break;
    case LT_ISOTP_BAD:
        controller->bad++;
        break;
    default:
        break;
    }
}

/* The last request of this service that the controller may have heard; `number` is the one that
 * must be among those asked, or any_number. NULL if none is remembered. */
static const struct lt_obd_asked *find_request(const struct lt_obd *obd,
                                               const struct lt_obd_controller *controller,
                                               uint8_t service, bool any_number, uint32_t number)
{
    const struct lt_obd_asked *found = NULL;
    for (size_t t = 0; t < obd->target_count; t++) {
        const struct target *target = &obd->targets[t];
        if (target->extended != controller->extended ||
            (target->partner != 0 && target->partner != controller->reply_id))
            continue;
        for (size_t i = 0; i < REMEMBERED; i++) {
            const struct lt_obd_asked *asked = &target->asked[i];
            bool fits = asked->order != 0 && asked->service == service &&
                        (any_number || lt_obd_asked_has(asked, number));
            if (fits && (!found || asked->order > found->order))
                found = asked;
        }
    }
    return found;
}

static struct lt_obd_key key_of(const struct lt_obd_controller *controller, uint8_t service,
                                uint32_t number)
{
    return (struct lt_obd_key){.service = service,
                               .number = number,
                               .reply_id = controller->reply_id,
                               .extended = controller->extended};
}

/* A negative reply names the service alone: it is about all that the request asked. */
static bool take_negative(struct lt_obd *obd, struct lt_obd_controller *controller,
                          struct lt_obd_reply *reply)
{
    if (reply->length < 3) {
        controller->bad++;
        return false;
    }
    reply->negative = true;
    reply->service = reply->message[1];
    reply->nrc = reply->message[2];
    if (reply->nrc == LT_NRC_PENDING)
        obd->counts.pending++;
    else
        obd->counts.negative++;
    const struct lt_obd_asked *asked =
        find_request(obd, controller, reply->service, true, LT_OBD_NO_NUMBER);
    struct lt_obd_key key = key_of(controller, reply->service, LT_OBD_NO_NUMBER);
    if (!asked || asked->count == 0)
        lt_obd_questions_answer(&obd->questions, key, reply->nrc);
    for (size_t i = 0; asked && i < asked->count; i++) {
        key.number = asked->number[i];
        lt_obd_questions_answer(&obd->questions, key, reply->nrc);
    }
    return true;
}

static void take_positive(struct lt_obd *obd, struct lt_obd_controller *controller,
                          struct lt_obd_reply *reply)
{
    uint8_t service = reply->message[0] & 0xBF;
    uint32_t first = lt_obd_first_number(reply->message, reply->length);
    const struct lt_obd_asked *asked = find_request(obd, controller, service, false, first);
    uint32_t stopped_at =
        lt_obd_split(reply->message, reply->length, asked, obd->length, obd->context, reply);
    for (size_t i = 0; i < reply->count; i++) {
        const struct lt_obd_item *item = &reply->item[i];
        lt_obd_questions_answer(&obd->questions, key_of(controller, service, item->number), 0);
        if (service == 0x01 && item->length >= 4)
            lt_obd_learn_mask(controller, item->number, item->data);
    }
    if (stopped_at != LT_OBD_NO_NUMBER)
        lt_obd_questions_answer(&obd->questions, key_of(controller, service, stopped_at), 0);
}

static bool feed_reply(struct lt_obd *obd, const struct lt_frame *frame,
                       struct lt_obd_reply *ret_reply)
{
    obd->counts.reply_frames++;
    size_t index = controller_of(obd, frame);
    if (index == LT_OBD_CONTROLLERS_MAX)
        return false;
    struct lt_obd_controller *controller = &obd->controllers[index];
    controller->frames++;
    struct lt_isotp_result result = lt_isotp_feed(&obd->replies[index], frame);
    count_event(controller, result.event);
    count_event(controller, result.then);
    if (!is_complete(&result) || !result.message)
        return false;
    struct lt_obd_reply reply = {.id = controller->reply_id,
                                 .extended = controller->extended,
                                 .time_ns = frame->time_ns,
                                 .message = result.message,
                                 .length = result.length};
    if (reply.message[0] == NEGATIVE) {
        if (!take_negative(obd, controller, &reply))
            return false;
    } else if ((reply.message[0] & 0x40) != 0) {
        take_positive(obd, controller, &reply);
    } else {
        controller->bad++; /* a request on a reply identifier: something else uses it */
        return false;
    }
    obd->counts.replies++;
    *ret_reply = reply;
    return true;
}

bool lt_obd_feed(struct lt_obd *obd, const struct lt_frame *frame, struct lt_obd_reply *ret_reply)
{
    uint32_t partner;
    switch (lt_obd_classify(frame, &partner)) {
    case LT_OBD_REPLY:
        return feed_reply(obd, frame, ret_reply);
    case LT_OBD_FUNCTIONAL:
    case LT_OBD_PHYSICAL:
        feed_request(obd, frame, partner);
        return false;
    default:
        return false;
    }
}

/* --- what is known so far --- */

size_t lt_obd_questions(struct lt_obd *obd, const struct lt_obd_question **ret_list)
{
    *ret_list = obd->questions.listed;
    return lt_obd_questions_list(&obd->questions, obd->controllers, obd->controller_count);
}

size_t lt_obd_controllers(const struct lt_obd *obd, const struct lt_obd_controller **ret_list)
{
    *ret_list = obd->controllers;
    return obd->controller_count;
}

struct lt_obd_counts lt_obd_counts(const struct lt_obd *obd)
{
    struct lt_obd_counts counts = obd->counts;
    counts.forgotten += obd->questions.forgotten;
    return counts;
}
