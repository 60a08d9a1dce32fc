/* See asker.h. */
#include "cli/asker.h"

#include <inttypes.h>

#include "cli/cautions.h"
#include "loomtap/base/clock.h"

#define ROOM_NS   INT64_C(20000000)  /* for a frame in the queue of the interface */
#define BEHIND_NS INT64_C(100000000) /* a frame so old: hear the others first, then send */

int asker_open(struct asker *asker, const char *command, const char *bus, uint16_t number,
               bool cautions_read, bool quiet)
{
    struct lt_error error;
    char doing[160];
    *asker = (struct asker){.bus = bus, .number = number, .quiet = quiet};
    if (lt_can_sender_open(&asker->sender, bus, &error) != LT_OK) {
        say_error(&error);
        return EXIT_SYSTEM;
    }
    lt_text_format(doing, sizeof doing,
                   "sends questions to the vehicle's controllers on %s, which only read", bus);
    return accept_cautions(command, doing, cautions_read, lt_can_sender_is_virtual(asker->sender));
}

int asker_begin(struct asker *asker, const struct lt_ask_options *options)
{
    struct lt_error error;
    asker->said = LT_ASK_LISTENING;
    if (lt_ask_new(&asker->ask, options, lt_clock_ns(CLOCK_MONOTONIC), &error) == LT_OK)
        return EXIT_FINE;
    say_error(&error);
    return error.code == LT_E_MEMORY ? EXIT_SYSTEM : EXIT_USAGE;
}

void asker_free(struct asker *asker)
{
    lt_ask_free(asker->ask);
    lt_can_sender_free(asker->sender);
    asker->ask = NULL;
    asker->sender = NULL;
}

/* ---- what it does ---- */

static void say_found(struct asker *asker)
{
    bool extended;
    size_t count = lt_ask_controllers(asker->ask, &extended);
    if (asker->found_said || count == 0)
        return;
    asker->found_said = true;
    say(asker->quiet, "%s: %zu %s, on %s-bit identifiers\n", asker->bus, count,
        count == 1 ? "controller answers" : "controllers answer", extended ? "29" : "11");
}

static void say_state(struct asker *asker)
{
    enum lt_ask_end end;
    enum lt_ask_state state = lt_ask_state(asker->ask, &end);
    if (state == asker->said)
        return;
    if (state == LT_ASK_MASKS || state == LT_ASK_ROUNDS)
        say_found(asker);
    if (state == LT_ASK_YIELDING || state == LT_ASK_HOLDING)
        say(asker->quiet, "%s: %s\n", asker->bus, lt_ask_state_text(state));
    else if (state == LT_ASK_ENDED && end != LT_ASK_DONE)
        say(asker->quiet, "%s: nothing is asked any more: %s\n", asker->bus, lt_ask_end_text(end));
    else if (asker->said == LT_ASK_ENDED || asker->said == LT_ASK_YIELDING ||
             asker->said == LT_ASK_HOLDING)
        say(asker->quiet, "%s: asking again\n", asker->bus);
    asker->said = state;
}

static bool send_frame(struct asker *asker, const struct lt_frame *frame)
{
    struct lt_error error;
    if (asker->sender && lt_can_sender_send(asker->sender, frame, ROOM_NS, &error) == LT_OK)
        return true;
    if (asker->sender && lt_ask_counts(asker->ask)->not_sent == 0)
        say_error(&error);
    return false;
}

static void send_due(struct asker *asker)
{
    struct lt_frame frame;
    while (lt_ask_next(asker->ask, lt_clock_ns(CLOCK_MONOTONIC), &frame)) {
        bool went_out = send_frame(asker, &frame);
        lt_ask_sent(asker->ask, went_out, lt_clock_ns(CLOCK_MONOTONIC));
    }
    say_state(asker);
}

/* An adapter that was away is another interface when it is back. */
static void open_again(struct asker *asker)
{
    struct lt_error error;
    lt_can_sender_free(asker->sender);
    asker->sender = NULL;
    if (lt_can_sender_open(&asker->sender, asker->bus, &error) != LT_OK)
        say_error(&error);
}

bool asker_take(struct asker *asker, enum lt_can_event event, const struct lt_can_heard *heard,
                struct lt_obd_reply *ret_reply)
{
    bool answered = false;
    if (event == LT_CAN_FRAME) {
        enum lt_ask_where where = heard->bus == asker->number ? LT_ASK_HERE : LT_ASK_ELSEWHERE;
        answered =
            lt_ask_hear(asker->ask, where, heard->frame, lt_clock_ns(CLOCK_MONOTONIC), ret_reply);
        /* Somebody else's question may wait among the frames that are not heard yet. */
        if (lt_clock_ns(CLOCK_REALTIME) - heard->time_ns > BEHIND_NS) {
            asker->fallen_behind++;
            return answered;
        }
    } else if (event == LT_CAN_BACK && heard->bus == asker->number) {
        open_again(asker);
    }
    send_due(asker);
    return answered;
}

bool asker_has_ended(const struct asker *asker, enum lt_ask_end *ret_end)
{
    return lt_ask_state(asker->ask, ret_end) == LT_ASK_ENDED;
}

void asker_say_counts(const struct asker *asker)
{
    const struct lt_ask_counts *counts = lt_ask_counts(asker->ask);
    say(asker->quiet,
        "%s: %" PRIu64 " questions and %" PRIu64 " flow controls sent; %" PRIu64
        " answers, %" PRIu64 " refusals, %" PRIu64 " silences\n",
        asker->bus, counts->requests, counts->flow_controls, counts->answers, counts->negative,
        counts->silences);
    if (counts->not_sent)
        say(asker->quiet, "%s: %" PRIu64 " frames could not be sent\n", asker->bus,
            counts->not_sent);
    if (counts->foreign)
        say(asker->quiet, "%s: somebody else's diagnosis was heard: %" PRIu64 " frames\n",
            asker->bus, counts->foreign);
}
