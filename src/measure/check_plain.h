/* What the files that find checks that add up (check_plain*.c) share.
 *
 *     check_plain.c         XOR and byte sums: which bytes enter, which constant is left
 *     check_plain_sense.c   signs that a sum is a check and no quantity
 *     check_plain_nibble.c  sums of half bytes, the J1939 forms
 */
#ifndef LOOMTAP_SRC_MEASURE_CHECK_PLAIN_H
#define LOOMTAP_SRC_MEASURE_CHECK_PLAIN_H

#include "measure/check_inside.h"

enum plain_kind {
    PLAIN_XOR,
    PLAIN_XOR_NEGATIVE, /* the XOR's two's complement is sent */
    PLAIN_MINUS,
    PLAIN_PLUS,
    PLAIN_KINDS
};

static inline bool plain_is_xor(enum plain_kind kind)
{
    return kind == PLAIN_XOR || kind == PLAIN_XOR_NEGATIVE;
}

/* The differences of the pairs, byte by byte; pairs beside each other, so that all of them are one
 * step of a vector. Those past `count` are 0. */
struct plain_differences {
    unsigned count;
    uint8_t exclusive[64][CHECK_PAIRS];
    uint8_t negative[64][CHECK_PAIRS]; /* of the bytes' two's complements */
    uint8_t minus[64][CHECK_PAIRS];
    uint8_t nibbles[64][CHECK_PAIRS]; /* of the two nibbles' sum, mod 16 */
    /* The same added up over all bytes before this one that move: a range is one subtraction. */
    uint8_t exclusive_to[65][CHECK_PAIRS], minus_to[65][CHECK_PAIRS], nibbles_to[65][CHECK_PAIRS];
};

/* The bytes that move from `first` to below `end`. */
struct plain_range {
    unsigned first, end;
};

struct plain_search {
    struct check_view *view;
    struct check_claims *claims;
    const struct check_chooser *chooser;
    const struct check_sample *sample;
    struct plain_differences differences;
};

static inline uint64_t plain_range_bytes(struct plain_range range)
{
    return (~(uint64_t)0 << range.first) & (~(uint64_t)0 >> (64 - range.end));
}

/* In how many pairs the difference, modulo mask + 1, or the XOR of the two is not the total. */
static inline unsigned plain_unlike_sum(const uint8_t *end, const uint8_t *first,
                                        const uint8_t *total, uint8_t mask)
{
    uint8_t unlike = 0;
    for (unsigned p = 0; p < CHECK_PAIRS; p++)
        unlike += (uint8_t)(((end[p] - first[p] - total[p]) & mask) != 0);
    return unlike;
}

static inline unsigned plain_unlike_xor(const uint8_t *end, const uint8_t *first,
                                        const uint8_t *total)
{
    uint8_t unlike = 0;
    for (unsigned p = 0; p < CHECK_PAIRS; p++)
        unlike += (uint8_t)((end[p] ^ first[p] ^ total[p]) != 0);
    return unlike;
}

static inline uint8_t plain_nibble_sum(uint8_t byte)
{
    return (uint8_t)((byte & 15) + (byte >> 4));
}

uint64_t plain_frame_bytes(const struct check_view *view);
uint64_t plain_moving_bytes(const struct check_view *view);
/* Moving bits of the bytes of the set, less the check's own. */
void plain_set_covers(const struct check_view *view, struct check_claim *claim, uint64_t set);
/* Keeps the check at `place` over the bytes of the set, if it holds and makes sense. `hypotheses`
 * is log2 of how many were tried. */
bool plain_try_set(struct plain_search *search, enum lt_check_family family, struct lt_bits place,
                   uint64_t set, enum plain_kind kind, double hypotheses);

/* How many units of `bits` bits enter; does everything that moves? */
unsigned plain_units_entering(const struct check_claim *claim, unsigned bits);
bool plain_all_moving_enter(const struct check_view *view, const struct check_claim *claim);
/* 0..1: is this a check, and no quantity that happens to add up? Says too if it is fragile. */
double plain_sense_of_sum(const struct plain_search *search, struct check_claim *claim);
double plain_sense_of_xor(const struct plain_search *search, struct check_claim *claim);

/* The half byte whose lowest bit is at `position`, over anything it may be made from. */
void plain_try_nibble(struct plain_search *search, unsigned position);
/* A nibble sum known from elsewhere: few frames do not tell it from a copy, so none is looked for.
 */
void plain_try_known_nibble(struct plain_search *search, unsigned position, enum plain_kind kind);
/* J1939: the counter in the other nibble of the byte, the identifier enters. */
void plain_try_j1939(struct plain_search *search, unsigned byte, enum lt_check_family family,
                     bool high);

#endif
