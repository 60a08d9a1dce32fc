/* A form that was found elsewhere, tried on frames that are too few to be solved alone. The
 * polynomial or sum is given, so one frame fixes the constant and every other one is proof. */
#include "measure/check_inside.h"

#define SCRATCH_BYTES ((size_t)48 << 20)
#define FRAMES_LOOKED 1024u /* before all of them are asked */
#define PROOF_BITS    30.0

/* Polynomials of the end-to-end profiles, whose record does not hold them. */
static struct lt_checksum as_crc(const struct lt_checksum *known)
{
    struct lt_checksum crc = *known;
    if (known->family == LT_CHECK_E2E_P1)
        crc.poly = 0x1D;
    else if (known->family == LT_CHECK_E2E_P2)
        crc.poly = 0x2F;
    else if (known->family == LT_CHECK_E2E_P5)
        crc.poly = 0x1021;
    return crc;
}

static bool is_sum(enum lt_check_family family)
{
    return family == LT_CHECK_XOR || family == LT_CHECK_SUM || family == LT_CHECK_NIBBLE_SUM ||
           family == LT_CHECK_J1939_TSC1 || family == LT_CHECK_J1939_XBR;
}

/* Where the check lies, and the same place counted from the frame's end. */
static bool place_in_frame(const struct lt_checksum *known, unsigned length, bool from_end,
                           struct lt_bits *ret_place)
{
    struct lt_span span = known->place.part[0];
    unsigned bytes = lt_checksum_bytes(known), shift = 8 * (length - bytes);
    if (from_end && (length <= bytes || lt_bits_bytes(&known->place) != bytes))
        return false;
    if (from_end) {
        span.msb = (uint16_t)(span.msb + shift);
        span.lsb = (uint16_t)(span.lsb + shift);
    }
    *ret_place = (struct lt_bits){1, {span}};
    return lt_bits_bytes(ret_place) <= length;
}

static void try_known(struct check_view *view, const struct lt_checksum *known,
                      struct check_claims *claims)
{
    for (unsigned from_end = 0; from_end < 2 && claims->count == 0; from_end++) {
        struct lt_checksum here = as_crc(known);
        if (!place_in_frame(known, view->length, from_end, &here.place) ||
            !check_is_free(view, &here.place))
            continue;
        if (is_sum(known->family))
            check_try_plain(view, &here, claims);
        else
            check_try_crc(view, &here, claims);
    }
}

static const struct check_claim *best_of(const struct check_claims *claims)
{
    const struct check_claim *best = NULL;
    for (unsigned i = 0; i < claims->count; i++) {
        if (!best || claims->claim[i].score > best->score)
            best = &claims->claim[i];
    }
    return best;
}

/* One form on frames whose view was made: `few` is of the first of them, and stays as it is. */
static bool holds_form(const struct check_view *few, const struct lt_kept *kept,
                       const struct lt_checksum *known, const struct lt_counter_found *counters,
                       size_t counter_count, struct lt_check_found *ret_found)
{
    struct lt_arena scratch;
    bool holds = false;
    lt_arena_init(&scratch, SCRATCH_BYTES);
    struct check_view *view = lt_arena_alloc(&scratch, sizeof *view);
    struct check_claims *claims = lt_arena_alloc(&scratch, sizeof *claims);
    if (view && claims) {
        *view = *few;
        view->scratch = &scratch;
        try_known(view, known, claims);
    }
    const struct check_claim *claim = claims ? best_of(claims) : NULL;
    if (claim && check_view_make(view, kept, counters, counter_count, NULL, &scratch, few->arena) &&
        check_failures(view, &claim->checksum, 0) == 0) {
        view->one_form = true;
        check_report(view, claim, ret_found);
        holds = !few->arena->failed;
    }
    lt_arena_release(&scratch);
    return holds;
}

bool lt_check_transfer_any(const struct lt_kept *kept, const struct lt_checksum *const *known,
                           size_t known_count, const struct lt_counter_found *counters,
                           size_t counter_count, struct lt_arena *arena,
                           struct lt_check_found *ret_found)
{
    struct lt_arena scratch;
    struct lt_kept few = *kept;
    bool holds = false;
    if (kept->count < 2)
        return false;
    if (few.count > FRAMES_LOOKED)
        few.count = FRAMES_LOOKED;
    lt_arena_init(&scratch, SCRATCH_BYTES);
    struct check_view *view = lt_arena_alloc(&scratch, sizeof *view);
    if (view && check_view_make(view, &few, counters, counter_count, NULL, &scratch, arena) &&
        view->count > 1) {
        view->proof_needed = PROOF_BITS;
        view->one_form = true;
        for (size_t i = 0; i < known_count && !holds; i++)
            holds = known[i]->family != LT_CHECK_AFFINE &&
                    holds_form(view, kept, known[i], counters, counter_count, ret_found);
    }
    lt_arena_release(&scratch);
    return holds;
}

bool lt_check_transfer(const struct lt_kept *kept, const struct lt_checksum *known,
                       const struct lt_counter_found *counters, size_t counter_count,
                       struct lt_arena *arena, struct lt_check_found *ret_found)
{
    return lt_check_transfer_any(kept, &known, 1, counters, counter_count, arena, ret_found);
}
