/* A candidate beside its reference: what was last sent, on its own page, codes left out, and the
 * lag at which both agree. */
#include "unit.h"

#include <math.h>

#include "seek/pairs.h"

#define ROWS 1000
#define MS   INT64_C(1000000)

struct stream {
    struct lt_stream stream;
    int64_t time_ns[ROWS];
    uint8_t flags[ROWS], bytes[2 * ROWS + 8];
};

/* Byte 0 is what `course` says every 10 ms, byte 1 the row's page, 0 and 1 in turn. */
static struct stream *make(uint8_t (*course)(double time_s))
{
    struct stream *made = calloc(1, sizeof *made);
    assert_non_null(made);
    for (size_t i = 0; i < ROWS; i++) {
        made->time_ns[i] = (int64_t)i * 10 * MS;
        made->bytes[2 * i] = course((double)made->time_ns[i] / 1e9);
        made->bytes[2 * i + 1] = i % 2;
    }
    made->stream = (struct lt_stream){
        .key = {.id = 0x100, .length = 2},
        .timing = {.period_ns = 10 * MS, .cyclic = true},
        .kept = {.key = {.length = 2},
                 .count = ROWS,
                 .time_ns = made->time_ns,
                 .flags = made->flags,
                 .bytes = made->bytes,
                 .whole = true},
        .selector = {.present = true, .bits = {1, {{15, 8}}}},
    };
    return made;
}

static struct lt_candidate candidate_of(const struct stream *made)
{
    return (struct lt_candidate){
        .stream = &made->stream, .bits = {1, {{7, 0}}}, .scale = 2, .offset = -10};
}

static uint8_t wave(double time_s)
{
    return (uint8_t)lround(127 + 100 * sin(time_s * 1.7) * cos(time_s * 0.31));
}

static uint8_t code_at_five(double time_s)
{
    return time_s >= 5 && time_s < 6 ? 0xFF : wave(time_s);
}

static void values_are_scaled_and_codes_are_none(void **state)
{
    struct stream *made = make(code_at_five);
    struct lt_candidate candidate = candidate_of(made);
    struct seek_trace trace;
    struct lt_arena arena;
    (void)state;
    lt_arena_init(&arena, 0);
    assert_true(seek_trace_make(&candidate, false, &arena, &trace));
    assert_int_equal(trace.count, ROWS);
    assert_true(trace.raw[0] == 127 && trace.value[0] == 244);
    assert_true(isnan(trace.raw[500]) && isnan(trace.value[599]) && !isnan(trace.value[600]));
    assert_true(seek_trace_make(&candidate, true, &arena, &trace)); /* labels have no codes */
    assert_true(trace.value[500] == 255);
    candidate.form = LT_FORM_RECIPROCAL;
    assert_true(seek_trace_make(&candidate, false, &arena, &trace));
    assert_true(fabs(trace.value[0] - 1 / 244.0) < 1e-12);
    lt_arena_release(&arena);
    free(made);
}

static void only_its_own_page_counts(void **state)
{
    struct stream *made = make(wave);
    struct lt_candidate candidate = candidate_of(made);
    struct seek_trace trace;
    struct lt_arena arena;
    (void)state;
    candidate.has_page = true;
    candidate.page = 1;
    lt_arena_init(&arena, 0);
    assert_true(seek_trace_make(&candidate, false, &arena, &trace));
    assert_int_equal(trace.count, ROWS / 2);
    assert_int_equal(trace.time_ns[0], 10 * MS);
    lt_arena_release(&arena);
    free(made);
}

/* Every 100 ms, 200 ms behind the frame. */
static struct lt_reference late(struct lt_arena *arena)
{
    int64_t *time_ns = lt_arena_array(arena, 90, sizeof *time_ns);
    double *value = lt_arena_array(arena, 90, sizeof *value);
    assert_true(time_ns && value);
    for (size_t i = 0; i < 90; i++) {
        time_ns[i] = (int64_t)(i + 5) * 100 * MS;
        value[i] = 2 * wave((double)time_ns[i] / 1e9 - 0.2) - 10;
    }
    return (struct lt_reference){.count = 90,
                                 .time_ns = time_ns,
                                 .value = value,
                                 .lag_low_ns = -300 * MS,
                                 .lag_high_ns = 1000 * MS};
}

static void pairs_meet_at_the_lag(void **state)
{
    struct stream *made = make(wave);
    struct lt_candidate candidate = candidate_of(made);
    struct seek_trace trace;
    struct seek_pairs pairs;
    struct lt_arena arena;
    (void)state;
    lt_arena_init(&arena, 0);
    struct lt_reference reference = late(&arena);
    assert_true(seek_trace_make(&candidate, false, &arena, &trace));
    assert_true(seek_pairs_make(&trace, &reference, 0.2, &arena, &pairs));
    assert_int_equal(pairs.count, 90);
    for (size_t i = 0; i < pairs.count; i++)
        assert_true(pairs.value[i] == pairs.reference[i]);
    /* Long before the first frame, and after the last has grown old, there is nothing. */
    assert_true(seek_pairs_make(&trace, &reference, 100, &arena, &pairs));
    assert_int_equal(pairs.count, 0);
    assert_true(seek_pairs_make(&trace, &reference, -100, &arena, &pairs));
    assert_int_equal(pairs.count, 0);
    lt_arena_release(&arena);
    free(made);
}

static void the_lag_curve_has_its_top_at_the_lag(void **state)
{
    struct stream *made = make(wave);
    struct lt_candidate candidate = candidate_of(made);
    struct seek_trace trace;
    struct seek_lags lags;
    struct lt_arena arena;
    unsigned best = 0;
    (void)state;
    lt_arena_init(&arena, 0);
    struct lt_reference reference = late(&arena);
    assert_true(seek_trace_make(&candidate, false, &arena, &trace));
    assert_true(seek_lags_make(&trace, &reference, false, 0.2, &lags));
    for (unsigned i = 0; i < SEEK_LAGS; i++)
        if (lags.r[i] > lags.r[best])
            best = i;
    assert_true(fabs(lags.lag_s[best] - 0.2) < 0.02);
    assert_true(lags.r[best] > 0.999 && lags.r[0] < 0.9);
    assert_true(lags.lag_s[0] <= -0.3 && lags.lag_s[SEEK_LAGS - 1] >= 1);
    lt_arena_release(&arena);
    free(made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(values_are_scaled_and_codes_are_none),
        cmocka_unit_test(only_its_own_page_counts),
        cmocka_unit_test(pairs_meet_at_the_lag),
        cmocka_unit_test(the_lag_curve_has_its_top_at_the_lag),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
