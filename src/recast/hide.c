/* Identification numbers made unreadable: 'X' over the bytes, lengths and frames kept.
 *
 * Known by their place: replies to OBD-II service 09 with vehicle number, calibration and
 * controller names (SAE J1979 types 02, 04, 0A, 0D, 0F), UDS data identifiers F180..F19F but for
 * F186 and F802.. (ISO 14229-1 annex C.1, SAE J1979-2), the older service 1A, and the J1939 groups
 * FEEC (vehicle), FEEB (component), FDC5 (ECU identification).
 *
 * Known by their look: 17 or more characters of a vehicle number (ISO 3779: capitals and digits
 * without I, O, Q, at least one digit) one behind another in the payload of any transport message
 * (ISO 15765-2, SAE J1939-21), whatever was asked. That is seen late, so frames wait in a ring. */
#include "recast/inside.h"

#include <stdlib.h>
#include <string.h>

#include "loomtap/proto/obd.h"

#define RING_ITEMS  8192
#define TALK_SLOTS  4096
#define TALKS_MAX   2048
#define PARTS_MAX   16
#define LOOK_LENGTH 17
#define TP_DATA_KEY UINT32_C(0x80000000) /* keeps J1939 transport apart from identifiers */

struct slot {
    struct held held;
    unsigned masked; /* bytes */
};

/* Bytes [from, to) of frame `number` in the ring. */
struct part {
    uint64_t number;
    uint8_t from, to;
};

/* One direction of one conversation. */
struct talk {
    const struct source_bus *bus; /* NULL: slot not used */
    uint32_t key;
    bool extended;
    bool busy, begun; /* in a message; a first frame was seen ever */
    bool masks;       /* this message, and what may still belong to it, is hidden */
    bool asked;       /* the last request to it named an identification number */
    uint8_t address;  /* bytes before the protocol byte: 0 or 1 */
    uint8_t next;
    uint32_t length, have;
    unsigned run; /* characters like those of a vehicle number, up to here */
    bool run_digit, covering;
    struct part parts[PARTS_MAX]; /* where the run is */
    unsigned part_count;
};

struct hide {
    hide_give give;
    void *context;
    struct lt_recast_counts *counts;
    uint64_t fed, given; /* frames */
    bool all_were_asked; /* the last request to all named an identification number */
    size_t talk_count;
    struct talk talks[TALK_SLOTS];
    struct slot ring[RING_ITEMS];
};

struct hide *hide_new(hide_give give, void *context, struct lt_recast_counts *counts)
{
    struct hide *hide = calloc(1, sizeof *hide);
    if (!hide)
        return NULL;
    hide->give = give;
    hide->context = context;
    hide->counts = counts;
    return hide;
}

void hide_free(struct hide *hide)
{
    free(hide);
}

/* --- the ring --- */

static void give_oldest(struct hide *hide)
{
    struct slot *slot = &hide->ring[hide->given % RING_ITEMS];
    hide->counts->hidden_frames += slot->masked > 0;
    hide->counts->hidden_bytes += slot->masked;
    hide->given++;
    hide->give(hide->context, &slot->held);
}

static struct slot *add_to_ring(struct hide *hide, const struct held *held)
{
    if (hide->fed - hide->given == RING_ITEMS)
        give_oldest(hide);
    struct slot *slot = &hide->ring[hide->fed++ % RING_ITEMS];
    slot->held = *held;
    slot->masked = 0;
    if (held->frame.time_text)
        slot->held.frame.time_text = slot->held.time_text;
    return slot;
}

void hide_end(struct hide *hide)
{
    while (hide->given < hide->fed)
        give_oldest(hide);
}

static void mask(struct slot *slot, unsigned from, unsigned to)
{
    struct lt_frame *frame = &slot->held.frame;
    for (unsigned i = from; i < to && i < frame->len; i++) {
        slot->masked += frame->data[i] != 'X';
        frame->data[i] = 'X';
    }
}

/* --- conversations --- */

static unsigned slot_of(const struct source_bus *bus, uint32_t key, bool extended)
{
    uint64_t mixed = ((uint64_t)(uintptr_t)bus >> 4) ^ ((uint64_t)key << 1 | extended);
    return (unsigned)((mixed * UINT64_C(0x9E3779B97F4A7C15)) >> 52) % TALK_SLOTS;
}

/* `add`: makes it if it is not there; NULL: not there, or too many. */
static struct talk *find_talk(struct hide *hide, const struct source_bus *bus, uint32_t key,
                              bool extended, bool add)
{
    unsigned at = slot_of(bus, key, extended);
    for (; hide->talks[at].bus; at = (at + 1) % TALK_SLOTS) {
        struct talk *talk = &hide->talks[at];
        if (talk->bus == bus && talk->key == key && talk->extended == extended)
            return talk;
    }
    if (!add)
        return NULL;
    if (hide->talk_count == TALKS_MAX) {
        hide->counts->unwatched++;
        return NULL;
    }
    hide->talk_count++;
    hide->talks[at] = (struct talk){.bus = bus, .key = key, .extended = extended};
    return &hide->talks[at];
}

/* --- by look --- */

static bool is_number_character(uint8_t c)
{
    return (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z' && c != 'I' && c != 'O' && c != 'Q');
}

static void end_run(struct talk *talk)
{
    talk->run = 0;
    talk->part_count = 0;
    talk->run_digit = talk->covering = false;
}

static void cover_run(struct hide *hide, struct talk *talk)
{
    bool left = false;
    for (unsigned i = 0; i < talk->part_count; i++) {
        const struct part *part = &talk->parts[i];
        if (part->number < hide->given)
            left = true;
        else
            mask(&hide->ring[part->number % RING_ITEMS], part->from, part->to);
    }
    hide->counts->vins_left += left;
    hide->counts->hidden_messages += !left;
    talk->covering = true;
}

/* The byte at `index` of the frame that was fed last. */
static void look_at(struct hide *hide, struct talk *talk, struct slot *slot, unsigned index)
{
    uint8_t c = slot->held.frame.data[index];
    uint64_t number = hide->fed - 1;
    struct part *last = talk->part_count ? &talk->parts[talk->part_count - 1] : NULL;
    if (!is_number_character(c)) {
        end_run(talk);
        return;
    }
    talk->run++;
    talk->run_digit |= c <= '9';
    if (talk->covering) {
        mask(slot, index, index + 1);
        return;
    }
    if (last && last->number == number && last->to == index) {
        last->to++;
    } else {
        if (talk->part_count == PARTS_MAX) /* long text without a digit: its start may go */
            memmove(talk->parts, talk->parts + 1, --talk->part_count * sizeof *talk->parts);
        talk->parts[talk->part_count++] =
            (struct part){number, (uint8_t)index, (uint8_t)(index + 1)};
    }
    if (talk->run >= LOOK_LENGTH && talk->run_digit)
        cover_run(hide, talk);
}

static void look_over(struct hide *hide, struct talk *talk, struct slot *slot, unsigned from,
                      unsigned to)
{
    for (unsigned i = from; i < to && i < slot->held.frame.len; i++)
        look_at(hide, talk, slot, i);
}

/* --- by place: diagnostics --- */

static bool names_vehicle(unsigned did)
{
    static const uint16_t obd[] = {0xF802, 0xF804, 0xF80A, 0xF80D, 0xF80F};
    for (size_t i = 0; i < sizeof obd / sizeof *obd; i++)
        if (did == obd[i])
            return true;
    return did >= 0xF180 && did <= 0xF19F && did != 0xF186; /* F186: the session */
}

/* From which byte of the payload on it is an identification number; 0: it is none. */
static unsigned hidden_from(const uint8_t *payload, unsigned len, bool asked)
{
    unsigned service = len > 1 ? payload[0] : 0, type = len > 1 ? payload[1] : 0;
    unsigned did = len > 2 ? type << 8 | payload[2] : 0;
    if (service == 0x49 &&
        (type == 0x02 || type == 0x04 || type == 0x0A || type == 0x0D || type == 0x0F))
        return 3; /* the number of items stays */
    if (service == 0x62 && len > 2 && (asked || names_vehicle(did)))
        return 3;
    if (service == 0x2E && names_vehicle(did))
        return 3;
    if (service == 0x5A && type >= 0x80 && type <= 0x9F)
        return 2;
    return 0;
}

/* Does a request of service 22 name such a number? What does not fit into the frame may. */
static bool asks_for_number(const uint8_t *payload, unsigned len, bool whole)
{
    if (len < 1 || payload[0] != 0x22)
        return false;
    for (unsigned i = 1; i + 1 < len; i += 2)
        if (names_vehicle((unsigned)payload[i] << 8 | payload[i + 1]))
            return true;
    return !whole;
}

/* Identifiers of diagnostics by custom: the 7xx range, and 18DA/18DB of ISO 15765-4. */
static bool is_diagnostic(const struct lt_frame *frame)
{
    if (!lt_frame_has(frame, LT_FRAME_EXTENDED))
        return frame->id >= 0x700;
    return (frame->id >> 16 & 0x1FFE) == 0x18DA;
}

static void note_question(struct hide *hide, const struct held *held, const uint8_t *payload,
                          unsigned len, bool whole)
{
    const struct lt_frame *frame = &held->frame;
    bool extended = lt_frame_has(frame, LT_FRAME_EXTENDED);
    uint32_t partner;
    enum lt_obd_kind kind = lt_obd_classify(frame, &partner);
    bool asks = asks_for_number(payload, len, whole);
    if (kind == LT_OBD_FUNCTIONAL)
        hide->all_were_asked = asks;
    if (kind == LT_OBD_NOT && !extended)
        partner = frame->id + 8; /* the custom beyond 7E0..7E7 as well */
    else if (kind != LT_OBD_PHYSICAL)
        return;
    struct talk *talk = find_talk(hide, held->bus, partner, extended, asks);
    if (talk)
        talk->asked = asks;
}

/* A message that begins: payload bytes [from, to) of the frame. */
static void begin_message(struct hide *hide, struct talk *talk, struct slot *slot, unsigned from,
                          unsigned to, bool asked)
{
    unsigned hidden = hidden_from(slot->held.frame.data + from, to - from, asked);
    end_run(talk);
    talk->masks = hidden > 0;
    talk->begun = true;
    if (hidden > 0) {
        hide->counts->hidden_messages++;
        mask(slot, from + hidden, to);
    } else {
        look_over(hide, talk, slot, from, to);
    }
}

static bool was_asked(const struct hide *hide, const struct talk *talk,
                      const struct lt_frame *frame)
{
    uint32_t partner;
    return talk->asked ||
           (hide->all_were_asked && lt_obd_classify(frame, &partner) == LT_OBD_REPLY);
}

/* The head of a single or first frame: where its payload begins, and how long the message is. */
static bool read_head(const struct lt_frame *frame, unsigned address, unsigned *ret_from,
                      uint32_t *ret_length, bool *ret_single)
{
    const uint8_t *data = frame->data + address;
    unsigned room = frame->len > address ? frame->len - address : 0;
    if (room < 2)
        return false;
    *ret_single = data[0] >> 4 == 0;
    *ret_from = address + 1;
    *ret_length = data[0] & 15;
    if (*ret_single && *ret_length == 0 && frame->len > 8) { /* FD: the length has its own byte */
        *ret_from = address + 2;
        *ret_length = data[1];
    } else if (data[0] >> 4 == 1) {
        *ret_from = address + 2;
        *ret_length = (uint32_t)(data[0] & 15) << 8 | data[1];
        if (*ret_length == 0 && room > 6) { /* 32-bit length */
            *ret_from = address + 6;
            *ret_length = (uint32_t)data[2] << 24 | (uint32_t)data[3] << 16 |
                          (uint32_t)data[4] << 8 | data[5];
        }
        return frame->len >= 8 && *ret_length > frame->len - *ret_from;
    }
    return *ret_single && *ret_length > 0 && *ret_length <= frame->len - *ret_from;
}

/* With an address byte before the protocol (ISO 15765-2 extended addressing) a first frame is known
 * by what it carries alone. */
static unsigned address_bytes(const struct lt_frame *frame)
{
    unsigned from;
    uint32_t length;
    bool single;
    if (read_head(frame, 1, &from, &length, &single) && !single &&
        hidden_from(frame->data + from, frame->len - from, false) > 0)
        return 1;
    return 0;
}

static void take_head(struct hide *hide, struct slot *slot)
{
    const struct held *held = &slot->held;
    const struct lt_frame *frame = &held->frame;
    unsigned address = address_bytes(frame), from;
    uint32_t length;
    bool single;
    if (!read_head(frame, address, &from, &length, &single))
        return;
    if (single && !is_diagnostic(frame)) /* any frame of signals may look so */
        return;
    unsigned to = single ? from + (unsigned)length : frame->len;
    if (is_diagnostic(frame))
        note_question(hide, held, frame->data + from, to - from, single);
    struct talk *talk =
        find_talk(hide, held->bus, frame->id, lt_frame_has(frame, LT_FRAME_EXTENDED), true);
    if (!talk)
        return;
    talk->address = (uint8_t)address;
    talk->busy = !single;
    talk->length = length;
    talk->have = to - from;
    talk->next = 1;
    begin_message(hide, talk, slot, from, to, was_asked(hide, talk, frame));
    if (frame->data[from] == 0x62) /* one answer a question */
        talk->asked = false;
}

/* The part before it once more, as some senders do: it says nothing new, but holds the same. */
static void take_repeat(struct talk *talk, struct slot *slot, uint64_t number, unsigned from)
{
    unsigned len = slot->held.frame.len;
    if (talk->masks || talk->covering)
        mask(slot, from, len);
    else if (talk->run > 0 && len > from && talk->part_count < PARTS_MAX)
        talk->parts[talk->part_count++] = (struct part){number, (uint8_t)from, (uint8_t)len};
}

/* Parts behind a first frame that the capture does not have may be part of anything. */
static bool hides_stray(const struct talk *talk, const struct lt_frame *frame)
{
    uint32_t partner;
    return (!talk || !talk->begun) && lt_obd_classify(frame, &partner) == LT_OBD_REPLY;
}

static void take_more(struct hide *hide, struct slot *slot, struct talk *talk)
{
    const struct lt_frame *frame = &slot->held.frame;
    unsigned from = (talk ? talk->address : 0u) + 1;
    if (hides_stray(talk, frame)) {
        mask(slot, from, frame->len);
        return;
    }
    if (!talk)
        return;
    unsigned number = frame->data[talk->address] & 15;
    unsigned room = frame->len > from ? frame->len - from : 0;
    uint32_t left = talk->length - talk->have;
    bool in_order = talk->busy && number == talk->next;
    if (!in_order && talk->begun && number == ((talk->next - 1) & 15)) {
        take_repeat(talk, slot, hide->fed - 1, from);
        return;
    }
    unsigned take = in_order && left < room ? (unsigned)left : room;
    if (!in_order)
        end_run(talk);
    if (talk->masks)
        mask(slot, from, from + take);
    else if (talk->busy)
        look_over(hide, talk, slot, from, from + take);
    if (!in_order)
        return;
    talk->next = (uint8_t)((number + 1) & 15);
    talk->have += take;
    talk->busy = talk->have < talk->length;
}

static void look_for_diagnostics(struct hide *hide, struct slot *slot)
{
    const struct lt_frame *frame = &slot->held.frame;
    struct talk *talk =
        find_talk(hide, slot->held.bus, frame->id, lt_frame_has(frame, LT_FRAME_EXTENDED), false);
    unsigned address = talk ? talk->address : 0;
    if (frame->len > address && frame->data[address] >> 4 == 2)
        take_more(hide, slot, talk);
    else
        take_head(hide, slot);
}

/* --- by place: J1939 --- */

static bool group_names_vehicle(uint32_t pgn)
{
    return pgn == 0xFEEC || pgn == 0xFEEB || pgn == 0xFDC5;
}

/* True: this was J1939 transport or an identification; SAE J1939-21, transport protocol. */
static bool look_for_j1939(struct hide *hide, struct slot *slot)
{
    const struct lt_frame *frame = &slot->held.frame;
    uint32_t format = frame->id >> 16 & 0xFF, pgn = frame->id >> 8 & 0x3FFFF;
    uint32_t key = TP_DATA_KEY | (frame->id & 0xFFFF); /* destination and source */
    if (group_names_vehicle(pgn)) {
        mask(slot, 0, frame->len);
        hide->counts->hidden_messages++;
        return true;
    }
    if (format == 0xEC && frame->len == 8 && (frame->data[0] == 16 || frame->data[0] == 32)) {
        struct talk *talk = find_talk(hide, slot->held.bus, key, true, true);
        if (!talk)
            return true;
        end_run(talk);
        talk->masks = group_names_vehicle((uint32_t)frame->data[5] | (uint32_t)frame->data[6] << 8 |
                                          (uint32_t)frame->data[7] << 16);
        hide->counts->hidden_messages += talk->masks;
        return true;
    }
    if (format != 0xEB)
        return false;
    struct talk *talk = find_talk(hide, slot->held.bus, key, true, false);
    if (talk && talk->masks)
        mask(slot, 1, frame->len);
    else if (talk)
        look_over(hide, talk, slot, 1, frame->len);
    return talk != NULL;
}

void hide_feed(struct hide *hide, const struct held *held)
{
    struct slot *slot = add_to_ring(hide, held);
    const struct lt_frame *frame = &slot->held.frame;
    if (frame->len == 0 || lt_frame_has(frame, LT_FRAME_ERROR) ||
        lt_frame_has(frame, LT_FRAME_REMOTE))
        return;
    if (lt_frame_has(frame, LT_FRAME_EXTENDED) && look_for_j1939(hide, slot))
        return;
    look_for_diagnostics(hide, slot);
}
