/* One row a time step: each signal's last value, held until it is too old.
 *
 * A suspect value is passed over: what was there before stays until its age ends it. A code for
 * "not available" or "error" empties the cell at once. */
#include "decode/decode_internal.h"

#include "loomtap/base/number.h"

#define NS_PER_MS 1000000
/* Without a limit from the profile, its role or the user: the usual "lost after a few periods". */
#define DEFAULT_MAX_AGE ((int64_t)1000 * NS_PER_MS)
/* A pause longer than this (a clock set, two drives in one file) is skipped, not filled with rows.
 */
#define LONGEST_PAUSE ((int64_t)3600 * 1000 * NS_PER_MS)

struct column {
    const struct lt_frame_plan *plan;
    unsigned field;
    const struct stream *stream; /* the first that brought a value: others are passed over */
    bool has_value;
    int64_t time_ns, max_age_ns;
    uint64_t raw;
};

struct grid {
    struct column *columns;
    size_t count;
    bool started;
    int64_t next_ns, step_ns;
    unsigned decimals; /* of the time column */
    uint64_t pauses, other_senders;
};

int64_t grid_max_age_ns(const struct lt_decode *decode, const struct lt_frame_plan *plan,
                        const struct lt_signal_def *def)
{
    if (decode->options.max_age_ns)
        return decode->options.max_age_ns;
    if (def->max_age_ms)
        return (int64_t)def->max_age_ms * NS_PER_MS;
    if (def->role && def->role->max_age_ms && !plan->parameter)
        return (int64_t)def->role->max_age_ms * NS_PER_MS;
    if (plan->def && plan->def->period_ns)
        return plan->def->period_ns * 5;
    return plan->parameter ? DEFAULT_MAX_AGE * 5 : DEFAULT_MAX_AGE;
}

static size_t add_columns(struct lt_decode *decode, const struct lt_frame_plan *const *plans,
                          size_t count, struct column *columns)
{
    size_t at = 0;
    for (size_t i = 0; i < count; i++)
        for (unsigned f = 0; f < plans[i]->field_count; f++, at++)
            if (columns)
                columns[at] =
                    (struct column){.plan = plans[i],
                                    .field = f,
                                    .max_age_ns = grid_max_age_ns(decode, plans[i],
                                                                  plans[i]->fields[f].scaler->def)};
    return at;
}

/* Does another profile have a signal of this name? Then the frame goes before it. */
static bool name_is_shared(const struct grid *grid, const struct column *column, const char *name)
{
    for (size_t i = 0; i < grid->count; i++) {
        const struct column *other = &grid->columns[i];
        if (other != column &&
            strcmp(other->plan->fields[other->field].scaler->def->name, name) == 0)
            return true;
    }
    return false;
}

static void put_header(struct lt_decode *decode)
{
    struct grid *grid = decode->grid;
    lt_sink_string(decode->sink, "time_s");
    for (size_t i = 0; i < grid->count; i++) {
        const struct column *column = &grid->columns[i];
        const struct lt_frame_plan *plan = column->plan;
        const char *name = plan->fields[column->field].scaler->def->name;
        lt_sink_char(decode->sink, ',');
        if (name_is_shared(grid, column, name))
            lt_sink_format(decode->sink, "%s.",
                           plan->def ? plan->def->name : plan->parameter->name);
        lt_sink_string(decode->sink, name);
    }
    lt_sink_char(decode->sink, '\n');
}

static void grid_begin(struct lt_decode *decode)
{
    const struct lt_frame_plan *const *frames, *const *parameters;
    size_t frame_count = lt_plan_frames(decode->plan, &frames);
    size_t parameter_count = lt_plan_parameters(decode->plan, &parameters);
    struct grid *grid = decode->grid = lt_arena_alloc(&decode->arena, sizeof *grid);
    size_t count = add_columns(decode, frames, frame_count, NULL) +
                   add_columns(decode, parameters, parameter_count, NULL);
    struct column *columns = lt_arena_array(&decode->arena, count, sizeof *columns);
    if (!grid || !columns) {
        decode->failed_memory = true;
        return;
    }
    size_t first = add_columns(decode, frames, frame_count, columns);
    add_columns(decode, parameters, parameter_count, columns + first);
    *grid = (struct grid){.columns = columns, .count = count, .step_ns = decode->options.every_ns};
    put_header(decode);
}

static void put_cell(struct lt_decode *decode, const struct column *column)
{
    const struct lt_scaler *scaler = column->plan->fields[column->field].scaler;
    const char *label = lt_signal_label(scaler->def, column->raw);
    char value[LT_VALUE_ROOM];
    if (label)
        lt_sink_string(decode->sink, label);
    else
        lt_sink_put(decode->sink, value, lt_scaler_print(scaler, column->raw, value));
}

static void put_row(struct lt_decode *decode)
{
    struct grid *grid = decode->grid;
    char time[32];
    lt_sink_put(decode->sink, time, lt_print_fixed(time, grid->next_ns, 9) - (9 - grid->decimals));
    for (size_t i = 0; i < grid->count; i++) {
        struct column *column = &grid->columns[i];
        lt_sink_char(decode->sink, ',');
        if (column->has_value && grid->next_ns - column->time_ns <= column->max_age_ns)
            put_cell(decode, column);
    }
    lt_sink_char(decode->sink, '\n');
    grid->next_ns += grid->step_ns;
}

/* Decimals that write both the first time and the step exactly; at least one. */
static unsigned decimals_for(int64_t start_ns, int64_t step_ns)
{
    unsigned decimals = 9;
    while (decimals > 1 && start_ns % 10 == 0 && step_ns % 10 == 0) {
        start_ns /= 10;
        step_ns /= 10;
        decimals--;
    }
    return decimals;
}

static void grid_frame(struct lt_decode *decode, const struct lt_frame *frame)
{
    struct grid *grid = decode->grid;
    if (frame->time_ns == LT_NO_TIME)
        return;
    if (!grid->started || frame->time_ns - grid->next_ns > LONGEST_PAUSE) {
        grid->pauses += grid->started;
        grid->started = true;
        grid->next_ns = frame->time_ns;
        grid->decimals = decimals_for(grid->next_ns, grid->step_ns);
        return;
    }
    while (grid->next_ns < frame->time_ns && !decode->sink->failed)
        put_row(decode);
}

static struct column *column_of(struct grid *grid, const struct lt_frame_plan *plan, unsigned field)
{
    for (size_t i = 0; i < grid->count; i++)
        if (grid->columns[i].plan->index == plan->index && grid->columns[i].field == field)
            return &grid->columns[i];
    return NULL;
}

static void grid_value(struct lt_decode *decode, struct stream *stream, unsigned field,
                       const struct message *message, uint64_t raw, enum value_state state)
{
    struct column *column = column_of(decode->grid, stream->plan, field);
    if (!column || state == VALUE_SUSPECT)
        return;
    if (column->stream && column->stream != stream) {
        decode->grid->other_senders++;
        return;
    }
    column->stream = stream;
    column->has_value = state == VALUE_GOOD;
    column->raw = raw;
    column->time_ns = message->frame->time_ns;
}

static void grid_end(struct lt_decode *decode)
{
    struct grid *grid = decode->grid;
    if (!grid)
        return;
    if (grid->started)
        put_row(decode);
    if (grid->pauses)
        note(decode, "%llu pauses of more than an hour were skipped in the grid",
             (unsigned long long)grid->pauses);
    if (grid->other_senders)
        note(decode,
             "%llu values of second senders of the same frame are not in the grid; `--as "
             "csv` has them",
             (unsigned long long)grid->other_senders);
}

const struct output grid_output = {grid_begin, grid_frame, grid_value, grid_end};
