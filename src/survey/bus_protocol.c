/* What is spoken on a bus: OBD-II (ISO 15765-4 identifiers), UDS (services of ISO 14229-1 inside
 * ISO-TP single and first frames), SAE J1939 on 29-bit identifiers.
 *
 * J1939 is told by two broadcast groups that the standard names, or by one of them beside an
 * address claim, a request or a transport announcement of the right form. 29-bit identifiers alone
 * say nothing: a chance identifier hits a named group in one of two hundred. */
#include "survey/bus_protocol.h"

#include <string.h>

#include "loomtap/proto/j1939.h"
#include "loomtap/proto/obd.h"

#define PGN_CLAIM       60928u
#define PGN_BROADCAST   61440u /* PF >= 240 */
#define PGN_PROPRIETARY 65280u
#define REPLY_BIT       0x40u /* of a service that is answered, ISO 14229-1 */
#define REFUSED         0x7Fu
#define MOSTLY          0.9
#define SELDOM_MOST     2u
#define SCATTERED_LEAST 256u /* streams: more than a car's controllers say once, such as claims */
#define OTHERS_MOST     2u   /* still frames beside diagnostics: a gateway's own */

/* --- diagnostics --- */

/* The service byte of a frame that begins a message; 0 for pieces, flow control and others. */
static uint8_t service_of(const uint8_t *row, unsigned length)
{
    unsigned kind = length >= 3 ? row[0] >> 4 : 0xF, low = length >= 3 ? row[0] & 0x0F : 0;
    if (kind == 0 && low >= 1 && low <= 7 && low < length)
        return row[1];
    return kind == 1 && length >= 8 && (low << 8 | row[1]) > 7 ? row[2] : 0;
}

static bool is_obd_service(uint8_t service)
{
    return service >= 0x01 && service <= 0x0A;
}

static bool is_uds_service(uint8_t service)
{
    return (service >= 0x10 && service <= 0x3E) || (service >= 0x83 && service <= 0x88);
}

bool bus_is_service(uint8_t service)
{
    return is_obd_service(service) || is_uds_service(service);
}

uint8_t bus_service(const uint8_t *row, unsigned length, bool *ret_reply)
{
    uint8_t service = service_of(row, length), request = service & (uint8_t)~REPLY_BIT;
    *ret_reply = true;
    if (service == REFUSED)
        return length >= 4 ? row[2] : 0;
    if ((service & REPLY_BIT) && bus_is_service(request))
        return request;
    *ret_reply = false;
    return service;
}

static void count_services(const struct lt_kept *kept, struct bus_speech *speech,
                           uint64_t *ret_replies)
{
    *ret_replies = 0;
    for (size_t row = 0; row < kept->count; row++) {
        bool reply;
        uint8_t service = bus_service(lt_kept_row(kept, row), kept->key.length, &reply);
        if (is_uds_service(service))
            speech->uds_services[service]++;
        *ret_replies += reply && service != 0;
    }
}

static void look_at_diagnostics(const struct lt_stream *stream, struct bus_speech *speech)
{
    struct lt_frame frame = {.id = stream->key.id, .len = stream->key.length};
    uint32_t partner;
    uint64_t replies, count = stream->timing.count;
    frame.flags = stream->key.extended ? LT_FRAME_EXTENDED : 0;
    enum lt_obd_kind kind = lt_obd_classify(&frame, &partner);
    if (kind == LT_OBD_NOT && stream->key.extended)
        return; /* J1939 transport */
    count_services(&stream->kept, speech, &replies);
    if (kind == LT_OBD_REPLY)
        speech->obd_replies += count;
    else if (kind != LT_OBD_NOT)
        speech->obd_requests += count;
    else if (replies > 0)
        speech->maker_replies += count;
    else
        speech->maker_requests += count;
}

/* --- J1939 --- */

static bool has_extended_data_page(uint32_t id)
{
    return id >> 25 & 1;
}

static bool is_claim(const struct lt_stream *stream, uint32_t pgn)
{
    return pgn == PGN_CLAIM && stream->key.length == 8;
}

static bool is_request(const struct lt_stream *stream, uint32_t pgn)
{
    return pgn == LT_PGN_REQUEST && stream->key.length == 3;
}

/* Broadcast announcement or request to send, SAE J1939-21. */
static bool is_announcement(const struct lt_stream *stream, uint32_t pgn)
{
    if (pgn != LT_PGN_TP_CM || stream->key.length != 8 || stream->kept.count == 0)
        return false;
    const uint8_t *row = lt_kept_row(&stream->kept, 0);
    unsigned size = row[1] | (unsigned)row[2] << 8;
    return (row[0] == 32 || row[0] == 16) && size >= 9 && size <= LT_J1939_TP_MAX &&
           row[3] == (size + 6) / 7;
}

#define KNOWN_MOST 64 /* more than pgn.c names */

struct j1939_marks {
    bool claim, request, transport;
    bool source[256];
    size_t broadcast; /* different named groups that are broadcast */
    uint32_t pgn[KNOWN_MOST];
};

static void note_known(struct j1939_marks *marks, struct bus_speech *speech, uint32_t pgn)
{
    for (size_t i = 0; i < marks->broadcast; i++)
        if (marks->pgn[i] == pgn)
            return;
    if (marks->broadcast == KNOWN_MOST)
        return;
    if (marks->broadcast < BUS_GROUPS_SHOWN)
        speech->known[marks->broadcast] = pgn_name(pgn);
    marks->pgn[marks->broadcast++] = pgn;
    speech->pgns_known = marks->broadcast;
}

static void look_at_group(const struct lt_stream *stream, struct j1939_marks *marks,
                          struct bus_speech *speech)
{
    struct lt_j1939_id parts = lt_j1939_split(stream->key.id);
    marks->source[parts.source] = true;
    marks->claim |= is_claim(stream, parts.pgn);
    marks->request |= is_request(stream, parts.pgn);
    marks->transport |= is_announcement(stream, parts.pgn);
    if (parts.pgn >= PGN_BROADCAST && parts.pgn < PGN_PROPRIETARY && pgn_name(parts.pgn))
        note_known(marks, speech, parts.pgn);
}

static void settle_j1939(const struct j1939_marks *marks, struct bus_speech *speech)
{
    unsigned signs = (unsigned)marks->claim + marks->request + marks->transport;
    speech->j1939 = marks->broadcast >= 2 || (marks->broadcast == 1 && signs >= 1) || signs >= 2;
    if (!speech->j1939)
        return;
    speech->j1939_transport = marks->transport;
    speech->j1939_claims = marks->claim;
    for (unsigned source = 0; source < 256; source++) {
        if (!marks->source[source])
            continue;
        if (speech->source_count < BUS_SOURCES_SHOWN)
            speech->sources[speech->source_count] = (uint8_t)source;
        speech->source_count++;
    }
}

/* --- the whole --- */

static bool changes(const struct lt_kept *kept)
{
    for (size_t row = 1; row < kept->count; row++)
        if (memcmp(lt_kept_row(kept, row), lt_kept_row(kept, 0), kept->key.length) != 0)
            return true;
    return false;
}

static void look_at_frame(const struct lt_survey_frame *frame, struct bus_speech *speech)
{
    const struct lt_stream *stream = frame->stream;
    if (frame->diagnostic) {
        speech->diagnostic_count += stream->timing.count;
        look_at_diagnostics(stream, speech);
        return;
    }
    bool moves = changes(&stream->kept);
    speech->other_frames++;
    speech->other_count += stream->timing.count;
    speech->other_moving += moves;
    speech->other_still += !moves && stream->kept.count > 1;
    speech->other_seldom += stream->timing.count <= SELDOM_MOST;
}

/* Of thousands of identifiers by chance some are J1939's; those that come again may be. */
static void look_at_groups(const struct lt_survey *survey, size_t bus, struct bus_speech *speech)
{
    struct j1939_marks marks = {.claim = false};
    for (size_t i = 0; i < survey->frame_count; i++) {
        const struct lt_stream *stream = survey->frames[i].stream;
        if (stream->key.bus == bus && stream->key.extended &&
            !has_extended_data_page(stream->key.id) &&
            !(speech->scattered && stream->timing.count <= SELDOM_MOST))
            look_at_group(stream, &marks, speech);
    }
    settle_j1939(&marks, speech);
}

static bool hides_behind_gateway(const struct bus_speech *speech)
{
    uint64_t all = speech->diagnostic_count + speech->other_count;
    uint64_t asked = speech->obd_requests + speech->maker_requests;
    uint64_t answered = speech->obd_replies + speech->maker_replies;
    if (asked + answered == 0 || speech->j1939)
        return false;
    if (speech->other_frames <= OTHERS_MOST && speech->other_moving == 0)
        return true;
    return (double)speech->diagnostic_count >= MOSTLY * (double)all &&
           speech->other_moving <= OTHERS_MOST;
}

void bus_speech_find(const struct lt_survey *survey, struct bus_speech *ret_speech)
{
    for (size_t bus = 0; bus < survey->bus_count; bus++) {
        struct bus_speech *speech = &ret_speech[bus];
        memset(speech, 0, sizeof *speech);
        for (size_t i = 0; i < survey->frame_count; i++)
            if (survey->frames[i].stream->key.bus == bus)
                look_at_frame(&survey->frames[i], speech);
        speech->scattered = speech->other_seldom >= SCATTERED_LEAST &&
                            2 * speech->other_seldom > speech->other_frames;
        look_at_groups(survey, bus, speech);
        speech->only_diagnostics = hides_behind_gateway(speech);
    }
}
