/* How likely chance is.
 *
 * The edge test: a mark is hit when the window changes near it. By chance a mark put anywhere would
 * be hit with probability q, the share of the time that lies near a change; so hits of n marks have
 * the chance P(Binomial(n, q) >= hits). A window that changes often has a large q and proves
 * nothing. Binomial terms are built up one from the other, which needs no gamma function. */
#include "seek/modes.h"

#include <math.h>
#include <stdlib.h>

double modes_chance(size_t n, size_t hits, double q)
{
    if (hits == 0 || q >= 1)
        return 1;
    if (hits > n || q <= 0)
        return 0;
    double term = 1, sum = 0;
    /* The term of `hits`, in an order that keeps it in range. */
    for (size_t i = 0; i < hits; i++)
        term *= q * (double)(n - i) / (double)(hits - i);
    term *= pow(1 - q, (double)(n - hits));
    for (size_t k = hits; k <= n; k++) {
        sum += term;
        term *= q / (1 - q) * (double)(n - k) / (double)(k + 1);
    }
    return sum < 1 ? sum : 1;
}

/* A change happened between the row before and this one; a pause longer than this says nothing more
 * about when. */
static int64_t before_of(const struct modes_view *view, uint32_t row)
{
    int64_t to = view->kept.time_ns[row], from = view->kept.time_ns[row - 1];
    int64_t most = view->period_ns ? 3 * view->period_ns : 0;
    return to - from > most + 1000 * MODES_MS ? to - most - 1000 * MODES_MS : from;
}

/* The share of the capture in which a mark would be hit. */
static double share_near(const struct modes_times *times, const struct modes_view *view,
                         const uint32_t *row, size_t count)
{
    int64_t covered = 0, end = times->first_ns;
    for (size_t i = 0; i < count; i++) {
        int64_t from = before_of(view, row[i]) - times->early_ns;
        int64_t to = view->kept.time_ns[row[i]] + times->late_ns;
        from = from > end ? from : end;
        to = to < times->last_ns ? to : times->last_ns;
        if (to <= from)
            continue;
        covered += to - from;
        end = to;
    }
    int64_t whole = times->last_ns - times->first_ns;
    return whole > 0 ? (double)covered / (double)whole : 1;
}

static int compare_doubles(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return x < y ? -1 : x > y;
}

static bool is_near(const struct modes_times *times, const struct modes_view *view, uint32_t row,
                    int64_t mark_ns)
{
    return view->kept.time_ns[row] >= mark_ns - times->late_ns &&
           before_of(view, row) <= mark_ns + times->early_ns;
}

/* Is the mark one at which the window must change, in the time that its frames cover? */
static bool is_expected(const struct modes_times *times, const struct modes_view *view,
                        const struct modes_window *window, size_t visit)
{
    const struct lt_kept *kept = &view->kept;
    const struct modes_visit *here = &times->visit[visit];
    if (here->from_ns - times->late_ns < kept->time_ns[0] ||
        here->from_ns > kept->time_ns[kept->count - 1])
        return false;
    if (times->presses)
        return true;
    return visit > 0 && window->value[here->label] != window->value[here[-1].label];
}

void modes_judge_changes(const struct modes_times *times, const struct modes_view *view,
                         const uint32_t *row, size_t count, double *room,
                         struct modes_window *window)
{
    size_t at = 0, near = 0;
    double sum = 0;
    window->hits = window->expected = 0;
    for (size_t v = 0; v < times->count; v++) {
        int64_t mark_ns = times->visit[v].from_ns;
        bool expected = is_expected(times, view, window, v);
        window->expected += expected;
        while (at < count && view->kept.time_ns[row[at]] < mark_ns - times->late_ns)
            at++;
        size_t first = at;
        while (at < count && is_near(times, view, row[at], mark_ns))
            at++, near++;
        if (first == at || !expected)
            continue;
        double middle = ((double)(before_of(view, row[first]) - mark_ns) +
                         (double)(view->kept.time_ns[row[first]] - mark_ns)) /
                        2e9;
        sum += middle;
        room[window->hits++] = -middle;
    }
    window->extra = count - near;
    qsort(room, window->hits, sizeof *room, compare_doubles);
    window->lag_s = window->hits ? room[window->hits / 2] : 0;
    window->after_s = window->hits ? sum / (double)window->hits : 1e9;
    window->chance =
        modes_chance(window->expected, window->hits, share_near(times, view, row, count));
}
