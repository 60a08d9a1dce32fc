/* Numbers in all the forms that controllers send, from end to end: the truth is what the frames
 * were made from. */
#include "unit.h"

#include <math.h>

#include "loomtap/measure/collect.h"
#include "loomtap/seek/seek.h"

#define MS_NS     INT64_C(1000000)
#define FRAMES    12000u
#define ASKED     600u
#define WARM_S    900u
#define CLOCK_NS  (INT64_C(217) * 1000 * MS_NS)
#define SAMPLE_MS 200u

struct made {
    struct lt_collect *collect;
    struct lt_arena arena;
    int64_t time_ns[ASKED];
    double value[ASKED];
    size_t count;
    struct lt_reference reference;
};

/* A course from -1 to 1 that wanders with a memory of some seconds. */
struct wander {
    uint32_t state;
    double slow, value;
};

static double step(struct wander *wander)
{
    wander->state = wander->state * 1664525u + 1013904223u;
    double noise = (double)(wander->state >> 16) / 32768 - 1;
    wander->slow += -wander->slow * 0.005 + noise * 0.06;
    wander->value += (wander->slow - wander->value) * 0.05;
    return wander->value > 1 ? 1 : wander->value < -1 ? -1 : wander->value;
}

static void begin(struct made *made)
{
    memset(made, 0, sizeof *made);
    lt_arena_init(&made->arena, 0);
    assert_int_equal(lt_collect_new(&made->collect, NULL, NULL), LT_OK);
}

static void add(struct made *made, int64_t time_ns, uint32_t id, uint32_t raw)
{
    struct lt_frame frame = {.time_ns = time_ns, .id = id, .len = 8, .raw_dlc = 8};
    frame.data[2] = (uint8_t)(raw >> 8);
    frame.data[3] = (uint8_t)raw;
    assert_int_equal(lt_collect_add(made->collect, &frame, NULL), LT_OK);
}

static void ask(struct made *made, int64_t time_ns, double value)
{
    if (made->count == ASKED)
        return;
    made->time_ns[made->count] = time_ns;
    made->value[made->count++] = value;
}

static void finish(struct made *made, const char *target, const char *unit, double quantum)
{
    assert_int_equal(lt_collect_finish(made->collect, NULL), LT_OK);
    made->reference = (struct lt_reference){.from = LT_FROM_CSV,
                                            .name = "made.csv",
                                            .target = target,
                                            .role = lt_role_find(lt_text_of(target)),
                                            .unit = unit,
                                            .count = made->count,
                                            .time_ns = made->time_ns,
                                            .value = made->value,
                                            .quantum = quantum,
                                            .lag_low_ns = -100 * MS_NS,
                                            .lag_high_ns = 300 * MS_NS};
}

static const struct lt_seek_target *seek(struct made *made)
{
    struct lt_seek_target *target = NULL;
    assert_int_equal(lt_seek(made->collect, &made->reference, 1, NULL, &made->arena, &target, NULL),
                     LT_OK);
    print_message("%s\n", target->say);
    for (size_t i = 0; i < target->count && i < 3; i++)
        print_message("  %03X sign %d form %d x %g + %g, %.3f: %s\n",
                      target->candidates[i].stream->key.id, (int)target->candidates[i].sign,
                      (int)target->candidates[i].form, target->candidates[i].scale,
                      target->candidates[i].offset, target->candidates[i].confidence,
                      target->candidates[i].why);
    return target;
}

static void forget(struct made *made)
{
    lt_collect_free(made->collect);
    lt_arena_release(&made->arena);
}

/* Two minutes of a quantity from -100 to 100, 10 bits in 2.1..3.0 of frame 0x123, in steps of
 * 0.25, as `code` writes it. */
static void drive(struct made *made, uint32_t (*code)(int steps))
{
    struct wander wander = {.state = 7};
    begin(made);
    for (unsigned i = 0; i < FRAMES; i++) {
        int64_t time_ns = i * 10 * MS_NS;
        int steps = (int)lround(step(&wander) * 400);
        add(made, time_ns, 0x123, code(steps));
        if (i % (SAMPLE_MS / 10) == 3)
            ask(made, time_ns + MS_NS, steps * 0.25);
    }
    finish(made, "engine_torque", "Nm", 0.25);
}

static uint32_t as_twos(int steps)
{
    return (uint32_t)steps & 0x3FF;
}

static uint32_t as_offset_binary(int steps)
{
    return (uint32_t)(steps + 512);
}

static uint32_t as_sign_magnitude(int steps)
{
    return steps < 0 ? 0x200u | (uint32_t)-steps : (uint32_t)steps;
}

static void check_form(uint32_t (*code)(int), enum lt_sign sign)
{
    static struct made made;
    drive(&made, code);
    const struct lt_seek_target *target = seek(&made);
    assert_int_equal(target->verdict, LT_SEEK_FOUND);
    const struct lt_candidate *best = &target->candidates[0];
    assert_int_equal(best->stream->key.id, 0x123);
    assert_int_equal(best->sign, sign);
    assert_int_equal(best->bits.part[0].msb, 17);
    assert_int_equal(best->bits.part[0].lsb, 24);
    assert_true(fabs(best->scale - 0.25) < 1e-9 && fabs(best->offset) < 1e-9);
    forget(&made);
}

static void twos_complement_is_read(void **state)
{
    (void)state;
    check_form(as_twos, LT_TWOS);
}

static void zero_in_the_middle_is_offset_binary(void **state)
{
    (void)state;
    check_form(as_offset_binary, LT_OFFSET_BINARY);
}

static void sign_and_magnitude_is_read(void **state)
{
    (void)state;
    check_form(as_sign_magnitude, LT_SIGN_MAGNITUDE);
}

/* Lambda sent as fuel over air: 1/lambda in steps of 1/512. */
static void what_is_sent_as_one_over_x_is_read_so(void **state)
{
    (void)state;
    static struct made made;
    struct wander wander = {.state = 9};
    begin(&made);
    for (unsigned i = 0; i < FRAMES; i++) {
        double lambda = exp(0.6 * step(&wander));
        uint32_t raw = (uint32_t)lround(512 / lambda);
        add(&made, i * 10 * MS_NS, 0x123, raw);
        if (i % 20 == 3)
            ask(&made, i * 10 * MS_NS + MS_NS, 512.0 / raw);
    }
    finish(&made, "lambda", "1", 1 / 32768.0);
    const struct lt_seek_target *target = seek(&made);
    assert_int_equal(target->verdict, LT_SEEK_FOUND);
    assert_int_equal(target->candidates[0].form, LT_FORM_RECIPROCAL);
    assert_true(fabs(target->candidates[0].scale * 512 - 1) < 0.01);
    forget(&made);
}

/* Whole kilometres an hour tell nothing of the last hundredths; the frame has them all the same. */
static void bits_finer_than_the_reference_are_probable_not_proven(void **state)
{
    (void)state;
    static struct made made;
    struct wander wander = {.state = 11};
    begin(&made);
    for (unsigned i = 0; i < FRAMES; i++) {
        uint32_t raw = (uint32_t)lround((90 + 80 * step(&wander)) * 128);
        add(&made, i * 10 * MS_NS, 0x123, raw);
        if (i % 20 == 3)
            ask(&made, i * 10 * MS_NS + MS_NS, round(raw / 128.0));
    }
    finish(&made, "vehicle_speed", "km/h", 1);
    const struct lt_seek_target *target = seek(&made);
    const struct lt_candidate *best = &target->candidates[0];
    assert_int_equal(target->verdict, LT_SEEK_FOUND);
    assert_int_equal(best->bits.part[0].lsb, 24);
    assert_int_equal(best->proven_bits.part[0].msb, best->bits.part[0].msb);
    /* 1 km/h is proven for certain; a hundredth cannot be. */
    unsigned length = lt_bits_length(&best->bits), proven = lt_bits_length(&best->proven_bits);
    assert_true(proven < length && proven + 8 >= length);
    forget(&made);
}

/* A number that moves by many steps from frame to frame, so that its own motion hides the carry:
 * `length` bits from 2.7 on, and below them noise. */
static void drive_fast(struct made *made, unsigned length)
{
    struct wander wander = {.state = 23};
    uint32_t noise = 99;
    begin(made);
    for (unsigned i = 0; i < FRAMES; i++) {
        double fast = 50 + 35 * sin(i / 61.0) + 10 * step(&wander);
        uint32_t raw = (uint32_t)lround(fast * 0.01 * (1u << length)), low = 16 - length;
        noise = noise * 1664525u + 1013904223u;
        add(made, i * 10 * MS_NS, 0x123, raw << low | (noise >> 16 & ((1u << low) - 1)));
        if (i % (SAMPLE_MS / 10) == 3)
            ask(made, i * 10 * MS_NS + MS_NS, round(fast * 2.55) / 2.55);
    }
    finish(made, "throttle", "%", 100 / 255.0);
}

static void check_low_end(unsigned length)
{
    static struct made made;
    drive_fast(&made, length);
    const struct lt_seek_target *target = seek(&made);
    const struct lt_candidate *best = &target->candidates[0];
    assert_int_equal(target->verdict, LT_SEEK_FOUND);
    assert_int_equal(best->bits.part[0].msb, 23);
    assert_int_equal(best->bits.part[0].lsb, 24 + 16 - length);
    forget(&made);
}

static void a_fast_number_ends_above_a_restless_neighbour(void **state)
{
    (void)state;
    check_low_end(12);
}

static void a_fast_number_keeps_its_own_low_bits(void **state)
{
    (void)state;
    check_low_end(13);
}

/* Lambda leaves its scale in every fuel cut; the answers from there are left out, and those that
 * stay do not show how fast it went. An answer is up to 60 ms old: what differs on the way out and
 * back is the time's fault, not the number's. */
static void a_step_that_no_answer_shows_is_no_fault_of_the_number(void **state)
{
    (void)state;
    static struct made made;
    struct wander wander = {.state = 31};
    uint32_t chance = 7, goal = 1000, raw[8] = {0};
    double value = 1000;
    begin(&made);
    for (unsigned i = 0; i < FRAMES; i++) {
        chance = chance * 1664525u + 1013904223u;
        if (i % 40 == 0)
            goal = chance >> 16 & 7 ? 1000 : 3500;
        value += (goal + 300 * step(&wander) - value) * 0.2;
        raw[i % 8] = (uint32_t)lround(value);
        add(&made, i * 10 * MS_NS, 0x123, raw[i % 8]);
        uint32_t answer = raw[(i - (chance >> 20) % 7) % 8];
        if (i % 100 == 9 && answer < 2000)
            ask(&made, i * 10 * MS_NS + MS_NS, answer * 0.001);
    }
    finish(&made, "lambda", "1", 1 / 32768.0);
    const struct lt_seek_target *target = seek(&made);
    assert_int_equal(target->verdict, LT_SEEK_FOUND);
    assert_int_equal(target->candidates[0].stream->key.id, 0x123);
    assert_true(fabs(target->candidates[0].scale * 1000 - 1) < 0.01);
    assert_true(target->candidates[0].confidence > 0.9);
    forget(&made);
}

/* A sensor in steps of 0.0008, sent in steps of 0.0001: the three bits at the end move seldom, and
 * no carry shows them. 0.0008 is nobody's scale. */
static void bits_that_hardly_move_belong_to_it_down_to_the_byte(void **state)
{
    (void)state;
    static struct made made;
    struct wander wander = {.state = 61};
    begin(&made);
    for (unsigned i = 0; i < FRAMES; i++) {
        uint32_t steps = (uint32_t)lround(1250 + 350 * step(&wander));
        uint32_t raw = 8 * steps + (i / 500 * 3 & 7);
        add(&made, i * 10 * MS_NS, 0x123, raw);
        if (i % 20 == 3)
            ask(&made, i * 10 * MS_NS + MS_NS, round(raw * 0.0001 * 32768) / 32768);
    }
    finish(&made, "lambda", "1", 1 / 32768.0);
    const struct lt_seek_target *target = seek(&made);
    assert_int_equal(target->verdict, LT_SEEK_FOUND);
    assert_int_equal(target->candidates[0].bits.part[0].lsb, 24);
    assert_true(fabs(target->candidates[0].scale * 10000 - 1) < 1e-9);
    forget(&made);
}

/* 255 is the end of the scale of one byte, and no code: the number rests there in every fuel cut.
 * The bit below it moves with its own field's code alone. */
static void a_bit_that_moves_with_a_code_alone_is_no_end(void **state)
{
    (void)state;
    static struct made made;
    struct wander wander = {.state = 71}, below = {.state = 81};
    begin(&made);
    for (unsigned i = 0; i < FRAMES; i++) {
        double lambda = 1.5 + 0.9 * step(&wander);
        double sent = fmin(round(lambda / 0.0078125), 255);
        uint32_t other = i % 3000 < 3 ? 0xFF : (uint32_t)lround(40 + 30 * step(&below));
        add(&made, i * 10 * MS_NS, 0x123, (uint32_t)sent << 8 | other);
        if (i % 20 == 3)
            ask(&made, i * 10 * MS_NS + MS_NS, fmin(round(lambda * 32768), 65280) / 32768);
    }
    finish(&made, "lambda", "1", 1 / 32768.0);
    const struct lt_seek_target *target = seek(&made);
    assert_int_equal(target->candidates[0].bits.part[0].msb, 23);
    assert_int_equal(target->candidates[0].bits.part[0].lsb, 16);
    forget(&made);
}

/* A number of 16 bits over two: some write 3.05e-5 and some 1/32768, which is the same for all that
 * can be measured. It is a usual scale all the same. */
static void two_usual_scales_beside_each_other_are_one(void **state)
{
    (void)state;
    static struct made made;
    struct wander wander = {.state = 91};
    begin(&made);
    for (unsigned i = 0; i < FRAMES; i++) {
        uint32_t raw = (uint32_t)lround(32768 * (1 + 0.4 * step(&wander)));
        add(&made, i * 10 * MS_NS, 0x123, raw);
        if (i % 20 == 3)
            ask(&made, i * 10 * MS_NS + MS_NS, round(raw / 327.68) / 100);
    }
    finish(&made, "lambda", "1", 0.01);
    const struct lt_seek_target *target = seek(&made);
    assert_int_equal(target->verdict, LT_SEEK_FOUND);
    assert_true(target->candidates[0].snapped);
    assert_true(fabs(target->candidates[0].scale * 32768 - 1) < 0.002);
    forget(&made);
}

/* A flag right above a number, set only between two answers: nothing at their times says that it is
 * none of its bits. */
static void a_flag_that_no_answer_sees_is_no_top_bit(void **state)
{
    (void)state;
    static struct made made;
    struct wander wander = {.state = 101};
    begin(&made);
    for (unsigned i = 0; i < FRAMES; i++) {
        uint32_t raw = (uint32_t)lround(255 * (0.5 + 0.48 * step(&wander)));
        uint32_t flag = i % 700 > 655 && i % 50 > 10 && i % 50 < 40;
        add(&made, i * 10 * MS_NS, 0x123, flag << 8 | raw);
        if (i % 50 == 3)
            ask(&made, i * 10 * MS_NS + MS_NS, round(raw * 0.4 * 2.55) / 2.55);
    }
    finish(&made, "load", "%", 100 / 255.0);
    made.reference.lag_low_ns = 0;
    made.reference.lag_high_ns = 10 * MS_NS;
    const struct lt_seek_target *target = seek(&made);
    assert_int_equal(target->candidates[0].bits.part[0].msb, 31);
    assert_int_equal(target->candidates[0].bits.part[0].lsb, 24);
    forget(&made);
}

/* A logger that counts from its own start, 217 s after the capture's. */
static void the_clock_of_a_logger_is_found(void **state)
{
    (void)state;
    static struct made made;
    drive(&made, as_twos);
    for (size_t i = 0; i < made.count; i++)
        made.time_ns[i] += CLOCK_NS;
    made.reference.clock_unknown = true;
    made.reference.clock_low_ns = CLOCK_NS - 130000 * MS_NS;
    made.reference.clock_high_ns = CLOCK_NS + 50000 * MS_NS;
    const struct lt_seek_target *target = seek(&made);
    assert_int_equal(target->verdict, LT_SEEK_FOUND);
    assert_true(target->clock_found);
    /* What the clock does not say is in the lag. */
    assert_true(fabs(target->clock_s + target->candidates[0].lag_s - 217) < 0.05);
    assert_int_equal(target->candidates[0].stream->key.id, 0x123);
    assert_true(fabs(target->candidates[0].scale - 0.25) < 0.0025);
    forget(&made);
}

/* The same number in another frame, in other steps, is news; its own place is none. */
static void a_known_signal_finds_its_copies_and_not_itself(void **state)
{
    (void)state;
    static struct made made;
    struct wander wander = {.state = 13};
    begin(&made);
    for (unsigned i = 0; i < FRAMES; i++) {
        double value = 100 * step(&wander);
        add(&made, i * 10 * MS_NS, 0x123, as_twos((int)lround(value * 4)));
        add(&made, i * 10 * MS_NS + 2 * MS_NS, 0x234, (uint32_t)lround(value * 10) + 2000);
        if (i % 20 == 3)
            ask(&made, i * 10 * MS_NS + MS_NS, lround(value * 4) * 0.25);
    }
    finish(&made, "engine_torque", "Nm", 0.25);
    made.reference.from = LT_FROM_PROFILE;
    made.reference.has_source = true;
    made.reference.source = (struct lt_stream_key){.id = 0x123, .length = 8};
    made.reference.source_bits = (struct lt_bits){1, {{17, 24}}};
    const struct lt_seek_target *target = seek(&made);
    assert_int_equal(target->verdict, LT_SEEK_FOUND);
    for (size_t i = 0; i < target->count; i++)
        assert_int_equal(target->candidates[i].stream->key.id, 0x234);
    assert_true(fabs(target->candidates[0].scale - 0.1) < 0.001);
    forget(&made);
}

/* Fifteen minutes from cold: one rise and no return, so that r says nothing. Steps of 0.75 from -48
 * beside the reference's whole degrees; a clock that runs beside it follows as closely by r. */
static void a_warm_up_is_found_by_its_values(void **state)
{
    (void)state;
    static struct made made;
    begin(&made);
    for (unsigned i = 0; i < WARM_S * 5; i++) {
        double s = i / 5.0, degrees = 88 - 78 * exp(-s / 260) + 1.5 * sin(s / 40);
        add(&made, i * 200 * MS_NS, 0x300, (uint32_t)lround((degrees + 48) / 0.75));
        add(&made, i * 200 * MS_NS + MS_NS, 0x301, (uint32_t)s);
        if (i % 10 == 3)
            ask(&made, i * 200 * MS_NS + 2 * MS_NS, round(degrees));
    }
    finish(&made, "coolant_temp",
           "\xC2\xB0"
           "C",
           1);
    const struct lt_seek_target *target = seek(&made);
    assert_int_equal(target->verdict, LT_SEEK_FOUND);
    assert_int_equal(target->candidates[0].stream->key.id, 0x300);
    assert_true(fabs(target->candidates[0].scale - 0.75) < 1e-9);
    assert_true(fabs(target->candidates[0].offset + 48) < 1e-9);
    forget(&made);
}

/* In a minute all that rises follows all else that rises, to within the reference's own steps. */
static void a_minutes_drift_is_not_found_in_another(void **state)
{
    (void)state;
    static struct made made;
    begin(&made);
    for (unsigned i = 0; i < 60 * 20; i++) {
        double s = i / 20.0, degrees = 20 + 30 * (1 - exp(-s / 80));
        add(&made, i * 50 * MS_NS, 0x301, (uint32_t)lround(700 + 1900 * (1 - exp(-s / 74))));
        if (i % 20 == 3)
            ask(&made, i * 50 * MS_NS + 2 * MS_NS, round(degrees));
    }
    finish(&made, "coolant_temp",
           "\xC2\xB0"
           "C",
           1);
    assert_int_not_equal(seek(&made)->verdict, LT_SEEK_FOUND);
    forget(&made);
}

/* A speed in steps that nobody uses: found where it was driven for minutes, and on one minute said
 * to be likely and no more. */
static void check_speed(unsigned frames, enum lt_seek_verdict verdict)
{
    static struct made made;
    struct wander wander = {.state = 41};
    begin(&made);
    for (unsigned i = 0; i < frames; i++) {
        double speed = 60 + 55 * step(&wander);
        add(&made, i * 10 * MS_NS, 0x123, (uint32_t)lround(speed / 0.693));
        if (i % 50 == 3)
            ask(&made, i * 10 * MS_NS + MS_NS, round(speed));
    }
    finish(&made, "vehicle_speed", "km/h", 1);
    const struct lt_seek_target *target = seek(&made);
    assert_int_equal(target->verdict, verdict);
    assert_int_equal(target->candidates[0].stream->key.id, 0x123);
    assert_true((strstr(target->say, "too short") != NULL) == (verdict != LT_SEEK_FOUND));
    assert_true(target->candidates[0].offset == 0); /* nobody's scale, and it starts at zero */
    forget(&made);
}

static void on_a_minute_what_is_likely_is_not_found_yet(void **state)
{
    (void)state;
    check_speed(6000, LT_SEEK_NOT_EXERCISED);
    check_speed(30000, LT_SEEK_FOUND);
}

static void what_never_moves_is_not_exercised_and_says_what_to_do(void **state)
{
    (void)state;
    static struct made made;
    drive(&made, as_twos);
    for (size_t i = 0; i < made.count; i++)
        made.value[i] = 0;
    const struct lt_seek_target *target = seek(&made);
    assert_int_equal(target->verdict, LT_SEEK_NOT_EXERCISED);
    assert_non_null(strstr(target->say, "coast in gear 10 s"));
    assert_int_equal(target->count, 0);
    forget(&made);
}

/* Two references: pedal, and a throttle that follows it late and with more of its own. The bus
 * carries the pedal alone, so the throttle must not be it. */
static void what_follows_another_reference_better_is_that_one(void **state)
{
    (void)state;
    static struct made made;
    static double throttle[ASKED];
    struct wander wander = {.state = 17}, own = {.state = 1234};
    double late = 0;
    begin(&made);
    for (unsigned i = 0; i < FRAMES; i++) {
        double pedal = 50 + 45 * step(&wander);
        late += (pedal - late) * 0.03;
        double other = 8 + 0.8 * late + 4 * step(&own);
        add(&made, i * 10 * MS_NS, 0x123, (uint32_t)lround(pedal * 2));
        if (i % 20 == 3) {
            throttle[made.count] = round(other * 2.55) / 2.55;
            ask(&made, i * 10 * MS_NS + MS_NS, round(pedal * 2.55) / 2.55);
        }
    }
    finish(&made, "pedal", "%", 100 / 255.0);
    struct lt_reference both[2] = {made.reference, made.reference};
    both[1].target = "throttle";
    both[1].role = lt_role_find(LT_TEXT("throttle"));
    both[1].value = throttle;
    struct lt_seek_target *targets = NULL;
    assert_int_equal(lt_seek(made.collect, both, 2, NULL, &made.arena, &targets, NULL), LT_OK);
    print_message("%s\n%s\n", targets[0].say, targets[1].say);
    assert_int_equal(targets[0].verdict, LT_SEEK_FOUND);
    assert_true(fabs(targets[0].candidates[0].scale - 0.5) < 0.005);
    assert_int_equal(targets[1].verdict, LT_SEEK_NOT_ON_BUS);
    assert_non_null(strstr(targets[1].say, "follows pedal better"));
    forget(&made);
}

/* Load and manifold pressure of an engine without a turbo go together but for rounding; one field
 * carries one of them, and the recording cannot tell which. */
static void one_field_for_two_references_is_sure_for_neither(void **state)
{
    (void)state;
    static struct made made;
    static double pressure[ASKED];
    struct wander wander = {.state = 51};
    begin(&made);
    for (unsigned i = 0; i < FRAMES; i++) {
        double load = 50 + 45 * step(&wander);
        add(&made, i * 10 * MS_NS, 0x123, (uint32_t)lround(load * 2));
        if (i % 20 == 3) {
            pressure[made.count] = round(load);
            ask(&made, i * 10 * MS_NS + MS_NS, round(load * 2.55) / 2.55);
        }
    }
    finish(&made, "load", "%", 100 / 255.0);
    struct lt_reference both[2] = {made.reference, made.reference};
    both[1].target = "manifold_pressure";
    both[1].role = lt_role_find(LT_TEXT("manifold_pressure"));
    both[1].value = pressure;
    both[1].quantum = 1;
    struct lt_seek_target *targets = NULL;
    assert_int_equal(lt_seek(made.collect, both, 2, NULL, &made.arena, &targets, NULL), LT_OK);
    for (size_t i = 0; i < 2; i++) {
        print_message("%s\n", targets[i].say);
        assert_int_equal(targets[i].candidates[0].stream->key.id, 0x123);
        assert_true(targets[i].candidates[0].confidence < 0.9);
    }
    forget(&made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(twos_complement_is_read),
        cmocka_unit_test(zero_in_the_middle_is_offset_binary),
        cmocka_unit_test(sign_and_magnitude_is_read),
        cmocka_unit_test(what_is_sent_as_one_over_x_is_read_so),
        cmocka_unit_test(bits_finer_than_the_reference_are_probable_not_proven),
        cmocka_unit_test(a_fast_number_ends_above_a_restless_neighbour),
        cmocka_unit_test(a_fast_number_keeps_its_own_low_bits),
        cmocka_unit_test(a_step_that_no_answer_shows_is_no_fault_of_the_number),
        cmocka_unit_test(bits_that_hardly_move_belong_to_it_down_to_the_byte),
        cmocka_unit_test(a_bit_that_moves_with_a_code_alone_is_no_end),
        cmocka_unit_test(two_usual_scales_beside_each_other_are_one),
        cmocka_unit_test(a_flag_that_no_answer_sees_is_no_top_bit),
        cmocka_unit_test(the_clock_of_a_logger_is_found),
        cmocka_unit_test(a_known_signal_finds_its_copies_and_not_itself),
        cmocka_unit_test(a_warm_up_is_found_by_its_values),
        cmocka_unit_test(a_minutes_drift_is_not_found_in_another),
        cmocka_unit_test(on_a_minute_what_is_likely_is_not_found_yet),
        cmocka_unit_test(what_never_moves_is_not_exercised_and_says_what_to_do),
        cmocka_unit_test(what_follows_another_reference_better_is_that_one),
        cmocka_unit_test(one_field_for_two_references_is_sure_for_neither),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
