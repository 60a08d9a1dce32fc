/* Claims about frames that the kit is to send, and about the buses: in the capture and alive, with
 * room for what is to be sent. */
#include <inttypes.h>

#include "prove/inside.h"

#define DIAGNOSTIC_FIRST 0x7DFu /* ISO 15765-4: requests and replies */
#define DIAGNOSTIC_LAST  0x7EFu

#define MADE_LEAST 10

static bool is_diagnostic(const struct lt_frame_def *def)
{
    if (def->extended)
        return (def->id & 0x1FFE0000u) == 0x18DA0000u;
    return def->id >= DIAGNOSTIC_FIRST && def->id <= DIAGNOSTIC_LAST;
}

static const struct lt_frame_def *same_identifier(const struct lt_profile *profile,
                                                  const struct lt_frame_def *def)
{
    for (size_t i = 0; i < profile->frame_count; i++) {
        const struct lt_frame_def *other = &profile->frames[i];
        if (other != def && other->direction == LT_LISTEN && other->extended == def->extended &&
            other->id == def->id && (other->bus == def->bus || other->bus == LT_NONE))
            return other;
    }
    return NULL;
}

/* Frames that the recording host sent itself are the kit's, or a trial's. */
static uint64_t foreign(const struct frame_watch *watch)
{
    return watch->count - watch->own_sent;
}

static void say_used(struct judge *judge, struct lt_claim *c, const struct frame_watch *watch)
{
    bool as_made = watch->check_good >= MADE_LEAST && watch->check_bad * 10 < watch->check_good;
    claim_say(judge, c,
              as_made
                  ? "somebody sends this identifier, with this very checksum: is the kit itself "
                    "on the bus? then record without it"
                  : "somebody sends this identifier already: the kit may not");
}

static void judge_free(struct judge *judge, const struct frame_watch *watch)
{
    const struct lt_frame_def *def = watch->def;
    const struct bus_watch *bus = bus_of(judge->prove, def);
    const struct lt_frame_def *known = same_identifier(judge->prove->profile, def);
    double alive_s = (double)bus->alive_ns / (double)NS_PER_S;
    bool any_source = def->is_pgn && def->source == LT_NONE;
    char alive[NUMBER_ROOM];
    enum lt_proof_verdict verdict = LT_NOT_EXERCISED;
    if ((foreign(watch) && !any_source) || known || is_diagnostic(def))
        verdict = LT_CONTRADICTED;
    else if (alive_s >= limit_of(judge, LT_LIMIT_ALIVE_S) && !any_source)
        verdict = LT_PROVEN;
    struct lt_claim *c = claim(judge, LT_CLAIM_SEND_FREE, def->name, verdict);
    if (def->is_pgn)
        claim_expected(judge, c, "PGN %u from its own address sent by nobody", def->pgn);
    else
        claim_expected(judge, c, def->extended ? "%08X sent by nobody" : "%03X sent by nobody",
                       def->id);
    claim_measured(judge, c, "%" PRIu64 " frames in %s s", foreign(watch),
                   number_text(alive, alive_s));
    if (is_diagnostic(def))
        claim_say(judge, c, "this identifier belongs to diagnostics");
    else if (known)
        claim_say(judge, c, "%s of the car has this identifier", known->name);
    else if (any_source)
        claim_say(judge, c, "say the kit's own address: `source`");
    else if (foreign(watch))
        say_used(judge, c, watch);
    else if (verdict == LT_NOT_EXERCISED)
        claim_say(judge, c, "its bus was not recorded for long enough");
}

/* --- counter and checksum, as frames of the car have them --- */

static bool same_making(const struct lt_checksum *a, const struct lt_checksum *b)
{
    return a->family == b->family && a->width == b->width && a->poly == b->poly &&
           a->init == b->init && a->xorout == b->xorout && a->reflect == b->reflect &&
           a->start == b->start && a->complement == b->complement && a->with_id == b->with_id &&
           a->with_length == b->with_length && a->data_id_count == b->data_id_count &&
           (!a->data_id_count || a->data_id_mode == b->data_id_mode) &&
           a->family != LT_CHECK_AFFINE;
}

/* A frame that came, whose checksum (or counter, where there is none) is made alike and proven. */
static const struct frame_watch *made_alike(const struct judge *judge,
                                            const struct lt_frame_def *def)
{
    const struct lt_profile *profile = judge->prove->profile;
    for (size_t i = 0; i < profile->frame_count; i++) {
        const struct lt_frame_def *other = &profile->frames[i];
        if (other == def || other->direction != LT_LISTEN)
            continue;
        bool alike = def->checksum_count ? other->checksum_count == 1 &&
                                               same_making(def->checksums, other->checksums) &&
                                               is_proven(judge, LT_CLAIM_CHECKSUM, other->name)
                                         : other->counter.present &&
                                               other->counter.modulus == def->counter.modulus &&
                                               other->counter.step == def->counter.step &&
                                               is_proven(judge, LT_CLAIM_COUNTER, other->name);
        if (alike)
            return &judge->prove->frames[i];
    }
    return NULL;
}

static void judge_made(struct judge *judge, const struct frame_watch *watch)
{
    const struct lt_frame_def *def = watch->def;
    bool own = watch->count &&
               (!def->checksum_count || is_proven(judge, LT_CLAIM_CHECKSUM, def->name)) &&
               (!def->counter.present || is_proven(judge, LT_CLAIM_COUNTER, def->name));
    const struct frame_watch *alike = own ? NULL : made_alike(judge, def);
    const char *what = def->checksum_count ? "checksum" : "counter";
    if (!def->checksum_count && !def->counter.present)
        return;
    struct lt_claim *c =
        claim(judge, LT_CLAIM_SEND_MADE, def->name, own || alike ? LT_PROVEN : LT_NOT_EXERCISED);
    claim_expected(judge, c, "%s made as frames in the capture have it", what);
    if (own)
        claim_measured(judge, c, "%" PRIu64 " of its own frames hold", watch->count);
    else if (alike)
        claim_measured(judge, c, "as that of %s, which holds on %" PRIu64 " frames",
                       alike->def->name, alike->count);
    else
        claim_say(judge, c, "no frame that came has a %s made like this: try it on the bench",
                  what);
}

void judge_sends(struct judge *judge)
{
    const struct lt_profile *profile = judge->prove->profile;
    for (size_t i = 0; i < profile->frame_count; i++)
        if (judge->prove->frames[i].def->direction == LT_SEND) {
            judge_free(judge, &judge->prove->frames[i]);
            judge_made(judge, &judge->prove->frames[i]);
        }
    for (uint32_t b = 0; b < profile->bus_count; b++) {
        const struct lt_bus_def *def = &profile->buses[b];
        const struct bus_watch *bus = &judge->prove->buses[b];
        double alive_s = (double)bus->alive_ns / (double)NS_PER_S, more = 0;
        char text[NUMBER_ROOM], with[NUMBER_ROOM];
        bool alive = bus->frames && alive_s >= limit_of(judge, LT_LIMIT_ALIVE_S);
        struct lt_claim *c =
            claim(judge, LT_CLAIM_REACHABLE, def->name, alive ? LT_PROVEN : LT_NOT_EXERCISED);
        claim_expected(judge, c, "traffic for at least %s s",
                       number_text(text, limit_of(judge, LT_LIMIT_ALIVE_S)));
        claim_measured(judge, c, "%" PRIu64 " frames in %s s", bus->frames,
                       number_text(text, alive_s));
        if (!alive)
            claim_say(judge, c,
                      bus->bound ? "the bus was hardly alive; record with the key on"
                                 : "the bus is not in the capture%s%s",
                      def->access ? ": " : "", def->access ? def->access : "");
        for (size_t i = 0; i < profile->frame_count; i++) {
            const struct lt_frame_def *frame = &profile->frames[i];
            if (frame->bus == b && frame->direction == LT_SEND && frame->period_ns)
                more += (double)lt_frame_bits_max((uint8_t)frame->length, frame->extended) *
                        (double)NS_PER_S / (double)frame->period_ns;
        }
        if (more <= 0 || !def->bitrate_hz || def->fd != LT_FD_NO)
            continue;
        double now = alive ? 100 * (double)bus->bits_max / alive_s / def->bitrate_hz : 0;
        double then = now + 100 * more / def->bitrate_hz;
        bool fits = then <= limit_of(judge, LT_LIMIT_LOAD);
        c = claim(judge, LT_CLAIM_SEND_ROOM, def->name,
                  !alive ? LT_NOT_EXERCISED
                  : fits ? LT_PROVEN
                         : LT_CONTRADICTED);
        claim_expected(judge, c, "at most %s %% load",
                       number_text(text, limit_of(judge, LT_LIMIT_LOAD)));
        claim_measured(judge, c, "%s %% now, %s %% with the frames to be sent",
                       number_text(text, now), number_text(with, then));
        if (alive && !fits)
            claim_say(judge, c, "the bus is too busy; send less often");
    }
}
