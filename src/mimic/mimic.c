/* The public face: scenarios by name, one frame after the other, and the truth behind it. */
#include <stdlib.h>
#include <string.h>

#include "loomtap/mimic/mimic.h"
#include "mimic/schedule.h"

#define DURATION_MAX_S (31.0 * 24 * 3600)

struct lt_mimic {
    struct lt_mimic_schedule schedule;
};

const struct lt_mimic_scenario *lt_mimic_scenarios(size_t *ret_count)
{
    *ret_count = lt_mimic_scenario_count;
    return lt_mimic_scenario_list;
}

static enum lt_code find_scenario(const char *name, size_t *ret_index, struct lt_error *error)
{
    for (size_t i = 0; i < lt_mimic_scenario_count; i++)
        if (strcmp(lt_mimic_scenario_list[i].name, name) == 0) {
            *ret_index = i;
            return LT_OK;
        }
    enum lt_code code = lt_fail(error, LT_E_UNKNOWN, "there is no scenario \"%.60s\"", name);
    lt_error_advise(error, "there are: drive, idle, warmup");
    return code;
}

enum lt_code lt_mimic_new(struct lt_mimic **ret_mimic, const char *scenario,
                          const struct lt_mimic_options *options, struct lt_error *error)
{
    size_t index = 0;
    enum lt_code code = find_scenario(scenario, &index, error);
    if (code)
        return code;
    double duration_s = options->duration_s;
    if (duration_s == 0)
        duration_s = lt_mimic_scenario_list[index].duration_s;
    if (!(duration_s > 0 && duration_s <= DURATION_MAX_S))
        return lt_fail(error, LT_E_RANGE, "a duration is above 0 and at most %.0f seconds",
                       DURATION_MAX_S);
    /* So that no time of a frame can overflow. */
    if (options->start_ns < 0 || options->start_ns > INT64_MAX / 2)
        return lt_fail(error, LT_E_RANGE, "the start lies between 1970 and the year 2116");
    struct lt_mimic *mimic = malloc(sizeof(*mimic));
    if (!mimic)
        return lt_fail(error, LT_E_MEMORY, "no memory for the invented car");
    lt_mimic_schedule_init(&mimic->schedule, index, options, duration_s);
    *ret_mimic = mimic;
    return LT_OK;
}

void lt_mimic_free(struct lt_mimic *mimic)
{
    free(mimic);
}

size_t lt_mimic_bus_count(const struct lt_mimic *mimic)
{
    (void)mimic;
    return LT_MIMIC_BUSES;
}

const char *lt_mimic_bus_name(const struct lt_mimic *mimic, size_t bus)
{
    static const char *const names[LT_MIMIC_BUSES] = {"can0", "can1"};
    (void)mimic;
    return bus < LT_MIMIC_BUSES ? names[bus] : NULL;
}

const struct lt_frame *lt_mimic_next(struct lt_mimic *mimic)
{
    return lt_mimic_schedule_next(&mimic->schedule) ? &mimic->schedule.frame : NULL;
}

size_t lt_mimic_truth(const struct lt_mimic *mimic, const struct lt_mimic_truth **ret_rows)
{
    *ret_rows = mimic->schedule.rows;
    return mimic->schedule.row_count;
}
