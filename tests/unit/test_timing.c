/* When frames come: periods, losses, pauses, extra frames, clocks that go backwards. */
#include "unit.h"

#include "loomtap/core/frame.h"
#include "measure/timing.h"

#define MS       INT64_C(1000000)
#define ROWS_MAX 20000

struct course {
    size_t count;
    int64_t time_ns[ROWS_MAX];
    uint8_t flags[ROWS_MAX];
};

static void add(struct course *course, int64_t time_ns)
{
    course->flags[course->count] = course->count != 0 ? LT_KEPT_FOLLOWS : 0;
    course->time_ns[course->count++] = time_ns;
}

static struct lt_timing timing_of(const struct course *course)
{
    struct lt_timing_counts counts = {.count = 0};
    struct lt_timing timing;
    struct lt_arena scratch;
    struct lt_kept kept = {
        .count = course->count, .time_ns = course->time_ns, .flags = course->flags, .whole = true};
    lt_arena_init(&scratch, 0);
    for (size_t row = 0; row < course->count; row++)
        assert_true(lt_timing_counts_add(&counts, course->time_ns[row]));
    assert_int_equal(lt_timing_work_out(&counts, &kept, &scratch, &timing, NULL), LT_OK);
    lt_timing_counts_release(&counts);
    lt_arena_release(&scratch);
    return timing;
}

static int64_t jitter(uint64_t *state, int64_t most_ns)
{
    *state = *state * 6364136223846793005 + 1442695040888963407;
    return (int64_t)((*state >> 33) % (uint64_t)(2 * most_ns + 1)) - most_ns;
}

static void a_steady_sender(void **state)
{
    static struct course course;
    uint64_t seed = 1;
    (void)state;
    course.count = 0;
    for (unsigned i = 0; i < 5000; i++)
        add(&course, i * 20 * MS + jitter(&seed, 100000));
    struct lt_timing timing = timing_of(&course);
    assert_true(timing.cyclic);
    assert_in_range(timing.period_ns, 19980000, 20020000);
    assert_in_range(timing.jitter_ns, 40000, 80000); /* the median of |a - b|, each +-0.1 ms */
    assert_int_equal(timing.count, 5000);
    assert_int_equal(timing.gaps + timing.lost + timing.pauses + timing.backward_steps, 0);
    assert_false(timing.extra_on_change);
    assert_int_equal(timing.first_ns, course.time_ns[0]);
    assert_int_equal(timing.last_ns, course.time_ns[4999]);
}

static void losses_are_whole_periods(void **state)
{
    static struct course course;
    uint64_t seed = 2, gaps = 0, lost = 0;
    (void)state;
    course.count = 0;
    for (unsigned i = 0; i < 10000; i++) {
        unsigned gone = i % 100 == 50 ? i / 100 % 20 : 0; /* 0..19 frames in a row */
        i += gone;
        gaps += gone != 0;
        lost += gone;
        add(&course, i * 10 * MS + jitter(&seed, 50000));
    }
    struct lt_timing timing = timing_of(&course);
    assert_int_equal(timing.gaps, gaps);
    assert_int_equal(timing.lost, lost);
    assert_int_equal(timing.pauses, 0);
    assert_int_equal(timing.pause_longest_ns, 0);
}

static void a_silence_is_a_pause(void **state)
{
    static struct course course;
    (void)state;
    course.count = 0;
    for (unsigned i = 0; i < 3000; i++)
        add(&course, i * 10 * MS + (i >= 1000 ? 5000 * MS : 0) + (i >= 2000 ? 500 * MS : 0));
    struct lt_timing timing = timing_of(&course);
    assert_true(timing.cyclic);
    assert_int_equal(timing.pauses, 2);
    assert_int_equal(timing.pause_longest_ns, 5010 * MS);
    assert_int_equal(timing.lost, 0);
}

/* A recorder that reads in batches: late, then early. */
static void late_frames_are_not_lost(void **state)
{
    static struct course course;
    (void)state;
    course.count = 0;
    for (unsigned i = 0; i < 5001; i++)
        add(&course, i * 10 * MS + (i % 50 == 49 ? 7 * MS : 0));
    struct lt_timing timing = timing_of(&course);
    assert_true(timing.cyclic);
    assert_int_equal(timing.period_ns, 10 * MS);
    assert_int_equal(timing.lost, 0);
    assert_int_equal(timing.gaps, 0);
}

static void extra_frames_on_a_change(void **state)
{
    static struct course course;
    (void)state;
    course.count = 0;
    for (unsigned i = 0; i < 2000; i++) {
        add(&course, i * 100 * MS);
        if (i % 40 == 7)
            add(&course, i * 100 * MS + 13 * MS);
    }
    struct lt_timing timing = timing_of(&course);
    assert_true(timing.cyclic);
    assert_true(timing.extra_on_change);
    assert_int_equal(timing.period_ns, 100 * MS);
    assert_int_equal(timing.lost, 0);
}

static void frames_at_random_have_no_period(void **state)
{
    static struct course course;
    uint64_t seed = 3;
    int64_t time_ns = 0;
    (void)state;
    course.count = 0;
    for (unsigned i = 0; i < 5000; i++) {
        /* The largest of a few: far from even. */
        int64_t gap_ns = 300 * MS + jitter(&seed, 299 * MS);
        time_ns += i % 3 == 0 ? gap_ns * 4 : gap_ns;
        add(&course, time_ns);
    }
    struct lt_timing timing = timing_of(&course);
    assert_false(timing.cyclic);
    assert_int_equal(timing.lost, 0);
    assert_true(timing.period_ns > 0);
}

/* As transported messages come: quick frames, then nothing for long. */
static void bursts_have_no_period(void **state)
{
    static struct course course;
    (void)state;
    course.count = 0;
    for (unsigned i = 0; i < 4000; i++)
        add(&course, i * MS + i / 8 * 3000 * MS);
    assert_false(timing_of(&course).cyclic);
}

static void time_that_runs_backwards_is_counted_and_no_gap(void **state)
{
    static struct course course;
    (void)state;
    course.count = 0;
    for (unsigned i = 0; i < 1000; i++)
        add(&course, (i >= 600 ? i * 10 - 3000 : i * 10) * MS);
    struct lt_timing timing = timing_of(&course);
    assert_int_equal(timing.backward_steps, 1);
    assert_int_equal(timing.shortest_ns, 10 * MS);
    assert_int_equal(timing.longest_ns, 10 * MS);
    assert_int_equal(timing.period_ns, 10 * MS);
    assert_int_equal(timing.lost, 0);
}

static void times_at_the_ends_of_the_clock(void **state)
{
    static struct course course;
    (void)state;
    course.count = 0;
    add(&course, INT64_MIN + 1);
    add(&course, INT64_MAX);
    add(&course, INT64_MIN + 1);
    add(&course, 0);
    struct lt_timing timing = timing_of(&course);
    assert_int_equal(timing.backward_steps, 1);
    assert_int_equal(timing.count, 4);
}

static void too_few_frames_have_no_period(void **state)
{
    static struct course course;
    (void)state;
    course.count = 0;
    assert_int_equal(timing_of(&course).period_ns, 0);
    add(&course, 5);
    assert_int_equal(timing_of(&course).period_ns, 0);
    add(&course, 10 * MS);
    assert_int_equal(timing_of(&course).period_ns, 0);
    assert_false(timing_of(&course).cyclic);
    add(&course, 20 * MS);
    assert_true(timing_of(&course).period_ns > 0);
}

static void frames_without_time_are_counted(void **state)
{
    struct lt_timing_counts counts = {.count = 0};
    int64_t lowest_ns, highest_ns;
    (void)state;
    for (unsigned i = 0; i < 10; i++)
        assert_true(lt_timing_counts_add(&counts, LT_NO_TIME));
    lt_timing_counts_ends(&counts, &lowest_ns, &highest_ns);
    assert_int_equal(lowest_ns, LT_NO_TIME);
    assert_int_equal(highest_ns, LT_NO_TIME);
    assert_int_equal(counts.count, 10);
    assert_int_equal(counts.without_time, 10);
    lt_timing_counts_release(&counts);
}

static void the_ends_of_a_clock_that_goes_back_and_forth(void **state)
{
    static const int64_t times_ns[] = {50, 70, 20, 90, 10, 40};
    struct lt_timing_counts counts = {.count = 0};
    int64_t lowest_ns, highest_ns;
    (void)state;
    for (unsigned i = 0; i < COUNT_OF(times_ns); i++)
        assert_true(lt_timing_counts_add(&counts, times_ns[i]));
    lt_timing_counts_ends(&counts, &lowest_ns, &highest_ns);
    assert_int_equal(lowest_ns, 10);
    assert_int_equal(highest_ns, 90);
    assert_int_equal(counts.first_ns, 50);
    assert_int_equal(counts.last_ns, 40);
    lt_timing_counts_release(&counts);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_steady_sender),
        cmocka_unit_test(losses_are_whole_periods),
        cmocka_unit_test(a_silence_is_a_pause),
        cmocka_unit_test(late_frames_are_not_lost),
        cmocka_unit_test(extra_frames_on_a_change),
        cmocka_unit_test(frames_at_random_have_no_period),
        cmocka_unit_test(bursts_have_no_period),
        cmocka_unit_test(time_that_runs_backwards_is_counted_and_no_gap),
        cmocka_unit_test(times_at_the_ends_of_the_clock),
        cmocka_unit_test(too_few_frames_have_no_period),
        cmocka_unit_test(frames_without_time_are_counted),
        cmocka_unit_test(the_ends_of_a_clock_that_goes_back_and_forth),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
