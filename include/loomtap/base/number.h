/* Strict, locale-free numbers. A text parses whole or not at all: no leading or trailing blanks,
 * no sign where none is allowed, no overflow. All parse functions leave the result untouched and
 * return false on failure. */
#ifndef LOOMTAP_BASE_NUMBER_H
#define LOOMTAP_BASE_NUMBER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "loomtap/base/text.h"

/* An exact number num / den with den > 0 and no common factor. */
struct lt_ratio {
    int64_t num, den;
};

/* Decimal digits, or 0x and hex digits. */
bool lt_parse_u64(struct lt_text text, uint64_t *ret_value);
bool lt_parse_u32(struct lt_text text, uint32_t max, uint32_t *ret_value);
/* The same with an optional '-'. */
bool lt_parse_i64(struct lt_text text, int64_t *ret_value);
/* Hex digits alone, 1 to 16 of them. */
bool lt_parse_hex(struct lt_text text, uint64_t *ret_value);
/* An optional sign, digits with an optional '.' and an optional exponent ("-0.25", "1e-3"), or a
 * fraction of two such without exponent ("1/256", "100/255"). Exact, or it fails. */
bool lt_parse_ratio(struct lt_text text, struct lt_ratio *ret_value);
/* Decimal with optional exponent; correctly rounded; finite. "nan", "inf" are refused. */
bool lt_parse_f64(struct lt_text text, double *ret_value);

/* num / den in lowest terms; false when it does not fit or den is 0. */
bool lt_ratio_make(int64_t num, int64_t den, struct lt_ratio *ret_value);
bool lt_ratio_mul(struct lt_ratio a, struct lt_ratio b, struct lt_ratio *ret_value);
bool lt_ratio_add(struct lt_ratio a, struct lt_ratio b, struct lt_ratio *ret_value);
double lt_ratio_f64(struct lt_ratio a);
/* The number of decimals that writes the number exactly (0..18), or -1 if none does. */
int lt_ratio_decimals(struct lt_ratio a);

/* Each writes without terminator and returns the number of bytes. Rooms needed: 20, 21, 24,
 * LT_F64_ROOM, LT_F64_ROOM. */
#define LT_F64_ROOM 32
size_t lt_print_u64(char *ret_text, uint64_t value);
size_t lt_print_i64(char *ret_text, int64_t value);
/* value / 10^decimals with just these decimals, decimals 0..18: (-5, 2) gives "-0.05". */
size_t lt_print_fixed(char *ret_text, int64_t value, unsigned decimals);
/* The shortest text that reads back as the same double (or float); "nan", "inf", "-inf". Plain
 * notation from 1e-5 to below 1e17, else with an exponent. */
size_t lt_print_f64(char *ret_text, double value);
size_t lt_print_f32(char *ret_text, float value);
/* As ratio text for files: a decimal where one is exact, else "num/den". Room: 44. */
size_t lt_print_ratio(char *ret_text, struct lt_ratio value);

#endif
