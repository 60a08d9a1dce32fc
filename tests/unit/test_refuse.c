/* What may never be sent. Identifiers: ISO 15765-4 (7DF, 7E0..7EF, 18DA/18DB), ISO 15765-2 (PF of
 * fixed and mixed addressing), CiA 301 (000), SAE J1939-81 (EE00, FED8), SAE J1939-73 (DM1 FECA,
 * DM3 FECC, DM11 FED3). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "loomtap/live/refuse.h"

static struct lt_frame_def own(uint32_t id, bool extended)
{
    return (struct lt_frame_def){.name = "own",
                                 .id = id,
                                 .extended = extended,
                                 .bus = 0,
                                 .source = LT_NONE,
                                 .period_ns = 100000000,
                                 .direction = LT_SEND};
}

static struct lt_frame_def own_pgn(uint32_t pgn, uint32_t source)
{
    struct lt_frame_def def = own(0x18000000 | pgn << 8 | (source & 0xFF), true);
    def.is_pgn = true;
    def.pgn = pgn;
    def.source = source;
    return def;
}

static void identifiers_of_testers_and_of_the_network(void **state)
{
    static const struct {
        uint32_t id;
        bool extended;
        enum lt_refusal wanted;
    } cases[] = {
        {0x7DF, false, LT_REFUSE_DIAGNOSTIC},
        {0x7E0, false, LT_REFUSE_DIAGNOSTIC},
        {0x7E8, false, LT_REFUSE_DIAGNOSTIC},
        {0x7EF, false, LT_REFUSE_DIAGNOSTIC},
        {0x700, false, LT_REFUSE_DIAGNOSTIC},
        {0x7FF, false, LT_REFUSE_DIAGNOSTIC},
        {0x6FF, false, LT_REFUSE_NOTHING},
        {0x6A0, false, LT_REFUSE_NOTHING},
        {0x000, false, LT_REFUSE_NETWORK},
        {0x001, false, LT_REFUSE_NOTHING},
        {0x3FF, false, LT_REFUSE_NOTHING},
        {0x400, false, LT_REFUSE_NETWORK},
        {0x43F, false, LT_REFUSE_NETWORK},
        {0x440, false, LT_REFUSE_NOTHING},
        {0x500, false, LT_REFUSE_NETWORK},
        {0x53F, false, LT_REFUSE_NETWORK},
        {0x540, false, LT_REFUSE_NOTHING},
        {0x18DA10F1, true, LT_REFUSE_DIAGNOSTIC},
        {0x18DB33F1, true, LT_REFUSE_DIAGNOSTIC},
        {0x14DAF110, true, LT_REFUSE_DIAGNOSTIC}, /* another priority */
        {0x18CEF110, true, LT_REFUSE_DIAGNOSTIC},
        {0x18EEFF00, true, LT_REFUSE_NETWORK},
        {0x19DA10F1, true, LT_REFUSE_NOTHING}, /* another data page */
        {0x000007DF, true, LT_REFUSE_NOTHING}, /* the same number in 29 bits is another frame */
        {0x18FECA80, true, LT_REFUSE_NOTHING},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++)
        assert_int_equal(lt_refuse_id(cases[i].id, cases[i].extended), cases[i].wanted);
}

static void only_declared_frames_that_can_be_made_at_a_rate(void **state)
{
    struct lt_frame_def def = own(0x6A0, false);
    (void)state;
    assert_int_equal(lt_refuse_frame(&def), LT_REFUSE_NOTHING);
    def.period_ns = 0;
    assert_int_equal(lt_refuse_frame(&def), LT_REFUSE_NO_PERIOD);
    def.authenticated = true;
    assert_int_equal(lt_refuse_frame(&def), LT_REFUSE_AUTHENTICATED);
    def.direction = LT_LISTEN;
    assert_int_equal(lt_refuse_frame(&def), LT_REFUSE_DIRECTION);
    def = own(0x7DF, false);
    assert_int_equal(lt_refuse_frame(&def), LT_REFUSE_DIAGNOSTIC);
}

static void groups_of_j1939_that_command_others(void **state)
{
    static const struct {
        uint32_t pgn, source;
        enum lt_refusal wanted;
    } cases[] = {
        {0xFECA, 0x80, LT_REFUSE_NOTHING}, /* DM1 */
        {0xFECA, LT_NONE, LT_REFUSE_NO_ADDRESS}, {0xFECA, 254, LT_REFUSE_NO_ADDRESS},
        {0xFECA, 255, LT_REFUSE_NO_ADDRESS},     {0xFECA, 253, LT_REFUSE_NOTHING},
        {0x0000, 0x80, LT_REFUSE_NOTHING}, /* TSC1, where a controller was set up to accept it */
        {0xFECC, 0x80, LT_REFUSE_DIAGNOSTIC},    {0xFED3, 0x80, LT_REFUSE_DIAGNOSTIC},
        {0xDF00, 0x80, LT_REFUSE_DIAGNOSTIC},    {0xEE00, 0x80, LT_REFUSE_NETWORK},
        {0xFED8, 0x80, LT_REFUSE_NETWORK},       {0xEA00, 0x80, LT_REFUSE_NETWORK},
        {0xEB00, 0x80, LT_REFUSE_NETWORK},       {0xEC00, 0x80, LT_REFUSE_NETWORK},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        const struct lt_frame_def def = own_pgn(cases[i].pgn, cases[i].source);
        assert_int_equal(lt_refuse_frame(&def), cases[i].wanted);
    }
}

static enum lt_refusal known(struct lt_frame_def send, struct lt_frame_def theirs, bool any_bus)
{
    struct lt_frame_def frames[] = {own(0x123, false), theirs};
    const struct lt_profile profile = {.frames = frames, .frame_count = 2};
    uint32_t found = 77;
    enum lt_refusal refusal = lt_refuse_known(&send, &profile, any_bus, &found);
    assert_int_equal(found, refusal == LT_REFUSE_NOTHING ? 77 : 1);
    return refusal;
}

static void what_the_car_is_known_to_send(void **state)
{
    struct lt_frame_def theirs = own(0x6A0, false);
    (void)state;
    assert_int_equal(known(own(0x6A0, false), theirs, false), LT_REFUSE_NOTHING); /* ours too */
    theirs.direction = LT_LISTEN;
    assert_int_equal(known(own(0x6A0, false), theirs, false), LT_REFUSE_KNOWN);
    assert_int_equal(known(own(0x6A0, true), theirs, false), LT_REFUSE_NOTHING);
    assert_int_equal(known(own(0x6A1, false), theirs, false), LT_REFUSE_NOTHING);
    theirs.bus = 1;
    assert_int_equal(known(own(0x6A0, false), theirs, false), LT_REFUSE_NOTHING);
    assert_int_equal(known(own(0x6A0, false), theirs, true), LT_REFUSE_KNOWN);
    theirs.bus = LT_NONE;
    assert_int_equal(known(own(0x6A0, false), theirs, false), LT_REFUSE_KNOWN);
}

static void addresses_that_the_car_is_known_to_have(void **state)
{
    struct lt_frame_def theirs = own_pgn(0xFECA, 0x80);
    (void)state;
    theirs.direction = LT_LISTEN;
    assert_int_equal(known(own_pgn(0xFECA, 0x80), theirs, false), LT_REFUSE_KNOWN);
    assert_int_equal(known(own_pgn(0xFEEE, 0x80), theirs, false), LT_REFUSE_KNOWN_ADDRESS);
    assert_int_equal(known(own_pgn(0xFECA, 0x81), theirs, false), LT_REFUSE_NOTHING);
    /* Written as an identifier, with another priority. */
    assert_int_equal(known(own(0x0CFECA80, true), theirs, false), LT_REFUSE_KNOWN);
    theirs.source = LT_NONE; /* heard from anyone: says nothing about this address */
    assert_int_equal(known(own_pgn(0xFECA, 0x80), theirs, false), LT_REFUSE_NOTHING);
}

static enum lt_refusal heard(struct lt_frame_def send, uint32_t id, uint16_t flags)
{
    const struct lt_frame frame = {.id = id, .flags = flags};
    return lt_refuse_heard(&send, &frame);
}

static void what_another_node_is_heard_to_send(void **state)
{
    (void)state;
    assert_int_equal(heard(own(0x6A0, false), 0x6A0, 0), LT_REFUSE_HEARD);
    assert_int_equal(heard(own(0x6A0, false), 0x6A0, LT_FRAME_SENT), LT_REFUSE_HEARD);
    assert_int_equal(heard(own(0x6A0, false), 0x6A1, 0), LT_REFUSE_NOTHING);
    assert_int_equal(heard(own(0x6A0, false), 0x6A0, LT_FRAME_EXTENDED), LT_REFUSE_NOTHING);
    assert_int_equal(heard(own(0x6A0, false), 0x6A0, LT_FRAME_REMOTE), LT_REFUSE_NOTHING);
    assert_int_equal(heard(own(0x40, false), 0x40, LT_FRAME_ERROR), LT_REFUSE_NOTHING);
    struct lt_frame_def dm1 = own_pgn(0xFECA, 0x80);
    assert_int_equal(heard(dm1, 0x18FECA80, LT_FRAME_EXTENDED), LT_REFUSE_HEARD);
    assert_int_equal(heard(dm1, 0x0CFECA80, LT_FRAME_EXTENDED), LT_REFUSE_HEARD);
    assert_int_equal(heard(dm1, 0x0CF00480, LT_FRAME_EXTENDED), LT_REFUSE_HEARD_ADDRESS);
    assert_int_equal(heard(dm1, 0x18FECA00, LT_FRAME_EXTENDED), LT_REFUSE_NOTHING);
    assert_int_equal(heard(dm1, 0x480, 0), LT_REFUSE_NOTHING);
}

static void every_refusal_says_why_and_what_to_do(void **state)
{
    (void)state;
    for (int i = LT_REFUSE_NOTHING + 1; i < LT_REFUSAL_COUNT; i++) {
        assert_true(lt_refusal_text(i)[0]);
        assert_true(lt_refusal_advice(i)[0]);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(identifiers_of_testers_and_of_the_network),
        cmocka_unit_test(only_declared_frames_that_can_be_made_at_a_rate),
        cmocka_unit_test(groups_of_j1939_that_command_others),
        cmocka_unit_test(what_the_car_is_known_to_send),
        cmocka_unit_test(addresses_that_the_car_is_known_to_have),
        cmocka_unit_test(what_another_node_is_heard_to_send),
        cmocka_unit_test(every_refusal_says_why_and_what_to_do),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
