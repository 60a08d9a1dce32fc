/* Requests read, and replies cut into values.
 *
 *     request            reply
 *     01 PID ..          41 PID data [PID data ..]
 *     02 PID frame ..    42 PID frame data [..]
 *     03, 07, 0A         43, 47, 4A: count byte, codes
 *     09 type            49 type count data      (masks: no count byte)
 *     22 hi lo ..        62 hi lo data [hi lo data ..]
 *
 * A reply with several numbers says nothing about lengths, leaves out what the controller does not
 * have, and may be followed by padding inside the announced length. So the lengths come from the
 * profile or the table, and what was asked tells values from padding.
 *
 * Documents: SAE J1979 as in the encyclopaedia's "OBD-II PIDs"; layout of service 02 and of several
 * numbers in one reply, and the mask of service 09 without count byte: from memory. */
#include "proto/obd_split.h"

#include <string.h>

#include "loomtap/base/bytes.h"

struct layout {
    uint8_t service;
    uint8_t number_bytes; /* 0 = no number */
    uint8_t frame_bytes;  /* the freeze-frame number behind it */
    bool rest_if_alone;   /* a value asked for alone runs to the end of the reply */
};

static const struct layout layouts[] = {
    {0x01, 1, 0, false},
    {0x02, 1, 1, false},
    {0x09, 1, 0, true},
    {0x22, 2, 0, true},
};

static const struct layout *layout_of(uint8_t service)
{
    static const struct layout none = {0, 0, 0, true};
    for (size_t i = 0; i < sizeof layouts / sizeof layouts[0]; i++)
        if (layouts[i].service == service)
            return &layouts[i];
    return &none;
}

static uint32_t load_number(const struct layout *layout, const uint8_t *at)
{
    return layout->number_bytes == 2 ? lt_load16_be(at) : at[0];
}

bool lt_obd_asked_has(const struct lt_obd_asked *asked, uint32_t number)
{
    if (asked->count == 0)
        return number == LT_OBD_NO_NUMBER;
    for (size_t i = 0; i < asked->count; i++)
        if (asked->number[i] == number)
            return true;
    return false;
}

bool lt_obd_read_request(const uint8_t *message, uint32_t length, struct lt_obd_asked *ret_asked)
{
    /* Bit 6 marks replies (ISO 14229-1). */
    if (message[0] == 0 || (message[0] & 0x40) != 0)
        return false;
    /* "Tester present" that wants no reply: not a question. */
    if (message[0] == 0x3E && length > 1 && (message[1] & 0x80) != 0)
        return false;
    const struct layout *layout = layout_of(message[0]);
    size_t step = layout->number_bytes + layout->frame_bytes;
    ret_asked->service = message[0];
    ret_asked->count = 0;
    if (layout->number_bytes == 0)
        return true;
    for (size_t at = 1; at + layout->number_bytes <= length; at += step) {
        uint32_t number = load_number(layout, message + at);
        if (ret_asked->count == LT_OBD_ITEMS_MAX)
            break;
        /* Asked twice in one request is asked once. */
        if (ret_asked->count == 0 || !lt_obd_asked_has(ret_asked, number))
            ret_asked->number[ret_asked->count++] = number;
    }
    return true;
}

uint32_t lt_obd_first_number(const uint8_t *message, uint32_t length)
{
    const struct layout *layout = layout_of(message[0] & 0xBF);
    if (layout->number_bytes == 0 || length < 1u + layout->number_bytes)
        return LT_OBD_NO_NUMBER;
    return load_number(layout, message + 1);
}

static bool is_filler(const struct lt_cursor *rest)
{
    for (size_t i = 1; i < rest->left; i++)
        if (rest->at[i] != rest->at[0])
            return false;
    return true;
}

static bool was_given(const struct lt_obd_reply *reply, uint32_t number)
{
    for (size_t i = 0; i < reply->count; i++)
        if (reply->item[i].number == number)
            return true;
    return false;
}

/* Is `number` the only one of the request that has not been given yet? */
static bool is_last(const struct lt_obd_reply *reply, const struct lt_obd_asked *asked,
                    uint32_t number)
{
    for (size_t i = 0; i < asked->count; i++)
        if (asked->number[i] != number && !was_given(reply, asked->number[i]))
            return false;
    return true;
}

struct splitter {
    const struct layout *layout;
    const struct lt_obd_asked *asked; /* NULL = not known */
    lt_obd_length_fn length_fn;
    void *context;
    struct lt_obd_reply *reply;
    struct lt_cursor rest;
};

static uint32_t known_length(const struct splitter *s, uint32_t number)
{
    uint8_t service = s->layout->service;
    uint32_t length = s->length_fn ? s->length_fn(s->context, service, number) : 0;
    if (length > 0)
        return length;
    if (service == 0x01 || service == 0x02)
        return lt_obd_pid_length(number);
    /* Identifiers F4xx carry the data of PID xx. */
    return service == 0x22 && number >> 8 == 0xF4 ? lt_obd_pid_length(number & 0xFF) : 0;
}

/* Nothing but one value of known length is left: it is that, even where its data repeat its number
 * (speed of 13 km/h: 0D 0D), unless it is made of the bytes that are used for padding. */
static bool fits_exactly(const struct splitter *s, uint32_t number)
{
    static const uint8_t padding[] = {0x00, 0x55, 0xAA, 0xCC, 0xFF};
    size_t known = known_length(s, number);
    if (known == 0 || s->rest.left != s->layout->number_bytes + s->layout->frame_bytes + known)
        return false;
    return memchr(padding, s->rest.at[0], sizeof padding) == NULL;
}

/* Can a value with this number stand here, or is this padding (or are we out of step)? */
static bool may_follow(const struct splitter *s, uint32_t number)
{
    if (s->asked)
        return lt_obd_asked_has(s->asked, number) && !was_given(s->reply, number);
    return s->reply->count == 0 ||
           (!was_given(s->reply, number) && (!is_filler(&s->rest) || fits_exactly(s, number)));
}

/* Bytes of the value whose head stands at `rest`, `left` bytes behind the head. False when that
 * cannot be told. */
static bool value_length(const struct splitter *s, uint32_t number, size_t left, size_t *ret_length)
{
    bool alone = s->asked && s->asked->count == 1;
    size_t known = known_length(s, number);
    *ret_length = left;
    if (alone && s->layout->rest_if_alone)
        return true;
    if (known == 0)
        return s->asked ? is_last(s->reply, s->asked, number) : s->reply->count == 0;
    if (known <= left) {
        *ret_length = known;
        return true;
    }
    /* Cut short: given as it is, unless it may as well be padding that looks like a number. */
    return s->reply->count == 0 || (s->asked && !is_filler(&s->rest));
}

static uint32_t split_numbers(struct splitter *s)
{
    size_t head = s->layout->number_bytes + s->layout->frame_bytes;
    struct lt_obd_reply *reply = s->reply;
    while (s->rest.left >= head && reply->count < LT_OBD_ITEMS_MAX) {
        uint32_t number = load_number(s->layout, s->rest.at);
        size_t length;
        if (!may_follow(s, number))
            break;
        if (!value_length(s, number, s->rest.left - head, &length)) {
            reply->ambiguous = !is_filler(&s->rest);
            return number;
        }
        reply->item[reply->count++] = (struct lt_obd_item){
            .service = reply->service,
            .number = number,
            .freeze_frame = s->layout->frame_bytes ? s->rest.at[s->layout->number_bytes] : 0,
            .data = s->rest.at + head,
            .length = (uint32_t)length,
        };
        s->rest.at += head + length;
        s->rest.left -= head + length;
    }
    /* Something that is neither padding nor asked for stands behind. */
    bool several = !s->asked || s->asked->count > 1;
    reply->ambiguous = several && s->rest.left > 0 && !is_filler(&s->rest);
    return LT_OBD_NO_NUMBER;
}

/* Behind the type comes the number of data items, except for masks, which are four bytes. */
static void split_information(const uint8_t *message, uint32_t length, struct lt_obd_reply *reply)
{
    if (length < 2)
        return;
    bool is_mask = message[1] % 0x20 == 0 && length == 2 + 4;
    uint32_t head = is_mask || length < 3 ? 2 : 3;
    reply->item[reply->count++] = (struct lt_obd_item){.service = reply->service,
                                                       .number = message[1],
                                                       .data = message + head,
                                                       .length = length - head};
}

uint32_t lt_obd_split(const uint8_t *message, uint32_t length, const struct lt_obd_asked *asked,
                      lt_obd_length_fn length_fn, void *context, struct lt_obd_reply *reply)
{
    reply->service = message[0] & 0xBF;
    reply->count = 0;
    reply->ambiguous = false;
    struct splitter splitter = {.layout = layout_of(reply->service),
                                .asked = asked,
                                .length_fn = length_fn,
                                .context = context,
                                .reply = reply,
                                .rest = {message + 1, length - 1}};
    if (reply->service == 0x09) {
        split_information(message, length, reply);
        return LT_OBD_NO_NUMBER;
    }
    if (splitter.layout->number_bytes > 0)
        return split_numbers(&splitter);
    reply->item[reply->count++] = (struct lt_obd_item){.service = reply->service,
                                                       .number = LT_OBD_NO_NUMBER,
                                                       .data = message + 1,
                                                       .length = length - 1};
    return LT_OBD_NO_NUMBER;
}
