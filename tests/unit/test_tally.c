/* The usual period of a frame, found among jitter, losses and bursts. */
#include "unit.h"

#include "decode/decode_internal.h"

#define MS 1000000

static uint32_t next_random(void)
{
    static uint32_t state = 2463534242u;
    state ^= state << 13;
    state ^= state >> 17;
    state ^= state << 5;
    return state;
}

static double period_of(int64_t period_ns, unsigned jitter_percent, unsigned lost_percent)
{
    static struct timing timing;
    memset(&timing, 0, sizeof timing);
    for (int64_t i = 0; i < 5000; i++) {
        int64_t jitter = jitter_percent ? (int64_t)(next_random() % (2 * jitter_percent + 1)) -
                                              (int64_t)jitter_percent
                                        : 0;
        if (next_random() % 100 >= lost_percent)
            timing_add(&timing, i * period_ns + period_ns * jitter / 100);
    }
    return timing_period_ns(&timing);
}

static void jitter_and_losses_do_not_move_it(void **state)
{
    static const int64_t periods[] = {1 * MS,  2500000,  7 * MS,    10 * MS,
                                      20 * MS, 100 * MS, 1000 * MS, 10000ll * MS};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(periods); i++) {
        double wanted = (double)periods[i];
        assert_true(period_of(periods[i], 0, 0) == wanted);
        double seen = period_of(periods[i], 2, 10);
        assert_true(seen > wanted * 0.98 && seen < wanted * 1.02);
    }
}

static void one_frame_has_no_period(void **state)
{
    static struct timing timing;
    (void)state;
    assert_true(timing_period_ns(&timing) == 0);
    timing_add(&timing, 5);
    assert_true(timing_period_ns(&timing) == 0);
    timing_add(&timing, LT_NO_TIME);
    assert_true(timing_period_ns(&timing) == 0);
}

static void a_clock_that_steps_back_gives_no_interval(void **state)
{
    static struct timing timing;
    (void)state;
    memset(&timing, 0, sizeof timing);
    timing_add(&timing, 100 * MS);
    timing_add(&timing, 50 * MS);
    timing_add(&timing, 60 * MS);
    assert_true(timing_period_ns(&timing) == 10.0 * MS);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(jitter_and_losses_do_not_move_it),
        cmocka_unit_test(one_frame_has_no_period),
        cmocka_unit_test(a_clock_that_steps_back_gives_no_interval),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
