/* See watch.h: what is kept of each signal. The past is a ring of slots a tenth of a second long,
 * so that a place in time is a place in the ring. */
#include "loomtap/live/watch.h"

#include <math.h>
#include <stdlib.h>

#include "live/watch_inside.h"
#include "loomtap/core/age.h"

/* Intervals are averaged over about so many. */
#define AVERAGED 8

/* ---- life ---- */

static enum lt_role_group group_of(const struct lt_field *field)
{
    const struct lt_role *role = field->scaler->def->role;
    return role ? role->group : LT_GROUP_OTHER;
}

static void add_rows_of(struct lt_watch *watch, const struct lt_frame_plan *plan,
                        enum lt_role_group group)
{
    for (unsigned i = 0; i < plan->field_count; i++) {
        const struct lt_field *field = &plan->fields[i];
        if (group_of(field) != group)
            continue;
        watch->row_of_field[field->index] = (uint32_t)watch->row_count;
        watch->rows[watch->row_count++] = (struct watch_row){
            .plan = plan,
            .field = field,
            .group = group,
            .max_age_ns = lt_largest_age_ns(plan, field),
            .time_ns = LT_NO_TIME,
        };
    }
}

static void add_rows(struct lt_watch *watch)
{
    const struct lt_frame_plan *const *frames, *const *parameters;
    size_t frame_count = lt_plan_frames(watch->plan, &frames);
    size_t parameter_count = lt_plan_parameters(watch->plan, &parameters);
    for (int group = 0; group < LT_GROUP_COUNT; group++) {
        for (size_t i = 0; i < frame_count; i++)
            add_rows_of(watch, frames[i], group);
        for (size_t i = 0; i < parameter_count; i++)
            add_rows_of(watch, parameters[i], group);
    }
}

static void take(void *context, const struct lt_message *message);

static enum lt_code make(struct lt_watch *watch, const struct lt_watch_setup *setup,
                         struct lt_error *error)
{
    struct lt_plan_options options = {setup->wants, setup->context};
    enum lt_code code =
        lt_plan_new(&watch->plan, setup->profiles, setup->profile_count, setup->bindings,
                    setup->binding_count, setup->wants ? &options : NULL, error);
    if (code != LT_OK)
        return code;
    size_t count = lt_plan_field_count(watch->plan);
    if (count == 0)
        return lt_fail(error, LT_E_UNKNOWN, "none of the signals is wanted");
    if (count > LT_WATCH_ROWS_MAX)
        return lt_fail(error, LT_E_LIMIT, "%zu signals are more than the %u that can be watched",
                       count, LT_WATCH_ROWS_MAX);
    watch->rows = calloc(count, sizeof *watch->rows);
    watch->row_of_field = calloc(count, sizeof *watch->row_of_field);
    if (!watch->rows || !watch->row_of_field)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    add_rows(watch);
    struct lt_route_setup route = {watch->plan, setup->profiles, setup->profile_count,
                                   setup->bindings, setup->binding_count};
    return lt_route_new(&watch->route, &route, take, watch, error);
}

enum lt_code lt_watch_new(struct lt_watch **ret_watch, const struct lt_watch_setup *setup,
                          struct lt_error *error)
{
    struct lt_watch *watch = calloc(1, sizeof *watch);
    if (!watch)
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    watch->setup = *setup;
    enum lt_code code = make(watch, setup, error);
    if (code != LT_OK) {
        lt_watch_free(watch);
        return code;
    }
    *ret_watch = watch;
    return LT_OK;
}

void lt_watch_free(struct lt_watch *watch)
{
    if (!watch)
        return;
    for (size_t i = 0; i < watch->row_count; i++)
        free(watch->rows[i].slots);
    free(watch->rows);
    free(watch->row_of_field);
    lt_route_free(watch->route);
    lt_plan_free(watch->plan);
    free(watch);
}

/* ---- values in ---- */

static enum lt_watch_state state_of(const struct lt_scaler *scaler, uint64_t raw, bool suspect)
{
    if (suspect)
        return LT_WATCH_SUSPECT;
    switch (lt_scaler_state(scaler, raw)) {
    case LT_STATE_UNAVAILABLE:
        return LT_WATCH_UNAVAILABLE;
    case LT_STATE_ERROR:
        return LT_WATCH_ERROR;
    case LT_STATE_VALUE:
        break;
    }
    return LT_WATCH_GOOD;
}

/* Without memory for the past a row has its newest value alone. */
static void keep(struct watch_row *row, int64_t time_ns, uint64_t raw, enum lt_watch_state state)
{
    if (!row->slots)
        row->slots = calloc(LT_WATCH_SLOTS, sizeof *row->slots);
    if (!row->slots || time_ns < 0)
        return;
    int64_t number = time_ns / LT_WATCH_SLOT_NS;
    struct watch_slot *slot = &row->slots[number % LT_WATCH_SLOTS];
    if (slot->number == number && state < slot->state)
        state = slot->state;
    *slot = (struct watch_slot){number, time_ns, raw, state};
}

static void note_interval(struct watch_row *row, int64_t time_ns)
{
    double interval_ns = (double)(time_ns - row->time_ns);
    if (row->time_ns == LT_NO_TIME || interval_ns <= 0)
        return;
    if (row->interval_ns > 0)
        row->interval_ns += (interval_ns - row->interval_ns) / AVERAGED;
    else
        row->interval_ns = interval_ns;
}

static void take_value(struct lt_watch *watch, const struct lt_message *message,
                       const struct lt_field *field)
{
    struct watch_row *row = &watch->rows[watch->row_of_field[field->index]];
    uint64_t raw = lt_field_fetch(field, message->data);
    int64_t time_ns = message->frame->time_ns;
    enum lt_watch_state state = state_of(field->scaler, raw, message->suspect);
    if (watch->setup.value)
        watch->setup.value(watch->setup.context, message, field, raw);
    keep(row, time_ns, raw, state);
    if (row->time_ns != LT_NO_TIME && time_ns < row->time_ns)
        return;
    note_interval(row, time_ns);
    row->time_ns = time_ns;
    row->raw = raw;
    row->state = state;
}

static void take(void *context, const struct lt_message *message)
{
    struct lt_watch *watch = context;
    const struct lt_frame_plan *plan = message->plan;
    uint64_t pages =
        plan->page_set_count ? lt_frame_plan_pages(plan, message->data, message->len) : 0;
    for (unsigned i = 0; i < plan->field_count; i++)
        if (lt_field_on_page(&plan->fields[i], pages) && plan->fields[i].end_byte <= message->len)
            take_value(watch, message, &plan->fields[i]);
}

bool lt_watch_frame(struct lt_watch *watch, const struct lt_frame *frame)
{
    return frame->time_ns != LT_NO_TIME && lt_route_frame(watch->route, frame);
}

/* ---- values out ---- */

size_t lt_watch_rows(const struct lt_watch *watch)
{
    return watch->row_count;
}

const struct lt_scaler *lt_watch_scaler(const struct lt_watch *watch, size_t row)
{
    return watch->rows[row].field->scaler;
}

const struct watch_slot *watch_slot_at(const struct watch_row *row, int64_t number)
{
    if (!row->slots || number < 0)
        return NULL;
    const struct watch_slot *slot = &row->slots[number % LT_WATCH_SLOTS];
    return slot->state != LT_WATCH_AWAITED && slot->number == number ? slot : NULL;
}

/* The newest slot that is not after the time. */
static const struct watch_slot *slot_before(const struct watch_row *row, int64_t at_ns)
{
    int64_t number = at_ns / LT_WATCH_SLOT_NS;
    for (unsigned back = 0; back < LT_WATCH_SLOTS; back++) {
        const struct watch_slot *slot = watch_slot_at(row, number - back);
        if (slot)
            return slot;
    }
    return NULL;
}

static struct lt_watch_value value_at(const struct watch_row *row, int64_t at_ns, int64_t time_ns,
                                      uint64_t raw, enum lt_watch_state state)
{
    /* A frame that the host's clock puts a little ahead of the view is new. */
    int64_t age_ns = at_ns > time_ns ? at_ns - time_ns : 0;
    if (age_ns > row->max_age_ns)
        state = LT_WATCH_LOST;
    return (struct lt_watch_value){state, raw, age_ns, NAN};
}

struct lt_watch_value lt_watch_look(const struct lt_watch *watch, size_t row_number, int64_t at_ns)
{
    const struct watch_row *row = &watch->rows[row_number];
    struct lt_watch_value value = {.state = LT_WATCH_AWAITED, .rate_hz = NAN};
    if (row->time_ns == LT_NO_TIME)
        return value;
    if (at_ns >= row->time_ns) {
        value = value_at(row, at_ns, row->time_ns, row->raw, row->state);
        if (row->interval_ns > 0 && value.state != LT_WATCH_LOST)
            value.rate_hz = 1e9 / row->interval_ns;
        return value;
    }
    const struct watch_slot *slot = slot_before(row, at_ns);
    return slot ? value_at(row, at_ns, slot->time_ns, slot->raw, slot->state) : value;
}
