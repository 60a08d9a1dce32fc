/* Warnings: one engine, fed with frames in the order of their time, or with time alone. It runs the
 * conditions of a profile, says when each warning comes on and goes off, and makes the frames that
 * are to be sent. Nothing is sent from here: the frames go to a sink.
 *
 *     lt_warn_new(&warn, profile, bindings, binding_count, &sink, &error);
 *     lt_warn_frame(warn, frame);        // each frame, and between them, live:
 *     lt_warn_tick(warn, now_ns);        // nothing came up to now
 *     lt_warn_end(warn, now_ns, true);   // a normal end: all-clear where it may be given
 *     lt_warn_free(warn);
 *
 * The only clock is the time of the frames and ticks. Whatever is due between two frames happens at
 * the time at which it is due, not at the next frame's, so the same frames give the same events to
 * the nanosecond, however often ticks come. After lt_warn_new nothing is allocated.
 *
 * TIME. All times are whole nanoseconds of the capture. What a frame says holds from its time on,
 * up to and without the time of the next: at one instant, what is due comes first, then the frames
 * of that instant in their order, each with all its consequences. A frame or tick whose time is
 * less than a second below the newest is taken at the newest. One further back, or a frame more
 * than LT_WARN_PAUSE_NS behind the last frame, begins a new recording: what is due within
 * LT_WARN_PAUSE_NS of the last frame still happens, warnings that are on go off (cause: lost), and
 * everything is forgotten. Frames without a time are taken at the newest time; before the first
 * time they are left out. A tick says that no frame of an earlier time will come, so live the time
 * of a tick is taken before the sockets are emptied; beyond the last frame and LT_WARN_PAUSE_NS
 * ticks do nothing. Diagnostic answers and J1939 transport are followed on the first four buses
 * that carry them.
 *
 * INPUTS are the signals that conditions name. A value is good when its frame is not suspect
 * (checksum wrong or cut off, counter equal to that of the frame before) and it is a finite number
 * and no code for `unavailable` or `error`; of a signal whose role is told by labels (drive mode,
 * gear ...) and that has labels, a raw value without a label is not known and no good value either.
 * An input is lost
 *     when it is too old: from last good value + largest age + 1 ns on (a value of exactly the
 *         largest age is still good; so at 100 ms, lost at 100 ms + 1 ns);
 *     at once with a frame that is suspect, or that says unavailable, error or nothing known;
 *     when it never came: from first time + largest age + 1 ns on. Before, it is awaited.
 * The next good value ends that. The largest age is max_age_ms; else the role's; else three periods
 * of the frame, three rounds of its pages where it has pages; a parameter (a diagnostic answer)
 * without max_age_ms: 5 s. Without any of these a value does not grow old, and is awaited for 1 s.
 * While an input is lost, its `on_lost` decides what conditions see: nothing (`missing`); the last
 * good value for MS from the moment of the loss, at the end of which there is nothing (`hold MS`);
 * or V (`value V`). Where several senders send one frame definition or
 * answer one parameter, the first that is heard is taken and the others are passed over.
 *
 * CONDITIONS. A comparison is true, false, or unknown: when one side has no value, is a quotient by
 * zero or no finite number. `and` is false when one side is, `or` true when one side is, whatever
 * the other; `not` of unknown is unknown. age(s): seconds since the last frame that was not suspect
 * brought the signal (a code for unavailable counts); unknown before the first. rate(s): change
 * between the last two good values of different times, per second; unknown until there are two
 * since the last loss. missing(s): lost, and nothing stands in for it. suspect(s): the last frame
 * that brought it was suspect. limp: a warning with `limp = yes` is on. age changes with time alone
 * and is looked at to the nanosecond; it can be added and multiplied by what does not depend on
 * age, but not with itself.
 *
 * A WARNING
 *     holds     while `when` is true; with on_lost = warn also while it is unknown (unless an
 *               input is still awaited);
 *     comes on  at t + for_ms when it has held without a break from t to t + for_ms; cause lost
 *               if `when` is unknown at that moment, else condition (which it also becomes when
 *               `when` gets true later);
 *     goes off  at the first instant from t_on + hold_ms on at which `until` is true and it does
 *               not hold; without `until`, at which `when` is false. One that is on by loss also
 *               at which `when` is false: the inputs are back. With on_lost = ignore unknown
 *               neither brings it on nor ends it.
 * So a warning never ends while it holds, however its conditions overlap. One latches by an `until`
 * that comes late enough, such as `ignition == "off"`. A change of the drive mode counts from the
 * frame that brings it: what it makes true has to hold for for_ms as anything else. At one instant
 * warnings are looked at in the order of the profile; those that name `limp` again when limp has
 * changed; none changes twice: the second change waits for the next instant at which an input comes
 * or something is due.
 *
 * FRAMES. Warnings that are on put their signals into the frame they name. Where two set the same
 * signal, the lower number of `priority` wins, then the order of the profile; settings that no page
 * of the frame can show together give way the same way. The first goes out at the instant at which
 * the first of its warnings comes on, the next each period after; never two closer than the period,
 * so a change waits for the next one. Without period: one at each change. The counter goes on over
 * all frames of a definition. When the last of its warnings goes off the frames end. The all-clear,
 * one frame with all signals 0 a period after the last, is given by lt_warn_end alone, and only
 * with `normal`, where no warning of the frame is on by loss or went off last by loss, and none of
 * their inputs is lost. */
#ifndef LOOMTAP_WARN_WARN_H
#define LOOMTAP_WARN_WARN_H

#include "loomtap/core/frame.h"
#include "loomtap/core/plan.h"
#include "loomtap/core/profile.h"

#define LT_WARN_BACK_NS  INT64_C(1000000000)
#define LT_WARN_PAUSE_NS INT64_C(600000000000)

enum lt_warn_source {
    LT_WARN_OWN,         /* its own good value */
    LT_WARN_HELD,        /* lost; the last good value stands in */
    LT_WARN_SUBSTITUTED, /* lost; the profile's value stands in */
    LT_WARN_AWAITED,     /* never came, and is not missed yet */
    LT_WARN_MISSING,
};
/* Why an input is lost. */
enum lt_warn_loss {
    LT_WARN_NOT_LOST,
    LT_WARN_NEVER_CAME,
    LT_WARN_STALE,
    LT_WARN_SUSPECT,
    LT_WARN_UNAVAILABLE,
    LT_WARN_ERROR,
    LT_WARN_NOT_KNOWN, /* no finite number; no label of the drive mode and the like */
};
const char *lt_warn_loss_text(enum lt_warn_loss loss); /* "too old"; "" for none */

struct lt_warn_input {
    uint32_t signal;                /* index in the profile */
    const struct lt_scaler *scaler; /* lt_scaler_print(scaler, raw) where has_raw */
    enum lt_warn_source source;     /* a value for OWN, HELD and SUBSTITUTED */
    enum lt_warn_loss loss;
    bool has_raw;
    uint64_t raw;
    double value; /* in the role's unit */
};

enum lt_warn_cause { LT_WARN_CAUSE_CONDITION, LT_WARN_CAUSE_LOST };

struct lt_warn_event {
    int64_t time_ns;
    uint32_t warning; /* index in the profile */
    bool on;
    enum lt_warn_cause cause; /* off: what it was on for */
    int64_t on_ns;            /* off: since when it was on; on: time_ns */
    const uint32_t *inputs;   /* those of its conditions, for lt_warn_input() */
    size_t input_count;
};

/* Borrowed for the call. All but context may be NULL. */
struct lt_warn_sink {
    void *context;
    void (*event)(void *context, const struct lt_warn_event *event);
    /* frame: time_ns, id, flags, len, raw_dlc, data; bus LT_WARN_NO_BUS where the profile's bus is
     * not bound. `is_clear`: the all-clear. */
    void (*send)(void *context, uint32_t frame_index, const struct lt_frame *frame, bool is_clear);
    /* An input got another value, was lost, or came back. */
    void (*input)(void *context, int64_t time_ns, uint32_t input);
    /* Everything was forgotten: the next time begins a new recording. */
    void (*restart)(void *context, int64_t last_ns);
};
#define LT_WARN_NO_BUS UINT16_MAX

struct lt_warn;

/* The profile must outlive it. `bindings` say which bus of the capture each bus of profile 0 is.
 * LT_E_CONFLICT: a condition that cannot be run (age times age), or settings that cannot be
 * encoded; the text names the warning. */
enum lt_code lt_warn_new(struct lt_warn **ret_warn, const struct lt_profile *profile,
                         const struct lt_binding *bindings, size_t binding_count,
                         const struct lt_warn_sink *sink, struct lt_error *error);
void lt_warn_free(struct lt_warn *warn);

void lt_warn_frame(struct lt_warn *warn, const struct lt_frame *frame);
void lt_warn_tick(struct lt_warn *warn, int64_t now_ns);
/* The last call: up to now_ns, then the all-clear if `normal`. */
void lt_warn_end(struct lt_warn *warn, int64_t now_ns, bool normal);
/* The earliest time at which something can happen without a frame; INT64_MAX for never. A live
 * caller sleeps until then. It may be too early, never too late. */
int64_t lt_warn_next_ns(const struct lt_warn *warn);

size_t lt_warn_input_count(const struct lt_warn *warn);
const struct lt_warn_input *lt_warn_input(const struct lt_warn *warn, uint32_t input);
/* Those of a warning's conditions; returns how many. */
size_t lt_warn_inputs_of(const struct lt_warn *warn, uint32_t warning, const uint32_t **ret_inputs);
bool lt_warn_is_on(const struct lt_warn *warn, uint32_t warning, enum lt_warn_cause *ret_cause);
bool lt_warn_limp(const struct lt_warn *warn);

struct lt_warn_counts {
    uint64_t frames, matched; /* fed; those that brought an input */
    uint64_t no_time, backward, other_senders, restarts;
    /* Frames that another node sent on an identifier that the profile sends. */
    uint64_t foreign;
    int64_t first_foreign_ns;
    uint32_t foreign_frame; /* the profile's frame; LT_NONE */
    uint64_t sent, not_encoded;
};
const struct lt_warn_counts *lt_warn_counts(const struct lt_warn *warn);

/* What has to be said wherever frames can be sent, a sentence an item; NULL ends the list. */
extern const char *const lt_warn_cautions[];

#endif
