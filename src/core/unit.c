/* Units and their exact factors.
 *
 * Each quantity has one base unit (rpm, 1, lambda, Pa, m/s, K, Nm, A, V, degree, s, m, L, L/h, g/s,
 * W); a row says how a value becomes one in the base unit. Definitions: NIST SP 811, appendix B
 * (inch 25.4 mm, international mile 1609.344 m, nautical mile 1852 m, pound 0.45359237 kg, standard
 * gravity 9.80665 m/s2, US gallon 231 cubic inches, 0 °C = 273.15 K, conventional mercury 13.5951
 * g/cm3). All factors are exact except those with pi, which is taken as 80143857/25510582: right to
 * 16 digits, as far as a double goes.
 *
 * Pressures have no gauge or absolute in their unit: the role says which is meant (absolute, except
 * where its title says gauge), and the offset of the signal brings it there. */
#include "loomtap/core/role.h"

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

/* lbf = 0.45359237 kg x 9.80665 m/s2 = 4.4482216152605 N; psi = lbf / (0.0254 m)2. */
#define PSI   8896443230521, 1290320000
#define LB_FT 3389544870828501, 2500000000000000  /* lbf x 0.3048 m */
#define LB_IN 1129848290276167, 10000000000000000 /* a twelfth of it */
#define HP    37284993579113511, 50000000000000   /* 550 lbf ft/s */
#define PS    588399, 800                         /* 75 kg x 9.80665 m/s2 x 1 m/s */
#define MMHG  26664477483, 200000000              /* 13595.1 kg/m3 x 9.80665 m/s2 x 1 mm */
#define INHG  3386388640341, 1000000000           /* 25.4 of them */

static const struct lt_unit units[] = {
    {"rpm", LT_QUANTITY_ROTATION, {1, 1}, {0, 1}},
    {"1/s", LT_QUANTITY_ROTATION, {60, 1}, {0, 1}},
    {"°/s", LT_QUANTITY_ROTATION, {1, 6}, {0, 1}},
    /* 30 / pi */
    {"rad/s", LT_QUANTITY_ROTATION, {255105820, 26714619}, {0, 1}},

    {"1", LT_QUANTITY_RATIO, {1, 1}, {0, 1}},
    {"%", LT_QUANTITY_RATIO, {1, 100}, {0, 1}},

    {"lambda", LT_QUANTITY_LAMBDA, {1, 1}, {0, 1}},
    {"AFR", LT_QUANTITY_LAMBDA, {0, 1}, {0, 1}}, /* by the fuel's stoich alone */

    {"Pa", LT_QUANTITY_PRESSURE, {1, 1}, {0, 1}},
    {"hPa", LT_QUANTITY_PRESSURE, {100, 1}, {0, 1}},
    {"kPa", LT_QUANTITY_PRESSURE, {1000, 1}, {0, 1}},
    {"MPa", LT_QUANTITY_PRESSURE, {1000000, 1}, {0, 1}},
    {"mbar", LT_QUANTITY_PRESSURE, {100, 1}, {0, 1}},
    {"bar", LT_QUANTITY_PRESSURE, {100000, 1}, {0, 1}},
    {"psi", LT_QUANTITY_PRESSURE, {PSI}, {0, 1}},
    {"mmHg", LT_QUANTITY_PRESSURE, {MMHG}, {0, 1}},
    {"inHg", LT_QUANTITY_PRESSURE, {INHG}, {0, 1}},

    {"m/s", LT_QUANTITY_SPEED, {1, 1}, {0, 1}},
    {"km/h", LT_QUANTITY_SPEED, {5, 18}, {0, 1}},
    {"mph", LT_QUANTITY_SPEED, {1397, 3125}, {0, 1}},
    {"kn", LT_QUANTITY_SPEED, {463, 900}, {0, 1}},

    {"K", LT_QUANTITY_TEMPERATURE, {1, 1}, {0, 1}},
    {"°C", LT_QUANTITY_TEMPERATURE, {1, 1}, {5463, 20}},
    {"°F", LT_QUANTITY_TEMPERATURE, {5, 9}, {45967, 180}},

    {"Nm", LT_QUANTITY_TORQUE, {1, 1}, {0, 1}},
    {"lb-ft", LT_QUANTITY_TORQUE, {LB_FT}, {0, 1}},
    {"lb-in", LT_QUANTITY_TORQUE, {LB_IN}, {0, 1}},

    {"A", LT_QUANTITY_CURRENT, {1, 1}, {0, 1}},
    {"mA", LT_QUANTITY_CURRENT, {1, 1000}, {0, 1}},

    {"V", LT_QUANTITY_VOLTAGE, {1, 1}, {0, 1}},
    {"mV", LT_QUANTITY_VOLTAGE, {1, 1000}, {0, 1}},

    {"°", LT_QUANTITY_ANGLE, {1, 1}, {0, 1}},
    /* 180 / pi */
    {"rad", LT_QUANTITY_ANGLE, {510211640, 8904873}, {0, 1}},

    {"s", LT_QUANTITY_TIME, {1, 1}, {0, 1}},
    {"ms", LT_QUANTITY_TIME, {1, 1000}, {0, 1}},
    {"us", LT_QUANTITY_TIME, {1, 1000000}, {0, 1}},
    {"min", LT_QUANTITY_TIME, {60, 1}, {0, 1}},
    {"h", LT_QUANTITY_TIME, {3600, 1}, {0, 1}},
    {"d", LT_QUANTITY_TIME, {86400, 1}, {0, 1}},

    {"m", LT_QUANTITY_DISTANCE, {1, 1}, {0, 1}},
    {"mm", LT_QUANTITY_DISTANCE, {1, 1000}, {0, 1}},
    {"cm", LT_QUANTITY_DISTANCE, {1, 100}, {0, 1}},
    {"km", LT_QUANTITY_DISTANCE, {1000, 1}, {0, 1}},
    {"in", LT_QUANTITY_DISTANCE, {127, 5000}, {0, 1}},
    {"ft", LT_QUANTITY_DISTANCE, {381, 1250}, {0, 1}},
    {"mi", LT_QUANTITY_DISTANCE, {201168, 125}, {0, 1}},

    {"L", LT_QUANTITY_VOLUME, {1, 1}, {0, 1}},
    {"ml", LT_QUANTITY_VOLUME, {1, 1000}, {0, 1}},
    {"gal", LT_QUANTITY_VOLUME, {473176473, 125000000}, {0, 1}},

    {"L/h", LT_QUANTITY_VOLUME_FLOW, {1, 1}, {0, 1}},
    {"L/min", LT_QUANTITY_VOLUME_FLOW, {60, 1}, {0, 1}},
    {"L/s", LT_QUANTITY_VOLUME_FLOW, {3600, 1}, {0, 1}},
    {"ml/min", LT_QUANTITY_VOLUME_FLOW, {3, 50}, {0, 1}},
    {"ml/s", LT_QUANTITY_VOLUME_FLOW, {18, 5}, {0, 1}},
    {"gal/h", LT_QUANTITY_VOLUME_FLOW, {473176473, 125000000}, {0, 1}},

    {"g/s", LT_QUANTITY_MASS_FLOW, {1, 1}, {0, 1}},
    {"mg/s", LT_QUANTITY_MASS_FLOW, {1, 1000}, {0, 1}},
    {"g/min", LT_QUANTITY_MASS_FLOW, {1, 60}, {0, 1}},
    {"kg/h", LT_QUANTITY_MASS_FLOW, {5, 18}, {0, 1}},
    {"lb/min", LT_QUANTITY_MASS_FLOW, {45359237, 6000000}, {0, 1}},

    {"W", LT_QUANTITY_POWER, {1, 1}, {0, 1}},
    {"kW", LT_QUANTITY_POWER, {1000, 1}, {0, 1}},
    {"hp", LT_QUANTITY_POWER, {HP}, {0, 1}},
    {"PS", LT_QUANTITY_POWER, {PS}, {0, 1}},
};

/* Usual other spellings. */
static const struct {
    const char *alias, *name;
} aliases[] = {
    {"1/min", "rpm"},     {"U/min", "rpm"},     {"r/min", "rpm"},   {"rev/min", "rpm"},
    {"min-1", "rpm"},     {"/min", "rpm"},      {"RPM", "rpm"},     {"rps", "1/s"},
    {"deg/s", "°/s"},     {"percent", "%"},     {"pct", "%"},       {"ratio", "1"},
    {"-", "1"},           {"Lambda", "lambda"}, {"λ", "lambda"},    {"afr", "AFR"},
    {"kpa", "kPa"},       {"KPa", "kPa"},       {"hpa", "hPa"},     {"PSI", "psi"},
    {"lbf/in2", "psi"},   {"kph", "km/h"},      {"kmh", "km/h"},    {"kmph", "km/h"},
    {"mi/h", "mph"},      {"kt", "kn"},         {"knot", "kn"},     {"mps", "m/s"},
    {"degC", "°C"},       {"C", "°C"},          {"ºC", "°C"},       {"celsius", "°C"},
    {"degF", "°F"},       {"F", "°F"},          {"ºF", "°F"},       {"fahrenheit", "°F"},
    {"kelvin", "K"},      {"N.m", "Nm"},        {"N·m", "Nm"},      {"N*m", "Nm"},
    {"lbf-ft", "lb-ft"},  {"lb.ft", "lb-ft"},   {"lbft", "lb-ft"},  {"ft-lb", "lb-ft"},
    {"ft-lbf", "lb-ft"},  {"lbf-in", "lb-in"},  {"amp", "A"},       {"ampere", "A"},
    {"volt", "V"},        {"deg", "°"},         {"º", "°"},         {"degree", "°"},
    {"sec", "s"},         {"msec", "ms"},       {"µs", "us"},       {"μs", "us"},
    {"hr", "h"},          {"hour", "h"},        {"mile", "mi"},     {"inch", "in"},
    {"l", "L"},           {"litre", "L"},       {"liter", "L"},     {"mL", "ml"},
    {"cc", "ml"},         {"l/h", "L/h"},       {"l/min", "L/min"}, {"l/s", "L/s"},
    {"mL/min", "ml/min"}, {"cc/min", "ml/min"}, {"mL/s", "ml/s"},   {"gph", "gal/h"},
    {"kw", "kW"},         {"bhp", "hp"},        {"HP", "hp"},       {"cv", "PS"},
};

const struct lt_unit *lt_unit_find(struct lt_text name)
{
    for (size_t i = 0; i < COUNT(aliases); i++) {
        if (lt_text_is(name, aliases[i].alias)) {
            name = lt_text_of(aliases[i].name);
            break;
        }
    }
    for (size_t i = 0; i < COUNT(units); i++) {
        if (lt_text_is(name, units[i].name))
            return &units[i];
    }
    return NULL;
}

/* A bare 1 is lambda itself; percent is not. */
static bool measures_lambda(const struct lt_unit *unit)
{
    return unit->quantity == LT_QUANTITY_LAMBDA ||
           (unit->quantity == LT_QUANTITY_RATIO && unit->factor.den == 1);
}

/* The factor to the base unit; for AFR, 1 / stoich. */
static bool base_factor(const struct lt_unit *unit, struct lt_ratio stoich,
                        struct lt_ratio *ret_factor)
{
    if (unit->factor.num != 0) {
        *ret_factor = unit->factor;
        return true;
    }
    return stoich.num > 0 && stoich.den > 0 && lt_ratio_make(stoich.den, stoich.num, ret_factor);
}

bool lt_unit_convert(const struct lt_unit *from, const struct lt_unit *to, struct lt_ratio stoich,
                     struct lt_ratio *ret_factor, struct lt_ratio *ret_offset)
{
    struct lt_ratio up, down, inverse, factor, offset;
    if (from == to) {
        *ret_factor = (struct lt_ratio){1, 1};
        *ret_offset = (struct lt_ratio){0, 1};
        return true;
    }
    if (from->quantity != to->quantity && !(measures_lambda(from) && measures_lambda(to)))
        return false;
    if (!base_factor(from, stoich, &up) || !base_factor(to, stoich, &down))
        return false;
    struct lt_ratio minus = {-to->offset.num, to->offset.den};
    if (!lt_ratio_make(down.den, down.num, &inverse) || !lt_ratio_mul(up, inverse, &factor) ||
        !lt_ratio_add(from->offset, minus, &offset) || !lt_ratio_mul(offset, inverse, &offset))
        return false;
    *ret_factor = factor;
    *ret_offset = offset;
    return true;
}
