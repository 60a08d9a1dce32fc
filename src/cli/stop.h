/* Ctrl-C and the like, for commands that run until they are told to end. */
#ifndef LOOMTAP_SRC_CLI_STOP_H
#define LOOMTAP_SRC_CLI_STOP_H

#include <signal.h>

/* Set by SIGINT, SIGTERM and SIGHUP once stop_on_signals was called. */
extern volatile sig_atomic_t stop_asked;

/* A wait in a system call ends early then. A reader that goes away is a fault in writing, no
 * signal. */
void stop_on_signals(void);

#endif
