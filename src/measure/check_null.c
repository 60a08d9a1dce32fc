/* All affine relations between the bits of a frame at once, by elimination over GF(2).
 *
 * Rows are frames, columns are the moving bits, the constant 1 and, where a counter may choose a
 * constant of its own for each of its values, the products of its bits (with the bits themselves
 * they span the same as one column for each value). The null space of that matrix holds every
 * relation, so one elimination answers for every place and width: a place is affine in the other
 * bits exactly when the null space, looked at in the place's bits alone, has their full rank. */
#include <string.h>

#include "measure/check_inside.h"

static void set_bit(uint64_t *words, unsigned n)
{
    words[n / 64] |= (uint64_t)1 << n % 64;
}

static void add_row(uint64_t *into, const uint64_t *row, unsigned words)
{
    for (unsigned w = 0; w < words; w++)
        into[w] ^= row[w];
}

/* Products of two and more of the counter's lowest bits. */
static unsigned product_count(const struct check_chooser *chooser)
{
    unsigned bits = 0;
    while (1u << bits < chooser->classes)
        bits++;
    return chooser->present ? chooser->classes - 1 - bits : 0;
}

static void fill_products(const struct check_chooser *chooser, const uint8_t *bytes,
                          unsigned column, uint64_t *row)
{
    unsigned value = check_class(chooser, bytes);
    for (unsigned factors = 3; factors < chooser->classes; factors++) {
        if ((factors & (factors - 1)) == 0)
            continue; /* a bit by itself is there already */
        if ((value & factors) == factors)
            set_bit(row, column);
        column++;
    }
}

static void fill_row(const struct check_view *view, const struct check_null *null,
                     const struct check_chooser *chooser, const uint8_t *bytes, uint64_t *row)
{
    memset(row, 0, sizeof(uint64_t) * CHECK_WORDS);
    for (unsigned b = 0; b < view->length; b++) {
        for (unsigned set = bytes[b] & view->moves[b]; set; set &= set - 1)
            set_bit(row, null->column[8 * b + (unsigned)__builtin_ctz(set)]);
    }
    set_bit(row, null->bits);
    if (chooser->present)
        fill_products(chooser, bytes, null->bits + 1, row);
}

static unsigned lowest(const uint64_t *row, unsigned words)
{
    for (unsigned w = 0; w < words; w++) {
        if (row[w])
            return 64 * w + (unsigned)__builtin_ctzll(row[w]);
    }
    return 64 * words;
}

/* Reduced row echelon form: pivot[c] is the row with its first 1 in column c. */
struct echelon {
    bool has[64 * CHECK_WORDS];
    uint64_t pivot[64 * CHECK_WORDS][CHECK_WORDS];
};

static bool add_to_echelon(struct echelon *echelon, uint64_t *row, unsigned words)
{
    for (;;) {
        unsigned c = lowest(row, words);
        if (c == 64 * words)
            return false;
        if (!echelon->has[c]) {
            echelon->has[c] = true;
            memcpy(echelon->pivot[c], row, sizeof(uint64_t) * CHECK_WORDS);
            return true;
        }
        add_row(row, echelon->pivot[c], words);
    }
}

static void reduce_upwards(struct echelon *echelon, unsigned columns, unsigned words)
{
    for (unsigned c = columns; c-- > 0;) {
        if (!echelon->has[c])
            continue;
        for (unsigned above = 0; above < c; above++) {
            if (echelon->has[above] && check_bit(echelon->pivot[above], c))
                add_row(echelon->pivot[above], echelon->pivot[c], words);
        }
    }
}

static bool read_null_space(const struct check_view *view, const struct echelon *echelon,
                            struct check_null *null)
{
    null->vector =
        lt_arena_array(view->scratch, null->columns - null->rank + 1u, sizeof *null->vector);
    if (!null->vector)
        return false;
    for (unsigned c = 0; c < null->columns; c++) {
        if (echelon->has[c])
            continue;
        uint64_t *vector = null->vector[null->count++];
        set_bit(vector, c);
        for (unsigned p = 0; p < null->columns; p++) {
            if (echelon->has[p] && check_bit(echelon->pivot[p], c))
                set_bit(vector, p);
        }
    }
    return true;
}

bool check_null_make(const struct check_view *view, const struct check_sample *sample,
                     const struct check_chooser *chooser, struct check_null *ret_null)
{
    *ret_null = (struct check_null){0};
    for (unsigned p = 0; p < CHECK_POSITIONS; p++) {
        bool moves = lt_bit_set_has(&view->moving, p);
        ret_null->column[p] = moves ? (uint16_t)ret_null->bits++ : 0xFFFF;
    }
    ret_null->columns = ret_null->bits + 1 + product_count(chooser);
    ret_null->words = (ret_null->columns + 63) / 64;
    if (!lt_work_take(view->work, (uint64_t)sample->count * ret_null->bits * ret_null->words / 2))
        return false;
    struct echelon *echelon = lt_arena_alloc(view->scratch, sizeof *echelon);
    if (!echelon)
        return false;
    for (unsigned i = 0; i < sample->count; i++) {
        uint64_t row[CHECK_WORDS];
        fill_row(view, ret_null, chooser, check_bytes(view, sample->at[i]), row);
        ret_null->rank += add_to_echelon(echelon, row, ret_null->words);
    }
    ret_null->spare = sample->count - ret_null->rank;
    reduce_upwards(echelon, ret_null->columns, ret_null->words);
    return read_null_space(view, echelon, ret_null);
}

/* The place's bits of a relation, as a number. */
static unsigned in_place(const struct check_null *null, const uint64_t *vector,
                         const struct lt_bits *place, unsigned width)
{
    unsigned value = 0;
    for (unsigned n = 0; n < width; n++) {
        unsigned column = null->column[lt_span_position(place->part[0], n)];
        value = value << 1 | (column != 0xFFFF && check_bit(vector, column));
    }
    return value;
}

bool check_null_solve(const struct check_null *null, const struct lt_bits *place,
                      struct check_solution *ret_solution)
{
    unsigned width = lt_bits_length(place), wanted = 0, have = 0, value[16] = {0};
    for (unsigned n = 0; n < width; n++)
        wanted = wanted << 1 | (null->column[lt_span_position(place->part[0], n)] != 0xFFFF);
    *ret_solution = (struct check_solution){.width = width};
    for (unsigned i = 0; i < null->count && have != wanted; i++) {
        unsigned rest = in_place(null, null->vector[i], place, width);
        if (!rest)
            continue;
        uint64_t vector[CHECK_WORDS];
        memcpy(vector, null->vector[i], sizeof vector);
        for (unsigned n = width; n-- > 0;) {
            if ((rest >> n & 1) && (have >> n & 1)) {
                rest ^= value[n];
                add_row(vector, ret_solution->vector[n], null->words);
            }
        }
        if (!rest)
            continue;
        unsigned top = 31u - (unsigned)__builtin_clz(rest);
        for (unsigned n = 0; n < width; n++) {
            if ((have >> n & 1) && (value[n] >> top & 1)) {
                value[n] ^= rest;
                add_row(ret_solution->vector[n], vector, null->words);
            }
        }
        value[top] = rest;
        have |= 1u << top;
        memcpy(ret_solution->vector[top], vector, sizeof vector);
    }
    return have == wanted;
}

uint16_t check_solution_column(const struct check_null *null, const struct check_solution *solution,
                               unsigned position)
{
    unsigned column = null->column[position], value = 0;
    for (unsigned n = 0; column != 0xFFFF && n < solution->width; n++)
        value |= (unsigned)check_bit(solution->vector[n], column) << n;
    return (uint16_t)value;
}
