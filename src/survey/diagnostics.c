/* Which frames are questions and answers of diagnostics, or pieces of a longer J1939 message: their
 * bytes mean something else from frame to frame, so no fields are looked for in them.
 *
 * The identifiers of OBD-II are fixed (ISO 15765-4; proto/obd.h). Makers put further controllers
 * elsewhere between 700 and 7FF; such a stream is taken for diagnostics only where all its frames
 * are ISO-TP (ISO 15765-2), the services of ISO 14229-1 and SAE J1979 are in them, and another
 * stream beside it holds the other half of the conversation. J1939 transport: SAE J1939-21 as
 * publicly quoted (proto/j1939.h). */
#include <string.h>

#include "loomtap/proto/j1939.h"
#include "loomtap/proto/obd.h"
#include "survey/bus_protocol.h"

#define MAKERS_FIRST 0x700u
#define MAKERS_LAST  0x7FFu

static bool has_fixed_identifier(const struct lt_stream_key *key)
{
    struct lt_frame frame = {.id = key->id, .bus = key->bus, .len = key->length};
    uint32_t partner;
    if (key->extended)
        frame.flags = LT_FRAME_EXTENDED;
    return lt_obd_classify(&frame, &partner) != LT_OBD_NOT;
}

/* --- conversations on identifiers of a maker's own --- */

enum speech { SPEECH_NONE, SPEECH_MIDDLE, SPEECH_QUESTION, SPEECH_ANSWER };

/* What one frame says, as ISO-TP; SPEECH_MIDDLE for pieces and flow control. */
static enum speech speech_of(const uint8_t *row, unsigned length)
{
    unsigned kind = row[0] >> 4, low = row[0] & 0x0F;
    bool reply;
    if (kind == 2)
        return SPEECH_MIDDLE;
    if (kind == 3)
        return length >= 3 && low <= 2 ? SPEECH_MIDDLE : SPEECH_NONE;
    uint8_t service = bus_service(row, length, &reply);
    if (reply)
        return SPEECH_ANSWER;
    return bus_is_service(service) ? SPEECH_QUESTION : SPEECH_NONE;
}

static enum speech speech_of_stream(const struct lt_stream *stream)
{
    const struct lt_stream_key *key = &stream->key;
    enum speech said = SPEECH_NONE;
    if (key->extended || key->id < MAKERS_FIRST || key->id > MAKERS_LAST || key->length < 3 ||
        key->length > 8)
        return SPEECH_NONE;
    for (size_t i = 0; i < stream->kept.count; i++) {
        enum speech speech = speech_of(lt_kept_row(&stream->kept, i), key->length);
        bool both = (speech == SPEECH_QUESTION && said == SPEECH_ANSWER) ||
                    (speech == SPEECH_ANSWER && said == SPEECH_QUESTION);
        if (speech == SPEECH_NONE || both)
            return SPEECH_NONE;
        if (speech > said)
            said = speech;
    }
    return said;
}

static void mark_conversations(const struct lt_collect *collect, const enum speech *speech,
                               bool *diagnostic)
{
    bool asked[LT_BUSES_MAX] = {false}, answered[LT_BUSES_MAX] = {false};
    for (size_t i = 0; i < lt_collect_count(collect); i++) {
        unsigned bus = lt_collect_stream(collect, i)->key.bus;
        asked[bus] |= speech[i] == SPEECH_QUESTION;
        answered[bus] |= speech[i] == SPEECH_ANSWER;
    }
    for (size_t i = 0; i < lt_collect_count(collect); i++) {
        unsigned bus = lt_collect_stream(collect, i)->key.bus;
        if (speech[i] == SPEECH_QUESTION || speech[i] == SPEECH_ANSWER)
            diagnostic[i] |= asked[bus] && answered[bus];
    }
}

/* --- J1939 transport --- */

static bool is_announcement(const uint8_t *row, unsigned length)
{
    static const uint8_t controls[] = {16, 17, 19, 32, 255}; /* RTS CTS EndOfMsg BAM Abort */
    return length == 8 && memchr(controls, row[0], sizeof controls) && row[7] <= 0x03;
}

/* Every control frame of the stream is one. */
static bool is_transport_control(const struct lt_stream *stream)
{
    if (!stream->key.extended || lt_j1939_split(stream->key.id).pgn != LT_PGN_TP_CM)
        return false;
    for (size_t i = 0; i < stream->kept.count; i++)
        if (!is_announcement(lt_kept_row(&stream->kept, i), stream->key.length))
            return false;
    return stream->kept.count > 0;
}

static void mark_transport(const struct lt_collect *collect, bool *diagnostic)
{
    bool control[LT_BUSES_MAX] = {false};
    for (size_t i = 0; i < lt_collect_count(collect); i++) {
        const struct lt_stream *stream = lt_collect_stream(collect, i);
        if (is_transport_control(stream))
            control[stream->key.bus] = diagnostic[i] = true;
    }
    for (size_t i = 0; i < lt_collect_count(collect); i++) {
        const struct lt_stream_key *key = &lt_collect_stream(collect, i)->key;
        if (key->extended && control[key->bus] && lt_j1939_split(key->id).pgn == LT_PGN_TP_DT)
            diagnostic[i] = true;
    }
}

enum lt_code lt_survey_diagnostics(const struct lt_collect *collect, struct lt_arena *arena,
                                   const bool **ret_diagnostic, struct lt_error *error)
{
    size_t count = lt_collect_count(collect);
    enum speech *speech = lt_arena_array(arena, count + 1, sizeof *speech);
    bool *diagnostic = lt_arena_array(arena, count + 1, sizeof *diagnostic);
    if (!speech || !diagnostic)
        return lt_fail(error, LT_E_MEMORY, "out of memory for the survey");
    for (size_t i = 0; i < count; i++) {
        diagnostic[i] = has_fixed_identifier(&lt_collect_stream(collect, i)->key);
        speech[i] = speech_of_stream(lt_collect_stream(collect, i));
    }
    mark_conversations(collect, speech, diagnostic);
    mark_transport(collect, diagnostic);
    *ret_diagnostic = diagnostic;
    return LT_OK;
}

enum lt_code survey_diagnostics(struct survey_work *work)
{
    const bool *diagnostic;
    enum lt_code code =
        lt_survey_diagnostics(work->collect, work->scratch, &diagnostic, work->error);
    for (size_t i = 0; code == LT_OK && i < work->survey->frame_count; i++)
        work->survey->frames[i].diagnostic = diagnostic[i];
    return code;
}
