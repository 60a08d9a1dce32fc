/* SAE J1939: identifier fields, and messages of 9..1785 bytes put together from transport packets.
 *
 * Identifier, 29 bits:
 *
 *     28-26 priority | 25 EDP | 24 DP | 23-16 PF | 15-8 PS | 7-0 source
 *     PF <  240 (PDU1): PS is the destination, and the low byte of the PGN is 0
 *     PF >= 240 (PDU2): PS is the low byte of the PGN, and the message is for all
 *
 * Transport: TP.CM (PGN EC00) announces, TP.DT (PGN EB00) carries 7 bytes a packet, numbered
 * from 1.
 *
 *     20 LL LL NN FF PP PP PP   BAM: to all, without any reply
 *     10 LL LL NN MM PP PP PP   RTS: to one, which answers with
 *     11 NN XX FF FF PP PP PP     CTS: NN packets, from packet XX on (also backwards); NN 0 = wait
 *     13 LL LL NN FF PP PP PP     end of message
 *     FF RR FF FF FF PP PP PP   abort, by either side
 *
 * One session for each pair of source and destination (to all counts as one): the standard allows
 * no more. A listener cannot ask for what it missed, so a packet left out ends the session, unless
 * the receiver missed it too and asks for it. Sessions that only fall silent are seen to be over
 * when the next transport frame of anyone comes.
 *
 * Documents: Linux Documentation/networking/j1939.rst and net/can/j1939/transport.c; silence of 750
 * ms (BAM) from memory, 1250 ms as there. */
#include "loomtap/proto/j1939.h"

#include <stdlib.h>
#include <string.h>

#include "loomtap/base/bytes.h"

#define PACKET_BYTES      7u
#define SIZE_MIN          9u
#define SILENCE_BAM_NS    750000000u
#define SILENCE_DIRECT_NS 1250000000u
#define TO_ALL            0xFF

enum control { CONTROL_RTS = 0x10, CONTROL_CTS = 0x11, CONTROL_END = 0x13, CONTROL_BAM = 0x20 };
#define CONTROL_ABORT 0xFF

struct session {
    bool open;
    uint8_t source, destination;
    uint8_t packets;
    uint8_t got; /* packets 1..got are here */
    uint8_t
        next; /* the one to come: got + 1, or an earlier one that the receiver asked for again */
    uint16_t size;
    uint32_t pgn;
    int64_t last_ns;
    uint8_t bytes[255 * PACKET_BYTES + 8];
};

struct lt_j1939 {
    struct lt_j1939_counts counts;
    size_t open_count;
    struct session sessions[LT_J1939_SESSIONS_MAX];
};

struct lt_j1939_id lt_j1939_split(uint32_t id)
{
    uint8_t format = id >> 16 & 0xFF, specific = id >> 8 & 0xFF;
    bool to_all = format >= 240;
    return (struct lt_j1939_id){
        .priority = id >> 26 & 7,
        .pgn = (id >> 8 & 0x3FF00) | (to_all ? specific : 0u),
        .destination = to_all ? TO_ALL : specific,
        .source = id & 0xFF,
    };
}

uint32_t lt_j1939_join(struct lt_j1939_id parts)
{
    bool to_all = (parts.pgn >> 8 & 0xFF) >= 240;
    uint32_t specific = to_all ? parts.pgn & 0xFF : parts.destination;
    return (uint32_t)(parts.priority & 7) << 26 | (parts.pgn & 0x3FF00) << 8 | specific << 8 |
           parts.source;
}

enum lt_code lt_j1939_new(struct lt_j1939 **ret_j1939, struct lt_error *error)
{
    struct lt_j1939 *j1939 = calloc(1, sizeof *j1939);
    if (!j1939)
        return lt_fail(error, LT_E_MEMORY, "no memory to follow J1939 transport sessions");
    *ret_j1939 = j1939;
    return LT_OK;
}

void lt_j1939_free(struct lt_j1939 *j1939)
{
    free(j1939);
}

struct lt_j1939_counts lt_j1939_counts(const struct lt_j1939 *j1939)
{
    return j1939->counts;
}

static struct session *find(struct lt_j1939 *j1939, uint8_t source, uint8_t destination)
{
    for (size_t i = 0; i < LT_J1939_SESSIONS_MAX; i++) {
        struct session *session = &j1939->sessions[i];
        if (session->open && session->source == source && session->destination == destination)
            return session;
    }
    return NULL;
}

static void tell(const struct session *session, struct lt_j1939_result *result)
{
    result->pgn = session->pgn;
    result->source = session->source;
    result->destination = session->destination;
}

static void close_session(struct lt_j1939 *j1939, struct session *session)
{
    session->open = false;
    j1939->open_count--;
}

static void break_off(struct lt_j1939 *j1939, struct session *session, enum lt_j1939_break why,
                      struct lt_j1939_result *result)
{
    close_session(j1939, session);
    j1939->counts.broken[why]++;
    result->event = LT_J1939_BROKEN;
    result->why = why;
    tell(session, result);
}

static bool is_silent(const struct session *session, int64_t now_ns)
{
    uint64_t limit = session->destination == TO_ALL ? SILENCE_BAM_NS : SILENCE_DIRECT_NS;
    return now_ns != LT_NO_TIME && session->last_ns != LT_NO_TIME && now_ns > session->last_ns &&
           (uint64_t)now_ns - (uint64_t)session->last_ns > limit;
}

static void end_silent(struct lt_j1939 *j1939, int64_t now_ns, struct lt_j1939_result *result)
{
    for (size_t i = 0; j1939->open_count > 0 && i < LT_J1939_SESSIONS_MAX; i++)
        if (j1939->sessions[i].open && is_silent(&j1939->sessions[i], now_ns))
            break_off(j1939, &j1939->sessions[i], LT_J1939_TIMEOUT, result);
}

/* --- control --- */

static void refuse(struct lt_j1939 *j1939, const struct session *wanted, enum lt_j1939_break why,
                   struct lt_j1939_result *result)
{
    j1939->counts.broken[why]++;
    result->event = LT_J1939_BROKEN;
    result->why = why;
    tell(wanted, result);
}

static bool size_fits(const struct session *wanted)
{
    return wanted->size >= SIZE_MIN && wanted->size <= LT_J1939_TP_MAX &&
           wanted->packets == (wanted->size + PACKET_BYTES - 1) / PACKET_BYTES;
}

static void announce(struct lt_j1939 *j1939, const struct session *wanted,
                     struct lt_j1939_result *result)
{
    struct session *session = find(j1939, wanted->source, wanted->destination);
    if (session)
        break_off(j1939, session, LT_J1939_REPLACED, result);
    if (!size_fits(wanted)) {
        refuse(j1939, wanted, LT_J1939_BAD_SIZE, result);
        return;
    }
    for (size_t i = 0; i < LT_J1939_SESSIONS_MAX; i++) {
        session = &j1939->sessions[i];
        if (session->open)
            continue;
        /* All but the bytes. */
        memcpy(session, wanted, offsetof(struct session, bytes));
        session->open = true;
        session->next = 1;
        j1939->open_count++;
        return;
    }
    refuse(j1939, wanted, LT_J1939_FULL, result);
}

/* The receiver asks for packets: from before what it had means that it missed some. */
static void clear_to_send(struct lt_j1939 *j1939, struct session *session, const uint8_t *data,
                          int64_t now_ns, struct lt_j1939_result *result)
{
    uint8_t count = data[1], from = data[2];
    session->last_ns = now_ns;
    if (count == 0 || from == 0)
        return;
    if (from <= session->got + 1)
        session->next = from;
    else
        break_off(j1939, session, LT_J1939_GAP, result);
}

static void feed_control(struct lt_j1939 *j1939, const struct lt_frame *frame,
                         struct lt_j1939_id id, struct lt_j1939_result *result)
{
    const uint8_t *data = frame->data;
    if (frame->len < 8)
        return;
    struct session wanted = {.source = id.source,
                             .destination = id.destination,
                             .size = lt_load16_le(data + 1),
                             .packets = data[3],
                             .pgn = lt_load16_le(data + 5) | (uint32_t)data[7] << 16,
                             .last_ns = frame->time_ns};
    /* The receiver's messages run against the session's direction. */
    struct session *heard = find(j1939, id.destination, id.source);
    if (heard && heard->pgn != wanted.pgn)
        heard = NULL;
    switch (data[0]) {
    case CONTROL_BAM:
    case CONTROL_RTS:
        if ((data[0] == CONTROL_BAM) == (id.destination == TO_ALL))
            announce(j1939, &wanted, result);
        break;
    case CONTROL_CTS:
        if (heard)
            clear_to_send(j1939, heard, data, frame->time_ns, result);
        break;
    case CONTROL_END:
        if (heard) /* the receiver has it all, and we do not */
            break_off(j1939, heard, LT_J1939_GAP, result);
        break;
    case CONTROL_ABORT:
        if (!heard) {
            heard = find(j1939, id.source, id.destination);
            if (heard && heard->pgn != wanted.pgn)
                heard = NULL;
        }
        if (heard)
            break_off(j1939, heard, LT_J1939_ABORTED, result);
        break;
    default:
        break;
    }
}

/* --- data --- */

static void complete(struct lt_j1939 *j1939, struct session *session,
                     struct lt_j1939_result *result)
{
    close_session(j1939, session);
    j1939->counts.messages++;
    result->event = LT_J1939_MESSAGE;
    result->message = session->bytes;
    result->length = session->size;
    tell(session, result);
}

/* Data bytes of packet `number`; 0 when the frame cannot be that packet. */
static size_t packet_bytes(const struct session *session, const struct lt_frame *frame,
                           uint8_t number)
{
    if (number == 0 || number > session->packets)
        return 0;
    size_t left = session->size - (number - 1u) * PACKET_BYTES;
    size_t count = left < PACKET_BYTES ? left : PACKET_BYTES;
    return frame->len >= 1 + count ? count : 0;
}

static void feed_data(struct lt_j1939 *j1939, const struct lt_frame *frame, struct lt_j1939_id id,
                      struct lt_j1939_result *result)
{
    struct session *session = find(j1939, id.source, id.destination);
    if (!session) {
        /* The packet at which a session was found to be too old is part of it. */
        if (result->event != LT_J1939_BROKEN || result->source != id.source)
            j1939->counts.stray++;
        return;
    }
    uint8_t number = frame->len > 0 ? frame->data[0] : 0;
    size_t count = packet_bytes(session, frame, number);
    if (count == 0) {
        break_off(j1939, session, LT_J1939_BAD_SIZE, result);
        return;
    }
    uint8_t *place = session->bytes + (number - 1u) * PACKET_BYTES;
    bool repeated = number <= session->got && memcmp(place, frame->data + 1, count) == 0;
    if (!repeated && number != session->next && number != session->got + 1) {
        break_off(j1939, session, LT_J1939_GAP, result);
        return;
    }
    memcpy(place, frame->data + 1, count);
    session->last_ns = frame->time_ns;
    if (number >= session->next)
        session->next = number + 1;
    if (number > session->got)
        session->got = number;
    if (session->got == session->packets)
        complete(j1939, session, result);
}

struct lt_j1939_result lt_j1939_feed(struct lt_j1939 *j1939, const struct lt_frame *frame)
{
    struct lt_j1939_result result = {.event = LT_J1939_NOTHING, .time_ns = frame->time_ns};
    if (!lt_frame_has(frame, LT_FRAME_EXTENDED) || lt_frame_has(frame, LT_FRAME_REMOTE) ||
        lt_frame_has(frame, LT_FRAME_ERROR))
        return result;
    struct lt_j1939_id id = lt_j1939_split(frame->id);
    if (id.pgn != LT_PGN_TP_CM && id.pgn != LT_PGN_TP_DT)
        return result;
    end_silent(j1939, frame->time_ns, &result);
    if (id.pgn == LT_PGN_TP_CM)
        feed_control(j1939, frame, id, &result);
    else
        feed_data(j1939, frame, id, &result);
    return result;
}

const char *lt_j1939_break_text(enum lt_j1939_break why)
{
    static const char *const text[] = {
        [LT_J1939_OK] = "whole",
        [LT_J1939_GAP] = "a packet is missing",
        [LT_J1939_TIMEOUT] = "the packets stopped",
        [LT_J1939_REPLACED] = "the sender started anew",
        [LT_J1939_ABORTED] = "aborted",
        [LT_J1939_BAD_SIZE] = "size and packets do not fit",
        [LT_J1939_FULL] = "too many transports at once",
    };
    return (size_t)why < sizeof text / sizeof text[0] ? text[why] : "unknown";
}
