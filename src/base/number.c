/* Strict numbers, independent of the locale. See loomtap/base/number.h. */
#include "loomtap/base/number.h"

#include <float.h>
#include <locale.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static const char digit_pairs[] = "00010203040506070809101112131415161718192021222324252627282930"
                                  "31323334353637383940414243444546474849505152535455565758596061"
                                  "62636465666768697071727374757677787980818283848586878889909192"
                                  "93949596979899";

static int digit_value(char c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    if (c >= 'a' && c <= 'f')
        return c - 'a' + 10;
    if (c >= 'A' && c <= 'F')
        return c - 'A' + 10;
    return 99;
}

static bool parse_digits(struct lt_text text, unsigned base, uint64_t *ret_value)
{
    uint64_t value = 0;
    if (!text.len)
        return false;
    for (size_t i = 0; i < text.len; i++) {
        unsigned digit = (unsigned)digit_value(text.at[i]);
        if (digit >= base || __builtin_mul_overflow(value, base, &value) ||
            __builtin_add_overflow(value, digit, &value))
            return false;
    }
    *ret_value = value;
    return true;
}

bool lt_parse_hex(struct lt_text text, uint64_t *ret_value)
{
    return text.len <= 16 && parse_digits(text, 16, ret_value);
}

bool lt_parse_u64(struct lt_text text, uint64_t *ret_value)
{
    if (lt_text_starts(text, "0x") || lt_text_starts(text, "0X"))
        return lt_parse_hex((struct lt_text){text.at + 2, text.len - 2}, ret_value);
    return parse_digits(text, 10, ret_value);
}

bool lt_parse_u32(struct lt_text text, uint32_t max, uint32_t *ret_value)
{
    uint64_t value;
    if (!lt_parse_u64(text, &value) || value > max)
        return false;
    *ret_value = (uint32_t)value;
    return true;
}

bool lt_parse_i64(struct lt_text text, int64_t *ret_value)
{
    bool negative = text.len && text.at[0] == '-';
    uint64_t size;
    if (negative) {
        text.at++;
        text.len--;
    }
    if (!lt_parse_u64(text, &size) || size > (uint64_t)INT64_MAX + negative)
        return false;
    *ret_value = negative ? (int64_t)(0 - size) : (int64_t)size;
    return true;
}

static int64_t gcd(int64_t a, int64_t b)
{
    while (b) {
        int64_t rest = a % b;
        a = b;
        b = rest;
    }
    return a < 0 ? -a : a;
}

bool lt_ratio_make(int64_t num, int64_t den, struct lt_ratio *ret_value)
{
    if (den == 0 || num == INT64_MIN || den == INT64_MIN)
        return false;
    int64_t common = gcd(num, den);
    num /= common;
    den /= common;
    *ret_value = (struct lt_ratio){den < 0 ? -num : num, den < 0 ? -den : den};
    return true;
}

bool lt_ratio_mul(struct lt_ratio a, struct lt_ratio b, struct lt_ratio *ret_value)
{
    /* Shortened crosswise first, so that what fits is not refused. */
    struct lt_ratio left, right;
    int64_t num, den;
    if (!lt_ratio_make(a.num, b.den, &left) || !lt_ratio_make(b.num, a.den, &right) ||
        __builtin_mul_overflow(left.num, right.num, &num) ||
        __builtin_mul_overflow(left.den, right.den, &den))
        return false;
    return lt_ratio_make(num, den, ret_value);
}

bool lt_ratio_add(struct lt_ratio a, struct lt_ratio b, struct lt_ratio *ret_value)
{
    int64_t common = gcd(a.den, b.den), left, right, num, den;
    if (__builtin_mul_overflow(a.num, b.den / common, &left) ||
        __builtin_mul_overflow(b.num, a.den / common, &right) ||
        __builtin_add_overflow(left, right, &num) ||
        __builtin_mul_overflow(a.den / common, b.den, &den))
        return false;
    return lt_ratio_make(num, den, ret_value);
}

double lt_ratio_f64(struct lt_ratio a)
{
    return (double)a.num / (double)a.den;
}

int lt_ratio_decimals(struct lt_ratio a)
{
    int twos = 0, fives = 0;
    int64_t den = a.den;
    for (; den % 2 == 0; den /= 2)
        twos++;
    for (; den % 5 == 0; den /= 5)
        fives++;
    int decimals = twos > fives ? twos : fives;
    return den == 1 && decimals <= 18 ? decimals : -1;
}

/* Takes digits and at most one '.' off the front: value = *digits / 10^*decimals. */
static bool take_decimal(struct lt_text *rest, int64_t *ret_digits, int *ret_decimals)
{
    int64_t digits = 0;
    int decimals = 0, seen = 0;
    bool point = false;
    while (rest->len) {
        char c = rest->at[0];
        if (c == '.' && !point) {
            point = true;
        } else if (c >= '0' && c <= '9') {
            if (__builtin_mul_overflow(digits, 10, &digits) ||
                __builtin_add_overflow(digits, c - '0', &digits))
                return false;
            decimals += point;
            seen++;
        } else {
            break;
        }
        rest->at++;
        rest->len--;
    }
    *ret_digits = digits;
    *ret_decimals = decimals;
    return seen > 0;
}

static bool take_exponent(struct lt_text *rest, int *ret_exponent)
{
    *ret_exponent = 0;
    if (!rest->len || (rest->at[0] != 'e' && rest->at[0] != 'E'))
        return true;
    struct lt_text digits = {rest->at + 1, rest->len - 1};
    bool negative = digits.len && digits.at[0] == '-';
    if (digits.len && (digits.at[0] == '-' || digits.at[0] == '+')) {
        digits.at++;
        digits.len--;
    }
    uint64_t size;
    if (!parse_digits(digits, 10, &size) || size > 400)
        return false;
    *ret_exponent = negative ? -(int)size : (int)size;
    rest->at += rest->len;
    rest->len = 0;
    return true;
}

/* digits * 10^power, exactly. */
static bool scale_ratio(int64_t digits, int power, struct lt_ratio *ret_value)
{
    int64_t den = 1;
    if (digits == 0)
        power = 0;
    for (; power < 0 && digits % 10 == 0; power++)
        digits /= 10;
    if (power > 18 || power < -18)
        return false;
    for (; power > 0; power--)
        if (__builtin_mul_overflow(digits, 10, &digits))
            return false;
    for (; power < 0; power++)
        den *= 10;
    return lt_ratio_make(digits, den, ret_value);
}

static bool take_sign(struct lt_text *rest)
{
    bool negative = rest->len && rest->at[0] == '-';
    if (rest->len && (rest->at[0] == '-' || rest->at[0] == '+')) {
        rest->at++;
        rest->len--;
    }
    return negative;
}

bool lt_parse_ratio(struct lt_text text, struct lt_ratio *ret_value)
{
    struct lt_ratio value, below;
    int64_t digits;
    int decimals, exponent;
    bool negative = take_sign(&text);
    if (!take_decimal(&text, &digits, &decimals) || !take_exponent(&text, &exponent) ||
        !scale_ratio(digits, exponent - decimals, &value))
        return false;
    if (text.len && text.at[0] == '/') {
        text.at++;
        text.len--;
        if (!take_decimal(&text, &digits, &decimals) || digits == 0 ||
            !scale_ratio(digits, -decimals, &below) ||
            !lt_ratio_make(below.den, below.num, &below) || !lt_ratio_mul(value, below, &value))
            return false;
    }
    if (text.len)
        return false;
    if (negative)
        value.num = -value.num;
    *ret_value = value;
    return true;
}

/* The "C" locale object of the C library: no allocation, never freed. */
static locale_t plain_locale(void)
{
    return newlocale(LC_ALL_MASK, "C", (locale_t)0);
}

/* strtod, for texts that this file made or checked: a '.' decides, whatever the locale. */
static double read_f64(const char *string)
{
    return strtod_l(string, NULL, plain_locale());
}

bool lt_parse_f64(struct lt_text text, double *ret_value)
{
    char copy[128];
    struct lt_text rest = text;
    size_t digits = 0;
    int exponent;
    bool point = false;
    if (text.len >= sizeof copy)
        return false;
    take_sign(&rest);
    for (; rest.len && ((rest.at[0] >= '0' && rest.at[0] <= '9') || (rest.at[0] == '.' && !point));
         rest.at++, rest.len--) {
        point |= rest.at[0] == '.';
        digits += rest.at[0] != '.';
    }
    if (!digits || !take_exponent(&rest, &exponent) || rest.len)
        return false;
    memcpy(copy, text.at, text.len);
    copy[text.len] = 0;
    double value = read_f64(copy);
    if (!isfinite(value))
        return false;
    *ret_value = value;
    return true;
}

size_t lt_print_u64(char *ret_text, uint64_t value)
{
    char digits[20];
    size_t at = sizeof digits;
    for (; value >= 100; value /= 100)
        memcpy(digits + (at -= 2), digit_pairs + value % 100 * 2, 2);
    if (value >= 10)
        memcpy(digits + (at -= 2), digit_pairs + value * 2, 2);
    else
        digits[--at] = (char)('0' + value);
    memcpy(ret_text, digits + at, sizeof digits - at);
    return sizeof digits - at;
}

size_t lt_print_i64(char *ret_text, int64_t value)
{
    if (value >= 0)
        return lt_print_u64(ret_text, (uint64_t)value);
    ret_text[0] = '-';
    return 1 + lt_print_u64(ret_text + 1, 0 - (uint64_t)value);
}

/* Two digits at a time from the last on, into the end of a buffer: no division but by 100, and the
 * zeros behind the point come by themselves. */
size_t lt_print_fixed(char *ret_text, int64_t value, unsigned decimals)
{
    char digits[24];
    char *at = digits + sizeof digits;
    uint64_t rest = value < 0 ? 0 - (uint64_t)value : (uint64_t)value;
    for (unsigned left = decimals; left >= 2; left -= 2, rest /= 100)
        memcpy(at -= 2, digit_pairs + rest % 100 * 2, 2);
    if (decimals % 2) {
        *--at = (char)('0' + rest % 10);
        rest /= 10;
    }
    if (decimals)
        *--at = '.';
    for (; rest >= 100; rest /= 100)
        memcpy(at -= 2, digit_pairs + rest % 100 * 2, 2);
    if (rest >= 10)
        memcpy(at -= 2, digit_pairs + rest * 2, 2);
    else
        *--at = (char)('0' + rest);
    if (value < 0)
        *--at = '-';
    size_t len = (size_t)(digits + sizeof digits - at);
    memcpy(ret_text, at, len);
    return len;
}

static size_t copy_word(char *ret_text, const char *word)
{
    size_t len = strlen(word);
    memcpy(ret_text, word, len);
    return len;
}

/* From "d.ddde±xx" to plain notation where that is short enough. */
static size_t from_scientific(char *ret_text, const char *text)
{
    char digits[24];
    size_t count = 0, at = 0;
    int exponent = 0;
    bool negative = *text == '-';
    for (text += negative; *text && *text != 'e'; text++)
        if (*text >= '0' && *text <= '9')
            digits[count++] = *text;
    if (*text == 'e') {
        bool below = text[1] == '-';
        for (text += 2; *text; text++)
            exponent = exponent * 10 + (*text - '0');
        exponent = below ? -exponent : exponent;
    }
    while (count > 1 && digits[count - 1] == '0')
        count--;
    if (negative)
        ret_text[at++] = '-';
    if (exponent < -5 || exponent >= 17) {
        ret_text[at++] = digits[0];
        if (count > 1) {
            ret_text[at++] = '.';
            memcpy(ret_text + at, digits + 1, count - 1);
            at += count - 1;
        }
        ret_text[at++] = 'e';
        return at + lt_print_i64(ret_text + at, exponent);
    }
    if (exponent < 0) {
        ret_text[at++] = '0';
        ret_text[at++] = '.';
        for (int i = -1; i > exponent; i--)
            ret_text[at++] = '0';
        memcpy(ret_text + at, digits, count);
        return at + count;
    }
    for (size_t i = 0; i < count || i <= (size_t)exponent; i++) {
        if (i == (size_t)exponent + 1)
            ret_text[at++] = '.';
        ret_text[at++] = i < count ? digits[i] : '0';
    }
    return at;
}

/* Tries more and more digits until the text reads back as the same number: 17 (9 for a float) are
 * always enough (IEEE 754-2008, 5.12.2). Up to 15 (6) digits survive the way there and back, so a
 * shorter text shows as one with zeros at its end; subnormal numbers have fewer digits than that.
 */
static size_t print_shortest(char *ret_text, double value, bool single)
{
    const int most = single ? 9 : 17;
    int first = single ? FLT_DIG : DBL_DIG;
    if (fabs(value) < (single ? (double)FLT_MIN : DBL_MIN))
        first = 1;
    char text[40];
    if (isnan(value))
        return copy_word(ret_text, "nan");
    if (isinf(value))
        return copy_word(ret_text, value < 0 ? "-inf" : "inf");
    locale_t before = uselocale(plain_locale());
    for (int digits = first; digits <= most; digits++) {
        snprintf(text, sizeof text, "%.*e", digits - 1, value);
        if (single ? strtof(text, NULL) == (float)value : strtod(text, NULL) == value)
            break;
    }
    uselocale(before);
    return from_scientific(ret_text, text);
}

size_t lt_print_f64(char *ret_text, double value)
{
    /* Whole numbers are common and need no search. */
    if (value == 0)
        return copy_word(ret_text, signbit(value) ? "-0" : "0");
    if (fabs(value) < 1e15 && value == (double)(int64_t)value)
        return lt_print_i64(ret_text, (int64_t)value);
    return print_shortest(ret_text, value, false);
}

size_t lt_print_f32(char *ret_text, float value)
{
    if (value == 0)
        return copy_word(ret_text, signbit(value) ? "-0" : "0");
    return print_shortest(ret_text, (double)value, true);
}

size_t lt_print_ratio(char *ret_text, struct lt_ratio value)
{
    int decimals = lt_ratio_decimals(value);
    if (decimals >= 0) {
        int64_t digits = value.num, tens = 1;
        for (int i = 0; i < decimals; i++)
            tens *= 10;
        if (!__builtin_mul_overflow(digits, tens / value.den, &digits))
            return lt_print_fixed(ret_text, digits, (unsigned)decimals);
    }
    size_t at = lt_print_i64(ret_text, value.num);
    ret_text[at++] = '/';
    return at + lt_print_i64(ret_text + at, value.den);
}
