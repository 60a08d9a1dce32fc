/* The rows of a page, laid out so that every window is one load, and what each bit did. */
#include <string.h>

#include "survey/fields_inside.h"

enum lt_code field_lines_make(const struct lt_kept *kept, struct lt_arena *arena,
                              struct field_lines *ret_lines, struct lt_error *error)
{
    size_t length = kept->key.length;
    uint8_t *reversed = lt_arena_alloc(arena, kept->count * length + 8);
    if (!reversed)
        return lt_fail(error, LT_E_MEMORY, "no memory for the rows of a page");
    for (size_t row = 0; row < kept->count; row++) {
        const uint8_t *from = lt_kept_row(kept, row);
        uint8_t *to = reversed + row * length;
        for (size_t i = 0; i < length; i++)
            to[i] = from[length - 1 - i];
    }
    *ret_lines = (struct field_lines){
        .count = kept->count,
        .length = length,
        .flags = kept->flags,
        .rows = {kept->bytes, reversed},
    };
    return LT_OK;
}

/* A bit moves when the page's frames differ in it; that may be across a loss, without any flip
 * that counts. */
void field_bits_make(const struct lt_fields_input *input, struct field_bits *ret_bits)
{
    uint64_t ones[FRAME_BITS], flips[FRAME_BITS];
    memset(ret_bits, 0, sizeof *ret_bits);
    lt_moments_activity(input->moments, ones, flips);
    ret_bits->bits = 8u * input->kept->key.length;
    ret_bits->frames = lt_moments_frames(input->moments);
    ret_bits->steps = lt_moments_steps(input->moments);
    for (unsigned at = 0; at < ret_bits->bits; at++) {
        ret_bits->moved[at] = ones[at] != 0 && ones[at] != ret_bits->frames;
        ret_bits->taken[at] = lt_bit_set_has(input->taken, at);
        ret_bits->free[at] = ret_bits->moved[at] && !ret_bits->taken[at];
        if (ret_bits->steps != 0)
            ret_bits->rate[at] = (double)flips[at] / (double)ret_bits->steps;
    }
}
