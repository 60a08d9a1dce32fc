/* Bit moments (loomtap/measure/moments.h): frames are gathered in blocks of 64, turned so that each
 * bit of the frame is one word, and counted pair by pair (moments_block.h).
 *
 * Counts are held against the first frame (the base): a bit that never differed from it needs no
 * room and no work, one that begins to move gets the next free slot of its band, whose counts so
 * far are all 0. Turning counts against the base into counts of ones is exact:
 *
 *     b_i = 1 - x_i where the base is 1, so
 *     sum b_i b_j = N - X_i - X_j + X_ij   (base 1 in both), X_j - X_ij (in i), X_i - X_ij (in j)
 *
 * and two flips are in opposite directions against the base where they are in the same direction in
 * truth, if the base differs between the two bits. */
#include "measure/moments_inside.h"

#include <stdlib.h>
#include <string.h>

#include "measure/moments_block.h"
#include "measure/words.h"

#define NO_SLOT     0xFF
#define BAND_STEP   4u /* bytes from one band to the next */
#define BAND_BYTES  8u
#define FIRST_SLOTS 8u

struct pairs {            /* of one band */
    unsigned slots, room; /* bits with a slot; slots that the tables hold */
    uint8_t slot_of[LT_BAND_BITS];
    struct lt_pair_tables table; /* one allocation, `both` first */
};

struct lt_moments {
    unsigned length, words, bands;
    bool failed;
    uint64_t frames, steps;      /* counted, without those in the block */
    uint64_t base[LT_WORDS_MAX]; /* the first frame */
    uint64_t last[LT_WORDS_MAX]; /* the last frame of the block before */
    uint64_t next_mask;          /* frames of the block that follow the one before them */
    unsigned fill;               /* frames in the block */
    uint64_t *block;             /* [word][frame] */
    struct pairs *pairs;         /* bands */
    struct lt_band **view;       /* bands; made when asked for */
    bool view_is_fresh;
};

static size_t triangle(size_t slots)
{
    return slots * (slots + 1) / 2;
}

static unsigned bands_of(unsigned length)
{
    if (length == 0)
        return 0;
    return length <= BAND_BYTES ? 1 : (length - BAND_BYTES + BAND_STEP - 1) / BAND_STEP + 1;
}

static unsigned bytes_of_band(const struct lt_moments *moments, unsigned band)
{
    unsigned left = moments->length - band * BAND_STEP;
    return left < BAND_BYTES ? left : BAND_BYTES;
}

/* Bits [first, first + 64) of a frame held in words. */
static uint64_t bits_of_band(const uint64_t *words, unsigned word_count, unsigned band)
{
    unsigned word = band / 2;
    if (band % 2 == 0)
        return words[word];
    return words[word] >> 32 | (word + 1 < word_count ? words[word + 1] << 32 : 0);
}

enum lt_code lt_moments_new(struct lt_moments **ret_moments, unsigned length,
                            struct lt_error *error)
{
    assert(length <= LT_FRAME_MAX);
    struct lt_moments *moments = calloc(1, sizeof *moments);
    if (!moments)
        return lt_fail(error, LT_E_MEMORY, "no memory for the counts of a frame's bits");
    moments->length = length;
    moments->words = (length + 7) / 8;
    moments->bands = bands_of(length);
    moments->block = calloc((size_t)moments->words * LT_BLOCK_FRAMES + 1, sizeof(uint64_t));
    moments->pairs = calloc(moments->bands + 1u, sizeof *moments->pairs);
    if (!moments->block || !moments->pairs) {
        lt_moments_free(moments);
        return lt_fail(error, LT_E_MEMORY, "no memory for the counts of a frame's bits");
    }
    for (unsigned band = 0; band < moments->bands; band++)
        memset(moments->pairs[band].slot_of, NO_SLOT, LT_BAND_BITS);
    *ret_moments = moments;
    return LT_OK;
}

void lt_moments_fold(struct lt_moments *moments)
{
    for (unsigned band = 0; moments->view && band < moments->bands; band++)
        free(moments->view[band]);
    free(moments->view);
    moments->view = NULL;
    moments->view_is_fresh = false;
}

void lt_moments_free(struct lt_moments *moments)
{
    if (!moments)
        return;
    lt_moments_fold(moments);
    for (unsigned band = 0; moments->pairs && band < moments->bands; band++)
        free(moments->pairs[band].table.both);
    free(moments->pairs);
    free(moments->block);
    free(moments);
}

bool lt_moments_failed(const struct lt_moments *moments)
{
    return moments->failed;
}

bool lt_moments_block_is_empty(const struct lt_moments *moments)
{
    return moments->fill == 0;
}

size_t lt_moments_bytes(const struct lt_moments *moments)
{
    size_t bytes = sizeof *moments + moments->bands * sizeof *moments->pairs;
    bytes += moments->words * LT_BLOCK_FRAMES * sizeof(uint64_t);
    for (unsigned band = 0; band < moments->bands; band++)
        bytes += 3 * triangle(moments->pairs[band].room) * sizeof(uint64_t);
    return bytes;
}

/* ---- Slots ---- */

static bool grow_tables(struct pairs *pairs, unsigned room)
{
    size_t size = triangle(room), used = triangle(pairs->slots);
    uint64_t *both = calloc(3 * size, sizeof *both);
    if (!both)
        return false;
    if (used != 0) {
        memcpy(both, pairs->table.both, used * sizeof *both);
        memcpy(both + size, pairs->table.flips, used * sizeof *both);
        memcpy(both + 2 * size, pairs->table.against, used * sizeof *both);
    }
    free(pairs->table.both);
    pairs->table = (struct lt_pair_tables){both, both + size, both + 2 * size};
    pairs->room = room;
    return true;
}

/* Gives each of `bits` a slot that has none. */
static bool give_slots(struct pairs *pairs, uint64_t bits)
{
    for (; bits != 0; bits &= bits - 1) {
        unsigned bit = (unsigned)__builtin_ctzll(bits);
        if (pairs->slot_of[bit] != NO_SLOT)
            continue;
        unsigned room = pairs->room == 0 ? FIRST_SLOTS : pairs->room + pairs->room / 2;
        if (pairs->slots == pairs->room &&
            !grow_tables(pairs, room < LT_BAND_BITS ? room : LT_BAND_BITS))
            return false;
        pairs->slot_of[bit] = (uint8_t)pairs->slots++;
    }
    return true;
}

/* ---- Counting ---- */

/* The block of one word of the frame as bits: how they differ from the base, and where they flip.
 */
struct turned {
    uint64_t on[LT_WORDS_MAX * 64], flips[LT_WORDS_MAX * 64];
    uint64_t moved[LT_WORDS_MAX]; /* bits with anything in one of both */
};

static void turn_block(const struct lt_moments *moments, const uint64_t *block, unsigned fill,
                       uint64_t next_mask, const uint64_t *last, struct turned *ret_turned)
{
    const struct lt_block_kernel *kernel = lt_block_kernel();
    for (unsigned word = 0; word < moments->words; word++) {
        uint64_t frames[LT_BLOCK_FRAMES], base = moments->base[word];
        uint64_t before = last[word] ^ base, moved = 0;
        uint64_t *on = ret_turned->on + (size_t)word * 64;
        uint64_t *flips = ret_turned->flips + (size_t)word * 64;
        uint64_t any = before;
        for (unsigned k = 0; k < fill; k++)
            any |= frames[k] = block[word * LT_BLOCK_FRAMES + k] ^ base;
        ret_turned->moved[word] = 0;
        if (any == 0) /* nothing there has ever moved: usual in long frames */
            continue;
        for (unsigned k = fill; k < LT_BLOCK_FRAMES; k++)
            frames[k] = 0;
        kernel->transpose(frames, on);
        for (unsigned i = 0; i < 64; i++) {
            flips[i] = (on[i] ^ (on[i] << 1 | (before >> i & 1))) & next_mask;
            moved |= (uint64_t)((on[i] | flips[i]) != 0) << i;
        }
        ret_turned->moved[word] = moved;
    }
}

static void count_band(struct lt_moments *moments, unsigned band, const struct turned *turned)
{
    struct pairs *pairs = &moments->pairs[band];
    uint64_t moved = bits_of_band(turned->moved, moments->words, band);
    struct lt_block_bit bits[LT_BAND_BITS];
    uint8_t bit_of[LT_BAND_BITS];
    size_t count = 0;
    if (!give_slots(pairs, moved)) {
        moments->failed = true;
        return;
    }
    /* In the order of slots, since the tables are triangular. */
    memset(bit_of, NO_SLOT, sizeof bit_of);
    for (uint64_t left = moved; left != 0; left &= left - 1) {
        unsigned bit = (unsigned)__builtin_ctzll(left);
        bit_of[pairs->slot_of[bit]] = (uint8_t)bit;
    }
    for (unsigned slot = 0; slot < pairs->slots; slot++) {
        if (bit_of[slot] == NO_SLOT)
            continue;
        size_t at = (size_t)band * BAND_STEP * 8 + bit_of[slot];
        bits[count++] = (struct lt_block_bit){.on = turned->on[at],
                                              .flips = turned->flips[at],
                                              .slot = slot,
                                              .row = (uint32_t)triangle(slot)};
    }
    lt_block_kernel()->count_pairs(bits, count, &pairs->table);
}

/* Counts `fill` frames, the first of which comes after `last`. */
static void count_block(struct lt_moments *moments, const uint64_t *block, unsigned fill,
                        uint64_t next_mask, const uint64_t *last)
{
    struct turned turned;
    if (fill == 0)
        return;
    turn_block(moments, block, fill, next_mask, last, &turned);
    for (unsigned band = 0; band < moments->bands; band++)
        count_band(moments, band, &turned);
    moments->frames += fill;
    moments->steps += (uint64_t)__builtin_popcountll(next_mask);
}

static void flush(struct lt_moments *moments)
{
    if (moments->fill == 0)
        return;
    count_block(moments, moments->block, moments->fill, moments->next_mask, moments->last);
    for (unsigned word = 0; word < moments->words; word++)
        moments->last[word] = moments->block[word * LT_BLOCK_FRAMES + moments->fill - 1];
    moments->fill = 0;
    moments->next_mask = 0;
}

void lt_moments_add(struct lt_moments *moments, const uint8_t *data, bool is_next)
{
    uint64_t words[LT_WORDS_MAX];
    lt_words_of(words, data, moments->length);
    if (moments->frames + moments->fill == 0) {
        memcpy(moments->base, words, moments->words * sizeof *words);
        is_next = false;
    }
    for (unsigned word = 0; word < moments->words; word++)
        moments->block[word * LT_BLOCK_FRAMES + moments->fill] = words[word];
    moments->next_mask |= (uint64_t)is_next << moments->fill;
    moments->view_is_fresh = false;
    if (++moments->fill == LT_BLOCK_FRAMES)
        flush(moments);
}

bool lt_moments_add_word(struct lt_moments *moments, uint64_t word, bool is_next)
{
    unsigned at = moments->fill;
    if (at == 0 && moments->frames == 0) {
        moments->base[0] = word;
        is_next = false;
    }
    moments->block[at] = word;
    moments->next_mask |= (uint64_t)is_next << at;
    moments->view_is_fresh = false;
    moments->fill = at + 1;
    if (at + 1 != LT_BLOCK_FRAMES)
        return false;
    flush(moments);
    return true;
}

void lt_moments_add_kept(struct lt_moments *moments, const struct lt_kept *kept)
{
    assert(kept->key.length == moments->length);
    for (size_t row = 0; row < kept->count; row++)
        lt_moments_add(moments, lt_kept_row(kept, row), kept->flags[row] & LT_KEPT_NEXT);
}

/* ---- Adding two ---- */

/* What a pair's count on `from`'s base is on another, which differs in the bits of `turn`. */
static uint64_t rebased(const struct lt_moments *from, const struct pairs *pairs, uint64_t turn,
                        unsigned i, unsigned j)
{
    unsigned a = pairs->slot_of[i], b = pairs->slot_of[j];
    bool turn_i = turn >> i & 1, turn_j = turn >> j & 1;
    uint64_t on_i = a == NO_SLOT ? 0 : pairs->table.both[triangle(a) + a];
    uint64_t on_j = b == NO_SLOT ? 0 : pairs->table.both[triangle(b) + b];
    uint64_t both = a == NO_SLOT || b == NO_SLOT
                        ? 0
                        : pairs->table.both[a >= b ? triangle(a) + b : triangle(b) + a];
    if (turn_i && turn_j)
        return from->frames - on_i - on_j + both;
    if (turn_i)
        return on_j - both;
    return turn_j ? on_i - both : both;
}

static void merge_pair(struct pairs *into, const struct lt_moments *from, const struct pairs *pairs,
                       uint64_t turn, unsigned i, unsigned j)
{
    unsigned a = into->slot_of[i], b = into->slot_of[j];
    size_t to = a >= b ? triangle(a) + b : triangle(b) + a;
    into->table.both[to] += rebased(from, pairs, turn, i, j);
    a = pairs->slot_of[i];
    b = pairs->slot_of[j];
    if (a == NO_SLOT || b == NO_SLOT)
        return;
    size_t at = a >= b ? triangle(a) + b : triangle(b) + a;
    bool turned = ((turn >> i ^ turn >> j) & 1) != 0;
    uint64_t flips = pairs->table.flips[at], against = pairs->table.against[at];
    into->table.flips[to] += flips;
    into->table.against[to] += turned ? flips - against : against;
}

static void merge_band(struct lt_moments *into, const struct lt_moments *from, unsigned band)
{
    const struct pairs *pairs = &from->pairs[band];
    uint64_t turn =
        bits_of_band(into->base, into->words, band) ^ bits_of_band(from->base, from->words, band);
    uint64_t moved = turn;
    for (unsigned bit = 0; bit < LT_BAND_BITS; bit++)
        moved |= (uint64_t)(pairs->slot_of[bit] != NO_SLOT) << bit;
    if (!give_slots(&into->pairs[band], moved)) {
        into->failed = true;
        return;
    }
    for (unsigned i = 0; i < LT_BAND_BITS; i++)
        for (unsigned j = 0; j <= i; j++)
            if (moved >> i & moved >> j & 1)
                merge_pair(&into->pairs[band], from, pairs, turn, i, j);
}

void lt_moments_merge(struct lt_moments *into, const struct lt_moments *from)
{
    assert(into->length == from->length);
    if (from->frames + from->fill == 0)
        return;
    flush(into);
    into->view_is_fresh = false;
    if (into->frames == 0)
        memcpy(into->base, from->base, sizeof into->base);
    for (unsigned band = 0; from->frames != 0 && band < into->bands; band++)
        merge_band(into, from, band);
    into->frames += from->frames;
    into->steps += from->steps;
    into->failed |= from->failed;
    count_block(into, from->block, from->fill, from->next_mask, from->last);
}

/* ---- Reading ---- */

uint64_t lt_moments_frames(struct lt_moments *moments)
{
    return moments->frames + moments->fill;
}

uint64_t lt_moments_steps(struct lt_moments *moments)
{
    return moments->steps + (uint64_t)__builtin_popcountll(moments->next_mask);
}

static void fill_band(const struct lt_moments *moments, unsigned index, struct lt_band *ret_band)
{
    const struct pairs *pairs = &moments->pairs[index];
    uint64_t base = bits_of_band(moments->base, moments->words, index);
    unsigned bits = 8 * bytes_of_band(moments, index);
    memset(ret_band, 0, sizeof *ret_band);
    ret_band->first_byte = (uint8_t)(index * BAND_STEP);
    ret_band->bytes = (uint8_t)(bits / 8);
    for (unsigned i = 0; i < bits; i++) {
        for (unsigned j = 0; j <= i; j++) {
            unsigned a = pairs->slot_of[i], b = pairs->slot_of[j];
            ret_band->both[i][j] = rebased(moments, pairs, base, i, j);
            if (a == NO_SLOT || b == NO_SLOT)
                continue;
            size_t at = a >= b ? triangle(a) + b : triangle(b) + a;
            uint64_t flips = pairs->table.flips[at], against = pairs->table.against[at];
            ret_band->flip_pairs[i][j] = flips;
            ret_band->against[i][j] = (base >> i ^ base >> j) & 1 ? flips - against : against;
        }
        ret_band->ones[i] = ret_band->both[i][i];
        ret_band->flips[i] = ret_band->flip_pairs[i][i];
    }
}

static bool make_view(struct lt_moments *moments)
{
    if (!moments->view) {
        moments->view = calloc(moments->bands + 1u, sizeof *moments->view);
        moments->view_is_fresh = false;
    }
    for (unsigned band = 0; moments->view && band < moments->bands; band++)
        if (!moments->view[band] && !(moments->view[band] = malloc(sizeof **moments->view)))
            return false;
    return moments->view != NULL;
}

size_t lt_moments_bands(struct lt_moments *moments, const struct lt_band *const **ret_bands)
{
    flush(moments);
    if (!make_view(moments)) {
        moments->failed = true;
        lt_moments_fold(moments);
        *ret_bands = NULL;
        return 0;
    }
    for (unsigned band = 0; !moments->view_is_fresh && band < moments->bands; band++)
        fill_band(moments, band, moments->view[band]);
    moments->view_is_fresh = true;
    *ret_bands = (const struct lt_band *const *)moments->view;
    return moments->bands;
}

void lt_moments_activity(struct lt_moments *moments, uint64_t ret_ones[512],
                         uint64_t ret_flips[512])
{
    flush(moments);
    memset(ret_ones, 0, 512 * sizeof *ret_ones);
    memset(ret_flips, 0, 512 * sizeof *ret_flips);
    for (unsigned at = 0; at < 8 * moments->length; at++) {
        unsigned band = at / (8 * BAND_STEP), bit;
        band = band < moments->bands ? band : moments->bands - 1;
        bit = at - band * 8 * BAND_STEP;
        const struct pairs *pairs = &moments->pairs[band];
        uint64_t base = bits_of_band(moments->base, moments->words, band);
        unsigned slot = pairs->slot_of[bit];
        ret_ones[at] = rebased(moments, pairs, base, bit, bit);
        ret_flips[at] = slot == NO_SLOT ? 0 : pairs->table.flips[triangle(slot) + slot];
    }
}
