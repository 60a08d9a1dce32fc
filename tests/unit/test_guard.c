/* What goes out and what ends it, step by step, with times in milliseconds. The check byte is
 * CRC-8 SAE J1850 (CRC RevEng catalogue: poly 1D, init FF, xorout FF), worked out here bit by bit.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "loomtap/defs/load.h"
#include "loomtap/live/guard.h"

#define MS   INT64_C(1000000)
#define REAL INT64_C(1700000000000000000) /* the capture's clock at the other one's zero */

static const char profile_text[] =
    "[profile]\nformat = 1\nname = stage\n[bus b]\ninterface = vcan0\n[bus c]\ninterface = vcan1\n"
    "[frame car]\nbus = b\nid = 0x100\nlength = 2\nperiod_ms = 500\n"
    "[signal a]\nframe = car\nbits = 0.7..0.0\n"
    "[frame slow]\nbus = b\nid = 0x101\nlength = 2\nperiod_ms = 5000\n"
    "[signal z]\nframe = slow\nbits = 0.7..0.0\n"
    "[frame out]\nbus = b\nid = 0x6A0\nlength = 8\nperiod_ms = 100\ncounter = 6.3..6.0\n"
    "checksum = crc8-sae-j1850 over 0..6 in 7\ndirection = send\n"
    "[signal lamp]\nframe = out\nbits = 0.1..0.0\n"
    "[frame fast]\nbus = c\nid = 0x6A2\nlength = 2\nperiod_ms = 10\ndirection = send\n"
    "[signal lamp_fast]\nframe = fast\nbits = 0.1..0.0\n"
    "[warning w]\nwhen = a > 10\nsend = out lamp=1\n"
    "[warning v]\nwhen = a > 20\nsend = fast lamp_fast=1\n";
enum { CAR, SLOW, OUT, FAST };

struct stage {
    struct lt_profile *profile;
    struct lt_guard *guard;
};

static const uint16_t buses[] = {0, 0, 0, 1};

static void begin(struct stage *s, bool armed)
{
    struct lt_faults faults;
    lt_faults_init(&faults, 0);
    assert_int_equal(
        lt_profile_load_memory(&s->profile, "stage", lt_text_of(profile_text), &faults), LT_OK);
    lt_faults_release(&faults);
    const struct lt_guard_options options = {
        .profile = s->profile,
        .buses = buses,
        .armed = armed,
        .listen_ns = lt_guard_listen_ns(s->profile),
    };
    assert_int_equal(lt_guard_new(&s->guard, &options, NULL), LT_OK);
}

static void end(struct stage *s)
{
    lt_guard_free(s->guard);
    lt_profile_free(s->profile);
}

static void hear(struct stage *s, uint16_t bus, uint32_t id, uint16_t flags)
{
    const struct lt_frame frame = {.bus = bus, .id = id, .flags = flags, .len = 2};
    assert_false(lt_guard_heard(s->guard, &frame, 0));
}

/* Listening is over at 5000 ms. */
static void begin_sending(struct stage *s)
{
    begin(s, true);
    assert_int_equal(lt_guard_state(s->guard), LT_GUARD_LISTENING);
    for (int64_t at = 0; at < 5000; at += 500) {
        assert_true(lt_guard_alive(s->guard, at * MS));
        hear(s, 0, 0x100, 0);
        assert_int_equal(lt_guard_state(s->guard), LT_GUARD_LISTENING);
    }
    assert_true(lt_guard_alive(s->guard, 5000 * MS));
    assert_int_equal(lt_guard_state(s->guard), LT_GUARD_SENDING);
}

static struct lt_frame lamp(int64_t at_ms, uint8_t value)
{
    struct lt_frame frame = {
        .time_ns = REAL + at_ms * MS, .id = 0x6A0, .len = 8, .raw_dlc = 8, .bus = 0};
    frame.data[0] = value;
    return frame;
}

/* The engine wants it at its own time. */
static enum lt_guard_fate want(struct stage *s, int64_t at_ms, uint8_t value, bool is_clear)
{
    const struct lt_frame frame = lamp(at_ms, value);
    return lt_guard_wants(s->guard, OUT, &frame, is_clear, REAL + at_ms * MS);
}

static bool goes_out(struct stage *s, int64_t at_us, struct lt_guard_out *ret_out)
{
    if (!lt_guard_next(s->guard, at_us * 1000, ret_out))
        return false;
    lt_guard_sent(s->guard, at_us * 1000, REAL + at_us * 1000, true);
    return true;
}

static uint8_t crc8_j1850(const uint8_t *bytes, size_t len)
{
    uint8_t crc = 0xFF;
    for (size_t i = 0; i < len; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = (uint8_t)(crc << 1 ^ (crc & 0x80 ? 0x1D : 0));
    }
    return crc ^ 0xFF;
}

static void it_listens_for_ten_of_the_longest_periods_in_use(void **state)
{
    struct stage s;
    (void)state;
    begin(&s, true);
    /* 500 ms of an input; the 5 s of a frame that no warning needs do not count. */
    assert_int_equal(lt_guard_listen_ns(s.profile), 5000 * MS);
    end(&s);
}

static void nothing_is_sent_while_listening_or_unarmed(void **state)
{
    struct stage s;
    struct lt_guard_out out;
    (void)state;
    for (int armed = 0; armed < 2; armed++) {
        begin(&s, armed);
        lt_guard_alive(s.guard, 0);
        hear(&s, 0, 0x100, 0);
        assert_int_equal(want(&s, 10, 1, false), armed ? LT_GUARD_NOT_YET : LT_GUARD_NOT_ARMED);
        assert_false(lt_guard_next(s.guard, 20 * MS, &out));
        lt_guard_alive(s.guard, 900 * MS);
        assert_false(lt_guard_next(s.guard, 900 * MS, &out));
        end(&s);
    }
}

static void bytes_counter_and_check_are_right_over_many_cycles(void **state)
{
    struct stage s;
    struct lt_guard_out out;
    (void)state;
    begin_sending(&s);
    for (int i = 0; i < 1000; i++) {
        int64_t at = 5000 + 100 * i;
        assert_true(lt_guard_alive(s.guard, at * MS));
        assert_int_equal(want(&s, at, 2, false), LT_GUARD_WAITS);
        /* A few hundredths of a millisecond late, never the same. */
        assert_true(goes_out(&s, at * 1000 + i * 37 % 900, &out));
        assert_int_equal(out.index, OUT);
        assert_int_equal(out.frame.data[0], 2);
        assert_int_equal(out.frame.data[6] & 15, i % 16);
        assert_int_equal(out.frame.data[7], crc8_j1850(out.frame.data, 7));
        struct lt_frame echo = out.frame;
        echo.flags |= LT_FRAME_SENT;
        assert_true(lt_guard_heard(s.guard, &echo, at * MS));
    }
    assert_int_equal(lt_guard_counts(s.guard)->sent, 1000);
    assert_int_equal(lt_guard_counts(s.guard)->left_out, 0);
    end(&s);
}

static void the_counter_goes_on_from_what_the_engine_counted_while_listening(void **state)
{
    struct stage s;
    struct lt_guard_out out;
    (void)state;
    begin(&s, true);
    lt_guard_alive(s.guard, 0);
    hear(&s, 0, 0x100, 0);
    for (int i = 0; i < 3; i++)
        want(&s, 100 * i, 1, false);
    for (int64_t at = 500; at <= 5000; at += 500)
        lt_guard_alive(s.guard, at * MS);
    want(&s, 5000, 1, false);
    assert_true(goes_out(&s, 5000000, &out));
    assert_int_equal(out.frame.data[6] & 15, 3);
    end(&s);
}

static void never_closer_than_the_period_and_the_newest_wins(void **state)
{
    struct stage s;
    struct lt_guard_out out;
    (void)state;
    begin_sending(&s);
    want(&s, 5000, 1, false);
    assert_true(goes_out(&s, 5080000, &out)); /* the machine was busy */
    want(&s, 5100, 2, false);
    assert_false(goes_out(&s, 5100000, &out));
    assert_int_equal(lt_guard_due_ns(s.guard), 5179 * MS); /* a period less a millisecond */
    assert_false(goes_out(&s, 5178999, &out));
    want(&s, 5178, 3, false);
    assert_true(goes_out(&s, 5179000, &out));
    assert_int_equal(out.frame.data[0], 3);
    assert_int_equal(out.frame.data[6] & 15, 1); /* what was left out is no gap */
    assert_false(goes_out(&s, 5179000, &out));
    assert_int_equal(lt_guard_counts(s.guard)->left_out, 1);
    end(&s);
}

static void what_is_more_than_a_period_late_is_left_out(void **state)
{
    struct stage s;
    struct lt_guard_out out;
    (void)state;
    begin_sending(&s);
    const struct lt_frame frame = lamp(5000, 1);
    assert_int_equal(lt_guard_wants(s.guard, OUT, &frame, false, REAL + 5100 * MS), LT_GUARD_WAITS);
    assert_int_equal(lt_guard_wants(s.guard, OUT, &frame, false, REAL + 5100 * MS + 1),
                     LT_GUARD_LATE);
    assert_true(goes_out(&s, 5100000, &out));
    end(&s);
}

static void a_process_that_stood_still_listens_again_and_sends_no_burst(void **state)
{
    struct stage s;
    struct lt_guard_out out;
    (void)state;
    begin_sending(&s);
    want(&s, 5000, 1, false);
    assert_true(goes_out(&s, 5000000, &out));
    want(&s, 5100, 1, false);                        /* waits, and then: stopped for a minute */
    assert_true(lt_guard_alive(s.guard, 6000 * MS)); /* exactly a second is not long */
    assert_false(lt_guard_next(s.guard, 65000 * MS, &out)); /* before anyone has noticed */
    assert_false(lt_guard_alive(s.guard, 65000 * MS));
    assert_int_equal(lt_guard_state(s.guard), LT_GUARD_LISTENING);
    for (int64_t at = 5200; at < 65000; at += 100) /* the engine catches up */
        assert_int_equal(want(&s, at, 1, false), LT_GUARD_NOT_YET);
    assert_false(goes_out(&s, 65000000, &out));
    for (int64_t at = 65500; at <= 70000; at += 500) {
        hear(&s, 0, 0x100, 0);
        assert_true(lt_guard_alive(s.guard, at * MS));
    }
    assert_int_equal(lt_guard_state(s.guard), LT_GUARD_SENDING);
    want(&s, 70000, 1, false);
    assert_true(goes_out(&s, 70000000, &out));
    assert_int_equal(out.frame.data[6] & 15, 1); /* renewed: the next counter */
    assert_false(goes_out(&s, 70000000, &out));
    assert_int_equal(lt_guard_counts(s.guard)->stalls, 1);
    assert_int_equal(lt_guard_counts(s.guard)->left_out, 1); /* what waited */
    end(&s);
}

static void a_foreign_sender_while_listening_refuses_for_good(void **state)
{
    struct stage s;
    uint32_t index;
    enum lt_refusal refusal;
    (void)state;
    begin(&s, true);
    lt_guard_alive(s.guard, 0);
    hear(&s, 1, 0x6A0, 0); /* on the other bus it is another frame */
    hear(&s, 0, 0x6A0, LT_FRAME_REMOTE);
    assert_int_equal(lt_guard_state(s.guard), LT_GUARD_LISTENING);
    hear(&s, 0, 0x6A0, LT_FRAME_SENT); /* by another program of this machine */
    assert_int_equal(lt_guard_state(s.guard), LT_GUARD_STOPPED);
    assert_int_equal(lt_guard_stop(s.guard, &index, &refusal), LT_GUARD_REFUSED);
    assert_int_equal(index, OUT);
    assert_int_equal(refusal, LT_REFUSE_HEARD);
    for (int64_t at = 500; at <= 6000; at += 500)
        lt_guard_alive(s.guard, at * MS);
    assert_int_equal(want(&s, 6000, 1, false), LT_GUARD_ENDED);
    end(&s);
}

static void a_foreign_sender_ends_sending_and_what_waits(void **state)
{
    struct stage s;
    struct lt_guard_out out;
    (void)state;
    begin_sending(&s);
    want(&s, 5000, 1, false);
    assert_true(goes_out(&s, 5000000, &out));
    struct lt_frame echo = out.frame;
    echo.flags |= LT_FRAME_SENT;
    assert_true(lt_guard_heard(s.guard, &echo, 0));
    assert_int_equal(lt_guard_state(s.guard), LT_GUARD_SENDING);
    want(&s, 5100, 1, false);
    assert_false(lt_guard_heard(s.guard, &echo, 0)); /* the same once more was not ours */
    assert_int_equal(lt_guard_stop(s.guard, NULL, NULL), LT_GUARD_FOREIGN);
    assert_false(goes_out(&s, 5200000, &out));
    assert_int_equal(want(&s, 5200, 0, true), LT_GUARD_ENDED); /* no all-clear either */
    end(&s);
}

static void unarmed_a_foreign_sender_is_noted_and_nothing_ends(void **state)
{
    struct stage s;
    (void)state;
    begin(&s, false);
    lt_guard_alive(s.guard, 0);
    hear(&s, 0, 0x6A0, 0);
    hear(&s, 0, 0x6A0, 0);
    assert_int_equal(lt_guard_state(s.guard), LT_GUARD_SHOWING);
    assert_int_equal(lt_guard_stop(s.guard, NULL, NULL), LT_GUARD_REFUSED);
    assert_int_equal(lt_guard_counts(s.guard)->foreign, 2);
    end(&s);
}

static void bus_off_down_and_gone_end_it_where_it_sends(void **state)
{
    struct stage s;
    (void)state;
    static const enum lt_guard_stop wanted[] = {LT_GUARD_BUS_OFF, LT_GUARD_DOWN, LT_GUARD_GONE,
                                                LT_GUARD_GOES_ON, LT_GUARD_GOES_ON};
    for (int i = 0; i < 5; i++) {
        begin_sending(&s);
        if (i == 0) /* linux/can/error.h: CAN_ERR_BUSOFF */
            hear(&s, 0, 0x40, LT_FRAME_ERROR);
        else if (i < 3)
            lt_guard_bus_away(s.guard, i == 1 ? 0 : 1, i == 2);
        else if (i == 3)
            hear(&s, 0, 0x04, LT_FRAME_ERROR); /* error passive, say */
        else
            lt_guard_bus_away(s.guard, 7, false); /* a bus that is only listened to */
        assert_int_equal(lt_guard_stop(s.guard, NULL, NULL), wanted[i]);
        assert_int_equal(lt_guard_state(s.guard),
                         wanted[i] == LT_GUARD_GOES_ON ? LT_GUARD_SENDING : LT_GUARD_STOPPED);
        end(&s);
    }
}

static void inputs_that_stay_lost_end_it(void **state)
{
    struct stage s;
    (void)state;
    begin_sending(&s);
    lt_guard_inputs(s.guard, true, 5000 * MS);
    lt_guard_inputs(s.guard, true, 14999 * MS);
    lt_guard_inputs(s.guard, false, 14999 * MS); /* one is back: begins anew */
    lt_guard_inputs(s.guard, true, 15000 * MS);
    lt_guard_inputs(s.guard, true, 24999 * MS);
    assert_int_equal(lt_guard_state(s.guard), LT_GUARD_SENDING);
    lt_guard_inputs(s.guard, true, 25000 * MS);
    assert_int_equal(lt_guard_stop(s.guard, NULL, NULL), LT_GUARD_LOST);
    end(&s);
}

static void a_silent_bus_tells_nothing_of_who_sends_there(void **state)
{
    struct stage s;
    (void)state;
    begin(&s, true);
    for (int64_t at = 0; at <= 5000; at += 500)
        lt_guard_alive(s.guard, at * MS);
    assert_int_equal(lt_guard_stop(s.guard, NULL, NULL), LT_GUARD_SILENT);
    end(&s);
}

static void an_all_clear_only_of_what_was_sent(void **state)
{
    struct stage s;
    struct lt_guard_out out;
    (void)state;
    begin_sending(&s);
    assert_int_equal(want(&s, 5000, 0, true), LT_GUARD_NO_CLEAR);
    want(&s, 5000, 1, false);
    assert_true(goes_out(&s, 5000000, &out));
    const struct lt_frame clear = lamp(5100, 0); /* however late: it ends the run */
    assert_int_equal(lt_guard_wants(s.guard, OUT, &clear, true, REAL + 5900 * MS), LT_GUARD_WAITS);
    assert_true(goes_out(&s, 5900000, &out));
    assert_true(out.is_clear);
    assert_int_equal(lt_guard_counts(s.guard)->clears, 1);
    end(&s);
}

static void what_the_interface_does_not_take_ends_it(void **state)
{
    struct stage s;
    struct lt_guard_out out;
    (void)state;
    begin_sending(&s);
    want(&s, 5000, 1, false);
    assert_true(lt_guard_next(s.guard, 5000 * MS, &out));
    lt_guard_sent(s.guard, 5000 * MS, REAL, false);
    assert_int_equal(lt_guard_stop(s.guard, NULL, NULL), LT_GUARD_NOT_TAKEN);
    assert_int_equal(lt_guard_counts(s.guard)->sent, 0);
    end(&s);
}

static void what_is_not_heard_back_is_told(void **state)
{
    struct stage s;
    struct lt_guard_out out;
    struct lt_frame frame;
    (void)state;
    begin_sending(&s);
    want(&s, 5000, 1, false);
    assert_true(goes_out(&s, 5000000, &out));
    assert_false(lt_guard_unseen(s.guard, 5999 * MS, &frame));
    assert_true(lt_guard_unseen(s.guard, 6000 * MS, &frame));
    assert_int_equal(frame.id, 0x6A0);
    assert_false(lt_guard_unseen(s.guard, INT64_MAX, &frame));
    assert_int_equal(lt_guard_counts(s.guard)->unseen, 1);
    end(&s);
}

static void every_end_is_said(void **state)
{
    (void)state;
    for (int i = LT_GUARD_GOES_ON + 1; i < LT_GUARD_STOP_COUNT; i++)
        assert_true(lt_guard_stop_text(i)[0]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(it_listens_for_ten_of_the_longest_periods_in_use),
        cmocka_unit_test(nothing_is_sent_while_listening_or_unarmed),
        cmocka_unit_test(bytes_counter_and_check_are_right_over_many_cycles),
        cmocka_unit_test(the_counter_goes_on_from_what_the_engine_counted_while_listening),
        cmocka_unit_test(never_closer_than_the_period_and_the_newest_wins),
        cmocka_unit_test(what_is_more_than_a_period_late_is_left_out),
        cmocka_unit_test(a_process_that_stood_still_listens_again_and_sends_no_burst),
        cmocka_unit_test(a_foreign_sender_while_listening_refuses_for_good),
        cmocka_unit_test(a_foreign_sender_ends_sending_and_what_waits),
        cmocka_unit_test(unarmed_a_foreign_sender_is_noted_and_nothing_ends),
        cmocka_unit_test(bus_off_down_and_gone_end_it_where_it_sends),
        cmocka_unit_test(inputs_that_stay_lost_end_it),
        cmocka_unit_test(a_silent_bus_tells_nothing_of_who_sends_there),
        cmocka_unit_test(an_all_clear_only_of_what_was_sent),
        cmocka_unit_test(what_the_interface_does_not_take_ends_it),
        cmocka_unit_test(what_is_not_heard_back_is_told),
        cmocka_unit_test(every_end_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
