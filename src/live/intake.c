/* A ring between the thread that reads the interfaces and the one that uses the frames. Events are
 * put in it like frames, so that they stay in their place. */
#include "loomtap/live/intake.h"

#include <errno.h>
#include <pthread.h>
#include <stdlib.h>

#include "loomtap/base/clock.h"

#define LOOK_NS INT64_C(50000000) /* the thread's wait: how soon it ends, and drops are counted */

struct item {
    enum lt_can_event event;
    struct lt_can_heard heard;
    struct lt_frame frame;
};

struct lt_intake {
    struct lt_can_bus *bus;
    size_t bus_count;
    struct lt_can_bus_state states[LT_BUSES_MAX];
    uint64_t overflown[LT_BUSES_MAX]; /* the ring was full */
    struct lt_stamps *stamps;         /* a bus each */
    struct item *ring;
    size_t room, first, count;
    struct item taken; /* what the caller has in hand */
    bool ends;
    pthread_t thread;
    pthread_mutex_t mutex;
    pthread_cond_t filled;
};

static void copy_states(struct lt_intake *intake)
{
    for (size_t i = 0; i < intake->bus_count; i++) {
        intake->states[i] = *lt_can_bus_state(intake->bus, i);
        intake->states[i].drops += intake->overflown[i];
    }
}

/* An event is kept even when the ring is full: there are few, and one place is left for them. */
static void put(struct lt_intake *intake, enum lt_can_event event, const struct lt_can_heard *heard)
{
    size_t room = event == LT_CAN_FRAME ? intake->room - 1 : intake->room;
    if (intake->count >= room) {
        intake->overflown[heard->bus] += event == LT_CAN_FRAME;
        return;
    }
    struct item *item = &intake->ring[(intake->first + intake->count) % intake->room];
    item->event = event;
    item->heard = *heard;
    if (heard->frame)
        item->frame = *heard->frame;
    intake->count++;
}

static void *read_bus(void *context)
{
    struct lt_intake *intake = context;
    bool ends = false;
    while (!ends) {
        struct lt_can_heard heard;
        enum lt_can_event event = lt_can_bus_next(intake->bus, LOOK_NS, &heard);
        if (event == LT_CAN_TIMEOUT)
            lt_can_bus_count_drops(intake->bus);
        pthread_mutex_lock(&intake->mutex);
        if (event == LT_CAN_FRAME)
            lt_stamps_add(&intake->stamps[heard.bus], heard.time_ns, heard.hardware_ns);
        if (event != LT_CAN_TIMEOUT) {
            put(intake, event, &heard);
            pthread_cond_signal(&intake->filled);
        }
        copy_states(intake);
        ends = intake->ends;
        pthread_mutex_unlock(&intake->mutex);
    }
    return NULL;
}

static bool make_condition(struct lt_intake *intake)
{
    pthread_condattr_t attributes;
    if (pthread_condattr_init(&attributes) != 0)
        return false;
    bool good = pthread_condattr_setclock(&attributes, CLOCK_MONOTONIC) == 0 &&
                pthread_cond_init(&intake->filled, &attributes) == 0;
    pthread_condattr_destroy(&attributes);
    return good;
}

static void free_memory(struct lt_intake *intake)
{
    if (!intake)
        return;
    free(intake->stamps);
    free(intake->ring);
    free(intake);
}

enum lt_code lt_intake_start(struct lt_intake **ret_intake, struct lt_can_bus *bus, size_t count,
                             size_t room, struct lt_error *error)
{
    struct lt_intake *intake = calloc(1, sizeof *intake);
    if (intake) {
        intake->room = room ? room : LT_INTAKE_ROOM;
        intake->ring = calloc(intake->room, sizeof *intake->ring);
        intake->stamps = calloc(count, sizeof *intake->stamps);
    }
    if (!intake || !intake->ring || !intake->stamps) {
        free_memory(intake);
        lt_can_bus_free(bus);
        return lt_fail(error, LT_E_MEMORY, "out of memory for frames that wait");
    }
    intake->bus = bus;
    intake->bus_count = count;
    copy_states(intake);
    if (pthread_mutex_init(&intake->mutex, NULL) == 0 && make_condition(intake) &&
        pthread_create(&intake->thread, NULL, read_bus, intake) == 0) {
        *ret_intake = intake;
        return LT_OK;
    }
    free_memory(intake);
    lt_can_bus_free(bus);
    return lt_fail(error, LT_E_LIMIT, "no thread for listening to the bus");
}

void lt_intake_free(struct lt_intake *intake)
{
    if (!intake)
        return;
    pthread_mutex_lock(&intake->mutex);
    intake->ends = true;
    pthread_mutex_unlock(&intake->mutex);
    pthread_join(intake->thread, NULL);
    pthread_cond_destroy(&intake->filled);
    pthread_mutex_destroy(&intake->mutex);
    lt_can_bus_free(intake->bus);
    free_memory(intake);
}

enum lt_can_event lt_intake_take(struct lt_intake *intake, int64_t wait_ns,
                                 struct lt_can_heard *ret_heard)
{
    struct timespec until = lt_timespec_of(lt_clock_ns(CLOCK_MONOTONIC) + wait_ns);
    bool some = true;
    pthread_mutex_lock(&intake->mutex);
    while (some && intake->count == 0)
        some = pthread_cond_timedwait(&intake->filled, &intake->mutex, &until) != ETIMEDOUT;
    some = intake->count > 0;
    if (some) {
        intake->taken = intake->ring[intake->first];
        intake->first = (intake->first + 1) % intake->room;
        intake->count--;
    }
    pthread_mutex_unlock(&intake->mutex);
    if (!some)
        return LT_CAN_TIMEOUT;
    *ret_heard = intake->taken.heard;
    if (ret_heard->frame)
        ret_heard->frame = &intake->taken.frame;
    return intake->taken.event;
}

struct lt_can_bus_state lt_intake_state(struct lt_intake *intake, size_t number)
{
    struct lt_can_bus_state state = {0};
    pthread_mutex_lock(&intake->mutex);
    if (number < intake->bus_count)
        state = intake->states[number];
    pthread_mutex_unlock(&intake->mutex);
    return state;
}

struct lt_stamps_report lt_intake_clock(struct lt_intake *intake, size_t number)
{
    struct lt_stamps_report report = {0};
    pthread_mutex_lock(&intake->mutex);
    if (number < intake->bus_count)
        report = lt_stamps_report(&intake->stamps[number]);
    pthread_mutex_unlock(&intake->mutex);
    return report;
}
