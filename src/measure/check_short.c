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
#define SHIFTS     15u
#define POWERS     (8 * LENGTH_MAX + SHIFTS)
#define PAIRS_MAX  64u
#define LAST_BYTE  0.6 /* where checks like to be, against a tenth of a bit's flips */
#define FIRST_BYTE 0.5
#define CARRIES    6.0

struct form {
    unsigned poly, shift;
    bool reflect, backwards;
};

static unsigned mirrored(unsigned value)
{
    return (value & 1) << 3 | (value & 2) << 1 | (value & 4) >> 1 | value >> 3;
}

/* x^(n+4) mod P for every n that a frame and a shift can need. */
static void fill_powers(unsigned poly, uint8_t ret_power[POWERS])
{
    unsigned value = poly;
    for (unsigned n = 0; n < POWERS; n++) {
        ret_power[n] = (uint8_t)value;
        value = value << 1 & 0x10 ? (value << 1 ^ poly) & 0xF : value << 1;
    }
}

/* What the bytes add to the check, its own bits as 0: a Horner scheme would be as good, but most
 * differences have few ones. */
static unsigned linear_of(const struct check_view *view, const struct form *form,
                          const uint8_t *power, const uint8_t *bytes)
{
    unsigned value = 0;
    for (unsigned b = 0; b < view->length; b++) {
        unsigned behind = form->shift + 8 * (form->backwards ? b : view->length - 1 - b);
        for (unsigned set = bytes[b]; set; set &= set - 1) {
            unsigned bit = (unsigned)__builtin_ctz(set);
            value ^= power[behind + (form->reflect ? 7 - bit : bit)];
        }
    }
    return form->reflect ? mirrored(value) : value;
}

/* Pairs of the sample, and what their checks differ by: no constant is in them. */
struct pair_differences {
    unsigned count, most; /* `most`: so many pairs may be wrong */
    uint8_t bytes[PAIRS_MAX][LENGTH_MAX];
    uint8_t check[PAIRS_MAX];
};

static void make_pairs(const struct check_view *view, const struct check_sample *sample,
                       const struct lt_bits *place, struct pair_differences *ret_pairs)
{
    unsigned own = place->part[0].lsb;
    ret_pairs->count = sample->count / 2 < PAIRS_MAX ? sample->count / 2 : PAIRS_MAX;
    ret_pairs->most = sample->count / 12;
    for (unsigned n = 0; n < ret_pairs->count; n++) {
        const uint8_t *a = check_bytes(view, sample->at[2 * n]);
        const uint8_t *b = check_bytes(view, sample->at[2 * n + 1]);
        for (unsigned i = 0; i < view->length; i++)
            ret_pairs->bytes[n][i] = a[i] ^ b[i];
        ret_pairs->check[n] = ret_pairs->bytes[n][own / 8] >> own % 8 & 15;
        ret_pairs->bytes[n][own / 8] &= (uint8_t) ~(15u << own % 8);
    }
}

/* Of each pair that comes out wrong one frame is: more of them than frames may be, and the form is
 * none. */
static bool pairs_allow(const struct check_view *view, const struct form *form,
                        const uint8_t *power, const struct pair_differences *pairs)
{
    unsigned wrong = 0;
    for (unsigned n = 0; n < pairs->count && wrong <= pairs->most; n++)
        wrong += linear_of(view, form, power, pairs->bytes[n]) != pairs->check[n];
    return wrong <= pairs->most;
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
    struct pair_differences pairs;
    uint8_t power[16][POWERS];
    make_pairs(view, sample, place, &pairs);
    for (unsigned poly = 3; poly < 16; poly += 2)
        fill_powers(poly, power[poly]);
    for (unsigned shift = 0; shift < SHIFTS; shift++) {
        for (unsigned order = 0; order < 4; order++) {
            for (unsigned poly = 3; poly < 16; poly += 2) {
                struct form form = {poly, shift, order & 1, order & 2};
                if (pairs_allow(view, &form, power[poly], &pairs) &&
                    try_form(view, sample, place, &form, claims))
                    return;
            }
        }
    }
}

struct nibble_place {
    struct lt_bits place;
    double score;
};

/* Of the nibbles that the others give any may be the check: the most restless first, but the lower
 * part of a number last. */
static double likeliness(const struct check_view *view, const struct lt_bits *place)
{
    unsigned byte = place->part[0].lsb / 8u;
    double end = byte + 1 == view->length ? LAST_BYTE : byte == 0 ? FIRST_BYTE : 0;
    return 10 * check_restlessness(view, place) + end -
           (check_nibble_carries(view, place->part[0].lsb) ? CARRIES : 0);
}

static unsigned list_nibbles(struct check_view *view, const struct check_null *null,
                             const struct check_claims *claims,
                             struct nibble_place ret_list[2 * LENGTH_MAX])
{
    struct check_solution solution;
    unsigned count = 0;
    for (unsigned p = 0; p < 8 * view->length; p += 4) {
        struct lt_bits place = {1, {{(uint16_t)(p + 3), (uint16_t)p}}};
        if (check_is_explained(claims, &place) || !check_is_free(view, &place) ||
            check_moving_bits(view, &place) < 3 || check_roughness(view, &place) < 0.2 ||
            !check_null_solve(null, &place, &solution))
            continue;
        struct nibble_place nibble = {place, likeliness(view, &place)};
        unsigned at = count++;
        for (; at > 0 && ret_list[at - 1].score < nibble.score; at--)
            ret_list[at] = ret_list[at - 1];
        ret_list[at] = nibble;
    }
    return count;
}

void check_find_short(struct check_view *view, const struct check_sample *sample,
                      const struct check_null *null, struct check_claims *claims)
{
    struct nibble_place list[2 * LENGTH_MAX];
    if (null->rank < RANK_MIN || null->spare < 8 || view->length > LENGTH_MAX)
        return;
    unsigned count = list_nibbles(view, null, claims, list);
    for (unsigned i = 0; i < count; i++)
        if (!check_is_explained(claims, &list[i].place))
            try_nibble(view, sample, &list[i].place, claims);
}
