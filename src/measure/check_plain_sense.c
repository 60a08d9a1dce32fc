/* Is what adds up a check? A total of two quantities, a copy and a complement add up as well.
 *
 * A claim needs signs that no quantity has: it wraps, it is rough, a counter enters, everything
 * that moves enters. */
#include "measure/check_plain.h"

#define SIDE_BY_SIDE 6 /* bits that move */

static bool enters_counter(const struct check_view *view, const struct check_claim *claim)
{
    for (unsigned w = 0; w < 8; w++) {
        if (claim->covers.word[w] & view->counters.word[w])
            return true;
    }
    return false;
}

unsigned plain_units_entering(const struct check_claim *claim, unsigned bits)
{
    unsigned count = 0;
    for (unsigned at = 0; at < CHECK_POSITIONS; at += bits)
        count += (claim->covers.word[at / 64] >> at % 64 & ((1u << bits) - 1)) != 0;
    return count;
}

bool plain_all_moving_enter(const struct check_view *view, const struct check_claim *claim)
{
    struct lt_bit_set all = claim->covers;
    lt_bit_set_add_bits(&all, &claim->checksum.place);
    for (unsigned w = 0; w < 8; w++) {
        if (view->moving.word[w] & ~all.word[w])
            return false;
    }
    return true;
}

/* Does the sum run over its width by different amounts? A total that is sent does not wrap. */
static bool wraps(const struct plain_search *search, const struct check_claim *claim)
{
    unsigned least = ~0u, most = 0;
    for (unsigned i = 0; i < search->sample->count; i++) {
        const uint8_t *bytes = check_bytes(search->view, search->sample->at[i]);
        unsigned sum = 0;
        for (unsigned b = 0; b < search->view->length; b++) {
            uint8_t mask = (uint8_t)(claim->covers.word[b / 8] >> 8 * (b % 8));
            uint8_t byte = bytes[b] & mask;
            sum += claim->checksum.width == 4 ? plain_nibble_sum(byte) : byte;
        }
        sum >>= claim->checksum.width;
        least = sum < least ? sum : least;
        most = sum > most ? sum : most;
    }
    return most > least;
}

/* Columns of bits in which two or more bytes meet; where the check's own bit stands still, they are
 * copies of each other. */
static unsigned columns_that_meet(const struct check_view *view, const struct check_claim *claim)
{
    unsigned meeting = 0, own = claim->checksum.place.part[0].lsb / 8u * 8u;
    for (unsigned bit = 0; bit < 8; bit++) {
        unsigned bytes = 0;
        if (!lt_bit_set_has(&view->moving, own + bit))
            continue;
        for (unsigned at = bit; at < CHECK_POSITIONS; at += 8)
            bytes += lt_bit_set_has(&claim->covers, at);
        meeting += bytes > 1;
    }
    return meeting;
}

static bool at_an_end(const struct check_view *view, const struct lt_bits *place)
{
    unsigned byte = place->part[0].lsb / 8u;
    return byte == 0 || byte + 1 == view->length;
}

/* Bytes that enter and never move, but are not 0 together: that a plain sum comes out even so is a
 * sign by itself. */
static bool still_bytes_count(const struct check_view *view, const struct check_claim *claim)
{
    const uint8_t *bytes = check_bytes(view, 0);
    unsigned sum = 0;
    for (unsigned i = 0; i < claim->checksum.ranges; i++) {
        struct lt_check_range range = claim->checksum.range[i];
        for (unsigned b = range.first; b <= range.last; b++)
            sum += view->moves[b] ? 0 : bytes[b];
    }
    return claim->plain_constant && (sum & 0xFF) != 0;
}

double plain_sense_of_sum(const struct plain_search *search, struct check_claim *claim)
{
    const struct check_view *view = search->view;
    unsigned units = plain_units_entering(claim, claim->checksum.width), points = 0;
    if (units < 2 || view->one_form)
        return units < 2 ? 0.0 : 0.95;
    bool counts = enters_counter(view, claim);
    /* A difference with its sign is a sum of two that wraps: a = b + (a - b). */
    claim->fragile = !counts && units <= 3 && !still_bytes_count(view, claim);
    if (claim->fragile && units == 2)
        return 0.0;
    points += counts ? 2 : 0;
    points += units > 5 ? 3 : units - 2;
    points += wraps(search, claim);
    double rough = check_roughness(view, &claim->checksum.place);
    double eta =
        claim->checksum.width == 8 ? view->eta[claim->checksum.place.part[0].lsb / 8] : rough * 2;
    points += eta >= 0.5 ? 2 : eta >= 0.15 ? 1 : 0;
    points += plain_all_moving_enter(view, claim);
    points += at_an_end(view, &claim->checksum.place);
    points += claim->plain_constant;
    return points >= 7 ? 0.99 : points == 6 ? 0.97 : points == 5 ? 0.93 : 0.0;
}

double plain_sense_of_xor(const struct plain_search *search, struct check_claim *claim)
{
    unsigned meeting = columns_that_meet(search->view, claim);
    bool negative = claim->checksum.complement == LT_COMPLEMENT_TWOS;
    bool counts = enters_counter(search->view, claim);
    if (search->view->one_form)
        return plain_units_entering(claim, 8) < 2 ? 0.0 : 0.95;
    unsigned units = plain_units_entering(claim, 8);
    /* Its bits are those of two bytes side by side, a counter's among them, and nothing else moves.
     */
    if (units >= 2 && meeting < 2 && counts && !negative &&
        plain_all_moving_enter(search->view, claim) &&
        check_moving_bits(search->view, &claim->checksum.place) >= SIDE_BY_SIDE)
        return 0.93;
    if (units < 2 || meeting == 0 || (meeting == 1 && !counts))
        return 0.0;
    /* The rarer form must be there, not just fit. */
    claim->fragile = negative && !counts;
    if (negative && (meeting < 3 || (!counts && !still_bytes_count(search->view, claim))))
        return 0.0;
    return meeting > 2 || (counts && meeting > 1) ? 0.99 : 0.93;
}
