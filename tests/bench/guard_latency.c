/* What `loomtap guard` costs on a full bus, and how soon after the frame that makes a condition
 * true its own frame is on the bus: plays the bus, and listens.
 *
 *     guard_latency BUS PID RATE SAMPLES
 *
 * Sends RATE frames a second, as a full 500 kbit/s bus carries (4000 of 8 bytes), among them the
 * input of tests/kernel/guard_kit.ini: over the threshold that needs no time for 10 ms of every 50.
 * Times are the kernel's stamps of both frames. PID is the guard; its processor time is read from
 * /proc. Prints one line: processor share in percent, median, 99th percentile and longest time in
 * microseconds, samples with an answer, frames a second as they came out. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "loomtap/base/clock.h"
#include "loomtap/base/number.h"
#include "loomtap/capture/can_bus.h"
#include "loomtap/capture/can_send.h"

#define CYCLE_NS    INT64_C(50000000)
#define HIGH_NS     INT64_C(10000000)
#define INPUT_ID    0x100
#define OUTPUT_ID   0x6A0
#define SAMPLES_MAX 10000

struct bench {
    struct lt_can_bus *bus;
    struct lt_can_sender *sender;
    int64_t high_ns; /* stamp of the frame that made it true; LT_NO_TIME: answered */
    int64_t took_ns[SAMPLES_MAX];
    size_t count, asked;
    bool was_high;
};

static void send_frame(struct bench *b, uint32_t id, uint8_t first)
{
    struct lt_frame frame = {
        .id = id, .len = 8, .raw_dlc = 8, .data = {first, 1, 2, 3, 4, 5, 6, 7}};
    lt_can_sender_send(b->sender, &frame, LT_SECOND_NS, NULL);
}

static void take(struct bench *b, const struct lt_frame *frame)
{
    if (frame->id == INPUT_ID) {
        bool is_high = frame->data[0] > 10;
        if (is_high && !b->was_high) {
            b->high_ns = frame->time_ns;
            b->asked++;
        }
        b->was_high = is_high;
    } else if (frame->id == OUTPUT_ID && b->high_ns != LT_NO_TIME) {
        if (b->count < SAMPLES_MAX)
            b->took_ns[b->count++] = frame->time_ns - b->high_ns;
        b->high_ns = LT_NO_TIME;
    }
}

static void listen_to(struct bench *b)
{
    struct lt_can_heard heard;
    while (lt_can_bus_next(b->bus, 0, &heard) == LT_CAN_FRAME)
        take(b, heard.frame);
}

static void sleep_until(int64_t time_ns)
{
    struct timespec time = lt_timespec_of(time_ns);
    clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &time, NULL);
}

/* Seconds of user and system time, from fields 14 and 15 of proc(5) stat. */
static double processor_seconds(const char *pid)
{
    char path[64], text[1024];
    uint64_t user = 0, system = 0;
    snprintf(path, sizeof path, "/proc/%s/stat", pid);
    FILE *file = fopen(path, "r");
    size_t len = file ? fread(text, 1, sizeof text - 1, file) : 0;
    if (file)
        fclose(file);
    text[len] = '\0';
    char *end = strrchr(text, ')');
    struct lt_text rest = lt_text_of(end ? end + 1 : ""), word;
    for (int field = 3; lt_text_word(&rest, &word); field++) {
        if (field == 14)
            lt_parse_u64(word, &user);
        else if (field == 15)
            lt_parse_u64(word, &system);
    }
    return (double)(user + system) / (double)sysconf(_SC_CLK_TCK);
}

static int by_size(const void *a, const void *b)
{
    int64_t one = *(const int64_t *)a, other = *(const int64_t *)b;
    return (one > other) - (one < other);
}

static bool open_bus(struct bench *b, const char *name)
{
    const struct lt_can_filter filters[] = {{INPUT_ID, LT_ID_MAX_STANDARD, false},
                                            {OUTPUT_ID, LT_ID_MAX_STANDARD, false}};
    const struct lt_can_bus_options options = {.filters = filters, .filter_count = 2};
    return lt_can_bus_open(&b->bus, &name, 1, &options, NULL) == LT_OK &&
           lt_can_sender_open(&b->sender, name, NULL) == LT_OK;
}

/* One frame each 1/RATE of a second; every twentieth millisecond's and each change is the input. */
static uint64_t play(struct bench *b, uint64_t rate, uint64_t samples)
{
    int64_t step_ns = LT_SECOND_NS / (int64_t)rate, began_ns = lt_clock_ns(CLOCK_MONOTONIC);
    uint64_t steps = samples * (uint64_t)(CYCLE_NS / step_ns);
    bool was_high = false;
    for (uint64_t i = 0; i < steps; i++) {
        int64_t at_ns = (int64_t)i * step_ns;
        bool high = at_ns % CYCLE_NS < HIGH_NS;
        if (high != was_high || at_ns % (2 * HIGH_NS) < step_ns)
            send_frame(b, INPUT_ID, high ? 48 : 0);
        else
            send_frame(b, 0x300 + (uint32_t)(i % 64), (uint8_t)i);
        was_high = high;
        listen_to(b);
        sleep_until(began_ns + at_ns + step_ns);
    }
    return steps;
}

int main(int argc, char **argv)
{
    static struct bench b = {.high_ns = LT_NO_TIME};
    uint64_t rate, samples;
    if (argc != 5 || !lt_parse_u64(lt_text_of(argv[3]), &rate) || rate == 0 || rate > 100000 ||
        !lt_parse_u64(lt_text_of(argv[4]), &samples) || samples > SAMPLES_MAX)
        return 2;
    if (!open_bus(&b, argv[1]))
        return 4;
    double before = processor_seconds(argv[2]);
    int64_t began_ns = lt_clock_ns(CLOCK_MONOTONIC);
    uint64_t frames = play(&b, rate, samples);
    double took_s = (double)(lt_clock_ns(CLOCK_MONOTONIC) - began_ns) / 1e9;
    double used_s = processor_seconds(argv[2]) - before;
    qsort(b.took_ns, b.count, sizeof *b.took_ns, by_size);
    if (b.count == 0)
        return 1;
    printf("%.1f %.0f %.0f %.0f %zu/%zu %.0f\n", 100.0 * used_s / took_s,
           (double)b.took_ns[b.count / 2] / 1e3, (double)b.took_ns[b.count * 99 / 100] / 1e3,
           (double)b.took_ns[b.count - 1] / 1e3, b.count, b.asked, (double)frames / took_s);
    lt_can_sender_free(b.sender);
    lt_can_bus_free(b.bus);
    return 0;
}
