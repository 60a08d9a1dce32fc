/* How busy a bus is, and how fast it runs (bus_rate.c). */
#ifndef LOOMTAP_SRC_SURVEY_BUS_RATE_H
#define LOOMTAP_SRC_SURVEY_BUS_RATE_H

#include "survey/survey_internal.h"

#define BUS_FD_DATA_HZ 2000000u /* assumed for the data phase of FD frames */

enum rate_reason {
    RATE_UNKNOWN,
    RATE_GIVEN,
    RATE_SPACING,  /* frames follow each other as closely as frames of this rate do */
    RATE_J1939,    /* 250 kbit/s unless that is too slow */
    RATE_SMALLEST, /* the smallest usual rate with room for what was seen */
};

struct bus_rate {
    bool timed;        /* some frame has a time */
    double duration_s; /* of this bus; 0: no times, or all the same */
    uint64_t fd_frames;
    uint32_t hz; /* 0: cannot tell */
    enum rate_reason reason;
    double least_hz;                     /* slower ones had no room for the frames; 0: not known */
    bool stamps_batched;                 /* times closer together than frames can be */
    double load_min, load_mid, load_max; /* without, with half of and with all stuff bits */
};

/* `j1939`: the bus carries it. */
enum lt_code bus_rate_find(struct survey_work *work, unsigned bus, bool j1939,
                           struct bus_rate *ret_rate);

/* Bits of an FD frame: those at the first bit rate and those of the data phase, with the 3-bit gap;
 * at least and at most. */
struct fd_bits {
    unsigned slow_min, slow_max, fast_min, fast_max;
};
struct fd_bits bus_fd_bits(unsigned length, bool extended);

#endif
