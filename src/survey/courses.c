/* Reading the courses of fields over time from the kept frames (groups.h). */
#include "survey/groups.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LEAST_BITS       3u
#define LEAST_DISTINCT   12u
#define LEAST_ROWS       32u
#define LEAST_CONFIDENCE 0.3
#define STALE_PERIODS    3
#define STALE_LEAST_NS   INT64_C(50000000)
#define PAGE_BYTES       ((size_t)100000) /* of the rows of one field on some pages */
#define MEMORY_MOST      (GRID_POINTS / 2)

double course_value(const struct course *course, size_t row)
{
    const struct lt_survey_field *field = course->is;
    uint64_t raw = survey_window_get(&course->window, course->bytes + row * course->length);
    if (raw == course->window.mask && field->unavailable_share > 0)
        return NAN;
    return field->sign == LT_UNSIGNED ? (double)(int64_t)raw : survey_number(field, raw);
}

/* The first row after a time, looked for from `near` on: samples are asked for one after another,
 * so it is seldom far. */
static size_t row_after(const struct course *course, int64_t time_ns, size_t near)
{
    const int64_t *times = course->time_ns;
    size_t low = near < course->count ? near : course->count, high, step = 1;
    if (low > 0 && times[low - 1] > time_ns) {
        high = low - 1; /* it is below: all of that */
        low = 0;
    } else {
        high = low;
        while (high < course->count && times[high] <= time_ns) {
            low = high + 1;
            high = course->count - high > step ? high + step : course->count;
            step *= 2;
        }
    }
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (times[middle] <= time_ns)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

double course_between(const struct course *course, int64_t time_ns, size_t *near)
{
    size_t low = *near = row_after(course, time_ns, *near);
    if (low == 0 || low == course->count)
        return NAN;
    int64_t before_ns = course->time_ns[low - 1], gap_ns = course->time_ns[low] - before_ns;
    if (gap_ns > course->stale_ns)
        return NAN;
    double part = gap_ns > 0 ? (double)(time_ns - before_ns) / (double)gap_ns : 0;
    double before = course_value(course, low - 1), after = course_value(course, low);
    return before + part * (after - before);
}

/* --- rows --- */

static bool times_ascend(const struct lt_kept *kept)
{
    for (size_t row = 0; row < kept->count; row++)
        if (kept->time_ns[row] == LT_NO_TIME ||
            (row > 0 && kept->time_ns[row] < kept->time_ns[row - 1]))
            return false;
    return true;
}

static bool is_on(const struct lt_stream *stream, const struct lt_survey_field *field,
                  const uint8_t *row)
{
    return survey_on_page(field, lt_bits_get(row, &stream->selector.bits));
}

/* The rows of the field's pages, copied; every n-th where they are many. */
static bool read_pages(struct lt_arena *arena, const struct lt_stream *stream,
                       struct course *course)
{
    const struct lt_kept *kept = &stream->kept;
    size_t length = kept->key.length, found = 0, most = PAGE_BYTES / (length + sizeof(int64_t));
    for (size_t row = 0; row < kept->count; row++)
        found += is_on(stream, course->is, lt_kept_row(kept, row));
    size_t step = found / most + 1, room = found / step + 1;
    int64_t *time_ns = lt_arena_array(arena, room, sizeof *time_ns);
    uint8_t *bytes = lt_arena_alloc(arena, room * length + 8);
    if (!time_ns || !bytes)
        return false;
    found = 0;
    for (size_t row = 0; row < kept->count; row++) {
        const uint8_t *data = lt_kept_row(kept, row);
        if (!is_on(stream, course->is, data) || found++ % step != 0)
            continue;
        time_ns[course->count] = kept->time_ns[row];
        memcpy(bytes + course->count++ * length, data, length);
    }
    course->time_ns = time_ns;
    course->bytes = bytes;
    return true;
}

static int by_gap(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return x < y ? -1 : x > y;
}

static int64_t usual_gap(const struct course *course)
{
    int64_t gaps[255];
    size_t count = 0, step = course->count / 256 + 1;
    for (size_t row = 1; row < course->count && count < 255; row += step)
        gaps[count++] = course->time_ns[row] - course->time_ns[row - 1];
    if (count == 0)
        return 0;
    qsort(gaps, count, sizeof *gaps, by_gap);
    return gaps[count / 2];
}

/* --- the grid --- */

static void fill_grid(struct course *course, int64_t first_ns, double step_ns)
{
    size_t row = 0;
    for (size_t i = 0; i < GRID_POINTS; i++) {
        int64_t time_ns = first_ns + (int64_t)(step_ns * (double)i);
        while (row < course->count && course->time_ns[row] <= time_ns)
            row++;
        bool has = row > 0 && time_ns - course->time_ns[row - 1] <= course->stale_ns;
        course->grid[i] = has ? (float)course_value(course, row - 1) : NAN;
    }
}

static void measure_grid(struct course *course)
{
    double sum = 0, squares = 0, low = INFINITY, high = -INFINITY;
    size_t count = 0;
    for (size_t i = 0; i < GRID_POINTS; i++) {
        double value = course->grid[i];
        if (isnan(value))
            continue;
        count++;
        sum += value;
        low = value < low ? value : low;
        high = value > high ? value : high;
    }
    course->mean = count ? sum / (double)count : 0;
    course->span = count ? high - low : 0;
    for (size_t i = 0; i < GRID_POINTS; i++)
        if (!isnan(course->grid[i]))
            squares += (course->grid[i] - course->mean) * (course->grid[i] - course->mean);
    course->deviation = count ? sqrt(squares / (double)count) : 0;
}

/* The integral of the autocorrelation up to where it has died away. */
static double memory_of(const struct course *course, double step_s)
{
    double variance = course->deviation * course->deviation, points = 0.5;
    for (size_t lag = 1; lag < MEMORY_MOST && variance > 0; lag++) {
        double sum = 0;
        size_t count = 0;
        for (size_t i = lag; i < GRID_POINTS; i++) {
            double product =
                (course->grid[i] - course->mean) * (course->grid[i - lag] - course->mean);
            if (!isnan(product)) {
                sum += product;
                count++;
            }
        }
        double rho = count ? sum / (double)count / variance : 0;
        if (rho < 0.05)
            break;
        points += rho;
    }
    return points * step_s;
}

/* --- all --- */

static bool can_compare(const struct lt_survey_field *field)
{
    bool kind = field->kind == LT_FIELD_PHYSICAL || field->kind == LT_FIELD_ACCUMULATING;
    return kind && lt_bits_length(&field->bits) >= LEAST_BITS &&
           field->distinct >= LEAST_DISTINCT && field->confidence >= LEAST_CONFIDENCE;
}

static enum lt_code read_course(struct survey_work *work, struct course *course, bool *ret_fine)
{
    const struct lt_survey *survey = work->survey;
    const struct lt_stream *stream = survey->frames[course->frame].stream;
    *ret_fine = false;
    course->length = stream->key.length;
    course->count = stream->kept.count;
    course->time_ns = stream->kept.time_ns;
    course->bytes = stream->kept.bytes;
    if (stream->selector.present && course->is->pages) {
        course->count = 0;
        if (!read_pages(work->scratch, stream, course))
            return LT_E_MEMORY;
    }
    if (course->count < LEAST_ROWS)
        return LT_OK;
    course->period_ns = usual_gap(course);
    course->stale_ns = STALE_PERIODS * course->period_ns;
    if (course->stale_ns < STALE_LEAST_NS)
        course->stale_ns = STALE_LEAST_NS;
    course->grid = lt_arena_array(work->scratch, GRID_POINTS, sizeof *course->grid);
    if (!course->grid)
        return LT_E_MEMORY;
    double step_ns = survey->duration_s * 1e9 / GRID_POINTS;
    fill_grid(course, survey->counts->first_ns, step_ns);
    measure_grid(course);
    course->memory_s = memory_of(course, step_ns / 1e9);
    *ret_fine = course->deviation > 0;
    return LT_OK;
}

static int by_distinct(const void *a, const void *b)
{
    const struct course *x = a, *y = b;
    if (x->is->distinct != y->is->distinct)
        return x->is->distinct > y->is->distinct ? -1 : 1;
    return x->frame != y->frame ? (x->frame < y->frame ? -1 : 1)
                                : (x->field < y->field ? -1 : x->field > y->field);
}

static enum lt_code list_courses(struct survey_work *work, struct course **ret_list,
                                 size_t *ret_count)
{
    const struct lt_survey *survey = work->survey;
    struct course *list = NULL;
    size_t count = 0, capacity = 0;
    for (uint32_t i = 0; i < survey->frame_count; i++) {
        const struct lt_survey_frame *frame = &survey->frames[i];
        if (frame->diagnostic || !times_ascend(&frame->stream->kept))
            continue;
        for (uint32_t k = 0; k < frame->field_count; k++) {
            if (!can_compare(&frame->fields[k]))
                continue;
            struct course *course =
                lt_arena_push(work->scratch, &list, &count, &capacity, sizeof *course);
            if (!course)
                return LT_E_MEMORY;
            *course = (struct course){.frame = i, .field = k, .is = &frame->fields[k]};
            course->window = survey_window_of(&course->is->bits);
        }
    }
    if (count > COURSES_MOST) {
        qsort(list, count, sizeof *list, by_distinct);
        count = COURSES_MOST;
    }
    *ret_list = list;
    *ret_count = count;
    return LT_OK;
}

enum lt_code courses_read(struct survey_work *work, struct course **ret_courses, size_t *ret_count)
{
    struct course *list = NULL;
    size_t count = 0, fine_count = 0;
    enum lt_code code = list_courses(work, &list, &count);
    for (size_t i = 0; i < count && code == LT_OK; i++) {
        bool fine;
        code = read_course(work, &list[i], &fine);
        if (fine)
            list[fine_count++] = list[i];
    }
    if (code == LT_E_MEMORY)
        return lt_fail(work->error, LT_E_MEMORY, "out of memory for the courses of fields");
    *ret_courses = list;
    *ret_count = fine_count;
    return code;
}
