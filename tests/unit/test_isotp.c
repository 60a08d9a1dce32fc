/* ISO 15765-2 reassembly. Outside facts: the VIN exchange published in the data sheet of an OBD
 * interface chip; frame layouts, limits and reserved STmin values as in Linux net/can/isotp.c. */
#include "unit.h"

#include "loomtap/base/bytes.h"
#include "loomtap/proto/isotp.h"
#include "proto_frame.h"

static struct lt_isotp stream;

static int start(void **state)
{
    (void)state;
    memset(&stream, 0x5A, sizeof stream);
    lt_isotp_init(&stream, false);
    return 0;
}

static struct lt_isotp_result feed_at(const char *text, int64_t time_ns)
{
    struct lt_frame frame = frame_of(text, time_ns);
    return lt_isotp_feed(&stream, &frame);
}

static struct lt_isotp_result feed(const char *text)
{
    return feed_at(text, LT_NO_TIME);
}

#define assert_event(result, wanted) assert_int_equal((result).event, wanted)

static void vin_exchange_of_interface_chip_data_sheet(void **state)
{
    (void)state;
    struct lt_isotp_result first = feed_at("7E8#1014490201314434", 5 * MS);
    assert_event(first, LT_ISOTP_STARTED);
    assert_int_equal(first.length, 20);
    assert_event(feed_at("7E8#2147503030523535", 6 * MS), LT_ISOTP_MORE);
    struct lt_isotp_result last = feed_at("7E8#2242313233343536", 7 * MS);
    assert_event(last, LT_ISOTP_MESSAGE);
    assert_int_equal(last.length, 20);
    assert_false(last.oversize);
    assert_true(last.started_ns == 5 * MS);
    assert_memory_equal(last.message,
                        "\x49\x02\x01"
                        "1D4GP00R55B123456",
                        20);
}

static void single_frame_ends_by_length_not_by_padding(void **state)
{
    (void)state;
    struct lt_isotp_result result = feed_at("7E8#04410C1AF8AAAAAA", 3 * MS);
    assert_event(result, LT_ISOTP_MESSAGE);
    assert_int_equal(result.length, 4);
    assert_true(result.started_ns == 3 * MS);
    assert_memory_equal(result.message, "\x41\x0C\x1A\xF8", 4);
    /* The same without padding. */
    result = feed("7E8#04410C1AF8");
    assert_event(result, LT_ISOTP_MESSAGE);
    assert_memory_equal(result.message, "\x41\x0C\x1A\xF8", 4);
}

static void last_consecutive_frame_ends_by_length(void **state)
{
    (void)state;
    feed("7E8#1008010203040506");
    struct lt_isotp_result result = feed("7E8#2107085555555555");
    assert_event(result, LT_ISOTP_MESSAGE);
    assert_int_equal(result.length, 8);
    assert_memory_equal(result.message, "\1\2\3\4\5\6\7\10", 8);
    feed("7E8#1008010203040506");
    assert_event(feed("7E8#210708"), LT_ISOTP_MESSAGE);
}

static void numbers_wrap_and_200_bytes_take_28_consecutive_frames(void **state)
{
    (void)state;
    uint8_t message[200];
    for (size_t i = 0; i < sizeof message; i++)
        message[i] = (uint8_t)(i * 7);
    struct lt_frame frame = {.time_ns = LT_NO_TIME};
    struct lt_isotp_result result = {0};
    size_t n = 0;
    for (; lt_isotp_segment(message, sizeof message, n, 0xCC, &frame); n++) {
        result = lt_isotp_feed(&stream, &frame);
        assert_event(result, n == 0 ? LT_ISOTP_STARTED : n < 28 ? LT_ISOTP_MORE : LT_ISOTP_MESSAGE);
    }
    assert_int_equal(n, 29);
    assert_int_equal(frame.data[0], 0x2C); /* 28 mod 16 */
    assert_int_equal(result.length, 200);
    assert_memory_equal(result.message, message, sizeof message);
}

static void segments_of_the_vin_reply_are_the_published_frames(void **state)
{
    (void)state;
    static const char *const frames[] = {"7E8#1014490201314434", "7E8#2147503030523535",
                                         "7E8#2242313233343536"};
    const uint8_t *message = (const uint8_t *)"\x49\x02\x01"
                                              "1D4GP00R55B123456";
    struct lt_frame frame = {0};
    for (size_t n = 0; n < 3; n++) {
        struct lt_frame wanted = frame_of(frames[n], 0);
        assert_true(lt_isotp_segment(message, 20, n, 0, &frame));
        assert_int_equal(frame.len, 8);
        assert_memory_equal(frame.data, wanted.data, 8);
    }
    assert_false(lt_isotp_segment(message, 20, 3, 0, &frame));
    assert_false(lt_isotp_segment(message, 0, 0, 0, &frame));
    assert_true(lt_isotp_segment(message, 7, 0, 0xAA, &frame));
    assert_int_equal(frame.data[0], 7);
    assert_false(lt_isotp_segment(message, 7, 1, 0xAA, &frame));
    assert_true(lt_isotp_segment(message, 4, 0, 0xAA, &frame));
    assert_memory_equal(frame.data, "\x04\x49\x02\x01\x31\xAA\xAA\xAA", 8);
}

static void fd_single_frame_has_a_length_byte_of_its_own(void **state)
{
    (void)state;
    struct lt_isotp_result result = feed("7E8##1000A0102030405060708090A");
    assert_event(result, LT_ISOTP_MESSAGE);
    assert_int_equal(result.length, 10);
    assert_memory_equal(result.message, "\1\2\3\4\5\6\7\10\11\12", 10);
    /* 12 bytes hold 10 at most; a length in the nibble belongs to short frames only. */
    assert_event(feed("7E8##1000B0102030405060708090A"), LT_ISOTP_BAD);
    assert_event(feed("7E8##100000102030405060708090A"), LT_ISOTP_BAD);
    assert_event(feed("7E8##1070102030405060708090A0B"), LT_ISOTP_BAD);
}

static void fd_first_frame_fills_its_frame_and_sets_the_length_of_the_others(void **state)
{
    (void)state;
    uint8_t message[150];
    for (size_t i = 0; i < sizeof message; i++)
        message[i] = (uint8_t)i;
    struct lt_frame frame = {.time_ns = LT_NO_TIME, .flags = LT_FRAME_FD, .len = 64};
    lt_store16_be(frame.data, 0x1000 | 150);
    memcpy(frame.data + 2, message, 62);
    assert_event(lt_isotp_feed(&stream, &frame), LT_ISOTP_STARTED);
    frame.data[0] = 0x21;
    memcpy(frame.data + 1, message + 62, 63);
    assert_event(lt_isotp_feed(&stream, &frame), LT_ISOTP_MORE);
    frame.data[0] = 0x22;
    memcpy(frame.data + 1, message + 125, 25);
    frame.len = 32;
    struct lt_isotp_result result = lt_isotp_feed(&stream, &frame);
    assert_event(result, LT_ISOTP_MESSAGE);
    assert_int_equal(result.length, 150);
    assert_memory_equal(result.message, message, 150);
}

static void extended_addressing_takes_one_byte_from_each_frame(void **state)
{
    (void)state;
    lt_isotp_init(&stream, true);
    struct lt_isotp_result result = feed("7E8#F106010203040506");
    assert_event(result, LT_ISOTP_MESSAGE);
    assert_int_equal(result.length, 6);
    assert_memory_equal(result.message, "\1\2\3\4\5\6", 6);
    assert_event(feed("7E8#F107010203040506"), LT_ISOTP_BAD);
    assert_event(feed("7E8#F1"), LT_ISOTP_NOTHING);
    assert_event(feed("7E8#F1100C0102030405"), LT_ISOTP_STARTED);
    assert_event(feed("7E8#F121060708090A0B"), LT_ISOTP_MORE);
    result = feed("7E8#F1220C");
    assert_event(result, LT_ISOTP_MESSAGE);
    assert_memory_equal(result.message, "\1\2\3\4\5\6\7\10\11\12\13\14", 12);
    assert_event(feed("7E8#F1300000"), LT_ISOTP_FLOW);
    /* Seven bytes do not fit a single frame here. */
    assert_event(feed("7E8#F110070102030405"), LT_ISOTP_STARTED);
}

static void longer_messages_are_followed_without_their_bytes(void **state)
{
    (void)state;
    struct lt_isotp_result result =
        feed("7E8#1000000013880102"); /* 5000, as in the kernel's form */
    assert_event(result, LT_ISOTP_STARTED);
    assert_int_equal(result.length, 5000);
    struct lt_frame frame = {.time_ns = LT_NO_TIME, .len = 8};
    size_t frames = 0;
    do {
        frame.data[0] = (uint8_t)(0x20 | (++frames & 15));
        frame.data[1] = (uint8_t)frames;
        result = lt_isotp_feed(&stream, &frame);
    } while (result.event == LT_ISOTP_MORE);
    assert_event(result, LT_ISOTP_MESSAGE);
    assert_int_equal(frames, 714); /* (5000 - 2) / 7 */
    assert_int_equal(result.length, 5000);
    assert_true(result.oversize);
    assert_null(result.message);
}

static void longest_kept_message_is_whole(void **state)
{
    (void)state;
    static uint8_t message[LT_ISOTP_MAX + 1];
    for (size_t i = 0; i < sizeof message; i++)
        message[i] = (uint8_t)(i ^ i >> 8);
    struct lt_frame frame = {.time_ns = LT_NO_TIME};
    struct lt_isotp_result result = {0};
    for (size_t n = 0; lt_isotp_segment(message, LT_ISOTP_MAX, n, 0, &frame); n++)
        result = lt_isotp_feed(&stream, &frame);
    assert_event(result, LT_ISOTP_MESSAGE);
    assert_false(result.oversize);
    assert_memory_equal(result.message, message, LT_ISOTP_MAX);
    for (size_t n = 0; lt_isotp_segment(message, LT_ISOTP_MAX + 1, n, 0, &frame); n++)
        result = lt_isotp_feed(&stream, &frame);
    assert_event(result, LT_ISOTP_MESSAGE);
    assert_int_equal(result.length, LT_ISOTP_MAX + 1);
    assert_true(result.oversize);
}

static void repeated_consecutive_frame_is_ignored_and_reported(void **state)
{
    (void)state;
    feed("7E8#1014490201314434");
    feed("7E8#2147503030523535");
    assert_event(feed("7E8#2147503030523535"), LT_ISOTP_REPEATED);
    struct lt_isotp_result result = feed("7E8#2242313233343536");
    assert_event(result, LT_ISOTP_MESSAGE);
    assert_memory_equal(result.message + 3, "1D4GP00R55B123456", 17);
    assert_event(feed("7E8#2242313233343536"), LT_ISOTP_REPEATED);
}

static void gap_gives_the_message_up_and_says_how_many_are_missing(void **state)
{
    (void)state;
    feed("7E8#1028490201314434");
    feed("7E8#2147503030523535");
    struct lt_isotp_result result = feed("7E8#2442313233343536");
    assert_event(result, LT_ISOTP_LOST);
    assert_int_equal(result.missing, 2);
    assert_null(result.message);
    assert_event(feed("7E8#2542313233343536"), LT_ISOTP_STRAY);
    /* The same number with other content is no repeat. */
    feed("7E8#1028490201314434");
    feed("7E8#2147503030523535");
    result = feed("7E8#2100000000000000");
    assert_event(result, LT_ISOTP_LOST);
    assert_int_equal(result.missing, 15);
    /* The gap across the wrap. */
    feed("7E8#10FF490201314434");
    for (unsigned n = 1; n < 15; n++) {
        char text[] = "7E8#2100000000000000";
        text[5] = "0123456789ABCDEF"[n];
        assert_event(feed(text), LT_ISOTP_MORE);
    }
    result = feed("7E8#2100000000000000");
    assert_event(result, LT_ISOTP_LOST);
    assert_int_equal(result.missing, 2); /* F and 0 */
}

static void next_message_after_a_loss_is_whole(void **state)
{
    (void)state;
    feed("7E8#1014490201314434");
    assert_event(feed("7E8#2242313233343536"), LT_ISOTP_LOST);
    assert_event(feed("7E8#1014490201314434"), LT_ISOTP_STARTED);
    feed("7E8#2147503030523535");
    struct lt_isotp_result result = feed("7E8#2242313233343536");
    assert_event(result, LT_ISOTP_MESSAGE);
    assert_memory_equal(result.message + 3, "1D4GP00R55B123456", 17);
}

static void new_message_replaces_an_unfinished_one(void **state)
{
    (void)state;
    feed("7E8#1014490201314434");
    struct lt_isotp_result result = feed_at("7E8#03410D3C00000000", 9 * MS);
    assert_event(result, LT_ISOTP_REPLACED);
    assert_int_equal(result.then, LT_ISOTP_MESSAGE);
    assert_int_equal(result.length, 3);
    assert_true(result.started_ns == 9 * MS);
    assert_memory_equal(result.message, "\x41\x0D\x3C", 3);
    assert_event(feed("7E8#2147503030523535"), LT_ISOTP_STRAY);
    feed("7E8#1014490201314434");
    result = feed("7E8#100A490401000000");
    assert_event(result, LT_ISOTP_REPLACED);
    assert_int_equal(result.then, LT_ISOTP_STARTED);
    assert_int_equal(result.length, 10);
    assert_event(feed("7E8#2100000000000000"), LT_ISOTP_MESSAGE);
}

static void silence_of_more_than_a_second_ends_a_message(void **state)
{
    (void)state;
    feed_at("7E8#1014490201314434", 0);
    assert_event(feed_at("7E8#2147503030523535", 1000 * MS), LT_ISOTP_MORE);
    struct lt_isotp_result result = feed_at("7E8#2242313233343536", 2000 * MS + 1);
    assert_event(result, LT_ISOTP_TIMEOUT);
    assert_int_equal(result.then, LT_ISOTP_STRAY);
    assert_null(result.message);
    feed_at("7E8#1014490201314434", 0);
    result = feed_at("7E8#03410D3C00000000", 5000 * MS);
    assert_event(result, LT_ISOTP_TIMEOUT);
    assert_int_equal(result.then, LT_ISOTP_MESSAGE);
    assert_memory_equal(result.message, "\x41\x0D\x3C", 3);
}

static void frames_without_time_or_with_time_running_back_do_not_time_out(void **state)
{
    (void)state;
    feed_at("7E8#1014490201314434", INT64_MAX);
    assert_event(feed_at("7E8#2147503030523535", INT64_MIN + 1), LT_ISOTP_MORE);
    assert_event(feed("7E8#2242313233343536"), LT_ISOTP_MESSAGE);
    feed("7E8#1014490201314434");
    assert_event(feed_at("7E8#2147503030523535", INT64_MAX), LT_ISOTP_MORE);
    feed_at("7E8#1014490201314434", INT64_MIN + 1);
    assert_event(feed_at("7E8#2147503030523535", INT64_MAX), LT_ISOTP_TIMEOUT);
}

static void impossible_lengths_are_bad_and_change_nothing(void **state)
{
    (void)state;
    feed("7E8#1014490201314434");
    assert_event(feed("7E8#0000000000000000"), LT_ISOTP_BAD); /* single frame of nothing */
    assert_event(feed("7E8#08410C1AF8AAAAAA"), LT_ISOTP_BAD);
    assert_event(feed("7E8#04410C"), LT_ISOTP_BAD);
    assert_event(feed("7E8#1007490201314434"), LT_ISOTP_BAD); /* fits a single frame */
    assert_event(feed("7E8#1000000000050102"), LT_ISOTP_BAD); /* so does this */
    assert_event(feed("7E8#10144902013144"), LT_ISOTP_BAD);   /* does not fill the frame */
    assert_event(feed("7E8#21475030"), LT_ISOTP_BAD);         /* short, but not the last */
    assert_event(feed("7E8##1214750303052353500000000"), LT_ISOTP_BAD); /* longer than the first */
    assert_event(feed("7E8#3000"), LT_ISOTP_BAD);
    assert_event(feed("7E8#2147503030523535"), LT_ISOTP_MORE);
    assert_event(feed("7E8#2242313233343536"), LT_ISOTP_MESSAGE);
}

static void frames_that_are_no_transport_are_nothing(void **state)
{
    (void)state;
    assert_event(feed("7E8#"), LT_ISOTP_NOTHING);
    assert_event(feed("7E8#4012345678000000"), LT_ISOTP_NOTHING);
    assert_event(feed("7E8#FFFFFFFFFFFFFFFF"), LT_ISOTP_NOTHING);
    struct lt_frame frame = frame_of("7E8#03410D3C00000000", 0);
    frame.flags = LT_FRAME_REMOTE;
    assert_event(lt_isotp_feed(&stream, &frame), LT_ISOTP_NOTHING);
    frame.flags = LT_FRAME_ERROR;
    assert_event(lt_isotp_feed(&stream, &frame), LT_ISOTP_NOTHING);
}

static void consecutive_frame_out_of_nowhere_is_stray(void **state)
{
    (void)state;
    assert_event(feed("7E8#2147503030523535"), LT_ISOTP_STRAY);
}

static void flow_control_tells_state_block_size_and_gap(void **state)
{
    (void)state;
    static const struct {
        const char *frame;
        enum lt_isotp_flow flow;
        uint8_t block_size;
        uint32_t st_min_us;
    } row[] = {
        {"7E0#3000000000000000", LT_FLOW_GO, 0, 0},
        {"7E0#30080A", LT_FLOW_GO, 8, 10000},
        {"7E0#31007F", LT_FLOW_WAIT, 0, 127000},
        {"7E0#3200F1", LT_FLOW_OVERFLOW, 0, 100},
        {"7E0#3000F9", LT_FLOW_GO, 0, 900},
        {"7E0#3000F0", LT_FLOW_GO, 0, 127000}, /* reserved: as 127 ms */
        {"7E0#300080", LT_FLOW_GO, 0, 127000},
        {"7E0#3F00FA", LT_FLOW_RESERVED, 0, 127000},
    };
    for (size_t i = 0; i < COUNT_OF(row); i++) {
        struct lt_isotp_result result = feed(row[i].frame);
        assert_event(result, LT_ISOTP_FLOW);
        assert_int_equal(result.flow, row[i].flow);
        assert_int_equal(result.block_size, row[i].block_size);
        assert_int_equal(result.st_min_us, row[i].st_min_us);
    }
    assert_int_equal(stream.flow_count, COUNT_OF(row));
}

static void every_event_has_a_text(void **state)
{
    (void)state;
    for (int event = LT_ISOTP_NOTHING; event <= LT_ISOTP_BAD; event++)
        assert_true(strlen(lt_isotp_event_text((enum lt_isotp_event)event)) > 3);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(vin_exchange_of_interface_chip_data_sheet, start),
        cmocka_unit_test_setup(single_frame_ends_by_length_not_by_padding, start),
        cmocka_unit_test_setup(last_consecutive_frame_ends_by_length, start),
        cmocka_unit_test_setup(numbers_wrap_and_200_bytes_take_28_consecutive_frames, start),
        cmocka_unit_test_setup(segments_of_the_vin_reply_are_the_published_frames, start),
        cmocka_unit_test_setup(fd_single_frame_has_a_length_byte_of_its_own, start),
        cmocka_unit_test_setup(fd_first_frame_fills_its_frame_and_sets_the_length_of_the_others,
                               start),
        cmocka_unit_test_setup(extended_addressing_takes_one_byte_from_each_frame, start),
        cmocka_unit_test_setup(longer_messages_are_followed_without_their_bytes, start),
        cmocka_unit_test_setup(longest_kept_message_is_whole, start),
        cmocka_unit_test_setup(repeated_consecutive_frame_is_ignored_and_reported, start),
        cmocka_unit_test_setup(gap_gives_the_message_up_and_says_how_many_are_missing, start),
        cmocka_unit_test_setup(next_message_after_a_loss_is_whole, start),
        cmocka_unit_test_setup(new_message_replaces_an_unfinished_one, start),
        cmocka_unit_test_setup(silence_of_more_than_a_second_ends_a_message, start),
        cmocka_unit_test_setup(frames_without_time_or_with_time_running_back_do_not_time_out,
                               start),
        cmocka_unit_test_setup(impossible_lengths_are_bad_and_change_nothing, start),
        cmocka_unit_test_setup(frames_that_are_no_transport_are_nothing, start),
        cmocka_unit_test_setup(consecutive_frame_out_of_nowhere_is_stray, start),
        cmocka_unit_test_setup(flow_control_tells_state_block_size_and_gap, start),
        cmocka_unit_test_setup(every_event_has_a_text, start),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
