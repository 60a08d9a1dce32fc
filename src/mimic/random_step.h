/* Shared by the files that make up the motion: random_habits.c, random_driver.c, random_motion.c.
 */
#ifndef MIMIC_RANDOM_STEP_H
#define MIMIC_RANDOM_STEP_H

#include "mimic/random_draw.h"
#include "mimic/random_motion.h"

#define STEP    0.002
#define V(name) motion->value[LT_MIMIC_Q_##name]

enum act { KEY_ON, CRANK, STAND, GO, HOLD, COAST, BRAKE, FULL, BLIP, CREEP };
enum engine { ENGINE_OFF, ENGINE_KEY_ON, ENGINE_CRANKING, ENGINE_RUNNING };
#define RPM_OF_RAD_S 9.549296585513721

static inline double clamp(double value, double low, double high)
{
    return value < low ? low : value > high ? high : value;
}

/* First-order lag with time constant tau_s. */
static inline double lag(double now, double target, double tau_s)
{
    return now + (target - now) * (STEP / (tau_s + STEP));
}

static inline double approach(double now, double target, double per_s)
{
    double most = per_s * STEP;
    return now + clamp(target - now, -most, most);
}

/* What hands, feet and the gear lever do in this step. */
void lt_mimic_motion_drive(struct lt_mimic_motion *motion);

#endif
