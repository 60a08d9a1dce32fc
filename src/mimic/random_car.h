/* What one seed invents: buses, frames, fields, counters, checks, and what the traffic made of it.
 *
 * This is the truth, so it is written, packed and computed here apart from the codec, as frames.c
 * does for the bundled car. Positions: a spot counts bits along its own order. Intel: from bit 0 of
 * byte 0 upwards, `start` is the least significant bit. Motorola: from bit 7 of byte 0 downwards,
 * `start` is the most significant. */
#ifndef MIMIC_RANDOM_CAR_H
#define MIMIC_RANDOM_CAR_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "mimic/random_motion.h"

#define LT_MIMIC_RANDOM_BUSES  3
#define LT_MIMIC_RANDOM_FRAMES 96
#define LT_MIMIC_RANDOM_FIELDS 72 /* of one frame */
#define LT_MIMIC_RANDOM_PAGES  20

struct lt_mimic_spot {
    bool motorola;
    uint16_t start;
    uint8_t bits;
};

enum lt_mimic_field_sign {
    LT_MIMIC_UNSIGNED,
    LT_MIMIC_TWOS,
    LT_MIMIC_OFFSET_BINARY,
    LT_MIMIC_SIGN_MAGNITUDE,
};

enum lt_mimic_field_kind {
    LT_MIMIC_FIELD_VALUE, /* of a quantity, whose kind says the rest */
    LT_MIMIC_FIELD_COUNTER,
    LT_MIMIC_FIELD_CHECK,
    LT_MIMIC_FIELD_SELECTOR,
    LT_MIMIC_FIELD_TEXT,
    LT_MIMIC_FIELD_CONSTANT,
};

enum lt_mimic_check_family {
    LT_MIMIC_XOR,
    LT_MIMIC_SUM,
    LT_MIMIC_NIBBLE_SUM,
    LT_MIMIC_CRC8,
    LT_MIMIC_CRC16,
    LT_MIMIC_E2E_P1,
    LT_MIMIC_E2E_P2,
    LT_MIMIC_E2E_P5,
    LT_MIMIC_TSC1,
    LT_MIMIC_XBR,
    LT_MIMIC_CRC4,  /* a profile says it as `affine` */
    LT_MIMIC_KEYED, /* nothing in the frame explains it */
};

enum lt_mimic_hidden { /* how hidden bytes enter */
                       LT_MIMIC_HIDDEN_BOTH,
                       LT_MIMIC_HIDDEN_LOW,
                       LT_MIMIC_HIDDEN_ALTERNATING,
                       LT_MIMIC_HIDDEN_NIBBLE,
                       LT_MIMIC_HIDDEN_LIST,
};

struct lt_mimic_seal {
    enum lt_mimic_check_family family;
    uint16_t poly, init, xorout, start;
    bool reflect, with_id, with_length, before, backwards;
    char complement; /* 'o', 't' or 0 */
    uint8_t hidden_count, hidden[16];
    enum lt_mimic_hidden mode;
    bool has_counter; /* that chooses */
    struct lt_mimic_spot counter;
    uint64_t key, freshness;
};

/* What the frames written down show of a field. */
struct lt_mimic_facts {
    uint64_t frames, changes, codes, crossings, distinct;
    uint64_t moved, moved_with_codes; /* bits that differ from the first ones */
    uint64_t first, first_any, last;
    int64_t least, most;
    bool begun, begun_any;
    uint64_t *seen;    /* a bit for each of 65536 hashed values */
    uint64_t contents; /* of a check: different contents of the frame beside it */
    uint64_t *contents_seen;
};

struct lt_mimic_random_field {
    enum lt_mimic_field_kind kind;
    struct lt_mimic_spot spot;
    enum lt_mimic_field_sign sign;
    uint16_t quantity;
    uint32_t pages; /* bit n: on page n of the frame; 0: on all */
    /* physical = raw x num / den + offset */
    double num, den, scale, offset;
    uint8_t coarse;  /* the source knows only every so-many-th step */
    bool cut;        /* rounds down */
    bool reciprocal; /* raw x scale + offset = 1 / physical */
    bool codes;      /* the highest code (two's complement: the lowest) says unavailable */
    bool always_unavailable, until_running;
    double unavailable_until_s, fails_from_s, fails_to_s;
    double tau_s, dither;
    int64_t hold_ns; /* the source looks only so often */
    uint8_t code_map[16];
    bool mapped;
    uint64_t constant;
    char text[8];
    /* counters */
    uint32_t modulus, step, count[LT_MIMIC_RANDOM_PAGES];
    bool per_page, on_change;
    struct lt_mimic_seal seal;
    /* running */
    bool begun;
    double filtered, held;
    int64_t looked_ns;
    struct lt_mimic_facts facts;
};

enum lt_mimic_cadence { LT_MIMIC_CYCLIC, LT_MIMIC_ON_EVENT, LT_MIMIC_CYCLIC_AND_EVENT };

struct lt_mimic_random_frame {
    uint8_t bus, len, controller;
    uint32_t id;
    bool extended, fd, brs;
    enum lt_mimic_cadence cadence;
    int64_t period_ns, jitter_ns;
    uint8_t filler; /* unused bits: 00 or FF */
    bool motorola, mixed, authenticated;
    unsigned packing; /* bits to which fields are aligned: 1, 4, 8 */
    /* selector: fields[selector], pages values */
    int selector;
    unsigned pages, page;
    uint8_t page_value[LT_MIMIC_RANDOM_PAGES];
    bool irregular;
    int copy_of; /* index of the frame that a gateway repeats, or -1 */
    int64_t copy_delay_ns;
    size_t field_count;
    struct lt_mimic_random_field field[LT_MIMIC_RANDOM_FIELDS];
    /* layout under way */
    uint64_t used[8], page_used[LT_MIMIC_RANDOM_PAGES][8];
    /* running */
    int64_t slot_ns, due_ns, poll_ns, last_sent_ns;
    uint64_t sent, lost, written;
    uint64_t watched;
    bool has_sent, moved; /* moved: due earlier, because of an event */
    uint8_t data[64], before[64];
};

struct lt_mimic_random_car {
    uint64_t seed;
    struct lt_mimic_rng rng;
    struct lt_mimic_motion motion;
    unsigned buses;
    bool bus_fd[LT_MIMIC_RANDOM_BUSES];
    unsigned bitrate_hz[LT_MIMIC_RANDOM_BUSES];
    double loss;
    bool polling, polling_extended;
    /* habits of the maker */
    double order_bias; /* share of Motorola frames */
    double tight, nibble, check_share, counter_share, nice, signed_offset, empty;
    double dither_share, filter_share, hold_share, codes_share, cut_share, magnitude_share;
    double duration_s;
    unsigned families[3], family_count;
    uint8_t filler;
    size_t frame_count;
    struct lt_mimic_random_frame frame[LT_MIMIC_RANDOM_FRAMES];
};

/* random_plan.c: draws the whole car. */
void lt_mimic_random_plan(struct lt_mimic_random_car *car, uint64_t seed, double duration_s);
/* random_fields.c: fills frames with fields. */
void lt_mimic_random_fill(struct lt_mimic_random_car *car);
/* Puts a spot where it is free, from the habits of the frame; page -1: on all pages. */
bool lt_mimic_random_place(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame,
                           int page, unsigned bits, unsigned align, struct lt_mimic_spot *ret_spot);
bool lt_mimic_random_claim(struct lt_mimic_random_frame *frame, int page,
                           struct lt_mimic_spot spot);
struct lt_mimic_random_field *lt_mimic_random_add(struct lt_mimic_random_frame *frame,
                                                  enum lt_mimic_field_kind kind,
                                                  struct lt_mimic_spot spot);

/* random_guard.c: counters and checks, which lie where their families want them, so first. */
void lt_mimic_random_guard(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame);
void lt_mimic_random_page_counter(struct lt_mimic_random_car *car,
                                  struct lt_mimic_random_frame *frame, unsigned page);
extern const char *const lt_mimic_family_words[], *const lt_mimic_hidden_words[];
/* random_seal.c: what a check says of these bytes, and how a profile writes it. */
uint32_t lt_mimic_random_seal(struct lt_mimic_seal *seal, struct lt_mimic_spot place,
                              const struct lt_mimic_random_frame *frame, const uint8_t *data);
void lt_mimic_random_seal_nibble(const struct lt_mimic_seal *seal, uint8_t *data);
size_t lt_mimic_random_seal_text(const struct lt_mimic_random_frame *frame,
                                 const struct lt_mimic_random_field *field, char *ret_text,
                                 size_t size);
/* The bytes a check covers, as ranges in processing order: "0..6", "0..3,5..7". */
size_t lt_mimic_random_seal_over(const struct lt_mimic_random_frame *frame,
                                 const struct lt_mimic_random_field *field, char *ret_text,
                                 size_t size);

/* random_pack.c */
unsigned lt_mimic_spot_bit(struct lt_mimic_spot spot, unsigned n); /* 8 * byte + bit; n from low */
uint64_t lt_mimic_spot_get(struct lt_mimic_spot spot, const uint8_t *data);
void lt_mimic_spot_put(struct lt_mimic_spot spot, uint8_t *data, uint64_t raw);
size_t lt_mimic_spot_text(struct lt_mimic_spot spot, char *ret_text, size_t size);
const char *lt_mimic_spot_order(struct lt_mimic_spot spot);
/* The frame's bytes for the car as it is; counters move on. */
void lt_mimic_random_build(struct lt_mimic_random_car *car, struct lt_mimic_random_frame *frame,
                           int64_t now_ns);
/* The code that says "unavailable", of a field that has one. */
uint64_t lt_mimic_random_unavailable(const struct lt_mimic_random_field *field);
/* A number that changes when a flag or choice of the frame does. */
uint64_t lt_mimic_random_watch(const struct lt_mimic_random_car *car,
                               const struct lt_mimic_random_frame *frame);

#endif
