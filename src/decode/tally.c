/* Counting what became of each signal, and finding the usual period of a frame. */
#include <math.h>

#include "core/wide.h"
#include "decode/batch.h"

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
    timing->sum_ns[bin] += (uint64_t)interval;
}

/* The times from the first on, whose intervals all lie in one bin: nearly all of a frame's do. */
static void add_alike(struct timing *timing, const int64_t *time_ns, size_t count, unsigned bin,
                      int64_t longest_ns)
{
    timing->count += count;
    timing->bin[bin] += count;
    timing->sum_ns[bin] += (uint64_t)(time_ns[count - 1] - timing->last_ns);
    timing->last_ns = time_ns[count - 1];
    if (longest_ns > timing->longest_ns)
        timing->longest_ns = longest_ns;
}

void timing_add_run(struct timing *timing, const int64_t *time_ns, size_t count)
{
    struct interval_run run;
    if (count < 2 || timing->count == 0) {
        for (size_t i = 0; i < count; i++)
            timing_add(timing, time_ns[i]);
        return;
    }
    timing_add(timing, time_ns[0]);
    interval_run(time_ns, count, &run);
    if (run.least >= 0 && timing_bin(run.least) == timing_bin(run.most)) {
        add_alike(timing, time_ns + 1, count - 1, timing_bin(run.least), run.most);
        return;
    }
    for (size_t i = 1; i < count; i++)
        timing_add(timing, time_ns[i]);
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
    uint64_t sum = 0;
    for (unsigned i = median ? median - 1 : 0; i <= median + 1 && i < TIMING_BINS; i++) {
        count += timing->bin[i];
        sum += timing->sum_ns[i];
    }
    return (double)sum / (double)count;
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
        whole_sum_add_unsigned(&tally->whole, raw);
    } else if (scaler->def->form == LT_FORM_LINEAR && sign != LT_FLOAT) {
        int64_t number = lt_raw_signed(sign, scaler->length, raw);
        key = (uint64_t)number ^ SIGN_BIT;
        whole_sum_add(&tally->whole, number);
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

enum value_state judge_value(const struct lt_scaler *scaler, uint64_t raw, bool suspect)
{
    if (scaler->has_codes) {
        enum lt_state state = lt_scaler_state(scaler, raw);
        if (state != LT_STATE_VALUE)
            return state == LT_STATE_ERROR ? VALUE_ERROR : VALUE_UNAVAILABLE;
    }
    return suspect ? VALUE_SUSPECT : VALUE_GOOD;
}

void tally_state(struct tally *tally, const struct lt_field *field, uint64_t raw,
                 enum value_state state)
{
    switch (state) {
    case VALUE_GOOD:
        tally_add(tally, field, raw);
        break;
    case VALUE_SUSPECT:
        tally->suspect++;
        break;
    case VALUE_UNAVAILABLE:
        tally->unavailable++;
        break;
    case VALUE_ERROR:
        tally->error_codes++;
        break;
    }
}

/* The nearest double to the mean of whole numbers. */
static double whole_mean(const struct whole_sum *sum, uint64_t count)
{
    bool negative = sum->high < 0;
    struct lt_wide size = {(uint64_t)sum->high, sum->low};
    if (negative) {
        size.low = 0 - size.low;
        size.high = ~size.high + (size.low == 0);
    }
    double mean = lt_wide_ratio(size, lt_wide_of(count), 53);
    return negative ? -mean : mean;
}

double tally_mean(const struct tally *tally, const struct lt_scaler *scaler)
{
    if (scaler->def->form != LT_FORM_LINEAR || scaler->def->sign == LT_FLOAT)
        return tally->sum / (double)tally->values;
    return whole_mean(&tally->whole, tally->values) * lt_ratio_f64(scaler->scale) +
           lt_ratio_f64(scaler->offset);
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
