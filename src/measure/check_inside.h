/* What the files that find checksums (check_*.c) share.
 *
 *     check_view.c    the different frames, what moves and how; samples and pairs of frames
 *     check_null.c    elimination: all affine relations between the bits at once
 *     check_plain*.c  sums, XOR, nibble sums, the J1939 forms (check_plain.h)
 *     check_crc.c     polynomial, direction, order and position of a CRC
 *     check_table.c   a check that is known, byte by byte from a table
 *     check_name.c    the constant that is left: catalogue name, data id, identifier, profile
 *     check_affine.c  maps that have no name
 *     check_short.c   CRCs of four bits
 *     check_secret.c  random-looking bits that nothing explains
 *     check_transfer.c  a form known from elsewhere
 *     check_solve.c   the order of work, which of two to believe, the result
 */
#ifndef LOOMTAP_SRC_MEASURE_CHECK_INSIDE_H
#define LOOMTAP_SRC_MEASURE_CHECK_INSIDE_H

#include "loomtap/measure/check_solve.h"
#include "loomtap/measure/work.h"
#include "measure/check_table.h"

#define CHECK_POSITIONS  512u
#define CHECK_SAMPLE_MAX 704u /* 512 bits, 1, 15 for a counter, and some to prove it */
#define CHECK_WORDS      9u   /* of a row of the elimination: 512 + 1 + 15 bits fit */
#define CHECK_PAIRS      16u
#define CHECK_CLASSES    16u  /* counter values that choose among constants */
#define CHECK_LOOK       256u /* different frames whose bits are held as columns */
#define CHECK_CONTENTS   256u
#define CHECK_FOUND_MAX  48u

/* A counter that may choose a constant; the first of a view is none at all. */
struct check_chooser {
    bool present;
    struct lt_bits bits;
    unsigned classes; /* 1 without; else 2^bits, at most 16: higher bits do not choose */
    uint32_t modulus; /* as it counts, 0 not known */
};

#define CHECK_CHOOSERS 5u

struct check_view {
    const struct lt_kept *kept;
    unsigned length;
    size_t count;    /* different frames, in order of first appearance */
    uint32_t *row;   /* their rows in kept */
    uint32_t *times; /* how often each is there */
    size_t sure_count;
    uint32_t *sure; /* of the different frames, those that are there more than once */
    struct lt_bit_set moving, counters, taken;
    struct lt_bit_set long_counters; /* of 4 bits and more */
    unsigned moving_count;
    uint8_t moves[64];             /* moving bits by byte */
    double rough[CHECK_POSITIONS]; /* share of the changes of the frame in which the bit flips */
    double eta[64];                /* smoothness of each byte by itself, unsigned */
    uint64_t changes;              /* neighbouring frames that differ */
    unsigned looked;               /* frames in `look`: the bits of some of them, by position */
    uint64_t look[CHECK_POSITIONS][CHECK_LOOK / 64];
    unsigned rare_count; /* bits that hardly move: frames in which they do */
    struct {
        uint16_t position;
        uint64_t seen;
        uint32_t at[4]; /* among the different frames */
    } rare[64];
    unsigned chooser_count;
    struct check_chooser chooser[CHECK_CHOOSERS];
    struct check_table *table; /* to work with */
    struct lt_arena *scratch;  /* goes with the search */
    struct lt_arena *arena;    /* the caller's, for what is reported */
    uint64_t random;           /* state; the same for the same frames */
    double proof_needed;       /* bits */
    struct lt_work *work;      /* NULL: without end */
    bool one_form;             /* a form that is known is tried, nothing is searched */
};

bool check_view_make(struct check_view *view, const struct lt_kept *kept,
                     const struct lt_counter_found *counters, size_t counter_count,
                     const struct lt_bit_set *taken, struct lt_arena *scratch,
                     struct lt_arena *arena);
static inline const uint8_t *check_bytes(const struct check_view *view, size_t distinct)
{
    return lt_kept_row(view->kept, view->row[distinct]);
}
/* 0..below-1 */
uint32_t check_random(struct check_view *view, uint32_t below);
unsigned check_class(const struct check_chooser *chooser, const uint8_t *bytes);
/* Bits of the place that move; mean share of changes in which they flip. */
unsigned check_moving_bits(const struct check_view *view, const struct lt_bits *place);
double check_roughness(const struct check_view *view, const struct lt_bits *place);
/* The same, but a bit that flips every time is as orderly as one that never does. */
double check_restlessness(const struct check_view *view, const struct lt_bits *place);
bool check_is_free(const struct check_view *view, const struct lt_bits *place);
/* Two or three bits of a CRC may look like a counter in a short recording. */
bool check_is_free_of_long(const struct check_view *view, const struct lt_bits *place);

/* Is one byte the lower part of a number that goes on in the other, its neighbour? */
bool check_carries(const struct check_view *view, unsigned low, unsigned high);
/* Is the nibble the lower part of a number that goes on above it? */
bool check_nibble_carries(const struct check_view *view, unsigned lsb);

/* Different frames drawn at random. */
struct check_sample {
    unsigned count;
    uint32_t at[CHECK_SAMPLE_MAX];
};
enum check_sampling {
    CHECK_SAMPLE_ANY,
    CHECK_SAMPLE_RARE, /* and those that move rare bits: they may be spoiled ones */
    CHECK_SAMPLE_SURE, /* those that came more than once, where there are enough: no accident */
};
void check_sample_draw(struct check_view *view, unsigned wanted, enum check_sampling sampling,
                       struct check_sample *ret_sample);

/* Pairs from a sample in which the counter chooses the same; their difference has no constant. */
struct check_pairs {
    unsigned count;
    uint32_t a[CHECK_PAIRS], b[CHECK_PAIRS];
};
void check_pairs_draw(struct check_view *view, const struct check_sample *sample,
                      const struct check_chooser *chooser, struct check_pairs *ret_pairs);

/* Relations: every set of moving bits (and 1, and products of the counter's bits) whose XOR is 0
 * in all frames of the sample. */
struct check_null {
    unsigned bits; /* columns of moving bits, then that of the constant, then products */
    unsigned columns, words, rank, spare; /* spare: frames beyond the rank */
    uint16_t column[CHECK_POSITIONS];     /* of each position; 0xFFFF where it does not move */
    unsigned count;
    uint64_t (*vector)[CHECK_WORDS];
};
bool check_null_make(const struct check_view *view, const struct check_sample *sample,
                     const struct check_chooser *chooser, struct check_null *ret_null);

/* The place's bits by the others: vector n gives bit n of the value (0 = least significant). */
struct check_solution {
    unsigned width;
    uint64_t vector[16][CHECK_WORDS];
};
bool check_null_solve(const struct check_null *null, const struct lt_bits *place,
                      struct check_solution *ret_solution);
static inline bool check_bit(const uint64_t *words, unsigned n)
{
    return words[n / 64] >> n % 64 & 1;
}
/* The column of a position: what it adds to the value. */
uint16_t check_solution_column(const struct check_null *null, const struct check_solution *solution,
                               unsigned position);

/* One explanation, on its way to a result. */
struct check_claim {
    struct lt_checksum checksum;
    struct lt_bit_set covers; /* moving bits that enter */
    struct lt_bit_set unexercised;
    uint64_t
        contents; /* different contents of what enters and of the check, at most CHECK_CONTENTS */
    uint64_t failed_distinct, telling; /* different frames; `telling`: not of the usual value */
    double hypotheses;                 /* log2 of how many were tried to come to it */
    double score;                      /* which of two is believed */
    double rival; /* how far behind the nearest is that says the same turned round; 0: none */
    double sense; /* 0..1: is it a check, not a quantity that happens to add up? */
    unsigned parameters; /* frames that its own numbers use up */
    bool fragile;        /* could be a quantity: must give every frame */
    bool is_crc;         /* an affine map that is a CRC: it holds for bits that never moved too */
    bool plain_constant; /* no data id, start or the like was needed */
};

struct check_claims {
    unsigned count;
    struct check_claim claim[CHECK_FOUND_MAX];
};

/* Is the place in use by a claim with a name, or covered by one? Then it is that one turned round.
 */
bool check_is_explained(const struct check_claims *claims, const struct lt_bits *place);

/* Different frames that the checksum does not give; stops above `limit`. */
uint64_t check_failures(const struct check_view *view, const struct lt_checksum *checksum,
                        uint64_t limit);
/* How many different frames may fail: spoiled ones. */
uint64_t check_failures_allowed(const struct check_view *view);
/* Keeps the claim if it holds, is proven and makes sense. */
bool check_claims_add(const struct check_view *view, struct check_claims *claims,
                      struct check_claim *claim);
struct lt_bits check_byte_place(unsigned byte);
/* Bytes given as a set, as ranges, the check's own left out or not. False: too many ranges. */
bool check_set_ranges(struct lt_checksum *checksum, uint64_t bytes);
uint64_t check_own_bytes(const struct lt_bits *place);

/* The constants that are left, one a class of the chooser: what they must be, in one frame each. */
struct check_constants {
    const struct check_chooser *chooser;
    bool known[CHECK_CLASSES];
    uint32_t at[CHECK_CLASSES]; /* a different frame of this class that is as it should be */
    bool same, by_parity;       /* all classes alike; alike where the counter's last bit is */
};
/* Fills in start, complement, data id and so on so that the frames of `constants` come out right:
 * the checksum has family, poly, reflect, ranges, place. `hidden` bytes follow the data. */
bool check_name_crc(const struct check_view *view, const struct check_constants *constants,
                    unsigned hidden, struct check_claim *claim);
bool check_name_plain(const struct check_view *view, const struct check_constants *constants,
                      struct check_claim *claim);
/* Works out the constants: `value` is what the linear part leaves, for each frame of a sample. */
void check_constants_make(const struct check_view *view, const struct check_chooser *chooser,
                          const struct check_sample *sample, const uint16_t *value,
                          struct check_constants *ret_constants);

void check_report(const struct check_view *view, const struct check_claim *claim,
                  struct lt_check_found *ret_found);

/* The places of checks that have a name, and nothing more of them: what is left out of the search
 * for a selector. */
enum lt_code check_find_places(const struct lt_kept *kept, const struct lt_counter_found *counters,
                               size_t counter_count, struct lt_work *work,
                               struct lt_bit_set *ret_places, struct lt_error *error);

void check_find_plain(struct check_view *view, struct check_claims *claims);
void check_find_crc(struct check_view *view, const struct check_sample *sample,
                    const struct check_chooser *chooser, const struct check_null *null, bool deep,
                    struct check_claims *claims);
/* One form on this stream: its polynomial, or its sum. */
void check_try_plain(struct check_view *view, const struct lt_checksum *known,
                     struct check_claims *claims);
void check_try_crc(struct check_view *view, const struct lt_checksum *known,
                   struct check_claims *claims);
void check_find_affine(struct check_view *view, const struct check_sample *sample,
                       const struct check_null *null, struct check_claims *claims);
void check_find_short(struct check_view *view, const struct check_sample *sample,
                      const struct check_null *null, struct check_claims *claims);
/* Random-looking bits outside `known`. False where there are none. */
bool check_find_secret(struct check_view *view, const struct lt_bit_set *known,
                       struct lt_check_found *ret_found);

#endif
