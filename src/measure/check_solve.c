/* Finding checksums: the order of work, which of two explanations is believed, and the result
 * (loomtap/measure/check_solve.h).
 *
 * Sums first, then elimination on samples of the different frames: one sample may hold a spoiled
 * frame, which hides every relation, so several are drawn. What passes is tried on every frame. In
 * an XOR sum every byte is the XOR of the others, and a CRC read backwards is a CRC with the
 * mirrored polynomial in the first byte: of explanations that cover each other the one in the
 * roughest place, with the plainest parameters, at an end of the frame is believed. */
#include <math.h>
#include <string.h>

#include "loomtap/base/text.h"
#include "measure/check_inside.h"

#define PROOF_BITS     36.0 /* 10^-9 is 30 bits; the rest is for streams and places tried */
#define SCRATCH_BYTES  (48u << 20)
#define SAMPLES        4u
#define SAMPLES_LONG   3u /* of frames longer than 8 bytes: elimination takes a cube of time */
#define DEEP_SAMPLES   3u /* in which odd forms are tried too */
#define PROVING_FRAMES 40u
#define TABLE_AFTER    64u /* frames that hold */
#define TABLE_LEAST    16u /* more for each byte: what a table costs */

struct lt_bits check_byte_place(unsigned byte)
{
    return (struct lt_bits){1, {{(uint16_t)(8 * byte + 7), (uint16_t)(8 * byte)}}};
}

uint64_t check_own_bytes(const struct lt_bits *place)
{
    unsigned from = place->part[0].msb / 8u, to = place->part[0].lsb / 8u;
    uint64_t set = 0;
    for (unsigned b = from < to ? from : to; b <= (from < to ? to : from); b++)
        set |= (uint64_t)1 << b;
    return set;
}

bool check_set_ranges(struct lt_checksum *checksum, uint64_t bytes)
{
    checksum->ranges = 0;
    for (unsigned b = 0; b < 64; b++) {
        if (!(bytes >> b & 1))
            continue;
        if (b && (bytes >> (b - 1) & 1)) {
            checksum->range[checksum->ranges - 1].last = (uint8_t)b;
            continue;
        }
        if (checksum->ranges == LT_CHECK_RANGES_MAX)
            return false;
        checksum->range[checksum->ranges++] = (struct lt_check_range){(uint8_t)b, (uint8_t)b};
    }
    return checksum->ranges > 0;
}

/* By table, once it is seen that there are many to look at. */
static const struct check_table *table_of(const struct check_view *view,
                                          const struct lt_checksum *checksum, size_t left)
{
    if (left < (size_t)TABLE_LEAST * view->length || !check_has_table(checksum))
        return NULL;
    check_table_fill(view->table, checksum, &view->kept->key);
    return view->table;
}

uint64_t check_failures(const struct check_view *view, const struct lt_checksum *checksum,
                        uint64_t limit)
{
    const struct lt_stream_key *key = &view->kept->key;
    const struct check_table *table = NULL;
    uint64_t failed = 0, frames = 0;
    for (size_t i = 0; i < view->count && frames <= limit; i++) {
        const uint8_t *bytes = check_bytes(view, i);
        if (i == TABLE_AFTER)
            table = table_of(view, checksum, view->count - i);
        if (table ? check_table_verify(table, bytes)
                  : lt_checksum_verify(checksum, bytes, key->length, key->id, key->extended))
            continue;
        failed++;
        frames += view->times[i];
    }
    /* A spoiled frame comes once: one that comes again and again is no accident. */
    return frames <= limit ? failed : limit + 1;
}

uint64_t check_failures_allowed(const struct check_view *view)
{
    uint64_t by_frames = 2 + view->kept->count * 6 / 100, by_rows = view->count / 10;
    return view->count < 12 ? 0 : by_frames < by_rows ? by_frames : by_rows;
}

/* Bits of proof: how unlikely it is that values made otherwise agree as often as they do. */
static double proof_bits(const struct check_view *view, const struct check_claim *claim)
{
    double frames = (double)view->count, failed = (double)claim->failed_distinct;
    double width = check_moving_bits(view, &claim->checksum.place);
    if (!view->one_form)
        frames = (double)claim->telling;
    else
        width = claim->telling > 1 ? width : 0.0;
    if (claim->contents < CHECK_CONTENTS && frames > (double)claim->contents)
        frames = (double)claim->contents;
    double choices = failed > 0.0 ? failed * log2(frames / failed) + 1.45 * failed : 0.0;
    double used = view->one_form && claim->plain_constant ? 0.0 : claim->parameters;
    return width * (frames - failed - used) - claim->hypotheses - choices;
}

static double place_bonus(const struct check_view *view, const struct lt_bits *place)
{
    uint64_t own = check_own_bytes(place);
    return own >> (view->length - 1) & 1 ? 0.6 : own & 1 ? 0.5 : 0.0;
}

/* Frames in which the value is not the one it mostly has (for this value of the counter that
 * chooses): the others agree with anything that gives a constant. */
static uint64_t telling_frames(const struct check_view *view, const struct check_claim *claim)
{
    uint32_t seen[CHECK_CLASSES][256] = {{0}};
    struct check_chooser chooser = {.present = claim->checksum.has_counter ||
                                               claim->checksum.data_id_count > 2,
                                    .bits = claim->checksum.counter,
                                    .classes = CHECK_CLASSES};
    if (chooser.present && !claim->checksum.has_counter)
        chooser.bits = (struct lt_bits){1, {{11, 8}}};
    for (size_t i = 0; i < view->count; i++) {
        const uint8_t *bytes = check_bytes(view, i);
        unsigned value = (unsigned)lt_bits_get(bytes, &claim->checksum.place);
        seen[check_class(&chooser, bytes)][(value ^ value >> 8) & 0xFF]++;
    }
    uint64_t telling = view->count;
    for (unsigned class = 0; class < CHECK_CLASSES; class ++) {
        uint32_t most = 0;
        for (unsigned value = 0; value < 256; value++)
            most = seen[class][value] > most ? seen[class][value] : most;
        telling -= most;
    }
    return telling;
}

/* The lower byte of a number is rough too, but no check. */
static double carry_malus(const struct check_view *view, const struct lt_bits *place)
{
    unsigned b = place->part[0].lsb / 8u;
    if (lt_bits_length(place) == 4)
        return place->part[0].lsb % 4 == 0 && check_nibble_carries(view, place->part[0].lsb) ? 6.0
                                                                                             : 0.0;
    if (lt_bits_length(place) != 8)
        return 0.0;
    return (b > 0 && check_carries(view, b, b - 1)) ||
                   (b + 1 < view->length && check_carries(view, b, b + 1))
               ? 6.0
               : 0.0;
}

/* Some polynomials bring a byte back to itself (x^12 = 1 modulo x^8 + x^4 + 1): then a copy or a
 * complement is a CRC. Of a check most bits hang on two bits that move, or more. */
static bool mixes(const struct check_view *view, const struct lt_checksum *checksum,
                  const struct lt_bit_set *covers)
{
    const struct lt_stream_key *key = &view->kept->key;
    unsigned enter[16] = {0}, alone = 0;
    uint8_t bytes[64];
    memcpy(bytes, check_bytes(view, 0), view->length);
    struct lt_checksum plain = *checksum;
    plain.has_counter = false; /* else the data id moves with it */
    plain.data_id_mode = LT_DATA_ID_BOTH;
    uint16_t base = lt_checksum_compute(&plain, bytes, key->length, key->id, key->extended);
    for (unsigned p = 0; p < 8 * view->length; p++) {
        if (!lt_bit_set_has(covers, p))
            continue;
        bytes[p / 8] ^= (uint8_t)(1u << p % 8);
        uint16_t column =
            base ^ lt_checksum_compute(&plain, bytes, key->length, key->id, key->extended);
        bytes[p / 8] ^= (uint8_t)(1u << p % 8);
        for (unsigned n = 0; n < checksum->width; n++)
            enter[n] += column >> n & 1;
    }
    for (unsigned n = 0; n < checksum->width; n++)
        alone += enter[n] < 2;
    return 2 * alone <= checksum->width;
}

/* Does the bit repeat another one, or its opposite, but for what spoiled frames may do? */
static bool bit_is_copy(const struct check_view *view, unsigned own, const struct lt_bit_set *place)
{
    for (unsigned p = 0; p < 8 * view->length; p++) {
        unsigned unlike = 0;
        if (!lt_bit_set_has(&view->moving, p) || lt_bit_set_has(place, p))
            continue;
        for (unsigned w = 0; w < CHECK_LOOK / 64; w++)
            unlike += (unsigned)__builtin_popcountll(view->look[p][w] ^ view->look[own][w]);
        if (16 * unlike <= view->looked || 16 * (view->looked - unlike) <= view->looked)
            return true;
    }
    return false;
}

static bool is_mostly_copy(const struct check_view *view, const struct lt_bits *place)
{
    unsigned width = lt_bits_length(place), copies = 0;
    struct lt_bit_set own = {{0}};
    lt_bit_set_add_bits(&own, place);
    for (unsigned n = 0; n < width; n++)
        copies += bit_is_copy(view, lt_span_position(place->part[0], n), &own);
    return view->count >= 32 && 2 * copies > width;
}

static bool is_crc(enum lt_check_family family)
{
    return family == LT_CHECK_CRC8 || family == LT_CHECK_CRC16;
}

/* Different contents of the bits that enter, and of the check: where a few of them are all there
 * are, as on two pages of constants, many sums agree by accident however many frames there are. */
static uint64_t contents_of(const struct check_view *view, const struct check_claim *claim)
{
    uint8_t mask[64], seen[2 * CHECK_CONTENTS][64];
    bool used[2 * CHECK_CONTENTS] = {false};
    struct lt_bit_set set = claim->covers;
    uint64_t contents = 0;
    lt_bit_set_add_bits(&set, &claim->checksum.place);
    for (unsigned b = 0; b < 64; b++)
        mask[b] = (uint8_t)(set.word[b / 8] >> 8 * (b % 8));
    for (size_t i = 0; i < view->count && contents < CHECK_CONTENTS; i++) {
        const uint8_t *bytes = check_bytes(view, i);
        uint8_t masked[64];
        uint32_t hash = 2166136261u;
        for (unsigned b = 0; b < view->length; b++) {
            masked[b] = bytes[b] & mask[b];
            hash = (hash ^ masked[b]) * 16777619u;
        }
        unsigned at = (hash ^ hash >> 15) % (2 * CHECK_CONTENTS);
        while (used[at] && memcmp(seen[at], masked, view->length) != 0)
            at = (at + 1) % (2 * CHECK_CONTENTS);
        if (used[at])
            continue;
        used[at] = true;
        memcpy(seen[at], masked, view->length);
        contents++;
    }
    return contents;
}

static bool claim_holds(const struct check_view *view, struct check_claim *claim)
{
    if (claim->sense <= 0.0 || lt_checksum_check(&claim->checksum, view->length, NULL) != LT_OK)
        return false;
    if (!view->one_form && is_crc(claim->checksum.family) &&
        !mixes(view, &claim->checksum, &claim->covers))
        return false;
    uint64_t allowed = view->one_form ? 0 : check_failures_allowed(view);
    /* A map without a name bends to slow quantities: it must fail less. */
    if (claim->checksum.family == LT_CHECK_AFFINE && allowed > 2 + view->kept->count / 100)
        allowed = 2 + view->kept->count / 100;
    /* A look at a few first: most of what is tried and wrong ends here. */
    claim->failed_distinct = check_failures(view, &claim->checksum, allowed);
    claim->telling = telling_frames(view, claim);
    claim->contents = contents_of(view, claim);
    if (claim->fragile && claim->failed_distinct > 0)
        return false;
    if (claim->failed_distinct > allowed || 10 * claim->failed_distinct > claim->telling)
        return false;
    bool may_copy = is_crc(claim->checksum.family) || claim->checksum.family == LT_CHECK_AFFINE;
    return view->one_form || !may_copy || !is_mostly_copy(view, &claim->checksum.place);
}

static bool same_place(const struct check_claim *a, const struct check_claim *b)
{
    return a->checksum.place.part[0].msb == b->checksum.place.part[0].msb &&
           a->checksum.place.part[0].lsb == b->checksum.place.part[0].lsb;
}

bool check_claims_add(const struct check_view *view, struct check_claims *claims,
                      struct check_claim *claim)
{
    if (!claim_holds(view, claim) || proof_bits(view, claim) < view->proof_needed)
        return false;
    double failed = (double)claim->failed_distinct / (double)view->count;
    claim->score += 10.0 * check_restlessness(view, &claim->checksum.place) +
                    place_bonus(view, &claim->checksum.place) -
                    carry_malus(view, &claim->checksum.place) - 100.0 * failed;
    for (unsigned i = 0; i < claims->count; i++) {
        if (!same_place(&claims->claim[i], claim))
            continue;
        if (claim->score > claims->claim[i].score)
            claims->claim[i] = *claim;
        return true;
    }
    if (claims->count < CHECK_FOUND_MAX)
        claims->claim[claims->count++] = *claim;
    return true;
}

static bool covers(const struct check_claim *a, const struct check_claim *b)
{
    return lt_bit_set_meets(&a->covers, &b->checksum.place);
}

static bool is_settled(const struct check_claim *claim)
{
    enum lt_check_family family = claim->checksum.family;
    return claim->plain_constant || claim->checksum.catalogue ||
           (!is_crc(family) && family != LT_CHECK_AFFINE);
}

static bool any_settled(const struct check_claims *claims, unsigned from)
{
    for (unsigned i = from; i < claims->count; i++) {
        if (is_settled(&claims->claim[i]))
            return true;
    }
    return false;
}

bool check_is_explained(const struct check_claims *claims, const struct lt_bits *place)
{
    for (unsigned i = 0; i < claims->count; i++) {
        const struct check_claim *claim = &claims->claim[i];
        bool named = claim->is_crc || claim->checksum.family != LT_CHECK_AFFINE;
        if ((named && lt_bits_overlap(&claim->checksum.place, place)) ||
            ((claim->is_crc || is_settled(claim)) && lt_bit_set_meets(&claim->covers, place)))
            return true;
    }
    return false;
}

/* Does a kept claim stand against this one? If they say the same the other way round, how near it
 * comes in score is what the better one is unsure by. */
static bool yields(struct check_claim *better, const struct check_claim *claim)
{
    bool turned = covers(better, claim) && covers(claim, better);
    double ahead = better->score - claim->score;
    if (turned && !same_place(better, claim) && (better->rival == 0.0 || ahead < better->rival))
        better->rival = ahead > 0.01 ? ahead : 0.01;
    /* A map that has no name and runs through a check with one is that check turned round. */
    if (claim->checksum.family == LT_CHECK_AFFINE && better->checksum.family != LT_CHECK_AFFINE &&
        covers(claim, better))
        return true;
    return turned || lt_bits_overlap(&better->checksum.place, &claim->checksum.place);
}

/* A small map without a name that could as well lie elsewhere is worth nothing to anybody. */
static unsigned drop_doubtful(struct check_claims *claims, unsigned count)
{
    unsigned kept = 0;
    for (unsigned i = 0; i < count; i++) {
        const struct check_claim *claim = &claims->claim[i];
        bool small = claim->checksum.family == LT_CHECK_AFFINE && !claim->is_crc &&
                     claim->checksum.width < 8;
        if (!small || claim->rival == 0.0 || claim->rival > 1.0)
            claims->claim[kept++] = *claim;
    }
    return kept;
}

/* The best first; those that overlap a better one, or say the same the other way round, go. */
static unsigned choose(struct check_claims *claims)
{
    unsigned kept = 0;
    for (unsigned n = 0; n < claims->count; n++) {
        unsigned best = n;
        for (unsigned i = n + 1; i < claims->count; i++) {
            if (claims->claim[i].score > claims->claim[best].score)
                best = i;
        }
        struct check_claim claim = claims->claim[best];
        claims->claim[best] = claims->claim[n];
        claims->claim[n] = claim;
        bool stays = kept < LT_CHECKS_MAX;
        for (unsigned i = 0; i < kept; i++) {
            if (yields(&claims->claim[i], &claim))
                stays = false;
        }
        if (stays)
            claims->claim[kept++] = claim;
    }
    return drop_doubtful(claims, kept);
}

static unsigned count_bytes(const struct lt_bit_set *set)
{
    unsigned bytes = 0;
    for (unsigned b = 0; b < 64; b++)
        bytes += (set->word[b / 8] >> 8 * (b % 8) & 0xFF) != 0;
    return bytes;
}

static const char *say(const struct check_view *view, const struct check_claim *claim,
                       const struct lt_check_found *found)
{
    char text[600];
    size_t at = lt_text_format(text, sizeof text, "gives %llu of %llu frames, %llu different",
                               (unsigned long long)found->verified,
                               (unsigned long long)(found->verified + found->failed),
                               (unsigned long long)found->distinct);
    unsigned still = count_bytes(&found->unexercised);
    const struct lt_checksum *checksum = &claim->checksum;
    if (claim->is_crc)
        at += lt_text_format(text + at, sizeof text - at, "; a CRC of four bits, as a map");
    else if (checksum->family == LT_CHECK_AFFINE)
        at += lt_text_format(text + at, sizeof text - at,
                             "; no polynomial or sum gives it, so it is known for the bits that "
                             "moved alone: not for bits of %u bytes",
                             still);
    else if (still)
        at +=
            lt_text_format(text + at, sizeof text - at,
                           "; bytes that never moved: %u, whether they enter is not proven", still);
    if (checksum->data_id_count && checksum->family != LT_CHECK_E2E_P2)
        lt_text_format(text + at, sizeof text - at,
                       "; data id, start value and final XOR come to one constant here, other ones "
                       "give the same");
    return lt_arena_string(view->arena, text);
}

void check_report(const struct check_view *view, const struct check_claim *claim,
                  struct lt_check_found *ret_found)
{
    const struct lt_stream_key *key = &view->kept->key;
    double proof = proof_bits(view, claim);
    *ret_found = (struct lt_check_found){.form = LT_CHECK_FOUND,
                                         .place = claim->checksum.place,
                                         .checksum = claim->checksum,
                                         .distinct = view->count,
                                         .unexercised = claim->unexercised};
    const struct check_table *table = table_of(view, &claim->checksum, view->count);
    for (size_t i = 0; i < view->count; i++) {
        const uint8_t *bytes = check_bytes(view, i);
        if (table
                ? check_table_verify(table, bytes)
                : lt_checksum_verify(&claim->checksum, bytes, key->length, key->id, key->extended))
            ret_found->verified += view->times[i];
        else
            ret_found->failed += view->times[i];
    }
    ret_found->confidence = proof > 60.0 ? claim->sense : 0.97 * claim->sense;
    if (100 * ret_found->failed > ret_found->verified)
        ret_found->confidence *= 0.93;
    /* Roughness of a place is uncertain by about 5 / sqrt(changes * bits) in these units. */
    if (claim->rival > 0.0 && claim->rival < 0.4 + 15.0 / sqrt(8.0 * (double)view->changes + 1.0))
        ret_found->confidence *= 0.75;
    ret_found->why = say(view, claim, ret_found);
}

/* Runs the search on several samples until one finds something: any may hold spoiled frames. A CRC
 * in the last byte is one in the first as well, backwards and with its polynomial mirrored: where
 * only an odd one was found, the usual one may have been hidden. */
static void search_crc(struct check_view *view, const struct check_chooser *chooser, bool deep,
                       struct check_claims *claims)
{
    unsigned samples = deep               ? DEEP_SAMPLES
                       : view->length > 8 ? SAMPLES_LONG
                       : chooser->present ? SAMPLES
                                          : 2 * SAMPLES;
    unsigned before = claims->count;
    unsigned wanted = view->moving_count + PROVING_FRAMES + chooser->classes;
    struct check_sample *sample = lt_arena_alloc(view->scratch, sizeof *sample);
    for (unsigned n = 0; sample && n < samples && !any_settled(claims, before); n++) {
        struct check_null null;
        if (n && view->count < wanted + wanted / 2)
            wanted = (unsigned)(view->count * 2 / 3);
        check_sample_draw(view, wanted, n % 2 ? CHECK_SAMPLE_SURE : CHECK_SAMPLE_ANY, sample);
        if (sample->count < 4 || !check_null_make(view, sample, chooser, &null))
            break;
        if (null.count > 0)
            check_find_crc(view, sample, chooser, &null, deep, claims);
        /* Nothing is ruled out: what one sample does not give, another hardly does. */
        if (null.spare < 8 && n > 0)
            break;
    }
}

static void search_affine(struct check_view *view, struct check_claims *claims)
{
    unsigned samples = view->length > 8 ? SAMPLES_LONG : SAMPLES, before = claims->count;
    unsigned wanted = view->moving_count + PROVING_FRAMES;
    struct check_sample *sample = lt_arena_alloc(view->scratch, sizeof *sample);
    for (unsigned n = 0; sample && n < samples && claims->count == before; n++) {
        struct check_null null;
        if (n && view->count < wanted + wanted / 2)
            wanted = (unsigned)(view->count * 2 / 3);
        check_sample_draw(view, wanted,
                          n == 0  ? CHECK_SAMPLE_RARE
                          : n % 2 ? CHECK_SAMPLE_SURE
                                  : CHECK_SAMPLE_ANY,
                          sample);
        if (!check_null_make(view, sample, &view->chooser[0], &null))
            break;
        check_find_short(view, sample, &null, claims);
        if (claims->count == before)
            check_find_affine(view, sample, &null, claims);
    }
}

/* Checks that have a name. */
static void search_named(struct check_view *view, struct check_claims *claims)
{
    check_find_plain(view, claims);
    unsigned plain = claims->count;
    for (unsigned deep = 0; deep < 2; deep++) {
        for (unsigned i = 0; i < view->chooser_count && claims->count == plain; i++)
            search_crc(view, &view->chooser[i], deep, claims);
    }
}

static bool is_worth_it(const struct check_view *view)
{
    return view->count >= 4 && view->moving_count >= 4;
}

enum lt_code lt_checks_find(const struct lt_kept *kept, const struct lt_counter_found *counters,
                            size_t counter_count, const struct lt_bit_set *taken,
                            struct lt_arena *arena, struct lt_check_found ret_found[LT_CHECKS_MAX],
                            size_t *ret_count, struct lt_error *error)
{
    return lt_checks_find_within(kept, counters, counter_count, taken, NULL, arena, ret_found,
                                 ret_count, error);
}

enum lt_code lt_checks_find_within(const struct lt_kept *kept,
                                   const struct lt_counter_found *counters, size_t counter_count,
                                   const struct lt_bit_set *taken, struct lt_work *work,
                                   struct lt_arena *arena,
                                   struct lt_check_found ret_found[LT_CHECKS_MAX],
                                   size_t *ret_count, struct lt_error *error)
{
    struct lt_arena scratch;
    lt_arena_init(&scratch, SCRATCH_BYTES);
    struct check_view *view = lt_arena_alloc(&scratch, sizeof *view);
    struct check_claims *claims = lt_arena_alloc(&scratch, sizeof *claims);
    size_t found = 0;
    bool fine = view && claims &&
                check_view_make(view, kept, counters, counter_count, taken, &scratch, arena);
    if (fine && is_worth_it(view)) {
        view->proof_needed = PROOF_BITS;
        view->work = work;
        search_named(view, claims);
        search_affine(view, claims);
        unsigned chosen = choose(claims);
        struct lt_bit_set known = view->taken;
        for (unsigned w = 0; w < 8; w++)
            known.word[w] |= view->counters.word[w];
        for (; found < chosen; found++) {
            check_report(view, &claims->claim[found], &ret_found[found]);
            lt_bit_set_add_bits(&known, &ret_found[found].place);
        }
        if (found < LT_CHECKS_MAX && check_find_secret(view, &known, &ret_found[found]))
            found++;
    }
    fine = fine && !scratch.failed && !arena->failed;
    lt_arena_release(&scratch);
    if (!fine)
        return lt_fail(error, LT_E_MEMORY, "out of memory while looking for checksums");
    *ret_count = found;
    return LT_OK;
}

enum lt_code check_find_places(const struct lt_kept *kept, const struct lt_counter_found *counters,
                               size_t counter_count, struct lt_work *work,
                               struct lt_bit_set *ret_places, struct lt_error *error)
{
    struct lt_arena scratch;
    struct lt_bit_set none = {{0}};
    *ret_places = none;
    lt_arena_init(&scratch, SCRATCH_BYTES);
    struct check_view *view = lt_arena_alloc(&scratch, sizeof *view);
    struct check_claims *claims = lt_arena_alloc(&scratch, sizeof *claims);
    bool fine = view && claims &&
                check_view_make(view, kept, counters, counter_count, &none, &scratch, &scratch);
    if (fine && is_worth_it(view)) {
        view->proof_needed = PROOF_BITS;
        view->work = work;
        search_named(view, claims);
        unsigned chosen = choose(claims);
        for (unsigned i = 0; i < chosen; i++)
            lt_bit_set_add_bits(ret_places, &claims->claim[i].checksum.place);
    }
    fine = fine && !scratch.failed;
    lt_arena_release(&scratch);
    return fine ? LT_OK : lt_fail(error, LT_E_MEMORY, "out of memory while looking for checksums");
}
