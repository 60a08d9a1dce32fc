/* The numeric search: each reference against everything (loomtap/seek/seek.h). */
#include "seek/search.h"

#include <stdlib.h>

#define NULL_SHIFTS 200u
#define SCRATCH     ((size_t)160 << 20)

const char *lt_seek_verdict_name(enum lt_seek_verdict verdict)
{
    static const char *const names[] = {[LT_SEEK_FOUND] = "found",
                                        [LT_SEEK_AMBIGUOUS] = "ambiguous",
                                        [LT_SEEK_NOT_EXERCISED] = "not exercised",
                                        [LT_SEEK_NOT_ON_BUS] = "not on this bus"};
    return names[verdict];
}

static int by_loss(const void *a, const void *b)
{
    const struct seek_window *one = a, *other = b;
    double first = fabs(one->r), second = fabs(other->r);
    if (first != second)
        return first > second ? -1 : 1;
    return (one->lsb > other->lsb) - (one->lsb < other->lsb);
}

static enum lt_code seek_one(const struct lt_reference *reference, const struct seek_views *views,
                             const struct lt_seek_options *options, struct lt_arena *arena,
                             struct lt_seek_target *target, struct lt_error *error)
{
    struct lt_arena scratch;
    struct seek_course course;
    lt_arena_init(&scratch, SCRATCH);
    enum lt_code code = seek_course_make(reference, &scratch, &course, error);
    struct seek_scan scan = {.arena = &scratch,
                             .course = &course,
                             .views = views,
                             .null_shifts = options && options->null_shifts ? options->null_shifts
                                                                            : NULL_SHIFTS};
    struct seek_fit *fits = NULL;
    if (code == LT_OK && course.count >= 8 && course.sd > 0 && !reference->clock_unknown)
        code = seek_scan_run(&scan, error);
    if (code == LT_OK && scan.count) {
        qsort(scan.found, scan.count, sizeof *scan.found, by_loss);
        scan.count = scan.count < SEEK_TRIALS ? scan.count : SEEK_TRIALS;
        fits = lt_arena_array(&scratch, scan.count, sizeof *fits);
        if (!fits)
            code = seek_no_memory(error);
    }
    for (size_t i = 0; i < scan.count && code == LT_OK; i++) {
        code = seek_fit_window(&scan.found[i], &course, &scratch, &fits[i], error);
        if (code == LT_OK)
            seek_snap(&fits[i], &course, scan.found[i].length);
    }
    if (code == LT_OK)
        code = seek_judge(&scan, fits, scan.count, scan.found, arena, target, error);
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
    struct lt_arena pages;
    struct seek_views views = {0};
    struct lt_seek_target *targets = lt_arena_array(arena, reference_count + 1, sizeof *targets);
    if (!targets)
        return seek_no_memory(error);
    lt_arena_init(&pages, SCRATCH);
    enum lt_code code = seek_views_find(collect, options, &pages, &views, error);
    for (size_t i = 0; i < reference_count && code == LT_OK; i++) {
        code = references[i].value
                   ? seek_one(&references[i], &views, options, arena, &targets[i], error)
                   : refuse_labels(&references[i], error);
    }
    lt_arena_release(&pages);
    if (code == LT_OK)
        *ret_targets = targets;
    return code;
}
