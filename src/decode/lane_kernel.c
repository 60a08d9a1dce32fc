/* One field of many frames at once: fetch, least, greatest and sum in whole numbers.
 *
 * The loop is plain C that compilers turn into vector instructions. It is compiled twice, once for
 * processors with AVX2, chosen at run time; both are the same text, so they give the same. */
#include "decode/batch.h"

#define SIGN_BIT ((uint64_t)1 << 63)
/* LANE_FRAMES numbers below 2^55 add up within 63 bits. */
#define LENGTH_MAX 55

struct field_run {
    unsigned shift;
    uint64_t mask, flip;
    int64_t bias; /* the signed number is (raw ^ flip) - bias */
    /* Results, of raw ^ flip: never negative, and in the order of the numbers. */
    int64_t least, most, sum;
};

/* `swap` and `turn` (flip is not 0) are constants where this is called. */
static inline __attribute__((always_inline)) void
run_loop(struct field_run *run, const uint64_t *words, size_t count, bool swap, bool turn)
{
    const uint64_t mask = run->mask, flip = turn ? run->flip : 0;
    const unsigned shift = run->shift;
    int64_t least = INT64_MAX, most = INT64_MIN, sum = 0;
    for (size_t i = 0; i < count; i++) {
        uint64_t word = swap ? __builtin_bswap64(words[i]) : words[i];
        int64_t number = (int64_t)(((word >> shift) & mask) ^ flip);
        least = number < least ? number : least;
        most = number > most ? number : most;
        sum += number;
    }
    run->least = least;
    run->most = most;
    run->sum = sum;
}

static inline __attribute__((always_inline)) void
run_either(struct field_run *run, const uint64_t *words, size_t count, bool swap)
{
    if (run->flip)
        run_loop(run, words, count, swap, true);
    else if (swap)
        run_loop(run, words, count, true, false);
    else
        run_loop(run, words, count, false, false);
}

static inline __attribute__((always_inline)) void
interval_loop(const int64_t *time_ns, size_t count, struct interval_run *run)
{
    int64_t least = INT64_MAX, most = INT64_MIN;
    for (size_t i = 1; i < count; i++) {
        int64_t interval = time_ns[i] - time_ns[i - 1];
        least = interval < least ? interval : least;
        most = interval > most ? interval : most;
    }
    *run = (struct interval_run){least, most};
}

#if defined(__x86_64__) && !defined(LT_PORTABLE)
#define WITH_AVX2 __attribute__((target("avx2"))) static

WITH_AVX2 void run_avx2(struct field_run *run, const uint64_t *words, size_t count, bool swap)
{
    run_either(run, words, count, swap);
}

WITH_AVX2 void interval_avx2(const int64_t *time_ns, size_t count, struct interval_run *run)
{
    interval_loop(time_ns, count, run);
}

static bool has_avx2(void)
{
    return __builtin_cpu_supports("avx2");
}
#else
#define run_avx2      run_either
#define interval_avx2 interval_loop

static bool has_avx2(void)
{
    return false;
}
#endif

static void run_best(struct field_run *run, const uint64_t *words, size_t count, bool swap)
{
    if (has_avx2())
        run_avx2(run, words, count, swap);
    else
        run_either(run, words, count, swap);
}

void interval_run(const int64_t *time_ns, size_t count, struct interval_run *ret_run)
{
    if (has_avx2())
        interval_avx2(time_ns, count, ret_run);
    else
        interval_loop(time_ns, count, ret_run);
}

/* The field's place in the whole word: its own load begins at first_byte. */
static unsigned shift_in_word(const struct lt_field *field)
{
    unsigned before = 8u * field->first_byte;
    return field->fetch == LT_FETCH_BE ? field->shift - before : field->shift + before;
}

/* Linear whole numbers without codes or labels; everything else is judged one by one. */
static bool make_run(const struct lt_field *field, struct field_run *ret_run)
{
    const struct lt_scaler *scaler = field->scaler;
    enum lt_sign sign = scaler->def->sign;
    uint64_t top = UINT64_C(1) << (scaler->length - 1);
    if (scaler->has_codes || scaler->def->form != LT_FORM_LINEAR || scaler->length > LENGTH_MAX ||
        (sign != LT_UNSIGNED && sign != LT_TWOS && sign != LT_OFFSET_BINARY))
        return false;
    *ret_run = (struct field_run){
        .shift = shift_in_word(field),
        .mask = field->mask,
        .flip = sign == LT_TWOS ? top : 0,
        .bias = sign == LT_UNSIGNED ? 0 : (int64_t)top,
    };
    return true;
}

static uint64_t raw_in(const struct field_run *run, uint64_t word, bool swap)
{
    return ((swap ? __builtin_bswap64(word) : word) >> run->shift) & run->mask;
}

/* The order keys of tally_add: unsigned as they are, signed with the sign bit turned. */
static void add_run(struct tally *tally, const struct field_run *run, size_t count, bool is_signed)
{
    uint64_t turn = is_signed ? SIGN_BIT : 0;
    uint64_t low = (uint64_t)(run->least - run->bias) ^ turn;
    uint64_t high = (uint64_t)(run->most - run->bias) ^ turn;
    if (tally->values == 0 || low < tally->key_low) {
        tally->key_low = low;
        tally->raw_low = (uint64_t)run->least ^ run->flip;
    }
    if (tally->values == 0 || high > tally->key_high) {
        tally->key_high = high;
        tally->raw_high = (uint64_t)run->most ^ run->flip;
    }
    tally->values += count;
    whole_sum_add(&tally->whole, run->sum - run->bias * (int64_t)count);
}

static uint64_t one_by_one(struct tally *tally, const struct lt_field *field, const uint64_t *words,
                           size_t count)
{
    uint64_t good = 0;
    for (size_t i = 0; i < count; i++) {
        uint8_t data[16] = {0};
        memcpy(data, &words[i], sizeof words[i]);
        uint64_t raw = lt_field_fetch(field, data);
        enum value_state state = judge_value(field->scaler, raw, false);
        tally_state(tally, field, raw, state);
        good += state == VALUE_GOOD;
    }
    return good;
}

uint64_t tally_add_words(struct tally *tally, const struct lt_field *field, const uint64_t *words,
                         size_t count)
{
    struct field_run run;
    bool is_signed = field->scaler->def->sign != LT_UNSIGNED;
    bool swap = field->fetch == LT_FETCH_BE;
#if __BYTE_ORDER__ == __ORDER_BIG_ENDIAN__
    return one_by_one(tally, field, words, count);
#endif
    if (count == 0 || !make_run(field, &run))
        return one_by_one(tally, field, words, count);
    run_best(&run, words, count, swap);
    if (tally->values == 0)
        tally->raw_first = raw_in(&run, words[0], swap);
    tally->raw_last = raw_in(&run, words[count - 1], swap);
    add_run(tally, &run, count, is_signed);
    return count;
}
