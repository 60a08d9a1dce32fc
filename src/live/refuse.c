/* What may never be sent: see loomtap/live/refuse.h. */
#include "loomtap/live/refuse.h"

#define PDU2_FIRST   240u /* PF from here on: PS belongs to the PGN (SAE J1939-21) */
#define ADDRESS_LAST 253u /* 254 is the address of who has none, 255 everyone (SAE J1939-81) */

struct range {
    uint32_t first, last;
    enum lt_refusal refusal;
};

static const struct range standard_ranges[] = {
    {0x000, 0x000, LT_REFUSE_NETWORK},    /* CiA 301: NMT, stops nodes */
    {0x400, 0x43F, LT_REFUSE_NETWORK},    /* common practice, OSEK NM: base 400, plus the node */
    {0x500, 0x53F, LT_REFUSE_NETWORK},    /* common practice, AUTOSAR CAN NM: base 500 */
    {0x7DF, 0x7DF, LT_REFUSE_DIAGNOSTIC}, /* ISO 15765-4: functional request */
    {0x7E0, 0x7EF, LT_REFUSE_DIAGNOSTIC}, /* ISO 15765-4: requests and responses */
    {0x700, 0x7FF, LT_REFUSE_DIAGNOSTIC}, /* common practice: makers' own diagnostics */
};

/* PF of 29-bit identifiers with EDP and DP 0. */
static const struct range pf_ranges[] = {
    {0xDA, 0xDB, LT_REFUSE_DIAGNOSTIC}, /* ISO 15765-2: normal fixed addressing */
    {0xCD, 0xCE, LT_REFUSE_DIAGNOSTIC}, /* ISO 15765-2: mixed addressing */
    {0xEE, 0xEE, LT_REFUSE_NETWORK},    /* SAE J1939-81: address claimed */
};

static const struct range pgn_ranges[] = {
    {0xE800, 0xE800, LT_REFUSE_NETWORK},    /* J1939-21: acknowledgement */
    {0xEA00, 0xEA00, LT_REFUSE_NETWORK},    /* J1939-21: request */
    {0xEB00, 0xEC00, LT_REFUSE_NETWORK},    /* J1939-21: transport */
    {0xEE00, 0xEE00, LT_REFUSE_NETWORK},    /* J1939-81: address claimed */
    {0x9300, 0x9300, LT_REFUSE_NETWORK},    /* J1939-81: name management */
    {0xFED8, 0xFED8, LT_REFUSE_NETWORK},    /* J1939-81: commanded address */
    {0xFECC, 0xFECC, LT_REFUSE_DIAGNOSTIC}, /* J1939-73: DM3, clears former codes */
    {0xFED3, 0xFED3, LT_REFUSE_DIAGNOSTIC}, /* DM11, clears active codes */
    {0xDF00, 0xDF00, LT_REFUSE_DIAGNOSTIC}, /* DM13, stops others' broadcasts */
    {0xD400, 0xD900, LT_REFUSE_DIAGNOSTIC}, /* DM14 to DM18: memory, boot load, security */
};

#define COUNT(table) (sizeof(table) / sizeof *(table))

static enum lt_refusal find(const struct range *ranges, size_t count, uint32_t number)
{
    for (size_t i = 0; i < count; i++)
        if (number >= ranges[i].first && number <= ranges[i].last)
            return ranges[i].refusal;
    return LT_REFUSE_NOTHING;
}

enum lt_refusal lt_refuse_id(uint32_t id, bool extended)
{
    if (!extended)
        return find(standard_ranges, COUNT(standard_ranges), id);
    uint32_t pages = id >> 24 & 3; /* EDP, DP */
    return pages ? LT_REFUSE_NOTHING : find(pf_ranges, COUNT(pf_ranges), id >> 16 & 0xFF);
}

static enum lt_refusal refuse_pgn(const struct lt_frame_def *send)
{
    enum lt_refusal refusal = find(pgn_ranges, COUNT(pgn_ranges), send->pgn);
    if (refusal != LT_REFUSE_NOTHING)
        return refusal;
    return send->source > ADDRESS_LAST ? LT_REFUSE_NO_ADDRESS : LT_REFUSE_NOTHING;
}

enum lt_refusal lt_refuse_frame(const struct lt_frame_def *send)
{
    if (send->direction != LT_SEND)
        return LT_REFUSE_DIRECTION;
    if (send->authenticated)
        return LT_REFUSE_AUTHENTICATED;
    if (send->period_ns <= 0)
        return LT_REFUSE_NO_PERIOD;
    enum lt_refusal refusal = lt_refuse_id(send->id, send->extended);
    return refusal == LT_REFUSE_NOTHING && send->is_pgn ? refuse_pgn(send) : refusal;
}

/* PGN of a 29-bit identifier: below PF 240 the second byte is the destination. */
static uint32_t pgn_of(uint32_t id)
{
    uint32_t pgn = id >> 8 & 0x3FFFF;
    return (pgn >> 8 & 0xFF) < PDU2_FIRST ? pgn & 0x3FF00 : pgn;
}

/* One of them is a J1939 frame: the priority is no part of what it is. */
static bool is_same_group(const struct lt_frame_def *send, uint32_t pgn, uint32_t source)
{
    uint32_t own_pgn = send->is_pgn ? send->pgn : pgn_of(send->id);
    uint32_t own_source = send->is_pgn ? send->source : send->id & 0xFF;
    return send->extended && own_pgn == pgn && own_source == source;
}

/* A group that is taken from any address is no statement about this one. */
static enum lt_refusal against_def(const struct lt_frame_def *send, const struct lt_frame_def *def)
{
    if (!send->is_pgn && !def->is_pgn)
        return send->id == def->id && send->extended == def->extended ? LT_REFUSE_KNOWN
                                                                      : LT_REFUSE_NOTHING;
    if (!def->extended)
        return LT_REFUSE_NOTHING;
    uint32_t source = def->is_pgn ? def->source : def->id & 0xFF;
    if (is_same_group(send, def->is_pgn ? def->pgn : pgn_of(def->id), source))
        return LT_REFUSE_KNOWN;
    return send->is_pgn && def->is_pgn && send->source == source ? LT_REFUSE_KNOWN_ADDRESS
                                                                 : LT_REFUSE_NOTHING;
}

static bool buses_meet(const struct lt_frame_def *a, const struct lt_frame_def *b)
{
    return a->bus == b->bus || a->bus == LT_NONE || b->bus == LT_NONE;
}

enum lt_refusal lt_refuse_known(const struct lt_frame_def *send, const struct lt_profile *known,
                                bool any_bus, uint32_t *ret_frame)
{
    for (size_t i = 0; i < known->frame_count; i++) {
        const struct lt_frame_def *def = &known->frames[i];
        if (def->direction != LT_LISTEN || (!any_bus && !buses_meet(send, def)))
            continue;
        enum lt_refusal refusal = against_def(send, def);
        if (refusal == LT_REFUSE_NOTHING)
            continue;
        *ret_frame = (uint32_t)i;
        return refusal;
    }
    return LT_REFUSE_NOTHING;
}

enum lt_refusal lt_refuse_heard(const struct lt_frame_def *send, const struct lt_frame *heard)
{
    bool extended = lt_frame_has(heard, LT_FRAME_EXTENDED);
    if (heard->flags & (LT_FRAME_ERROR | LT_FRAME_REMOTE) || extended != send->extended)
        return LT_REFUSE_NOTHING;
    if (!send->is_pgn)
        return heard->id == send->id ? LT_REFUSE_HEARD : LT_REFUSE_NOTHING;
    uint32_t source = heard->id & 0xFF;
    if (is_same_group(send, pgn_of(heard->id), source))
        return LT_REFUSE_HEARD;
    return source == send->source ? LT_REFUSE_HEARD_ADDRESS : LT_REFUSE_NOTHING;
}

struct words {
    const char *text, *advice;
};

static const struct words words[] = {
#define LT_REFUSAL_WORDS(name, text, advice) [name] = {text, advice},
    LT_REFUSALS(LT_REFUSAL_WORDS)
#undef LT_REFUSAL_WORDS
};

const char *lt_refusal_text(enum lt_refusal refusal)
{
    return refusal < LT_REFUSAL_COUNT ? words[refusal].text : "";
}

const char *lt_refusal_advice(enum lt_refusal refusal)
{
    return refusal < LT_REFUSAL_COUNT ? words[refusal].advice : "";
}
