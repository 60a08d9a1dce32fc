/* The table of roles: what a signal can be for.
 *
 * Units are fixed here, so that everything behind the profile speaks one unit a role. OBD-II
 * numbers are service 01 parameters (SAE J1979 as publicly tabulated). Ranges, ages and rates are
 * common practice, wide enough for any road car: outside them a value is suspicious, not
 * impossible.
 *
 * One more role is one more row. */
#include "loomtap/core/role.h"

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))
#define NO_PID       (-1)

/* group, name, unit, title, labels, PID, low, high, largest useful age in ms, largest rate per
 * second */
#define NUMBER(group, name, unit, title, pid, low, high, age, rate)                                \
    {                                                                                              \
        name, unit, title, false, pid, low, high, age, rate, LT_GROUP_##group                      \
    }
#define STATES(group, name, title, age)                                                            \
    {                                                                                              \
        name, "", title, true, NO_PID, 0, 0, age, 0, LT_GROUP_##group                              \
    }

static const struct lt_role roles[] = {
    NUMBER(ENGINE, "engine_speed", "rpm", "engine speed", 0x0C, 0, 12000, 200, 20000),
    NUMBER(ENGINE, "load", "%", "calculated load", 0x04, 0, 100, 500, 0),
    NUMBER(ENGINE, "absolute_load", "%", "absolute load, air per stroke", 0x43, 0, 400, 500, 0),
    NUMBER(MIXTURE, "lambda", "1", "lambda, measured", 0x24, 0.65, 5, 500, 0),
    NUMBER(MIXTURE, "lambda_target", "1", "lambda, demanded", 0x44, 0.65, 5, 500, 0),
    STATES(DRIVER, "drive_mode", "drive mode", 2000),
    NUMBER(DRIVER, "pedal", "%", "accelerator pedal", 0x49, 0, 100, 200, 0),
    NUMBER(ENGINE, "throttle", "%", "throttle position", 0x11, 0, 100, 200, 0),
    NUMBER(ENGINE, "manifold_pressure", "kPa", "manifold pressure, absolute", 0x0B, 10, 400, 200,
           2000),
    NUMBER(STATE, "barometric_pressure", "kPa", "barometric pressure, absolute", 0x33, 50, 110,
           10000, 2),
    NUMBER(MOTION, "vehicle_speed", "km/h", "vehicle speed", 0x0D, 0, 350, 500, 60),
    NUMBER(MOTION, "wheel_speed_*", "km/h", "speed of one wheel", NO_PID, 0, 350, 200, 400),
    NUMBER(STATE, "coolant_temp", "°C", "coolant temperature", 0x05, -40, 130, 5000, 10),
    NUMBER(STATE, "intake_temp", "°C", "intake air temperature", 0x0F, -40, 120, 5000, 20),
    NUMBER(STATE, "oil_temp", "°C", "engine oil temperature", 0x5C, -40, 160, 5000, 10),
    NUMBER(STATE, "ambient_temp", "°C", "ambient air temperature", 0x46, -50, 60, 30000, 5),
    NUMBER(STATE, "exhaust_temp", "°C", "exhaust gas temperature", NO_PID, -40, 1100, 2000, 1000),
    NUMBER(STATE, "fuel_temp", "°C", "fuel temperature", NO_PID, -40, 120, 5000, 10),
    NUMBER(STATE, "oil_pressure", "kPa", "engine oil pressure, gauge", NO_PID, 0, 1000, 500, 0),
    NUMBER(MIXTURE, "fuel_pressure", "kPa", "fuel delivery pressure, gauge", 0x0A, 0, 1500, 500, 0),
    NUMBER(ENGINE, "engine_torque", "Nm", "engine torque", NO_PID, -500, 2000, 200, 0),
    STATES(MOTION, "gear", "gear", 1000),
    STATES(DRIVER, "ignition", "ignition switch", 2000),
    STATES(ENGINE, "engine_state", "engine state: off, key_on, cranking, running, auto_stop", 1000),
    NUMBER(MIXTURE, "injector_duty", "%", "injector duty", NO_PID, 0, 100, 200, 0),
    NUMBER(MIXTURE, "air_mass_flow", "g/s", "air mass flow", 0x10, 0, 700, 200, 0),
    NUMBER(ENGINE, "timing_advance", "°", "ignition advance before top dead centre", 0x0E, -64, 64,
           200, 0),
    NUMBER(MIXTURE, "fuel_rate", "L/h", "fuel rate", 0x5E, 0, 300, 1000, 0),
    NUMBER(STATE, "fuel_level", "%", "fuel level", 0x2F, 0, 100, 30000, 0),
    NUMBER(MIXTURE, "ethanol_content", "%", "ethanol in the fuel", 0x52, 0, 100, 30000, 0),
    NUMBER(STATE, "battery_voltage", "V", "battery voltage", 0x42, 8, 16, 1000, 0),
    STATES(DRIVER, "brake", "brake switch", 200),
    STATES(DRIVER, "clutch", "clutch switch", 200),

    /* The kit's own. */
    NUMBER(KIT, "rail_pressure", "kPa", "pressure in the kit's rail, gauge", NO_PID, 0, 2500, 200,
           0),
    NUMBER(KIT, "flow_rate", "L/h", "flow of the kit's fuel", NO_PID, 0, 200, 500, 0),
    NUMBER(KIT, "tank_level", "%", "level of the kit's tank", NO_PID, 0, 100, 10000, 0),
    NUMBER(KIT, "pump_current", "A", "current of the kit's pump", NO_PID, 0, 40, 500, 0),
    NUMBER(KIT, "valve_duty", "%", "duty of the kit's valve", NO_PID, 0, 100, 500, 0),
};

const char *lt_group_title(enum lt_role_group group)
{
    static const char *const titles[] = {
        [LT_GROUP_ENGINE] = "engine",
        [LT_GROUP_MIXTURE] = "air and fuel",
        [LT_GROUP_DRIVER] = "driver",
        [LT_GROUP_MOTION] = "motion",
        [LT_GROUP_KIT] = "kit",
        [LT_GROUP_STATE] = "temperatures, pressures, supplies",
        [LT_GROUP_OTHER] = "without role",
    };
    return titles[group];
}

bool lt_role_matches(const char *wanted, const char *role)
{
    size_t len = strlen(wanted);
    if (len && wanted[len - 1] == '*')
        return strncmp(wanted, role, len - 1) == 0;
    return strcmp(wanted, role) == 0;
}

const struct lt_role *lt_role_table(size_t *ret_count)
{
    *ret_count = COUNT(roles);
    return roles;
}

static bool is_tail(char c)
{
    return (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '_';
}

/* A row that ends in `*` stands for every name with that head and at least one character more. */
static bool matches(const char *row, struct lt_text name)
{
    struct lt_text head = lt_text_of(row);
    if (head.at[head.len - 1] != '*')
        return lt_text_equal(head, name);
    head.len--;
    if (name.len <= head.len || memcmp(name.at, head.at, head.len) != 0)
        return false;
    for (size_t i = head.len; i < name.len; i++) {
        if (!is_tail(name.at[i]))
            return false;
    }
    return true;
}

const struct lt_role *lt_role_find(struct lt_text name)
{
    for (size_t i = 0; i < COUNT(roles); i++) {
        if (matches(roles[i].name, name))
            return &roles[i];
    }
    return NULL;
}
