/* What a field did over time, read as one number. Steps are taken modulo its length, so that
 * neither a sign nor a wrap makes a jump. */
#include <math.h>
#include <string.h>

#include "survey/fields_inside.h"

#define DISTINCT_MOST 65536u
#define MAP_BITS      16u /* fields up to this length have a bit for each value */

/* Values seen: a map of bits, or open addressing where a slot holds the value + 1. */
struct seen_values {
    unsigned length;
    uint64_t *slot;
    size_t slots; /* a power of two */
    uint64_t count;
};

static bool seen_values_make(struct seen_values *seen, unsigned length, size_t rows,
                             struct lt_arena *arena)
{
    *seen = (struct seen_values){.length = length, .slots = 64};
    size_t most = rows < DISTINCT_MOST ? rows : DISTINCT_MOST;
    if (length <= MAP_BITS)
        seen->slots = length <= 6 ? 1 : (size_t)1 << (length - 6);
    else
        while (seen->slots < 2 * most)
            seen->slots *= 2;
    seen->slot = lt_arena_array(arena, seen->slots, sizeof *seen->slot);
    return seen->slot != NULL;
}

static void note_value(struct seen_values *seen, uint64_t value)
{
    if (seen->length <= MAP_BITS) {
        uint64_t bit = (uint64_t)1 << value % 64;
        seen->count += !(seen->slot[value / 64] & bit);
        seen->slot[value / 64] |= bit;
        return;
    }
    size_t at = (size_t)(value * 0x9E3779B97F4A7C15u >> 32) & (seen->slots - 1);
    while (seen->slot[at] != 0 && seen->slot[at] != value + 1)
        at = (at + 1) & (seen->slots - 1);
    if (seen->slot[at] == 0 && seen->count < DISTINCT_MOST) {
        seen->slot[at] = value + 1;
        seen->count++;
    }
}

static inline unsigned size_of_step(int64_t step)
{
    uint64_t size = step < 0 ? (uint64_t)-step : (uint64_t)step;
    return size == 0 ? 0 : 64u - (unsigned)__builtin_clzll(size);
}

struct reading { /* of one course */
    const struct field_lines *lines;
    enum lt_order order;
    unsigned place, length;
};

static inline uint64_t value_at(const struct reading *reading, size_t row)
{
    return line_get(reading->lines, reading->order, row, reading->place, reading->length);
}

/* Values, sizes of steps. */
static void read_steps(const struct reading *reading, struct seen_values *seen,
                       struct field_course *course)
{
    uint64_t before = 0, ones = ((uint64_t)1 << reading->length) - 1;
    uint64_t middle = (uint64_t)1 << (reading->length - 1);
    bool any = false;
    for (size_t row = 0; row < reading->lines->count; row++) {
        uint64_t now = value_at(reading, row);
        course->all_ones += now == ones;
        course->dwell_mid += now == middle;
        course->raw_min = now < course->raw_min ? now : course->raw_min;
        course->raw_max = now > course->raw_max ? now : course->raw_max;
        uint64_t flipped = now ^ middle; /* orders two's complement */
        course->twos_min = flipped < course->twos_min ? flipped : course->twos_min;
        course->twos_max = flipped > course->twos_max ? flipped : course->twos_max;
        if (now != ones && now > course->raw_max_below)
            course->raw_max_below = now;
        if (!any || now != before)
            note_value(seen, now);
        if (any && reading->lines->flags[row] & LT_KEPT_NEXT) {
            int64_t step = field_step(now - before, reading->length);
            course->steps++;
            course->changes += step != 0;
            course->up += step > 0;
            course->down += step < 0;
            course->small += step == 1 || step == -1;
            course->size[size_of_step(step)]++;
        }
        before = now;
        any = true;
    }
}

/* The size that all but a thirtieth of the changes keep below, doubled. */
static uint64_t typical_step(const struct field_course *course)
{
    uint64_t outside = course->changes / 32 + 1, above = 0;
    unsigned size = STEP_SIZES - 1;
    while (size > 1 && above + course->size[size] <= outside)
        above += course->size[size--];
    return (uint64_t)2 << size;
}

/* Where usual steps pass the ends and the middle of the range, and how large steps are against the
 * spread when ends are no jump. */
static void read_crossings(const struct reading *reading, struct field_course *course)
{
    uint64_t middle = (uint64_t)1 << (reading->length - 1), before = 0;
    uint64_t ones = 2 * middle - 1;
    /* All ones are a code, not minus one, where the upper half is used but nothing beside them. */
    bool has_code = course->raw_max_below >= middle && ones - course->raw_max_below > 2;
    double sum = 0, square = 0, steps = 0;
    int64_t level = 0;
    uint64_t n = 0;
    for (size_t row = 0; row < reading->lines->count; row++) {
        uint64_t now = value_at(reading, row);
        int64_t step = row == 0 ? 0 : field_step(now - before, reading->length);
        uint64_t size = step < 0 ? (uint64_t)-step : (uint64_t)step;
        bool ends = row != 0 && (now == ones) != (before == ones);
        if (row != 0 && size <= course->typical && size < middle && !(ends && has_code)) {
            bool wraps = (step > 0) != (now > before) && step != 0;
            course->wraps_up += wraps && step > 0;
            course->wraps_down += wraps && step < 0;
            course->mids += !wraps && (now >= middle) != (before >= middle);
            course->long_wraps += wraps && size >= middle / 2;
            course->upper_moves += step != 0 && now >= middle && before >= middle;
        }
        bool jumps = size > course->typical && size < middle / 4 && !ends;
        bool crosses = (now >= middle) != (before >= middle);
        course->wrap_jumps += jumps && (step > 0) != (now > before);
        course->mid_jumps += size > course->typical && crosses && (step > 0) == (now > before);
        course->to_ones += ends;
        course->jumps_to_ones += ends && size > course->typical;
        /* Jumps are left out of the smoothness: the level goes on from where it was. */
        level += size <= course->typical ? step : 0;
        double value = (double)level;
        sum += value;
        square += value * value;
        if (row != 0 && reading->lines->flags[row] & LT_KEPT_NEXT && size <= course->typical) {
            steps += (double)step * (double)step;
            n++;
        }
        before = now;
    }
    double rows = (double)reading->lines->count;
    double variance = square / rows - sum / rows * (sum / rows);
    course->eta = n != 0 && variance > 0 ? steps / (double)n / variance : NAN;
}

enum lt_code field_course_make(const struct field_lines *lines, const struct field_place *place,
                               struct lt_arena *arena, struct field_course *ret_course,
                               struct lt_error *error)
{
    struct reading reading = {.lines = lines,
                              .length = place->length,
                              .order =
                                  place->order == LT_ORDER_NONE ? LT_ORDER_INTEL : place->order};
    struct seen_values seen;
    reading.place = line_place(lines, reading.order, place->lsb);
    *ret_course = (struct field_course){
        .frames = lines->count, .raw_min = UINT64_MAX, .twos_min = UINT64_MAX};
    if (!seen_values_make(&seen, place->length, lines->count, arena))
        return lt_fail(error, LT_E_MEMORY, "no memory for the values of a field");
    read_steps(&reading, &seen, ret_course);
    ret_course->twos_min ^= (uint64_t)1 << (place->length - 1);
    ret_course->twos_max ^= (uint64_t)1 << (place->length - 1);
    ret_course->distinct = seen.count;
    ret_course->typical = typical_step(ret_course);
    if (lines->count != 0)
        read_crossings(&reading, ret_course);
    return LT_OK;
}
