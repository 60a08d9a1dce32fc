/* How a page becomes fields, step by step (loomtap/survey/fields.h has the call for the whole):
 *
 *     fields_rows     the rows once more, so that any window is one load; what each bit did
 *     fields_planes   the rows a third time, bit by bit: 64 rows in a word
 *     fields_gaps     for every two neighbouring bits: does the upper one count the lower's wraps?
 *     fields_cut      from these odds to a set of fields that do not overlap, and their byte order
 *     fields_code     second opinion: what is shorter to write down
 *     fields_carry    third: bits above that are told by the whole number's carry, or are not
 *     fields_low      bits like noise below a number
 *     fields_choice   pieces of a code beside each other
 *     fields_bridge   pieces of one field that have resting bits between them
 *     fields_magnitude  a sign bit above a magnitude
 *     fields_course   what a field did over time, read as one number
 *     fields_sign     two's complement, offset-binary, sign and magnitude, or none
 *     fields_kind     flag, enum, physical, accumulating
 *     fields_text     bytes that spell something
 *     fields_sure     how often such a claim is right
 *
 * Positions are 8 * byte + bit, as everywhere. `upper` and `lower` are by significance. */
#ifndef LOOMTAP_SRC_SURVEY_FIELDS_INSIDE_H
#define LOOMTAP_SRC_SURVEY_FIELDS_INSIDE_H

#include "loomtap/base/bytes.h"
#include "loomtap/survey/fields.h"

#define FRAME_BITS  512u
#define COURSE_BITS 56u /* of one field; longer ones are cut there */

/* --- rows --- */

/* Each row twice: with its bytes as sent, where an Intel field's bits follow each other upwards,
 * and with its bytes reversed, where a Motorola field's do. */
struct field_lines {
    size_t count, length;
    const uint8_t *flags;
    const uint8_t *rows[2];
};

/* What each bit of the page did. `free` are the bits that can be in a field that moves. */
struct field_bits {
    unsigned bits; /* of the frame */
    bool moved[FRAME_BITS], taken[FRAME_BITS], free[FRAME_BITS];
    double rate[FRAME_BITS]; /* flips a step */
    uint64_t frames, steps;
};

enum lt_code field_lines_make(const struct lt_kept *kept, struct lt_arena *arena,
                              struct field_lines *ret_lines, struct lt_error *error);
void field_bits_make(const struct lt_fields_input *input, struct field_bits *ret_bits);

/* Place of a bit along a line: significance grows with it. */
static inline unsigned line_place(const struct field_lines *lines, enum lt_order order,
                                  unsigned position)
{
    return order == LT_ORDER_MOTOROLA
               ? 8u * ((unsigned)lines->length - 1u - position / 8u) + position % 8u
               : position;
}

/* `count` <= COURSE_BITS + 1 bits of a row from a place of the line upwards. */
static inline uint64_t line_get(const struct field_lines *lines, enum lt_order order, size_t row,
                                unsigned place, unsigned count)
{
    const uint8_t *bytes = lines->rows[order == LT_ORDER_MOTOROLA] + row * lines->length;
    uint64_t word = lt_load64_le(bytes + place / 8);
    return word >> place % 8 & (((uint64_t)1 << count) - 1);
}

/* A difference of two values of a field as a step, modulo its length: the shorter way round. */
static inline int64_t field_step(uint64_t difference, unsigned length)
{
    uint64_t half = (uint64_t)1 << (length - 1);
    return (int64_t)(((difference & (2 * half - 1)) ^ half) - half);
}

/* --- text --- */

#define FIELD_TEXTS_MAX 16u
struct field_text {
    uint8_t first, bytes; /* of the frame */
    char text[9];         /* of the last frame, terminated */
};
/* Takes the bits of the texts out of `bits`. */
size_t field_texts(const struct lt_kept *kept, struct field_bits *bits,
                   struct field_text ret_texts[FIELD_TEXTS_MAX]);

/* --- gaps --- */

#define GAP_ABOVE 3u /* bits above a gap that are looked at */

/* What was seen at the gap below a bit, with 1..GAP_ABOVE bits above it read as a number `u` and
 * the one bit below it. A *move* is a step of u by one up or down. In one number the bit below
 * wraps in the other direction ("carry"), or, when steps are large, does as it likes. */
struct gap_counts {
    uint64_t carry, anti, still;
    uint64_t up, down; /* moves of u */
    uint64_t fell;     /* moves at which the bit below went 1 -> 0 */
};
struct gap {
    bool seen;                       /* both bits are free */
    struct gap_counts at[GAP_ABOVE]; /* [bits above - 1] */
    double odds[GAP_ABOVE];          /* log2 (one field : two fields), without any prior */
    double odds_twos;                /* of odds[0]: log2 (two's complement : unsigned) */
    double together; /* share of the busier bit's flips at which the other flips too */
};
struct gaps {
    struct gap below[2][FRAME_BITS]; /* [order is Motorola][position of the bit above] */
};

/* Fills the gaps whose both bits are free. Inside a byte both orders have the same neighbours, but
 * bits above the byte's top differ. */
enum lt_code field_gaps_make(const struct field_lines *lines, const struct field_bits *bits,
                             struct lt_arena *arena, struct gaps *ret_gaps, struct lt_error *error);
/* The position below, or -1 where the frame ends. */
int gap_lower(const struct field_lines *lines, enum lt_order order, unsigned position);
int gap_upper(const struct field_lines *lines, enum lt_order order, unsigned position);
/* How many bits, at most `most`, lie between two positions, all at rest; -1 where that is not so.
 */
int gap_resting(const struct field_lines *lines, const struct field_bits *bits, enum lt_order order,
                unsigned upper, unsigned lower, unsigned most);

/* --- codes --- */

#define FIELD_SLOW 0.03 /* changes a step below which bits may be those of a code */

/* What is seen of a code: its bits change in the same frame, now and then. Flags of different
 * causes hardly ever do so; flags of one cause always do. */
struct field_choice {
    uint64_t both, upper, lower; /* changes of both, and of one alone */
};
/* Of the `upper` bits above and the `lower` bits from `lsb` on; and the steps that were looked at.
 */
struct field_choice field_choice_count(const struct field_lines *lines, enum lt_order order,
                                       unsigned lsb, unsigned upper, unsigned lower,
                                       uint64_t *ret_steps);
/* log2 (one code : two things), with how common either is. Rates are changes a step. */
double field_choice_odds(const struct field_choice *n, double upper_rate, double lower_rate);
double field_log2_factorial(uint64_t n);
double field_add_logs(double a, double b); /* log2 (2^a + 2^b) */

/* --- cut --- */

struct field_place {
    enum lt_order order; /* of the line it is read on; LT_ORDER_NONE inside a byte */
    uint16_t msb, lsb;
    uint8_t length;
    enum lt_sign sign; /* LT_UNSIGNED: not known yet */
    double weakest;    /* least odds of the gaps inside it */
    double edge;   /* least odds that its ends are ends, of those that touch other moving bits */
    double margin; /* by which its byte order is better than the other one */
};

struct field_cut {
    size_t count;
    struct field_place place[FRAME_BITS];
};

void field_cut_make(const struct field_lines *lines, const struct field_bits *bits,
                    const struct gaps *gaps, double order_prior, struct field_cut *ret_cut);

/* --- second opinion --- */

#define SECOND_OPINION 6.0 /* odds in bits of what it changed */

/* fields_code.c: joins and cuts where that makes the courses shorter to describe. */
void field_second_opinion(const struct field_lines *lines, const struct gaps *gaps,
                          struct field_cut *cut);
/* How many bits are saved when the `upper` bits above and the `lower` bits from `lsb` on are one
 * field; less than 0: when they are two. */
struct field_gain {
    double bits;
    uint64_t ticks;    /* rows in which the whole moved */
    bool low_is_noise; /* the lower part costs about what random bits would */
};
void field_join_gain(const struct field_lines *lines, enum lt_order order, unsigned lsb,
                     unsigned upper, unsigned lower, struct field_gain *ret_gain);
/* The order of the frame's fields that have one; LT_ORDER_NONE where there is none, or both. */
enum lt_order field_cut_order(const struct field_cut *cut);

/* fields_choice.c: puts slow pieces together that change in the same frames. */
void field_choices(const struct field_lines *lines, struct field_cut *cut);

/* fields_carry.c: takes bits above a field into it, and parts foreign ones from it. */
void field_carries(const struct field_lines *lines, const struct field_bits *bits,
                   const struct gaps *gaps, struct field_cut *cut);

/* fields_low.c: noise below a number is its low end. */
void field_low_ends(const struct field_lines *lines, const struct field_bits *bits,
                    struct field_cut *cut);

/* fields_bridge.c: puts pieces together that have resting bits between them. */
void field_bridge(const struct field_lines *lines, const struct field_bits *bits,
                  struct field_cut *cut);

/* fields_magnitude.c: puts signs and magnitudes together. */
enum lt_code field_magnitude(const struct field_lines *lines, const struct field_bits *bits,
                             struct lt_arena *arena, struct field_cut *cut, struct lt_error *error);

/* --- course --- */

#define STEP_SIZES 58u

struct field_course {
    uint64_t frames, steps, changes;
    uint64_t raw_min, raw_max, raw_max_below; /* the last: without all ones */
    uint64_t twos_min, twos_max;              /* the least and greatest in two's complement */
    uint64_t distinct;                        /* counting stops at 65536 */
    uint64_t all_ones;                        /* frames */
    uint64_t to_ones, jumps_to_ones;          /* times that it became all ones, or ceased to be */
    uint64_t up, down;                        /* changes, read modulo the length */
    uint64_t small;                           /* changes by one */
    uint64_t size[STEP_SIZES];     /* steps by the bit length of |step|, modulo the length */
    uint64_t wraps_up, wraps_down; /* usual steps past the highest value to 0, and back */
    uint64_t wrap_jumps;           /* unusual steps over the ends, none of them long going round */
    uint64_t mid_jumps;            /* unusual steps over mid-scale */
    uint64_t long_wraps;           /* of the wraps, those of a quarter of the range or more */
    uint64_t upper_moves;          /* usual steps inside the upper half */
    uint64_t mids;                 /* usual steps over mid-scale */
    uint64_t dwell_mid;            /* frames at exactly mid-scale */
    double eta;                    /* read without jumps at wraps */
    uint64_t typical;              /* a step above which few are */
};

enum lt_code field_course_make(const struct field_lines *lines, const struct field_place *place,
                               struct lt_arena *arena, struct field_course *ret_course,
                               struct lt_error *error);

/* --- sign, kind, confidence --- */

struct field_claim {
    enum lt_field_kind kind;
    enum lt_sign sign;
    bool sign_exercised;
    double sign_odds; /* in bits; INFINITY where there is no question */
    double confidence;
};

void field_sign(const struct field_place *place, const struct field_course *course,
                struct field_claim *claim);
enum lt_field_kind field_kind(const struct field_place *place, const struct field_course *course);
double field_sureness(const struct field_place *place, const struct field_course *course,
                      const struct field_claim *claim);
const char *field_why(const struct field_place *place, const struct field_course *course,
                      const struct field_claim *claim, struct lt_arena *arena);

#endif
