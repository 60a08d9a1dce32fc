/* See stop.h. */
#include "cli/stop.h"

volatile sig_atomic_t stop_asked;

static void stop(int signal)
{
    (void)signal;
    stop_asked = 1;
}

void stop_on_signals(void)
{
    struct sigaction action = {.sa_handler = stop}; /* without SA_RESTART */
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGHUP, &action, NULL);
    signal(SIGPIPE, SIG_IGN);
}
