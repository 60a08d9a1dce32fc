/* What may never be sent: sending must not override another node, nor speak in the place of a
 * tester or of the network's own management.
 *
 * One table for everything that sends. All of it is pure: it knows definitions and identifiers, no
 * bus and no clock. Sources: ISO 15765-4 and ISO 15765-2 (diagnostic identifiers), CiA 301 (NMT),
 * SAE J1939-21, -73 and -81 (parameter groups). Ranges that no standard fixes for every car are
 * marked as common practice: refusing one identifier too many costs a changed profile, one too few
 * could put a car's network to sleep or keep it awake. */
#ifndef LOOMTAP_LIVE_REFUSE_H
#define LOOMTAP_LIVE_REFUSE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/core/frame.h"
#include "loomtap/core/profile.h"

/* Name, what is said behind "frame x (6A0): ", what to do. */
#define LT_REFUSALS(X)                                                                             \
    X(LT_REFUSE_NOTHING, "", "")                                                                   \
    X(LT_REFUSE_DIRECTION, "it is not declared `direction = send`",                                \
      "only frames that the profile declares as the kit's own are sent")                           \
    X(LT_REFUSE_AUTHENTICATED, "it carries a message authentication code",                         \
      "such frames are never made here")                                                           \
    X(LT_REFUSE_NO_PERIOD, "it has no `period_ms`, so that no rate is declared for it",            \
      "declare one")                                                                               \
    X(LT_REFUSE_DIAGNOSTIC, "this is an identifier of diagnostic testers or their answers",        \
      "give it an identifier of the kit's own")                                                    \
    X(LT_REFUSE_NETWORK, "this is an identifier of network management",                            \
      "give it an identifier of the kit's own")                                                    \
    X(LT_REFUSE_NO_ADDRESS, "it names no source address of its own (0..253)",                      \
      "give the frame a `source` that no other controller has")                                    \
    X(LT_REFUSE_KNOWN, "the car sends it, as a profile or draft knows",                            \
      "give it an identifier of the kit's own")                                                    \
    X(LT_REFUSE_KNOWN_ADDRESS, "its source address is that of a controller of the car",            \
      "give it an address of the kit's own")                                                       \
    X(LT_REFUSE_HEARD, "another node sends it on this bus",                                        \
      "give it an identifier of the kit's own; is a second kit or a copy of this program at "      \
      "work?")                                                                                     \
    X(LT_REFUSE_HEARD_ADDRESS, "another node of this bus has its source address",                  \
      "give it an address of the kit's own")

#define LT_REFUSAL_ENUM(name, text, advice) name,
enum lt_refusal { LT_REFUSALS(LT_REFUSAL_ENUM) LT_REFUSAL_COUNT };
#undef LT_REFUSAL_ENUM

const char *lt_refusal_text(enum lt_refusal refusal);
const char *lt_refusal_advice(enum lt_refusal refusal);

/* By the number alone: DIAGNOSTIC or NETWORK. 11 bits: 000 (CiA 301 NMT), 400..43F and 500..53F
 * (network management, common practice), 700..7FF (7DF, 7E0..7EF of ISO 15765-4; the rest of it
 * diagnostics and node guarding by common practice). 29 bits, whatever the priority: PF DA, DB, CD,
 * CE (ISO 15765-2), EE (address claim, SAE J1939-81). */
enum lt_refusal lt_refuse_id(uint32_t id, bool extended);

/* What a profile's frame says of itself, and of its identifier. A J1939 frame (pgn) must have a
 * source address of its own, and must be none of the groups that command other nodes: requests and
 * acknowledgements, transport, address management, DM3, DM11, DM13 to DM18. */
enum lt_refusal lt_refuse_frame(const struct lt_frame_def *send);

/* Does `known` (the profile itself, another profile, or the draft of a survey) have it as the
 * car's? With any_bus a draft's own names of buses do not matter; else frames of another bus than
 * that of `send`, which then is a frame of `known`, do not count. *ret_frame: the frame of `known`.
 */
enum lt_refusal lt_refuse_known(const struct lt_frame_def *send, const struct lt_profile *known,
                                bool any_bus, uint32_t *ret_frame);

/* Is this frame of another node on the same bus in the way of `send`? Error frames and remote
 * requests are not. */
enum lt_refusal lt_refuse_heard(const struct lt_frame_def *send, const struct lt_frame *heard);

#endif
