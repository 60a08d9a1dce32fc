/* Cars that a seed invents: the same seed gives the same bytes, and their truth is true. Checks,
 * counters and places are read out of the frames by core (which has its own tests against published
 * values and shares no code with the car) as the layout describes them. */
#include "unit.h"

#include "loomtap/base/sink.h"
#include "loomtap/core/checksum.h"
#include "loomtap/mimic/mimic.h"
#include "mimic/random_send.h"

#define START_NS 1700000000000000000
#define SEEDS    24

static struct lt_mimic_random *make(uint64_t seed, double duration_s)
{
    const struct lt_mimic_options options = {.seed = seed,
                                             .duration_s = duration_s,
                                             .start_ns = START_NS,
                                             .polling_by_seed = true,
                                             .loss_by_seed = true};
    struct lt_mimic_random *random = lt_mimic_random_new(&options, duration_s);
    assert_non_null(random);
    return random;
}

static uint64_t hash_car(uint64_t seed)
{
    uint64_t hash = 0xCBF29CE484222325u;
    struct lt_mimic_random *random = make(seed, 5);
    while (lt_mimic_random_next(random)) {
        const struct lt_frame *frame = &random->frame;
        hash = (hash ^ (uint64_t)frame->time_ns) * 0x100000001B3u;
        hash = (hash ^ frame->id) * 0x100000001B3u;
        for (int i = 0; i < frame->len; i++)
            hash = (hash ^ frame->data[i]) * 0x100000001B3u;
    }
    lt_mimic_random_free(random);
    return hash;
}

static void same_seed_gives_the_same_car(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 4; seed++) {
        assert_true(hash_car(seed) == hash_car(seed));
        assert_true(hash_car(seed) != hash_car(seed + 1));
    }
}

static void time_runs_forward_and_frames_are_possible(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= SEEDS; seed++) {
        struct lt_mimic_random *random = make(seed, 12);
        int64_t before_ns = START_NS;
        while (lt_mimic_random_next(random)) {
            const struct lt_frame *frame = &random->frame;
            assert_true(frame->time_ns >= before_ns);
            assert_true(frame->time_ns <= START_NS + 12000000000);
            assert_true(lt_len_is_valid(frame->len, lt_frame_has(frame, LT_FRAME_FD)));
            assert_true(frame->bus < random->car.buses);
            before_ns = frame->time_ns;
        }
        assert_true(before_ns > START_NS + 11500000000);
        lt_mimic_random_free(random);
    }
}

static struct lt_mimic_random_frame *frame_of(struct lt_mimic_random *random)
{
    for (size_t i = 0; i < random->car.frame_count; i++) {
        struct lt_mimic_random_frame *frame = &random->car.frame[i];
        if (frame->id == random->frame.id && frame->bus == random->frame.bus &&
            frame->len == random->frame.len &&
            frame->extended == lt_frame_has(&random->frame, LT_FRAME_EXTENDED))
            return frame;
    }
    return NULL; /* the tester's */
}

static uint64_t raw_of(struct lt_mimic_spot spot, const uint8_t *data)
{
    char text[32];
    struct lt_bits bits;
    size_t len = lt_mimic_spot_text(spot, text, sizeof(text));
    assert_true(lt_bits_parse((struct lt_text){text, len}, &bits));
    assert_int_equal(lt_bits_length(&bits), spot.bits);
    return lt_bits_get(data, &bits);
}

static bool is_on_page(const struct lt_mimic_random_frame *frame,
                       const struct lt_mimic_random_field *field, const uint8_t *data)
{
    if (field->pages == 0)
        return true;
    uint64_t value = raw_of(frame->field[frame->selector].spot, data);
    for (unsigned i = 0; i < frame->pages; i++)
        if (frame->page_value[i] == value)
            return field->pages >> i & 1;
    return false;
}

/* The map of an affine check as the layout prints it is made by linearity from the check itself:
 * here the same, for core to compute with. */
static void make_affine(const struct lt_mimic_random_frame *frame,
                        const struct lt_mimic_random_field *field, struct lt_affine *affine)
{
    uint8_t data[64] = {0};
    struct lt_mimic_seal seal = field->seal;
    memset(affine, 0, sizeof(*affine));
    affine->constant = (uint16_t)lt_mimic_random_seal(&seal, field->spot, frame, data);
    for (unsigned at = 0; at < 8u * frame->len; at++) {
        bool own = false;
        for (unsigned n = 0; n < field->spot.bits; n++)
            own = own || lt_mimic_spot_bit(field->spot, n) == at;
        data[at / 8] = (uint8_t)(1u << at % 8);
        uint32_t value = lt_mimic_random_seal(&seal, field->spot, frame, data);
        if (!own)
            affine->column[at / 8][7 - at % 8] = (uint16_t)(value ^ affine->constant);
        data[at / 8] = 0;
    }
}

static void verify_check(const struct lt_mimic_random_frame *frame,
                         const struct lt_mimic_random_field *field, const struct lt_frame *sent)
{
    char text[512];
    struct lt_checksum checksum;
    struct lt_affine affine;
    struct lt_error error;
    size_t len = lt_mimic_random_seal_text(frame, field, text, sizeof(text));
    if (lt_checksum_parse((struct lt_text){text, len}, &checksum, &error) != LT_OK)
        fail_msg("%s: %s", text, error.text);
    if (checksum.family == LT_CHECK_AFFINE) {
        make_affine(frame, field, &affine);
        checksum.affine = &affine;
    }
    if (lt_checksum_check(&checksum, sent->len, &error) != LT_OK)
        fail_msg("%s: %s", text, error.text);
    if (!lt_checksum_verify(&checksum, sent->data, sent->len, sent->id, frame->extended))
        fail_msg("%s does not hold in %x", text, (unsigned)sent->id);
}

static void checks_hold_as_a_profile_would_say_them(void **state)
{
    (void)state;
    unsigned families = 0;
    for (uint64_t seed = 1; seed <= SEEDS; seed++) {
        struct lt_mimic_random *random = make(seed, 4);
        while (lt_mimic_random_next(random)) {
            const struct lt_mimic_random_frame *frame = frame_of(random);
            for (size_t i = 0; frame && i < frame->field_count; i++) {
                const struct lt_mimic_random_field *field = &frame->field[i];
                if (field->kind != LT_MIMIC_FIELD_CHECK || field->seal.family == LT_MIMIC_KEYED ||
                    !is_on_page(frame, field, random->frame.data))
                    continue;
                families |= 1u << field->seal.family;
                verify_check(frame, field, &random->frame);
            }
        }
        lt_mimic_random_free(random);
    }
    /* All that a profile has words for were there. */
    assert_int_equal(families, (1u << LT_MIMIC_KEYED) - 1);
}

static void fields_share_no_bit(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 60; seed++) {
        struct lt_mimic_random *random = make(seed, 1);
        for (size_t f = 0; f < random->car.frame_count; f++) {
            const struct lt_mimic_random_frame *frame = &random->car.frame[f];
            for (unsigned page = 0; page < (frame->pages ? frame->pages : 1); page++) {
                uint8_t taken[512] = {0};
                for (size_t i = 0; i < frame->field_count; i++) {
                    const struct lt_mimic_random_field *field = &frame->field[i];
                    if (field->pages && !(field->pages >> page & 1))
                        continue;
                    for (unsigned n = 0; n < field->spot.bits; n++) {
                        unsigned at = lt_mimic_spot_bit(field->spot, n);
                        assert_true(at < 8u * frame->len);
                        assert_int_equal(taken[at]++, 0);
                    }
                }
            }
        }
        lt_mimic_random_free(random);
    }
}

/* A counter goes on by its step from one sent frame to the next; without losses and pauses that is
 * every frame that was written. */
static void counters_count(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= SEEDS; seed++) {
        struct lt_mimic_options options = {.seed = seed, .start_ns = START_NS};
        struct lt_mimic_random *random = lt_mimic_random_new(&options, 6);
        static uint64_t last[LT_MIMIC_RANDOM_FRAMES][LT_MIMIC_RANDOM_FIELDS];
        static bool seen[LT_MIMIC_RANDOM_FRAMES][LT_MIMIC_RANDOM_FIELDS];
        memset(seen, 0, sizeof(seen));
        while (lt_mimic_random_next(random)) {
            const struct lt_mimic_random_frame *frame = frame_of(random);
            for (size_t i = 0; frame && i < frame->field_count; i++) {
                const struct lt_mimic_random_field *field = &frame->field[i];
                if (field->kind != LT_MIMIC_FIELD_COUNTER || field->per_page || field->on_change)
                    continue;
                size_t at = (size_t)(frame - random->car.frame);
                uint64_t now = raw_of(field->spot, random->frame.data);
                if (seen[at][i])
                    assert_int_equal(now, (last[at][i] + field->step) % field->modulus);
                seen[at][i] = true;
                last[at][i] = now;
            }
        }
        lt_mimic_random_free(random);
    }
}

/* Jitter comes and goes around an even beat, and no frame is sent twice for it. */
static void cyclic_frames_keep_their_beat(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= SEEDS; seed++) {
        struct lt_mimic_options options = {.seed = seed, .start_ns = START_NS};
        struct lt_mimic_random *random = lt_mimic_random_new(&options, 20);
        random->pause_to_ns = random->pause_from_ns; /* nobody is silent */
        while (lt_mimic_random_next(random))
            continue;
        for (size_t i = 0; i < random->car.frame_count; i++) {
            const struct lt_mimic_random_frame *frame = &random->car.frame[i];
            double beats = 20e9 / (double)frame->period_ns;
            double late = 2.1e9 / (double)frame->period_ns; /* some start two seconds late */
            if (frame->cadence == LT_MIMIC_CYCLIC)
                assert_in_range(frame->written, (uint64_t)(beats - late) - 2, (uint64_t)beats + 2);
        }
        lt_mimic_random_free(random);
    }
}

/* Cars of neighbouring seeds differ in their habits, so that no finder can learn one. */
static void habits_vary(void **state)
{
    (void)state;
    unsigned buses = 0, orders = 0, polled = 0, extended = 0, fd = 0, pages = 0, lossy = 0;
    for (uint64_t seed = 1; seed <= 40; seed++) {
        struct lt_mimic_random *random = make(seed, 1);
        const struct lt_mimic_random_car *car = &random->car;
        assert_in_range(car->frame_count, 30, LT_MIMIC_RANDOM_FRAMES);
        buses |= 1u << car->buses;
        orders |= car->order_bias == 0 ? 1 : car->order_bias == 1 ? 2 : 4;
        polled |= car->polling ? 2 : 1;
        lossy |= car->loss > 0 ? 2 : 1;
        for (size_t i = 0; i < car->frame_count; i++) {
            extended |= car->frame[i].extended ? 2 : 1;
            fd |= car->frame[i].fd ? 2 : 1;
            pages |= car->frame[i].pages > 4 ? 4 : car->frame[i].pages ? 2 : 1;
        }
        lt_mimic_random_free(random);
    }
    assert_int_equal(buses, 2 + 4 + 8);
    assert_int_equal(orders, 7);
    assert_int_equal(polled, 3);
    assert_int_equal(lossy, 3);
    assert_int_equal(extended, 3);
    assert_int_equal(fd, 3);
    assert_int_equal(pages, 7);
}

static void losses_are_as_many_as_asked(void **state)
{
    (void)state;
    struct lt_mimic_options options = {.seed = 2, .start_ns = START_NS, .loss = 0.05};
    struct lt_mimic_random *random = lt_mimic_random_new(&options, 60);
    uint64_t sent = 0, lost = 0;
    while (lt_mimic_random_next(random))
        continue;
    for (size_t i = 0; i < random->car.frame_count; i++) {
        sent += random->car.frame[i].sent;
        lost += random->car.frame[i].lost;
    }
    assert_true(sent > 5000);
    double share = (double)lost / (double)sent;
    assert_true(share > 0.043 && share < 0.057);
    lt_mimic_random_free(random);
}

static void what_cannot_be_is_refused(void **state)
{
    (void)state;
    struct lt_mimic *mimic = NULL;
    struct lt_error error;
    struct lt_mimic_options options = {.seed = 1, .start_ns = START_NS, .loss = 0.9};
    assert_int_equal(lt_mimic_new(&mimic, "random", &options, &error), LT_E_RANGE);
    options.loss = -0.1;
    assert_int_equal(lt_mimic_new(&mimic, "random", &options, &error), LT_E_RANGE);
    assert_null(mimic);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(same_seed_gives_the_same_car),
        cmocka_unit_test(time_runs_forward_and_frames_are_possible),
        cmocka_unit_test(checks_hold_as_a_profile_would_say_them),
        cmocka_unit_test(fields_share_no_bit),
        cmocka_unit_test(counters_count),
        cmocka_unit_test(cyclic_frames_keep_their_beat),
        cmocka_unit_test(habits_vary),
        cmocka_unit_test(losses_are_as_many_as_asked),
        cmocka_unit_test(what_cannot_be_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
