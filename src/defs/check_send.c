/* Frames against each other: no identifier twice, and none that is both heard and sent. */
#include "defs/check.h"

#define PGN_DM1 65226 /* SAE J1939-73: every controller sends its own */

static bool buses_meet(const struct lt_frame_def *a, const struct lt_frame_def *b)
{
    return a->bus == b->bus || a->bus == LT_NONE || b->bus == LT_NONE;
}

/* PGN of a 29-bit identifier: below PF 240 the second byte is the destination. */
static uint32_t pgn_of(uint32_t id)
{
    uint32_t pgn = id >> 8 & 0x3FFFF;
    return (pgn >> 8 & 0xFF) < 240 ? pgn & 0x3FF00 : pgn;
}

/* Would the same frame be taken for both? */
static bool is_same_identity(const struct lt_frame_def *a, const struct lt_frame_def *b)
{
    if (a->is_pgn != b->is_pgn)
        return false;
    if (a->is_pgn)
        return a->pgn == b->pgn && a->source == b->source;
    return a->id == b->id && a->extended == b->extended;
}

/* Does `listen` match what `send` sends? *ret_any is set where it does so only because it takes the
 * group from any address. */
static bool hears(const struct lt_frame_def *listen, const struct lt_frame_def *send, bool *ret_any)
{
    *ret_any = false;
    if (is_same_identity(listen, send))
        return true;
    if (!listen->extended || !send->extended)
        return false;
    if (!listen->is_pgn && !send->is_pgn)
        return false;
    uint32_t sent_source = send->is_pgn ? send->source : send->id & 0xFF;
    uint32_t heard_source = listen->is_pgn ? listen->source : listen->id & 0xFF;
    uint32_t sent_pgn = send->is_pgn ? send->pgn : pgn_of(send->id);
    uint32_t heard_pgn = listen->is_pgn ? listen->pgn : pgn_of(listen->id);
    *ret_any = heard_source == LT_NONE;
    return heard_pgn == sent_pgn && (heard_source == sent_source || heard_source == LT_NONE);
}

static struct lt_place identity_place(const struct lt_loader *loader, uint32_t frame)
{
    const struct lt_section *section = lt_check_of(loader, LT_SECTION_FRAME, frame);
    return lt_defs_key_place(section, loader->profile->frames[frame].is_pgn ? "pgn" : "id");
}

static void refuse_heard(struct lt_loader *loader, uint32_t send, uint32_t listen, bool any)
{
    const struct lt_profile *profile = loader->profile;
    char place[LT_PLACE_TEXT_ROOM];
    const struct lt_frame_def *sent = &profile->frames[send], *heard = &profile->frames[listen];
    lt_defs_place_text(loader, heard->place, place, sizeof place);
    if (any && sent->is_pgn && sent->pgn == PGN_DM1) {
        lt_error_advise(lt_defs_warning(loader, identity_place(loader, send), LT_E_CONFLICT,
                                        "frame `%s` is sent, and `%s` (%s) listens to DM1 from any "
                                        "address",
                                        sent->name, heard->name, place),
                        "the kit will hear itself; be sure that no other controller has its "
                        "address");
        return;
    }
    lt_error_advise(lt_defs_fault(loader, identity_place(loader, send), LT_E_CONFLICT,
                                  "frame `%s` is sent on an identifier that frame `%s` (%s) "
                                  "listens to",
                                  sent->name, heard->name, place),
                    "sending must never override the car: give it an identifier of the kit's own");
}

static void refuse_twice(struct lt_loader *loader, uint32_t first, uint32_t second)
{
    const struct lt_profile *profile = loader->profile;
    char place[LT_PLACE_TEXT_ROOM];
    const struct lt_frame_def *a = &profile->frames[first], *b = &profile->frames[second];
    lt_defs_place_text(loader, a->place, place, sizeof place);
    if (a->bus == b->bus)
        lt_error_advise(lt_defs_fault(loader, identity_place(loader, second), LT_E_DUPLICATE,
                                      "frame `%s` has the same identifier on the same bus as `%s` "
                                      "(%s)",
                                      b->name, a->name, place),
                        "put their signals together in one frame, or correct the identifier or "
                        "the bus");
    else
        lt_error_advise(lt_defs_warning(loader, identity_place(loader, second), LT_E_DUPLICATE,
                                        "frame `%s` has the same identifier as `%s` (%s), and one "
                                        "of them is on every bus",
                                        b->name, a->name, place),
                        "both are decoded; give both a bus if they are not on the same one");
}

static bool has_identity(const struct lt_loader *loader, uint32_t frame)
{
    const struct lt_section *section = lt_check_of(loader, LT_SECTION_FRAME, frame);
    return lt_defs_entry(section, "id") || lt_defs_entry(section, "pgn");
}

static void check_two(struct lt_loader *loader, uint32_t i, uint32_t k)
{
    const struct lt_frame_def *a = &loader->profile->frames[i], *b = &loader->profile->frames[k];
    bool any;
    if (!buses_meet(a, b))
        return;
    if (a->direction == b->direction) {
        if (is_same_identity(a, b))
            refuse_twice(loader, i, k);
        return;
    }
    uint32_t send = a->direction == LT_SEND ? i : k, listen = send == i ? k : i;
    if (hears(&loader->profile->frames[listen], &loader->profile->frames[send], &any))
        refuse_heard(loader, send, listen, any);
}

void lt_check_identifiers(struct lt_loader *loader)
{
    for (uint32_t k = 1; k < loader->profile->frame_count; k++)
        for (uint32_t i = 0; i < k; i++)
            if (has_identity(loader, i) && has_identity(loader, k))
                check_two(loader, i, k);
}
