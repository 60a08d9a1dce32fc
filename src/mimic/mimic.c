/* The public face: scenarios by name, one frame after the other, and the truth behind it. */
#include <stdlib.h>
#include <string.h>

#include "loomtap/base/number.h"
#include "loomtap/mimic/mimic.h"
#include "mimic/random_send.h"
#include "mimic/schedule.h"

#define DURATION_MAX_S (31.0 * 24 * 3600)

struct lt_mimic {
    struct lt_mimic_schedule schedule;
    struct lt_mimic_random *random; /* or NULL */
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
    lt_error_advise(error, "there are: drive, idle, warmup, random");
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
    bool is_random = strcmp(scenario, "random") == 0;
    if (is_random && !options->loss_by_seed && !(options->loss >= 0 && options->loss <= 0.5))
        return lt_fail(error, LT_E_RANGE, "a loss is a share of the frames from 0 to 0.5");
    struct lt_mimic *mimic = malloc(sizeof(*mimic));
    if (!mimic)
        return lt_fail(error, LT_E_MEMORY, "no memory for the invented car");
    mimic->random = NULL;
    if (is_random) {
        mimic->random = lt_mimic_random_new(options, duration_s);
        if (!mimic->random) {
            free(mimic);
            return lt_fail(error, LT_E_MEMORY, "no memory for the invented car");
        }
    } else {
        lt_mimic_schedule_init(&mimic->schedule, index, options, duration_s);
    }
    *ret_mimic = mimic;
    return LT_OK;
}

void lt_mimic_free(struct lt_mimic *mimic)
{
    if (mimic)
        lt_mimic_random_free(mimic->random);
    free(mimic);
}

size_t lt_mimic_bus_count(const struct lt_mimic *mimic)
{
    return mimic->random ? mimic->random->car.buses : LT_MIMIC_BUSES;
}

const char *lt_mimic_bus_name(const struct lt_mimic *mimic, size_t bus)
{
    static const char *const names[] = {"can0", "can1", "can2"};
    return bus < lt_mimic_bus_count(mimic) ? names[bus] : NULL;
}

const struct lt_frame *lt_mimic_next(struct lt_mimic *mimic)
{
    if (mimic->random)
        return lt_mimic_random_next(mimic->random) ? &mimic->random->frame : NULL;
    return lt_mimic_schedule_next(&mimic->schedule) ? &mimic->schedule.frame : NULL;
}

size_t lt_mimic_truth(const struct lt_mimic *mimic, const struct lt_mimic_truth **ret_rows)
{
    *ret_rows = mimic->random ? NULL : mimic->schedule.rows;
    return mimic->random ? 0 : mimic->schedule.row_count;
}

bool lt_mimic_layout(const struct lt_mimic *mimic, struct lt_sink *sink)
{
    if (mimic->random)
        lt_mimic_random_layout(mimic->random, sink);
    return mimic->random != NULL;
}

bool lt_mimic_marks(const struct lt_mimic *mimic, struct lt_sink *sink)
{
    if (!mimic->random)
        return false;
    lt_sink_string(sink, "time_s,label\n");
    for (size_t i = 0; i < mimic->random->mark_count; i++) {
        const struct lt_mimic_mark *mark = &mimic->random->marks[i];
        if (mark->time_ns > mimic->random->start_ns + mimic->random->length_ns)
            break;
        char time[32];
        lt_sink_put(sink, time, lt_print_fixed(time, mark->time_ns / 1000, 6));
        lt_sink_format(sink, ",%s\n", mark->label);
    }
    return true;
}
