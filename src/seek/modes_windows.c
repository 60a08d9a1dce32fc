/* Bits that follow the label, put together to windows.
 *
 * A field is a run of neighbours that change in the same frames. In a frame's order a run may go on
 * into the next byte, so both orders are tried; inside a byte they are one. A neighbour that
 * changes at other moments is another field (a lamp beside the mode); bits that never change are no
 * part, unless without the bits on both sides of them the labels would not differ (codes 0, 1 and
 * 4). */
#include "seek/modes.h"

static unsigned linear(enum lt_order order, unsigned position)
{
    return order == LT_ORDER_INTEL ? position : 8 * (position / 8) + 7 - position % 8;
}

/* Pairs of changes near each other in time but in different frames, against those in one. */
static bool change_together(const struct modes_view *view, const struct modes_bit *a,
                            const struct modes_bit *b)
{
    size_t same = 0, near = 0, j = 0;
    for (size_t i = 0; i < a->count; i++) {
        int64_t at = view->kept.time_ns[a->row[i]];
        while (j < b->count && b->row[j] < a->row[i] &&
               at - view->kept.time_ns[b->row[j]] > 1500 * MODES_MS)
            j++;
        bool hit = false, close = false;
        for (size_t k = j; k < b->count; k++) {
            if (view->kept.time_ns[b->row[k]] - at > 1500 * MODES_MS)
                break;
            hit = hit || b->row[k] == a->row[i];
            close = true;
        }
        same += hit;
        near += close && !hit;
    }
    return near <= 1 || near * 4 <= same;
}

struct run {
    const struct modes_bit *bit[MODES_BITS_MAX]; /* by rising place in the order */
    unsigned count;
    unsigned first, last; /* places */
    uint64_t fixed;       /* what the bits between that hold still add to the value */
};

static void run_values(const struct modes_times *times, const struct run *run, enum lt_order order,
                       struct modes_window *window)
{
    unsigned votes[LT_MARK_LABELS_MAX][MODES_BITS_MAX][2] = {{{0}}};
    unsigned length = run->last - run->first + 1;
    for (size_t v = 0; v < times->count; v++)
        for (unsigned i = 0; i < run->count; i++)
            if (run->bit[i]->on[v] <= MODES_ONE)
                votes[times->visit[v].label][i][run->bit[i]->on[v]]++;
    for (unsigned label = 0; label < times->label_count; label++) {
        window->value[label] = run->fixed;
        window->agree[label] = 0;
        for (unsigned i = 0; i < run->count; i++) {
            unsigned place = linear(order, run->bit[i]->position) - run->first;
            unsigned shift = order == LT_ORDER_INTEL ? place : length - 1 - place;
            if (votes[label][i][1] > votes[label][i][0])
                window->value[label] |= UINT64_C(1) << shift;
        }
    }
}

/* Visits on which the window's value is its label's, or is not. */
static void count_visits(const struct modes_times *times, const struct run *run,
                         enum lt_order order, struct modes_window *window)
{
    unsigned length = run->last - run->first + 1;
    window->bad = window->known = 0;
    window->first_bad_mark = 0;
    for (size_t v = 0; v < times->count; v++) {
        uint64_t value = run->fixed;
        bool mixed = false, nothing = false;
        for (unsigned i = 0; i < run->count; i++) {
            unsigned place = linear(order, run->bit[i]->position) - run->first;
            unsigned shift = order == LT_ORDER_INTEL ? place : length - 1 - place;
            mixed = mixed || run->bit[i]->on[v] == MODES_MIXED;
            nothing = nothing || run->bit[i]->on[v] == MODES_NOTHING;
            value |= (uint64_t)(run->bit[i]->on[v] == MODES_ONE) << shift;
        }
        if (nothing)
            continue;
        unsigned label = times->visit[v].label;
        bool good = !mixed && value == window->value[label];
        window->known++;
        window->agree[label] += good;
        window->bad += !good;
        if (!good && !window->first_bad_mark)
            window->first_bad_mark = times->visit[v].mark;
    }
}

static bool is_injective(const struct modes_times *times, const struct modes_window *window)
{
    for (unsigned a = 0; a < times->label_count; a++)
        for (unsigned b = 0; b < a; b++)
            if (window->agree[a] && window->agree[b] && window->value[a] == window->value[b])
                return false;
    return true;
}

static struct lt_bits bits_of(const struct run *run, enum lt_order order)
{
    uint16_t first =
        (uint16_t)(order == LT_ORDER_INTEL ? run->first
                                           : 8 * (run->first / 8) + 7 - run->first % 8);
    uint16_t last =
        (uint16_t)(order == LT_ORDER_INTEL ? run->last : 8 * (run->last / 8) + 7 - run->last % 8);
    struct lt_span span =
        order == LT_ORDER_INTEL ? (struct lt_span){last, first} : (struct lt_span){first, last};
    return (struct lt_bits){.parts = 1, .part = {span}};
}

/* All rows in which any of the run's bits changes, ascending, each once. */
static size_t merge_rows(const struct run *run, uint32_t *rows)
{
    size_t at[MODES_BITS_MAX] = {0}, count = 0;
    for (;;) {
        uint32_t least = UINT32_MAX;
        for (unsigned i = 0; i < run->count; i++)
            if (at[i] < run->bit[i]->count && run->bit[i]->row[at[i]] < least)
                least = run->bit[i]->row[at[i]];
        if (least == UINT32_MAX)
            return count;
        for (unsigned i = 0; i < run->count; i++)
            at[i] += at[i] < run->bit[i]->count && run->bit[i]->row[at[i]] == least;
        rows[count++] = least;
    }
}

static bool same_place(const struct modes_window *a, const struct modes_window *b)
{
    return a->stream == b->stream && a->has_page == b->has_page && a->page == b->page &&
           a->bits.part[0].msb == b->bits.part[0].msb && a->bits.part[0].lsb == b->bits.part[0].lsb;
}

/* The weakest of all kept ones makes place, so that a bus full of flags loses only its worst. */
static void keep_window(struct modes_found *found, const struct modes_window *window)
{
    for (size_t i = 0; i < found->count; i++)
        if (same_place(&found->window[i], window))
            return;
    if (found->count < MODES_WINDOWS_MAX) {
        found->window[found->count++] = *window;
        return;
    }
    size_t worst = 0;
    for (size_t i = 1; i < found->count; i++)
        if (found->window[i].chance > found->window[worst].chance)
            worst = i;
    found->past = true;
    if (window->chance < found->window[worst].chance)
        found->window[worst] = *window;
}

static enum lt_code add_one(const struct modes_times *times, const struct modes_view *view,
                            const struct run *run, enum lt_order order, struct lt_arena *scratch,
                            struct modes_found *found, struct modes_window *ret_window,
                            struct lt_error *error)
{
    struct modes_window window = {.stream = view->stream,
                                  .has_page = view->has_page,
                                  .page = view->page,
                                  .bits = bits_of(run, order),
                                  .length = run->last - run->first + 1,
                                  .scattered = run->count < run->last - run->first + 1,
                                  .period_ns = view->period_ns};
    size_t changes = 0;
    for (unsigned i = 0; i < run->count; i++)
        changes += run->bit[i]->count;
    uint32_t *rows = lt_arena_array(scratch, changes + 1, sizeof *rows);
    double *room = lt_arena_array(scratch, times->count + 1, sizeof *room);
    if (!rows || !room)
        return lt_fail(error, LT_E_MEMORY, "no memory to look for modes");
    run_values(times, run, order, &window);
    count_visits(times, run, order, &window);
    window.injective = is_injective(times, &window);
    modes_judge_changes(times, view, rows, merge_rows(run, rows), room, &window);
    if (times->presses || window.bad <= times->tolerance)
        keep_window(found, &window);
    *ret_window = window;
    return LT_OK;
}

/* Two copies side by side: both halves of every code are the same. With two labels alone this may
 * as well be one field with the codes 0 and 3. */
static bool is_twin(const struct modes_times *times, const struct run *run,
                    const struct modes_window *window)
{
    unsigned half = window->length / 2;
    uint64_t different[3], mask = (UINT64_C(1) << half) - 1;
    unsigned count = 0;
    if (window->length < 4 || window->length % 2 || run->count != window->length)
        return false;
    for (unsigned label = 0; label < times->label_count; label++) {
        uint64_t value = window->value[label];
        if (!window->agree[label])
            continue;
        if (value >> half != (value & mask))
            return false;
        bool again = false;
        for (unsigned i = 0; i < count; i++)
            again = again || different[i] == value;
        if (!again && count < 3)
            different[count++] = value;
    }
    return count == 3;
}

static struct run part_of(const struct run *run, unsigned from, unsigned count)
{
    struct run part = {
        .count = count, .first = run->first + from, .last = run->first + from + count - 1};
    for (unsigned i = 0; i < count; i++)
        part.bit[i] = run->bit[from + i];
    return part;
}

/* Three copies and more of one bit: all bits the same for every label. */
static bool is_repeated(const struct modes_times *times, const struct run *run,
                        const struct modes_window *window)
{
    uint64_t ones = (UINT64_C(1) << window->length) - 1;
    for (unsigned label = 0; label < times->label_count; label++)
        if (window->agree[label] && window->value[label] != 0 && window->value[label] != ones)
            return false;
    return window->length >= 3 && run->count == window->length;
}

static enum lt_code add_run(const struct modes_times *times, const struct modes_view *view,
                            const struct run *run, enum lt_order order, struct lt_arena *scratch,
                            struct modes_found *found, struct modes_window *ret_window,
                            struct lt_error *error)
{
    size_t before = found->count;
    enum lt_code code = add_one(times, view, run, order, scratch, found, ret_window, error);
    if (code != LT_OK || times->presses)
        return code;
    unsigned step = is_twin(times, run, ret_window)       ? run->count / 2
                    : is_repeated(times, run, ret_window) ? 1
                                                          : run->count;
    struct modes_window part;
    if (step < run->count)
        found->count = before; /* the whole is none */
    for (unsigned from = 0; step < run->count && from < run->count && code == LT_OK; from += step) {
        struct run piece = part_of(run, from, step);
        code = add_one(times, view, &piece, order, scratch, found, &part, error);
    }
    return code;
}

/* Bits of one byte with others between that never changed: codes such as 97 and 194 are meant to
 * lie far apart. Whether this is one field is decided when all windows are known (modes_rank.c). */
static enum lt_code add_scattered(const struct modes_times *times, const struct modes_view *view,
                                  const struct modes_bits *bits, struct modes_bit *const *at,
                                  unsigned byte, struct lt_arena *scratch,
                                  struct modes_found *found, struct lt_error *error)
{
    struct run run = {.count = 0};
    struct modes_window window;
    for (unsigned place = 8 * byte; place < 8 * byte + 8; place++) {
        if (!at[place])
            continue;
        if (run.count && !change_together(view, run.bit[run.count - 1], at[place]))
            return LT_OK;
        if (run.count == 0)
            run.first = place;
        run.bit[run.count++] = at[place];
        run.last = place;
    }
    if (run.count < 2 || run.last - run.first + 1 == run.count)
        return LT_OK;
    for (unsigned place = run.first; place <= run.last; place++) {
        if (at[place])
            continue;
        if (bits->still[place] > 1) /* another field lies between */
            return LT_OK;
        run.fixed |= (uint64_t)bits->still[place] << (place - run.first);
    }
    return add_one(times, view, &run, LT_ORDER_INTEL, scratch, found, &window, error);
}

static enum lt_code find_in_order(const struct modes_times *times, const struct modes_view *view,
                                  struct modes_bit *const *at, unsigned places, enum lt_order order,
                                  struct lt_arena *scratch, struct modes_found *found,
                                  struct lt_error *error)
{
    struct run run = {.count = 0};
    struct modes_window window;
    for (unsigned place = 0; place <= places; place++) {
        struct modes_bit *bit = place < places ? at[place] : NULL;
        bool goes_on = bit && run.count && run.count < MODES_BITS_MAX &&
                       change_together(view, run.bit[run.count - 1], bit) &&
                       change_together(view, bit, run.bit[run.count - 1]);
        if (run.count && !goes_on) {
            enum lt_code code = add_run(times, view, &run, order, scratch, found, &window, error);
            if (code != LT_OK)
                return code;
            run.count = 0;
        }
        if (!bit)
            continue;
        if (run.count == 0)
            run.first = place;
        run.bit[run.count++] = bit;
        run.last = place;
    }
    return LT_OK;
}

enum lt_code modes_windows_find(const struct modes_times *times, const struct modes_view *view,
                                const struct modes_bits *bits, struct lt_arena *scratch,
                                struct modes_found *found, struct lt_error *error)
{
    static const enum lt_order orders[] = {LT_ORDER_INTEL, LT_ORDER_MOTOROLA};
    unsigned places = 8u * view->kept.key.length;
    found->tried += bits->count;
    for (unsigned o = 0; o < 2; o++) {
        struct modes_bit *at[MODES_FRAME_BITS] = {NULL};
        for (size_t i = 0; i < bits->count; i++)
            if (bits->bit[i].follows)
                at[linear(orders[o], bits->bit[i].position)] = &bits->bit[i];
        enum lt_code code =
            find_in_order(times, view, at, places, orders[o], scratch, found, error);
        for (unsigned byte = 0; code == LT_OK && !times->presses && o == 0 && byte < places / 8;
             byte++)
            code = add_scattered(times, view, bits, at, byte, scratch, found, error);
        if (code != LT_OK)
            return code;
    }
    return LT_OK;
}
