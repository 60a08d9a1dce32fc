/* A diagnostic tester on the powertrain bus, and the engine controller that answers it: OBD-II
 * (SAE J1979) over ISO 15765-2. Answers are computed from the car as it is when they are sent. */
#ifndef MIMIC_TESTER_H
#define MIMIC_TESTER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "mimic/car.h"

enum { LT_MIMIC_ASKS, LT_MIMIC_ANSWERS, LT_MIMIC_SPEAKERS };

struct lt_mimic_pending {
    bool set;
    int64_t due_ns; /* since the start */
    uint16_t id;
    uint8_t data[8];
};

struct lt_mimic_tester {
    struct lt_mimic_rng rng;
    struct lt_mimic_pending pending[LT_MIMIC_SPEAKERS];
    size_t asked;       /* questions so far */
    size_t round;       /* place in the round of live values */
    uint8_t request[7]; /* from the service byte */
    uint8_t request_len;
    bool expects_more; /* a first frame came: flow control is what is asked next */
    int64_t asked_ns;
    uint8_t answer[64]; /* of the controller, as far as not yet sent */
    size_t answer_len, answer_at;
    uint8_t sequence;
};

void lt_mimic_tester_init(struct lt_mimic_tester *tester, uint64_t seed);
/* Fills the bytes of what is pending (only answers wait for the car). */
void lt_mimic_tester_build(struct lt_mimic_tester *tester, int speaker,
                           const struct lt_mimic_car *car);
/* It went out at this time: what follows becomes pending. */
void lt_mimic_tester_sent(struct lt_mimic_tester *tester, int speaker, int64_t time_ns,
                          const struct lt_mimic_car *car);

#endif
