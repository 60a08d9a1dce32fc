/* What there is to say of each bus and of each frame, for people: load and bit rate (bus_rate.c),
 * protocols (bus_protocol.c), and one sentence a frame from what the other parts found. */
#include <inttypes.h>

#include "loomtap/proto/j1939.h"
#include "survey/bus_protocol.h"
#include "survey/bus_rate.h"
#include "survey/survey_internal.h"
#include "survey/words.h"

#define SAY_ROOM 1000

struct sentences {
    char text[SAY_ROOM];
    size_t len;
};

static void add(struct sentences *say, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

static void add(struct sentences *say, const char *format, ...)
{
    va_list args;
    if (say->len && say->len + 1 < sizeof say->text)
        say->text[say->len++] = ' ';
    va_start(args, format);
    say->len += lt_text_vformat(say->text + say->len, sizeof say->text - say->len, format, args);
    va_end(args);
}

/* --- bit rate and load --- */

static const char *rate_text(uint32_t hz, char text[24])
{
    lt_text_format(text, 24, hz % 1000 ? "%.1f kbit/s" : "%.0f kbit/s", hz / 1000.0);
    return text;
}

static void say_why_rate(struct sentences *say, const struct bus_rate *rate, const char *text)
{
    switch (rate->reason) {
    case RATE_GIVEN:
        break;
    case RATE_SPACING:
        add(say, "Bit rate %s: frames follow one another as closely as that allows.", text);
        break;
    case RATE_J1939:
        add(say, "Bit rate taken for %s, as J1939 uses it; the spacing of frames does not show it.",
            text);
        break;
    case RATE_SMALLEST:
        add(say,
            "Bit rate guessed: %s is the smallest usual one with room for these frames; it may be "
            "higher%s.",
            text, rate->stamps_batched ? " (the recorder's times are too coarse to tell)" : "");
        break;
    case RATE_UNKNOWN:
        if (rate->duration_s <= 0 && rate->timed)
            add(say, "Bit rate and load: cannot tell, no time passed between the frames.");
        else if (rate->duration_s <= 0)
            add(say, "Bit rate and load: cannot tell, the frames have no times.");
        else if (rate->least_hz > 1000.0)
            add(say, "Bit rate: cannot tell; at least %.0f kbit/s by the busiest stretch.",
                rate->least_hz / 1000.0);
        else
            add(say, "Bit rate: cannot tell, the bus is too quiet.");
        break;
    }
}

static void say_load(struct sentences *say, const struct bus_rate *rate, const char *text)
{
    if (!rate->hz || rate->duration_s <= 0)
        return;
    add(say, "Load %.1f %% of %s (%.1f %% without stuff bits, %.1f %% at worst).",
        rate->load_mid * 100, text, rate->load_min * 100, rate->load_max * 100);
    if (rate->load_min > 1)
        add(say, "More than fits: the bit rate must be higher, or the times are wrong.");
    if (rate->fd_frames)
        add(say,
            "%" PRIu64 " of the frames are CAN FD, their data phase counted at %u Mbit/s (an "
            "assumption: recordings do not hold it).",
            rate->fd_frames, BUS_FD_DATA_HZ / 1000000u);
}

/* --- protocols --- */

static void say_j1939(struct sentences *say, const struct bus_speech *speech)
{
    char groups[120] = "", sources[80] = "";
    size_t len = 0;
    if (!speech->j1939)
        return;
    for (size_t i = 0; i < BUS_GROUPS_SHOWN && speech->known[i]; i++)
        len += lt_text_format(groups + len, sizeof groups - len, "%s%s", i ? ", " : "",
                              speech->known[i]);
    if (speech->pgns_known > BUS_GROUPS_SHOWN)
        lt_text_format(groups + len, sizeof groups - len, " ...");
    len = 0;
    for (size_t i = 0; i < speech->source_count && i < BUS_SOURCES_SHOWN; i++)
        len += lt_text_format(sources + len, sizeof sources - len, "%s%u", i ? ", " : "",
                              speech->sources[i]);
    add(say, "SAE J1939: %zu known group%s%s%s%s, %zu source address%s (%s%s)%s%s.",
        speech->pgns_known, speech->pgns_known == 1 ? "" : "s", groups[0] ? " (" : "", groups,
        groups[0] ? ")" : "", speech->source_count, speech->source_count == 1 ? "" : "es", sources,
        speech->source_count > BUS_SOURCES_SHOWN ? " ..." : "",
        speech->j1939_claims ? ", address claims" : "",
        speech->j1939_transport ? ", transported messages" : "");
}

static void say_services(struct sentences *say, const struct bus_speech *speech)
{
    char services[120] = "";
    size_t len = 0, shown = 0;
    for (unsigned service = 0; service < 256; service++) {
        if (!speech->uds_services[service] || shown++ >= 12)
            continue;
        len += lt_text_format(services + len, sizeof services - len, "%s%02X", len ? ", " : "",
                              service);
    }
    if (shown)
        add(say, "UDS: services %s%s.", services, shown > 12 ? " ..." : "");
}

static void say_diagnostics(struct sentences *say, const struct bus_speech *speech)
{
    uint64_t asked = speech->obd_requests + speech->maker_requests;
    uint64_t answered = speech->obd_replies + speech->maker_replies;
    if (speech->obd_requests + speech->obd_replies)
        add(say, "OBD-II identifiers: %" PRIu64 " request frames, %" PRIu64 " reply frames.",
            speech->obd_requests, speech->obd_replies);
    if (speech->maker_requests + speech->maker_replies)
        add(say,
            "Diagnostics on the maker's own identifiers: %" PRIu64 " request frames, %" PRIu64
            " reply frames.",
            speech->maker_requests, speech->maker_replies);
    say_services(say, speech);
    if (asked && !answered)
        add(say, "Nothing answers: is the ignition on?");
    if (answered && !asked)
        add(say, "The questions are not in the recording: another tool asks, or they are on "
                 "another bus.");
}

static void say_what_hides(struct sentences *say, const struct bus_speech *speech)
{
    if (speech->only_diagnostics)
        add(say, "Only diagnostics here: a gateway hides the bus, measure behind it.");
    else if (speech->scattered)
        add(say,
            "%zu of %zu identifiers came once or twice: random or fuzzed traffic, or a capture "
            "that is corrupted. Nothing is concluded from those.",
            speech->other_seldom, speech->other_frames);
    else if (speech->other_frames >= 5 && speech->other_moving == 0)
        add(say, "Nothing moves in any of the %zu frames: is the car asleep, or only partly awake?",
            speech->other_frames);
    else if (speech->other_still >= 5 && 2 * speech->other_still > speech->other_frames)
        add(say, "%zu of %zu frames never change: was everything operated, and the engine running?",
            speech->other_still, speech->other_frames);
}

static bool say_bus(struct survey_work *work, struct lt_survey_bus *bus,
                    const struct bus_rate *rate, const struct bus_speech *speech)
{
    struct sentences say = {.len = 0};
    char text[24];
    rate_text(rate->hz, text);
    if (bus->frames == 0) {
        add(&say, "No frames.");
    } else {
        say_what_hides(&say, speech);
        say_why_rate(&say, rate, text);
        say_load(&say, rate, text);
        say_j1939(&say, speech);
        say_diagnostics(&say, speech);
    }
    bus->say = lt_arena_string(work->arena, say.text);
    return bus->say != NULL;
}

static enum lt_code fill_bus(struct survey_work *work, unsigned index,
                             const struct bus_speech *speech)
{
    struct lt_survey_bus *bus = &work->survey->buses[index];
    struct bus_rate rate;
    enum lt_code code = bus_rate_find(work, index, speech->j1939, &rate);
    if (code != LT_OK)
        return code;
    bus->bitrate_hz = rate.hz;
    bus->bitrate_given = rate.reason == RATE_GIVEN;
    bus->load = rate.load_mid;
    bus->obd_requests = speech->obd_requests;
    bus->obd_replies = speech->obd_replies;
    bus->j1939 = speech->j1939;
    bus->only_diagnostics = speech->only_diagnostics;
    return say_bus(work, bus, &rate, speech)
               ? LT_OK
               : lt_fail(work->error, LT_E_MEMORY, "out of memory for what to say of a bus");
}

/* --- frames --- */

static void say_copy(struct sentences *say, const struct lt_survey *survey,
                     const struct lt_survey_frame *frame)
{
    if (!frame->copy_of)
        return;
    const struct lt_survey_frame *from = &survey->frames[frame->copy_of - 1];
    char id[LT_STREAM_ID_ROOM];
    lt_stream_id_print(id, &from->stream->key);
    bool elsewhere = from->stream->key.bus != frame->stream->key.bus;
    uint64_t source = from->stream->timing.count, here = frame->stream->timing.count;
    add(say, "A copy of %s%s%s, %.1f ms %s%s.", id, elsewhere ? " on " : " on the same bus",
        elsewhere ? from->bus : "",
        frame->copy_delay_s < 0 ? -frame->copy_delay_s * 1e3 : frame->copy_delay_s * 1e3,
        frame->copy_delay_s < 0 ? "earlier (are the buses' clocks the same?)" : "later",
        here < source - source / 4 ? ", with frames left out" : "");
}

static void say_sender(struct sentences *say, const struct lt_survey_frame *frame)
{
    const struct lt_timing *timing = &frame->stream->timing;
    if (timing->cyclic && timing->extra_on_change)
        add(say, "Sent at once when something in it changes, besides its period.");
    if (timing->backward_steps)
        add(say, "Its times go backwards %" PRIu64 " times.", timing->backward_steps);
}

static void name_group(struct lt_survey *survey, struct lt_survey_frame *frame)
{
    const struct lt_stream_key *key = &frame->stream->key;
    if (survey->buses[key->bus].j1939 && key->extended)
        frame->pgn_name = pgn_name(lt_j1939_split(key->id).pgn);
}

/* What activity.c has said comes last. */
static bool say_frame(struct survey_work *work, struct lt_survey_frame *frame)
{
    struct sentences say = {.len = 0};
    if (frame->authenticated)
        add(&say, "Authenticated: a check in it is made with a key, so that frames cannot be made "
                  "up, only listened to.");
    say_copy(&say, work->survey, frame);
    say_sender(&say, frame);
    if (frame->cut_short)
        add(&say,
            "Looked at less closely: so many frames have something to search in that the work "
            "is limited for each.");
    if (frame->say)
        add(&say, "%s", frame->say);
    frame->say = say.len ? lt_arena_string(work->arena, say.text) : NULL;
    return !say.len || frame->say;
}

enum lt_code survey_buses(struct survey_work *work)
{
    struct lt_survey *survey = work->survey;
    struct bus_speech *speech = lt_arena_array(work->scratch, survey->bus_count, sizeof *speech);
    if (!speech)
        return lt_fail(work->error, LT_E_MEMORY, "out of memory for the buses");
    bus_speech_find(survey, speech);
    for (unsigned i = 0; i < survey->bus_count; i++) {
        enum lt_code code = fill_bus(work, i, &speech[i]);
        if (code != LT_OK)
            return code;
    }
    for (size_t i = 0; i < survey->frame_count; i++) {
        name_group(survey, &survey->frames[i]);
        if (!say_frame(work, &survey->frames[i]))
            return lt_fail(work->error, LT_E_MEMORY, "out of memory for what to say of a frame");
    }
    return LT_OK;
}
