/* Finding things in a profile, and its words. See loomtap/core/profile.h; the profile itself is
 * filled elsewhere. */
#include "loomtap/core/profile.h"

const char *lt_sign_name(enum lt_sign sign)
{
    static const char *const names[] = {[LT_UNSIGNED] = "unsigned",
                                        [LT_TWOS] = "twos",
                                        [LT_OFFSET_BINARY] = "offset-binary",
                                        [LT_SIGN_MAGNITUDE] = "sign-magnitude",
                                        [LT_FLOAT] = "float"};
    return names[sign];
}

uint32_t lt_profile_find_bus(const struct lt_profile *profile, struct lt_text name)
{
    for (size_t i = 0; i < profile->bus_count; i++)
        if (lt_text_is(name, profile->buses[i].name))
            return (uint32_t)i;
    return LT_NONE;
}

uint32_t lt_profile_find_frame(const struct lt_profile *profile, struct lt_text name)
{
    for (size_t i = 0; i < profile->frame_count; i++)
        if (lt_text_is(name, profile->frames[i].name))
            return (uint32_t)i;
    return LT_NONE;
}

uint32_t lt_profile_find_signal(const struct lt_profile *profile, struct lt_text name)
{
    for (size_t i = 0; i < profile->signal_count; i++)
        if (lt_text_is(name, profile->signals[i].name))
            return (uint32_t)i;
    return LT_NONE;
}

/* "1" is the way to write "no unit" in a profile. */
static const char *unit_or_none(const char *unit)
{
    return unit && strcmp(unit, "1") != 0 ? unit : "";
}

const char *lt_signal_unit(const struct lt_signal_def *signal)
{
    if (signal->role)
        return unit_or_none(signal->role_unit ? signal->role_unit : signal->role->unit);
    return unit_or_none(signal->unit);
}

/* Labels stand in ascending order of raw. */
const char *lt_signal_label(const struct lt_signal_def *signal, uint64_t raw)
{
    size_t low = 0, high = signal->label_count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (signal->labels[middle].raw == raw)
            return signal->labels[middle].name;
        if (signal->labels[middle].raw < raw)
            low = middle + 1;
        else
            high = middle;
    }
    return NULL;
}
