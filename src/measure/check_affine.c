/* Checks that are affine over GF(2) in the rest of the frame and have no name: XOR of nibbles, CRCs
 * of odd widths, home-made mixes. Given as their columns.
 *
 * Elimination proves the map on what moved and says nothing of the rest: every bit that stood still
 * is reported as not exercised. A copy, a complement and a Gray code are affine too, so each bit of
 * a check must hang on several bits of several bytes, and be as rough as a check is. */
#include <string.h>

#include "measure/check_inside.h"

#define SPARE_MIN 24u

static void set_columns(const struct check_view *view, const struct check_null *null,
                        const struct check_solution *solution, struct lt_affine *affine,
                        struct check_claim *claim)
{
    struct lt_bit_set own = {{0}};
    lt_bit_set_add_bits(&own, &claim->checksum.place);
    for (unsigned p = 0; p < 8 * view->length; p++) {
        uint16_t column = check_solution_column(null, solution, p);
        if (column == 0 || lt_bit_set_has(&own, p))
            continue;
        affine->column[p / 8][7 - p % 8] = column;
        lt_bit_set_add(&claim->covers, p);
    }
    unsigned constant = 0;
    for (unsigned n = 0; n < solution->width; n++)
        constant |= (unsigned)check_bit(solution->vector[n], null->bits) << n;
    /* Bits of the place that never moved. */
    const uint8_t *bytes = check_bytes(view, 0);
    unsigned value = (unsigned)lt_bits_get(bytes, &claim->checksum.place);
    for (unsigned n = 0; n < solution->width; n++) {
        unsigned p = lt_span_position(claim->checksum.place.part[0], solution->width - 1 - n);
        if (!lt_bit_set_has(&view->moving, p))
            constant |= value & 1u << n;
    }
    affine->constant = (uint16_t)constant;
}

/* How many bits of how many bytes each bit of the check hangs on: the least of all its bits. */
static bool is_mixed(const struct check_view *view, const struct lt_affine *affine, unsigned width)
{
    unsigned sum = 0, weak = 0;
    for (unsigned n = 0; n < width; n++) {
        unsigned bits = 0, bytes = 0;
        for (unsigned b = 0; b < view->length; b++) {
            unsigned here = 0;
            for (unsigned bit = 0; bit < 8; bit++)
                here += affine->column[b][bit] >> n & 1;
            bits += here;
            bytes += here > 0;
        }
        sum += bits;
        weak += bits < 2 || bytes < 2;
    }
    return 4 * weak <= width && sum >= 3 * width;
}

/* What moves enters, or nearly all of it. */
static bool covers_enough(const struct check_view *view, const struct check_claim *claim)
{
    unsigned missing = 0;
    struct lt_bit_set set = claim->covers;
    lt_bit_set_add_bits(&set, &claim->checksum.place);
    for (unsigned w = 0; w < 8; w++)
        missing += (unsigned)__builtin_popcountll(view->moving.word[w] & ~set.word[w]);
    return 4 * missing <= view->moving_count;
}

static void add_unexercised(const struct check_view *view, struct check_claim *claim)
{
    struct lt_bit_set own = {{0}};
    lt_bit_set_add_bits(&own, &claim->checksum.place);
    for (unsigned p = 0; p < 8 * view->length; p++) {
        if (!lt_bit_set_has(&view->moving, p) && !lt_bit_set_has(&own, p))
            lt_bit_set_add(&claim->unexercised, p);
    }
}

static uint64_t bytes_that_enter(const struct check_claim *claim)
{
    uint64_t set = 0;
    for (unsigned p = 0; p < CHECK_POSITIONS; p++) {
        if (lt_bit_set_has(&claim->covers, p))
            set |= (uint64_t)1 << p / 8;
    }
    return set;
}

/* Bits beside the place, in its bytes, that are all as rough as its own: it is a part of something.
 */
static bool has_rough_border(const struct check_view *view, const struct lt_bits *place)
{
    struct lt_bit_set own = {{0}};
    uint64_t bytes = check_own_bytes(place);
    unsigned rough = 0, beside = 0;
    lt_bit_set_add_bits(&own, place);
    for (unsigned p = 0; p < 8 * view->length; p++) {
        if (!(bytes >> p / 8 & 1) || lt_bit_set_has(&own, p) || lt_bit_set_has(&view->counters, p))
            continue;
        beside++;
        rough += view->rough[p] > 0.4 && view->rough[p] < 0.6;
    }
    return rough > 0 && rough == beside;
}

static double least_rough(const struct check_view *view, const struct lt_bits *place)
{
    double least = 1.0;
    for (unsigned n = 0; n < lt_bits_length(place); n++) {
        unsigned p = lt_span_position(place->part[0], n);
        if (lt_bit_set_has(&view->moving, p) && view->rough[p] < least)
            least = view->rough[p];
    }
    return least;
}

static void try_place(struct check_view *view, const struct check_null *null, struct lt_bits place,
                      double bonus, struct check_claims *claims)
{
    unsigned width = lt_bits_length(&place);
    struct check_solution solution;
    if (!lt_work_take(view->work, 8u + null->count))
        return;
    if (!check_is_free(view, &place) || check_moving_bits(view, &place) + width / 8 < width ||
        check_roughness(view, &place) < 0.28 || (width < 8 && least_rough(view, &place) < 0.2) ||
        check_is_explained(claims, &place) || !check_null_solve(null, &place, &solution))
        return;
    struct check_claim claim = {
        .checksum = {.family = LT_CHECK_AFFINE, .width = (uint8_t)width, .place = place},
        .hypotheses = 8.0,
        .score = bonus - 1.0,
        .sense = 0.9,
        .parameters = null->rank};
    struct lt_affine *affine = lt_arena_alloc(view->arena, sizeof *affine);
    if (!affine)
        return;
    claim.checksum.affine = affine;
    set_columns(view, null, &solution, affine, &claim);
    if (!is_mixed(view, affine, width) || !covers_enough(view, &claim) ||
        !check_set_ranges(&claim.checksum, bytes_that_enter(&claim)))
        return;
    add_unexercised(view, &claim);
    /* A window over a byte's edge is a part of a number sooner than a check. */
    if ((width % 8 != 0 || place.part[0].lsb % 8 != 0) &&
        (has_rough_border(view, &place) || check_failures(view, &claim.checksum, 0)))
        return;
    check_claims_add(view, claims, &claim);
}

static struct lt_bits window(unsigned low, unsigned width, bool motorola)
{
    uint16_t msb = (uint16_t)(motorola ? ((low ^ 7u) - (width - 1)) ^ 7u : low + width - 1);
    return (struct lt_bits){1, {{msb, (uint16_t)low}}};
}

static bool in_frame(const struct check_view *view, unsigned low, unsigned width, bool motorola)
{
    return motorola ? (low ^ 7u) + 1 >= width && low < 8 * view->length
                    : low + width <= 8 * view->length;
}

/* Widths in the order in which they are likely, and where they lie. */
static void try_aligned(struct check_view *view, const struct check_null *null,
                        struct check_claims *claims)
{
    for (unsigned b = 0; b + 1 < view->length; b++) {
        try_place(view, null, window(8 * b, 16, false), 0.7, claims);
        try_place(view, null, window(8 * b + 8, 16, true), 0.8, claims);
    }
    for (unsigned b = 0; b < view->length; b++)
        try_place(view, null, window(8 * b, 8, false), 0.5, claims);
    for (unsigned p = 0; p < 8 * view->length; p += 4)
        try_place(view, null, window(p, 4, false), 0.0, claims);
}

static void try_unaligned(struct check_view *view, const struct check_null *null,
                          struct check_claims *claims)
{
    for (unsigned width = 15; width >= 4; width--) {
        for (unsigned low = 0; low < 8 * view->length; low++) {
            for (unsigned motorola = 0; motorola < 2; motorola++) {
                if (in_frame(view, low, width, motorola) &&
                    (!motorola || lt_span_order(window(low, width, true).part[0]) != LT_ORDER_NONE))
                    try_place(view, null, window(low, width, motorola), -0.5 + 0.04 * width,
                              claims);
            }
        }
    }
}

void check_find_affine(struct check_view *view, const struct check_sample *sample,
                       const struct check_null *null, struct check_claims *claims)
{
    (void)sample;
    if (null->spare < SPARE_MIN || null->count == 0)
        return;
    unsigned before = claims->count;
    try_aligned(view, null, claims);
    if (claims->count == before)
        try_unaligned(view, null, claims);
}
