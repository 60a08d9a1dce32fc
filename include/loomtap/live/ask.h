/* A polite diagnostic tester: reads a car's own values over OBD-II (SAE J1979 on ISO 15765-4) and,
 * where that is silent, over UDS service 22 (ISO 14229-1, SAE J1979-2). A pure machine: no clock
 * and no socket. It is fed with what is heard and with the time, and says which frame to send next:
 *
 *     struct lt_ask_options options = {.wanted = wanted, .wanted_count = 2, .rounds = 1};
 *     code = lt_ask_new(&ask, &options, now_ns, &error);
 *     for (;;) {
 *         while (... a frame was heard ...)
 *             if (lt_ask_hear(ask, LT_ASK_HERE, &frame, now_ns, &reply))
 *                 ... reply.item[i] ...
 *         if (lt_ask_next(ask, now_ns, &frame))
 *             lt_ask_sent(ask, ... send it ..., now_ns);
 *     }
 *
 * Times are of any clock that does not step; only their differences count. What was heard is fed
 * before the next frame is asked for.
 *
 * It can build requests of services 01, 02, 03, 07, 09, 0A and 22 and the flow control of a longer
 * reply, and nothing else: nothing is ever cleared, set or started. All of these together are at
 * most `rate` a second. It listens before the first question; keeps quiet while somebody else
 * asks, after error frames, while a controller says "pending"; asks less often where nobody
 * answers; and ends when the key seems to be off, so that the bus can sleep. */
#ifndef LOOMTAP_LIVE_ASK_H
#define LOOMTAP_LIVE_ASK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/core/frame.h"
#include "loomtap/proto/obd.h"

#define LT_ASK_WANTED_MAX      64
#define LT_ASK_CONTROLLERS_MAX 16
#define LT_ASK_TOGETHER_MAX    6 /* PIDs in a request, ISO 15765-4 */
#define LT_ASK_RATE            5.0
#define LT_ASK_RATE_MAX        10.0

struct lt_ask_wanted {
    uint8_t service;
    uint32_t number; /* LT_OBD_NO_NUMBER: the service has none (03, 07, 0A) */
};

/* May this service be asked for at all? */
bool lt_ask_may(uint8_t service);
/* Has the answer only to be read once (identification, stored codes), or again and again? */
bool lt_ask_is_once(uint8_t service);
/* The bytes of a request; 0 where it is none that may be asked: another service, a number too
 * large, too many or none. */
size_t lt_ask_payload(uint8_t service, const uint32_t *numbers, size_t count,
                      uint8_t ret_payload[7]);
/* Is this frame one that this machine may send: a single frame with such a request, or flow control
 * that lets a reply go on, to an identifier for requests? Every frame is looked at before it is
 * given out. */
bool lt_ask_is_allowed(const struct lt_frame *frame);

struct lt_ask_options {
    const struct lt_ask_wanted *wanted; /* copied */
    size_t wanted_count;
    double rate;      /* frames a second; 0: LT_ASK_RATE */
    int64_t every_ns; /* a round begins at most so often; 0: as the rate allows */
    uint64_t rounds;  /* 0: without end */
    uint64_t seed;    /* of the jitter */
    bool wakes;       /* after an end that a waking bus takes back: begin again then */
    lt_obd_length_fn length;
    void *context;
};

enum lt_ask_state {
    LT_ASK_LISTENING,
    LT_ASK_FINDING, /* whether and how it is answered: 11 or 29 bits, service 01 or 22 */
    LT_ASK_MASKS,   /* what the controllers have */
    LT_ASK_ROUNDS,
    LT_ASK_YIELDING, /* somebody else asks */
    LT_ASK_HOLDING,  /* error frames */
    LT_ASK_ENDED,    /* see enum lt_ask_end; with `wakes` it may begin again */
};

enum lt_ask_end {
    LT_ASK_GOES_ON,
    LT_ASK_DONE,          /* the rounds are asked, or nothing is left to be asked */
    LT_ASK_NO_ANSWER,     /* no controller at all answered */
    LT_ASK_BUS_QUIET,     /* the bus had traffic and has none any more: key off */
    LT_ASK_REPLIES_CEASE, /* they had come: key off */
    LT_ASK_ENGINE_STANDS, /* for long after it ran, where nothing but replies can be heard */
    LT_ASK_ERRORS,        /* error frames again and again */
    LT_ASK_BUS_OFF,
    LT_ASK_NOT_SENT,  /* sending failed again and again */
    LT_ASK_FORBIDDEN, /* a frame to be sent was none that may be: a fault of this program */
};
const char *lt_ask_state_text(enum lt_ask_state state);
const char *lt_ask_end_text(enum lt_ask_end end); /* a sentence without its stop */

struct lt_ask_counts {
    uint64_t requests, flow_controls; /* sent, both */
    uint64_t answers, negative, pending, silences, late;
    uint64_t foreign; /* frames of another tester */
    uint64_t error_frames, not_sent, rounds;
};

/* What became of a wanted value at one controller. */
struct lt_ask_outcome {
    struct lt_ask_wanted wanted;
    uint32_t reply_id; /* 0: of no controller in particular */
    bool extended;
    bool uds; /* asked as service 22, F4xx */
    enum lt_obd_answer answer;
    uint8_t nrc; /* the last negative response, 0 none */
    uint64_t answered;
};

struct lt_ask;

/* LT_E_UNKNOWN: a service that is never asked for; LT_E_RANGE: a number, or the rate; LT_E_LIMIT:
 * too many; LT_E_MISSING: nothing is wanted. */
enum lt_code lt_ask_new(struct lt_ask **ret_ask, const struct lt_ask_options *options,
                        int64_t now_ns, struct lt_error *error);
void lt_ask_free(struct lt_ask *ask); /* NULL is allowed */

enum lt_ask_where {
    LT_ASK_HERE,      /* on the bus that is asked */
    LT_ASK_ELSEWHERE, /* on one that is listened to beside: shows whether the car is awake */
};
/* True: the frame completed a reply to a wanted question; *ret_reply is valid until the next call.
 * The machine's own frames may be heard, too. */
bool lt_ask_hear(struct lt_ask *ask, enum lt_ask_where where, const struct lt_frame *frame,
                 int64_t now_ns, struct lt_obd_reply *ret_reply);
/* True: send this now, then say by lt_ask_sent whether it went out. */
bool lt_ask_next(struct lt_ask *ask, int64_t now_ns, struct lt_frame *ret_frame);
void lt_ask_sent(struct lt_ask *ask, bool went_out, int64_t now_ns);
/* When lt_ask_next will have something to do at the earliest, unless something is heard. */
int64_t lt_ask_due_ns(const struct lt_ask *ask);

enum lt_ask_state lt_ask_state(const struct lt_ask *ask, enum lt_ask_end *ret_end);
const struct lt_ask_counts *lt_ask_counts(const struct lt_ask *ask);
/* The n-th outcome, in the order wanted; false past the last. Those of controllers that were not
 * asked since another has the value are left out. */
bool lt_ask_outcome(const struct lt_ask *ask, size_t n, struct lt_ask_outcome *ret_outcome);
/* How many controllers were found, and whether by 29-bit identifiers. */
size_t lt_ask_controllers(const struct lt_ask *ask, bool *ret_extended);

#endif
