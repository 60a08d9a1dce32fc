/* What a frame costs in the bit matrices, and in the collector as a whole: nanoseconds, the best of
 * several runs.
 *
 *     bench_moments                    the table
 *     bench_moments KIND FRAMES PART   one run without a clock, for counting instructions: the
 *                                      difference of two lengths. PART: moments, collect or none
 *
 * Kinds of frames, by what their bits do: see the table. */
#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "loomtap/core/frame.h"
#include "loomtap/measure/collect.h"
#include "loomtap/measure/moments.h"

#define FRAMES 65536u
#define RUNS   9

static uint64_t state = 0x9E3779B97F4A7C15u;

static uint64_t random_word(void)
{
    state ^= state << 13;
    state ^= state >> 7;
    state ^= state << 17;
    return state;
}

/* A 16-bit quantity at 100 Hz, a slow one of 8 bits, a counter and a check. */
static uint64_t usual(unsigned i)
{
    uint64_t speed = (uint64_t)(9000 + 5000 * sin(i / 300.0) + (double)(random_word() % 5));
    uint64_t slow = (uint64_t)(90 + 40 * sin(i / 20000.0));
    return speed | slow << 16 | (uint64_t)(i % 16) << 48 | (random_word() & 0xFF) << 56;
}

static uint64_t nothing_moves(unsigned i)
{
    (void)i;
    return 0x1122334455667788;
}

/* Four quantities of 16 bits that all move. */
static uint64_t four_quantities(unsigned i)
{
    uint64_t word = 0;
    for (unsigned k = 0; k < 4; k++)
        word |= (uint64_t)(20000 + 15000 * sin(i / (100.0 * (k + 1))) + (double)(random_word() % 9))
                << 16 * k;
    return word;
}

static uint64_t noise(unsigned i)
{
    (void)i;
    return random_word();
}

static const struct kind {
    const char *name;
    uint64_t (*word)(unsigned i);
    unsigned length;
} kinds[] = {
    {"still", nothing_moves, 8}, {"usual", usual, 8},     {"four", four_quantities, 8},
    {"noise", noise, 8},         {"fd-usual", usual, 64}, {"fd-noise", noise, 64},
};
#define KINDS (sizeof kinds / sizeof *kinds)

static void make_frames(const struct kind *kind, struct lt_frame *frames)
{
    for (unsigned i = 0; i < FRAMES; i++) {
        frames[i] = (struct lt_frame){.time_ns = i * INT64_C(10000000),
                                      .id = 0x123,
                                      .flags = kind->length > 8 ? LT_FRAME_FD : 0,
                                      .len = (uint8_t)kind->length};
        for (unsigned at = 0; at < kind->length; at += 8) {
            uint64_t word = kind->word(i + at * 1000);
            for (unsigned byte = 0; byte < 8; byte++)
                frames[i].data[at + byte] = (uint8_t)(word >> 8 * byte);
        }
    }
}

static void run_moments(const struct kind *kind, const struct lt_frame *frames, unsigned count)
{
    struct lt_moments *moments;
    if (lt_moments_new(&moments, kind->length, NULL) != LT_OK)
        exit(4);
    for (unsigned i = 0; i < count; i++)
        lt_moments_add(moments, frames[i % FRAMES].data, true);
    lt_moments_free(moments);
}

static void run_collect(const struct kind *kind, const struct lt_frame *frames, unsigned count)
{
    struct lt_collect *collect;
    (void)kind;
    if (lt_collect_new(&collect, NULL, NULL) != LT_OK)
        exit(4);
    for (unsigned i = 0; i < count; i++)
        if (lt_collect_add(collect, &frames[i % FRAMES], NULL) != LT_OK)
            exit(4);
    lt_collect_free(collect);
}

typedef void run_part(const struct kind *kind, const struct lt_frame *frames, unsigned count);

static double best_ns(run_part *run, const struct kind *kind, const struct lt_frame *frames)
{
    double best = INFINITY;
    for (unsigned i = 0; i < RUNS; i++) {
        struct timespec start, end;
        clock_gettime(CLOCK_MONOTONIC, &start);
        run(kind, frames, FRAMES);
        clock_gettime(CLOCK_MONOTONIC, &end);
        double ns =
            (double)(end.tv_sec - start.tv_sec) * 1e9 + (double)(end.tv_nsec - start.tv_nsec);
        best = fmin(best, ns / FRAMES);
    }
    return best;
}

static int print_table(struct lt_frame *frames)
{
    printf("%-10s %12s %12s\n", "frames", "moments ns", "collect ns");
    for (unsigned i = 0; i < KINDS; i++) {
        make_frames(&kinds[i], frames);
        printf("%-10s %12.1f %12.1f\n", kinds[i].name, best_ns(run_moments, &kinds[i], frames),
               best_ns(run_collect, &kinds[i], frames));
    }
    return 0;
}

int main(int argc, char **argv)
{
    struct lt_frame *frames = calloc(FRAMES, sizeof *frames);
    if (!frames)
        return 4;
    if (argc == 1)
        return print_table(frames);
    for (unsigned i = 0; argc == 4 && i < KINDS; i++) {
        if (strcmp(kinds[i].name, argv[1]) != 0)
            continue;
        unsigned count = (unsigned)strtoul(argv[2], NULL, 10);
        make_frames(&kinds[i], frames);
        if (strcmp(argv[3], "moments") == 0)
            run_moments(&kinds[i], frames, count);
        else if (strcmp(argv[3], "collect") == 0)
            run_collect(&kinds[i], frames, count);
        return 0;
    }
    fprintf(stderr, "bench_moments [KIND FRAMES moments|collect|none]\n");
    return 2;
}
