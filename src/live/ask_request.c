/* What may be sent at all: one table of services, all of them read-only, and the two shapes of
 * frame that a reader needs. Whatever is not in the table cannot be built, and lt_ask_is_allowed
 * looks at the finished frame once more, from its bytes.
 *
 *     01 PID [PID ..]      live data, up to six together (ISO 15765-4)
 *     02 PID 00            freeze frame 0
 *     03, 07, 0A           stored, pending, permanent codes
 *     09 type              identification
 *     22 hi lo             UDS, read data by identifier
 *
 * Documents: SAE J1979 / ISO 15031-5, ISO 14229-1, ISO 15765-2 (single frame, flow control). */
#include <string.h>

#include "live/ask_inside.h"
#include "loomtap/base/bytes.h"

struct service {
    uint8_t service, number_bytes;
    uint8_t together; /* numbers in a request at most */
    uint8_t behind;   /* zero bytes behind a number: the freeze frame's */
    bool once;
};

static const struct service services[] = {
    {0x01, 1, LT_ASK_TOGETHER_MAX, 0, false}, /* live data */
    {0x02, 1, 1, 1, true},                    /* of the moment when a code was stored */
    {0x03, 0, 0, 0, true},                    /* stored codes */
    {0x07, 0, 0, 0, true},                    /* pending codes */
    {0x09, 1, 1, 0, true},                    /* identification */
    {0x0A, 0, 0, 0, true},                    /* permanent codes */
    {0x22, 2, 1, 0, false},                   /* read data by identifier */
};

static const struct service *find_service(uint8_t service)
{
    for (size_t i = 0; i < sizeof services / sizeof *services; i++)
        if (services[i].service == service)
            return &services[i];
    return NULL;
}

bool lt_ask_may(uint8_t service)
{
    return find_service(service) != NULL;
}

bool lt_ask_is_once(uint8_t service)
{
    const struct service *row = find_service(service);
    return row && row->once;
}

static bool put_number(const struct service *row, uint32_t number, uint8_t *at)
{
    if (number >= UINT32_C(1) << 8 * row->number_bytes)
        return false;
    if (row->number_bytes == 2)
        lt_store16_be(at, (uint16_t)number);
    else
        at[0] = (uint8_t)number;
    memset(at + row->number_bytes, 0, row->behind);
    return true;
}

size_t lt_ask_payload(uint8_t service, const uint32_t *numbers, size_t count,
                      uint8_t ret_payload[7])
{
    const struct service *row = find_service(service);
    uint8_t bytes[7] = {service};
    size_t length = 1;
    if (!row || count > row->together || (count == 0) != (row->number_bytes == 0))
        return 0;
    for (size_t i = 0; i < count; i++) {
        if (!put_number(row, numbers[i], bytes + length))
            return 0;
        length += row->number_bytes + row->behind;
    }
    memcpy(ret_payload, bytes, length);
    return length;
}

/* Flow control: go on, no block size, no pause (ISO 15765-2: 30 00 00). */
static bool is_flow_control(const struct lt_frame *frame)
{
    return frame->data[0] == 0x30 && frame->data[1] == 0 && frame->data[2] == 0;
}

static bool is_request(const struct lt_frame *frame)
{
    size_t length = frame->data[0];
    if (length < 1 || length > 7)
        return false;
    const struct service *row = find_service(frame->data[1]);
    if (!row)
        return false;
    size_t step = (size_t)row->number_bytes + row->behind;
    return step == 0
               ? length == 1
               : length > 1 && (length - 1) % step == 0 && (length - 1) / step <= row->together;
}

bool lt_ask_is_allowed(const struct lt_frame *frame)
{
    uint32_t partner;
    enum lt_obd_kind kind = lt_obd_classify(frame, &partner);
    if (lt_frame_has(frame, LT_FRAME_FD) || frame->len != 8)
        return false;
    if (kind == LT_OBD_PHYSICAL)
        return is_flow_control(frame) || is_request(frame);
    return kind == LT_OBD_FUNCTIONAL && is_request(frame);
}

static void address(const struct lt_ask_address *to, struct lt_frame *frame)
{
    frame->time_ns = LT_NO_TIME;
    frame->flags = to->extended ? LT_FRAME_EXTENDED : 0;
    frame->len = frame->raw_dlc = 8; /* ISO 15765-4: always eight bytes */
    if (to->reply_id == 0)
        frame->id = to->extended ? FUNCTIONAL_29 : FUNCTIONAL_11;
    else if (to->extended)
        frame->id = PHYSICAL_29 | (to->reply_id & 0xFF) << 8;
    else
        frame->id = to->reply_id ^ 8;
}

bool lt_ask_request_frame(const struct lt_ask_address *to, uint8_t service, const uint32_t *numbers,
                          size_t count, struct lt_frame *ret_frame)
{
    struct lt_frame frame = {0};
    size_t length = lt_ask_payload(service, numbers, count, frame.data + 1);
    if (length == 0)
        return false;
    frame.data[0] = (uint8_t)length;
    address(to, &frame);
    *ret_frame = frame;
    return true;
}

void lt_ask_flow_frame(const struct lt_ask_address *to, struct lt_frame *ret_frame)
{
    *ret_frame = (struct lt_frame){.data = {0x30}};
    address(to, ret_frame);
}
