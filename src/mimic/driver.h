/* Who drives, and what happens: a scenario is a table of steps (driver.c); the driver turns the
 * current one into pedal, brake, clutch, gear, mode and key, millisecond by millisecond. */
#ifndef MIMIC_DRIVER_H
#define MIMIC_DRIVER_H

#include <stddef.h>

#include "loomtap/mimic/mimic.h"
#include "mimic/car.h"

struct lt_mimic_script;

struct lt_mimic_driver {
    struct lt_mimic_rng rng;
    const struct lt_mimic_script *script;
    struct lt_mimic_inputs inputs;
    struct lt_mimic_troubles troubles;
    size_t step;
    unsigned lap;     /* rounds of the script's cycle that are done */
    uint64_t step_ms; /* since this step began */
    double vigour;    /* this driver's right foot, near 1 */
    int shift_to;     /* gear wanted; -1 = no shift under way */
    double shift_s, since_shift_s, speed_error_sum;
};

extern const struct lt_mimic_scenario lt_mimic_scenario_list[];
extern const size_t lt_mimic_scenario_count;

/* scenario: index in the list. */
void lt_mimic_driver_init(struct lt_mimic_driver *driver, size_t scenario, uint64_t seed);
bool lt_mimic_driver_is_cold(const struct lt_mimic_driver *driver);
/* One millisecond. At the end of the script it begins anew. */
void lt_mimic_driver_step(struct lt_mimic_driver *driver, const struct lt_mimic_car *car);

#endif
