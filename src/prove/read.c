/* One capture into the figures: the buses bound by its head, every frame looked up and handed to
 * what watches it. A large file is parsed by several threads; the frames come here in the order of
 * the file all the same (loomtap/capture/pieces.h). */
#include <stdlib.h>
#include <string.h>

#include "loomtap/capture/pieces.h"
#include "loomtap/proto/j1939.h"
#include "prove/inside.h"

#define HEAD_FRAMES        4096
#define LATE_FRAMES        1024
#define SAID_MAX           (2 * LT_BUSES_MAX)
#define PLACE_BITS         11
#define PLACES             (1u << PLACE_BITS)
#define ROUTES             1024u
#define SERVICE_VEHICLE    0x09
#define CALIBRATION_ID     0x04
#define CALIBRATION_LENGTH 16
#define CALIBRATION_NUMBER 0x06
#define NUMBER_LENGTH      4

/* What becomes of an identifier. */
struct route {
    uint64_t key;
    const struct lt_frame_plan *plan;
    struct frame_watch *watch; /* of the plan */
    struct live_bus *live;
    const uint16_t *bits; /* at most on the wire, by length */
    bool is_diagnostic, is_transport;
};

struct pass {
    struct lt_prove *prove;
    struct lt_reader *reader;
    const struct lt_prove_reading *reading;
    struct lt_faults *notes;
    /* Frames that buses are bound by: the head, and the first of buses that speak later. */
    struct lt_frame *head;
    size_t head_count, late_count, bound_buses;
    /* Few identifiers are many routes apart: the places are small, the routes lie side by side. */
    uint16_t places[PLACES]; /* 0: none */
    struct route routes[ROUTES];
    uint16_t route_count;
    bool has_span;
    int64_t from_ns, to_ns, first_ns, last_ns, before_ns;
    enum lt_code code;
    struct lt_error error;
};

/* --- service 09 of SAE J1979: information type 04, calibration ids of 16 characters, and 06, their
 * verification numbers of four bytes --- */

static void keep_text(char (*list)[32], size_t *count, const char *text)
{
    for (size_t i = 0; i < *count; i++)
        if (strcmp(list[i], text) == 0)
            return;
    if (*text && *count < CALIBRATIONS)
        lt_text_format(list[(*count)++], sizeof *list, "%s", text);
}

static void keep_calibration(struct lt_prove *prove, const uint8_t *bytes)
{
    char text[CALIBRATION_LENGTH + 1] = "";
    for (size_t i = 0; i < CALIBRATION_LENGTH && bytes[i] > 0x20 && bytes[i] < 0x7F; i++)
        text[i] = (char)bytes[i];
    keep_text(prove->calibrations, &prove->calibration_count, text);
}

static void keep_number(struct lt_prove *prove, const uint8_t *bytes)
{
    char text[2 * NUMBER_LENGTH + 1];
    lt_text_format(text, sizeof text, "%02X%02X%02X%02X", bytes[0], bytes[1], bytes[2], bytes[3]);
    keep_text(prove->numbers, &prove->number_count, text);
}

static void take_identity(struct lt_prove *prove, const struct lt_obd_item *item)
{
    if (item->number == CALIBRATION_ID)
        for (uint32_t at = 0; at + CALIBRATION_LENGTH <= item->length; at += CALIBRATION_LENGTH)
            keep_calibration(prove, item->data + at);
    if (item->number == CALIBRATION_NUMBER)
        for (uint32_t at = 0; at + NUMBER_LENGTH <= item->length; at += NUMBER_LENGTH)
            keep_number(prove, item->data + at);
}

static void take_diagnostic(struct lt_prove *prove, const struct lt_frame *frame)
{
    struct lt_obd_reply reply;
    if (!prove->wants_calibrations)
        return;
    struct lt_obd **obd = &prove->obd[frame->bus];
    if (!*obd && lt_obd_new(obd, NULL, NULL, NULL) != LT_OK) {
        prove->failed_memory = true;
        return;
    }
    if (!lt_obd_feed(*obd, frame, &reply) || reply.negative)
        return;
    for (size_t i = 0; i < reply.count; i++)
        if (reply.item[i].service == SERVICE_VEHICLE)
            take_identity(prove, &reply.item[i]);
}

/* --- frames --- */

static bool is_diagnostic(const struct lt_frame *frame)
{
    uint32_t partner;
    return lt_obd_classify(frame, &partner) != LT_OBD_NOT;
}

/* Time on its bus, with the sleep of the bus left out. A tester's questions do not make it alive.
 */
static void take_pause(struct live_bus *live, int64_t time_ns)
{
    if (time_ns == LT_NO_TIME)
        return;
    if (!live->begun) {
        live->begun = true;
        live->first_ns = live->last_ns = time_ns;
    }
    int64_t gap_ns = gap_between(live->last_ns, time_ns);
    if (gap_ns > BUS_QUIET_NS)
        live->quiet_ns += gap_ns;
    live->last_ns = time_ns;
}

static inline void take_bus(struct live_bus *live, unsigned bits_max, int64_t time_ns)
{
    live->frames++;
    live->bits_max += bits_max;
    if (!live->begun || (uint64_t)time_ns - (uint64_t)live->last_ns > BUS_QUIET_NS)
        take_pause(live, time_ns);
    else
        live->last_ns = time_ns;
}

void live_bus_take(struct live_bus *live, const struct lt_frame *frame)
{
    take_bus(live, lt_frame_bits_max(frame->len, lt_frame_has(frame, LT_FRAME_EXTENDED)),
             frame->time_ns);
}

int64_t live_bus_alive_ns(const struct live_bus *live)
{
    return gap_between(live->first_ns, live->last_ns) - live->quiet_ns;
}

static struct frame_watch *watch_of(struct lt_prove *prove, const struct lt_frame_plan *plan)
{
    return &prove->frames[plan->def - prove->profile->frames];
}

void prove_take(struct lt_prove *prove, const struct lt_frame_plan *plan,
                const struct lt_frame *frame)
{
    for (; plan; plan = plan->next)
        frame_watch_take(prove, watch_of(prove, plan), plan, frame);
}

/* Remembered by identifier and bus: two that fall on one place take turns. */
static const struct route *route_of(struct pass *pass, const struct lt_frame *frame)
{
    struct lt_prove *prove = pass->prove;
    uint64_t extended = lt_frame_has(frame, LT_FRAME_EXTENDED);
    uint64_t key = frame->id | extended << 31 | (uint64_t)(frame->bus + 1u) << 32;
    uint16_t *place = &pass->places[key * UINT64_C(0x9E3779B97F4A7C15) >> (64 - PLACE_BITS)];
    struct route *route = &pass->routes[*place];
    if (route->key != key) {
        if (!*place) /* 0 is nobody's; when all are in use they are used again from the first */
            *place = pass->route_count = (uint16_t)(pass->route_count % (ROUTES - 1) + 1);
        route = &pass->routes[*place];
        const struct lt_frame_plan *plan = lt_plan_lookup(prove->plan, frame);
        *route = (struct route){.key = key,
                                .plan = plan,
                                .watch = plan ? watch_of(prove, plan) : NULL,
                                .live = &prove->live[frame->bus],
                                .bits = prove->frame_bits[extended],
                                .is_diagnostic = is_diagnostic(frame),
                                .is_transport = prove->has_transport && is_transport(frame)};
    }
    return route;
}

static void give_tap(struct pass *pass, const struct lt_frame *frame)
{
    pass->code = pass->reading->tap(pass->reading->context, frame, &pass->error);
}

static inline void take_data_frame(struct pass *pass, const struct lt_frame *frame)
{
    struct lt_prove *prove = pass->prove;
    const struct route *route = route_of(pass, frame);
    const struct lt_frame_plan *plan = route->plan;
    if (route->is_diagnostic) {
        take_diagnostic(prove, frame);
        if (pass->reading->tap && pass->reading->tap_diagnostics)
            give_tap(pass, frame);
    } else {
        take_bus(route->live, route->bits[frame->len], frame->time_ns);
    }
    bool whole = route->is_transport && transport_take(prove, frame);
    prove->claimed_frames += plan || whole;
    if (!plan)
        return;
    frame_watch_take(prove, route->watch, plan, frame);
    if (plan->next)
        prove_take(prove, plan->next, frame);
}

/* The next frame follows no other: a clock was set, or another capture begins. */
void prove_break(struct lt_prove *prove)
{
    for (size_t i = 0; i < prove->profile->frame_count; i++) {
        struct frame_watch *watch = &prove->frames[i];
        lt_timing_counts_break(&watch->timing);
        frame_run_end(prove, watch);
        watch->last_ns = LT_NO_TIME;
        watch->has_counter = watch->has_last = false;
        for (size_t k = 0; k < watch->neighbour_count; k++)
            watch->neighbour[k].known = false;
    }
    for (size_t i = 0; i < prove->profile->signal_count; i++)
        signal_watch_break(&prove->signals[i]);
}

static void give_bus(struct bus_watch *bus, const struct live_bus *live)
{
    bus->bound = true;
    bus->frames += live->frames;
    bus->bits_max += live->bits_max;
    bus->alive_ns += live_bus_alive_ns(live);
}

/* What the buses of the capture did goes to the profile's; two of them may be one in the capture.
 */
static void give_buses(struct lt_prove *prove)
{
    struct bus_watch *any = &prove->buses[prove->profile->bus_count];
    for (uint32_t i = 0; i < LT_BUSES_MAX; i++) {
        if (!prove->live[i].frames)
            continue;
        give_bus(any, &prove->live[i]);
        for (size_t b = 0; b < prove->profile->bus_count; b++)
            if (prove->buses[b].capture_bus == i)
                give_bus(&prove->buses[b], &prove->live[i]);
    }
    memset(prove->live, 0, sizeof prove->live);
}

static void add_duration(struct pass *pass)
{
    if (pass->first_ns != LT_NO_TIME)
        pass->prove->duration_ns += gap_between(pass->first_ns, pass->last_ns);
}

/* A step back by more than frames of several buses may be out of order. */
bool is_clock_step(int64_t before_ns, int64_t time_ns)
{
    return before_ns != LT_NO_TIME && time_ns != LT_NO_TIME && time_ns < before_ns &&
           gap_between(time_ns, before_ns) > NS_PER_S;
}

static void set_span(struct pass *pass, int64_t time_ns)
{
    pass->from_ns = lt_time_bound_ns(&pass->reading->from, time_ns, INT64_MIN);
    pass->to_ns = lt_time_bound_ns(&pass->reading->to, time_ns, INT64_MAX);
    pass->has_span = true;
}

/* False: outside the span. */
static bool take_any_time(struct pass *pass, int64_t time_ns)
{
    if (time_ns == LT_NO_TIME)
        return true;
    if (!pass->has_span)
        set_span(pass, time_ns);
    if (is_clock_step(pass->before_ns, time_ns)) {
        prove_break(pass->prove);
        give_buses(pass->prove);
        add_duration(pass);
        pass->first_ns = pass->last_ns = LT_NO_TIME;
    }
    pass->before_ns = time_ns;
    if (time_ns < pass->from_ns || time_ns > pass->to_ns)
        return false;
    if (pass->first_ns == LT_NO_TIME)
        pass->first_ns = pass->last_ns = time_ns;
    if (time_ns > pass->last_ns)
        pass->last_ns = time_ns;
    return true;
}

/* Forward within the span is the usual thing. */
static inline bool take_time(struct pass *pass, int64_t time_ns)
{
    if (pass->last_ns == LT_NO_TIME || time_ns < pass->last_ns || time_ns > pass->to_ns)
        return take_any_time(pass, time_ns);
    pass->before_ns = pass->last_ns = time_ns;
    return true;
}

/* --- head and buses --- */

static const char *bus_name(const void *context, size_t bus)
{
    const struct pass *pass = context;
    return lt_reader_bus_name(pass->reader, bus);
}

static const struct lt_frame *head_frame(const void *context, size_t index)
{
    const struct pass *pass = context;
    return &pass->head[index];
}

static void read_head(struct pass *pass)
{
    const struct lt_frame *frame;
    while (pass->head_count < HEAD_FRAMES && (frame = lt_reader_next(pass->reader)) != NULL) {
        pass->head[pass->head_count] = *frame;
        pass->head[pass->head_count].time_text = NULL;
        pass->head[pass->head_count++].time_len = 0;
    }
}

static bool is_wanted(void *context, const struct lt_profile *profile, uint32_t signal)
{
    (void)context;
    return profile->signals[signal].frame != LT_NONE;
}

static enum lt_code bind_fields(struct lt_prove *prove, struct lt_error *error)
{
    const struct lt_frame_plan *const *list;
    size_t count = lt_plan_frames(prove->plan, &list);
    for (size_t i = 0; i < count; i++)
        if (!frame_fields_bind(prove, list[i]))
            return lt_fail(error, LT_E_MEMORY, "out of memory");
    return LT_OK;
}

enum lt_code prove_plan(struct lt_prove *prove, const struct lt_binding *bindings, size_t count,
                        struct lt_error *error)
{
    const struct lt_plan_options options = {.wants = is_wanted};
    lt_plan_free(prove->plan);
    prove->plan = NULL;
    for (size_t i = 0; i < prove->profile->bus_count; i++)
        prove->buses[i].capture_bus = LT_NONE;
    for (size_t i = 0; i < count; i++)
        prove->buses[bindings[i].bus].capture_bus = bindings[i].capture_bus;
    enum lt_code code =
        lt_plan_new(&prove->plan, &prove->profile, 1, bindings, count, &options, error);
    return code == LT_OK ? bind_fields(prove, error) : code;
}

static enum lt_code bind(struct pass *pass, const struct lt_bus_said *said, size_t said_count,
                         struct lt_error *error)
{
    struct lt_prove *prove = pass->prove;
    const struct lt_profile *profile = prove->profile;
    struct lt_binding *bindings;
    size_t count;
    struct lt_arena arena;
    const struct lt_bind with = {.profiles = &profile,
                                 .profile_count = 1,
                                 .said = said,
                                 .said_count = said_count,
                                 .bus_name = bus_name,
                                 .bus_count = lt_reader_bus_count(pass->reader),
                                 .frame = head_frame,
                                 .frame_count = pass->head_count + pass->late_count,
                                 .context = pass,
                                 .notes = pass->notes};
    pass->bound_buses = lt_reader_bus_count(pass->reader);
    memset(pass->routes, 0, sizeof pass->routes);
    memset(pass->places, 0, sizeof pass->places);
    pass->route_count = 0;
    lt_arena_init(&arena, 0);
    enum lt_code code = lt_bind_buses(&with, &arena, &bindings, &count, error);
    if (code == LT_OK)
        code = prove_plan(prove, bindings, count, error);
    lt_arena_release(&arena);
    return code;
}

/* --- buses that first speak when the head is read --- */

/* Is the bus bound to one on which a frame of its own came? */
static uint32_t settled_on(const struct pass *pass, uint32_t bus)
{
    const struct lt_prove *prove = pass->prove;
    for (size_t i = 0; i < prove->profile->frame_count; i++)
        if (prove->profile->frames[i].bus == bus && prove->frames[i].has_bus)
            return prove->frames[i].bus;
    return LT_NONE;
}

/* What the user said, and what has turned out right so far, stays. */
static size_t what_stays(const struct pass *pass, struct lt_bus_said *list)
{
    const struct lt_profile *profile = pass->prove->profile;
    size_t count = 0;
    for (size_t i = 0; i < pass->reading->said_count && count < SAID_MAX; i++)
        list[count++] = pass->reading->said[i];
    for (uint32_t b = 0; b < profile->bus_count && count < SAID_MAX; b++) {
        uint32_t on = settled_on(pass, b);
        if (on != LT_NONE)
            list[count++] = (struct lt_bus_said){lt_text_of(profile->buses[b].name),
                                                 lt_text_of(lt_reader_bus_name(pass->reader, on))};
    }
    return count;
}

static bool all_settled(const struct pass *pass)
{
    for (uint32_t b = 0; b < pass->prove->profile->bus_count; b++)
        if (settled_on(pass, b) == LT_NONE)
            return false;
    return true;
}

/* The buses are bound anew, with what the late ones said; then their frames are taken. */
static void bind_late(struct pass *pass)
{
    struct lt_bus_said said[SAID_MAX];
    size_t count = what_stays(pass, said), late = pass->late_count;
    pass->code = bind(pass, said, count, &pass->error);
    pass->late_count = 0;
    for (size_t i = 0; i < late && pass->code == LT_OK; i++)
        take_data_frame(pass, &pass->head[pass->head_count + i]);
}

static void take_late(struct pass *pass, const struct lt_frame *frame)
{
    if (!pass->late_count && all_settled(pass)) {
        pass->bound_buses = lt_reader_bus_count(pass->reader);
        take_data_frame(pass, frame);
        return;
    }
    struct lt_frame *kept = &pass->head[pass->head_count + pass->late_count++];
    *kept = *frame;
    kept->time_text = NULL;
    kept->time_len = 0;
    if (pass->late_count == LATE_FRAMES)
        bind_late(pass);
}

static inline void take_frame(struct pass *pass, const struct lt_frame *frame)
{
    if (!take_time(pass, frame->time_ns))
        return;
    pass->prove->frame_count++;
    if (pass->reading->tap && !pass->reading->tap_diagnostics)
        give_tap(pass, frame);
    if (frame->flags & (LT_FRAME_ERROR | LT_FRAME_REMOTE))
        return;
    if (frame->bus < pass->bound_buses)
        take_data_frame(pass, frame);
    else
        take_late(pass, frame);
}

static bool take_batch(void *context, const struct lt_batch *batch)
{
    struct pass *pass = context;
    for (size_t i = 0; i < batch->count && pass->code == LT_OK; i++)
        take_frame(pass, &batch->frames[i]);
    if (pass->prove->failed_memory && pass->code == LT_OK)
        pass->code = lt_fail(&pass->error, LT_E_MEMORY, "out of memory");
    return pass->code == LT_OK;
}

static void read_all(struct pass *pass)
{
    struct lt_batch batch;
    for (size_t i = 0; i < pass->head_count && pass->code == LT_OK; i++)
        take_frame(pass, &pass->head[i]);
    while (pass->code == LT_OK && lt_reader_next_batch(pass->reader, &batch)) {
        take_batch(pass, &batch);
        lt_pieces_each(pass->reader, pass->reading->threads, take_batch, pass);
    }
    if (pass->late_count && pass->code == LT_OK)
        bind_late(pass);
}

/* Buses are numbered anew in each capture, and no conversation goes on from one into another. */
static void begin_capture(struct lt_prove *prove)
{
    for (size_t i = 0; i < prove->profile->frame_count; i++)
        prove->frames[i].has_bus = false;
    for (size_t i = 0; i < LT_BUSES_MAX; i++) {
        lt_obd_free(prove->obd[i]);
        prove->obd[i] = NULL;
        lt_j1939_free(prove->j1939[i]);
        prove->j1939[i] = NULL;
    }
}

static enum lt_code finish_capture(struct pass *pass, struct lt_error *error)
{
    struct lt_prove *prove = pass->prove;
    read_all(pass);
    prove_break(prove);
    give_buses(prove);
    prove->captures++;
    add_duration(pass);
    if (pass->code == LT_OK)
        return lt_reader_end(pass->reader, error);
    if (error)
        *error = pass->error;
    return pass->code;
}

enum lt_code lt_prove_read(struct lt_prove *prove, struct lt_reader *reader,
                           const struct lt_prove_reading *reading, struct lt_faults *notes,
                           struct lt_error *error)
{
    struct pass *pass = calloc(1, sizeof *pass);
    struct lt_frame *head = malloc((HEAD_FRAMES + LATE_FRAMES) * sizeof *head);
    if (!pass || !head) {
        free(pass);
        free(head);
        return lt_fail(error, LT_E_MEMORY, "out of memory");
    }
    pass->prove = prove;
    pass->reader = reader;
    pass->reading = reading;
    pass->notes = notes;
    pass->head = head;
    pass->first_ns = pass->last_ns = pass->before_ns = LT_NO_TIME;
    begin_capture(prove);
    read_head(pass);
    enum lt_code code = bind(pass, reading->said, reading->said_count, error);
    if (code == LT_OK)
        code = finish_capture(pass, error);
    free(head);
    free(pass);
    return code;
}
