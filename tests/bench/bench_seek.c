/* What the search for signals takes apart, on a capture with diagnostic replies:
 *
 *     bench_seek LOG SIGNALDEFS/obd-ii.ini
 *
 * Reading and collecting; the moment search alone (every window of every view at every lag, the
 * best of them picked: no null, no fit); the whole of it. Beside it what one naive pass over one
 * window of every frame of a view takes (shift, mask, add to four sums), so that the search can be
 * told in such passes for each (identifier, reference) at one lag, whatever the machine. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "loomtap/capture/reader.h"
#include "loomtap/defs/load.h"
#include "loomtap/measure/collect.h"
#include "loomtap/seek/reference.h"
#include "loomtap/seek/seek.h"
#include "seek/search.h"

#define PASSES 5 /* the best of so many */

struct bench {
    struct lt_collect *collect;
    struct lt_reference *references;
    size_t reference_count;
    struct lt_arena arena;
};

static double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

static void stop(const struct lt_error *error)
{
    char text[1200];
    lt_error_print(error, text, sizeof text);
    fprintf(stderr, "bench_seek: %s\n", text);
    exit(2);
}

static void read_all(struct bench *bench, const char *log, const struct lt_profile *profile)
{
    struct lt_reader *reader = NULL;
    struct lt_replies *replies = NULL;
    struct lt_error error;
    const struct lt_frame *frame;
    const char *const *asked;
    size_t asked_count;
    if (lt_reader_open(&reader, log, NULL, &error) != LT_OK ||
        lt_collect_new(&bench->collect, NULL, &error) != LT_OK ||
        lt_replies_new(&replies, &profile, 1, &error) != LT_OK)
        stop(&error);
    while ((frame = lt_reader_next(reader)) != NULL)
        if (lt_collect_add(bench->collect, frame, &error) != LT_OK ||
            lt_replies_feed(replies, frame, &error) != LT_OK)
            stop(&error);
    if (lt_collect_finish(bench->collect, &error) != LT_OK ||
        lt_replies_references(replies, &bench->arena, &bench->references, &bench->reference_count,
                              &asked, &asked_count, &error) != LT_OK)
        stop(&error);
    lt_replies_free(replies);
    lt_reader_free(reader);
}

static unsigned lags_of(const struct lt_reference *reference)
{
    int64_t steps = (reference->lag_high_ns - reference->lag_low_ns + 99999999) / 100000000;
    return steps < 21 ? (unsigned)steps + 1 : 21; /* as in scan.c */
}

/* Every reference against every view at every lag; no null. Counts (view, reference, lag). */
static double search(const struct bench *bench, const struct seek_views *views, double *ret_triples)
{
    double began = now_s();
    struct lt_error error;
    *ret_triples = 0;
    for (size_t i = 0; i < bench->reference_count; i++) {
        struct lt_arena scratch;
        struct seek_course course;
        lt_arena_init(&scratch, 0);
        if (seek_course_make(&bench->references[i], &scratch, &course, &error) != LT_OK)
            stop(&error);
        bool slow = course.slow;
        struct seek_scan scan = {.arena = &scratch, .course = &course, .views = views};
        course.slow = true; /* the null is not asked for */
        if (seek_scan_run(&scan, &error) != LT_OK)
            stop(&error);
        course.slow = slow;
        *ret_triples += (double)views->count * lags_of(&bench->references[i]);
        lt_arena_release(&scratch);
    }
    return now_s() - began;
}

static uint64_t word_at(const uint8_t *row)
{
    uint64_t word;
    memcpy(&word, row, sizeof word); /* 8 more bytes are readable behind the last row */
    return word;
}

/* Frames that the capture had of a view, whether they were kept or not. */
static uint64_t frames_of(const struct seek_view *view)
{
    uint64_t frames = 0;
    for (size_t i = 0; i < view->stream->page_count; i++)
        if (!view->has_page || view->stream->pages[i].value == view->page)
            frames += view->stream->pages[i].frames;
    return frames;
}

/* Over the kept frames again and again, until it is as many as there were. */
static double naive_pass(const struct seek_view *view, uint64_t frames, double *sink)
{
    size_t kept = view->kept.count ? view->kept.count : 1;
    double best = 1e9;
    for (unsigned pass = 0; pass < PASSES; pass++) {
        double x = 0, xx = 0, xy = 0, y = 0, began = now_s();
        for (uint64_t i = 0, row = 0; i < frames; i++) {
            double value = (double)(word_at(lt_kept_row(&view->kept, row)) >> 3 & 0xFFFF);
            x += value;
            xx += value * value;
            y += 0.25;
            xy += value * y;
            row = row + 1 < kept ? row + 1 : 0;
        }
        *sink += x + xx + xy;
        double took = now_s() - began;
        best = took < best ? took : best;
    }
    return best;
}

int main(int argc, char **argv)
{
    struct bench bench = {0};
    struct lt_profile *profile = NULL;
    struct lt_faults faults;
    struct lt_error error;
    struct seek_views views = {0};
    struct lt_seek_target *targets;
    double sink = 0, passes = 0, triples = 0;
    uint64_t frames = 0;
    lt_faults_init(&faults, 0);
    lt_arena_init(&bench.arena, 0);
    if (argc != 3 || lt_profile_load(&profile, argv[2], &faults) != LT_OK) {
        fprintf(stderr, "bench_seek LOG SIGNALDEFS/obd-ii.ini\n");
        return 2;
    }
    double began = now_s();
    read_all(&bench, argv[1], profile);
    double read_s = now_s() - began;
    began = now_s();
    if (seek_views_find(bench.collect, NULL, &bench.arena, &views, &error) != LT_OK)
        stop(&error);
    double views_s = now_s() - began;
    double search_s = search(&bench, &views, &triples);
    began = now_s();
    if (lt_seek(bench.collect, bench.references, bench.reference_count, NULL, &bench.arena,
                &targets, &error) != LT_OK)
        stop(&error);
    double all_s = now_s() - began;
    for (size_t i = 0; i < views.count; i++) {
        passes += naive_pass(&views.view[i], frames_of(&views.view[i]), &sink);
        frames += frames_of(&views.view[i]);
    }
    double naive_s = passes / (double)views.count;
    printf("references %zu\nviews %zu\nframes %" PRIu64 "\n", bench.reference_count, views.count,
           frames);
    printf("lags %.1f\n", triples / (double)views.count / (double)bench.reference_count);
    printf("read_s %.4f\nviews_s %.4f\nsearch_s %.4f\nseek_s %.4f\n", read_s, views_s, search_s,
           all_s);
    printf("naive_pass_ms %.4f\nsearch_ms %.4f\n", naive_s * 1e3, search_s / triples * 1e3);
    printf("passes %.3f\n", search_s / triples / naive_s);
    lt_collect_free(bench.collect);
    lt_profile_free(profile);
    lt_faults_release(&faults);
    lt_arena_release(&bench.arena);
    return sink == 12345 ? 3 : 0;
}
