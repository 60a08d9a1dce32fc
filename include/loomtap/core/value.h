/* From raw bits to a value and back, exactly.
 *
 * A linear signal is kept as value = (raw * mul + add) / den with whole numbers, so that decimals
 * come out as they should and integers beyond 2^53 keep every digit. The role's unit is folded in.
 */
#ifndef LOOMTAP_CORE_VALUE_H
#define LOOMTAP_CORE_VALUE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/core/profile.h"

enum lt_state {
    LT_STATE_VALUE,       /* a number, or a labelled raw value */
    LT_STATE_UNAVAILABLE, /* the code for "not available" */
    LT_STATE_ERROR,       /* the code for "error" */
};

/* What is needed to turn the raw bits of one signal into a value; made once (from a signal def). */
struct lt_scaler {
    const struct lt_signal_def *def;
    const struct lt_curve_def *curve; /* NULL unless form is CURVE */
    uint8_t length;                   /* bits, 1..64 */
    int8_t decimals;                  /* of the exact decimal, or -1: shortest form of the double */
    bool is_plain;  /* linear, not float, and raw * mul + add fits int64 for every raw: the fast way
                     */
    bool has_codes; /* unavailable or error codes, or labels, to look up */
    int64_t mul, add, den;         /* den = 10^decimals where decimals >= 0 */
    struct lt_ratio scale, offset; /* with the role's unit folded in; LINEAR and RECIPROCAL forms */
};

/* Fails with LT_E_RANGE when scale, offset and role unit together do not fit (a check error). */
enum lt_code lt_scaler_init(struct lt_scaler *ret_scaler, const struct lt_profile *profile,
                            uint32_t signal, struct lt_error *error);

/* Unavailable, error, or a value? */
enum lt_state lt_scaler_state(const struct lt_scaler *scaler, uint64_t raw);
/* The nearest double. Infinity for the reciprocal of 0; NaN, infinities from float fields. */
double lt_scaler_f64(const struct lt_scaler *scaler, uint64_t raw);
/* The value as text ("1726.00", "81985529216486895", "nan", "-inf"), not terminated, at most
 * LT_VALUE_ROOM bytes; returns the length. Right also where a double is not. */
#define LT_VALUE_ROOM 64
size_t lt_scaler_print(const struct lt_scaler *scaler, uint64_t raw, char *ret_text);
/* The signed number behind the bits (not for float): two's complement, offset-binary, ... */
int64_t lt_raw_signed(enum lt_sign sign, unsigned length, uint64_t raw);

/* The inverse: the raw bits for a value given as decimal text or a label of the signal, or the
 * words `unavailable` and `error`. Rounds half to even. A value that does not fit is LT_E_RANGE and
 * the text names the allowed range (the field's and the profile's `range`, whichever is tighter).
 */
enum lt_code lt_scaler_parse(const struct lt_scaler *scaler, struct lt_text value,
                             uint64_t *ret_raw, struct lt_error *error);
/* The least and greatest value that the field can carry (codes for unavailable and error left
 * out at the ends), in the unit outside. */
void lt_scaler_limits(const struct lt_scaler *scaler, double *ret_low, double *ret_high);

#endif
