/* Makes a large candump log with a fixed seed: 60 identifiers with periods of 10 to 1000 ms (about
 * 2000 frames a second in all), some extended, some shorter than 8 bytes, smooth 16-bit values,
 * counters, diagnostic replies; one bus, or two in turn.
 *
 *     make_log BYTES [BUSES] > big.log
 *
 * The profile that goes with it: make_log 0 prints one with four signals of four identifiers. */
#include <inttypes.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define IDS      60
#define START_US 1700000000000000

struct source {
    uint32_t id;
    unsigned len, bus;
    int extended;
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

static void make_sources(struct source *sources, unsigned buses)
{
    static const int64_t periods_ms[] = {10, 10, 20, 20, 20, 50, 50, 100, 100, 200, 500, 1000};
    for (unsigned i = 0; i < IDS; i++) {
        struct source *s = &sources[i];
        s->extended = i % 18 == 17;
        s->id = s->extended ? 0x18FE0000u + i * 256 : 0x0C0 + i * 11;
        s->period_us = periods_ms[i % 12] * 1000;
        s->len = i % 8 == 7 ? 2 + i % 6 : 8;
        s->bus = i % buses;
        s->next_us = next_random() % s->period_us;
        s->value = (int32_t)(next_random() % 60000);
    }
}

static struct source *due(struct source *sources)
{
    struct source *first = sources;
    for (unsigned i = 1; i < IDS; i++)
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
    memset(data, 0, 8);
    data[0] = (uint8_t)(s->value >> 8);
    data[1] = (uint8_t)s->value;
    data[2] = (uint8_t)(s->value >> 4);
    data[3] = (uint8_t)(s->id);
    data[5] = (uint8_t)(next_random() & 3);
    data[6] = (uint8_t)(s->counter++ & 15);
    for (unsigned i = 0; i < 7; i++)
        data[7] ^= data[i];
}

static size_t print_line(char *line, const struct source *s, const uint8_t *data)
{
    static const char hex[] = "0123456789ABCDEF";
    int64_t us = START_US + s->next_us;
    int at = snprintf(line, 64,
                      s->extended ? "(%" PRId64 ".%06" PRId64 ") can%u %08X#"
                                  : "(%" PRId64 ".%06" PRId64 ") can%u %03X#",
                      us / 1000000, us % 1000000, s->bus, s->id);
    for (unsigned i = 0; i < s->len; i++) {
        line[at++] = hex[data[i] >> 4];
        line[at++] = hex[data[i] & 15];
    }
    line[at++] = '\n';
    return (size_t)at;
}

static void print_profile(void)
{
    static const unsigned picked[] = {0, 4, 9, 26};
    struct source sources[IDS] = {{0}};
    make_sources(sources, 1);
    printf("[profile]\nformat = 1\nname = bench\n");
    for (unsigned i = 0; i < 4; i++)
        printf("[frame f%u]\nid = 0x%X\nlength = 8\n"
               "[signal s%u]\nframe = f%u\nbits = 0.7..1.0\norder = motorola\nscale = 0.25\n",
               i, sources[picked[i]].id, i, i);
}

int main(int argc, char **argv)
{
    unsigned long long bytes = argc > 1 ? strtoull(argv[1], NULL, 10) : 0, written = 0;
    unsigned buses = argc > 2 ? (unsigned)strtoul(argv[2], NULL, 10) : 1;
    struct source sources[IDS] = {{0}};
    if (!bytes) {
        print_profile();
        return 0;
    }
    make_sources(sources, buses ? buses : 1);
    while (written < bytes) {
        struct source *s = due(sources);
        uint8_t data[8];
        char line[96];
        fill(s, data);
        size_t len = print_line(line, s, data);
        if (fwrite(line, 1, len, stdout) != len)
            return 1;
        written += len;
        s->next_us += s->period_us + (int64_t)(next_random() % 200) - 100;
    }
    return fflush(stdout) != 0;
}
