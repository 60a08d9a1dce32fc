/* Counting what became of each signal, and finding the usual period of a frame. */
#include <math.h>

#include "decode/decode_internal.h"

#define SIGN_BIT     ((uint64_t)1 << 63)
#define FIRST_OCTAVE 13 /* 2^13 ns = 8 us; the bins end at 2^38 ns */

static unsigned timing_bin(int64_t interval_ns)
{
    if (interval_ns < (int64_t)1 << FIRST_OCTAVE)
        return 0;
    unsigned octave = 63 - (unsigned)__builtin_clzll((uint64_t)interval_ns);
    unsigned eighth = (unsigned)(interval_ns >> (octave - 3)) & 7;
    unsigned bin = (octave - FIRST_OCTAVE) * 8 + eighth;
    return bin < TIMING_BINS ? bin : TIMING_BINS - 1;
}

void timing_add(struct timing *timing, int64_t time_ns)
{
    if (time_ns == LT_NO_TIME) {
        timing->count++;
        return;
    }
    if (timing->count++ == 0) {
        timing->first_ns = timing->last_ns = time_ns;
        return;
    }
    int64_t interval = time_ns - timing->last_ns;
    timing->last_ns = time_ns;
    if (interval < 0) /* the clock stepped back: no interval */
        return;
    if (interval > timing->longest_ns)
        timing->longest_ns = interval;
    unsigned bin = timing_bin(interval);
    timing->bin[bin]++;
    timing->sum_ns[bin] += (double)interval;
}

double timing_period_ns(const struct timing *timing)
{
    uint64_t all = 0, below = 0;
    for (unsigned i = 0; i < TIMING_BINS; i++)
        all += timing->bin[i];
    if (!all)
        return 0;
    unsigned median = 0;
    while ((below += timing->bin[median]) * 2 < all)
        median++;
    /* Jitter spreads one period over neighbouring bins; a second period lies further away. */
    uint64_t count = 0;
    double sum = 0;
    for (unsigned i = median ? median - 1 : 0; i <= median + 1 && i < TIMING_BINS; i++) {
        count += timing->bin[i];
        sum += timing->sum_ns[i];
    }
    return sum / (double)count;
}

/* A number whose unsigned order is the order of the values. */
static uint64_t order_of_double(double value)
{
    uint64_t bits;
    memcpy(&bits, &value, sizeof bits);
    return bits & SIGN_BIT ? ~bits : bits | SIGN_BIT;
}

static void tally_label(struct tally *tally, const struct lt_signal_def *def, uint64_t raw)
{
    size_t at = 0;
    while (at < def->label_count && def->labels[at].raw != raw)
        at++;
    tally->labels[at]++;
}

void tally_add(struct tally *tally, const struct lt_field *field, uint64_t raw)
{
    const struct lt_scaler *scaler = field->scaler;
    enum lt_sign sign = scaler->def->sign;
    uint64_t key = raw;
    if (scaler->def->form == LT_FORM_LINEAR && sign == LT_UNSIGNED) {
        tally->sum += (double)raw;
    } else if (scaler->def->form == LT_FORM_LINEAR && sign != LT_FLOAT) {
        int64_t number = lt_raw_signed(sign, scaler->length, raw);
        key = (uint64_t)number ^ SIGN_BIT;
        tally->sum += (double)number;
    } else {
        double value = lt_scaler_f64(scaler, raw);
        if (!isfinite(value)) {
            tally->not_finite++;
            return;
        }
        key = order_of_double(value);
        tally->sum += value;
    }
    if (tally->values++ == 0) {
        tally->key_low = tally->key_high = key;
        tally->raw_low = tally->raw_high = tally->raw_first = raw;
    } else if (key < tally->key_low) {
        tally->key_low = key;
        tally->raw_low = raw;
    } else if (key > tally->key_high) {
        tally->key_high = key;
        tally->raw_high = raw;
    }
    tally->raw_last = raw;
    if (tally->labels)
        tally_label(tally, scaler->def, raw);
}

double tally_mean(const struct tally *tally, const struct lt_scaler *scaler)
{
    double mean = tally->sum / (double)tally->values;
    if (scaler->def->form != LT_FORM_LINEAR || scaler->def->sign == LT_FLOAT)
        return mean;
    return mean * lt_ratio_f64(scaler->scale) + lt_ratio_f64(scaler->offset);
}

void tally_ends(const struct tally *tally, const struct lt_scaler *scaler, uint64_t *ret_least,
                uint64_t *ret_greatest)
{
    /* Keys of linear whole numbers order the raw side: a negative scale turns them round. */
    bool turned = scaler->def->form == LT_FORM_LINEAR && scaler->def->sign != LT_FLOAT &&
                  scaler->scale.num < 0;
    *ret_least = turned ? tally->raw_high : tally->raw_low;
    *ret_greatest = turned ? tally->raw_low : tally->raw_high;
}
