/* The slow twin of the codec: one bit at a time, written from the drawings of
 * include/loomtap/core/bits.h alone. It shares no code with the codec and includes none of it.
 *
 * So that a comparison with it can be shown to fail, it can be given a fault. */
#ifndef LOOMTAP_TESTS_BIT_AT_A_TIME_H
#define LOOMTAP_TESTS_BIT_AT_A_TIME_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* "from.bit..to.bit", most significant end first. */
struct twin_span {
    unsigned from_byte, from_bit, to_byte, to_bit;
};

enum twin_kind { TWIN_UNSIGNED, TWIN_TWOS, TWIN_OFFSET_BINARY, TWIN_SIGN_MAGNITUDE };

enum twin_fault {
    TWIN_RIGHT,
    TWIN_SHIFTED,         /* reads one bit too low in the byte where that is possible */
    TWIN_SWAPPED_ORDER,   /* takes the bytes of a span the other way round */
    TWIN_PARTS_REVERSED,  /* least significant part first */
    TWIN_SIGN_FORGOTTEN,  /* takes the sign bit for a digit */
    TWIN_SHORT_MASK,      /* loses the top bit of fields of 64 bits */
    TWIN_PUT_TOUCHES_BIT, /* clears the bit above the field when it writes */
};

uint64_t twin_get(const uint8_t *data, const struct twin_span *spans, size_t count,
                  enum twin_fault fault);
/* `data` has at least as many bytes as the spans reach. */
void twin_put(uint8_t *data, const struct twin_span *spans, size_t count, uint64_t raw,
              enum twin_fault fault);

/* The number as sign and size. */
struct twin_number {
    bool negative;
    uint64_t size;
};
struct twin_number twin_signed(enum twin_kind kind, unsigned length, uint64_t raw,
                               enum twin_fault fault);

/* IEEE 754 binary32 or binary64, from its three fields. NaN is given as such. */
double twin_float(unsigned length, uint64_t raw);

#endif
