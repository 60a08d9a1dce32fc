/* Claims: what a profile says about a car, statement by statement, and what a capture says to each.
 *
 * One row a kind of claim, with an id that never changes; docs/claims.md has a sentence for each
 * and says how it is judged, and each has a test that cites its id. Thresholds are another table;
 * [prove] in a profile may change them by their keys. */
#ifndef LOOMTAP_PROVE_CLAIMS_H
#define LOOMTAP_PROVE_CLAIMS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* In the order of badness: the worst of several is the greatest. */
enum lt_proof_verdict { LT_PROVEN, LT_NOT_EXERCISED, LT_CONTRADICTED };
/* "proven", "not exercised", "contradicted" */
const char *lt_proof_verdict_name(enum lt_proof_verdict verdict);

enum lt_claim_subject {
    LT_ABOUT_PROFILE,
    LT_ABOUT_ROLE,
    LT_ABOUT_BUS,
    LT_ABOUT_FRAME,
    LT_ABOUT_SIGNAL
};

/* id, subject, needed, sentence. Needed: about a required role, "not exercised" keeps the whole
 * profile from being proven; of the others only a contradiction counts. The subject of a claim
 * about a role is the signal that has it, or the role's name where none has. */
#define LT_CLAIMS(X)                                                                               \
    X(LT_CLAIM_ROLE, "role", LT_ABOUT_ROLE, true, "a signal has the role that is required")        \
    X(LT_CLAIM_REACHABLE, "reachable", LT_ABOUT_BUS, true, "the bus is in the capture and alive")  \
    X(LT_CLAIM_PRESENT, "present", LT_ABOUT_FRAME, true, "the frame is on its bus")                \
    X(LT_CLAIM_LENGTH, "length", LT_ABOUT_FRAME, true, "the frame has the length stated")          \
    X(LT_CLAIM_PERIOD, "period", LT_ABOUT_FRAME, true, "the frame comes as often as stated")       \
    X(LT_CLAIM_GAPS, "gaps", LT_ABOUT_FRAME, false,                                                \
      "the frame keeps coming while its bus is alive")                                             \
    X(LT_CLAIM_COUNTER, "counter", LT_ABOUT_FRAME, true, "the counter counts as stated")           \
    X(LT_CLAIM_CHECKSUM, "checksum", LT_ABOUT_FRAME, true, "the checksum verifies")                \
    X(LT_CLAIM_REPEATED, "repeated", LT_ABOUT_FRAME, false,                                        \
      "the frame is no last value that a gateway repeats")                                         \
    X(LT_CLAIM_SEND_FREE, "send-free", LT_ABOUT_FRAME, true,                                       \
      "nobody on the bus uses the identifier of a frame to be sent")                               \
    X(LT_CLAIM_SEND_MADE, "send-made", LT_ABOUT_FRAME, false,                                      \
      "the checksum or counter of a frame to be sent is made as in frames that came")              \
    X(LT_CLAIM_SEND_ROOM, "send-room", LT_ABOUT_BUS, true,                                         \
      "the bus has room for the frames to be sent")                                                \
    X(LT_CLAIM_RANGE, "range", LT_ABOUT_SIGNAL, true, "the values lie in the range")               \
    X(LT_CLAIM_SLEW, "slew", LT_ABOUT_SIGNAL, false,                                               \
      "the value moves no faster than its role can")                                               \
    X(LT_CLAIM_EXERCISED, "exercised", LT_ABOUT_SIGNAL, true, "the capture moves the field")       \
    X(LT_CLAIM_LABELS, "labels", LT_ABOUT_SIGNAL, false, "every code that comes has a label")      \
    X(LT_CLAIM_EDGES, "edges", LT_ABOUT_SIGNAL, false, "the field begins and ends where stated")   \
    X(LT_CLAIM_ORDER, "order", LT_ABOUT_SIGNAL, false, "the byte order is as stated")              \
    X(LT_CLAIM_SIGN, "sign", LT_ABOUT_SIGNAL, false, "the sign is read as stated")                 \
    X(LT_CLAIM_UNAVAILABLE, "unavailable", LT_ABOUT_SIGNAL, true,                                  \
      "the value is available most of the time")                                                   \
    X(LT_CLAIM_FRESH, "fresh", LT_ABOUT_SIGNAL, true,                                              \
      "the value comes as often as its role needs")                                                \
    X(LT_CLAIM_FROZEN, "frozen", LT_ABOUT_SIGNAL, false, "the value moves when its quantity does") \
    X(LT_CLAIM_OBD, "obd", LT_ABOUT_SIGNAL, true, "the signal agrees with the diagnostic replies") \
    X(LT_CLAIM_COPY, "copy", LT_ABOUT_SIGNAL, false, "signals of one quantity agree")              \
    X(LT_CLAIM_LAW, "law", LT_ABOUT_SIGNAL, false, "quantities that hang together do so")          \
    X(LT_CLAIM_MARKS, "marks", LT_ABOUT_SIGNAL, false, "the labels are those that were marked")    \
    X(LT_CLAIM_ANSWERED, "answered", LT_ABOUT_SIGNAL, false,                                       \
      "the car answers the parameter (profiles of parameters alone)")                              \
    X(LT_CLAIM_CALIBRATION, "calibration", LT_ABOUT_PROFILE, false,                                \
      "the car's calibration is one that the profile fits")

#define LT_CLAIM_ENUM(name, id, subject, needed, sentence) name,
enum lt_claim_id { LT_CLAIMS(LT_CLAIM_ENUM) LT_CLAIM_COUNT };
#undef LT_CLAIM_ENUM

struct lt_claim_kind {
    const char *id;
    enum lt_claim_subject subject;
    bool needed;
    const char *sentence;
};
const struct lt_claim_kind *lt_claim_kind(enum lt_claim_id id);

/* key, usual value, unit, common practice?, what it is. Common practice: no standard says it. */
#define LT_THRESHOLDS(X)                                                                           \
    X(LT_LIMIT_ALIVE_S, "alive_s", 1, "s", true, "a bus with traffic this long is alive")          \
    X(LT_LIMIT_LENGTH_OTHER, "length.other_percent", 1, "%", true, "frames of another length")     \
    X(LT_LIMIT_PERIOD, "period.tolerance_percent", 20, "%", true, "the usual gap off the period")  \
    X(LT_LIMIT_GAPS, "gaps.missing_percent", 10, "%", true,                                        \
      "frames that should have come and did not")                                                  \
    X(LT_LIMIT_COUNTER, "counter.other_percent", 4, "%", true,                                     \
      "steps that are not the one stated")                                                         \
    X(LT_LIMIT_CHECKSUM, "checksum.failed_percent", 2, "%", true,                                  \
      "frames whose checksum is wrong")                                                            \
    X(LT_LIMIT_REPEATED, "repeated.most_s", 2, "s", true,                                          \
      "one content while other frames have news")                                                  \
    X(LT_LIMIT_LOAD, "send.load_percent", 70, "%", true,                                           \
      "load of a bus with the frames to be sent")                                                  \
    X(LT_LIMIT_RANGE, "range.outside_percent", 0.5, "%", true, "values outside the range")         \
    X(LT_LIMIT_SLEW, "slew.over_percent", 2, "%", true,                                            \
      "steps faster than the role's quantity moves")                                               \
    X(LT_LIMIT_EXERCISED, "exercised.least_percent", 10, "%", true,                                \
      "part of the range that has to be covered")                                                  \
    X(LT_LIMIT_LABELS, "labels.other_percent", 1, "%", true, "codes without a label")              \
    X(LT_LIMIT_UNAVAILABLE, "unavailable.most_percent", 50, "%", true,                             \
      "codes for unavailable or error")                                                            \
    X(LT_LIMIT_AGREE_SCALE, "obd.slope_percent", 8, "%", true, "slope off 1 against diagnostics")  \
    X(LT_LIMIT_AGREE_OFFSET, "obd.offset_percent", 2, "%", true,                                   \
      "level off, in parts of the span covered")                                                   \
    X(LT_LIMIT_AGREE_R, "obd.least_r", 0.9, "1", true, "correlation that counts as following")     \
    X(LT_LIMIT_AGREE_LOST_R, "obd.lost_r", 0.6, "1", true,                                         \
      "correlation that counts as another quantity")                                               \
    X(LT_LIMIT_AGREE_N, "obd.least_samples", 6, "1", true,                                         \
      "effective samples below which nothing is said")                                             \
    X(LT_LIMIT_OBD_NEEDED, "obd.needed", 1, "1", true,                                             \
      "0: a required role is proven without diagnostics")                                          \
    X(LT_LIMIT_MARKS, "marks.least_percent", 90, "%", true, "marks whose label is the signal's")

#define LT_LIMIT_ENUM(name, key, value, unit, common, text) name,
enum lt_limit { LT_THRESHOLDS(LT_LIMIT_ENUM) LT_LIMIT_COUNT };
#undef LT_LIMIT_ENUM

struct lt_threshold {
    const char *key;
    double usual;
    const char *unit;
    bool common_practice;
    const char *sentence;
};
const struct lt_threshold *lt_threshold(enum lt_limit limit);

#endif
