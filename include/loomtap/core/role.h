/* Roles: what a signal is for. One table in one place (src/core/role.c); units and quantities in
 * src/core/unit.c. */
#ifndef LOOMTAP_CORE_ROLE_H
#define LOOMTAP_CORE_ROLE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/number.h"
#include "loomtap/base/text.h"

enum lt_quantity {
    LT_QUANTITY_NONE, /* a bare number; also what an unknown unit measures */
    LT_QUANTITY_ROTATION,
    LT_QUANTITY_RATIO, /* %, and 1 */
    LT_QUANTITY_LAMBDA,
    LT_QUANTITY_PRESSURE,
    LT_QUANTITY_SPEED,
    LT_QUANTITY_TEMPERATURE,
    LT_QUANTITY_TORQUE,
    LT_QUANTITY_CURRENT,
    LT_QUANTITY_VOLTAGE,
    LT_QUANTITY_ANGLE,
    LT_QUANTITY_TIME,
    LT_QUANTITY_DISTANCE,
    LT_QUANTITY_VOLUME,
    LT_QUANTITY_VOLUME_FLOW,
    LT_QUANTITY_MASS_FLOW,
    LT_QUANTITY_POWER,
};

struct lt_unit {
    const char *name; /* as written: "rpm", "km/h", "°C" */
    enum lt_quantity quantity;
    /* value in the quantity's base unit = value * factor + offset, exact */
    struct lt_ratio factor, offset;
};

/* By name or by a usual other spelling ("degC", "kph", "U/min"); NULL if not known. */
const struct lt_unit *lt_unit_find(struct lt_text name);

/* to = from * factor + offset. False where the two do not measure the same quantity. AFR to lambda
 * needs `stoich` (air per fuel by mass, such as 147/10), otherwise pass {0, 1}. A bare "1" is a
 * ratio and lambda alike: "%" converts to it by 1/100, "AFR" by 1/stoich. */
bool lt_unit_convert(const struct lt_unit *from, const struct lt_unit *to, struct lt_ratio stoich,
                     struct lt_ratio *ret_factor, struct lt_ratio *ret_offset);

/* What a role is about, for showing values side by side that belong together. */
enum lt_role_group {
    LT_GROUP_ENGINE,
    LT_GROUP_MIXTURE,
    LT_GROUP_DRIVER,
    LT_GROUP_MOTION,
    LT_GROUP_KIT,
    LT_GROUP_STATE,
    LT_GROUP_OTHER, /* of a signal without a role */
    LT_GROUP_COUNT,
};
const char *lt_group_title(enum lt_role_group group);

struct lt_role {
    const char *name;
    const char *unit;    /* fixed; "" for labels */
    const char *title;   /* for people */
    bool is_labels;      /* its values are named states */
    int obd_pid;         /* service 01 parameter that measures the same, or -1 */
    double low, high;    /* plausible range in `unit`; common practice */
    uint32_t max_age_ms; /* an older value is of no use to a controller; common practice */
    /* The largest plausible change per second, in `unit`; 0 = not known. Common practice. */
    double max_rate;
    enum lt_role_group group;
};

/* NULL if not known. `wheel_speed_*` stands for any name with that head. */
const struct lt_role *lt_role_find(struct lt_text name);
/* Is `role` what `wanted` asks for? "wheel_speed_*" asks for any name with that head. */
bool lt_role_matches(const char *wanted, const char *role);
/* The table, for help and documentation. */
const struct lt_role *lt_role_table(size_t *ret_count);

#endif
