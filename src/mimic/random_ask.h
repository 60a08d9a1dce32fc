/* A diagnostic tester beside the invented car's traffic, and the controllers that answer it. */
#ifndef MIMIC_RANDOM_ASK_H
#define MIMIC_RANDOM_ASK_H

#include "mimic/random_car.h"

#define LT_MIMIC_ASK_WAITING    8
#define LT_MIMIC_ASK_PARAMETERS 15

struct lt_mimic_said { /* one frame of the conversation that waits for its time */
    bool set;
    int64_t due_ns;
    uint32_t id;
    uint8_t data[8];
    int answer; /* of this controller, made when it is sent; -1: as it stands */
};

struct lt_mimic_ask {
    struct lt_mimic_rng rng;
    bool on, extended, several; /* several: more parameters in one question */
    unsigned controllers;
    int64_t period_ns;
    double tau_s[LT_MIMIC_ASK_PARAMETERS], value[LT_MIMIC_ASK_PARAMETERS];
    bool knows[LT_MIMIC_ASK_PARAMETERS];
    unsigned turn, asked_count;
    uint8_t asked[6]; /* parameters of the question under way */
    struct lt_mimic_said said[LT_MIMIC_ASK_WAITING];
};

void lt_mimic_ask_init(struct lt_mimic_ask *ask, const struct lt_mimic_random_car *car);
/* Once a step of the motion: what the controllers measure. */
void lt_mimic_ask_step(struct lt_mimic_ask *ask, const struct lt_mimic_motion *motion);
/* The earliest that waits, or NULL. */
struct lt_mimic_said *lt_mimic_ask_next(struct lt_mimic_ask *ask);
/* Fills in the bytes to send, and plans what follows. */
void lt_mimic_ask_send(struct lt_mimic_ask *ask, struct lt_mimic_said *said, int64_t now_ns,
                       uint8_t ret_data[8]);
/* The n-th parameter's quantity and number, for the truth; false past the last. */
bool lt_mimic_ask_parameter(unsigned n, unsigned *ret_pid, unsigned *ret_quantity);

#endif
