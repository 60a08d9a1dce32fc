/* Numbers as sign and magnitude: their lower bits follow the size of the reference, and the bit on
 * top says on which side of zero it is. Read as any plain number they follow nothing, so where the
 * reference crosses zero, all windows are scored against its size, and what follows that is tried
 * with the bit above it as the sign. */
#include "seek/search.h"

#define EACH_SIDE 0.04 /* share of the samples */
#define R_SIZE    0.9
#define BETTER    0.5 /* of 1 - r^2 as a plain number */

static bool crosses_zero(const struct seek_course *course)
{
    size_t below = 0, above = 0;
    for (size_t i = 0; i < course->count; i++) {
        below += course->value[i] < 0;
        above += course->value[i] > 0;
    }
    double least = EACH_SIDE * (double)course->count;
    return (double)below > least && (double)above > least;
}

static enum lt_code size_of(const struct seek_course *course, struct lt_arena *arena,
                            struct lt_reference *reference, struct seek_course *ret_size,
                            struct lt_error *error)
{
    double *value = lt_arena_array(arena, course->count + 1, sizeof *value);
    if (!value)
        return seek_no_memory(error);
    for (size_t i = 0; i < course->count; i++)
        value[i] = fabs(course->value[i]);
    *reference = *course->reference;
    reference->count = course->count;
    reference->time_ns = course->time_ns;
    reference->value = value;
    enum lt_code code = seek_course_make(reference, arena, ret_size, error);
    ret_size->lag_low_ns = course->lag_low_ns;
    ret_size->lag_high_ns = course->lag_high_ns;
    return code;
}

/* The window with its sign on top, where that follows the reference. */
static bool with_sign(const struct seek_window *size, const struct seek_course *course,
                      uint32_t *rows, struct seek_window *ret_window)
{
    double best = 1 - R_SIZE * R_SIZE, r;
    bool found = false;
    seek_rows(size->view, course, (int64_t)llround(size->lag_s * NS_PER_S), rows);
    for (unsigned order = 0; order < 2; order++) {
        struct seek_window signed_one = *size;
        struct lt_bits bits = seek_window_bits(size);
        bool inside = bits.part[0].msb / 8 == bits.part[0].lsb / 8;
        enum lt_order way = order ? LT_ORDER_MOTOROLA : LT_ORDER_INTEL;
        if (size->sign != LT_UNSIGNED || size->length >= LT_WINDOW_MAX ||
            (way != size->order && !inside))
            continue;
        signed_one.order = way;
        signed_one.length++;
        signed_one.sign = LT_SIGN_MAGNITUDE;
        bits = seek_window_bits(&signed_one);
        if (bits.part[0].msb >= 8u * size->view->kept.key.length ||
            lt_bit_set_has(&size->view->taken, bits.part[0].msb))
            continue;
        double loss = seek_loss(&signed_one, course, rows, &r);
        if (loss < best && loss < BETTER * seek_loss(size, course, rows, &(double){0})) {
            best = loss;
            signed_one.r = r;
            *ret_window = signed_one;
            found = true;
        }
    }
    return found;
}

enum lt_code seek_magnitude_scan(struct seek_scan *scan, struct lt_error *error)
{
    struct seek_course size;
    struct lt_reference reference;
    if (!crosses_zero(scan->course))
        return LT_OK;
    enum lt_code code = size_of(scan->course, scan->arena, &reference, &size, error);
    struct seek_scan inner = {.arena = scan->arena, .course = &size, .views = scan->views};
    if (code == LT_OK && size.sd > 0)
        code = seek_scan_run(&inner, error);
    if (code != LT_OK || !inner.count)
        return code;
    uint32_t *rows = lt_arena_array(scan->arena, scan->course->count + 1, sizeof *rows);
    struct seek_window *all =
        lt_arena_array(scan->arena, scan->count + inner.count + 1, sizeof *all);
    if (!rows || !all)
        return seek_no_memory(error);
    size_t count = scan->count;
    for (size_t i = 0; i < scan->count; i++)
        all[i] = scan->found[i];
    for (size_t i = 0; i < inner.count; i++)
        if (fabs(inner.found[i].r) >= R_SIZE &&
            with_sign(&inner.found[i], scan->course, rows, &all[count]))
            count++;
    scan->found = all;
    scan->count = count;
    return LT_OK;
}
