/* The search for a bit rate, fed with made-up events: no clock, no bus. Error reports are built as
 * Linux include/uapi/linux/can/error.h lays them out. */
#include "unit.h"

#include "loomtap/live/attach.h"

#define MS INT64_C(1000000)

static const struct lt_frame whole = {.id = 0x123, .len = 8};
static const struct lt_frame ours = {.id = 0x123, .len = 8, .flags = LT_FRAME_SENT};
/* CAN_ERR_PROT, stuff; CAN_ERR_ACK; CAN_ERR_BUSOFF. */
static const struct lt_frame stuff = {
    .id = 0x008, .len = 8, .flags = LT_FRAME_ERROR, .data = {0, 0, 0x04}};
static const struct lt_frame no_ack = {.id = 0x020, .len = 8, .flags = LT_FRAME_ERROR};
static const struct lt_frame bus_off = {.id = 0x040, .len = 8, .flags = LT_FRAME_ERROR};

/* What a bus does, a frame every millisecond. */
struct world {
    uint32_t rate_hz;                           /* of the car; 0: none */
    const struct lt_frame *right[2], *wrong[2]; /* in turn; NULL: silence */
    uint32_t lacking_hz[LT_SEARCH_RATES];       /* rates that the adapter has not */
    int64_t frame_every_ns;                     /* 0: a millisecond */
    unsigned right_looks;                       /* this many looks go right, then wrong; 0: all */
    /* What came of it: */
    struct lt_search search;
    uint32_t set_hz[64];
    size_t sets;
    int64_t now_ns;
};

static bool lacks(const struct world *world, uint32_t rate_hz)
{
    for (size_t i = 0; i < LT_SEARCH_RATES; i++)
        if (world->lacking_hz[i] == rate_hz)
            return true;
    return false;
}

static void run(struct world *world, const struct lt_search_options *options)
{
    static const struct lt_search_options usual = {0};
    uint32_t rate_hz = 0, looks = 0;
    int64_t until_ns = 0, every_ns = world->frame_every_ns ? world->frame_every_ns : MS;
    lt_search_init(&world->search, options ? options : &usual);
    for (unsigned turn = 0; turn < 1000000; turn++) {
        switch (lt_search_next(&world->search, world->now_ns, &rate_hz, &until_ns)) {
        case LT_SEARCH_DONE:
            return;
        case LT_SEARCH_SET:
            assert_true(world->sets < COUNT_OF(world->set_hz));
            world->set_hz[world->sets++] = rate_hz;
            looks += rate_hz == world->rate_hz;
            lt_search_was_set(&world->search, !lacks(world, rate_hz), world->now_ns);
            break;
        case LT_SEARCH_LISTEN: {
            bool right = rate_hz == world->rate_hz &&
                         (world->right_looks == 0 || looks <= world->right_looks);
            const struct lt_frame *heard = (right ? world->right : world->wrong)[turn & 1];
            assert_true(until_ns > world->now_ns);
            world->now_ns += every_ns;
            if (heard)
                lt_search_hear(&world->search, heard, world->now_ns);
            break;
        }
        }
    }
    fail_msg("the search does not end");
}

static void each_usual_rate_is_found_and_looked_at_twice(void **state)
{
    (void)state;
    for (size_t i = 0; i < LT_SEARCH_RATES; i++) {
        struct world world = {
            .rate_hz = lt_search_rates_hz[i], .right = {&whole, &whole}, .wrong = {&stuff, &stuff}};
        run(&world, NULL);
        assert_int_equal(world.search.verdict, LT_VERDICT_FOUND);
        assert_int_equal(world.search.rates[world.search.at].rate_hz, world.rate_hz);
        assert_int_equal(world.sets, i + 2);
        assert_int_equal(world.set_hz[i], world.rate_hz);
        assert_int_equal(world.set_hz[i + 1], world.rate_hz);
    }
}

/* The task's own list. */
static void the_rates_are_the_nine_usual_ones(void **state)
{
    (void)state;
    static const uint32_t usual[] = {33333,  50000,  83333,  100000, 125000,
                                     250000, 500000, 800000, 1000000};
    for (size_t i = 0; i < COUNT_OF(usual); i++) {
        size_t found = 0;
        for (size_t j = 0; j < LT_SEARCH_RATES; j++)
            found += lt_search_rates_hz[j] == usual[i];
        assert_int_equal(found, 1);
    }
}

static void an_adapter_that_tells_no_errors_finds_it_by_silence_elsewhere(void **state)
{
    (void)state;
    struct world world = {.rate_hz = 800000, .right = {&whole, &whole}};
    run(&world, NULL);
    assert_int_equal(world.search.verdict, LT_VERDICT_FOUND);
    assert_int_equal(world.search.rates[world.search.at].rate_hz, 800000);
}

static void a_silent_bus_is_quiet_after_every_round(void **state)
{
    (void)state;
    struct world world = {0};
    run(&world, &(struct lt_search_options){.listen_ns = 100 * MS, .rounds = 3});
    assert_int_equal(world.search.verdict, LT_VERDICT_QUIET);
    assert_int_equal(world.sets, 3 * LT_SEARCH_RATES);
    assert_true(world.now_ns >= 3 * LT_SEARCH_RATES * 100 * MS);
}

static void frames_of_this_machine_prove_nothing(void **state)
{
    (void)state;
    struct world world = {.rate_hz = 500000, .right = {&ours, &ours}, .wrong = {&ours, &ours}};
    run(&world, &(struct lt_search_options){.listen_ns = 100 * MS});
    assert_int_equal(world.search.verdict, LT_VERDICT_QUIET);
}

static void errors_at_every_rate_are_no_rate(void **state)
{
    (void)state;
    struct world world = {.wrong = {&stuff, &stuff}};
    run(&world, NULL);
    assert_int_equal(world.search.verdict, LT_VERDICT_ERRORS);
    struct lt_bus_signs all = lt_search_all_signs(&world.search);
    assert_int_equal(all.frames, 0);
    assert_true(all.errors > 0);
    /* A rate with nothing but errors is left at once, not after a second each. */
    assert_true(world.now_ns < 2 * LT_SEARCH_RATES * 100 * MS);
}

static void frames_among_errors_are_never_accepted(void **state)
{
    (void)state;
    struct world world = {.rate_hz = 250000, .right = {&whole, &stuff}, .wrong = {&stuff, &stuff}};
    run(&world, NULL);
    assert_int_equal(world.search.verdict, LT_VERDICT_MIXED);
    assert_int_equal(world.search.rates[world.search.at].rate_hz, 250000);
}

/* What was still on its way from the rate before must not make a wrong rate good: it is wrong the
 * second time. */
static void once_is_not_enough(void **state)
{
    (void)state;
    struct world world = {
        .rate_hz = 500000, .right = {&whole, &whole}, .wrong = {&stuff, &stuff}, .right_looks = 1};
    run(&world, NULL);
    assert_int_equal(world.search.verdict, LT_VERDICT_MIXED);
}

static void what_comes_just_after_setting_is_not_counted(void **state)
{
    (void)state;
    struct lt_search search;
    uint32_t rate_hz;
    int64_t until_ns;
    lt_search_init(&search, &(struct lt_search_options){.enough = 4});
    assert_int_equal(lt_search_next(&search, 0, &rate_hz, &until_ns), LT_SEARCH_SET);
    lt_search_was_set(&search, true, 0);
    for (int i = 0; i < 10; i++)
        lt_search_hear(&search, &whole, 1 * MS);
    assert_int_equal(lt_search_next(&search, 1 * MS, &rate_hz, &until_ns), LT_SEARCH_LISTEN);
    for (int i = 0; i < 4; i++)
        lt_search_hear(&search, &whole, 100 * MS);
    assert_int_equal(lt_search_next(&search, 100 * MS, &rate_hz, &until_ns), LT_SEARCH_SET);
    assert_int_equal(rate_hz, 500000);
}

/* 16 frames at one every 300 ms take 4.8 s, five looks' time. */
static void a_bus_that_speaks_rarely_is_given_time(void **state)
{
    (void)state;
    struct world world = {.rate_hz = 125000, .right = {&whole, &whole}, .frame_every_ns = 300 * MS};
    run(&world, NULL);
    assert_int_equal(world.search.verdict, LT_VERDICT_FOUND);
}

static void too_few_frames_are_said_with_their_rate(void **state)
{
    (void)state;
    struct world world = {.rate_hz = 125000, .right = {&whole, &whole}, .frame_every_ns = 900 * MS};
    run(&world, NULL);
    assert_int_equal(world.search.verdict, LT_VERDICT_FEW);
    assert_int_equal(world.search.rates[world.search.at].rate_hz, 125000);
}

/* ISO 11898-1: only who sends can miss an acknowledgement or go bus-off. */
static void a_sign_of_sending_ends_the_search_at_once(void **state)
{
    (void)state;
    const struct lt_frame *signs[] = {&no_ack, &bus_off};
    for (size_t i = 0; i < COUNT_OF(signs); i++) {
        struct world world = {
            .rate_hz = 125000, .right = {&whole, &whole}, .wrong = {signs[i], signs[i]}};
        run(&world, NULL);
        assert_int_equal(world.search.verdict, LT_VERDICT_NOT_LISTENING);
        assert_int_equal(world.sets, 1);
        assert_true(world.now_ns <= 2 * MS);
    }
}

static void rates_that_the_adapter_lacks_are_passed_over(void **state)
{
    (void)state;
    struct world world = {.rate_hz = 100000,
                          .right = {&whole, &whole},
                          .wrong = {&stuff, &stuff},
                          .lacking_hz = {33333, 83333}};
    run(&world, NULL);
    assert_int_equal(world.search.verdict, LT_VERDICT_FOUND);
    assert_true(world.search.rates[4].missing && world.search.rates[5].missing);
    struct world none = {0};
    memcpy(none.lacking_hz, lt_search_rates_hz, sizeof none.lacking_hz);
    run(&none, NULL);
    assert_int_equal(none.search.verdict, LT_VERDICT_NO_RATE);
    assert_int_equal(none.sets, LT_SEARCH_RATES);
}

static void every_verdict_has_its_word(void **state)
{
    (void)state;
    for (int i = 0; i < LT_VERDICT_COUNT; i++)
        for (int j = 0; j < i; j++)
            assert_string_not_equal(lt_verdict_word(i), lt_verdict_word(j));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_usual_rate_is_found_and_looked_at_twice),
        cmocka_unit_test(the_rates_are_the_nine_usual_ones),
        cmocka_unit_test(an_adapter_that_tells_no_errors_finds_it_by_silence_elsewhere),
        cmocka_unit_test(a_silent_bus_is_quiet_after_every_round),
        cmocka_unit_test(frames_of_this_machine_prove_nothing),
        cmocka_unit_test(errors_at_every_rate_are_no_rate),
        cmocka_unit_test(frames_among_errors_are_never_accepted),
        cmocka_unit_test(once_is_not_enough),
        cmocka_unit_test(what_comes_just_after_setting_is_not_counted),
        cmocka_unit_test(a_bus_that_speaks_rarely_is_given_time),
        cmocka_unit_test(too_few_frames_are_said_with_their_rate),
        cmocka_unit_test(a_sign_of_sending_ends_the_search_at_once),
        cmocka_unit_test(rates_that_the_adapter_lacks_are_passed_over),
        cmocka_unit_test(every_verdict_has_its_word),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
