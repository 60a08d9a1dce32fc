/* How likely chance is, and which window comes first.
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

/* --- order --- */

/* What does not agree with the marks, of whichever the fault is. */
static size_t blemishes(const struct modes_window *window)
{
    return window->bad + (window->expected - window->hits) + (window->extra + 1) / 2;
}

/* Seen early counts: the cause changes first. A tenth of the period lets the fresher of two that
 * change together win. */
static double earliness(const struct modes_window *window)
{
    return window->after_s + 0.1 * (double)window->period_ns / 1e9;
}

static int compare_windows(const void *a, const void *b)
{
    const struct modes_window *x = a, *y = b;
    if (x->injective != y->injective)
        return x->injective ? -1 : 1;
    if (x->bad != y->bad)
        return x->bad < y->bad ? -1 : 1;
    size_t bx = blemishes(x) / 3, by = blemishes(y) / 3;
    if (bx != by)
        return bx < by ? -1 : 1;
    double ex = earliness(x), ey = earliness(y);
    if (ex != ey)
        return ex < ey ? -1 : 1;
    if (x->length != y->length)
        return x->length < y->length ? -1 : 1;
    const struct lt_stream_key *p = &x->stream->key, *q = &y->stream->key;
    if (p->bus != q->bus)
        return p->bus < q->bus ? -1 : 1;
    if (p->id != q->id)
        return p->id < q->id ? -1 : 1;
    if (p->extended != q->extended)
        return p->extended ? 1 : -1;
    if (p->length != q->length)
        return p->length < q->length ? -1 : 1;
    if (x->page != y->page)
        return x->page < y->page ? -1 : 1;
    return x->bits.part[0].msb < y->bits.part[0].msb ? -1
                                                     : x->bits.part[0].msb > y->bits.part[0].msb;
}

static bool same_frames(const struct modes_window *a, const struct modes_window *b)
{
    return a->stream == b->stream && (!a->has_page || !b->has_page || a->page == b->page);
}

/* Parts of a window that is as good: pieces of a field seen in the other byte order, or the bits on
 * one side of a hole. On a page too, where the whole stream shows the same. */
static bool is_covered(const struct modes_window *part, const struct modes_window *whole)
{
    if (part == whole || !same_frames(part, whole) || !lt_bits_overlap(&part->bits, &whole->bits) ||
        part->injective > whole->injective)
        return false;
    if (part->length != whole->length)
        return part->length < whole->length && blemishes(whole) <= blemishes(part) + 1;
    if (part->has_page != whole->has_page)
        return part->has_page;
    return part > whole; /* the later of two that overlap */
}

void modes_rank(const struct modes_times *times, struct modes_found *found)
{
    (void)times;
    qsort(found->window, found->count, sizeof *found->window, compare_windows);
    size_t kept = 0;
    bool *out = calloc(found->count + 1, sizeof *out);
    if (!out)
        return; /* only pieces stay in the list */
    for (size_t i = 0; i < found->count; i++)
        for (size_t j = 0; j < found->count && !out[i]; j++)
            out[i] = is_covered(&found->window[i], &found->window[j]);
    for (size_t i = 0; i < found->count; i++)
        if (!out[i])
            found->window[kept++] = found->window[i];
    found->count = kept;
    free(out);
}
