/* Alive counters: found with place, width, modulus and step, whatever else is in the frame; and
 * what only looks like one is none. */
#include "measure_stream.h"

#include "loomtap/measure/counter.h"

struct found {
    struct lt_counter_found counter[LT_COUNTERS_MAX];
    size_t count;
};

static struct found find(const struct stream *s, const char *taken_bits)
{
    struct found found;
    struct lt_arena arena;
    struct lt_bit_set taken = {{0}};
    if (taken_bits) {
        struct lt_bits bits = stream_bits(taken_bits);
        lt_bit_set_add_bits(&taken, &bits);
    }
    lt_arena_init(&arena, 0);
    assert_int_equal(lt_counters_find(&s->kept, s->period_ns, taken_bits ? &taken : NULL, &arena,
                                      found.counter, &found.count, NULL),
                     LT_OK);
    lt_arena_release(&arena);
    return found;
}

static bool is_at(const struct lt_counter_found *counter, const char *place)
{
    struct lt_bits bits = stream_bits(place);
    return counter->bits.msb == bits.part[0].msb && counter->bits.lsb == bits.part[0].lsb;
}

static void assert_counter(const struct found *found, const char *place, unsigned modulus,
                           unsigned step)
{
    assert_int_equal(found->count, 1);
    if (!is_at(&found->counter[0], place))
        fail_msg("%s: found at %u..%u", place, found->counter[0].bits.msb,
                 found->counter[0].bits.lsb);
    assert_int_equal(found->counter[0].modulus, modulus);
    assert_int_equal(found->counter[0].step, step);
}

/* A frame of engine-like content: two numbers that wander, a flag, and the counter. */
struct content {
    int fast, slow, flag;
};

static void fill(struct stream *s, struct content *c, uint8_t *data)
{
    c->fast = stream_wander(s, c->fast, 40, 4095);
    c->slow = stream_below(s, 20) ? c->slow : stream_wander(s, c->slow, 2, 255);
    c->flag ^= stream_below(s, 100) == 0;
    stream_put(data, "3.7..2.4", (uint64_t)c->fast);
    stream_put(data, "4.7..4.0", (uint64_t)c->slow);
    stream_put(data, "5.7", (uint64_t)c->flag);
}

struct layout {
    const char *place;
    unsigned modulus, step;
};

/* Width 2 to 8, unaligned and across bytes, both orders. 0..14: AUTOSAR E2E profile 1. */
static const struct layout layouts[] = {
    {"1.3..1.0", 16, 1},   {"1.3..1.0", 15, 1},  {"0.7..0.4", 16, 1},  {"6.7..6.0", 256, 1},
    {"6.7..6.0", 255, 1},  {"7.1..7.0", 4, 1},   {"1.1..1.0", 3, 1},   {"0.4..0.2", 8, 1},
    {"1.3..0.6", 64, 1},   {"0.2..1.5", 64, 1},  {"6.5..6.1", 31, 1},  {"7.6..7.0", 127, 1},
    {"7.3..7.0", 16, 3},   {"7.3..7.0", 15, 2},  {"6.7..6.0", 256, 5}, {"7.3..7.0", 15, 4},
    {"7.3..7.0", 10, 1},   {"6.7..6.0", 255, 2}, {"7.3..7.0", 16, 15}, {"7.3..7.0", 15, 14},
    {"7.3..6.0", 4096, 1},
};

static void make(struct stream *s, uint64_t seed, const struct layout *layout, size_t frames,
                 int64_t period_ns, unsigned lost_percent)
{
    struct content content = {2000, 100, 0};
    uint8_t data[LT_FRAME_MAX] = {0};
    stream_begin(s, seed, 8, period_ns);
    uint64_t count = stream_below(s, layout->modulus);
    for (size_t i = 0; i < frames; i++) {
        fill(s, &content, data);
        count = (count + layout->step) % layout->modulus;
        stream_put(data, layout->place, count);
        stream_send(s, data, stream_below(s, 100) < lost_percent);
    }
}

static struct stream stream; /* too large for the stack */

static void every_layout_is_found_exactly(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT_OF(layouts); i++) {
        make(&stream, i, &layouts[i], layouts[i].modulus > 256 ? 8000 : 2000, 20 * STREAM_MS, 0);
        struct found found = find(&stream, NULL);
        assert_counter(&found, layouts[i].place, layouts[i].modulus, layouts[i].step);
        if (layouts[i].modulus <= 256)
            assert_true(found.counter[0].confidence > 0.95);
    }
}

/* Thousands of frames sets: random place, modulus, content; with and without losses, thinned,
 * event-driven, short. */
static void random_streams(const char *name, size_t frames, int64_t period_ns, unsigned lost,
                           size_t thin, double least_recall)
{
    size_t right = 0, wrong = 0, all = 400;
    for (size_t i = 0; i < all; i++) {
        make(&stream, 1000 + i, &layouts[i % 19], frames, period_ns, lost);
        if (thin)
            stream_thin(&stream, thin);
        struct found found = find(&stream, NULL);
        for (size_t k = 0; k < found.count; k++) {
            bool good = is_at(&found.counter[k], layouts[i % 19].place) &&
                        found.counter[k].modulus == layouts[i % 19].modulus &&
                        found.counter[k].step == layouts[i % 19].step;
            right += good;
            wrong += !good && found.counter[k].confidence > 0.5; /* below it is a guess */
        }
    }
    print_message("%s: %zu of %zu found, %zu wrong\n", name, right, all, wrong);
    assert_true((double)right >= least_recall * (double)all);
    assert_true(wrong * 100 <= all);
}

static void random_counters_are_found(void **state)
{
    (void)state;
    random_streams("whole", 1500, 20 * STREAM_MS, 0, 0, 0.99);
    random_streams("5 % lost", 1500, 20 * STREAM_MS, 5, 0, 0.99);
    random_streams("event-driven, 5 % lost", 1500, 0, 5, 0, 0.97);
    random_streams("thinned", 2000, 20 * STREAM_MS, 2, 50, 0.98);
}

/* Thirty seconds: fewer are found, for many have not wrapped; and hardly any is wrong. */
static void short_captures_make_no_more_false_ones(void **state)
{
    (void)state;
    random_streams("30 s of 10 a second", 300, 100 * STREAM_MS, 5, 0, 0.88);
    random_streams("30 s of 1 a second", 30, 1000 * STREAM_MS, 0, 0, 0.6);
}

static void short_captures_are_less_sure(void **state)
{
    (void)state;
    make(&stream, 5, &layouts[0], 30, 1000 * STREAM_MS, 0);
    struct found found = find(&stream, NULL);
    assert_int_equal(found.count, 1);
    double short_one = found.counter[0].confidence;
    make(&stream, 5, &layouts[0], 3000, 1000 * STREAM_MS, 0);
    found = find(&stream, NULL);
    assert_true(short_one < found.counter[0].confidence);
}

static void losses_that_time_shows_are_proof(void **state)
{
    (void)state;
    make(&stream, 7, &layouts[0], 2000, 20 * STREAM_MS, 5);
    struct found found = find(&stream, NULL);
    assert_counter(&found, "1.3..1.0", 16, 1);
    assert_int_equal(found.counter[0].other_steps, 0);
    assert_true(found.counter[0].kept_steps + 1 == stream.kept.count);
}

static void a_counter_of_changes_stands_still_with_them(void **state)
{
    (void)state;
    uint8_t data[LT_FRAME_MAX] = {0};
    unsigned count = 0;
    stream_begin(&stream, 3, 8, 20 * STREAM_MS);
    for (size_t i = 0; i < 2000; i++) {
        if (stream_below(&stream, 3) == 0) {
            stream_put(data, "4.7..4.0", stream_random(&stream) & 0xFF);
            stream_put(data, "5.7..5.0", stream_random(&stream) & 0xFF);
            data[1] = (uint8_t)(++count % 16);
        }
        stream_send(&stream, data, false);
    }
    struct found found = find(&stream, NULL);
    assert_counter(&found, "1.3..1.0", 16, 1);
    assert_true(found.counter[0].on_change);
}

/* ---- What is none ---- */

typedef void (*fill_fn)(struct stream *s, uint8_t *data, size_t row);

static size_t count_false(fill_fn fill_row, size_t frames, unsigned lost)
{
    size_t wrong = 0;
    for (uint64_t seed = 0; seed < 100; seed++) {
        uint8_t data[LT_FRAME_MAX] = {0};
        stream_begin(&stream, seed, 8, 20 * STREAM_MS);
        for (size_t i = 0; i < frames; i++) {
            fill_row(&stream, data, i);
            stream_send(&stream, data, stream_below(&stream, 100) < lost);
        }
        wrong += find(&stream, NULL).count;
    }
    return wrong;
}

/* Fuel or distance: each frame adds what was used, about three units and a half. */
static void accumulate(struct stream *s, uint8_t *data, size_t row)
{
    (void)row;
    data[2] = (uint8_t)(data[2] + 2 + stream_below(s, 4));
}

/* Milliseconds on a 20 ms frame, with a millisecond of jitter, in 16 bits. */
static void clock_ms(struct stream *s, uint8_t *data, size_t row)
{
    uint64_t now = 20 * row + stream_below(s, 2);
    stream_put(data, "0.7..1.0", now & 0xFFFF);
}

/* Frames since the engine started, in 16 bits: exact, and it does not wrap in the capture. */
static void uptime(struct stream *s, uint8_t *data, size_t row)
{
    (void)s;
    stream_put(data, "5.7..6.0", 1000 + row);
}

static void ramp(struct stream *s, uint8_t *data, size_t row)
{
    stream_put(data, "2.7..3.0", row * 7 / 3 + stream_below(s, 3));
    data[0] = (uint8_t)stream_random(s);
}

static void toggle_and_flags(struct stream *s, uint8_t *data, size_t row)
{
    data[0] = (uint8_t)((row & 1) | (stream_below(s, 30) == 0) << 1 | (row / 50 & 1) << 2);
}

static void noise(struct stream *s, uint8_t *data, size_t row)
{
    (void)row;
    stream_put(data, "7.7..0.0", stream_random(s));
}

static void what_only_looks_like_a_counter_is_none(void **state)
{
    (void)state;
    static const fill_fn fillers[] = {accumulate, clock_ms, uptime, ramp, toggle_and_flags, noise};
    for (size_t i = 0; i < COUNT_OF(fillers); i++) {
        size_t wrong = count_false(fillers[i], 1000, 0) + count_false(fillers[i], 60, 5);
        print_message("filler %zu: %zu false in 200 streams\n", i, wrong);
        assert_true(wrong <= 1);
    }
}

/* A sum over a frame that stands still repeats the counter: only one of both is reported. */
static void a_sum_that_repeats_the_counter_is_none(void **state)
{
    (void)state;
    uint8_t data[LT_FRAME_MAX] = {0x20, 0x40, 0, 0, 0, 0, 0, 0};
    stream_begin(&stream, 1, 8, 20 * STREAM_MS);
    for (size_t i = 0; i < 1000; i++) {
        data[6] = (uint8_t)(i % 16);
        data[7] = (uint8_t)(0x60 + data[6]);
        stream_send(&stream, data, false);
    }
    struct found found = find(&stream, NULL);
    assert_counter(&found, "6.3..6.0", 16, 1);
}

static void a_complement_that_counts_down_with_the_counter_is_none(void **state)
{
    (void)state;
    uint8_t data[LT_FRAME_MAX] = {0};
    stream_begin(&stream, 1, 3, 20 * STREAM_MS);
    for (size_t i = 0; i < 1000; i++) {
        data[2] = (uint8_t)(3 * i % 16 << 4);
        data[0] = (uint8_t)(15 - 3 * i % 16);
        stream_send(&stream, data, false);
    }
    struct found found = find(&stream, NULL);
    assert_counter(&found, "2.7..2.4", 16, 3);
}

/* Two counters of one length beside contents that change: a check would change with them. */
static void make_two(struct stream *s, unsigned flag_each)
{
    uint8_t data[LT_FRAME_MAX] = {0};
    stream_begin(s, 7, 8, 20 * STREAM_MS);
    for (size_t i = 0; i < 2000; i++) {
        data[1] ^= (uint8_t)(stream_below(s, flag_each) == 0 ? 0x11 : 0);
        stream_put(data, "3.3..3.0", i % 16);
        stream_put(data, "5.7..5.0", (40 + i) % 256);
        stream_send(s, data, false);
    }
}

static void two_counters_are_found_where_what_else_changes_leaves_both_alone(void **state)
{
    (void)state;
    make_two(&stream, 12);
    struct found found = find(&stream, NULL);
    assert_int_equal(found.count, 2);
    assert_true(is_at(&found.counter[0], "3.3..3.0") || is_at(&found.counter[1], "3.3..3.0"));
    assert_true(is_at(&found.counter[0], "5.7..5.0") || is_at(&found.counter[1], "5.7..5.0"));
    make_two(&stream, 100000);
    found = find(&stream, NULL);
    assert_counter(&found, "5.7..5.0", 256, 1);
}

static bool goes_on(const struct stream *s, const char *place, uint32_t modulus, uint32_t step)
{
    struct lt_bits bits = stream_bits(place);
    struct lt_counter_found known = {.bits = bits.part[0],
                                     .order = lt_span_order(bits.part[0]),
                                     .modulus = modulus,
                                     .step = step};
    struct lt_counter_found found;
    struct lt_arena arena;
    bool goes = false;
    lt_arena_init(&arena, 0);
    assert_int_equal(
        lt_counter_goes_on(&s->kept, s->period_ns, &known, &arena, &found, &goes, NULL), LT_OK);
    lt_arena_release(&arena);
    assert_true(!goes || (is_at(&found, place) && found.modulus == modulus && found.step == step &&
                          found.confidence >= 0.9));
    return goes;
}

static void a_counter_known_from_elsewhere_is_tried_by_itself(void **state)
{
    (void)state;
    make_two(&stream, 100000);
    assert_true(goes_on(&stream, "3.3..3.0", 16, 1));
    assert_true(goes_on(&stream, "5.7..5.0", 256, 1));
    assert_false(goes_on(&stream, "3.3..3.0", 15, 1));
    assert_false(goes_on(&stream, "3.3..3.0", 16, 3));
    assert_false(goes_on(&stream, "4.3..4.0", 16, 1));
    for (size_t i = 0; i < COUNT_OF(layouts); i++) {
        make(&stream, i, &layouts[i], 3000, 20 * STREAM_MS, 0);
        if (!goes_on(&stream, layouts[i].place, layouts[i].modulus, layouts[i].step))
            fail_msg("layout %zu does not go on", i);
    }
}

static void bits_that_are_taken_are_left_alone(void **state)
{
    (void)state;
    make(&stream, 2, &layouts[0], 1000, 20 * STREAM_MS, 0);
    assert_int_equal(find(&stream, "1.3..1.0").count, 0);
    assert_int_equal(find(&stream, "1.4").count, 1);
}

static void tiny_streams_have_none(void **state)
{
    (void)state;
    for (size_t frames = 0; frames < 6; frames++) {
        make(&stream, 2, &layouts[0], frames, 20 * STREAM_MS, 0);
        assert_int_equal(find(&stream, NULL).count, 0);
    }
    stream_begin(&stream, 1, 0, 20 * STREAM_MS);
    for (size_t i = 0; i < 20; i++)
        stream_send(&stream, (const uint8_t *)"", false);
    assert_int_equal(find(&stream, NULL).count, 0);
}

static void memory_that_runs_out_is_said(void **state)
{
    (void)state;
    make(&stream, 2, &layouts[0], 200, 20 * STREAM_MS, 0);
    for (uint64_t nth = 1;; nth++) {
        struct lt_counter_found found[LT_COUNTERS_MAX];
        struct lt_arena arena;
        size_t count;
        lt_arena_init(&arena, 0);
        arena.fail_countdown = nth;
        enum lt_code code =
            lt_counters_find(&stream.kept, stream.period_ns, NULL, &arena, found, &count, NULL);
        bool failed = arena.failed;
        lt_arena_release(&arena);
        assert_int_equal(code, failed ? LT_E_MEMORY : LT_OK);
        if (!failed)
            break;
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_layout_is_found_exactly),
        cmocka_unit_test(random_counters_are_found),
        cmocka_unit_test(short_captures_make_no_more_false_ones),
        cmocka_unit_test(short_captures_are_less_sure),
        cmocka_unit_test(losses_that_time_shows_are_proof),
        cmocka_unit_test(a_counter_of_changes_stands_still_with_them),
        cmocka_unit_test(what_only_looks_like_a_counter_is_none),
        cmocka_unit_test(a_sum_that_repeats_the_counter_is_none),
        cmocka_unit_test(a_complement_that_counts_down_with_the_counter_is_none),
        cmocka_unit_test(two_counters_are_found_where_what_else_changes_leaves_both_alone),
        cmocka_unit_test(a_counter_known_from_elsewhere_is_tried_by_itself),
        cmocka_unit_test(bits_that_are_taken_are_left_alone),
        cmocka_unit_test(tiny_streams_have_none),
        cmocka_unit_test(memory_that_runs_out_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
