/* Makes a large candump log with a fixed seed: 60 identifiers with periods of 10 to 1000 ms (about
 * 2000 frames a second in all), some extended, some shorter than 8 bytes, smooth 16-bit values,
 * counters, and diagnostic replies on 7E8.
 *
 *     make_log log BYTES [VARIANT]   the log; VARIANT as in the table below
 *     make_log profile 4|300         the profile that goes with it: 4 signals of 4 identifiers, or
 *                                    5 signals of each of the 60 */
#include <inttypes.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define IDS      60
#define START_US 1700000000000000

struct variant {
    const char *name;
    unsigned buses;
    bool lengths; /* a third of the identifiers with 1 to 8 bytes */
    bool fd, remote, lower, crlf, nanoseconds;
    bool polled; /* answers to ten parameters in turn, which follow ten of the identifiers */
};
static const struct variant variants[] = {
    {"one", .buses = 1},
    {"two", .buses = 2},
    {"mixed", .buses = 2, .lengths = true},
    {"fd", .buses = 1, .fd = true},
    {"remote", .buses = 1, .remote = true}, /* every fourth frame */
    {"lower", .buses = 1, .lower = true},
    {"crlf", .buses = 1, .crlf = true},
    {"nanoseconds", .buses = 1, .nanoseconds = true},
    {"polled", .buses = 1, .polled = true},
};

struct source {
    uint32_t id;
    unsigned len, bus;
    bool extended, diagnostic;
    int64_t next_us, period_us;
    uint32_t counter;
    int32_t value, slope;
};

static uint64_t state = 0x9E3779B97F4A7C15u;

static uint32_t next_random(void)
{
    state ^= state << 13;
    state ^= state >> 7;
    state ^= state << 17;
    return (uint32_t)(state >> 32);
}

static void make_sources(struct source *sources, const struct variant *variant)
{
    static const int64_t periods_ms[] = {10, 10, 20, 20, 20, 50, 50, 100, 100, 200, 500, 1000};
    static const unsigned fd_lens[] = {8, 12, 16, 24, 32, 64};
    for (unsigned i = 0; i < IDS; i++) {
        struct source *s = &sources[i];
        s->extended = i % 18 == 17;
        s->id = s->extended ? 0x18FE0000u + i * 256 : 0x0C0 + i * 11;
        s->period_us = periods_ms[i % 12] * 1000;
        s->len = i % 8 == 7 ? 2 + i % 6 : 8;
        if (variant->lengths && i % 3 == 0)
            s->len = 1 + i % 8;
        if (variant->fd)
            s->len = fd_lens[i % 6];
        s->bus = i % variant->buses;
        s->next_us = next_random() % s->period_us;
        s->value = (int32_t)(next_random() % 60000);
    }
    sources[IDS] = (struct source){
        .id = 0x7E8, .len = 8, .diagnostic = true, .next_us = 7000, .period_us = 50000};
}

static struct source *due(struct source *sources)
{
    struct source *first = sources;
    for (unsigned i = 1; i <= IDS; i++)
        if (sources[i].next_us < first->next_us)
            first = &sources[i];
    return first;
}

static void fill(struct source *s, uint8_t *data)
{
    s->slope += (int32_t)(next_random() % 41) - 20;
    s->slope -= s->slope / 16;
    s->value += s->slope;
    if (s->value < 0 || s->value > 65535)
        s->value = s->value < 0 ? 0 : 65535;
    memset(data, 0, 64);
    if (s->diagnostic) { /* the answer to a question for the engine speed */
        memcpy(data, "\x04\x41\x0C", 3);
        data[3] = (uint8_t)(s->value >> 8);
        data[4] = (uint8_t)s->value;
        return;
    }
    data[0] = (uint8_t)(s->value >> 8);
    data[1] = (uint8_t)s->value;
    data[2] = (uint8_t)(s->value >> 4);
    data[3] = (uint8_t)(s->id);
    data[5] = (uint8_t)(next_random() & 3);
    data[6] = (uint8_t)(s->counter++ & 15);
    for (unsigned i = 0; i < 7; i++)
        data[7] ^= data[i];
    for (unsigned i = 8; i < s->len; i++)
        data[i] = (uint8_t)(data[i - 8] + i);
}

/* The ten answers: the value of an identifier of 8 bytes in as many bits as the parameter has. */
static void answer(struct source *sources, uint8_t *data)
{
    static const struct {
        uint8_t pid, bytes, shift, base;
    } parameters[] = {{0x0C, 2, 1, 0},  {0x0D, 1, 8, 0}, {0x04, 1, 8, 0}, {0x11, 1, 8, 0},
                      {0x49, 1, 8, 0},  {0x0B, 1, 8, 0}, {0x10, 2, 0, 0}, {0x43, 2, 6, 0},
                      {0x44, 2, 1, 96}, {0x05, 1, 9, 0}};
    unsigned turn = sources[IDS].counter++ % 10;
    unsigned value =
        ((unsigned)sources[turn < 7 ? turn : turn + 1].value >> parameters[turn].shift);
    value += 256u * parameters[turn].base;
    memset(data, 0, 64);
    data[0] = (uint8_t)(2 + parameters[turn].bytes);
    data[1] = 0x41;
    data[2] = parameters[turn].pid;
    if (parameters[turn].bytes == 2)
        data[3] = (uint8_t)(value >> 8);
    data[2 + parameters[turn].bytes] = (uint8_t)value;
}

static size_t print_data(char *line, const uint8_t *data, unsigned len, const char *hex)
{
    size_t at = 0;
    for (unsigned i = 0; i < len; i++) {
        line[at++] = hex[data[i] >> 4];
        line[at++] = hex[data[i] & 15];
    }
    return at;
}

static size_t print_line(char *line, size_t room, const struct source *s, const uint8_t *data,
                         const struct variant *variant)
{
    static const char upper[] = "0123456789ABCDEF", lower[] = "0123456789abcdef";
    int64_t us = START_US + s->next_us;
    unsigned len = s->len;
    size_t at = (size_t)snprintf(line, room, "(%" PRId64 ".%06" PRId64 "%s) can%u ", us / 1000000,
                                 us % 1000000, variant->nanoseconds ? "123" : "", s->bus);
    at += (size_t)snprintf(line + at, room - at,
                           s->extended ? (variant->lower ? "%08x#" : "%08X#")
                                       : (variant->lower ? "%03x#" : "%03X#"),
                           s->id);
    if (variant->remote && s->counter % 4 == 0) {
        line[at++] = 'R';
        line[at++] = (char)('0' + len);
        len = 0;
    } else if (variant->fd) {
        line[at++] = '#';
        line[at++] = '1';
    }
    at += print_data(line + at, data, len, variant->lower ? lower : upper);
    if (variant->crlf)
        line[at++] = '\r';
    line[at++] = '\n';
    return at;
}

static void print_signal(unsigned frame, unsigned number, const char *bits, const char *rest)
{
    printf("[signal s%u_%u]\nframe = f%u\nbits = %s\n%s", frame, number, frame, bits, rest);
}

static void print_all_signals(unsigned frame, unsigned len)
{
    print_signal(frame, 0, "0.7..1.0", "order = motorola\nscale = 0.25\nunit = rpm\n");
    if (len < 8) {
        print_signal(frame, 1, "2.7..2.6", "");
        print_signal(frame, 2, "2.5..2.4", "");
        print_signal(frame, 3, "2.3..2.2", "");
        print_signal(frame, 4, "2.1..2.0", "");
        return;
    }
    print_signal(frame, 1, "2.7..2.0", "scale = 0.5\noffset = -40\n");
    print_signal(frame, 2, "3.7..3.0", "sign = twos\n");
    print_signal(frame, 3, "5.7..4.0", "order = intel\nscale = 0.01\n");
    print_signal(frame, 4, "6.3..6.0", "");
}

static void print_profile(unsigned signals)
{
    static const unsigned picked[] = {0, 4, 9, 26};
    struct source sources[IDS + 1] = {{0}};
    make_sources(sources, &variants[0]);
    printf("[profile]\nformat = 1\nname = bench\n");
    for (unsigned i = 0; i < (signals == 4 ? 4 : IDS); i++) {
        const struct source *s = &sources[signals == 4 ? picked[i] : i];
        printf("[frame f%u]\nid = 0x%X\n%slength = %u\n", i, s->id,
               s->extended ? "extended = yes\n" : "", s->len);
        if (signals == 4)
            print_signal(i, 0, "0.7..1.0", "order = motorola\nscale = 0.25\nunit = rpm\n");
        else
            print_all_signals(i, s->len);
    }
}

static int print_log(unsigned long long bytes, const struct variant *variant)
{
    struct source sources[IDS + 1] = {{0}};
    unsigned long long written = 0;
    make_sources(sources, variant);
    while (written < bytes) {
        struct source *s = due(sources);
        uint8_t data[64];
        char line[256];
        if (s->diagnostic && variant->polled)
            answer(sources, data);
        else
            fill(s, data);
        size_t len = print_line(line, sizeof line, s, data, variant);
        if (fwrite(line, 1, len, stdout) != len)
            return 1;
        written += len;
        s->next_us += s->period_us + (int64_t)(next_random() % 200) - 100;
    }
    return fflush(stdout) != 0;
}

int main(int argc, char **argv)
{
    const char *what = argc > 1 ? argv[1] : "";
    unsigned long long number = argc > 2 ? strtoull(argv[2], NULL, 10) : 0;
    const char *name = argc > 3 ? argv[3] : "one";
    if (strcmp(what, "profile") == 0 && (number == 4 || number == 300)) {
        print_profile((unsigned)number);
        return 0;
    }
    for (size_t i = 0; strcmp(what, "log") == 0 && i < sizeof variants / sizeof *variants; i++)
        if (strcmp(name, variants[i].name) == 0)
            return print_log(number, &variants[i]);
    fprintf(stderr, "make_log log BYTES [VARIANT] | make_log profile 4|300\n");
    return 2;
}
