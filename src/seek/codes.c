/* Rows in which a field says "not available".
 *
 * A sensor that is not awake yet, or that failed, is sent as all ones (SAE J1939-71 and common
 * practice). A few such rows, far from everything else, undo every correlation of the number they
 * stand in, and the moments cannot leave them out window by window. So rows in which a whole byte
 * goes to FF out of the middle of its range, stays there and comes back to the middle are not
 * compared at all. A number that passes through (a signed one around zero, one that reaches its
 * end) comes to FF from a value beside it, and stays in. */
#include "seek/search.h"

#define NEAR_LOW   0x04u /* from below here a signed number steps over zero to FF */
#define NEAR_HIGH  0xF8u /* from here on it may have risen to FF */
#define RUN_LEAST  2u    /* rows; a noisy low byte is FF now and then */
#define MOST_BYTE  4u    /* at most one row in so many has the code, or FF is no code there */
#define MOST_WHOLE 2u

static bool is_middle(uint8_t value)
{
    return value >= NEAR_LOW && value < NEAR_HIGH;
}

/* The end of the run of FF from `row` on; whether it is one of codes. */
static size_t run_of(const struct lt_kept *kept, unsigned byte, size_t row, bool *ret_code)
{
    size_t end = row;
    while (end < kept->count && lt_kept_row(kept, end)[byte] == 0xFF)
        end++;
    bool before = row == 0 || is_middle(lt_kept_row(kept, row - 1)[byte]);
    bool after = end == kept->count || is_middle(lt_kept_row(kept, end)[byte]);
    *ret_code = before && after && end - row >= RUN_LEAST && end - row < kept->count;
    return end;
}

/* 0 where FF is no code in this byte. */
static size_t count_codes(const struct lt_kept *kept, unsigned byte)
{
    size_t count = 0;
    for (size_t row = 0; row < kept->count;) {
        bool code = false;
        size_t end = lt_kept_row(kept, row)[byte] == 0xFF ? run_of(kept, byte, row, &code) : row;
        count += code ? end - row : 0;
        row = end > row ? end : row + 1;
    }
    return count * MOST_BYTE <= kept->count ? count : 0;
}

static void mark(const struct lt_kept *kept, unsigned byte, uint8_t *codes)
{
    for (size_t row = 0; row < kept->count;) {
        bool code = false;
        size_t end = lt_kept_row(kept, row)[byte] == 0xFF ? run_of(kept, byte, row, &code) : row;
        if (code)
            memset(codes + row, 1, end - row);
        row = end > row ? end : row + 1;
    }
}

bool seek_codes_find(struct seek_view *view, struct lt_arena *arena)
{
    const struct lt_kept *kept = &view->kept;
    uint8_t *codes = NULL;
    size_t marked = 0;
    for (unsigned byte = 0; byte < kept->key.length; byte++) {
        if (!count_codes(kept, byte))
            continue;
        if (!codes)
            codes = lt_arena_array(arena, kept->count + 1, sizeof *codes);
        if (!codes)
            return false;
        mark(kept, byte, codes);
    }
    for (size_t row = 0; codes && row < kept->count; row++)
        marked += codes[row];
    view->codes = marked * MOST_WHOLE <= kept->count ? codes : NULL;
    return true;
}
