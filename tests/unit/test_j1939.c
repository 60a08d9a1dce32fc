/* J1939 identifiers and transport. Outside facts: the identifier layout of Linux j1939.rst with its
 * PDU1 and PDU2 cases; control bytes, sizes and the BAM exchange as in net/can/j1939/transport.c
 * and a marine display's hardware manual. */
#include "unit.h"

#include "loomtap/proto/j1939.h"
#include "proto_frame.h"

static struct lt_j1939 *bus;

static int start(void **state)
{
    (void)state;
    return lt_j1939_new(&bus, NULL) != LT_OK;
}

static int stop(void **state)
{
    (void)state;
    lt_j1939_free(bus);
    bus = NULL;
    return 0;
}

static struct lt_j1939_result feed_at(const char *text, int64_t time_ns)
{
    struct lt_frame frame = frame_of(text, time_ns);
    return lt_j1939_feed(bus, &frame);
}

static struct lt_j1939_result feed(const char *text)
{
    return feed_at(text, LT_NO_TIME);
}

static void check_nothing(struct lt_j1939_result result)
{
    assert_int_equal(result.event, LT_J1939_NOTHING);
}

static void check_broken(struct lt_j1939_result result, enum lt_j1939_break why)
{
    assert_int_equal(result.event, LT_J1939_BROKEN);
    assert_int_equal(result.why, why);
    assert_null(result.message);
}

static void identifiers_split_as_in_j1939_rst(void **state)
{
    (void)state;
    static const struct {
        uint32_t id;
        uint8_t priority;
        uint32_t pgn;
        uint8_t destination, source;
    } row[] = {
        {0x0CF00400, 3, 61444, 0xFF, 0x00},   {0x0CF00300, 3, 61443, 0xFF, 0x00},
        {0x18FEF100, 6, 65265, 0xFF, 0x00},   {0x18EA00F9, 6, 59904, 0x00, 0xF9},
        {0x1CECFF00, 7, 60416, 0xFF, 0x00},   {0x0C000003, 3, 0, 0x00, 0x03},
        {0x19FFA017, 6, 130976, 0xFF, 0x17},  {0x1CEBF927, 7, 60160, 0xF9, 0x27},
        {0x1FFFFFFF, 7, 0x3FFFF, 0xFF, 0xFF}, {0x00EF2100, 0, 0xEF00, 0x21, 0x00},
    };
    for (size_t i = 0; i < COUNT_OF(row); i++) {
        struct lt_j1939_id parts = lt_j1939_split(row[i].id);
        assert_int_equal(parts.priority, row[i].priority);
        assert_int_equal(parts.pgn, row[i].pgn);
        assert_int_equal(parts.destination, row[i].destination);
        assert_int_equal(parts.source, row[i].source);
        assert_int_equal(lt_j1939_join(parts), row[i].id);
    }
    /* The destination of a PGN for all does not matter. */
    struct lt_j1939_id parts = {.priority = 6, .pgn = 65265, .destination = 0x12, .source = 3};
    assert_int_equal(lt_j1939_join(parts), 0x18FEF103);
}

static void broadcast_of_two_packets_gives_the_dm1_of_the_example(void **state)
{
    (void)state;
    check_nothing(feed_at("1CECFF00#200A0002FFCAFE00", 0));
    check_nothing(feed_at("1CEBFF00#0104FF6E00000364", 50 * MS));
    struct lt_j1939_result result = feed_at("1CEBFF00#02000101FFFFFFFF", 100 * MS);
    assert_int_equal(result.event, LT_J1939_MESSAGE);
    assert_int_equal(result.why, LT_J1939_OK);
    assert_int_equal(result.pgn, LT_PGN_DM1);
    assert_int_equal(result.source, 0x00);
    assert_int_equal(result.destination, 0xFF);
    assert_int_equal(result.length, 10);
    assert_true(result.time_ns == 100 * MS);
    static const uint8_t wanted[10] = {0x04, 0xFF, 0x6E, 0, 0, 0x03, 0x64, 0, 0x01, 0x01};
    assert_memory_equal(result.message, wanted, 10);
    struct lt_dm1 dm1;
    assert_true(lt_dm1_parse(result.message, result.length, &dm1));
    assert_int_equal(dm1.count, 2);
    assert_int_equal(dm1.code[0].spn, 110);
    assert_int_equal(dm1.code[1].spn, 100);
    assert_int_equal(lt_j1939_counts(bus).messages, 1);
}

static void directed_transfer_with_its_control_traffic(void **state)
{
    (void)state;
    check_nothing(feed("1CECF927#100F0003FFEBFE00")); /* 27 to F9: 15 bytes, PGN FEEB */
    check_nothing(feed("1CEC27F9#110301FFFFEBFE00"));
    check_nothing(feed("1CEBF927#0141424344454647"));
    check_nothing(feed("1CEBF927#0248494A4B4C4D4E"));
    struct lt_j1939_result result = feed("1CEBF927#034FFFFFFFFFFFFF");
    assert_int_equal(result.event, LT_J1939_MESSAGE);
    assert_int_equal(result.pgn, 0xFEEB);
    assert_int_equal(result.source, 0x27);
    assert_int_equal(result.destination, 0xF9);
    assert_int_equal(result.length, 15);
    assert_memory_equal(result.message, "ABCDEFGHIJKLMNO", 15);
    check_nothing(feed("1CEC27F9#130F0003FFEBFE00"));
    assert_int_equal(lt_j1939_counts(bus).stray, 0);
}

static void packets_may_come_again_after_the_receiver_asked_for_them(void **state)
{
    (void)state;
    feed("1CECF927#10160004FFEBFE00"); /* 22 bytes, 4 packets */
    feed("1CEC27F9#110401FFFFEBFE00");
    feed("1CEBF927#0141424344454647");
    feed("1CEBF927#02FFFFFFFFFFFFFF");
    feed("1CEBF927#034F505152535455");
    check_nothing(feed("1CEC27F9#110102FFFFEBFE00")); /* once more packet 2, which now differs */
    check_nothing(feed("1CEBF927#0248494A4B4C4D4E"));
    check_nothing(feed("1CEC27F9#110104FFFFEBFE00"));
    struct lt_j1939_result result = feed("1CEBF927#0456FFFFFFFFFFFF");
    assert_int_equal(result.event, LT_J1939_MESSAGE);
    assert_memory_equal(result.message, "ABCDEFGHIJKLMNOPQRSTUV", 22);
    /* Going back unasked with other content. */
    feed("1CECF927#10160004FFEBFE00");
    feed("1CEBF927#0141424344454647");
    feed("1CEBF927#0248494A4B4C4D4E");
    check_broken(feed("1CEBF927#0141424344454600"), LT_J1939_GAP);
}

static void waiting_receiver_keeps_the_session(void **state)
{
    (void)state;
    feed_at("1CECF927#100F0003FFEBFE00", 0);
    feed_at("1CEC27F9#110001FFFFEBFE00", 1000 * MS);
    feed_at("1CEC27F9#110301FFFFEBFE00", 2000 * MS);
    feed_at("1CEBF927#0141424344454647", 3000 * MS);
    feed_at("1CEBF927#0248494A4B4C4D4E", 3100 * MS);
    assert_int_equal(feed_at("1CEBF927#034FFFFFFFFFFFFF", 3200 * MS).event, LT_J1939_MESSAGE);
}

static void repeated_packet_is_ignored(void **state)
{
    (void)state;
    feed("1CECFF00#200A0002FFCAFE00");
    check_nothing(feed("1CEBFF00#0104FF6E00000364"));
    check_nothing(feed("1CEBFF00#0104FF6E00000364"));
    assert_int_equal(feed("1CEBFF00#02000101FFFFFFFF").event, LT_J1939_MESSAGE);
}

static void gap_breaks_the_session_and_names_it(void **state)
{
    (void)state;
    feed("1CECFF17#20160004FFCAFE00");
    feed("1CEBFF17#0104FF6E00000364");
    struct lt_j1939_result result = feed("1CEBFF17#03000101FFFFFFFF");
    check_broken(result, LT_J1939_GAP);
    assert_int_equal(result.pgn, LT_PGN_DM1);
    assert_int_equal(result.source, 0x17);
    check_nothing(feed("1CEBFF17#04000101FFFFFFFF"));
    assert_int_equal(lt_j1939_counts(bus).stray, 1);
    assert_int_equal(lt_j1939_counts(bus).broken[LT_J1939_GAP], 1);
    assert_int_equal(lt_j1939_counts(bus).messages, 0);
}

static void receiver_that_has_more_than_the_log_shows_a_gap(void **state)
{
    (void)state;
    feed("1CECF927#10160004FFEBFE00");
    feed("1CEBF927#0141424344454647");
    check_broken(feed("1CEC27F9#110203FFFFEBFE00"), LT_J1939_GAP);
    feed("1CECF927#10160004FFEBFE00");
    feed("1CEBF927#0141424344454647");
    check_broken(feed("1CEC27F9#13160004FFEBFE00"), LT_J1939_GAP);
}

static void silence_ends_a_broadcast_after_750_ms_and_a_directed_one_after_1250(void **state)
{
    (void)state;
    feed_at("1CECFF00#200A0002FFCAFE00", 0);
    feed_at("1CECF927#100F0003FFEBFE00", 0);
    check_nothing(feed_at("1CEBFF00#0104FF6E00000364", 750 * MS));
    struct lt_j1939_result result = feed_at("1CEBF927#0141424344454647", 1250 * MS);
    check_nothing(result);
    result = feed_at("1CEBFF00#02000101FFFFFFFF", 1501 * MS);
    check_broken(result, LT_J1939_TIMEOUT);
    assert_int_equal(result.source, 0x00);
    assert_int_equal(lt_j1939_counts(bus).stray, 0);
    check_broken(feed_at("1CEBF927#0248494A4B4C4D4E", 2501 * MS), LT_J1939_TIMEOUT);
    assert_int_equal(lt_j1939_counts(bus).broken[LT_J1939_TIMEOUT], 2);
}

static void session_of_another_that_fell_silent_is_told_beside_a_message(void **state)
{
    (void)state;
    feed_at("1CECFF17#200A0002FFCAFE00", 0);
    feed_at("1CECFF00#200A0002FFCAFE00", 700 * MS);
    feed_at("1CEBFF00#0104FF6E00000364", 740 * MS);
    struct lt_j1939_result result = feed_at("1CEBFF00#02000101FFFFFFFF", 780 * MS);
    assert_int_equal(result.event, LT_J1939_MESSAGE);
    assert_int_equal(result.why, LT_J1939_TIMEOUT);
    assert_int_equal(result.source, 0x00);
}

static void new_announcement_replaces_the_old_of_the_same_pair(void **state)
{
    (void)state;
    feed("1CECFF00#200A0002FFCAFE00");
    feed("1CEBFF00#0104FF6E00000364");
    struct lt_j1939_result result = feed("1CECFF00#20090002FFECFE00");
    check_broken(result, LT_J1939_REPLACED);
    assert_int_equal(result.pgn, LT_PGN_DM1);
    feed("1CEBFF00#0141424344454647");
    result = feed("1CEBFF00#024849FFFFFFFFFF");
    assert_int_equal(result.event, LT_J1939_MESSAGE);
    assert_int_equal(result.pgn, 0xFEEC);
    assert_memory_equal(result.message, "ABCDEFGHI", 9);
}

static void sessions_of_different_pairs_do_not_mix(void **state)
{
    (void)state;
    feed("1CECFF00#200A0002FFCAFE00");
    feed("1CECFF17#200A0002FFCAFE00");
    feed("1CECF900#100A0002FFEBFE00");
    feed("1CEBFF17#0111111111111111");
    feed("1CEBFF00#0104FF6E00000364");
    feed("1CEBF900#0122222222222222");
    assert_int_equal(feed("1CEBF900#02222222FFFFFFFF").event, LT_J1939_MESSAGE);
    struct lt_j1939_result result = feed("1CEBFF17#02111111FFFFFFFF");
    assert_int_equal(result.event, LT_J1939_MESSAGE);
    assert_int_equal(result.source, 0x17);
    assert_memory_equal(result.message, "\x11\x11\x11\x11\x11\x11\x11\x11\x11\x11", 10);
    result = feed("1CEBFF00#02000101FFFFFFFF");
    assert_int_equal(result.event, LT_J1939_MESSAGE);
    assert_int_equal(result.message[2], 0x6E);
}

static void either_side_may_abort(void **state)
{
    (void)state;
    feed("1CECF927#100F0003FFEBFE00");
    check_nothing(feed("1CEC27F9#FF01FFFFFFCAFE00")); /* another PGN */
    check_broken(feed("1CEC27F9#FF01FFFFFFEBFE00"), LT_J1939_ABORTED);
    feed("1CECF927#100F0003FFEBFE00");
    struct lt_j1939_result result = feed("1CECF927#FF01FFFFFFEBFE00");
    check_broken(result, LT_J1939_ABORTED);
    assert_int_equal(result.source, 0x27);
    check_nothing(feed("1CECF927#FF01FFFFFFEBFE00"));
}

static void sizes_outside_9_to_1785_or_unfitting_packets_are_refused(void **state)
{
    (void)state;
    check_broken(feed("1CECFF00#20080002FFCAFE00"), LT_J1939_BAD_SIZE);
    check_broken(feed("1CECFF00#20FA06FFFFCAFE00"), LT_J1939_BAD_SIZE); /* 1786 */
    check_broken(feed("1CECFF00#200A0003FFCAFE00"), LT_J1939_BAD_SIZE);
    check_broken(feed("1CECFF00#200A0001FFCAFE00"), LT_J1939_BAD_SIZE);
    /* A packet past the announced ones; packet 0; one cut short. */
    feed("1CECFF00#200A0002FFCAFE00");
    check_broken(feed("1CEBFF00#0304FF6E00000364"), LT_J1939_BAD_SIZE);
    feed("1CECFF00#200A0002FFCAFE00");
    check_broken(feed("1CEBFF00#0004FF6E00000364"), LT_J1939_BAD_SIZE);
    feed("1CECFF00#200A0002FFCAFE00");
    check_broken(feed("1CEBFF00#0104FF6E"), LT_J1939_BAD_SIZE);
    feed("1CECFF00#200A0002FFCAFE00");
    check_broken(feed("1CEBFF00#"), LT_J1939_BAD_SIZE);
    assert_int_equal(lt_j1939_counts(bus).broken[LT_J1939_BAD_SIZE], 8);
}

static void longest_message_of_1785_bytes(void **state)
{
    (void)state;
    feed("1CECFF00#20F906FFFFCAFE00");
    struct lt_frame frame = frame_of("1CEBFF00#0000000000000000", LT_NO_TIME);
    struct lt_j1939_result result = {0};
    for (unsigned n = 1; n <= 255; n++) {
        frame.data[0] = (uint8_t)n;
        for (unsigned i = 0; i < 7; i++)
            frame.data[1 + i] = (uint8_t)(n * 7 + i);
        result = lt_j1939_feed(bus, &frame);
        assert_int_equal(result.event, n < 255 ? LT_J1939_NOTHING : LT_J1939_MESSAGE);
    }
    assert_int_equal(result.length, 1785);
    for (unsigned i = 0; i < 1785; i++)
        assert_int_equal(result.message[i], (uint8_t)(i + 7));
}

static void more_sessions_than_are_kept_are_reported(void **state)
{
    (void)state;
    struct lt_frame frame = frame_of("1CECFF00#200A0002FFCAFE00", 0);
    for (unsigned source = 0; source < LT_J1939_SESSIONS_MAX; source++) {
        frame.id = 0x1CECFF00 | source;
        check_nothing(lt_j1939_feed(bus, &frame));
    }
    frame.id = 0x1CECFF80;
    check_broken(lt_j1939_feed(bus, &frame), LT_J1939_FULL);
    /* Later the silent ones make room. */
    frame.time_ns = 2000 * MS;
    check_broken(lt_j1939_feed(bus, &frame), LT_J1939_TIMEOUT);
    assert_int_equal(lt_j1939_counts(bus).broken[LT_J1939_TIMEOUT], LT_J1939_SESSIONS_MAX);
    feed_at("1CEBFF80#0104FF6E00000364", 2100 * MS);
    assert_int_equal(feed_at("1CEBFF80#02000101FFFFFFFF", 2200 * MS).event, LT_J1939_MESSAGE);
}

static void other_traffic_is_nothing(void **state)
{
    (void)state;
    check_nothing(feed("0CF00400#FFFFFF79CCFFFFFF"));
    check_nothing(feed("123#200A0002FFCAFE00"));
    check_nothing(feed("1CECFF00#200A0002FFCA"));     /* cut short */
    check_nothing(feed("1CECFF00#100A0002FFCAFE00")); /* a directed transfer to all */
    check_nothing(feed("1CECF900#200A0002FFCAFE00")); /* a broadcast to one */
    check_nothing(feed("1CECFF00#990A0002FFCAFE00"));
    struct lt_frame frame = frame_of("1CECFF00#200A0002FFCAFE00", 0);
    frame.flags |= LT_FRAME_REMOTE;
    check_nothing(lt_j1939_feed(bus, &frame));
    check_nothing(feed("1CEBFF00#0104FF6E00000364"));
    assert_int_equal(lt_j1939_counts(bus).stray, 1);
}

static void every_break_has_a_text(void **state)
{
    (void)state;
    for (int why = LT_J1939_OK; why <= LT_J1939_FULL; why++)
        assert_true(strlen(lt_j1939_break_text((enum lt_j1939_break)why)) > 3);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, start, stop)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(identifiers_split_as_in_j1939_rst),
        TEST(broadcast_of_two_packets_gives_the_dm1_of_the_example),
        TEST(directed_transfer_with_its_control_traffic),
        TEST(packets_may_come_again_after_the_receiver_asked_for_them),
        TEST(waiting_receiver_keeps_the_session),
        TEST(repeated_packet_is_ignored),
        TEST(gap_breaks_the_session_and_names_it),
        TEST(receiver_that_has_more_than_the_log_shows_a_gap),
        TEST(silence_ends_a_broadcast_after_750_ms_and_a_directed_one_after_1250),
        TEST(session_of_another_that_fell_silent_is_told_beside_a_message),
        TEST(new_announcement_replaces_the_old_of_the_same_pair),
        TEST(sessions_of_different_pairs_do_not_mix),
        TEST(either_side_may_abort),
        TEST(sizes_outside_9_to_1785_or_unfitting_packets_are_refused),
        TEST(longest_message_of_1785_bytes),
        TEST(more_sessions_than_are_kept_are_reported),
        TEST(other_traffic_is_nothing),
        TEST(every_break_has_a_text),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
