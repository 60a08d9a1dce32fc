/* Checks that add up: XOR, byte sums, nibble sums and the J1939 forms.
 *
 * Tried on pairs of frames: the constant (start value, identifier, length, data id) falls out of
 * the difference. What adds up is not yet a check: a total of two quantities, a copy and a
 * complement do so too. So a claim needs signs that no quantity has: it wraps, it is rough, a
 * counter enters, everything that moves enters. */
#include <string.h>

#include "measure/check_inside.h"

enum kind {
    KIND_XOR,
    KIND_XOR_NEGATIVE, /* the XOR's two's complement is sent */
    KIND_MINUS,
    KIND_PLUS,
    KINDS
};

static bool is_xor(enum kind kind)
{
    return kind == KIND_XOR || kind == KIND_XOR_NEGATIVE;
}

/* The differences of the pairs, byte by byte. */
struct differences {
    unsigned count;
    uint8_t exclusive[CHECK_PAIRS][64];
    uint8_t negative[CHECK_PAIRS][64]; /* of the bytes' two's complements */
    uint8_t minus[CHECK_PAIRS][64];
    uint8_t nibbles[CHECK_PAIRS][64]; /* of the two nibbles' sum, mod 16 */
    /* The same added up over all bytes before this one that move: a range is one subtraction. */
    uint8_t exclusive_to[CHECK_PAIRS][65], minus_to[CHECK_PAIRS][65], nibbles_to[CHECK_PAIRS][65];
};

/* The bytes that move from `first` to below `end`. */
struct range {
    unsigned first, end;
};

struct search {
    struct check_view *view;
    struct check_claims *claims;
    const struct check_chooser *chooser;
    const struct check_sample *sample;
    struct differences differences;
};

static uint8_t nibble_sum(uint8_t byte)
{
    return (uint8_t)((byte & 15) + (byte >> 4));
}

static void make_differences(struct search *search)
{
    struct check_pairs pairs;
    struct differences *d = &search->differences;
    check_pairs_draw(search->view, search->sample, search->chooser, &pairs);
    d->count = pairs.count;
    for (unsigned p = 0; p < pairs.count; p++) {
        const uint8_t *a = check_bytes(search->view, pairs.a[p]);
        const uint8_t *b = check_bytes(search->view, pairs.b[p]);
        for (unsigned i = 0; i < search->view->length; i++) {
            d->exclusive[p][i] = a[i] ^ b[i];
            d->negative[p][i] = (uint8_t)((0u - a[i]) ^ (0u - b[i]));
            d->minus[p][i] = (uint8_t)(a[i] - b[i]);
            d->nibbles[p][i] = (uint8_t)(nibble_sum(a[i]) - nibble_sum(b[i])) & 15;
            uint8_t moves = search->view->moves[i] ? 0xFF : 0;
            d->exclusive_to[p][i + 1] = d->exclusive_to[p][i] ^ (d->exclusive[p][i] & moves);
            d->minus_to[p][i + 1] = (uint8_t)(d->minus_to[p][i] + (d->minus[p][i] & moves));
            d->nibbles_to[p][i + 1] = (uint8_t)(d->nibbles_to[p][i] + (d->nibbles[p][i] & moves));
        }
    }
}

/* Does the byte `own` follow the set, but for pairs with a spoiled frame? */
static bool follows(const struct search *search, unsigned own, uint64_t set, enum kind kind)
{
    const struct differences *d = &search->differences;
    unsigned bad = 0, alive = 0;
    for (unsigned p = 0; p < d->count; p++) {
        const uint8_t *row = is_xor(kind) ? d->exclusive[p] : d->minus[p];
        unsigned sum = 0, mine = kind == KIND_XOR_NEGATIVE ? d->negative[p][own] : row[own];
        alive += row[own] != 0;
        for (uint64_t rest = set; rest; rest &= rest - 1) {
            uint8_t byte = row[__builtin_ctzll(rest)];
            sum = is_xor(kind) ? sum ^ byte : sum + byte;
        }
        bad += (uint8_t)(kind == KIND_PLUS ? sum + mine : sum - mine) != 0;
        if (bad > CHECK_PAIRS / 5)
            return false;
    }
    return d->count >= 4 && 5 * bad <= d->count && 4 * alive >= d->count;
}

/* The same for all of a range but the byte itself: a long frame has thousands of ranges. */
static bool follows_range(const struct search *search, unsigned own, struct range range,
                          enum kind kind)
{
    const struct differences *d = &search->differences;
    bool inside = own >= range.first && own < range.end;
    unsigned bad = 0, alive = 0;
    for (unsigned p = 0; p < d->count; p++) {
        const uint8_t *to = is_xor(kind) ? d->exclusive_to[p] : d->minus_to[p];
        const uint8_t *row = is_xor(kind) ? d->exclusive[p] : d->minus[p];
        unsigned mine = kind == KIND_XOR_NEGATIVE ? d->negative[p][own] : row[own];
        unsigned sum = is_xor(kind) ? to[range.end] ^ to[range.first] ^ (inside ? row[own] : 0u)
                                    : to[range.end] - to[range.first] - (inside ? row[own] : 0u);
        alive += row[own] != 0;
        bad += (uint8_t)(kind == KIND_PLUS ? sum + mine : sum - mine) != 0;
        if (bad > CHECK_PAIRS / 5)
            return false;
    }
    return d->count >= 4 && 5 * bad <= d->count && 4 * alive >= d->count;
}

/* What the linear part leaves of the value in one frame. */
static uint16_t rest_of(const struct lt_checksum *checksum, enum kind kind, const uint8_t *bytes,
                        const struct lt_stream_key *key)
{
    struct lt_checksum bare = *checksum;
    bare.complement = LT_COMPLEMENT_NONE;
    uint16_t sum = lt_checksum_compute(&bare, bytes, key->length, key->id, key->extended);
    uint16_t value = (uint16_t)lt_bits_get(bytes, &checksum->place);
    uint16_t rest = kind == KIND_XOR            ? value ^ sum
                    : kind == KIND_XOR_NEGATIVE ? (uint16_t)(0u - value) ^ sum
                    : kind == KIND_PLUS         ? (uint16_t)(value + sum)
                                                : (uint16_t)(value - sum);
    return rest & (uint16_t)((1u << checksum->width) - 1);
}

static void find_constants(const struct search *search, const struct lt_checksum *checksum,
                           enum kind kind, struct check_constants *ret_constants)
{
    uint16_t value[CHECK_SAMPLE_MAX];
    for (unsigned i = 0; i < search->sample->count; i++)
        value[i] = rest_of(checksum, kind, check_bytes(search->view, search->sample->at[i]),
                           &search->view->kept->key);
    check_constants_make(search->view, search->chooser, search->sample, value, ret_constants);
}

static bool enters_counter(const struct check_view *view, const struct check_claim *claim)
{
    for (unsigned w = 0; w < 8; w++) {
        if (claim->covers.word[w] & view->counters.word[w])
            return true;
    }
    return false;
}

static unsigned units_entering(const struct check_claim *claim, unsigned bits)
{
    unsigned count = 0;
    for (unsigned at = 0; at < CHECK_POSITIONS; at += bits)
        count += (claim->covers.word[at / 64] >> at % 64 & ((1u << bits) - 1)) != 0;
    return count;
}

static bool all_moving_enter(const struct check_view *view, const struct check_claim *claim)
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
static bool wraps(const struct search *search, const struct check_claim *claim)
{
    unsigned least = ~0u, most = 0;
    for (unsigned i = 0; i < search->sample->count; i++) {
        const uint8_t *bytes = check_bytes(search->view, search->sample->at[i]);
        unsigned sum = 0;
        for (unsigned b = 0; b < search->view->length; b++) {
            uint8_t mask = (uint8_t)(claim->covers.word[b / 8] >> 8 * (b % 8));
            uint8_t byte = bytes[b] & mask;
            sum += claim->checksum.width == 4 ? nibble_sum(byte) : byte;
        }
        sum >>= claim->checksum.width;
        least = sum < least ? sum : least;
        most = sum > most ? sum : most;
    }
    return most > least;
}

/* Columns of bits in which two or more bytes meet. */
static unsigned columns_that_meet(const struct check_claim *claim)
{
    unsigned meeting = 0;
    for (unsigned bit = 0; bit < 8; bit++) {
        unsigned bytes = 0;
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

/* Signs that this is a check and no quantity; enough of them are wanted. */
static double sense_of_sum(const struct search *search, struct check_claim *claim)
{
    const struct check_view *view = search->view;
    unsigned units = units_entering(claim, claim->checksum.width), points = 0;
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
    points += all_moving_enter(view, claim);
    points += at_an_end(view, &claim->checksum.place);
    points += claim->plain_constant;
    return points >= 7 ? 0.99 : points == 6 ? 0.97 : points == 5 ? 0.93 : 0.0;
}

static double sense_of_xor(const struct search *search, struct check_claim *claim)
{
    unsigned meeting = columns_that_meet(claim);
    bool negative = claim->checksum.complement == LT_COMPLEMENT_TWOS;
    bool counts = enters_counter(search->view, claim);
    if (search->view->one_form)
        return units_entering(claim, 8) < 2 ? 0.0 : 0.95;
    if (units_entering(claim, 8) < 2 || meeting == 0 || (meeting == 1 && !counts))
        return 0.0;
    /* The rarer form must be there, not just fit. */
    claim->fragile = negative && !counts;
    if (negative && (meeting < 3 || (!counts && !still_bytes_count(search->view, claim))))
        return 0.0;
    return meeting > 2 || (counts && meeting > 1) ? 0.99 : 0.93;
}

/* Moving bits of the bytes of the set, less the check's own. */
static void set_covers(const struct check_view *view, struct check_claim *claim, uint64_t set)
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

static uint64_t frame_bytes(const struct check_view *view)
{
    return view->length == 64 ? ~(uint64_t)0 : ((uint64_t)1 << view->length) - 1;
}

static uint64_t moving_bytes(const struct check_view *view)
{
    uint64_t set = 0;
    for (unsigned b = 0; b < view->length && b < 64; b++)
        set |= (uint64_t)(view->moves[b] != 0) << b;
    return set;
}

/* Which of the bytes that never move are said to enter changes the constant alone: the first choice
 * that leaves a plain constant is taken, else all. */
static bool choose_ranges(const struct search *search, struct check_claim *claim, uint64_t set,
                          enum kind kind)
{
    const struct check_view *view = search->view;
    uint64_t own = check_own_bytes(&claim->checksum.place), moving = moving_bytes(view);
    uint64_t still = frame_bytes(view) & ~moving & ~own;
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
        trial.checksum.complement = kind == KIND_PLUS || kind == KIND_XOR_NEGATIVE
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

static bool try_set(struct search *search, enum lt_check_family family, struct lt_bits place,
                    uint64_t set, enum kind kind, double hypotheses)
{
    struct check_claim claim = {
        .checksum = {.family = family, .width = (uint8_t)lt_bits_length(&place), .place = place},
        .hypotheses = hypotheses};
    if (!choose_ranges(search, &claim, set, kind))
        return false;
    set_covers(search->view, &claim, set);
    set_unexercised(search->view, &claim);
    claim.sense =
        family == LT_CHECK_XOR ? sense_of_xor(search, &claim) : sense_of_sum(search, &claim);
    claim.score = (claim.plain_constant ? 1.0 : 0.0) +
                  (kind == KIND_XOR            ? 0.5
                   : kind == KIND_XOR_NEGATIVE ? -0.5
                                               : 0.0) +
                  (all_moving_enter(search->view, &claim) ? 1.0 : 0.0);
    return check_claims_add(search->view, search->claims, &claim);
}

/* Frames of the sample that do not go with most others, were the byte made from the set. */
static unsigned bad_frames(const struct search *search, unsigned own, uint64_t set, enum kind kind)
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
                sum = is_xor(kind) ? sum ^ byte : sum + byte;
            }
            sum = kind == KIND_XOR            ? sum ^ bytes[own]
                  : kind == KIND_XOR_NEGATIVE ? sum ^ (0u - bytes[own])
                  : kind == KIND_PLUS         ? sum + bytes[own]
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
static bool is_copy(struct search *search, unsigned own, uint64_t others)
{
    unsigned alone = ~0u, all = ~0u;
    for (uint64_t rest = others; rest; rest &= rest - 1) {
        for (enum kind kind = KIND_XOR; kind < KINDS; kind++) {
            uint64_t single = rest & (~rest + 1);
            unsigned bad =
                follows(search, own, single, kind) ? bad_frames(search, own, single, kind) : ~0u;
            alone = bad < alone ? bad : alone;
        }
    }
    if (alone == ~0u || 20 * alone > search->sample->count)
        return false;
    for (enum kind kind = KIND_XOR; kind < KINDS; kind++) {
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

/* All subsets of a few bytes; ranges and halves of many. */
static bool try_subsets(struct search *search, unsigned own, uint64_t others, enum kind kind)
{
    enum lt_check_family family = is_xor(kind) ? LT_CHECK_XOR : LT_CHECK_SUM;
    struct lt_bits place = check_byte_place(own);
    unsigned count = (unsigned)__builtin_popcountll(others), tries = 0;
    if (count > 7) {
        for (unsigned from = 0; from < search->view->length; from++) {
            for (unsigned to = search->view->length; to-- > from + 1;) {
                uint64_t range = ((uint64_t)2 << to) - ((uint64_t)1 << from);
                uint64_t set = others & (to == 63 ? ~(uint64_t)0 << from : range);
                if ((set & (set - 1)) && set != others &&
                    follows_range(search, own, (struct range){from, to + 1}, kind) &&
                    ++tries < 16 && try_set(search, family, place, set, kind, 12.0) &&
                    is_exact(search->claims, &place))
                    return true;
            }
        }
        return false;
    }
    for (unsigned left_out = 1; left_out < count; left_out++) {
        for (uint64_t set = (others - 1) & others; set; set = (set - 1) & others) {
            if ((unsigned)__builtin_popcountll(set) != count - left_out || !(set & (set - 1)))
                continue;
            if (follows(search, own, set, kind) && ++tries < 16 &&
                try_set(search, family, place, set, kind, 10.0) && is_exact(search->claims, &place))
                return true;
        }
    }
    return false;
}

static void try_byte(struct search *search, unsigned own)
{
    struct check_view *view = search->view;
    struct lt_bits place = check_byte_place(own);
    uint64_t others = moving_bytes(view) & ~((uint64_t)1 << own);
    if (!check_is_free(view, &place) || check_moving_bits(view, &place) < 3 || !others ||
        is_copy(search, own, others))
        return;
    for (enum kind kind = KIND_XOR; kind < KINDS; kind++) {
        if (follows(search, own, others, kind) &&
            try_set(search, is_xor(kind) ? LT_CHECK_XOR : LT_CHECK_SUM, place, others, kind, 6.0) &&
            is_exact(search->claims, &place))
            return;
    }
    /* A list of constants undoes whatever the counter adds: with it all that moves must enter. */
    for (enum kind kind = KIND_XOR; search->chooser->classes == 1 && kind < KINDS; kind++) {
        if (try_subsets(search, own, others, kind))
            return;
    }
}

/* Does the nibble follow all of a range but its own byte, and with `beside` the nibble beside it?
 */
static bool nibble_follows(const struct search *search, unsigned own_position, struct range range,
                           bool with_beside, enum kind kind)
{
    const struct differences *d = &search->differences;
    unsigned own = own_position / 8, shift = own_position % 8, bad = 0, alive = 0;
    bool inside = own >= range.first && own < range.end;
    for (unsigned p = 0; p < d->count; p++) {
        unsigned mine = d->minus[p][own];
        unsigned sum = (unsigned)d->nibbles_to[p][range.end] - d->nibbles_to[p][range.first] -
                       (inside ? d->nibbles[p][own] : 0u);
        /* The differences of the two nibbles of the own byte: the low one borrows from the high. */
        unsigned high = d->nibbles[p][own], low = mine & 15;
        high = (high - low) & 15;
        unsigned value = shift ? high : low, beside = shift ? low : high;
        if (with_beside)
            sum += beside;
        alive += value != 0;
        bad += ((kind == KIND_PLUS ? sum + value : sum - value) & 15) != 0;
        if (bad > CHECK_PAIRS / 5)
            return false;
    }
    return d->count >= 8 && 5 * bad <= d->count && 4 * alive >= d->count;
}

static unsigned nibble_step(const struct differences *d, unsigned pair, unsigned position)
{
    unsigned low = d->minus[pair][position / 8] & 15;
    return position % 8 ? (d->nibbles[pair][position / 8] - low) & 15 : low;
}

/* Pairs in which the nibble does not go along with, or against, the other. */
static unsigned nibble_strays(const struct differences *d, unsigned own, unsigned other)
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
static bool is_nibble_copy(const struct search *search, unsigned own)
{
    for (unsigned other = 0; other < 8 * search->view->length; other += 4) {
        if (other != own && (search->view->moves[other / 8] >> other % 8 & 15) &&
            12 * nibble_strays(&search->differences, own, other) <= search->differences.count)
            return true;
    }
    return false;
}

/* The moving bytes of the range that a nibble may be made from; its own byte, for the nibble beside
 * it, or not. */
static uint64_t nibble_set(const struct check_view *view, unsigned position, struct range range,
                           bool with_beside)
{
    uint64_t own = (uint64_t)1 << position / 8;
    uint64_t set = (~(uint64_t)0 << range.first) & (~(uint64_t)0 >> (64 - range.end));
    return moving_bytes(view) & (with_beside ? set | own : set & ~own);
}

static bool try_nibble_range(struct search *search, unsigned position, struct range range,
                             bool with_beside, double tried)
{
    struct lt_bits place = {1, {{(uint16_t)(position + 3), (uint16_t)position}}};
    uint64_t set = nibble_set(search->view, position, range, with_beside);
    for (enum kind kind = KIND_MINUS; kind < KINDS; kind++) {
        if (nibble_follows(search, position, range, with_beside, kind) &&
            try_set(search, LT_CHECK_NIBBLE_SUM, place, set, kind, tried))
            return true;
    }
    return false;
}

static void try_nibble(struct search *search, unsigned position)
{
    struct check_view *view = search->view;
    struct lt_bits place = {1, {{(uint16_t)(position + 3), (uint16_t)position}}};
    struct range all = {0, view->length};
    if (!check_is_free(view, &place) || check_moving_bits(view, &place) < 3 ||
        is_nibble_copy(search, position))
        return;
    /* Where the nibble beside stands still, the constant decides whether it enters. */
    bool with_own = try_nibble_range(search, position, all, true, 6.0);
    if (try_nibble_range(search, position, all, false, 6.0) || with_own)
        return;
    for (unsigned from = 0; search->chooser->classes == 1 && from < view->length; from++) {
        for (unsigned to = view->length; to-- > from + 1;) {
            struct range range = {from, to + 1};
            if (try_nibble_range(search, position, range, false, 13.0) ||
                try_nibble_range(search, position, range, true, 13.0))
                return;
        }
    }
}

/* A nibble sum known from elsewhere: few frames do not tell it from a copy, so none is looked for.
 */
static void try_known_nibble(struct search *search, unsigned position, enum kind kind)
{
    struct lt_bits place = {1, {{(uint16_t)(position + 3), (uint16_t)position}}};
    struct range all = {0, search->view->length};
    for (unsigned beside = 0; beside < 2; beside++)
        try_set(search, LT_CHECK_NIBBLE_SUM, place, nibble_set(search->view, position, all, beside),
                kind, 4.0);
}

/* J1939: the counter in the other nibble of the byte, the identifier enters. */
static void try_j1939(struct search *search, unsigned byte, enum lt_check_family family, bool high)
{
    struct check_view *view = search->view;
    uint16_t base = (uint16_t)(8 * byte);
    struct lt_bits nibble[2] = {{1, {{(uint16_t)(base + 3), base}}},
                                {1, {{(uint16_t)(base + 7), (uint16_t)(base + 4)}}}};
    struct check_claim claim = {.checksum = {.family = family, .width = 4, .place = nibble[high]},
                                .hypotheses = 8.0};
    uint64_t set = frame_bytes(view) & ~((uint64_t)1 << byte);
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
    set_covers(view, &claim, set);
    lt_bit_set_add_bits(&claim.covers, &nibble[!high]);
    for (unsigned w = 0; w < 8; w++)
        claim.covers.word[w] &= view->moving.word[w];
    claim.sense = units_entering(&claim, 4) > 1 ? 0.99 : 0.0;
    claim.score = 4.0;
    claim.plain_constant = true;
    check_claims_add(view, search->claims, &claim);
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
    struct search *search = lt_arena_alloc(view->scratch, sizeof *search);
    struct check_sample *sample = lt_arena_alloc(view->scratch, sizeof *sample);
    if (!search || !sample)
        return;
    check_sample_draw(view, 200, CHECK_SAMPLE_SURE, sample);
    *search = (struct search){.view = view, .claims = claims, .sample = sample};
    search->chooser = &view->chooser[0];
    for (unsigned b = 0; view->kept->key.extended && b < view->length; b++) {
        for (unsigned high = 0; high < 2; high++) {
            try_j1939(search, b, LT_CHECK_J1939_TSC1, high);
            try_j1939(search, b, LT_CHECK_J1939_XBR, high);
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
                try_nibble(search, p);
        }
    }
}

void check_try_plain(struct check_view *view, const struct lt_checksum *known,
                     struct check_claims *claims)
{
    struct search *search = lt_arena_alloc(view->scratch, sizeof *search);
    struct check_sample *sample = lt_arena_alloc(view->scratch, sizeof *sample);
    unsigned position = known->place.part[0].lsb, byte = position / 8;
    if (!search || !sample || !moving_bytes(view))
        return;
    check_sample_draw(view, 200, CHECK_SAMPLE_SURE, sample);
    *search = (struct search){.view = view, .claims = claims, .sample = sample};
    uint64_t others = moving_bytes(view) & ~((uint64_t)1 << byte);
    bool negative = known->complement == LT_COMPLEMENT_TWOS;
    enum kind kind = known->family == LT_CHECK_XOR ? (negative ? KIND_XOR_NEGATIVE : KIND_XOR)
                     : known->complement == LT_COMPLEMENT_NONE ? KIND_MINUS
                                                               : KIND_PLUS;
    for (unsigned i = 0; i < view->chooser_count && claims->count == 0; i++) {
        search->chooser = &view->chooser[i];
        if (known->family == LT_CHECK_J1939_TSC1 || known->family == LT_CHECK_J1939_XBR)
            try_j1939(search, byte, known->family, position % 8 != 0);
        else if (known->family == LT_CHECK_NIBBLE_SUM)
            try_known_nibble(search, position, kind);
        else if (others)
            try_set(search, known->family, known->place, others, kind, 4.0);
    }
}
