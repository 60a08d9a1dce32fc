/* Time stamps of binary captures: see stamp.h. */
#include "capture/stamp.h"

#include "capture/line.h"
#include "loomtap/base/number.h"

#define NS_PER_S UINT64_C(1000000000)

/* 10^n, n up to 19. */
static const uint64_t powers_of_ten[20] = {
    1,
    10,
    100,
    1000,
    10000,
    100000,
    1000000,
    10000000,
    100000000,
    1000000000,
    10000000000,
    100000000000,
    1000000000000,
    10000000000000,
    100000000000000,
    1000000000000000,
    10000000000000000,
    100000000000000000,
    1000000000000000000,
    UINT64_C(10000000000000000000),
};

/* floor(fraction * 10^9 / 2^n), the fraction below 2^n: a product of 94 bits in two halves. */
static uint64_t binary_ns(uint64_t fraction, unsigned n)
{
    uint64_t low = (fraction & UINT32_MAX) * NS_PER_S;
    uint64_t high = (fraction >> 32) * NS_PER_S + (low >> 32);
    if (n >= 96) /* high is below 2^62, so nothing is left */
        return 0;
    return n >= 32 ? high >> (n - 32) : (high << (32 - n)) + ((low & UINT32_MAX) >> n);
}

static void split(uint8_t resolution, uint64_t count, uint64_t *ret_s, uint64_t *ret_ns)
{
    unsigned n = resolution & 0x7F;
    if (resolution & 0x80) {
        *ret_s = n < 64 ? count >> n : 0;
        *ret_ns = binary_ns(n < 64 ? count - (*ret_s << n) : count, n);
    } else if (n <= 9) {
        uint64_t units = powers_of_ten[n];
        *ret_s = count / units;
        *ret_ns = count % units * powers_of_ten[9 - n];
    } else {
        uint64_t whole_ns = n - 9 <= 19 ? count / powers_of_ten[n - 9] : 0;
        *ret_s = whole_ns / NS_PER_S;
        *ret_ns = whole_ns % NS_PER_S;
    }
}

bool lt_stamp_ns(struct lt_stamp_units units, uint64_t count, int64_t *ret_ns)
{
    uint64_t seconds, ns;
    split(units.resolution, count, &seconds, &ns);
    /* An offset below 0 moves times that are far above; both are held to what a sum can be. */
    if (units.offset_s > LT_TIME_MAX_S || units.offset_s < -LT_TIME_MAX_S)
        return false;
    if (seconds > (uint64_t)(2 * LT_TIME_MAX_S))
        return false;
    int64_t sum_s = (int64_t)seconds + units.offset_s;
    if (sum_s < 0 || sum_s > LT_TIME_MAX_S)
        return false;
    *ret_ns = sum_s * (int64_t)NS_PER_S + (int64_t)ns;
    return true;
}

unsigned lt_stamp_digits(struct lt_stamp_units units)
{
    return units.resolution <= 6 ? 6 : 9;
}

/* Six digits, each pair from its own short division, so that none waits for another. */
static void print_six(char *to, uint32_t value)
{
    uint32_t pairs[3] = {value / 10000, value / 100 % 100, value % 100};
    for (unsigned i = 0; i < 3; i++) {
        to[2 * i] = (char)('0' + pairs[i] / 10);
        to[2 * i + 1] = (char)('0' + pairs[i] % 10);
    }
}

static void print_three(char *to, uint32_t value)
{
    to[0] = (char)('0' + value / 100);
    to[1] = (char)('0' + value / 10 % 10);
    to[2] = (char)('0' + value % 10);
}

size_t lt_stamp_print(struct lt_stamp_text *last, int64_t time_ns, unsigned digits, char *ret_text)
{
    int64_t seconds = time_ns / (int64_t)NS_PER_S;
    uint32_t fraction = (uint32_t)(time_ns % (int64_t)NS_PER_S);
    if (seconds != last->seconds) {
        last->seconds = seconds;
        last->len = lt_print_u64(last->text, (uint64_t)seconds);
        last->text[last->len++] = '.';
    }
    memcpy(ret_text, last->text, LT_STAMP_ROOM); /* all of it: the size is known beforehand */
    print_six(ret_text + last->len, fraction / 1000);
    if (digits > 6)
        print_three(ret_text + last->len + 6, fraction % 1000);
    return last->len + digits;
}
