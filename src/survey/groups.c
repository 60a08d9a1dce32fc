/* The same quantity in several places: engine speed in three frames, wheel speeds on a straight
 * road. Every two courses that go together on a grid over the capture are held against each other
 * closely (likeness.c); those alike are joined, the fastest, finest and freshest of them first. A
 * group says what was alike in this recording, not what is alike on every road. */
#include "survey/groups.h"

#include <math.h>
#include <stdlib.h>

#define R_ON_GRID  0.85
#define CLOSE_MOST 4000u /* pairs held against each other closely; more are not looked at */

struct pair {
    uint32_t x, y; /* courses */
    struct likeness like;
};

struct groups {
    struct survey_work *work;
    struct course *courses;
    size_t count;
    struct pair *pairs; /* alike */
    size_t pair_count, pair_room;
};

/* --- order --- */

/* Steps of a quarter: what differs by less is the same. */
static int by_steps(double a, double b)
{
    double x = a > 0 ? round(log(a) / log(1.25)) : -1e9,
           y = b > 0 ? round(log(b) / log(1.25)) : -1e9;
    return x < y ? -1 : x > y;
}

static int better_first(const void *a, const void *b)
{
    const struct course *x = a, *y = b;
    int order = by_steps((double)x->period_ns, (double)y->period_ns);
    if (order == 0)
        order = by_steps(y->span, x->span);
    if (order != 0)
        return order;
    return x->frame != y->frame ? (x->frame < y->frame ? -1 : 1)
                                : (x->field < y->field ? -1 : x->field > y->field);
}

/* --- pairs --- */

static bool may_be_alike(const struct groups *groups, size_t x, size_t y)
{
    return fabs(courses_grid_r(&groups->courses[x], &groups->courses[y], 0)) >= R_ON_GRID;
}

static enum lt_code find_pairs(struct groups *groups)
{
    const struct lt_survey *survey = groups->work->survey;
    size_t all = groups->count * (groups->count - 1) / 2, close = 0;
    for (uint32_t x = 0; x < groups->count; x++) {
        for (uint32_t y = x + 1; y < groups->count && close < CLOSE_MOST; y++) {
            struct likeness like;
            if (!may_be_alike(groups, x, y))
                continue;
            close++;
            if (!courses_alike(&groups->courses[x], &groups->courses[y], survey->duration_s, all,
                               &like))
                continue;
            struct pair *pair =
                lt_arena_push(groups->work->scratch, &groups->pairs, &groups->pair_count,
                              &groups->pair_room, sizeof *pair);
            if (!pair)
                return lt_fail(groups->work->error, LT_E_MEMORY, "out of memory for groups");
            *pair = (struct pair){x, y, like};
        }
    }
    return LT_OK;
}

/* --- groups --- */

static const char *say_group(struct survey_work *work, const struct lt_survey_group *group)
{
    double within = 0;
    for (size_t i = 1; i < group->count; i++)
        within =
            group->members[i].within_quanta > within ? group->members[i].within_quanta : within;
    bool one_frame = true;
    for (size_t i = 1; i < group->count; i++)
        one_frame &= group->members[i].frame == group->members[0].frame;
    unsigned quanta = within < 1 ? 1 : (unsigned)ceil(within);
    return survey_text(work->arena,
                       "the same quantity in %zu places%s: equal within %u quant%s of the coarser, "
                       "as far as this recording goes",
                       group->count, one_frame ? " of one frame" : "", quanta,
                       quanta == 1 ? "um" : "a");
}

static bool make_group(struct groups *groups, uint32_t first, const bool *is_taken,
                       struct lt_survey_group *group)
{
    size_t room = 1;
    for (size_t i = 0; i < groups->pair_count; i++)
        room += groups->pairs[i].x == first;
    group->members = lt_arena_array(groups->work->arena, room, sizeof *group->members);
    if (!group->members)
        return false;
    group->members[0].frame = groups->courses[first].frame;
    group->members[0].field = groups->courses[first].field;
    group->members[0].scale = 1;
    group->count = 1;
    for (size_t i = 0; i < groups->pair_count; i++) {
        const struct pair *pair = &groups->pairs[i];
        if (pair->x != first || is_taken[pair->y])
            continue;
        group->members[group->count].frame = groups->courses[pair->y].frame;
        group->members[group->count].field = groups->courses[pair->y].field;
        group->members[group->count].scale = pair->like.scale;
        group->members[group->count].offset_quanta = pair->like.offset;
        group->members[group->count].lag_s = pair->like.lag_s;
        group->members[group->count++].within_quanta = pair->like.within;
    }
    return true;
}

static void close_group(struct groups *groups, struct lt_survey_group *group)
{
    struct lt_survey *survey = groups->work->survey;
    group->say = say_group(groups->work, group);
    survey->group_count++;
    for (size_t i = 0; i < group->count; i++)
        survey->frames[group->members[i].frame].fields[group->members[i].field].group =
            (unsigned)survey->group_count;
}

/* Courses are in order, the best first, so each that is not in a group yet may lead one. */
static bool make_groups(struct groups *groups)
{
    struct lt_survey *survey = groups->work->survey;
    bool *is_taken = lt_arena_array(groups->work->scratch, groups->count, sizeof *is_taken);
    survey->groups =
        lt_arena_array(groups->work->arena, groups->count / 2 + 1, sizeof *survey->groups);
    if (!is_taken || !survey->groups)
        return false;
    for (uint32_t first = 0; first < groups->count; first++) {
        struct lt_survey_group group = {.count = 0};
        bool leads = false;
        for (size_t i = 0; i < groups->pair_count && !leads; i++)
            leads = groups->pairs[i].x == first && !is_taken[groups->pairs[i].y];
        if (is_taken[first] || !leads)
            continue;
        if (!make_group(groups, first, is_taken, &group))
            return false;
        survey->groups[survey->group_count] = group;
        close_group(groups, &survey->groups[survey->group_count]);
        is_taken[first] = true;
        for (size_t i = 0; i < groups->pair_count; i++)
            is_taken[groups->pairs[i].y] |= groups->pairs[i].x == first;
    }
    return true;
}

enum lt_code survey_groups(struct survey_work *work)
{
    struct groups groups = {.work = work};
    if (work->survey->duration_s <= 0)
        return LT_OK;
    enum lt_code code = courses_read(work, &groups.courses, &groups.count);
    if (code != LT_OK || groups.count < 2)
        return code;
    qsort(groups.courses, groups.count, sizeof *groups.courses, better_first);
    code = find_pairs(&groups);
    if (code == LT_OK && groups.pair_count > 0 && !make_groups(&groups))
        code = lt_fail(work->error, LT_E_MEMORY, "out of memory for groups");
    return code;
}
