/* The car's frames: which value lies where, with which counter and check. Written as C tables and
 * packed bit by bit here, apart from the decoder and from the profile: truth must not depend on
 * what it is there to check. */
#ifndef MIMIC_FRAMES_H
#define MIMIC_FRAMES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/mimic/mimic.h"
#include "mimic/car.h"

#define LT_MIMIC_ROWS_MAX 16 /* signals of one frame */

enum { LT_MIMIC_POWERTRAIN, LT_MIMIC_CHASSIS, LT_MIMIC_BUSES };

struct lt_mimic_field;

struct lt_mimic_frame {
    const char *name; /* NULL: a frame that the profile does not describe */
    uint8_t bus;
    uint16_t id;
    uint8_t len;
    uint16_t period_ms; /* 0: sent when something happens */
    /* Rolling counter: byte, lowest bit, bits, and what it counts to; modulus 0 = none. */
    uint8_t counter_byte, counter_bit, counter_bits, counter_modulus;
    /* Puts the check into the finished bytes; NULL = none. */
    void (*seal)(uint8_t *data, unsigned counter);
    const struct lt_mimic_field *fields;
    size_t field_count;
};

extern const struct lt_mimic_frame lt_mimic_frame_list[];
extern const size_t lt_mimic_frame_count;

/* Fills data[0 .. len - 1] for the car as it is now, counter and check included, and the truth
 * beside it; returns the number of rows. `turn` counts the sendings of this frame. */
size_t lt_mimic_frame_build(const struct lt_mimic_frame *frame, const struct lt_mimic_car *car,
                            unsigned turn, uint8_t data[8],
                            struct lt_mimic_truth rows[LT_MIMIC_ROWS_MAX]);

#endif
