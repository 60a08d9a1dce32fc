/* Marks to visits. A mark with the label that holds already is no change (pressed twice); marks
 * before and behind the capture are left out, but the last one before it says what held at its
 * start. */
#include "seek/modes.h"

#include <string.h>

#define NS_PER_S INT64_C(1000000000)

static enum lt_code find_label(struct modes_times *times, const char *label, unsigned *ret_label,
                               struct lt_error *error)
{
    for (unsigned i = 0; i < times->label_count; i++)
        if (strcmp(times->label[i], label) == 0) {
            *ret_label = i;
            return LT_OK;
        }
    if (times->label_count == LT_MARK_LABELS_MAX) {
        lt_fail(error, LT_E_LIMIT, "the marks have more than %d different labels",
                LT_MARK_LABELS_MAX);
        lt_error_advise(error, "use the same word every time the same thing was done");
        return LT_E_LIMIT;
    }
    *ret_label = times->label_count;
    times->label[times->label_count++] = label;
    return LT_OK;
}

/* By how much the marks' times are moved: those counted from 0 beside a capture by the clock. */
static enum lt_code align(const struct lt_reference *marks, struct modes_times *times,
                          struct lt_error *error)
{
    int64_t from = marks->time_ns[0], to = marks->time_ns[marks->count - 1];
    int64_t early = times->first_ns - 2 * NS_PER_S, late = times->last_ns + 2 * NS_PER_S;
    if (to >= early && from <= late)
        return LT_OK;
    if (from >= 0 && to <= times->last_ns - times->first_ns + 2 * NS_PER_S) {
        times->moved_ns = times->first_ns;
        return LT_OK;
    }
    lt_fail(error, LT_E_RANGE,
            "the marks (%.3f to %.3f s) are not of this capture's time (%.3f to %.3f s)",
            (double)from / 1e9, (double)to / 1e9, (double)times->first_ns / 1e9,
            (double)times->last_ns / 1e9);
    lt_error_at(error, marks->name, 0, 0);
    lt_error_advise(error, "marks are in the capture's own time, or in seconds from its start");
    return LT_E_RANGE;
}

static void add_visit(struct modes_times *times, int64_t at_ns, unsigned label, uint64_t mark)
{
    if (times->count && times->visit[times->count - 1].label == label) {
        times->doubled++;
        return;
    }
    if (times->count)
        times->visit[times->count - 1].to_ns = at_ns;
    times->visit[times->count++] = (struct modes_visit){at_ns, times->last_ns, label, mark};
}

/* Presses: every mark counts by itself, and lasts until the next. */
static void add_press(struct modes_times *times, int64_t at_ns, uint64_t mark)
{
    if (times->count)
        times->visit[times->count - 1].to_ns = at_ns;
    times->visit[times->count++] = (struct modes_visit){at_ns, times->last_ns, 0, mark};
}

static enum lt_code add_marks(const struct lt_reference *marks, struct modes_times *times,
                              struct lt_error *error)
{
    unsigned label;
    for (size_t i = 0; i < marks->count; i++) {
        enum lt_code code = find_label(times, marks->label[i], &label, error);
        if (code != LT_OK)
            return code;
    }
    times->presses = times->label_count == 1;
    for (size_t i = 0; i < marks->count; i++) {
        int64_t at_ns = marks->time_ns[i] + times->moved_ns;
        find_label(times, marks->label[i], &label, NULL);
        if (at_ns > times->last_ns + times->late_ns) {
            times->outside++;
            continue;
        }
        if (at_ns < times->first_ns - 2 * NS_PER_S)
            times->outside++;
        if (times->presses)
            add_press(times, at_ns, i + 1);
        else
            add_visit(times, at_ns, label, i + 1);
    }
    return LT_OK;
}

enum lt_code modes_times_make(const struct lt_reference *marks, int64_t first_ns, int64_t last_ns,
                              struct lt_arena *arena, struct modes_times *ret_times,
                              struct lt_error *error)
{
    struct modes_times times = {
        .early_ns = -marks->lag_low_ns,
        .late_ns = marks->lag_high_ns,
        .first_ns = first_ns,
        .last_ns = last_ns,
        .visit = lt_arena_array(arena, marks->count + 1, sizeof *times.visit),
    };
    if (!times.visit)
        return lt_fail(error, LT_E_MEMORY, "no memory for %zu marks", marks->count);
    enum lt_code code = align(marks, &times, error);
    if (code == LT_OK)
        code = add_marks(marks, &times, error);
    if (code == LT_OK && times.count > LT_MARKS_USED_MAX) {
        lt_fail(error, LT_E_LIMIT, "the label changes more than %d times", LT_MARKS_USED_MAX);
        lt_error_advise(error, "marks are put by hand: is this a logger's column?");
        return LT_E_LIMIT;
    }
    if (code != LT_OK)
        return code;
    for (size_t i = 0; i < times.count; i++)
        times.visits[times.visit[i].label]++;
    times.changes = times.presses ? times.count : times.count ? times.count - 1 : 0;
    times.tolerance = times.count < 6 ? 0 : (times.count + 2) / 8;
    *ret_times = times;
    return LT_OK;
}
