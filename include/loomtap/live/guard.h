/* What goes out on a bus when warnings are run live, and when nothing goes out any more. It stands
 * between the warning engine, which says what is to be sent and when, and the interfaces: it has no
 * clock, no socket and no thread of its own, so that all of it can be tried step by step.
 *
 *     lt_guard_new(&guard, &options, &error);
 *     for (;;) {
 *         lt_guard_alive(guard, now_ns);              // first of all: did the process stand still?
 *         lt_guard_heard(guard, frame, now_ns);       // each frame, before the engine gets it
 *         lt_guard_wants(guard, index, frame, ...);   // from the engine's sink
 *         while (lt_guard_next(guard, now_ns, &frame))
 *             lt_guard_sent(guard, now_ns, is_sent);  // after the interface took it, or not
 *     }
 *
 * It listens first. While it does, one foreign frame on an identifier of its own is enough to
 * refuse for good. Then frames go out when the engine says so, but two of a definition never closer
 * than its period less LT_GUARD_JITTER; of those that would, and of those that are behind their
 * time by more than a period, only the newest is kept, so that no delay of this machine makes a
 * burst. The counter counts the frames that went out, without a gap.
 *
 * There is no job in the kernel that repeats frames: each goes out because this process lives and
 * the engine says so. A process that is killed or stopped sends nothing any more, and one that goes
 * on after LT_GUARD_STALL_NS listens again from the start.
 *
 * All times are of one clock that only runs forward, but real_ns, the capture's own. */
#ifndef LOOMTAP_LIVE_GUARD_H
#define LOOMTAP_LIVE_GUARD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/core/frame.h"
#include "loomtap/core/profile.h"
#include "loomtap/live/refuse.h"

#define LT_GUARD_STALL_NS     INT64_C(1000000000)
#define LT_GUARD_JITTER_PART  20               /* of the period, */
#define LT_GUARD_JITTER_NS    INT64_C(1000000) /* and at most this */
#define LT_GUARD_LOST_NS      INT64_C(10000000000)
#define LT_GUARD_LISTEN_TIMES 10
#define LT_GUARD_LISTEN_NS    INT64_C(1000000000) /* at least */
#define LT_GUARD_UNSEEN_NS    INT64_C(1000000000)

enum lt_guard_state {
    LT_GUARD_LISTENING, /* armed, but not yet sure */
    LT_GUARD_SENDING,
    LT_GUARD_SHOWING, /* not armed: never sends */
    LT_GUARD_STOPPED, /* for good */
};

#define LT_GUARD_STOPS(X)                                                                          \
    X(LT_GUARD_GOES_ON, "")                                                                        \
    X(LT_GUARD_REFUSED, "another node sends what would be sent here")                              \
    X(LT_GUARD_SILENT, "no frame was heard while listening, so that nothing is known of who "      \
                       "sends here")                                                               \
    X(LT_GUARD_FOREIGN, "another node began to send what is sent here")                            \
    X(LT_GUARD_BUS_OFF, "the controller went bus-off")                                             \
    X(LT_GUARD_DOWN, "the interface went down")                                                    \
    X(LT_GUARD_GONE, "the interface is gone")                                                      \
    X(LT_GUARD_LOST, "every input of the warnings has been lost for too long")                     \
    X(LT_GUARD_NOT_TAKEN, "the interface took a frame no more")                                    \
    X(LT_GUARD_NOT_MADE, "a frame could not be put together")

#define LT_GUARD_STOP_ENUM(name, text) name,
enum lt_guard_stop { LT_GUARD_STOPS(LT_GUARD_STOP_ENUM) LT_GUARD_STOP_COUNT };
#undef LT_GUARD_STOP_ENUM

const char *lt_guard_stop_text(enum lt_guard_stop stop);

/* What became of a frame that the engine wants sent. */
enum lt_guard_fate {
    LT_GUARD_WAITS, /* it is the next to go out */
    LT_GUARD_NOT_ARMED,
    LT_GUARD_NOT_YET,  /* still listening */
    LT_GUARD_LATE,     /* more than a period behind its time, and no all-clear: left out */
    LT_GUARD_ENDED,    /* stopped */
    LT_GUARD_NO_CLEAR, /* an all-clear of what was never sent */
};
const char *lt_guard_fate_text(enum lt_guard_fate fate); /* "" for WAITS */

struct lt_guard_options {
    const struct lt_profile *profile; /* outlives it */
    const uint16_t *buses;            /* by the profile's frame: where it is heard and sent */
    bool armed;
    int64_t listen_ns; /* lt_guard_listen_ns, or more */
    int64_t lost_ns;   /* 0: LT_GUARD_LOST_NS */
};

struct lt_guard_counts {
    uint64_t sent, clears;
    uint64_t left_out; /* wanted while sending, but late, or followed by the next too soon */
    uint64_t unseen; /* taken by the interface and not heard on the bus within LT_GUARD_UNSEEN_NS */
    uint64_t foreign, stalls;
    int64_t late_most_ns; /* behind the engine's time, of those that went out */
};

/* Ten of the longest declared periods among the frames that warnings send and those of their
 * inputs. */
int64_t lt_guard_listen_ns(const struct lt_profile *profile);

struct lt_guard;
enum lt_code lt_guard_new(struct lt_guard **ret_guard, const struct lt_guard_options *options,
                          struct lt_error *error);
void lt_guard_free(struct lt_guard *guard); /* NULL is allowed */

/* To be called before all else of a round. False: more than LT_GUARD_STALL_NS since the last call;
 * what waited is dropped, and when armed it listens again from now on. */
bool lt_guard_alive(struct lt_guard *guard, int64_t now_ns);
/* Every frame of the buses. True: it is one of those sent here. */
bool lt_guard_heard(struct lt_guard *guard, const struct lt_frame *frame, int64_t now_ns);
/* An interface went down or away. */
void lt_guard_bus_away(struct lt_guard *guard, uint16_t bus, bool gone);
/* Is every input of the warnings lost? Whenever that is looked at. */
void lt_guard_inputs(struct lt_guard *guard, bool all_lost, int64_t now_ns);

/* From the engine's sink: the profile's frame, its bytes, its time; real_ns: now by that clock. */
enum lt_guard_fate lt_guard_wants(struct lt_guard *guard, uint32_t index,
                                  const struct lt_frame *frame, bool is_clear, int64_t real_ns);

struct lt_guard_out {
    uint32_t index; /* of the profile's frame */
    bool is_clear;
    struct lt_frame frame; /* time_ns: the engine's */
};
/* What has to go out now; lt_guard_sent must follow. now_ns has to be looked up for it: nothing
 * goes out more than LT_GUARD_STALL_NS after the round began. */
bool lt_guard_next(struct lt_guard *guard, int64_t now_ns, struct lt_guard_out *ret_out);
void lt_guard_sent(struct lt_guard *guard, int64_t now_ns, int64_t real_ns, bool is_taken);
/* When the next round is due at the latest, for what waits or listens; INT64_MAX: nothing is. */
int64_t lt_guard_due_ns(const struct lt_guard *guard);
/* Those that went out and were not heard back in time (with now_ns INT64_MAX: all that were not
 * yet), one a call. */
bool lt_guard_unseen(struct lt_guard *guard, int64_t now_ns, struct lt_frame *ret_frame);

enum lt_guard_state lt_guard_state(const struct lt_guard *guard);
/* Why it stopped; *ret_index (may be NULL): the profile's frame that it is about, LT_NONE. When not
 * armed: what would have stopped it, the first of that. */
enum lt_guard_stop lt_guard_stop(const struct lt_guard *guard, uint32_t *ret_index,
                                 enum lt_refusal *ret_refusal);
const struct lt_guard_counts *lt_guard_counts(const struct lt_guard *guard);

#endif
