/* The kernels over many frames against their slow twins, which take one value at a time; and sums
 * that do not round. */
#include "unit.h"

#include "decode/batch.h"

static uint64_t random_state = 88172645463325252u;

static uint64_t next_random(void)
{
    random_state ^= random_state << 13;
    random_state ^= random_state >> 7;
    random_state ^= random_state << 17;
    return random_state;
}

/* A field of `length` bits anywhere in eight bytes, in either order. */
static struct lt_field make_field(const struct lt_scaler *scaler, unsigned length)
{
    unsigned from = (unsigned)(next_random() % (65 - length)); /* bits before it in its order */
    struct lt_field field = {.mask = UINT64_MAX >> (64 - length), .scaler = scaler};
    field.first_byte = (uint16_t)(from / 8);
    field.end_byte = (uint16_t)((from + length + 7) / 8);
    field.fetch = next_random() % 2 ? LT_FETCH_LE : LT_FETCH_BE;
    field.shift = (uint8_t)(field.fetch == LT_FETCH_LE ? from % 8 : 64 - from % 8 - length);
    if (from % 8 + length > 64) /* its own load would not hold it */
        return make_field(scaler, length);
    return field;
}

static void add_slowly(struct tally *tally, const struct lt_field *field, const uint64_t *words,
                       size_t count)
{
    for (size_t i = 0; i < count; i++) {
        uint8_t data[16] = {0};
        memcpy(data, &words[i], 8);
        uint64_t raw = lt_field_fetch(field, data);
        tally_state(tally, field, raw, judge_value(field->scaler, raw, false));
    }
}

static void check_field(enum lt_sign sign, unsigned length, bool codes)
{
    static const struct lt_raw_range unavailable = {1, 3};
    struct lt_signal_def def = {.sign = sign,
                                .form = LT_FORM_LINEAR,
                                .unavailable = codes ? &unavailable : NULL,
                                .unavailable_count = codes};
    struct lt_scaler scaler = {.def = &def, .length = (uint8_t)length, .has_codes = codes};
    struct lt_field field = make_field(&scaler, length);
    struct tally fast = {0}, slow = {0};
    for (unsigned run = 0; run < 4; run++) {
        uint64_t words[LANE_FRAMES];
        size_t count = run == 3 ? LANE_FRAMES : (size_t)(next_random() % (LANE_FRAMES + 1));
        for (size_t i = 0; i < count; i++)
            words[i] = run == 1 ? UINT64_MAX : next_random();
        uint64_t good = tally_add_words(&fast, &field, words, count);
        uint64_t before = slow.values;
        add_slowly(&slow, &field, words, count);
        assert_int_equal(good, slow.values - before);
    }
    assert_memory_equal(&fast, &slow, sizeof fast);
}

static void fields_of_many_frames_are_tallied_as_one_by_one(void **state)
{
    static const enum lt_sign signs[] = {LT_UNSIGNED, LT_TWOS, LT_OFFSET_BINARY, LT_SIGN_MAGNITUDE};
    (void)state;
    for (unsigned round = 0; round < 40; round++)
        for (unsigned length = 1; length <= 64; length++)
            for (size_t i = 0; i < COUNT_OF(signs); i++)
                check_field(signs[i], length, round % 4 == 0);
}

static void intervals_of_many_frames_are_counted_as_one_by_one(void **state)
{
    static struct timing fast, slow;
    (void)state;
    for (unsigned round = 0; round < 500; round++) {
        int64_t times[LANE_FRAMES], time_ns = (int64_t)(next_random() >> 8), clock = time_ns;
        memset(&fast, 0, sizeof fast);
        memset(&slow, 0, sizeof slow);
        for (unsigned run = 0; run < 4; run++) {
            size_t count = (size_t)(next_random() % (LANE_FRAMES + 1));
            for (size_t i = 0; i < count; i++) {
                clock += round % 2 ? 10000000 : (int64_t)(next_random() % 30000000) - 1000;
                times[i] = clock;
            }
            timing_add_run(&fast, times, count);
            for (size_t i = 0; i < count; i++)
                timing_add(&slow, times[i]);
        }
        assert_memory_equal(&fast, &slow, sizeof fast);
    }
}

/* 2^62 added and taken away again thousands of times leaves exactly what was added between. */
static void sums_of_large_numbers_do_not_round(void **state)
{
    struct whole_sum sum = {0};
    (void)state;
    for (int i = 0; i < 10000; i++) {
        whole_sum_add(&sum, INT64_C(1) << 62);
        whole_sum_add(&sum, 1);
    }
    for (int i = 0; i < 10000; i++)
        whole_sum_add(&sum, -(INT64_C(1) << 62));
    assert_int_equal(sum.high, 0);
    assert_int_equal(sum.low, 10000);
    whole_sum_add(&sum, -10001);
    assert_int_equal(sum.high, -1);
    assert_true(sum.low == UINT64_MAX);
    whole_sum_add_unsigned(&sum, UINT64_MAX);
    assert_int_equal(sum.high, 0);
    assert_true(sum.low == UINT64_MAX - 1);
}

static void the_mean_of_large_numbers_is_the_nearest(void **state)
{
    struct lt_signal_def def = {.sign = LT_TWOS, .form = LT_FORM_LINEAR};
    struct lt_scaler scaler = {.def = &def, .length = 64, .scale = {1, 1}, .offset = {0, 1}};
    struct lt_field field = {.mask = UINT64_MAX, .scaler = &scaler};
    struct tally tally = {0};
    (void)state;
    tally_add(&tally, &field, (UINT64_C(1) << 62) + 3);
    tally_add(&tally, &field, 0 - (UINT64_C(1) << 62));
    assert_true(tally_mean(&tally, &scaler) == 1.5);
    tally_add(&tally, &field, (uint64_t)-9);
    assert_true(tally_mean(&tally, &scaler) == -2.0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(fields_of_many_frames_are_tallied_as_one_by_one),
        cmocka_unit_test(intervals_of_many_frames_are_counted_as_one_by_one),
        cmocka_unit_test(sums_of_large_numbers_do_not_round),
        cmocka_unit_test(the_mean_of_large_numbers_is_the_nearest),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
