/* What a survey says of buses: load, bit rate, protocols. */
#include "made_bus.h"

#include "survey/bus_protocol.h"
#include "survey/bus_rate.h"

/* Ten messages, 11-bit, 8 bytes, 100 Hz each, 500 kbit/s: 27.0 % at worst and 22.2 % without stuff
 * bits (lengths of Davis, Burns, Bril, Lukkien, Real-Time Systems 35, 2007). */
static void load_is_that_of_the_published_frame_lengths(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 1);
    for (uint32_t id = 0x100; id < 0x10A; id++)
        made_cyclic(&made, 0, id, 10 * MADE_MS, 20 * MADE_S, "steady");
    struct lt_survey *survey = made_survey(&made, 500000);
    assert_true(fabs(survey->buses[0].load - 0.246) < 0.001);
    assert_true(survey->buses[0].bitrate_given);
    assert_non_null(strstr(survey->buses[0].say, "22.2 % without stuff bits, 27.0 % at worst"));
    assert_string_equal(survey->buses[1].say, "No frames.");
    made_end(&made);
}

/* Twelve frames every 20 ms, back to back; times at the end of frames, with stuff bits. */
static void make_queues(struct made_bus *made, uint32_t hz, int64_t step_ns)
{
    uint8_t data[8] = {0};
    for (int64_t t = 0; t < 20 * MADE_S; t += 20 * MADE_MS) {
        int64_t at_ns = t;
        for (uint32_t id = 0x200; id < 0x20C; id++) {
            uint64_t bits = 111 + made_random(made) % 12;
            at_ns += (int64_t)(bits * UINT64_C(1000000000) / hz);
            data[7]++;
            made_add(made, 0, id, at_ns / step_ns * step_ns, data, 8);
        }
    }
}

static void spacing_of_queued_frames_tells_the_bit_rate(void **state)
{
    static const uint32_t rates[] = {125000, 250000, 500000, 1000000};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rates); i++) {
        struct made_bus made;
        made_begin(&made, 2);
        make_queues(&made, rates[i], 1000);
        struct lt_survey *survey = made_survey(&made, 0);
        assert_int_equal(survey->buses[0].bitrate_hz, rates[i]);
        assert_false(survey->buses[0].bitrate_given);
        assert_non_null(strstr(survey->buses[0].say, "follow one another"));
        made_end(&made);
    }
}

static void a_coarse_clock_still_bounds_the_bit_rate(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 3);
    make_queues(&made, 500000, 100000);
    assert_int_equal(made_survey(&made, 0)->buses[0].bitrate_hz, 500000);
    made_end(&made);
}

static void a_quiet_bus_does_not_tell_its_bit_rate(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 4);
    made_cyclic(&made, 0, 0x321, 500 * MADE_MS, 60 * MADE_S, "quiet");
    struct lt_survey *survey = made_survey(&made, 0);
    assert_int_equal(survey->buses[0].bitrate_hz, 0);
    assert_non_null(strstr(survey->buses[0].say, "cannot tell"));
    made_end(&made);
}

/* EEC1 is 61444 (F004), CCVS 65265 (FEF1): SAE J1939-71 as makers' manuals quote it. */
static void j1939_is_known_by_its_groups(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 5);
    made_cyclic(&made, 0, 0x0CF00400, 20 * MADE_MS, 10 * MADE_S, "x");
    made_cyclic(&made, 0, 0x18FEF127, 100 * MADE_MS, 10 * MADE_S, "y");
    made_cyclic(&made, 0, 0x18FFAA27, 100 * MADE_MS, 10 * MADE_S, "z");
    struct lt_survey *survey = made_survey(&made, 0);
    assert_true(survey->buses[0].j1939);
    assert_int_equal(survey->buses[0].bitrate_hz, 250000);
    assert_string_equal(made_find(&made, 0, 0x0CF00400)->pgn_name, "EEC1");
    assert_string_equal(made_find(&made, 0, 0x18FEF127)->pgn_name, "CCVS");
    assert_non_null(strstr(survey->buses[0].say, "2 source addresses (0, 39)"));
    assert_false(survey->buses[0].only_diagnostics);
    made_end(&made);
}

static void chance_29_bit_identifiers_are_no_j1939(void **state)
{
    (void)state;
    for (uint64_t seed = 0; seed < 40; seed++) {
        struct made_bus made;
        made_begin(&made, 600 + seed);
        for (int i = 0; i < 20; i++)
            made_cyclic(&made, 0, 0x800 + (uint32_t)(made_random(&made) % 0x1FFFF000),
                        100 * MADE_MS, MADE_S, "w");
        assert_false(made_survey(&made, 0)->buses[0].j1939);
        made_end(&made);
    }
}

/* Among thousands of random identifiers are some of J1939's. */
static void identifiers_that_come_once_are_no_bus(void **state)
{
    static const uint32_t groups[] = {0x0CF00400, 0x18FEF127, 0x18EEFF27};
    struct made_bus made;
    (void)state;
    made_begin(&made, 60);
    for (unsigned i = 0; i < 1000; i++) {
        uint8_t data[8];
        for (unsigned k = 0; k < 8; k++)
            data[k] = (uint8_t)made_random(&made);
        uint32_t id = i < COUNT_OF(groups) ? groups[i] : 0x800 + made_random(&made) % 0x1FFFF000;
        made_add(&made, 0, id, (int64_t)i * MADE_MS, data, 8);
    }
    struct lt_survey *survey = made_survey(&made, 0);
    assert_false(survey->buses[0].j1939);
    assert_non_null(strstr(survey->buses[0].say, "came once or twice"));
    assert_null(strstr(survey->buses[0].say, "asleep"));
    made_end(&made);
}

static void talk(struct made_bus *made, unsigned bus)
{
    for (int64_t t = 0; t < 60 * MADE_S; t += 250 * MADE_MS) {
        made_add(made, bus, 0x7DF, t, "\x02\x01\x0C\x00\x00\x00\x00\x00", 8);
        made_add(made, bus, 0x7E8, t + 9 * MADE_MS, "\x04\x41\x0C\x1A\xF8\xAA\xAA\xAA", 8);
        made_add(made, bus, 0x7E1, t + 30 * MADE_MS, "\x03\x22\xF1\x90\x00\x00\x00\x00", 8);
        made_add(made, bus, 0x7E9, t + 41 * MADE_MS, "\x03\x7F\x22\x31\xAA\xAA\xAA\xAA", 8);
    }
}

static void a_bus_with_nothing_but_diagnostics_is_said_to_hide(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 7);
    talk(&made, 0);
    struct lt_survey_bus *bus = &made_survey(&made, 0)->buses[0];
    assert_true(bus->only_diagnostics);
    assert_int_equal(bus->obd_requests, 480);
    assert_int_equal(bus->obd_replies, 480);
    assert_non_null(strstr(bus->say, "a gateway hides the bus, measure behind it"));
    assert_non_null(strstr(bus->say, "UDS: services 22."));
    made_end(&made);
}

static void diagnostics_beside_traffic_hide_nothing(void **state)
{
    struct made_bus made;
    uint8_t data[8] = {0};
    (void)state;
    made_begin(&made, 8);
    talk(&made, 0);
    for (int64_t t = 0; t < 60 * MADE_S; t += 100 * MADE_MS)
        for (uint32_t id = 0x101; id < 0x106; id++) {
            made_put16(data, 2000 + 900 * sin((double)t / 2e9 + id));
            made_add(&made, 0, id, t + id * 1000, data, 8);
        }
    assert_false(made_survey(&made, 0)->buses[0].only_diagnostics);
    made_end(&made);
}

static void questions_without_answers_are_said(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 9);
    for (int64_t t = 0; t < 20 * MADE_S; t += 200 * MADE_MS)
        made_add(&made, 0, 0x7DF, t, "\x02\x01\x00\x00\x00\x00\x00\x00", 8);
    assert_non_null(strstr(made_survey(&made, 0)->buses[0].say, "Nothing answers"));
    made_end(&made);
}

static void the_data_phase_of_fd_frames_is_an_assumption_that_is_said(void **state)
{
    struct made_bus made;
    uint8_t data[64] = {0};
    (void)state;
    made_begin(&made, 10);
    for (int64_t t = 0; t < 10 * MADE_S; t += 10 * MADE_MS)
        made_add(&made, 0, 0x123, t, data, 64)->flags |= LT_FRAME_FD | LT_FRAME_BRS;
    struct lt_survey_bus *bus = &made_survey(&made, 500000)->buses[0];
    /* 29 bits at 500 kbit/s and some 550 at 2 Mbit/s, a hundred times a second. */
    assert_true(bus->load > 0.03 && bus->load < 0.04);
    assert_non_null(strstr(bus->say, "2 Mbit/s (an assumption"));
    made_end(&made);
}

/* --- bad input --- */

static void nothing_at_all_is_a_survey_too(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 11);
    struct lt_survey *survey = made_survey(&made, 0);
    assert_int_equal(survey->frame_count, 0);
    assert_int_equal(survey->group_count, 0);
    assert_int_equal(survey->buses[0].bitrate_hz, 0);
    made_end(&made);
}

static void one_frame_claims_nothing(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 12);
    made_add(&made, 0, 0x123, 5 * MADE_S, "\x01\x02\x03", 3);
    struct lt_survey *survey = made_survey(&made, 0);
    assert_int_equal(survey->buses[0].bitrate_hz, 0);
    assert_false(survey->frames[0].only_with_activity);
    assert_int_equal(survey->frames[0].copy_of, 0);
    made_end(&made);
}

static void frames_without_times_have_no_load(void **state)
{
    struct made_bus made;
    (void)state;
    made_begin(&made, 13);
    for (unsigned i = 0; i < 500; i++)
        made_add(&made, 0, 0x100 + i % 5, LT_NO_TIME, "\x01\x02\x03", 3);
    struct lt_survey *survey = made_survey(&made, 0);
    assert_true(survey->buses[0].load == 0);
    assert_non_null(strstr(survey->buses[0].say, "no times"));
    made_end(&made);
}

static void time_that_runs_backwards_is_survived(void **state)
{
    struct made_bus made;
    uint8_t data[8] = {0};
    (void)state;
    made_begin(&made, 14);
    made.as_added = true;
    for (int64_t i = 0; i < 2000; i++) {
        made_put16(data, (double)(i % 700));
        made_add(&made, (unsigned)(i % 2), 0x100 + (uint32_t)(i % 6),
                 100 * MADE_S - i * 10 * MADE_MS, data, 8);
    }
    struct lt_survey *survey = made_survey(&made, 0);
    assert_true(survey->buses[0].load >= 0 && isfinite(survey->buses[0].load));
    for (size_t i = 0; i < survey->frame_count; i++)
        assert_false(survey->frames[i].only_with_activity);
    made_end(&made);
}

static void thousands_of_identifiers_are_survived(void **state)
{
    struct made_bus made;
    uint8_t data[8];
    (void)state;
    made_begin(&made, 15);
    for (int64_t i = 0; i < 30000; i++) {
        uint64_t random = made_random(&made);
        memcpy(data, &random, 8);
        made_add(&made, 0, (uint32_t)(made_random(&made) % 0x1FFFFFFF) >> i % 19, i * MADE_MS, data,
                 8);
    }
    struct lt_survey *survey = made_survey(&made, 0);
    assert_int_equal(survey->group_count, 0);
    for (size_t i = 0; i < survey->frame_count; i++)
        assert_int_equal(survey->frames[i].copy_of, 0);
    made_end(&made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(load_is_that_of_the_published_frame_lengths),
        cmocka_unit_test(spacing_of_queued_frames_tells_the_bit_rate),
        cmocka_unit_test(a_coarse_clock_still_bounds_the_bit_rate),
        cmocka_unit_test(a_quiet_bus_does_not_tell_its_bit_rate),
        cmocka_unit_test(j1939_is_known_by_its_groups),
        cmocka_unit_test(identifiers_that_come_once_are_no_bus),
        cmocka_unit_test(chance_29_bit_identifiers_are_no_j1939),
        cmocka_unit_test(a_bus_with_nothing_but_diagnostics_is_said_to_hide),
        cmocka_unit_test(diagnostics_beside_traffic_hide_nothing),
        cmocka_unit_test(questions_without_answers_are_said),
        cmocka_unit_test(the_data_phase_of_fd_frames_is_an_assumption_that_is_said),
        cmocka_unit_test(nothing_at_all_is_a_survey_too),
        cmocka_unit_test(one_frame_claims_nothing),
        cmocka_unit_test(frames_without_times_have_no_load),
        cmocka_unit_test(time_that_runs_backwards_is_survived),
        cmocka_unit_test(thousands_of_identifiers_are_survived),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
