/* Which window comes first, and which are no fields of their own.
 *
 * A frame in which only the mode moves has a checksum that is a function of the mode, and an event
 * frame's counter may step with it: they follow the marks as well as the field does. They show by
 * company: several windows of one frame that change together. Then the frame's witness is worth
 * less, and of the windows the one is taken that looks least like a check (checks stand in the
 * first or last byte, scatter over it, and their codes are no small numbers). */
#include "seek/modes.h"

#include <stdlib.h>

size_t modes_blemishes(const struct modes_window *window)
{
    return window->bad + (window->expected - window->hits) + (window->extra + 1) / 2;
}

/* Seen early counts: the cause changes first. A tenth of the period lets the fresher of two that
 * change together win. */
static double earliness(const struct modes_window *window)
{
    return window->after_s + 0.1 * (double)window->period_ns / 1e9;
}

static int compare_numbers(double x, double y)
{
    return x < y ? -1 : x > y;
}

/* So that the order is the same everywhere. */
static int compare_places(const struct modes_window *x, const struct modes_window *y)
{
    const struct lt_stream_key *p = &x->stream->key, *q = &y->stream->key;
    if (p->bus != q->bus)
        return compare_numbers(p->bus, q->bus);
    if (p->id != q->id)
        return compare_numbers(p->id, q->id);
    if (p->extended != q->extended)
        return p->extended ? 1 : -1;
    if (p->length != q->length)
        return compare_numbers(p->length, q->length);
    if (x->has_page != y->has_page)
        return x->has_page ? 1 : -1;
    if (x->page != y->page)
        return compare_numbers((double)x->page, (double)y->page);
    if (x->bits.part[0].msb != y->bits.part[0].msb)
        return compare_numbers(x->bits.part[0].msb, y->bits.part[0].msb);
    return compare_numbers(x->bits.part[0].lsb, y->bits.part[0].lsb);
}

static int compare_windows(const void *a, const void *b)
{
    const struct modes_window *x = a, *y = b;
    if (x->injective != y->injective)
        return x->injective ? -1 : 1;
    if (x->bad != y->bad)
        return compare_numbers((double)x->bad, (double)y->bad);
    size_t bx = (modes_blemishes(x) + 2) / 3, by = (modes_blemishes(y) + 2) / 3;
    if (bx != by)
        return compare_numbers((double)bx, (double)by);
    if ((x->rivals > 0) != (y->rivals > 0))
        return x->rivals ? 1 : -1;
    if (x->rivals && x->suspicion != y->suspicion)
        return compare_numbers(x->suspicion, y->suspicion);
    if (earliness(x) != earliness(y))
        return compare_numbers(earliness(x), earliness(y));
    if (x->length != y->length)
        return compare_numbers(x->length, y->length);
    return compare_places(x, y);
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
    if (part->has_page != whole->has_page)
        return part->has_page && modes_blemishes(whole) <= modes_blemishes(part) + 1;
    if (part->length != whole->length)
        return part->length < whole->length && modes_blemishes(whole) <= modes_blemishes(part) + 1;
    return part > whole; /* the later of two that overlap */
}

static bool same_codes(const struct modes_times *times, const struct modes_window *a,
                       const struct modes_window *b)
{
    for (unsigned label = 0; label < times->label_count; label++)
        if (a->agree[label] && b->agree[label] && a->value[label] != b->value[label])
            return false;
    return true;
}

/* The same bits with other codes on another page: no field would do that, a check does. */
static bool differs_by_page(const struct modes_times *times, const struct modes_window *a,
                            const struct modes_window *b)
{
    return a != b && a->stream == b->stream && a->has_page && b->has_page && a->page != b->page &&
           lt_bits_overlap(&a->bits, &b->bits) &&
           (a->bits.part[0].msb != b->bits.part[0].msb ||
            a->bits.part[0].lsb != b->bits.part[0].lsb || !same_codes(times, a, b));
}

/* Scattered bits of a byte are one field if no part of them tells the labels apart alone, or if
 * nothing else in the frame moves with them (so they are no check) and they are no copies of each
 * other side by side. */
static bool is_one_field(const struct modes_times *times, const struct modes_found *found,
                         const struct modes_window *whole)
{
    const struct modes_window *first = NULL;
    bool outside = false, different = false;
    for (size_t i = 0; i < found->count; i++) {
        const struct modes_window *part = &found->window[i];
        if (part->scattered || !part->injective || !same_frames(part, whole))
            continue;
        if (!lt_bits_overlap(&part->bits, &whole->bits)) {
            outside = true;
            continue;
        }
        different = different || (first && !same_codes(times, first, part));
        first = first ? first : part;
    }
    return whole->injective && (!first || (different && !outside));
}

/* What is left when scattered bits were not taken as one. */
static void cast_doubt(struct modes_found *found, const struct modes_window *whole)
{
    for (size_t i = 0; whole->injective && i < found->count; i++) {
        struct modes_window *part = &found->window[i];
        if (!part->scattered && same_frames(part, whole) &&
            lt_bits_overlap(&part->bits, &whole->bits))
            part->doubt = true;
    }
}

static bool stands_alone(const struct modes_times *times, const struct modes_found *found,
                         const struct modes_window *window)
{
    for (size_t j = 0; j < found->count; j++)
        if (is_covered(window, &found->window[j]) ||
            (!times->presses && differs_by_page(times, window, &found->window[j])))
            return false;
    return true;
}

static bool is_rival(const struct modes_window *a, const struct modes_window *b)
{
    return a != b && a->injective && b->injective && same_frames(a, b) &&
           !lt_bits_overlap(&a->bits, &b->bits);
}

static unsigned first_byte(const struct modes_window *window)
{
    unsigned msb = window->bits.part[0].msb / 8u, lsb = window->bits.part[0].lsb / 8u;
    return msb < lsb ? msb : lsb;
}

static void look_for_rivals(const struct modes_times *times, struct modes_found *found,
                            struct modes_window *window)
{
    unsigned byte = first_byte(window), company = 0;
    uint64_t largest = 0;
    window->rivals = window->suspicion = 0;
    for (size_t j = 0; j < found->count; j++) {
        if (!is_rival(window, &found->window[j]))
            continue;
        window->rivals++;
        company += first_byte(&found->window[j]) == byte;
    }
    for (unsigned label = 0; label < times->label_count; label++)
        if (window->agree[label] && window->value[label] > largest)
            largest = window->value[label];
    bool at_end = byte == 0 || byte + 1u == window->stream->key.length;
    window->suspicion = 2 * (company > 0) + at_end + window->has_page +
                        (largest >= 2 * (uint64_t)times->label_count) + 2 * (window->extra > 3);
}

enum lt_code modes_rank(const struct modes_times *times, struct modes_found *found,
                        struct lt_arena *scratch, struct lt_error *error)
{
    size_t kept = 0;
    struct modes_window *all = lt_arena_array(scratch, found->count + 1, sizeof *all);
    if (!all)
        return lt_fail(error, LT_E_MEMORY, "no memory to put candidates in order");
    for (size_t i = 0; i < found->count && !times->presses; i++)
        if (found->window[i].scattered && !is_one_field(times, found, &found->window[i]))
            cast_doubt(found, &found->window[i]);
    for (size_t i = 0; i < found->count; i++)
        if (!found->window[i].scattered || is_one_field(times, found, &found->window[i]))
            all[kept++] = found->window[i];
    memcpy(found->window, all, kept * sizeof *all);
    found->count = kept;
    kept = 0;
    qsort(found->window, found->count, sizeof *found->window, compare_windows);
    for (size_t i = 0; i < found->count; i++)
        if (stands_alone(times, found, &found->window[i]))
            all[kept++] = found->window[i];
    memcpy(found->window, all, kept * sizeof *all);
    found->count = kept;
    for (size_t i = 0; i < kept && !times->presses; i++)
        look_for_rivals(times, found, &found->window[i]);
    qsort(found->window, found->count, sizeof *found->window, compare_windows);
    return LT_OK;
}
