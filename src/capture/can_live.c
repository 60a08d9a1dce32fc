/* "can:can0" or "can:can0,can1" in the place of a capture's path: the interfaces are listened to,
 * in one order, until it is over (struct lt_reader_options says when). To the reader this is a
 * binary form whose records come from sockets in place of blocks; its input stays empty.
 *
 * A bus that goes away is waited for, as can_bus.h says, and counted. */
#include "capture/can_live.h"

#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "loomtap/base/clock.h"
#include "loomtap/base/number.h"
#include "loomtap/capture/can_bus.h"

#include "capture/reader.h"

#define PREFIX    "can:"
#define LOOK_NS   INT64_C(50000000) /* how late the end is noticed at most */
#define TIME_ROOM 24                /* seconds with nine digits behind the point */

struct lt_can_live {
    struct lt_can_bus *bus;
    size_t count;
    struct {
        char name[LT_BUS_NAME_MAX + 1];
        bool heard;
        uint16_t number; /* of the reader's buses, once heard */
    } ports[LT_BUSES_MAX];
    char times[LT_BATCH][TIME_ROOM]; /* what the batch's time_text points at */
    int64_t until_ns;                /* CLOCK_MONOTONIC; LT_NO_TIME: without end */
    int64_t end_ns;                  /* CLOCK_REALTIME, when it was over; LT_NO_TIME: it goes on */
    bool ended;                      /* and nothing of before is left */
};

/* A file of that name is a file. */
bool lt_reader_is_live(const char *path)
{
    struct stat about;
    return strncmp(path, PREFIX, sizeof PREFIX - 1) == 0 && stat(path, &about) != 0;
}

void lt_can_live_free(struct lt_can_live *live)
{
    if (!live)
        return;
    lt_can_bus_free(live->bus);
    free(live);
}

/* Cuts `text` at its commas. False: too many. */
static bool split_names(char *text, const char **names, size_t *ret_count)
{
    size_t count = 0;
    for (char *next = text; next; count++) {
        char *comma = strchr(next, ',');
        if (count == LT_BUSES_MAX)
            return false;
        names[count] = next;
        if (comma)
            *comma++ = '\0';
        next = comma;
    }
    *ret_count = count;
    return true;
}

static enum lt_code open_buses(struct lt_can_live *live, char *text, struct lt_error *error)
{
    const char *names[LT_BUSES_MAX];
    if (!split_names(text, names, &live->count))
        return lt_fail(error, LT_E_LIMIT, "more buses than the %u of one run", LT_BUSES_MAX);
    enum lt_code code = lt_can_bus_open(&live->bus, names, live->count, NULL, error);
    if (code != LT_OK && code != LT_E_MEMORY && error)
        error->code = LT_E_DEVICE;
    if (code != LT_OK)
        return code == LT_E_MEMORY ? code : LT_E_DEVICE;
    for (size_t i = 0; i < live->count; i++)
        strncpy(live->ports[i].name, names[i], LT_BUS_NAME_MAX);
    return LT_OK;
}

enum lt_code lt_can_live_begin(struct lt_reader *reader, const char *name, struct lt_error *error)
{
    struct lt_can_live *live = calloc(1, sizeof *live);
    char *text = strdup(name + sizeof PREFIX - 1);
    reader->live = live; /* freed with the reader */
    enum lt_code code = live && text
                            ? open_buses(live, text, error)
                            : lt_fail(error, LT_E_MEMORY, "out of memory for listening to a bus");
    free(text);
    if (code == LT_OK) {
        int64_t for_ns = reader->options.live_for_ns;
        live->end_ns = LT_NO_TIME;
        live->until_ns = for_ns > 0 ? lt_clock_ns(CLOCK_MONOTONIC) + for_ns : LT_NO_TIME;
        reader->input.at_eof = true; /* it has no bytes */
    }
    return code;
}

static int64_t left_ns(const struct lt_can_live *live)
{
    return live->until_ns == LT_NO_TIME ? LOOK_NS : live->until_ns - lt_clock_ns(CLOCK_MONOTONIC);
}

static bool is_over(const struct lt_reader *reader)
{
    const volatile sig_atomic_t *stop = reader->options.live_stop;
    return (stop && *stop) || left_ns(reader->live) <= 0;
}

/* Buses are numbered as they are heard, as those of a file. */
static uint16_t number_of(struct lt_reader *reader, size_t at)
{
    struct lt_can_live *live = reader->live;
    if (!live->ports[at].heard)
        live->ports[at].heard = lt_buses_intern(&reader->buses, lt_text_of(live->ports[at].name),
                                                &live->ports[at].number);
    return live->ports[at].number; /* there is room for all: it is read alone */
}

static void keep_frame(struct lt_reader *reader, const struct lt_can_heard *heard)
{
    size_t at = reader->batch_count++;
    struct lt_frame *frame = &reader->batch[at];
    *frame = *heard->frame;
    frame->time_text = reader->live->times[at];
    frame->time_len = (uint8_t)lt_print_fixed(reader->live->times[at], heard->time_ns, 9);
    frame->bus = number_of(reader, heard->bus);
    lt_reader_count_frames(reader, frame, 1, frame->flags);
}

static void note_event(struct lt_reader *reader, enum lt_can_event event,
                       const struct lt_can_heard *heard)
{
    if (event == LT_CAN_BACK)
        reader->counts.away_ns += heard->gap_ns;
    else
        reader->counts.away_times++;
}

/* The kernel counts from the opening of each socket; can_bus.h keeps the sum. */
static void count_drops(struct lt_reader *reader)
{
    uint64_t drops = 0;
    lt_can_bus_count_drops(reader->live->bus);
    for (size_t i = 0; i < reader->live->count; i++)
        drops += lt_can_bus_state(reader->live->bus, i)->drops;
    reader->counts.dropped_frames = drops;
}

/* From the moment it is over no frame is waited for; those that came before it still are taken. */
static bool note_end(struct lt_reader *reader)
{
    struct lt_can_live *live = reader->live;
    if (live->end_ns == LT_NO_TIME && is_over(reader))
        live->end_ns = lt_clock_ns(CLOCK_REALTIME);
    return live->end_ns != LT_NO_TIME;
}

/* Frames until none waits, at least one; none: it is over. */
void lt_can_live_take(struct lt_reader *reader)
{
    struct lt_can_live *live = reader->live;
    while (reader->batch_count < LT_BATCH && !live->ended) {
        struct lt_can_heard heard;
        bool over = note_end(reader);
        int64_t wait_ns = left_ns(live) < LOOK_NS ? left_ns(live) : LOOK_NS;
        if (over || reader->batch_count || wait_ns < 0)
            wait_ns = 0;
        enum lt_can_event event = lt_can_bus_next(live->bus, wait_ns, &heard);
        if (event == LT_CAN_FRAME && over && heard.time_ns > live->end_ns)
            live->ended = true;
        else if (event == LT_CAN_FRAME)
            keep_frame(reader, &heard);
        else if (event != LT_CAN_TIMEOUT)
            note_event(reader, event, &heard);
        else if (over)
            live->ended = true;
        else if (reader->batch_count > 0)
            return;
    }
    if (live->ended)
        count_drops(reader);
}
