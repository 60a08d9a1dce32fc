/* What a bus shows of itself to a listener at one bit rate, and what is likely wrong with it.
 *
 *     struct lt_bus_signs signs = {0};
 *     lt_bus_signs_add(&signs, frame);   each frame and error report heard
 *     count = lt_bus_causes(&(struct lt_cause_view){.signs = &signs, ...}, causes);
 *
 * Sources: Linux include/uapi/linux/can/error.h (classes and details of an error report); ISO
 * 11898-1 (what an error is); ISO 11898-2 (levels and terminators). The judgement is common
 * practice of fault finding; docs/getting-on-a-bus.md says why for each. */
#ifndef LOOMTAP_LIVE_SIGNS_H
#define LOOMTAP_LIVE_SIGNS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/core/frame.h"

/* Kinds of error that reports name; one report may name several. Name, word, sentence. */
#define LT_SIGNS(X)                                                                                \
    X(LT_SIGN_STUFF, "stuff", "stuff errors")                                                      \
    X(LT_SIGN_FORM, "form", "form errors")                                                         \
    X(LT_SIGN_CRC, "crc", "checksum errors")                                                       \
    X(LT_SIGN_BIT, "bit", "bit errors")                                                            \
    X(LT_SIGN_UNTOLD, "untold", "bus errors of a kind that the adapter does not tell")             \
    X(LT_SIGN_FD_PLACE, "fd-place", "errors where an FD frame begins to differ")                   \
    X(LT_SIGN_ACK_PLACE, "ack-place", "errors where a frame is acknowledged")                      \
    X(LT_SIGN_OVERLOAD, "overload", "overload frames")                                             \
    X(LT_SIGN_WARNING, "warning", "changes to error-warning")                                      \
    X(LT_SIGN_PASSIVE, "passive", "changes to error-passive")                                      \
    X(LT_SIGN_BUS_OFF, "bus-off", "bus-offs")                                                      \
    X(LT_SIGN_NO_ACK, "no-ack", "frames sent that nobody acknowledged")                            \
    X(LT_SIGN_SENDING, "sending", "other errors while sending")                                    \
    X(LT_SIGN_WIRE, "wire", "reports of the transceiver about its wires")                          \
    X(LT_SIGN_OVERFLOW, "overflow", "overflows of the adapter's memory")

#define LT_SIGN_ENUM(name, word, text) name,
enum lt_bus_sign { LT_SIGNS(LT_SIGN_ENUM) LT_SIGN_COUNT };
#undef LT_SIGN_ENUM

const char *lt_sign_word(enum lt_bus_sign sign);
const char *lt_sign_text(enum lt_bus_sign sign);

struct lt_bus_signs {
    uint64_t frames;                     /* whole frames of others; */
    uint64_t fd_frames, switched_frames; /* of them FD, and FD with its data at a rate of its own */
    uint64_t own_frames;                 /* sent by this machine */
    uint64_t reports;                    /* error reports of any kind */
    uint64_t errors;                     /* of them those that tell of a fault on the bus */
    uint64_t signs[LT_SIGN_COUNT];
    uint8_t receive_most, transmit_most; /* error counters, where reports have them */
};

void lt_bus_signs_add(struct lt_bus_signs *signs, const struct lt_frame *frame);
void lt_bus_signs_join(struct lt_bus_signs *signs, const struct lt_bus_signs *more);
/* Signs that a controller which only listens cannot give. */
bool lt_bus_signs_of_sending(const struct lt_bus_signs *signs);

/* Likely causes. Name, word, sentence, what to do. */
#define LT_CAUSES(X)                                                                               \
    X(LT_CAUSE_NOT_LISTENING, "not-listening",                                                     \
      "the adapter sends although it was told to listen only: such errors come of sending alone",  \
      "take it off the bus, and use an adapter that has a real listen-only mode")                  \
    X(LT_CAUSE_FD, "fd-bus",                                                                       \
      "this looks like CAN FD heard by a classic controller: FD frames break off with form and "   \
      "stuff errors, classic ones among them are whole",                                           \
      "never go active here with classic CAN: it would destroy every FD frame. Use an FD adapter " \
      "and --fd")                                                                                  \
    X(LT_CAUSE_DATA_RATE, "data-rate",                                                             \
      "the bit rate is right, and the data bit rate or the kind of FD is not",                     \
      "try another --data-bitrate (2000000 and 5000000 are usual), and --fd non-iso")              \
    X(LT_CAUSE_WIRE, "wire", "the transceiver reports a wire that is open or shorted",             \
      "look at CAN_H and CAN_L of this connection, each for itself")                               \
    X(LT_CAUSE_LONE, "lone-sender",                                                                \
      "a single node sends and nobody acknowledges it, so no frame is ever whole",                 \
      "usual on a bench with one other node: there --active --bench acknowledges it. In a car it " \
      "means a wire that leads to one node alone")                                                 \
    X(LT_CAUSE_RATE, "wrong-rate", "the bit rate is wrong, so that no frame is whole",             \
      "`--bitrate auto` listens at every usual rate")                                              \
    X(LT_CAUSE_TERMINATORS, "terminators",                                                         \
      "a terminator is missing, or there is a third: edges ring or do not fall",                   \
      "with the bus asleep or unpowered measure between CAN_H and CAN_L: 60 ohm is right, 120 "    \
      "means one is missing, 40 that there is one too many")                                       \
    X(LT_CAUSE_NOBODY, "nobody",                                                                   \
      "what is sent here reaches nobody: no other node at this bit rate, or not this wire",        \
      "look at the wires and the bit rate; another node that only listens acknowledges nothing")   \
    X(LT_CAUSE_SLEEPING, "asleep", "the bus is asleep, or its controllers are off",                \
      "switch the ignition on, or wake the car (a door, the key), and try again")                  \
    X(LT_CAUSE_NOT_THERE, "not-there",                                                             \
      "the adapter is not on this bus: other pins, or a diagnostic port that speaks only when it " \
      "is asked, behind a gateway",                                                                \
      "a bus that is awake shows some 2.5 V on both wires; on the diagnostic port CAN is at pins " \
      "6 and 14")                                                                                  \
    X(LT_CAUSE_SWAPPED, "swapped-wires",                                                           \
      "CAN_H and CAN_L are swapped: a listener then takes everything for an idle bus",             \
      "awake, CAN_H is the wire with the higher mean voltage (above 2.5 V)")                       \
    X(LT_CAUSE_GROUND, "ground", "the adapter and the car have no common ground, or a poor one",   \
      "join the adapter's ground to the car's near the connection, and try the computer on "       \
      "battery")                                                                                   \
    X(LT_CAUSE_CONTACT, "contact", "a loose contact or noise: few errors among many whole frames", \
      "move wire and connector and watch the errors; keep the branch to the adapter short")        \
    X(LT_CAUSE_OTHER_RATE, "other-rate",                                                           \
      "the bus runs at a bit rate that was not tried, or that this adapter does not have",         \
      "a scope shows the shortest bit: 2 us are 500 kbit/s")                                       \
    X(LT_CAUSE_SLOW, "slow-adapter", "the adapter or its link to this computer is too slow",       \
      "frames are missing; another USB port, or a faster adapter")

#define LT_CAUSE_ENUM(name, word, text, advice) name,
enum lt_cause_kind { LT_CAUSES(LT_CAUSE_ENUM) LT_CAUSE_COUNT };
#undef LT_CAUSE_ENUM

const char *lt_cause_word(enum lt_cause_kind kind);
const char *lt_cause_text(enum lt_cause_kind kind);
const char *lt_cause_advice(enum lt_cause_kind kind);

struct lt_cause_view {
    const struct lt_bus_signs *signs; /* at the rate in question, or of all rates */
    bool searched;                    /* all usual rates were listened at */
    bool some_missing;                /* with searched: the adapter has not all of them */
    bool fd;                          /* FD is on */
    bool listen_only;
};

struct lt_cause {
    enum lt_cause_kind kind;
    unsigned weight; /* 3: points there; 2: likely; 1: possible */
};

/* The weightiest first; none where nothing is wrong. Gives their number, at most LT_CAUSE_COUNT. */
size_t lt_bus_causes(const struct lt_cause_view *view, struct lt_cause *ret_causes);

/* May a controller go active after these signs? Only when whole frames were heard, and no error:
 * an active controller at a wrong rate, or a classic one among FD frames, destroys what others
 * send. */
bool lt_bus_is_clean(const struct lt_bus_signs *signs, unsigned frames_enough);

#endif
