/* The polite tester on a bus of this machine: what is heard goes in, what it wants to send goes
 * out, and what it does is said. */
#ifndef LOOMTAP_SRC_CLI_ASKER_H
#define LOOMTAP_SRC_CLI_ASKER_H

#include "cli/cmd.h"
#include "loomtap/capture/can_bus.h"
#include "loomtap/capture/can_send.h"
#include "loomtap/live/ask.h"

struct asker {
    struct lt_ask *ask;
    struct lt_can_sender *sender;
    const char *bus; /* name of the interface that is asked, */
    uint16_t number; /* and its place among those listened to */
    bool quiet, found_said;
    enum lt_ask_state said;
    uint64_t fallen_behind; /* times that it did not send since it was late in listening */
};

/* EXIT_SYSTEM, said: the bus cannot be sent to. EXIT_NO, EXIT_USAGE: the cautions were not
 * accepted. */
int asker_open(struct asker *asker, const char *command, const char *bus, uint16_t number,
               bool cautions_read, bool quiet);
/* The listening before the first question begins now. */
int asker_begin(struct asker *asker, const struct lt_ask_options *options);
void asker_free(struct asker *asker);

/* What lt_intake_take gave. True: *ret_reply answers a wanted question. Sends what is due then. */
bool asker_take(struct asker *asker, enum lt_can_event event, const struct lt_can_heard *heard,
                struct lt_obd_reply *ret_reply);
bool asker_has_ended(const struct asker *asker, enum lt_ask_end *ret_end);
/* How many frames were sent, and what came of them. */
void asker_say_counts(const struct asker *asker);

#endif
