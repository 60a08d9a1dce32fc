/* The offset between a reference's clock and the capture's, where nobody knows it.
 *
 * An offset is a lag like any other, only that its range is the whole overlap of both. So some
 * hundred samples of the reference are held against every window of every view at every offset of a
 * coarse grid (a third of the reference's memory apart, where its correlation is still mostly
 * there), and the offset at which some window follows best, for as many samples as meet there, is
 * what the search itself then starts from. At each step the best windows decide; whether they are
 * any good is judged later, with a threshold for so many tries. */
#include "seek/search.h"

#include <stdlib.h>

#define SAMPLES     240u
#define OFFSETS     1500
#define MEMORY_PART 3.0
#define MEET_LEAST  0.4 /* share of the samples that must meet frames */
#define FINE_PARTS  8

struct clock_search {
    const struct seek_course *course; /* thinned */
    const struct seek_views *views;
    uint32_t *rows;
    struct seek_sums *sums;
    struct seek_scores *scores;
};

static bool thin(const struct seek_course *course, struct lt_arena *arena,
                 struct seek_course *ret_thin)
{
    size_t every = course->count / SAMPLES + 1, count = 0;
    int64_t *time_ns = lt_arena_array(arena, SAMPLES + 1, sizeof *time_ns);
    int32_t *whole = lt_arena_array(arena, SAMPLES + 1, sizeof *whole);
    if (!time_ns || !whole)
        return false;
    for (size_t i = 0; i < course->count && count < SAMPLES; i += every) {
        time_ns[count] = course->time_ns[i];
        whole[count++] = course->whole[i];
    }
    *ret_thin = *course;
    ret_thin->time_ns = time_ns;
    ret_thin->whole = whole;
    ret_thin->count = count;
    return true;
}

static double most_of(const struct seek_scores *scores)
{
    const float *r = &scores->r[0][0][0][0];
    float most = 0;
    for (size_t i = 0; i < sizeof scores->r / sizeof *r; i++)
        most = fabsf(r[i]) > most ? fabsf(r[i]) : most;
    return (double)most;
}

/* How much better than chance the best window of all follows at this offset: Fisher's z. */
static double merit_of(struct clock_search *search, int64_t offset_ns)
{
    double best = 0;
    for (size_t v = 0; v < search->views->count; v++) {
        const struct seek_view *view = &search->views->view[v];
        seek_rows(view, search->course, offset_ns, search->rows);
        for (unsigned band = 0; band < seek_bands(view->kept.key.length); band++) {
            unsigned bytes;
            uint64_t usable = seek_usable(view, band, &bytes);
            seek_sums_take(view, search->course, search->rows, band, search->sums);
            double part = (double)search->sums->count / (double)search->course->count;
            if (part < MEET_LEAST)
                break;
            seek_scores_take(search->sums, usable, bytes, search->scores);
            double r = fmin(most_of(search->scores), 0.9999);
            double merit = atanh(r) * sqrt(fmax(search->course->n_eff * part - 3, 1));
            best = merit > best ? merit : best;
        }
    }
    return best;
}

/* False where they meet at none of the offsets. */
static bool best_between(struct clock_search *search, int64_t low_ns, int64_t high_ns,
                         int64_t step_ns, int64_t *ret_ns)
{
    double best = 0;
    for (int64_t offset_ns = low_ns; offset_ns <= high_ns; offset_ns += step_ns) {
        double merit = merit_of(search, offset_ns);
        if (merit > best) {
            best = merit;
            *ret_ns = offset_ns;
        }
    }
    return best > 0;
}

static bool make(struct clock_search *search, struct lt_arena *arena)
{
    search->rows = lt_arena_array(arena, SAMPLES + 1, sizeof *search->rows);
    search->sums = lt_arena_alloc(arena, sizeof *search->sums);
    search->scores = lt_arena_alloc(arena, sizeof *search->scores);
    return !arena->failed;
}

enum lt_code seek_clock_find(struct seek_course *course, const struct seek_views *views,
                             struct lt_arena *arena, struct lt_error *error)
{
    const struct lt_reference *reference = course->reference;
    struct seek_course thinned;
    struct clock_search search = {.course = &thinned, .views = views};
    int64_t range_ns, low_ns = reference->clock_low_ns, high_ns = reference->clock_high_ns;
    int64_t *time_ns = lt_arena_array(arena, course->count + 1, sizeof *time_ns);
    if (!time_ns || !thin(course, arena, &thinned) || !make(&search, arena))
        return seek_no_memory(error);
    if (__builtin_sub_overflow(high_ns, low_ns, &range_ns) || range_ns < 0 ||
        low_ns < INT64_MIN / 4 || high_ns > INT64_MAX / 4)
        return LT_OK; /* no overlap to be had */
    int64_t step_ns = (int64_t)(course->memory_s / MEMORY_PART * NS_PER_S);
    step_ns = step_ns > range_ns / OFFSETS ? step_ns : range_ns / OFFSETS + 1;
    int64_t offset_ns = 0, fine_ns = step_ns / FINE_PARTS + 1;
    if (!best_between(&search, low_ns, high_ns, step_ns, &offset_ns) ||
        !best_between(&search, offset_ns - step_ns, offset_ns + step_ns, fine_ns, &offset_ns))
        return LT_OK;
    for (size_t i = 0; i < course->count; i++)
        if (__builtin_sub_overflow(course->time_ns[i], offset_ns, &time_ns[i]))
            return LT_OK;
    course->time_ns = time_ns;
    course->clock_ns = offset_ns;
    course->clock_found = true;
    course->lag_low_ns = -fine_ns;
    course->lag_high_ns = fine_ns;
    course->r_needed = course->n_eff > 3 ? tanh(SEEK_Z_CLOCK / sqrt(course->n_eff - 3)) : 1;
    return LT_OK;
}
