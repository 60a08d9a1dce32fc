/* CRCs of four bits. The profile's CRC families have 8 and 16 bits, so these are given as an affine
 * map; but a polynomial gives the columns of bits that never moved as well, and the map with it.
 *
 * A nibble is a CRC when the columns follow x^n mod P along the frame, in one of the four orders.
 * There are 8 polynomials with 15 positions each, so it takes few frames to try and, against a
 * hundred different ones, few coincidences: those that move less than six independent bits are left
 * to check_affine.c. */
#include <string.h>

#include "measure/check_inside.h"

#define WIDTH      4u
#define RANK_MIN   6u
#define LENGTH_MAX 16u /* longer frames have longer checks */

struct form {
    unsigned poly, shift;
    bool reflect, backwards;
};

static unsigned mirrored(unsigned value)
{
    return (value & 1) << 3 | (value & 2) << 1 | (value & 4) >> 1 | value >> 3;
}

/* The columns of all bits, x^n mod P for the n-th before the end; the check's own are 0. */
static void fill_columns(const struct check_view *view, const struct form *form,
                         const struct lt_bit_set *own, struct lt_affine *ret_affine)
{
    unsigned bits = 8 * view->length, value = form->poly;
    memset(ret_affine, 0, sizeof *ret_affine);
    for (unsigned n = 0; n < bits + form->shift; n++) {
        if (n >= form->shift) {
            unsigned behind = n - form->shift;
            unsigned byte = form->backwards ? behind / 8 : view->length - 1 - behind / 8;
            unsigned bit = form->reflect ? 7 - behind % 8 : behind % 8;
            if (!lt_bit_set_has(own, 8 * byte + bit))
                ret_affine->column[byte][7 - bit] =
                    (uint16_t)(form->reflect ? mirrored(value) : value);
        }
        value = value << 1 & 0x10 ? (value << 1 ^ form->poly) & 0xF : value << 1;
    }
}

static unsigned linear(const struct check_view *view, const struct lt_affine *affine,
                       const uint8_t *bytes)
{
    unsigned value = 0;
    for (unsigned b = 0; b < view->length; b++) {
        for (unsigned set = bytes[b]; set; set &= set - 1)
            value ^= affine->column[b][7 - (unsigned)__builtin_ctz(set)];
    }
    return value;
}

/* The constant that most frames of the sample leave; false where one in twelve does not. */
static bool find_constant(const struct check_view *view, const struct check_sample *sample,
                          const struct lt_bits *place, struct lt_affine *affine)
{
    unsigned seen[16] = {0}, best = 0;
    for (unsigned i = 0; i < sample->count; i++) {
        const uint8_t *bytes = check_bytes(view, sample->at[i]);
        seen[(linear(view, affine, bytes) ^ (unsigned)lt_bits_get(bytes, place)) & 15]++;
        if (i == 24 && 12 * seen[best] < 24)
            return false;
        for (unsigned n = 0; n < 16; n++)
            best = seen[n] > seen[best] ? n : best;
    }
    affine->constant = (uint16_t)best;
    return 12 * (sample->count - seen[best]) <= sample->count;
}

static bool try_form(struct check_view *view, const struct check_sample *sample,
                     const struct lt_bits *place, const struct form *form,
                     struct check_claims *claims)
{
    struct lt_bit_set own = {{0}};
    struct lt_affine trial;
    lt_bit_set_add_bits(&own, place);
    fill_columns(view, form, &own, &trial);
    if (!find_constant(view, sample, place, &trial))
        return false;
    struct lt_affine *affine = lt_arena_alloc(view->arena, sizeof *affine);
    struct check_claim claim = {
        .checksum = {.family = LT_CHECK_AFFINE, .width = WIDTH, .place = *place},
        .hypotheses = 9.0,
        .score = 1.0 + (form->shift == 0 ? 0.5 : 0.0) + (form->backwards ? 0.0 : 0.25),
        .sense = 0.97,
        .parameters = 1,
        .is_crc = true};
    uint64_t frame = view->length == 64 ? ~(uint64_t)0 : ((uint64_t)1 << view->length) - 1;
    if (!affine || !check_set_ranges(&claim.checksum, frame))
        return false;
    *affine = trial;
    claim.checksum.affine = affine;
    claim.covers = view->moving;
    for (unsigned w = 0; w < 8; w++)
        claim.covers.word[w] &= ~own.word[w];
    return check_claims_add(view, claims, &claim);
}

static void try_nibble(struct check_view *view, const struct check_sample *sample,
                       const struct lt_bits *place, struct check_claims *claims)
{
    for (unsigned shift = 0; shift < 15; shift++) {
        for (unsigned order = 0; order < 4; order++) {
            for (unsigned poly = 3; poly < 16; poly += 2) {
                struct form form = {poly, shift, order & 1, order & 2};
                if (try_form(view, sample, place, &form, claims))
                    return;
            }
        }
    }
}

void check_find_short(struct check_view *view, const struct check_sample *sample,
                      const struct check_null *null, struct check_claims *claims)
{
    struct check_solution solution;
    if (null->rank < RANK_MIN || null->spare < 8 || view->length > LENGTH_MAX)
        return;
    for (unsigned p = 0; p < 8 * view->length; p += 4) {
        struct lt_bits place = {1, {{(uint16_t)(p + 3), (uint16_t)p}}};
        if (!check_is_explained(claims, &place) && check_is_free(view, &place) &&
            check_moving_bits(view, &place) >= 3 && check_roughness(view, &place) >= 0.2 &&
            check_null_solve(null, &place, &solution))
            try_nibble(view, sample, &place, claims);
    }
}
