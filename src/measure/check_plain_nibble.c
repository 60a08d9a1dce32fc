/* Checks of half a byte: sums of nibbles, and the two forms of J1939 (SAE J1939-71: TSC1, XBR).
 *
 * The nibbles' differences come from those of the bytes; any range of bytes may enter, and the
 * nibble beside the check with it. */
#include "measure/check_plain.h"

static unsigned nibble_step(const struct plain_differences *d, unsigned pair, unsigned position)
{
    unsigned low = d->minus[position / 8][pair] & 15;
    return position % 8 ? (d->nibbles[position / 8][pair] - low) & 15 : low;
}

/* Pairs in which the nibble does not go along with, or against, the other. */
static unsigned nibble_strays(const struct plain_differences *d, unsigned own, unsigned other)
{
    unsigned along = 0, against = 0;
    for (unsigned p = 0; p < d->count; p++) {
        unsigned mine = nibble_step(d, p, own), its = nibble_step(d, p, other);
        along += mine != its;
        against += ((mine + its) & 15) != 0;
    }
    return along < against ? along : against;
}

/* One other nibble that it goes along with explains it better than a sum. */
static bool is_nibble_copy(const struct plain_search *search, unsigned own)
{
    for (unsigned other = 0; other < 8 * search->view->length; other += 4) {
        if (other != own && (search->view->moves[other / 8] >> other % 8 & 15) &&
            12 * nibble_strays(&search->differences, own, other) <= search->differences.count)
            return true;
    }
    return false;
}

/* What a range must add up to, modulo 16, for the nibble to follow it in each pair: by whether the
 * range holds the nibble's byte, whether the nibble beside it enters, and the kind. */
struct nibble_target {
    bool possible;
    uint8_t total[2][2][PLAIN_KINDS][CHECK_PAIRS];
};

static void make_target(const struct plain_search *search, unsigned position,
                        struct nibble_target *ret_target)
{
    const struct plain_differences *d = &search->differences;
    unsigned own = position / 8, alive = 0;
    for (unsigned p = 0; p < CHECK_PAIRS; p++) {
        /* The low nibble borrows from the high one. */
        unsigned value = nibble_step(d, p, position), beside = nibble_step(d, p, position ^ 4);
        for (unsigned inside = 0; inside < 2; inside++) {
            for (unsigned enters = 0; enters < 2; enters++) {
                unsigned more = (inside ? d->nibbles[own][p] : 0u) - (enters ? beside : 0u);
                ret_target->total[inside][enters][PLAIN_MINUS][p] = (value + more) & 15;
                ret_target->total[inside][enters][PLAIN_PLUS][p] = (more - value) & 15;
            }
        }
        alive += value != 0;
    }
    ret_target->possible = d->count >= 8 && 4 * alive >= d->count;
}

/* Does the nibble follow all of a range but its own byte, and with `beside` the nibble beside it?
 */
static bool nibble_follows(const struct plain_search *search, const struct nibble_target *target,
                           unsigned own, struct plain_range range, bool with_beside,
                           enum plain_kind kind)
{
    const struct plain_differences *d = &search->differences;
    bool inside = own >= range.first && own < range.end;
    unsigned bad = plain_unlike_sum(d->nibbles_to[range.end], d->nibbles_to[range.first],
                                    target->total[inside][with_beside][kind], 15);
    return bad <= CHECK_PAIRS / 5 && 5 * bad <= d->count;
}

/* The moving bytes of the range that a nibble may be made from; its own byte, for the nibble beside
 * it, or not. */
static uint64_t nibble_set(const struct check_view *view, unsigned position,
                           struct plain_range range, bool with_beside)
{
    uint64_t own = (uint64_t)1 << position / 8;
    uint64_t set = plain_range_bytes(range);
    return plain_moving_bytes(view) & (with_beside ? set | own : set & ~own);
}

static bool try_nibble_range(struct plain_search *search, const struct nibble_target *target,
                             unsigned position, struct plain_range range, bool with_beside,
                             double tried)
{
    struct lt_bits place = {1, {{(uint16_t)(position + 3), (uint16_t)position}}};
    for (enum plain_kind kind = PLAIN_MINUS; kind < PLAIN_KINDS; kind++) {
        if (!nibble_follows(search, target, position / 8, range, with_beside, kind))
            continue;
        uint64_t set = nibble_set(search->view, position, range, with_beside);
        if (plain_try_set(search, LT_CHECK_NIBBLE_SUM, place, set, kind, tried))
            return true;
    }
    return false;
}

void plain_try_nibble(struct plain_search *search, unsigned position)
{
    struct check_view *view = search->view;
    struct lt_bits place = {1, {{(uint16_t)(position + 3), (uint16_t)position}}};
    struct plain_range all = {0, view->length};
    struct nibble_target target;
    if (!check_is_free(view, &place) || check_moving_bits(view, &place) < 3 ||
        is_nibble_copy(search, position))
        return;
    make_target(search, position, &target);
    if (!target.possible || !lt_work_take(view->work, 50u + 4u * view->length * view->length))
        return;
    /* Where the nibble beside stands still, the constant decides whether it enters. */
    bool with_own = try_nibble_range(search, &target, position, all, true, 6.0);
    if (try_nibble_range(search, &target, position, all, false, 6.0) || with_own)
        return;
    for (unsigned from = 0; search->chooser->classes == 1 && from < view->length; from++) {
        for (unsigned end = view->length; end > from + 1; end--) {
            struct plain_range range = {from, end};
            if (try_nibble_range(search, &target, position, range, false, 13.0) ||
                try_nibble_range(search, &target, position, range, true, 13.0))
                return;
        }
    }
}

void plain_try_known_nibble(struct plain_search *search, unsigned position, enum plain_kind kind)
{
    struct lt_bits place = {1, {{(uint16_t)(position + 3), (uint16_t)position}}};
    struct plain_range all = {0, search->view->length};
    for (unsigned beside = 0; beside < 2; beside++)
        plain_try_set(search, LT_CHECK_NIBBLE_SUM, place,
                      nibble_set(search->view, position, all, beside), kind, 4.0);
}

void plain_try_j1939(struct plain_search *search, unsigned byte, enum lt_check_family family,
                     bool high)
{
    struct check_view *view = search->view;
    uint16_t base = (uint16_t)(8 * byte);
    struct lt_bits nibble[2] = {{1, {{(uint16_t)(base + 3), base}}},
                                {1, {{(uint16_t)(base + 7), (uint16_t)(base + 4)}}}};
    struct check_claim claim = {.checksum = {.family = family, .width = 4, .place = nibble[high]},
                                .hypotheses = 8.0};
    uint64_t set = plain_frame_bytes(view) & ~((uint64_t)1 << byte);
    if (!check_is_free(view, &nibble[high]) || check_moving_bits(view, &nibble[high]) < 2 ||
        !check_set_ranges(&claim.checksum, set))
        return;
    if (!high) {
        claim.checksum.has_counter = true;
        claim.checksum.counter = nibble[1];
    }
    const struct lt_stream_key *key = &view->kept->key;
    unsigned bad = 0, count = search->sample->count < 40 ? search->sample->count : 40;
    for (unsigned i = 0; i < count; i++)
        bad += !lt_checksum_verify(&claim.checksum, check_bytes(view, search->sample->at[i]),
                                   key->length, key->id, key->extended);
    if (5 * bad > count)
        return;
    plain_set_covers(view, &claim, set);
    lt_bit_set_add_bits(&claim.covers, &nibble[!high]);
    for (unsigned w = 0; w < 8; w++)
        claim.covers.word[w] &= view->moving.word[w];
    claim.sense = plain_units_entering(&claim, 4) > 1 ? 0.99 : 0.0;
    claim.score = 4.0;
    claim.plain_constant = true;
    check_claims_add(view, search->claims, &claim);
}
