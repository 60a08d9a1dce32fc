/* References from diagnostic replies: what the controllers said when they were asked. See
 * loomtap/seek/reference.h.
 *
 * One listener a bus puts the replies together and takes them apart (several parameters in one
 * reply); the profiles' parameters say how the bytes become values, by the same plan that decoding
 * uses. Targets: SAE J1979 parameters by their roles, others by the signal's name. */
#include <math.h>
#include <stdlib.h>

#include "loomtap/core/plan.h"
#include "loomtap/proto/obd.h"
#include "loomtap/seek/reference.h"
#include "seek/reference_inside.h"

#define MS_NS       INT64_C(1000000)
#define LAG_LOW_NS  (-300 * MS_NS) /* the frame is filtered, or comes seldom */
#define LAG_HIGH_NS (1000 * MS_NS) /* the controller answers from what it computed before */
#define FINE_BITS   16             /* so long that its last value is chance, or the end */
#define SERVICE_NOW 0x01
#define SERVICE_UDS 0x22
/* All values together: 64 MiB. */
#define VALUES_MAX LT_REFERENCE_ROWS_MAX
/* Parameters answered that no profile knows, for ret_asked. */
#define STRANGERS_MAX 512

struct series {
    const struct lt_frame_plan *plan;
    const struct lt_field *field;
    uint32_t reply_id;
    uint16_t bus;
    bool extended, unordered;
    size_t count, capacity;
    int64_t *time_ns;
    double *value;
};

struct number { /* of a parameter */
    uint8_t service;
    uint32_t number;
};

struct lt_replies {
    const struct lt_profile **profiles;
    size_t profile_count;
    struct lt_plan *plan;
    struct lt_obd *obd[LT_BUSES_MAX];
    struct series *series;
    size_t count, values;
    bool full; /* parameters beyond LT_REFERENCES_MAX were left out */
    struct number stranger[STRANGERS_MAX];
    size_t stranger_count;
};

/* --- life --- */

static bool is_parameters(void *context, const struct lt_profile *profile, uint32_t signal)
{
    (void)context;
    const struct lt_signal_def *def = &profile->signals[signal];
    if (def->parameter == LT_NONE)
        return false;
    const struct lt_parameter_def *parameter = &profile->parameters[def->parameter];
    /* The masks of supported numbers are no quantity. */
    bool mask = parameter->service == SERVICE_NOW && parameter->pid % 0x20 == 0;
    return (parameter->service == SERVICE_NOW || parameter->service == SERVICE_UDS) && !mask;
}

enum lt_code lt_replies_new(struct lt_replies **ret_replies,
                            const struct lt_profile *const *profiles, size_t profile_count,
                            struct lt_error *error)
{
    struct lt_plan_options options = {.wants = is_parameters};
    struct lt_replies *replies = calloc(1, sizeof *replies);
    if (!replies)
        return lt_fail(error, LT_E_MEMORY, "no memory to follow diagnostics");
    replies->profiles = calloc(profile_count + 1, sizeof *replies->profiles);
    if (!replies->profiles) {
        lt_replies_free(replies);
        return lt_fail(error, LT_E_MEMORY, "no memory to follow diagnostics");
    }
    for (size_t i = 0; i < profile_count; i++)
        replies->profiles[i] = profiles[i];
    replies->profile_count = profile_count;
    enum lt_code code =
        lt_plan_new(&replies->plan, profiles, profile_count, NULL, 0, &options, error);
    if (code != LT_OK) {
        lt_replies_free(replies);
        return code;
    }
    *ret_replies = replies;
    return LT_OK;
}

void lt_replies_free(struct lt_replies *replies)
{
    if (!replies)
        return;
    for (size_t i = 0; i < replies->count; i++) {
        free(replies->series[i].time_ns);
        free(replies->series[i].value);
    }
    for (size_t i = 0; i < LT_BUSES_MAX; i++)
        lt_obd_free(replies->obd[i]);
    lt_plan_free(replies->plan);
    free(replies->series);
    free(replies->profiles);
    free(replies);
}

/* --- feeding --- */

static uint16_t length_in_profiles(void *context, uint8_t service, uint32_t number)
{
    const struct lt_replies *replies = context;
    for (size_t p = 0; p < replies->profile_count; p++)
        for (size_t i = 0; i < replies->profiles[p]->parameter_count; i++) {
            const struct lt_parameter_def *def = &replies->profiles[p]->parameters[i];
            if (def->service == service && def->pid == number && def->length)
                return def->length;
        }
    return 0;
}

static enum lt_code no_memory(struct lt_error *error)
{
    return lt_fail(error, LT_E_MEMORY, "no memory for the values of diagnostic replies");
}

static struct series *find_series(struct lt_replies *replies, const struct lt_frame_plan *plan,
                                  const struct lt_field *field, uint16_t bus,
                                  const struct lt_obd_reply *reply)
{
    for (size_t i = 0; i < replies->count; i++) {
        struct series *series = &replies->series[i];
        if (series->field == field && series->reply_id == reply->id && series->bus == bus &&
            series->extended == reply->extended)
            return series;
    }
    if (replies->count == LT_REFERENCES_MAX) {
        replies->full = true;
        return NULL;
    }
    if (!replies->series)
        replies->series = calloc(LT_REFERENCES_MAX, sizeof *replies->series);
    if (!replies->series)
        return NULL;
    struct series *series = &replies->series[replies->count++];
    *series = (struct series){.plan = plan,
                              .field = field,
                              .reply_id = reply->id,
                              .bus = bus,
                              .extended = reply->extended};
    return series;
}

static bool grow(struct series *series)
{
    size_t capacity = series->capacity ? 2 * series->capacity : 64;
    int64_t *time_ns = realloc(series->time_ns, capacity * sizeof *time_ns);
    if (time_ns)
        series->time_ns = time_ns;
    double *value = realloc(series->value, capacity * sizeof *value);
    if (value)
        series->value = value;
    if (time_ns && value)
        series->capacity = capacity;
    return time_ns && value;
}

static enum lt_code add_value(struct lt_replies *replies, struct series *series, int64_t time_ns,
                              double value, struct lt_error *error)
{
    if (replies->values == VALUES_MAX) {
        lt_fail(error, LT_E_LIMIT, "the capture holds more than %d diagnostic values", VALUES_MAX);
        lt_error_advise(error, "take a part of it, with --from and --to");
        return LT_E_LIMIT;
    }
    if (series->count == series->capacity && !grow(series))
        return no_memory(error);
    if (series->count && time_ns < series->time_ns[series->count - 1])
        series->unordered = true;
    series->time_ns[series->count] = time_ns;
    series->value[series->count++] = value;
    replies->values++;
    return LT_OK;
}

/* At the very end of a fine field the quantity is there or beyond, which is no value to compare
 * with: lambda of an engine in overrun is 4 or more and is answered as 1.99997. A coarse field
 * reaches its end honestly (255 is 100 % of a pedal). */
static bool is_beyond(const struct lt_field *field, uint64_t raw)
{
    unsigned length = field->scaler->length;
    return length >= FINE_BITS && field->scaler->def->sign == LT_UNSIGNED &&
           raw == (length < 64 ? ((uint64_t)1 << length) - 1 : UINT64_MAX);
}

static enum lt_code take_fields(struct lt_replies *replies, const struct lt_frame_plan *plan,
                                uint16_t bus, const struct lt_obd_reply *reply,
                                const struct lt_obd_item *item, struct lt_error *error)
{
    uint64_t pages = lt_frame_plan_pages(plan, item->data, item->length);
    enum lt_code code = LT_OK;
    for (unsigned i = 0; i < plan->field_count && code == LT_OK; i++) {
        const struct lt_field *field = &plan->fields[i];
        if (!lt_field_on_page(field, pages) || field->end_byte > item->length)
            continue;
        uint64_t raw = lt_field_fetch(field, item->data);
        double value = lt_scaler_f64(field->scaler, raw);
        if (lt_scaler_state(field->scaler, raw) != LT_STATE_VALUE || !isfinite(value) ||
            is_beyond(field, raw))
            continue;
        struct series *series = find_series(replies, plan, field, bus, reply);
        if (!series && replies->full)
            continue; /* lt_replies_references says so */
        code = series ? add_value(replies, series, reply->time_ns, value, error) : no_memory(error);
    }
    return code;
}

static void remember_stranger(struct lt_replies *replies, const struct lt_obd_item *item)
{
    for (size_t i = 0; i < replies->stranger_count; i++)
        if (replies->stranger[i].service == item->service &&
            replies->stranger[i].number == item->number)
            return;
    if (replies->stranger_count < STRANGERS_MAX)
        replies->stranger[replies->stranger_count++] = (struct number){item->service, item->number};
}

static enum lt_code take_item(struct lt_replies *replies, uint16_t bus,
                              const struct lt_obd_reply *reply, const struct lt_obd_item *item,
                              struct lt_error *error)
{
    const struct lt_frame_plan *const *plans;
    size_t count = lt_plan_parameters(replies->plan, &plans);
    bool known = false;
    enum lt_code code = LT_OK;
    for (size_t i = 0; i < count && code == LT_OK; i++) {
        const struct lt_parameter_def *def = plans[i]->parameter;
        if (def->service != item->service || def->pid != item->number ||
            (def->responder != LT_NONE && def->responder != reply->id))
            continue;
        known = true;
        code = take_fields(replies, plans[i], bus, reply, item, error);
    }
    if (!known)
        remember_stranger(replies, item);
    return code;
}

enum lt_code lt_replies_feed(struct lt_replies *replies, const struct lt_frame *frame,
                             struct lt_error *error)
{
    uint32_t partner;
    struct lt_obd_reply reply;
    /* Most frames are none: no listener for a bus without diagnostics. */
    if (lt_obd_classify(frame, &partner) == LT_OBD_NOT || frame->bus >= LT_BUSES_MAX)
        return LT_OK;
    struct lt_obd **obd = &replies->obd[frame->bus];
    if (!*obd) {
        enum lt_code code = lt_obd_new(obd, length_in_profiles, replies, error);
        if (code != LT_OK)
            return code;
    }
    if (!lt_obd_feed(*obd, frame, &reply) || reply.negative || reply.time_ns == LT_NO_TIME)
        return LT_OK;
    for (size_t i = 0; i < reply.count; i++) {
        const struct lt_obd_item *item = &reply.item[i];
        if (item->service != SERVICE_NOW && item->service != SERVICE_UDS)
            continue;
        enum lt_code code = take_item(replies, frame->bus, &reply, item, error);
        if (code != LT_OK)
            return code;
    }
    return LT_OK;
}

/* --- what came --- */

static int compare_series(const void *a, const void *b)
{
    const struct series *x = *(const struct series *const *)a;
    const struct series *y = *(const struct series *const *)b;
    const struct lt_parameter_def *p = x->plan->parameter, *q = y->plan->parameter;
    if (p->service != q->service)
        return p->service < q->service ? -1 : 1;
    if (p->pid != q->pid)
        return p->pid < q->pid ? -1 : 1;
    if (x->extended != y->extended)
        return x->extended ? 1 : -1;
    if (x->reply_id != y->reply_id)
        return x->reply_id < y->reply_id ? -1 : 1;
    if (x->bus != y->bus)
        return x->bus < y->bus ? -1 : 1;
    return x->field->index < y->field->index ? -1 : x->field->index > y->field->index;
}

/* Lambda comes beside a voltage (24) or beside a current (34): the sheet gives the role to one. */
static const struct lt_role *role_of(const struct lt_signal_def *def,
                                     const struct lt_parameter_def *parameter)
{
    bool first = def->bits.parts == 1 && def->bits.part[0].msb == 7;
    if (def->role)
        return def->role->is_labels ? NULL : def->role;
    if (parameter->service == SERVICE_NOW && parameter->pid == 0x34 && first)
        return lt_role_find(LT_TEXT("lambda"));
    return NULL;
}

static const char *parameter_name(char *ret_text, size_t size, uint8_t service, uint32_t number)
{
    lt_text_format(ret_text, size, service == SERVICE_UDS ? "%02X %04X" : "%02X %02X", service,
                   number);
    return ret_text;
}

static bool fill(struct series *series, struct lt_arena *arena, struct lt_reference *reference)
{
    const struct lt_signal_def *def = series->field->scaler->def;
    const struct lt_parameter_def *parameter = series->plan->parameter;
    const struct lt_role *role = role_of(def, parameter);
    char number[24], name[48];
    /* Captures put together may go back in time. */
    if (series->unordered && !reference_put_in_order(series->time_ns, series->value, series->count))
        return false;
    series->unordered = false;
    lt_text_format(name, sizeof name, "obd %s %03X",
                   parameter_name(number, sizeof number, parameter->service, parameter->pid),
                   series->reply_id);
    int64_t *time_ns = lt_arena_array(arena, series->count, sizeof *time_ns);
    double *value = lt_arena_array(arena, series->count, sizeof *value);
    *reference = (struct lt_reference){
        .from = LT_FROM_DIAGNOSTICS,
        .name = lt_arena_string(arena, name),
        .target = def->role && role ? def->role_name
                  : role            ? role->name
                                    : def->name,
        .role = role,
        .unit = lt_arena_string(arena, lt_signal_unit(def)),
        .count = series->count,
        .time_ns = time_ns,
        .value = value,
        .quantum = reference_step(series->field->scaler),
        .lag_low_ns = LAG_LOW_NS,
        .lag_high_ns = LAG_HIGH_NS,
        .bus = series->bus,
    };
    if (!time_ns || !value || !reference->name || !reference->unit)
        return false;
    memcpy(time_ns, series->time_ns, series->count * sizeof *time_ns);
    memcpy(value, series->value, series->count * sizeof *value);
    return true;
}

/* --- what did not come --- */

static bool has_series(const struct lt_replies *replies, struct number number)
{
    for (size_t i = 0; i < replies->count; i++) {
        const struct lt_parameter_def *def = replies->series[i].plan->parameter;
        if (def->service == number.service && def->pid == number.number)
            return true;
    }
    return false;
}

static int compare_numbers(const void *a, const void *b)
{
    const struct number *x = a, *y = b;
    if (x->service != y->service)
        return x->service < y->service ? -1 : 1;
    return x->number < y->number ? -1 : x->number > y->number;
}

/* Parameters asked for, or answered, without a value. Masks are no values and left out. */
static size_t list_missing(struct lt_replies *replies, struct number *list, size_t room)
{
    size_t count = 0;
    for (size_t i = 0; i < replies->stranger_count && count < room; i++)
        list[count++] = replies->stranger[i];
    for (size_t bus = 0; bus < LT_BUSES_MAX; bus++) {
        const struct lt_obd_question *questions;
        size_t asked = replies->obd[bus] ? lt_obd_questions(replies->obd[bus], &questions) : 0;
        for (size_t i = 0; i < asked && count < room; i++)
            if (questions[i].service == SERVICE_NOW || questions[i].service == SERVICE_UDS)
                list[count++] = (struct number){questions[i].service, questions[i].number};
    }
    qsort(list, count, sizeof *list, compare_numbers);
    size_t kept = 0;
    for (size_t i = 0; i < count; i++) {
        bool mask = list[i].service == SERVICE_NOW && list[i].number % 0x20 == 0;
        bool again = kept && compare_numbers(&list[kept - 1], &list[i]) == 0;
        if (!mask && !again && list[i].number != LT_OBD_NO_NUMBER && !has_series(replies, list[i]))
            list[kept++] = list[i];
    }
    return kept;
}

static bool is_stranger(const struct lt_replies *replies, struct number number)
{
    for (size_t i = 0; i < replies->stranger_count; i++)
        if (compare_numbers(&replies->stranger[i], &number) == 0)
            return true;
    return false;
}

static enum lt_code name_missing(struct lt_replies *replies, struct lt_arena *arena,
                                 const char *const **ret_names, size_t *ret_count,
                                 struct lt_error *error)
{
    size_t room = STRANGERS_MAX + LT_OBD_QUESTIONS_MAX * LT_BUSES_MAX;
    struct number *list = malloc(room * sizeof *list);
    if (!list)
        return no_memory(error);
    size_t count = list_missing(replies, list, room);
    const char **names = lt_arena_array(arena, count + 1, sizeof *names);
    bool fine = names != NULL;
    if (fine && replies->full)
        names[count] = "values beyond the first 256";
    for (size_t i = 0; fine && i < count; i++) {
        char text[80], number[24];
        lt_text_format(
            text, sizeof text, "%s%s",
            parameter_name(number, sizeof number, list[i].service, list[i].number),
            is_stranger(replies, list[i]) ? " (answered, but no profile says how to read it)" : "");
        names[i] = lt_arena_string(arena, text);
        fine = names[i] != NULL;
    }
    free(list);
    if (!fine)
        return no_memory(error);
    *ret_names = names;
    *ret_count = count + replies->full;
    return LT_OK;
}

enum lt_code lt_replies_references(struct lt_replies *replies, struct lt_arena *arena,
                                   struct lt_reference **ret_list, size_t *ret_count,
                                   const char *const **ret_asked, size_t *ret_asked_count,
                                   struct lt_error *error)
{
    size_t count = replies->count;
    struct series **order = lt_arena_array(arena, count + 1, sizeof *order);
    struct lt_reference *list = lt_arena_array(arena, count + 1, sizeof *list);
    if (!order || !list)
        return no_memory(error);
    for (size_t i = 0; i < count; i++)
        order[i] = &replies->series[i];
    qsort(order, count, sizeof *order, compare_series);
    for (size_t i = 0; i < count; i++)
        if (!fill(order[i], arena, &list[i]))
            return no_memory(error);
    enum lt_code code = name_missing(replies, arena, ret_asked, ret_asked_count, error);
    if (code != LT_OK)
        return code;
    *ret_list = list;
    *ret_count = count;
    return LT_OK;
}
