/* Checks that add up: XOR, byte sums, nibble sums and the J1939 forms.
 *
 * Tried on pairs of frames: the constant (start value, identifier, length, data id) falls out of
 * the difference. What adds up is not yet a check: a total of two quantities, a copy and a
 * complement do so too (check_plain_sense.c). */
#include <string.h>

#include "measure/check_plain.h"

static void make_differences(struct plain_search *search)
{
    struct check_pairs pairs;
    struct plain_differences *d = &search->differences;
    check_pairs_draw(search->view, search->sample, search->chooser, &pairs);
    memset(d, 0, sizeof *d);
    d->count = pairs.count;
    for (unsigned p = 0; p < pairs.count; p++) {
        const uint8_t *a = check_bytes(search->view, pairs.a[p]);
        const uint8_t *b = check_bytes(search->view, pairs.b[p]);
        for (unsigned i = 0; i < search->view->length; i++) {
            d->exclusive[i][p] = a[i] ^ b[i];
            d->negative[i][p] = (uint8_t)((0u - a[i]) ^ (0u - b[i]));
            d->minus[i][p] = (uint8_t)(a[i] - b[i]);
            d->nibbles[i][p] = (uint8_t)(plain_nibble_sum(a[i]) - plain_nibble_sum(b[i])) & 15;
            uint8_t moves = search->view->moves[i] ? 0xFF : 0;
            d->exclusive_to[i + 1][p] = d->exclusive_to[i][p] ^ (d->exclusive[i][p] & moves);
            d->minus_to[i + 1][p] = (uint8_t)(d->minus_to[i][p] + (d->minus[i][p] & moves));
            d->nibbles_to[i + 1][p] = (uint8_t)(d->nibbles_to[i][p] + (d->nibbles[i][p] & moves));
        }
    }
}

/* Does the byte `own` follow the set, but for pairs with a spoiled frame? */
static bool follows(const struct plain_search *search, unsigned own, uint64_t set,
                    enum plain_kind kind)
{
    const struct plain_differences *d = &search->differences;
    const uint8_t(*row)[CHECK_PAIRS] = plain_is_xor(kind) ? d->exclusive : d->minus;
    unsigned bad = 0, alive = 0;
    for (unsigned p = 0; p < d->count; p++) {
        unsigned sum = 0, mine = kind == PLAIN_XOR_NEGATIVE ? d->negative[own][p] : row[own][p];
        alive += row[own][p] != 0;
        for (uint64_t rest = set; rest; rest &= rest - 1) {
            uint8_t byte = row[__builtin_ctzll(rest)][p];
            sum = plain_is_xor(kind) ? sum ^ byte : sum + byte;
        }
        bad += (uint8_t)(kind == PLAIN_PLUS ? sum + mine : sum - mine) != 0;
        if (bad > CHECK_PAIRS / 5)
            return false;
    }
    return d->count >= 4 && 5 * bad <= d->count && 4 * alive >= d->count;
}

/* What a range must add up to for the byte to follow it, in each pair: where the range holds the
 * byte itself, and where it does not. A long frame has thousands of ranges. */
struct range_target {
    bool possible;
    uint8_t total[2][CHECK_PAIRS]; /* [the byte is inside] */
};

static void make_target(const struct plain_search *search, unsigned own, enum plain_kind kind,
                        struct range_target *ret_target)
{
    const struct plain_differences *d = &search->differences;
    const uint8_t *row = plain_is_xor(kind) ? d->exclusive[own] : d->minus[own];
    unsigned alive = 0;
    for (unsigned p = 0; p < CHECK_PAIRS; p++) {
        uint8_t mine = kind == PLAIN_XOR_NEGATIVE ? d->negative[own][p] : row[p];
        mine = kind == PLAIN_PLUS ? (uint8_t)(0u - mine) : mine;
        ret_target->total[0][p] = mine;
        ret_target->total[1][p] = plain_is_xor(kind) ? mine ^ row[p] : (uint8_t)(mine + row[p]);
        alive += row[p] != 0;
    }
    ret_target->possible = d->count >= 4 && 4 * alive >= d->count;
}

static bool follows_range(const struct plain_search *search, const struct range_target *target,
                          unsigned own, struct plain_range range, enum plain_kind kind)
{
    const struct plain_differences *d = &search->differences;
    const uint8_t *total = target->total[own >= range.first && own < range.end];
    unsigned bad =
        plain_is_xor(kind)
            ? plain_unlike_xor(d->exclusive_to[range.end], d->exclusive_to[range.first], total)
            : plain_unlike_sum(d->minus_to[range.end], d->minus_to[range.first], total, 0xFF);
    return bad <= CHECK_PAIRS / 5 && 5 * bad <= d->count;
}

/* What the linear part leaves of the value in one frame. */
static uint16_t rest_of(const struct lt_checksum *checksum, enum plain_kind kind,
                        const uint8_t *bytes, const struct lt_stream_key *key)
{
    struct lt_checksum bare = *checksum;
    bare.complement = LT_COMPLEMENT_NONE;
    uint16_t sum = lt_checksum_compute(&bare, bytes, key->length, key->id, key->extended);
    uint16_t value = (uint16_t)lt_bits_get(bytes, &checksum->place);
    uint16_t rest = kind == PLAIN_XOR            ? value ^ sum
                    : kind == PLAIN_XOR_NEGATIVE ? (uint16_t)(0u - value) ^ sum
                    : kind == PLAIN_PLUS         ? (uint16_t)(value + sum)
                                                 : (uint16_t)(value - sum);
    return rest & (uint16_t)((1u << checksum->width) - 1);
}

static void find_constants(const struct plain_search *search, const struct lt_checksum *checksum,
                           enum plain_kind kind, struct check_constants *ret_constants)
{
    uint16_t value[CHECK_SAMPLE_MAX];
    for (unsigned i = 0; i < search->sample->count; i++)
        value[i] = rest_of(checksum, kind, check_bytes(search->view, search->sample->at[i]),
                           &search->view->kept->key);
    check_constants_make(search->view, search->chooser, search->sample, value, ret_constants);
}

void plain_set_covers(const struct check_view *view, struct check_claim *claim, uint64_t set)
{
    claim->covers = (struct lt_bit_set){{0}};
    for (unsigned p = 0; p < 8 * view->length; p++) {
        if ((set >> p / 8 & 1) && lt_bit_set_has(&view->moving, p))
            lt_bit_set_add(&claim->covers, p);
    }
    for (unsigned n = 0; n < claim->checksum.width; n++) {
        unsigned p = lt_span_position(claim->checksum.place.part[0], n);
        claim->covers.word[p / 64] &= ~((uint64_t)1 << p % 64);
    }
}

/* Bytes that never moved: that they enter at all is a guess. */
static void set_unexercised(const struct check_view *view, struct check_claim *claim)
{
    for (unsigned i = 0; i < claim->checksum.ranges; i++) {
        struct lt_check_range range = claim->checksum.range[i];
        unsigned from = range.first < range.last ? range.first : range.last;
        unsigned to = range.first < range.last ? range.last : range.first;
        for (unsigned b = from; b <= to; b++) {
            for (unsigned bit = 0; view->moves[b] == 0 && bit < 8; bit++)
                lt_bit_set_add(&claim->unexercised, 8 * b + bit);
        }
    }
}

uint64_t plain_frame_bytes(const struct check_view *view)
{
    return view->length == 64 ? ~(uint64_t)0 : ((uint64_t)1 << view->length) - 1;
}

uint64_t plain_moving_bytes(const struct check_view *view)
{
    uint64_t set = 0;
    for (unsigned b = 0; b < view->length && b < 64; b++)
        set |= (uint64_t)(view->moves[b] != 0) << b;
    return set;
}

/* Which of the bytes that never move are said to enter changes the constant alone: the first choice
 * that leaves a plain constant is taken, else all. */
static bool choose_ranges(const struct plain_search *search, struct check_claim *claim,
                          uint64_t set, enum plain_kind kind)
{
    const struct check_view *view = search->view;
    uint64_t own = check_own_bytes(&claim->checksum.place), moving = plain_moving_bytes(view);
    uint64_t still = plain_frame_bytes(view) & ~moving & ~own;
    uint64_t hull =
        set ? (~(uint64_t)0 << __builtin_ctzll(set)) & (~(uint64_t)0 >> __builtin_clzll(set)) : 0;
    const uint64_t choice[] = {set | still, set | (still & hull), set | (still & ~(uint64_t)1)};
    struct check_claim best = {0};
    bool have = false;
    for (unsigned i = 0; i < 3; i++) {
        struct check_claim trial = *claim;
        struct check_constants constants;
        if (!check_set_ranges(&trial.checksum, choice[i]))
            continue;
        find_constants(search, &trial.checksum, kind, &constants);
        trial.checksum.complement = kind == PLAIN_PLUS || kind == PLAIN_XOR_NEGATIVE
                                        ? LT_COMPLEMENT_TWOS
                                        : LT_COMPLEMENT_NONE;
        if (!check_name_plain(view, &constants, &trial))
            continue;
        /* 24 combinations of 256 values: a coincidence is less likely than an odd start value only
         * where the choice of bytes is not free as well. */
        bool bare = trial.plain_constant && !trial.checksum.with_id && !trial.checksum.with_length;
        if (!have || (bare && !best.plain_constant))
            best = trial;
        have = true;
    }
    if (have)
        *claim = best;
    return have;
}

bool plain_try_set(struct plain_search *search, enum lt_check_family family, struct lt_bits place,
                   uint64_t set, enum plain_kind kind, double hypotheses)
{
    struct check_claim claim = {
        .checksum = {.family = family, .width = (uint8_t)lt_bits_length(&place), .place = place},
        .hypotheses = hypotheses};
    if (!choose_ranges(search, &claim, set, kind))
        return false;
    plain_set_covers(search->view, &claim, set);
    set_unexercised(search->view, &claim);
    claim.sense = family == LT_CHECK_XOR ? plain_sense_of_xor(search, &claim)
                                         : plain_sense_of_sum(search, &claim);
    claim.score = (claim.plain_constant ? 1.0 : 0.0) +
                  (kind == PLAIN_XOR            ? 0.5
                   : kind == PLAIN_XOR_NEGATIVE ? -0.5
                                                : 0.0) +
                  (plain_all_moving_enter(search->view, &claim) ? 1.0 : 0.0);
    return check_claims_add(search->view, search->claims, &claim);
}

/* Frames of the sample that do not go with most others, were the byte made from the set. */
static unsigned bad_frames(const struct plain_search *search, unsigned own, uint64_t set,
                           enum plain_kind kind)
{
    const struct check_sample *sample = search->sample;
    unsigned least = ~0u;
    for (unsigned reference = 0; reference < 3; reference++) {
        unsigned bad = 0;
        uint8_t expected = 0;
        for (unsigned i = 0; i <= sample->count; i++) {
            unsigned at = i ? i - 1 : reference * (sample->count - 1) / 2;
            const uint8_t *bytes = check_bytes(search->view, sample->at[at]);
            unsigned sum = 0;
            for (uint64_t rest = set; rest; rest &= rest - 1) {
                uint8_t byte = bytes[__builtin_ctzll(rest)];
                sum = plain_is_xor(kind) ? sum ^ byte : sum + byte;
            }
            sum = kind == PLAIN_XOR            ? sum ^ bytes[own]
                  : kind == PLAIN_XOR_NEGATIVE ? sum ^ (0u - bytes[own])
                  : kind == PLAIN_PLUS         ? sum + bytes[own]
                                               : bytes[own] - sum;
            if (i == 0)
                expected = (uint8_t)sum;
            bad += (uint8_t)sum != expected;
        }
        least = bad < least ? bad : least;
    }
    return least;
}

/* A byte that repeats or mirrors another one, or goes along with it, is no check: unless all the
 * bytes together explain frames that the one does not. */
static bool is_copy(struct plain_search *search, unsigned own, uint64_t others)
{
    unsigned alone = ~0u, all = ~0u;
    for (uint64_t rest = others; rest; rest &= rest - 1) {
        for (enum plain_kind kind = PLAIN_XOR; kind < PLAIN_KINDS; kind++) {
            uint64_t single = rest & (~rest + 1);
            unsigned bad =
                follows(search, own, single, kind) ? bad_frames(search, own, single, kind) : ~0u;
            alone = bad < alone ? bad : alone;
        }
    }
    if (alone == ~0u || 20 * alone > search->sample->count)
        return false;
    for (enum plain_kind kind = PLAIN_XOR; kind < PLAIN_KINDS; kind++) {
        unsigned bad = bad_frames(search, own, others, kind);
        all = bad < all ? bad : all;
    }
    return alone <= all;
}

/* Does a claim on this place give every frame? Else another one may do so. */
static bool is_exact(const struct check_claims *claims, const struct lt_bits *place)
{
    for (unsigned i = 0; i < claims->count; i++) {
        const struct check_claim *claim = &claims->claim[i];
        if (claim->failed_distinct == 0 && lt_bits_overlap(&claim->checksum.place, place))
            return true;
    }
    return false;
}

static bool try_ranges(struct plain_search *search, unsigned own, uint64_t others,
                       enum plain_kind kind)
{
    enum lt_check_family family = plain_is_xor(kind) ? LT_CHECK_XOR : LT_CHECK_SUM;
    struct lt_bits place = check_byte_place(own);
    struct range_target target;
    unsigned tries = 0;
    make_target(search, own, kind, &target);
    if (!lt_work_take(search->view->work, 50u + search->view->length * search->view->length))
        return false;
    for (unsigned from = 0; target.possible && from < search->view->length; from++) {
        for (unsigned end = search->view->length; end > from + 1; end--) {
            struct plain_range range = {from, end};
            if (!follows_range(search, &target, own, range, kind))
                continue;
            uint64_t set = others & plain_range_bytes(range);
            if ((set & (set - 1)) && set != others && ++tries < 16 &&
                plain_try_set(search, family, place, set, kind, 12.0) &&
                is_exact(search->claims, &place))
                return true;
        }
    }
    return false;
}

/* All subsets of a few bytes; ranges of many. */
static bool try_subsets(struct plain_search *search, unsigned own, uint64_t others,
                        enum plain_kind kind)
{
    enum lt_check_family family = plain_is_xor(kind) ? LT_CHECK_XOR : LT_CHECK_SUM;
    struct lt_bits place = check_byte_place(own);
    unsigned count = (unsigned)__builtin_popcountll(others), tries = 0;
    if (count > 7)
        return try_ranges(search, own, others, kind);
    for (unsigned left_out = 1; left_out < count; left_out++) {
        for (uint64_t set = (others - 1) & others; set; set = (set - 1) & others) {
            if ((unsigned)__builtin_popcountll(set) != count - left_out || !(set & (set - 1)))
                continue;
            if (follows(search, own, set, kind) && ++tries < 16 &&
                plain_try_set(search, family, place, set, kind, 10.0) &&
                is_exact(search->claims, &place))
                return true;
        }
    }
    return false;
}

static void try_byte(struct plain_search *search, unsigned own)
{
    struct check_view *view = search->view;
    struct lt_bits place = check_byte_place(own);
    uint64_t others = plain_moving_bytes(view) & ~((uint64_t)1 << own);
    if (!check_is_free(view, &place) || check_moving_bits(view, &place) < 3 || !others ||
        is_copy(search, own, others))
        return;
    for (enum plain_kind kind = PLAIN_XOR; kind < PLAIN_KINDS; kind++) {
        if (follows(search, own, others, kind) &&
            plain_try_set(search, plain_is_xor(kind) ? LT_CHECK_XOR : LT_CHECK_SUM, place, others,
                          kind, 6.0) &&
            is_exact(search->claims, &place))
            return;
    }
    /* A list of constants undoes whatever the counter adds: with it all that moves must enter. */
    for (enum plain_kind kind = PLAIN_XOR; search->chooser->classes == 1 && kind < PLAIN_KINDS;
         kind++) {
        if (try_subsets(search, own, others, kind))
            return;
    }
}

static bool is_claimed(const struct check_view *view, const struct check_claims *claims,
                       const struct lt_bits *place)
{
    for (unsigned i = 0; i < claims->count; i++) {
        const struct lt_bits *other = &claims->claim[i].checksum.place;
        /* A sum over a byte of which one half stands still may be one of nibbles. */
        bool half = lt_bits_length(other) == 8 && check_moving_bits(view, other) <= 4;
        if (!half && lt_bits_overlap(other, place))
            return true;
    }
    return false;
}

void check_find_plain(struct check_view *view, struct check_claims *claims)
{
    struct plain_search *search = lt_arena_alloc(view->scratch, sizeof *search);
    struct check_sample *sample = lt_arena_alloc(view->scratch, sizeof *sample);
    if (!search || !sample)
        return;
    check_sample_draw(view, 200, CHECK_SAMPLE_SURE, sample);
    *search = (struct plain_search){.view = view, .claims = claims, .sample = sample};
    search->chooser = &view->chooser[0];
    for (unsigned b = 0; view->kept->key.extended && b < view->length; b++) {
        for (unsigned high = 0; high < 2; high++) {
            plain_try_j1939(search, b, LT_CHECK_J1939_TSC1, high);
            plain_try_j1939(search, b, LT_CHECK_J1939_XBR, high);
        }
    }
    for (unsigned i = 0; i < view->chooser_count; i++) {
        search->chooser = &view->chooser[i];
        make_differences(search);
        for (unsigned b = 0; b < view->length; b++) {
            struct lt_bits place = check_byte_place(b);
            if (view->moves[b] && (i == 0 || !is_claimed(view, claims, &place)))
                try_byte(search, b);
        }
        for (unsigned p = 0; p < 8 * view->length; p += 4) {
            struct lt_bits place = {1, {{(uint16_t)(p + 3), (uint16_t)p}}};
            if ((view->moves[p / 8] >> p % 8 & 15) && !is_claimed(view, claims, &place))
                plain_try_nibble(search, p);
        }
    }
}

void check_try_plain(struct check_view *view, const struct lt_checksum *known,
                     struct check_claims *claims)
{
    struct plain_search *search = lt_arena_alloc(view->scratch, sizeof *search);
    struct check_sample *sample = lt_arena_alloc(view->scratch, sizeof *sample);
    unsigned position = known->place.part[0].lsb, byte = position / 8;
    if (!search || !sample || !plain_moving_bytes(view))
        return;
    check_sample_draw(view, 200, CHECK_SAMPLE_SURE, sample);
    *search = (struct plain_search){.view = view, .claims = claims, .sample = sample};
    uint64_t others = plain_moving_bytes(view) & ~((uint64_t)1 << byte);
    bool negative = known->complement == LT_COMPLEMENT_TWOS;
    enum plain_kind kind = known->family == LT_CHECK_XOR
                               ? (negative ? PLAIN_XOR_NEGATIVE : PLAIN_XOR)
                           : known->complement == LT_COMPLEMENT_NONE ? PLAIN_MINUS
                                                                     : PLAIN_PLUS;
    for (unsigned i = 0; i < view->chooser_count && claims->count == 0; i++) {
        search->chooser = &view->chooser[i];
        if (known->family == LT_CHECK_J1939_TSC1 || known->family == LT_CHECK_J1939_XBR)
            plain_try_j1939(search, byte, known->family, position % 8 != 0);
        else if (known->family == LT_CHECK_NIBBLE_SUM)
            plain_try_known_nibble(search, position, kind);
        else if (others)
            plain_try_set(search, known->family, known->place, others, kind, 4.0);
    }
}
