/* Diagnostic replies while decoding: the parameters of the profiles in them, stored trouble codes,
 * and what was asked and answered (kept by the listener). */
#include "decode/decode_internal.h"

/* The length of a parameter's data as the profiles say, for replies with several. */
static uint16_t length_in_profiles(void *context, uint8_t service, uint32_t number)
{
    const struct lt_decode *decode = context;
    for (size_t p = 0; p < decode->profile_count; p++)
        for (size_t i = 0; i < decode->profiles[p]->parameter_count; i++) {
            const struct lt_parameter_def *def = &decode->profiles[p]->parameters[i];
            if (def->service == service && def->pid == number && def->length)
                return def->length;
        }
    return 0;
}

static struct lt_obd *listener(struct lt_decode *decode, uint16_t bus)
{
    if (!decode->obd[bus] &&
        lt_obd_new(&decode->obd[bus], length_in_profiles, decode, NULL) != LT_OK)
        decode->failed_memory = true;
    return decode->obd[bus];
}

static bool matches(const struct lt_decode *decode, const struct lt_frame_plan *plan,
                    const struct lt_frame *frame, uint32_t reply_id, const struct lt_obd_item *item)
{
    const struct lt_parameter_def *def = plan->parameter;
    if (def->service != item->service ||
        (def->pid != item->number && !(def->pid == LT_NONE && item->number == LT_OBD_NO_NUMBER)))
        return false;
    if (def->responder != LT_NONE && def->responder != reply_id)
        return false;
    return def->bus == LT_NONE || bound_bus(decode, plan->profile, def->bus) == frame->bus;
}

static void take_item(struct lt_decode *decode, const struct lt_frame *frame, uint32_t reply_id,
                      const struct lt_obd_item *item)
{
    const struct lt_frame_plan *const *plans;
    size_t count = lt_plan_parameters(decode->plan, &plans);
    for (size_t i = 0; i < count; i++) {
        if (!matches(decode, plans[i], frame, reply_id, item))
            continue;
        struct stream *stream = stream_for_reply(decode, plans[i], frame->bus, reply_id);
        struct message message = {frame, item->data, item->length, false};
        if (!stream)
            continue;
        stream->frames++;
        timing_add(&stream->timing, frame->time_ns);
        take_message(decode, stream, &message);
    }
}

static bool trouble_known(const struct lt_decode *decode, const struct trouble *trouble)
{
    for (size_t i = 0; i < decode->trouble_count; i++) {
        const struct trouble *other = &decode->trouble[i];
        if (other->bus == trouble->bus && other->service == trouble->service &&
            other->reply_id == trouble->reply_id && strcmp(other->code, trouble->code) == 0)
            return true;
    }
    return false;
}

static void take_trouble_codes(struct lt_decode *decode, const struct lt_frame *frame,
                               uint32_t reply_id, const struct lt_obd_item *item)
{
    char codes[TROUBLE_MAX][6];
    size_t count = lt_obd_trouble_codes(item->data, item->length, codes, TROUBLE_MAX);
    for (size_t i = 0; i < count; i++) {
        struct trouble trouble = {frame->bus, item->service, reply_id, ""};
        memcpy(trouble.code, codes[i], sizeof trouble.code);
        if (trouble_known(decode, &trouble))
            continue;
        if (decode->trouble_count < TROUBLE_MAX)
            decode->trouble[decode->trouble_count++] = trouble;
        else
            decode->trouble_not_kept++;
    }
}

void take_diagnostic(struct lt_decode *decode, const struct lt_frame *frame)
{
    struct lt_obd *obd = listener(decode, frame->bus);
    struct lt_obd_reply reply;
    if (!obd || !lt_obd_feed(obd, frame, &reply) || reply.negative)
        return;
    for (size_t i = 0; i < reply.count; i++) {
        uint8_t service = reply.item[i].service;
        if (service == 0x03 || service == 0x07 || service == 0x0A)
            take_trouble_codes(decode, frame, reply.id, &reply.item[i]);
        else
            take_item(decode, frame, reply.id, &reply.item[i]);
    }
}
