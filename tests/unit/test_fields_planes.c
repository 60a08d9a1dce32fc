/* Bits counted 64 rows at a time against the same counted row by row. */
#include "unit.h"

#include "survey/fields_planes.h"

#define ROWS  1000u
#define BYTES 12u
#define CODES 16u

/* --- the slow twin --- */

struct transitions {
    uint32_t from_to[GAP_STRATA][CODES * CODES];
    struct gap_counts bends;
    uint64_t ticks, lower_bends, lower_flips;
};

struct course { /* from one change of the window to the next */
    unsigned steps;
    int du, db;
};

static int wrapped(unsigned difference, unsigned bits)
{
    unsigned half = 1u << (bits - 1), mask = 2 * half - 1;
    difference &= mask;
    return difference >= half ? (int)difference - (int)(2 * half) : (int)difference;
}

static bool bit_at(const struct field_lines *lines, size_t row, unsigned position)
{
    return lines->rows[0][row * lines->length + position / 8] >> position % 8 & 1;
}

/* The bits above, then the one below: the lowest of the code. */
static unsigned code_at(const struct field_lines *lines, const struct gap_window *window,
                        size_t row)
{
    unsigned code = bit_at(lines, row, window->below[0]);
    for (unsigned k = 0; k < window->above; k++)
        code |= (unsigned)bit_at(lines, row, window->upper[k]) << (k + 1);
    return code;
}

static bool differs(const struct field_lines *lines, const struct gap_window *window, size_t row)
{
    for (unsigned k = 0; k < window->below_count; k++)
        if (bit_at(lines, row, window->below[k]) != bit_at(lines, row - 1, window->below[k]))
            return true;
    return code_at(lines, window, row) != code_at(lines, window, row - 1);
}

static void note_tick(struct course *course, int du, int db, unsigned above,
                      struct transitions *seen)
{
    if (course->steps > 1) {
        int ddu = wrapped((unsigned)(du - course->du), above), ddb = db - course->db;
        seen->ticks++;
        seen->lower_bends += ddb != 0;
        if (ddu == 1 || ddu == -1) {
            seen->bends.carry += ddu * ddb < 0;
            seen->bends.anti += ddu * ddb > 0;
            seen->bends.still += ddb == 0;
        }
    }
    course->steps += course->steps < 2;
    course->du = du;
    course->db = db;
}

static void count_transitions(const struct field_lines *lines, const struct gap_window *window,
                              struct transitions *seen)
{
    bool moved_before = true;
    struct course course = {.steps = 1};
    memset(seen, 0, sizeof *seen);
    for (size_t row = 1; row < lines->count; row++) {
        if (!(lines->flags[row] & LT_KEPT_NEXT)) {
            moved_before = true;
            course.steps = 1;
            continue;
        }
        unsigned before = code_at(lines, window, row - 1), now = code_at(lines, window, row);
        int du = wrapped((now >> 1) - (before >> 1), window->above);
        seen->from_to[moved_before][before * CODES + now]++;
        seen->lower_flips += (now ^ before) & 1;
        moved_before = du != 0;
        if (differs(lines, window, row))
            note_tick(&course, du, (int)(now & 1) - (int)(before & 1), window->above, seen);
    }
}

/* Direction of the lowest bits above, 0 where it is not a move by one. Two cannot tell +2 from -2,
 * which is none. */
static int move_of(unsigned from, unsigned to, unsigned above)
{
    unsigned mask = (1u << above) - 1;
    if (above == 1)
        return (int)(to & 1) - (int)(from & 1);
    int du = wrapped((to & mask) - (from & mask), above);
    return du == 1 || du == -1 ? du : 0;
}

static struct gap_counts counts_of(const uint32_t *from_to, unsigned above)
{
    struct gap_counts counts = {0};
    for (unsigned from = 0; from < CODES; from++)
        for (unsigned to = 0; to < CODES; to++) {
            uint32_t times = from_to[from * CODES + to];
            int move = move_of(from >> 1, to >> 1, above), db = (int)(to & 1) - (int)(from & 1);
            if (move == 0)
                continue;
            counts.up += move > 0 ? times : 0;
            counts.down += move < 0 ? times : 0;
            counts.fell += db < 0 ? times : 0;
            counts.still += db == 0 ? times : 0;
            counts.carry += db != 0 && db == -move ? times : 0;
            counts.anti += db != 0 && db == move ? times : 0;
        }
    return counts;
}

static struct field_choice choice_of(const struct transitions *seen, unsigned above)
{
    struct field_choice counts = {0};
    unsigned mask = (1u << above) - 1;
    for (unsigned s = 0; s < GAP_STRATA; s++)
        for (unsigned from = 0; from < CODES; from++)
            for (unsigned to = 0; to < CODES; to++) {
                uint32_t times = seen->from_to[s][from * CODES + to];
                bool upper = ((from ^ to) >> 1 & mask) != 0, lower = (from ^ to) & 1;
                counts.both += upper && lower ? times : 0;
                counts.upper += upper && !lower ? times : 0;
                counts.lower += !upper && lower ? times : 0;
            }
    return counts;
}

/* --- rows of all kinds --- */

static uint64_t random_state = 11;

static unsigned random_below(unsigned below)
{
    random_state = random_state * 6364136223846793005u + 1442695040888963407u;
    return (unsigned)((random_state >> 33) % below);
}

/* Bytes 0 and 1 a slow number, 2 and 3 a fast one, 4 rests, 5 noise, 6 now and then, 7 a counter,
 * the others noise that hardly moves. `broken`: one row in so many follows none. */
static void make_rows(uint8_t *bytes, uint8_t *flags, size_t count, unsigned broken)
{
    uint16_t slow = 0x7FF0, fast = 100;
    uint8_t row[BYTES] = {0};
    for (size_t r = 0; r < count; r++) {
        slow = (uint16_t)(slow + random_below(3) - 1);
        fast = (uint16_t)(fast + 37 + random_below(5));
        memcpy(row, &slow, 2);
        memcpy(row + 2, &fast, 2);
        row[4] = 0x5A;
        row[5] = (uint8_t)random_below(256);
        row[6] = random_below(40) == 0 ? (uint8_t)random_below(256) : row[6];
        row[7]++;
        for (unsigned i = 8; i < BYTES; i++)
            row[i] ^= random_below(30) == 0 ? (uint8_t)(1u << random_below(8)) : 0;
        memcpy(bytes + r * BYTES, row, BYTES);
        flags[r] = r == 0 || (broken != 0 && random_below(broken) == 0)
                       ? 0
                       : LT_KEPT_FOLLOWS | LT_KEPT_NEXT;
    }
}

static void compare(const struct field_lines *lines, const struct field_planes *planes,
                    const struct gap_window *window)
{
    static struct transitions seen;
    struct gap_moves moves;
    count_transitions(lines, window, &seen);
    gap_moves_count(planes, window, &moves);
    for (unsigned above = 1; above <= window->above; above++) {
        struct field_choice choice = choice_of(&seen, above);
        for (unsigned s = 0; s < GAP_STRATA; s++) {
            struct gap_counts counts = counts_of(seen.from_to[s], above);
            assert_memory_equal(&moves.at[s][above - 1], &counts, sizeof counts);
        }
        assert_memory_equal(&moves.choice[above - 1], &choice, sizeof choice);
    }
    assert_int_equal(moves.lower_flips, seen.lower_flips);
    if (window->above == 1)
        return;
    assert_memory_equal(&moves.bends, &seen.bends, sizeof seen.bends);
    assert_int_equal(moves.ticks, seen.ticks);
    assert_int_equal(moves.lower_bends, seen.lower_bends);
}

/* Neighbours in a row of bits, with none to many below. */
static void compare_all(const struct field_lines *lines)
{
    struct lt_arena arena;
    struct field_planes planes;
    struct lt_error error;
    lt_arena_init(&arena, 0);
    assert_int_equal(field_planes_make(lines, &arena, &planes, &error), LT_OK);
    for (unsigned at = 1; at < 8 * BYTES; at++) {
        struct gap_window window = {.above = 1 + random_below(GAP_ABOVE),
                                    .below_count = 1 + random_below(GAP_BELOW_MOST + 1)};
        if (window.below_count > at)
            window.below_count = at;
        if (window.above > 8 * BYTES - at)
            window.above = 8 * BYTES - at;
        for (unsigned k = 0; k < window.above; k++)
            window.upper[k] = (uint16_t)(at + k);
        for (unsigned k = 0; k < window.below_count; k++)
            window.below[k] = (uint16_t)(at - 1 - k);
        compare(lines, &planes, &window);
    }
    lt_arena_release(&arena);
}

static void counts_as_row_by_row(void **state)
{
    static const size_t counts[] = {2, 63, 64, 65, 128, ROWS};
    static const unsigned broken[] = {0, 100, 3};
    static uint8_t bytes[ROWS * BYTES + 8], flags[ROWS];
    (void)state;
    for (size_t i = 0; i < sizeof counts / sizeof *counts; i++)
        for (size_t k = 0; k < sizeof broken / sizeof *broken; k++) {
            struct field_lines lines = {
                .count = counts[i], .length = BYTES, .flags = flags, .rows = {bytes, NULL}};
            make_rows(bytes, flags, counts[i], broken[k]);
            compare_all(&lines);
        }
}

static void a_bit_that_rests_has_no_words(void **state)
{
    static uint8_t bytes[100 * BYTES + 8], flags[100];
    struct field_lines lines = {
        .count = 100, .length = BYTES, .flags = flags, .rows = {bytes, NULL}};
    struct lt_arena arena;
    struct field_planes planes;
    struct lt_error error;
    (void)state;
    make_rows(bytes, flags, 100, 0);
    lt_arena_init(&arena, 0);
    assert_int_equal(field_planes_make(&lines, &arena, &planes, &error), LT_OK);
    assert_int_equal(planes.words, 2);
    for (unsigned bit = 0; bit < 8; bit++)
        assert_null(planes.on[32 + bit]);
    for (size_t row = 0; row < 100; row++) /* the counter counts rows from 1 on */
        assert_int_equal(planes.on[56][row / 64] >> row % 64 & 1, (row + 1) & 1);
    lt_arena_release(&arena);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(counts_as_row_by_row),
        cmocka_unit_test(a_bit_that_rests_has_no_words),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
