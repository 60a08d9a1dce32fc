/* The clocks of the machine, for what works with a live bus or a person. What works on captures
 * knows no clock but theirs. */
#ifndef LOOMTAP_BASE_CLOCK_H
#define LOOMTAP_BASE_CLOCK_H

#include <stdint.h>
#include <time.h>

#define LT_SECOND_NS INT64_C(1000000000)

/* CLOCK_REALTIME: since 1970, and may be set; CLOCK_MONOTONIC: for lengths of time. */
static inline int64_t lt_clock_ns(clockid_t clock)
{
    struct timespec now;
    clock_gettime(clock, &now);
    return (int64_t)now.tv_sec * LT_SECOND_NS + now.tv_nsec;
}

static inline struct timespec lt_timespec_of(int64_t time_ns)
{
    return (struct timespec){time_ns / LT_SECOND_NS, time_ns % LT_SECOND_NS};
}

#endif
