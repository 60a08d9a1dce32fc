/* An invented car's traffic with known truth. The car, its frames and its motion are described in
 * C here, apart from the decoder and from the profile that describes them to it: so a decode of
 * this traffic checks both against something that knows neither. */
#ifndef LOOMTAP_MIMIC_MIMIC_H
#define LOOMTAP_MIMIC_MIMIC_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/base/sink.h"
#include "loomtap/core/frame.h"

struct lt_mimic;

struct lt_mimic_options {
    uint64_t seed;
    double duration_s; /* 0 = the scenario's own; longer ones run it again from its start */
    int64_t start_ns;  /* time of the first frame */
    bool polling;      /* a diagnostic tester asks beside the traffic */
    /* Scenario `random` alone: what the seed decides unless it is told. */
    bool polling_by_seed, loss_by_seed;
    double loss; /* share of the frames that the logger misses, 0 .. 0.5 */
};

struct lt_mimic_scenario {
    const char *name, *text;
    double duration_s;
};
const struct lt_mimic_scenario *lt_mimic_scenarios(size_t *ret_count);

enum lt_code lt_mimic_new(struct lt_mimic **ret_mimic, const char *scenario,
                          const struct lt_mimic_options *options, struct lt_error *error);
void lt_mimic_free(struct lt_mimic *mimic);
size_t lt_mimic_bus_count(const struct lt_mimic *mimic);
const char *lt_mimic_bus_name(const struct lt_mimic *mimic, size_t bus);
/* The next frame in order of time, borrowed until the next call; NULL at the end. */
const struct lt_frame *lt_mimic_next(struct lt_mimic *mimic);

/* The truth behind the frame just given: for each of its signals the physical value before it was
 * put into bits, the raw bits, and a label or state. Rows of the truth file. Where the label is
 * "unavailable" or "error", `value` is what the sensor would have said. Frames that no profile
 * describes and those of the tester have no rows. */
struct lt_mimic_truth {
    const char *frame, *signal, *unit;
    double value;      /* physical, before rounding to raw */
    uint64_t raw;      /* the bit pattern sent */
    const char *label; /* "sport", "unavailable", "error", or "" */
    bool suspect;      /* the frame's check was spoiled, or it repeats the one before whole */
};
size_t lt_mimic_truth(const struct lt_mimic *mimic, const struct lt_mimic_truth **ret_rows);

/* Scenario `random`, once lt_mimic_next has given NULL: the car as JSON, with what its traffic
 * showed of each field; and the marks of drive modes as csv, `time_s,label` (the first 4096, which
 * is most of a day). False for other scenarios, which have neither. */
bool lt_mimic_layout(const struct lt_mimic *mimic, struct lt_sink *sink);
bool lt_mimic_marks(const struct lt_mimic *mimic, struct lt_sink *sink);

#endif
