/* Checks inside frames: one table of algorithms serves decode, survey, prove, encode and emit.
 *
 * Sources: the CRC RevEng catalogue (named CRCs, Rocksoft parameters), AUTOSAR "Specification of
 * CRC Routines" and "PRS E2E Protocol" (profiles 1, 2, 5), SAE J1939-71 as publicly quoted (TSC1,
 * XBR); xor, sum and nibble sum are common practice. */
#ifndef LOOMTAP_CORE_CHECKSUM_H
#define LOOMTAP_CORE_CHECKSUM_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/error.h"
#include "loomtap/base/text.h"
#include "loomtap/core/bits.h"

enum lt_check_family {
    LT_CHECK_XOR,        /* all bytes XORed, from `start` */
    LT_CHECK_SUM,        /* all bytes added mod 256, from `start` */
    LT_CHECK_NIBBLE_SUM, /* all nibbles added mod 16, from `start` */
    LT_CHECK_CRC8,
    LT_CHECK_CRC16,
    LT_CHECK_E2E_P1,
    LT_CHECK_E2E_P2,
    LT_CHECK_E2E_P5,
    LT_CHECK_J1939_TSC1,
    LT_CHECK_J1939_XBR,
    LT_CHECK_AFFINE, /* constant XOR the columns of all data bits that are 1 */
};

enum lt_complement { LT_COMPLEMENT_NONE, LT_COMPLEMENT_ONES, LT_COMPLEMENT_TWOS };

/* How hidden data-id bytes enter. They are bytes in the order processed, not digits of a number:
 * AUTOSAR processes the low byte of a 16-bit id first, so id 0x0123 is `data-id 0x23,0x01`. */
enum lt_data_id_mode {
    LT_DATA_ID_BOTH,        /* all of them, in the order given */
    LT_DATA_ID_LOW,         /* the first alone */
    LT_DATA_ID_ALTERNATING, /* the first when the counter is even, the second when it is odd */
    /* E2E profile 1: low byte, then 00, are processed; the low nibble of the high byte (the second
     * given, if it is) is sent in the high nibble of byte 1: set by apply, compared by verify. */
    LT_DATA_ID_NIBBLE,
    LT_DATA_ID_LIST, /* the entry that the counter picks */
};

#define LT_CHECK_RANGES_MAX  8
#define LT_CHECK_DATA_ID_MAX 16

/* The order in which bytes enter:
 *
 *     [data id, where it is `before`]  ranges as written  [id]  [length]  [data id, where `after`]
 *
 * A range may cover the check's own bits: they count as 0. E2E and J1939 leave out the whole bytes
 * in which the check lies instead, as their standards do, so `over 0..7` and `over 1..7` are the
 * same for a check in byte 0. E2E profile 1 has its data id before, 2 and 5 after. Profile 5 stores
 * the low byte first: its place is such as `1.7..0.0`.
 *
 * Counters that choose: for E2E profiles 1 and 2 the low nibble of byte 1, unless `counter` says
 * otherwise; for all others it must be said. J1939 adds the counter, by default the low nibble of
 * the byte whose high nibble is the check, and the four bytes of the identifier.
 *
 * An affine check looks at the bytes that its ranges name. */

/* Bytes first..last in processing order; first > last runs backwards. */
struct lt_check_range {
    uint8_t first, last;
};

struct lt_affine {
    uint16_t constant;
    /* Column of each bit of the frame: [byte][0] is bit 7, [byte][7] is bit 0. */
    uint16_t column[64][8];
};

struct lt_checksum {
    enum lt_check_family family;
    const char *catalogue; /* "crc8-sae-j1850", or NULL where the parameters were given by hand */
    uint8_t width;         /* bits of the result: 4, 8 or 16; affine: 1..16, as its place */
    uint8_t ranges;
    struct lt_check_range range[LT_CHECK_RANGES_MAX];
    struct lt_bits place; /* where the result lies: one span, either order */
    uint16_t poly, init, xorout;
    bool reflect;
    uint16_t start; /* xor, sum, nibble-sum */
    enum lt_complement complement;
    /* The identifier's bytes, most significant first (2 for 11 bits, 4 for 29), after the data. */
    bool with_id;
    bool with_length; /* the frame's length as one byte, after the id */
    uint8_t data_id_count;
    uint8_t data_id[LT_CHECK_DATA_ID_MAX];
    enum lt_data_id_mode data_id_mode;
    bool data_id_before; /* processed before the data; else after everything else */
    bool has_counter;
    struct lt_bits counter; /* which chooses for ALTERNATING and LIST */
    bool has_page;
    uint32_t page; /* this check holds on this page of the frame only */
    const struct lt_affine *affine;
};

/* Grammar (design of the profile file):
 *     FAMILY over RANGES in PLACE [options]
 *     options: poly N, init N, xorout N, reflect, start N, complement ones|twos, with-id,
 *              with-length, data-id N[,N...] both|low|alternating|nibble|list before|after,
 *              counter BITS, page N
 * "crc8-sae-j1850 over 0..6 in 7", "sum over 0..6 in 7 complement twos with-id",
 * "e2e-p1 over 1..7 in 0 data-id 0x23,0x01 both". The mode and before/after may be left out (both,
 * after; E2E profile 1: before). E2E and J1939 families know their own order; `over` names the
 * protected bytes. `affine` finds its numbers through lt_checksum.affine, set by the caller.
 *
 * On failure the record has the code, the text, the advice and `column` = 1-based offset of the
 * word at fault inside `text`. */
enum lt_code lt_checksum_parse(struct lt_text text, struct lt_checksum *ret_checksum,
                               struct lt_error *error);
/* The canonical text; lt_checksum_parse reads it back to the same. Returns bytes written. */
size_t lt_checksum_print(const struct lt_checksum *checksum, char *ret_text, size_t size);

/* Everything about it that is wrong for a frame of `length` bytes: reaches past the end, a byte
 * covered twice, a place that does not hold `width` bits, a missing counter or data id ... */
enum lt_code lt_checksum_check(const struct lt_checksum *checksum, unsigned length,
                               struct lt_error *error);

/* Bytes that a frame must have for the check to be computed. */
unsigned lt_checksum_bytes(const struct lt_checksum *checksum);

/* The check's value for these bytes (its own bits count as 0). The frame must have at least
 * lt_checksum_bytes() bytes. `extended` says how many id bytes enter. */
uint16_t lt_checksum_compute(const struct lt_checksum *checksum, const uint8_t *data,
                             uint8_t length, uint32_t id, bool extended);
/* Does the frame carry the value it should? */
bool lt_checksum_verify(const struct lt_checksum *checksum, const uint8_t *data, uint8_t length,
                        uint32_t id, bool extended);
/* Computes and stores it. */
void lt_checksum_apply(const struct lt_checksum *checksum, uint8_t *data, uint8_t length,
                       uint32_t id, bool extended);

/* A named CRC, up to 32 bits, with its published check value (CRC of "123456789"). */
struct lt_crc {
    const char *name; /* "crc8-sae-j1850" */
    uint8_t width;
    uint32_t poly, init, xorout;
    bool reflect;
    uint32_t check;
};

/* By the name in the table or by another one in use ("crc16-ccitt-false"); NULL if not known. Those
 * of other widths than 8 and 16 are for computing: a frame's check cannot have them. */
const struct lt_crc *lt_crc_find(struct lt_text name);
const struct lt_crc *lt_crc_table(size_t *ret_count);
uint32_t lt_crc_compute(const struct lt_crc *crc, const uint8_t *bytes, size_t count);

/* The families' names as written: "xor", "nibble-sum", "e2e-p1" ... */
const char *lt_check_family_name(enum lt_check_family family);
/* The same of data-id modes: "both", "low" ... */
const char *lt_check_mode_name(enum lt_data_id_mode mode);

#endif
