/* The numeric search: each reference against everything (loomtap/seek/seek.h). */
#include "seek/search.h"

#include <stdlib.h>

#define NULL_SHIFTS 200u
#define EDGE_LOSS   1.02
#define SCRATCH     ((size_t)160 << 20)

const char *lt_seek_verdict_name(enum lt_seek_verdict verdict)
{
    static const char *const names[] = {[LT_SEEK_FOUND] = "found",
                                        [LT_SEEK_AMBIGUOUS] = "ambiguous",
                                        [LT_SEEK_NOT_EXERCISED] = "not exercised",
                                        [LT_SEEK_NOT_ON_BUS] = "not on this bus"};
    return names[verdict];
}

static int by_correlation(const void *a, const void *b)
{
    const struct seek_window *one = a, *other = b;
    double first = fabs(one->r), second = fabs(other->r);
    if (first != second)
        return first > second ? -1 : 1;
    return (one->lsb > other->lsb) - (one->lsb < other->lsb);
}

struct trial {
    struct seek_window window;
    struct seek_fit fit;
};

static int by_residual(const void *a, const void *b)
{
    const struct trial *one = a, *other = b;
    if (one->fit.rmse != other->fit.rmse)
        return one->fit.rmse < other->fit.rmse ? -1 : 1;
    return (one->window.lsb > other->window.lsb) - (one->window.lsb < other->window.lsb);
}

/* The best of the trials into what outlives the search of this reference. */
static bool keep_trials(struct trial *trials, size_t count, struct lt_arena *keep,
                        struct seek_found *found)
{
    size_t compared = found->course.count / found->course.every + 2;
    qsort(trials, count, sizeof *trials, by_residual);
    count = count < SEEK_KEPT ? count : SEEK_KEPT;
    found->window = lt_arena_array(keep, count + 1, sizeof *found->window);
    found->fit = lt_arena_array(keep, count + 1, sizeof *found->fit);
    if (!found->window || !found->fit)
        return false;
    for (size_t i = 0; i < count && trials[i].fit.rmse < INFINITY && trials[i].fit.used >= 8; i++) {
        double *predicted = lt_arena_array(keep, compared, sizeof *predicted);
        if (!predicted)
            return false;
        memcpy(predicted, trials[i].fit.predicted, compared * sizeof *predicted);
        found->window[i] = trials[i].window;
        found->fit[i] = trials[i].fit;
        found->fit[i].predicted = predicted;
        found->count++;
    }
    return true;
}

/* Where the reference was read from it is no news. */
static bool is_source(const struct lt_reference *reference, const struct seek_window *window)
{
    struct lt_bits bits = seek_window_bits(window);
    return lt_reference_is_source(reference, &window->view->stream->key, window->view->has_page,
                                  window->view->page, &bits);
}

/* Over all pages together the low end is that of the longest; where a page has the same number with
 * an end of its own, that one holds. */
static bool is_of_a_page(const struct seek_scan *scan, const struct seek_window *window)
{
    if (!window->view->common)
        return false;
    struct lt_bits bits = seek_window_bits(window);
    for (size_t i = 0; i < scan->count; i++) {
        const struct seek_window *other = &scan->found[i];
        struct lt_bits others = seek_window_bits(other);
        if (other->view->has_page && other->view->stream == window->view->stream &&
            others.part[0].msb == bits.part[0].msb && other->length < window->length)
            return true;
    }
    return false;
}

/* A rare scale that becomes one of the commonest with the few bits that are missing to the edge of
 * a byte: a source that is coarser than its frame leaves bits at the end that move seldom, and that
 * no carry shows. */
static enum lt_code try_to_edge(struct trial *trial, struct seek_scan *scan, struct lt_error *error)
{
    struct trial longer = {.fit = {0}};
    if (trial->fit.reciprocal || (trial->fit.snapped && trial->fit.usual < 1) ||
        !seek_to_edge(&trial->window, &longer.window))
        return LT_OK;
    double scale =
        ldexp(trial->fit.fitted_scale, (int)trial->window.length - (int)longer.window.length);
    if (!seek_is_common(scale, trial->fit.scale_error * fabs(scale / trial->fit.fitted_scale)))
        return LT_OK;
    enum lt_code code =
        seek_fit_window(&longer.window, scan->course, scan->arena, &longer.fit, error);
    if (code == LT_OK && seek_snap(&longer.fit, &longer.window, scan->course) &&
        longer.fit.usual < 1 && longer.fit.strong && longer.fit.loss <= EDGE_LOSS * trial->fit.loss)
        *trial = longer;
    return code;
}

static enum lt_code fit_all(struct seek_scan *scan, struct lt_arena *keep, struct seek_found *found,
                            struct lt_error *error)
{
    enum lt_code code = LT_OK;
    qsort(scan->found, scan->count, sizeof *scan->found, by_correlation);
    size_t count = scan->count < SEEK_TRIALS ? scan->count : SEEK_TRIALS;
    struct trial *trials = lt_arena_array(scan->arena, count + 1, sizeof *trials);
    if (!trials)
        return seek_no_memory(error);
    size_t fitted = 0;
    for (size_t i = 0; i < count && code == LT_OK; i++) {
        struct trial *trial = &trials[fitted];
        trial->window = scan->found[i];
        if (is_source(scan->course->reference, &trial->window) ||
            is_of_a_page(scan, &trial->window))
            continue;
        code = seek_fit_window(&trial->window, scan->course, scan->arena, &trial->fit, error);
        if (code == LT_OK)
            seek_snap(&trial->fit, &trial->window, scan->course);
        if (code == LT_OK)
            code = try_to_edge(trial, scan, error);
        fitted++;
    }
    count = fitted;
    if (code == LT_OK && !keep_trials(trials, count, keep, found))
        code = seek_no_memory(error);
    return code;
}

static enum lt_code seek_one(const struct lt_reference *reference, const struct seek_views *views,
                             const struct lt_seek_options *options, struct lt_arena *keep,
                             struct seek_found *found, struct lt_error *error)
{
    struct lt_arena scratch;
    unsigned shifts = options && options->null_shifts ? options->null_shifts : NULL_SHIFTS;
    lt_arena_init(&scratch, SCRATCH);
    enum lt_code code = seek_course_make(reference, keep, &found->course, error);
    struct seek_scan scan = {
        .arena = &scratch, .course = &found->course, .views = views, .null_shifts = shifts};
    bool moves = found->course.count >= 8 && found->course.sd > 0;
    if (code == LT_OK && moves && reference->clock_unknown)
        code = seek_clock_find(&found->course, views, keep, error);
    if (code == LT_OK && moves && (!reference->clock_unknown || found->course.clock_found))
        code = seek_scan_run(&scan, error);
    if (code == LT_OK && scan.count)
        code = seek_magnitude_scan(&scan, error);
    found->null_r = scan.null_r;
    if (code == LT_OK && scan.count)
        code = fit_all(&scan, keep, found, error);
    lt_arena_release(&scratch);
    return code;
}

static enum lt_code refuse_labels(const struct lt_reference *reference, struct lt_error *error)
{
    lt_fail(error, LT_E_CONFLICT, "%s has labels and no numbers", reference->name);
    lt_error_advise(error, "labels are looked for as marks");
    return LT_E_CONFLICT;
}

enum lt_code lt_seek(const struct lt_collect *collect, const struct lt_reference *references,
                     size_t reference_count, const struct lt_seek_options *options,
                     struct lt_arena *arena, struct lt_seek_target **ret_targets,
                     struct lt_error *error)
{
    struct lt_arena keep;
    struct seek_views views = {0};
    struct seek_all all = {.count = reference_count};
    struct lt_seek_target *targets = lt_arena_array(arena, reference_count + 1, sizeof *targets);
    lt_arena_init(&keep, SCRATCH);
    all.found = lt_arena_array(&keep, reference_count + 1, sizeof *all.found);
    enum lt_code code = targets && all.found
                            ? seek_views_find(collect, options, &keep, &views, error)
                            : seek_no_memory(error);
    for (size_t i = 0; i < reference_count && code == LT_OK; i++)
        code = references[i].value
                   ? seek_one(&references[i], &views, options, &keep, &all.found[i], error)
                   : refuse_labels(&references[i], error);
    for (size_t i = 0; i < reference_count && code == LT_OK; i++)
        code = seek_judge(&all, i, arena, &targets[i], error);
    lt_arena_release(&keep);
    if (code == LT_OK)
        *ret_targets = targets;
    return code;
}
