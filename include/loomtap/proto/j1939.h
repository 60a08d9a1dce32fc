/* SAE J1939 on 29-bit identifiers: id fields, transport (BAM, RTS/CTS), DM1 codes and lamps.
 *
 * Sources: Linux Documentation/networking/j1939.rst and net/can/j1939/transport.c; makers' hardware
 * manuals quoting SAE J1939-71/-73 for DM1 (bit layout of lamps and codes: from memory, confirmed
 * by the manuals' worked examples). */
#ifndef LOOMTAP_PROTO_J1939_H
#define LOOMTAP_PROTO_J1939_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/core/frame.h"

#define LT_PGN_REQUEST 59904u
#define LT_PGN_TP_CM   60416u /* EC00 */
#define LT_PGN_TP_DT   60160u /* EB00 */
#define LT_PGN_DM1     65226u /* FECA */

struct lt_j1939_id {
    uint8_t priority;
    uint32_t pgn;        /* PS is part of it only when PF >= 240 */
    uint8_t destination; /* 0xFF = all (PDU2, or PDU1 to all) */
    uint8_t source;
};

struct lt_j1939_id lt_j1939_split(uint32_t id);
/* The inverse; destination is used when the PGN is PDU1. */
uint32_t lt_j1939_join(struct lt_j1939_id parts);

#define LT_J1939_TP_MAX       1785u
#define LT_J1939_SESSIONS_MAX 32

enum lt_j1939_event {
    LT_J1939_NOTHING, /* not transport, or only control traffic */
    LT_J1939_MESSAGE, /* complete */
    LT_J1939_BROKEN,  /* a session ended without its message; `why` says how */
};
enum lt_j1939_break {
    LT_J1939_OK,
    LT_J1939_GAP,      /* a packet number was skipped */
    LT_J1939_TIMEOUT,  /* nothing for more than 750 ms (BAM) or 1250 ms */
    LT_J1939_REPLACED, /* the same sender started anew */
    LT_J1939_ABORTED,  /* the abort message (control byte FF) */
    LT_J1939_BAD_SIZE, /* size outside 9..1785, or packets that do not fit it */
    LT_J1939_FULL,     /* more sessions at once than are kept */
};

struct lt_j1939_result {
    enum lt_j1939_event event;
    enum lt_j1939_break why; /* also set beside MESSAGE when the frame ended another session */
    uint32_t pgn;
    uint8_t source, destination;
    const uint8_t *message; /* borrowed until next feed; readable 8 bytes past the end */
    uint16_t length;
    int64_t time_ns; /* of the last packet */
};

struct lt_j1939_counts {
    uint64_t messages, broken[8]; /* by enum lt_j1939_break */
    uint64_t stray;               /* data packets with no session */
};

struct lt_j1939; /* the transport sessions of one bus */
enum lt_code lt_j1939_new(struct lt_j1939 **ret_j1939, struct lt_error *error);
void lt_j1939_free(struct lt_j1939 *j1939);
struct lt_j1939_result lt_j1939_feed(struct lt_j1939 *j1939, const struct lt_frame *frame);
struct lt_j1939_counts lt_j1939_counts(const struct lt_j1939 *j1939);
const char *lt_j1939_break_text(enum lt_j1939_break why);

/* Lamp states of DM1: 0 off, 1 on, 2 reserved, 3 not available; the same for flashing: 0 slow
 * (1 Hz), 1 fast (2 Hz), 2 reserved, 3 steady or not available. */
struct lt_dm1_code {
    uint32_t spn;    /* 19 bits */
    uint8_t fmi;     /* 5 bits */
    uint8_t count;   /* 127 = not available */
    bool conversion; /* the conversion-method bit: an older layout, spn may be wrong */
};
struct lt_dm1 {
    uint8_t mil, red_stop, amber_warning, protect;
    uint8_t mil_flash, red_stop_flash, amber_warning_flash, protect_flash;
    size_t count;    /* codes given; all-zero and all-one fillers left out */
    size_t left_out; /* codes past the room */
    struct lt_dm1_code code[64];
};
/* False when shorter than 6 bytes. */
bool lt_dm1_parse(const uint8_t *data, size_t length, struct lt_dm1 *ret_dm1);
const char *lt_fmi_text(uint8_t fmi); /* NULL if reserved */

#endif
