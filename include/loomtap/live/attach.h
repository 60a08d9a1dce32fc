/* Getting onto a bus: the search for its bit rate, and the steps around it.
 *
 * The search is a state machine without clock, socket or interface: it says what to do, and is fed
 * with what came of it, so that every course of events can be tried without a bus.
 *
 *     lt_search_init(&search, &options, now_ns);
 *     while ((step = lt_search_next(&search, now_ns, &rate_hz, &until_ns)) != LT_SEARCH_DONE)
 *         LT_SEARCH_SET:    set the interface to rate_hz, listen-only, then lt_search_was_set
 *         LT_SEARCH_LISTEN: give what is heard until until_ns at most to lt_search_hear
 *
 * Listening only is the whole point: a controller that is not listen-only destroys what others send
 * as long as its rate is wrong. A rate is accepted when enough whole frames and not one error were
 * heard, twice, with the controller set anew in between. */
#ifndef LOOMTAP_LIVE_ATTACH_H
#define LOOMTAP_LIVE_ATTACH_H

#include <signal.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/core/frame.h"
#include "loomtap/live/link.h"
#include "loomtap/live/signs.h"

/* The usual rates of vehicles, the most frequent first. 33.3 and 83.3 kbit/s are 100000/3 and
 * 250000/3, which a controller makes as near as its clock allows. */
#define LT_SEARCH_RATES 9
extern const uint32_t lt_search_rates_hz[LT_SEARCH_RATES];

struct lt_search_options {
    int64_t listen_ns; /* at each rate while nothing is heard; 0: one second */
    unsigned enough;   /* whole frames each time; 0: 16 */
    unsigned rounds;   /* through all rates; 0: 2 */
};

/* What is known. Name, word. */
#define LT_VERDICTS(X)                                                                             \
    X(LT_VERDICT_OPEN, "open")                                                                     \
    X(LT_VERDICT_FOUND, "found")                                                                   \
    /* Nothing at all was heard: quiet, cannot tell. */                                            \
    X(LT_VERDICT_QUIET, "quiet")                                                                   \
    /* Whole frames and no errors at one rate, but too few to be sure. */                          \
    X(LT_VERDICT_FEW, "few")                                                                       \
    /* Whole frames and errors at the same rate: never go active. */                               \
    X(LT_VERDICT_MIXED, "mixed")                                                                   \
    /* Errors, and no whole frame at any rate. */                                                  \
    X(LT_VERDICT_ERRORS, "errors")                                                                 \
    /* The adapter sent although it was told to listen. */                                         \
    X(LT_VERDICT_NOT_LISTENING, "not-listening")                                                   \
    /* The adapter has none of the rates. */                                                       \
    X(LT_VERDICT_NO_RATE, "no-rate")

#define LT_VERDICT_ENUM(name, word) name,
enum lt_verdict { LT_VERDICTS(LT_VERDICT_ENUM) LT_VERDICT_COUNT };
#undef LT_VERDICT_ENUM

const char *lt_verdict_word(enum lt_verdict verdict);

struct lt_search_rate {
    uint32_t rate_hz;
    bool missing; /* the adapter has it not: passed over */
    unsigned looks;
    struct lt_bus_signs signs; /* of all looks */
};

enum lt_search_step { LT_SEARCH_SET, LT_SEARCH_LISTEN, LT_SEARCH_DONE };

struct lt_search {
    struct lt_search_options options;
    struct lt_search_rate rates[LT_SEARCH_RATES];
    enum lt_verdict verdict;
    size_t at; /* the rate in hand; FOUND, FEW, MIXED: the rate meant */
    /* Inside: */
    unsigned round;
    bool is_set, second;
    int64_t from_ns, until_ns;
    struct lt_bus_signs look;
};

void lt_search_init(struct lt_search *search, const struct lt_search_options *options);
enum lt_search_step lt_search_next(struct lt_search *search, int64_t now_ns, uint32_t *ret_rate_hz,
                                   int64_t *ret_until_ns);
/* After LT_SEARCH_SET. False: the adapter has no such rate; it is not asked for again. */
void lt_search_was_set(struct lt_search *search, bool set, int64_t now_ns);
void lt_search_hear(struct lt_search *search, const struct lt_frame *frame, int64_t now_ns);
/* What was heard at all rates together. */
struct lt_bus_signs lt_search_all_signs(const struct lt_search *search);

/* ---- with an interface ---- */

struct lt_attach_options {
    struct lt_link_wish wish;        /* bitrate_hz 0: search; listen_only is set by the steps */
    struct lt_search_options search; /* also how long a given rate is listened at */
    /* Acknowledge frames, after clean ones were heard. */
    bool active;
    /* Active also where nothing, or a lone sender, was heard. For a bench. */
    bool bench;
    volatile sig_atomic_t *stop; /* not 0: end soon; NULL: none */
    /* Told before each look of a search; may be NULL. */
    void (*progress)(void *context, const struct lt_search *search);
    void *context;
};

struct lt_attached {
    bool searched, is_virtual, stopped;
    bool was_up;               /* and was taken down to be set */
    bool is_up;                /* now */
    bool is_active;            /* acknowledges */
    struct lt_search search;   /* of a given rate: rates[0] alone, with the verdict */
    struct lt_bus_signs signs; /* at the rate in question; of all rates, where there is none */
    struct lt_link link;       /* as it is now */
    int64_t heard_ns;          /* for how long a given rate was listened at */
    struct lt_cause causes[LT_CAUSE_COUNT];
    size_t cause_count;
};

/* Sets the interface, listens, judges, and leaves it
 *   up and listening only: found, or a rate was given (whatever was heard there);
 *   up and active: options.active, and what was heard allows it;
 *   down: searched and not found, the adapter does not listen only, stopped, or an error.
 * LT_E_UNKNOWN: no such interface; LT_E_RANGE, LT_E_MISSING: not for this adapter; LT_E_IO: no CAN
 * here, not permitted, or the interface went away meanwhile. */
enum lt_code lt_attach(struct lt_attached *ret_attached, const char *name,
                       const struct lt_attach_options *options, struct lt_error *error);

#endif
