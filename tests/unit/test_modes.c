/* Modes and switches from marks: planted in made traffic, so that the truth is known. */
#include "unit.h"

#include "loomtap/measure/collect.h"
#include "loomtap/seek/marks.h"
#include "seek/modes.h"

#define S_NS INT64_C(1000000000)

struct change {
    double at_s;
    unsigned code;
};

struct car {
    const struct change *mode; /* ends with a negative time */
    double length_s;
    bool carries; /* the mode is on the bus */
    bool lamp;    /* a lamp follows the mode by 0.4 s, on 0x200 */
    bool check;   /* byte 7 of the mode's frame is the sum of the others */
    unsigned codes[4];
    unsigned shift; /* of the code, in byte 2 of 0x100 */
};

static unsigned code_at(const struct car *car, double at_s)
{
    unsigned code = 0;
    for (const struct change *c = car->mode; c->at_s >= 0; c++)
        if (c->at_s <= at_s)
            code = c->code;
    return code;
}

static uint32_t noise(uint32_t *state)
{
    *state = *state * 1664525u + 1013904223u;
    return *state >> 16;
}

/* 0x100 each 20 ms: byte 0 random, byte 2 the mode; 0x200 each 50 ms: byte 1 bit 5 a lamp that is
 * on in mode 1, byte 0 flags that toggle by themselves every few seconds. */
static struct lt_collect *drive(const struct car *car)
{
    struct lt_collect *collect;
    uint32_t state = 7;
    uint8_t flags = 0;
    assert_int_equal(lt_collect_new(&collect, NULL, NULL), LT_OK);
    for (unsigned ms = 0; ms < car->length_s * 1000; ms += 10) {
        double now = ms / 1000.0;
        if (ms % 20 == 0) {
            struct lt_frame frame = {.time_ns = ms * INT64_C(1000000), .id = 0x100, .len = 8};
            frame.data[0] = (uint8_t)noise(&state);
            if (car->carries)
                frame.data[2] = (uint8_t)(car->codes[code_at(car, now)] << car->shift);
            if (car->check)
                for (unsigned i = 1; i < 7; i++)
                    frame.data[7] = (uint8_t)(frame.data[7] + 37 * frame.data[i]);
            assert_int_equal(lt_collect_add(collect, &frame, NULL), LT_OK);
        }
        if (ms % 50 == 0) {
            struct lt_frame frame = {
                .time_ns = ms * INT64_C(1000000) + 1000, .id = 0x200, .len = 4};
            for (unsigned i = 0; i < 8; i++)
                if (noise(&state) % 97 == 0)
                    flags ^= (uint8_t)(1u << i);
            frame.data[0] = flags;
            if (car->lamp)
                frame.data[1] = code_at(car, now - 0.4) == 1 ? 0x20 : 0;
            assert_int_equal(lt_collect_add(collect, &frame, NULL), LT_OK);
        }
    }
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    return collect;
}

struct asked {
    struct lt_arena arena;
    struct lt_reference marks;
    struct lt_seek_target target;
    struct lt_error error;
    enum lt_code code;
};

static struct asked ask(const struct lt_collect *collect, const char *marks)
{
    struct asked asked;
    uint64_t unordered;
    lt_arena_init(&asked.arena, 0);
    assert_int_equal(lt_reference_parse_marks("m.csv", lt_text_of(marks), NULL, &asked.arena,
                                              &asked.marks, &unordered, NULL),
                     LT_OK);
    asked.code =
        lt_seek_marks(collect, &asked.marks, NULL, &asked.arena, &asked.target, &asked.error);
    if (asked.code == LT_OK)
        print_message("%s\n", asked.target.say);
    return asked;
}

static void expect_bits(const struct lt_candidate *candidate, uint32_t id, const char *bits)
{
    char text[128];
    lt_bits_print(text, sizeof text, &candidate->bits);
    assert_int_equal(candidate->stream->key.id, id);
    assert_string_equal(text, bits);
}

static const struct change three[] = {{11, 1}, {27, 2},  {38, 0},  {57, 1}, {66, 0},
                                      {83, 2}, {101, 1}, {109, 2}, {-1, 0}};
static const char three_marks[] = "time_s,label\n1,comfort\n11.4,sport\n27.2,wet\n38.9,comfort\n"
                                  "57.3,sport\n66.1,comfort\n83.6,wet\n101.2,sport\n109.5,wet\n";

static const struct change two[] = {{11, 1}, {27, 0},  {38, 1},  {57, 0}, {66, 1},
                                    {83, 0}, {101, 1}, {109, 0}, {-1, 0}};
static const char two_marks[] = "time_s,label\n1,comfort\n11.4,sport\n27.2,comfort\n38.9,sport\n"
                                "57.3,comfort\n66.1,sport\n83.6,comfort\n101.2,sport\n"
                                "109.5,comfort\n";

static void a_mode_is_found_with_its_codes(void **state)
{
    (void)state;
    static const unsigned codes[][4] = {{0, 1, 2}, {2, 0, 1}, {1, 2, 4}, {0, 1, 4}};
    static const char *const bits[] = {"2.4..2.3", "2.4..2.3", "2.5..2.3", "2.5..2.3"};
    for (size_t i = 0; i < COUNT_OF(codes); i++) {
        struct car car = {.mode = three, .length_s = 120, .carries = true, .shift = 3};
        memcpy(car.codes, codes[i], sizeof car.codes);
        struct lt_collect *collect = drive(&car);
        struct asked asked = ask(collect, three_marks);
        assert_int_equal(asked.target.verdict, LT_SEEK_FOUND);
        const struct lt_candidate *best = &asked.target.candidates[0];
        expect_bits(best, 0x100, bits[i]);
        assert_int_equal(best->value_count, 3);
        for (size_t v = 0; v < 3; v++) {
            const char *label = best->values[v].label;
            unsigned mode = label[0] == 'c' ? 0 : label[0] == 's' ? 1 : 2;
            assert_int_equal(best->values[v].raw, codes[i][mode]);
            assert_int_equal(best->values[v].visits, 3);
        }
        assert_true(best->lag_s > 0.1 && best->lag_s < 0.8);
        assert_true(best->confidence >= 0.9 && best->confidence < 1);
        lt_arena_release(&asked.arena);
        lt_collect_free(collect);
    }
}

static void what_no_frame_carries_is_not_on_this_bus(void **state)
{
    (void)state;
    struct car car = {.mode = three, .length_s = 120};
    struct lt_collect *collect = drive(&car);
    struct asked asked = ask(collect, three_marks);
    assert_int_equal(asked.target.verdict, LT_SEEK_NOT_ON_BUS);
    lt_arena_release(&asked.arena);
    lt_collect_free(collect);
}

static void what_follows_comes_behind_its_cause(void **state)
{
    (void)state;
    struct car car = {
        .mode = two, .length_s = 120, .carries = true, .lamp = true, .codes = {0, 1}, .shift = 6};
    struct lt_collect *collect = drive(&car);
    struct asked asked = ask(collect, two_marks);
    assert_int_equal(asked.target.verdict, LT_SEEK_FOUND);
    assert_true(asked.target.count >= 2);
    expect_bits(&asked.target.candidates[0], 0x100, "2.6");
    expect_bits(&asked.target.candidates[1], 0x200, "1.5");
    assert_int_equal(asked.target.candidates[1].group, asked.target.candidates[0].group);
    lt_arena_release(&asked.arena);
    lt_collect_free(collect);
}

static void a_lamp_of_one_mode_is_no_mode(void **state)
{
    (void)state;
    struct car car = {.mode = three, .length_s = 120, .lamp = true};
    struct lt_collect *collect = drive(&car);
    struct asked asked = ask(collect, three_marks);
    assert_int_equal(asked.target.verdict, LT_SEEK_NOT_ON_BUS);
    assert_non_null(strstr(asked.target.say, "some of the labels"));
    lt_arena_release(&asked.arena);
    lt_collect_free(collect);
}

static void a_sum_that_moves_with_the_mode_comes_behind_it(void **state)
{
    (void)state;
    struct car car = {
        .mode = three, .length_s = 120, .carries = true, .check = true, .codes = {0, 1, 2}};
    struct lt_collect *collect = drive(&car);
    struct asked asked = ask(collect, three_marks);
    assert_int_equal(asked.target.verdict, LT_SEEK_FOUND);
    expect_bits(&asked.target.candidates[0], 0x100, "2.1..2.0");
    assert_true(asked.target.candidates[0].confidence < 0.95);
    for (size_t i = 1; i < asked.target.count; i++)
        assert_true(asked.target.candidates[i].confidence <= 0.5);
    lt_arena_release(&asked.arena);
    lt_collect_free(collect);
}

/* One of nine: late by 5 s, of another label, left out. */
static void one_bad_mark_is_borne_and_said(void **state)
{
    (void)state;
    static const char *const spoilt[] = {
        "time_s,label\n1,comfort\n11.4,sport\n27.2,wet\n43.9,comfort\n57.3,sport\n66.1,comfort\n"
        "83.6,wet\n101.2,sport\n109.5,wet\n",
        "time_s,label\n1,comfort\n11.4,sport\n27.2,wet\n38.9,wet\n57.3,sport\n66.1,comfort\n"
        "83.6,wet\n101.2,sport\n109.5,wet\n",
        "time_s,label\n1,comfort\n11.4,sport\n27.2,wet\n38.9,comfort\n57.3,sport\n57.9,sport\n"
        "66.1,comfort\n83.6,wet\n101.2,sport\n109.5,wet\n",
    };
    struct car car = {.mode = three, .length_s = 120, .carries = true, .codes = {0, 1, 2}};
    struct lt_collect *collect = drive(&car);
    for (size_t i = 0; i < COUNT_OF(spoilt); i++) {
        struct asked asked = ask(collect, spoilt[i]);
        assert_int_equal(asked.target.verdict, LT_SEEK_FOUND);
        expect_bits(&asked.target.candidates[0], 0x100, "2.1..2.0");
        if (i == 2)
            assert_non_null(strstr(asked.target.say, "repeated"));
        lt_arena_release(&asked.arena);
    }
    lt_collect_free(collect);
}

static void too_little_says_what_to_do(void **state)
{
    (void)state;
    static const struct {
        const char *marks, *says;
    } few[] = {
        {"time_s,label\n1,comfort\n11.4,sport\n27.2,wet\n38.9,comfort\n57.3,sport\n",
         "visit wet once more"},
        {"time_s,label\n1,comfort\n11.4,sport\n27.2,comfort\n", "visit sport once more"},
        {"time_s,label\n1,comfort\n11.4,comfort\n", "too few"},
    };
    struct car car = {.mode = three, .length_s = 66, .carries = true, .codes = {0, 1, 2}};
    struct lt_collect *collect = drive(&car);
    for (size_t i = 0; i < COUNT_OF(few); i++) {
        struct asked asked = ask(collect, few[i].marks);
        assert_int_equal(asked.target.verdict, LT_SEEK_NOT_EXERCISED);
        assert_non_null(strstr(asked.target.say, few[i].says));
        for (size_t c = 0; c < asked.target.count; c++)
            assert_true(asked.target.candidates[c].confidence <= 0.5);
        lt_arena_release(&asked.arena);
    }
    lt_collect_free(collect);
}

static void marks_of_another_clock(void **state)
{
    (void)state;
    struct car car = {.mode = two, .length_s = 120, .carries = true, .codes = {0, 1}};
    struct lt_collect *collect = drive(&car);
    struct asked asked = ask(collect, "time_s,label\n5001,comfort\n5011,sport\n5027,comfort\n");
    assert_int_equal(asked.code, LT_E_RANGE);
    assert_non_null(strstr(asked.error.text, "not of this capture's time"));
    assert_true(asked.error.advice[0] != '\0');
    lt_arena_release(&asked.arena);
    lt_collect_free(collect);
}

/* One label alone: a press is a pulse, here of half a second. */
static void presses_are_found_by_their_pulses(void **state)
{
    (void)state;
    static const struct change pulses[] = {{11, 1},   {11.5, 0}, {27, 1},   {27.5, 0},  {38, 1},
                                           {38.5, 0}, {57, 1},   {57.5, 0}, {66, 1},    {66.5, 0},
                                           {83, 1},   {83.5, 0}, {101, 1},  {101.5, 0}, {-1, 0}};
    struct car car = {
        .mode = pulses, .length_s = 120, .carries = true, .codes = {0, 1}, .shift = 5};
    struct lt_collect *collect = drive(&car);
    struct asked asked = ask(collect, "time_s,label\n11.3,horn\n27.2,horn\n38.4,horn\n57.1,horn\n"
                                      "66.3,horn\n83.2,horn\n101.3,horn\n");
    assert_int_equal(asked.target.verdict, LT_SEEK_FOUND);
    expect_bits(&asked.target.candidates[0], 0x100, "2.5");
    lt_arena_release(&asked.arena);
    lt_collect_free(collect);
}

/* Sixty-four bytes of one bit each, and all bits the same: more than are kept for ranking. */
static void places_past_the_ceiling_are_said(void **state)
{
    (void)state;
    struct car car = {.mode = two, .length_s = 120};
    struct lt_collect *collect;
    assert_int_equal(lt_collect_new(&collect, NULL, NULL), LT_OK);
    for (unsigned ms = 0; ms < 120000; ms += 20) {
        struct lt_frame frame = {.time_ns = ms * INT64_C(1000000),
                                 .id = 0x300,
                                 .flags = LT_FRAME_FD,
                                 .len = 64,
                                 .raw_dlc = 15};
        memset(frame.data, code_at(&car, ms / 1000.0) ? 0xFF : 0, sizeof frame.data);
        assert_int_equal(lt_collect_add(collect, &frame, NULL), LT_OK);
    }
    assert_int_equal(lt_collect_finish(collect, NULL), LT_OK);
    struct asked asked = ask(collect, two_marks);
    assert_int_equal(asked.code, LT_OK);
    assert_non_null(strstr(asked.target.say, "More than 256 places"));
    lt_arena_release(&asked.arena);
    lt_collect_free(collect);
}

/* Exact by hand: P(X >= 2), n = 3, q = 1/2 is 1/2; P(X >= 3), n = 3, q = 0.1 is 0.001. */
static void the_chance_is_the_binomial_tail(void **state)
{
    (void)state;
    assert_true(modes_chance(3, 2, 0.5) > 0.4999999 && modes_chance(3, 2, 0.5) < 0.5000001);
    assert_true(modes_chance(3, 3, 0.1) > 0.000999999 && modes_chance(3, 3, 0.1) < 0.001000001);
    assert_true(modes_chance(5, 0, 0.1) == 1);
    assert_true(modes_chance(5, 5, 0) == 0);
    assert_true(modes_chance(4000, 4000, 0.9) >= 0 && modes_chance(4000, 4000, 0.9) < 1e-100);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_mode_is_found_with_its_codes),
        cmocka_unit_test(what_no_frame_carries_is_not_on_this_bus),
        cmocka_unit_test(what_follows_comes_behind_its_cause),
        cmocka_unit_test(a_lamp_of_one_mode_is_no_mode),
        cmocka_unit_test(a_sum_that_moves_with_the_mode_comes_behind_it),
        cmocka_unit_test(one_bad_mark_is_borne_and_said),
        cmocka_unit_test(too_little_says_what_to_do),
        cmocka_unit_test(marks_of_another_clock),
        cmocka_unit_test(presses_are_found_by_their_pulses),
        cmocka_unit_test(places_past_the_ceiling_are_said),
        cmocka_unit_test(the_chance_is_the_binomial_tail),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
