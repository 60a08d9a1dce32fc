/* The OBD-II listener. Outside facts: the encyclopaedia's "OBD-II PIDs" (SAE J1979) for
 * identifiers, lengths, masks and the published mask example; the data sheet of an OBD interface
 * chip for the VIN exchange; a public discussion thread for trouble codes of several controllers;
 * public identifier lists for F40C. A real recording of an electric car (public logs under CC0,
 * commit 83a5cac, named in SOURCES.md beside it) is read where it is at hand. */
#include "unit.h"

#include "loomtap/proto/obd.h"
#include "proto_frame.h"

#define NONE LT_OBD_NO_NUMBER

static struct lt_obd *obd;
static struct lt_obd_reply reply;

/* What a profile may add: the lengths of two identifiers of a maker, and one of an unlisted PID. */
static uint16_t profile_length(void *context, uint8_t service, uint32_t number)
{
    (void)context;
    if (service == 0x22)
        return number == 0x0101 ? 3 : number == 0x0102 ? 1 : 0;
    return service == 0x01 && number == 0xC5 ? 2 : 0;
}

static int start(void **state)
{
    (void)state;
    memset(&reply, 0x5A, sizeof reply);
    return lt_obd_new(&obd, profile_length, NULL, NULL) != LT_OK;
}

static int stop(void **state)
{
    (void)state;
    lt_obd_free(obd);
    obd = NULL;
    return 0;
}

static bool feed_at(const char *text, int64_t time_ns)
{
    struct lt_frame frame = frame_of(text, time_ns);
    return lt_obd_feed(obd, &frame, &reply);
}

static bool feed(const char *text)
{
    return feed_at(text, LT_NO_TIME);
}

/* A payload of any length as frames of one identifier; true if the last frame completed a reply. */
static bool feed_payload(uint32_t id, const char *hex)
{
    struct lt_frame frame = {.id = id, .time_ns = LT_NO_TIME, .flags = id > 0x7FF};
    uint8_t bytes[256];
    size_t length = strlen(hex) / 2;
    for (size_t i = 0; i < length; i++) {
        uint64_t value = 0;
        lt_parse_hex((struct lt_text){hex + 2 * i, 2}, &value);
        bytes[i] = (uint8_t)value;
    }
    bool done = false;
    for (size_t n = 0; lt_isotp_segment(bytes, length, n, 0xAA, &frame); n++)
        done = lt_obd_feed(obd, &frame, &reply);
    return done;
}

static void check_item(size_t index, uint32_t number, const char *data, uint32_t length)
{
    assert_true(index < reply.count);
    assert_int_equal(reply.item[index].number, number);
    assert_int_equal(reply.item[index].length, length);
    assert_memory_equal(reply.item[index].data, data, length);
}

static const struct lt_obd_question *question(uint8_t service, uint32_t number, uint32_t reply_id)
{
    const struct lt_obd_question *list;
    size_t count = lt_obd_questions(obd, &list);
    for (size_t i = 0; i < count; i++)
        if (list[i].service == service && list[i].number == number && list[i].reply_id == reply_id)
            return &list[i];
    return NULL;
}

static void check_question(uint8_t service, uint32_t number, uint32_t reply_id,
                           enum lt_obd_answer answer, unsigned asked, unsigned answered,
                           unsigned negative)
{
    const struct lt_obd_question *found = question(service, number, reply_id);
    assert_non_null(found);
    assert_int_equal(found->answer, answer);
    assert_int_equal(found->asked, asked);
    assert_int_equal(found->answered, answered);
    assert_int_equal(found->negative, negative);
}

static const struct lt_obd_controller *controller(uint32_t reply_id)
{
    const struct lt_obd_controller *list;
    size_t count = lt_obd_controllers(obd, &list);
    for (size_t i = 0; i < count; i++)
        if (list[i].reply_id == reply_id)
            return &list[i];
    return NULL;
}

/* --- identifiers --- */

static void identifiers_of_iso_15765_4_are_told_apart(void **state)
{
    (void)state;
    static const struct {
        const char *frame;
        enum lt_obd_kind kind;
        uint32_t partner;
    } row[] = {
        {"7DF#00", LT_OBD_FUNCTIONAL, 0},
        {"7E0#00", LT_OBD_PHYSICAL, 0x7E8},
        {"7E7#00", LT_OBD_PHYSICAL, 0x7EF},
        {"7E8#00", LT_OBD_REPLY, 0x7E0},
        {"7EF#00", LT_OBD_REPLY, 0x7E7},
        {"7DE#00", LT_OBD_NOT, 0},
        {"7F0#00", LT_OBD_NOT, 0},
        {"000007DF#00", LT_OBD_NOT, 0},
        {"000007E8#00", LT_OBD_NOT, 0},
        {"18DB33F1#00", LT_OBD_FUNCTIONAL, 0},
        {"18DA10F1#00", LT_OBD_PHYSICAL, 0x18DAF110},
        {"18DAF110#00", LT_OBD_REPLY, 0x18DA10F1},
        {"18DAF1F1#00", LT_OBD_NOT, 0},
        {"18DA1020#00", LT_OBD_NOT, 0},
        {"0CDAF110#00", LT_OBD_NOT, 0},
    };
    for (size_t i = 0; i < COUNT_OF(row); i++) {
        struct lt_frame frame = frame_of(row[i].frame, 0);
        uint32_t partner = 99;
        assert_int_equal(lt_obd_classify(&frame, &partner), row[i].kind);
        assert_int_equal(partner, row[i].partner);
    }
    struct lt_frame frame = frame_of("7E8#00", 0);
    uint32_t partner;
    frame.flags = LT_FRAME_REMOTE;
    assert_int_equal(lt_obd_classify(&frame, &partner), LT_OBD_NOT);
    frame.flags = LT_FRAME_ERROR;
    assert_int_equal(lt_obd_classify(&frame, &partner), LT_OBD_NOT);
}

/* --- replies --- */

static void engine_speed_reply_of_sae_j1979(void **state)
{
    (void)state;
    assert_false(feed_at("7DF#02010C0000000000", 1 * MS));
    assert_true(feed_at("7E8#04410C1AF8AAAAAA", 9 * MS));
    assert_int_equal(reply.id, 0x7E8);
    assert_false(reply.extended);
    assert_false(reply.negative);
    assert_false(reply.ambiguous);
    assert_true(reply.time_ns == 9 * MS);
    assert_int_equal(reply.service, 0x01);
    assert_int_equal(reply.count, 1);
    check_item(0, 0x0C, "\x1A\xF8", 2);
    assert_int_equal(reply.item[0].service, 0x01);
    assert_int_equal(reply.length, 4);
    assert_int_equal(reply.message[0], 0x41);
    check_question(0x01, 0x0C, 0x7E8, LT_OBD_ANSWERED, 1, 1, 0);
    assert_null(question(0x01, 0x0C, 0));
}

static void engine_speed_reply_on_29_bit_identifiers(void **state)
{
    (void)state;
    assert_false(feed("18DB33F1#02010C0000000000"));
    assert_true(feed("18DAF110#04410C1AF8000000"));
    assert_int_equal(reply.id, 0x18DAF110);
    assert_true(reply.extended);
    check_item(0, 0x0C, "\x1A\xF8", 2);
    check_question(0x01, 0x0C, 0x18DAF110, LT_OBD_ANSWERED, 1, 1, 0);
    assert_true(question(0x01, 0x0C, 0x18DAF110)->extended);
}

static void vin_exchange_of_interface_chip_data_sheet(void **state)
{
    (void)state;
    assert_false(feed("7DF#0209020000000000"));
    assert_false(feed("7E8#1014490201314434"));
    assert_false(feed("7E0#3000000000000000"));
    assert_false(feed("7E8#2147503030523535"));
    assert_true(feed("7E8#2242313233343536"));
    assert_int_equal(reply.service, 0x09);
    assert_int_equal(reply.count, 1);
    check_item(0, 0x02, "1D4GP00R55B123456", 17);
    check_question(0x09, 0x02, 0x7E8, LT_OBD_ANSWERED, 1, 1, 0);
    assert_int_equal(lt_obd_counts(obd).request_frames, 2);
    assert_int_equal(lt_obd_counts(obd).requests, 1);
    assert_int_equal(lt_obd_counts(obd).replies, 1);
}

static void mask_of_service_09_has_no_count_byte(void **state)
{
    (void)state;
    assert_true(feed("7E8#0649005540000000"));
    check_item(0, 0x00, "\x55\x40\x00\x00", 4);
    assert_true(feed("7E8#0749000155400000"));
    check_item(0, 0x00, "\x55\x40\x00\x00", 4);
    /* The masks of service 09 are not those of service 01. */
    assert_int_equal(controller(0x7E8)->mask_answered, 0);
}

static void f40c_by_service_22_of_public_identifier_lists(void **state)
{
    (void)state;
    feed("7E0#0322F40C00000000");
    assert_true(feed("7E8#0562F40C1AF80000"));
    assert_int_equal(reply.service, 0x22);
    check_item(0, 0xF40C, "\x1A\xF8", 2);
    check_question(0x22, 0xF40C, 0x7E8, LT_OBD_ANSWERED, 1, 1, 0);
}

static void several_pids_in_one_reply(void **state)
{
    (void)state;
    feed("7DF#0401040C0D000000");
    assert_true(feed_payload(0x7E8, "4104800C1AF80D3C"));
    assert_int_equal(reply.count, 3);
    assert_false(reply.ambiguous);
    check_item(0, 0x04, "\x80", 1);
    check_item(1, 0x0C, "\x1A\xF8", 2);
    check_item(2, 0x0D, "\x3C", 1);
    check_question(0x01, 0x04, 0x7E8, LT_OBD_ANSWERED, 1, 1, 0);
    check_question(0x01, 0x0C, 0x7E8, LT_OBD_ANSWERED, 1, 1, 0);
    check_question(0x01, 0x0D, 0x7E8, LT_OBD_ANSWERED, 1, 1, 0);
}

static void several_pids_without_the_request_in_the_log(void **state)
{
    (void)state;
    assert_true(feed_payload(0x7E8, "4104800C1AF80D3C"));
    assert_int_equal(reply.count, 3);
    check_item(2, 0x0D, "\x3C", 1);
    check_question(0x01, 0x0D, 0x7E8, LT_OBD_ANSWERED, 0, 1, 0);
}

static void a_last_value_may_repeat_its_own_number(void **state)
{
    (void)state;
    /* 13 km/h: 0D 0D looks like filler, and is a value. */
    assert_true(feed("7E8#06410C1AF80D0DAA"));
    assert_int_equal(reply.count, 2);
    check_item(1, 0x0D, "\x0D", 1);
    feed("7DF#03010C0D00000000");
    assert_true(feed("7E8#06410C1AF80D0DAA"));
    assert_int_equal(reply.count, 2);
}

static void unsupported_pids_are_left_out_of_a_joined_reply(void **state)
{
    (void)state;
    feed("7DF#0401040C0D000000");
    assert_true(feed("7E8#054104800D3C0000"));
    assert_int_equal(reply.count, 2);
    check_item(1, 0x0D, "\x3C", 1);
    check_question(0x01, 0x0C, 0, LT_OBD_NEVER_ANSWERED, 1, 0, 0);
}

static void padding_inside_the_announced_length_is_no_value(void **state)
{
    (void)state;
    /* 55 and 00 are numbers of parameters too; two bytes behind 55 would be a whole value. */
    static const char *const padded[] = {"7E8#07410C1AF8555555", "7E8#07410C1AF8000000",
                                         "7E8#07410D3C55555555", "7E8#07410D3CAAAAAAAA"};
    for (int asked = 0; asked < 2; asked++) {
        for (size_t i = 0; i < COUNT_OF(padded); i++) {
            assert_true(feed(padded[i]));
            assert_int_equal(reply.count, 1);
            assert_false(reply.ambiguous);
            assert_int_equal(reply.item[0].length, i < 2 ? 2 : 1);
        }
        feed("7DF#03010C0D00000000");
    }
}

static void reply_to_something_not_asked_is_given(void **state)
{
    (void)state;
    feed("7DF#02010C0000000000");
    assert_true(feed("7E8#04410D3C04800000"));
    check_item(0, 0x0D, "\x3C", 1);
    check_question(0x01, 0x0D, 0x7E8, LT_OBD_ANSWERED, 0, 1, 0);
    check_question(0x01, 0x0C, 0, LT_OBD_NEVER_ANSWERED, 1, 0, 0);
}

static void late_reply_belongs_to_the_request_that_asked_it(void **state)
{
    (void)state;
    feed("7DF#0301C60C00000000"); /* C6 is in no table */
    feed("7DF#0201050000000000");
    assert_true(feed("7E8#07410C1AF8C61234"));
    assert_int_equal(reply.count, 2);
    check_item(1, 0xC6, "\x12\x34", 2); /* the last one left: to the end */
    assert_false(reply.ambiguous);
}

static void unknown_length_in_the_middle_is_ambiguous(void **state)
{
    (void)state;
    feed("7DF#0401040CC6000000");
    assert_true(feed_payload(0x7E8, "410480C612340C1AF8"));
    assert_int_equal(reply.count, 1);
    assert_true(reply.ambiguous);
    check_item(0, 0x04, "\x80", 1);
    /* It was answered, though its value cannot be told. */
    check_question(0x01, 0xC6, 0x7E8, LT_OBD_ANSWERED, 1, 1, 0);
}

static void unknown_length_alone_runs_to_the_end(void **state)
{
    (void)state;
    assert_true(feed("7E8#0641C61234567800"));
    assert_int_equal(reply.count, 1);
    check_item(0, 0xC6, "\x12\x34\x56\x78", 4);
    assert_false(reply.ambiguous);
}

static void lengths_of_the_profile_come_first(void **state)
{
    (void)state;
    feed("7DF#0301C50D00000000");
    assert_true(feed("7E8#0641C512340D3C00"));
    assert_int_equal(reply.count, 2);
    check_item(0, 0xC5, "\x12\x34", 2);
    check_item(1, 0x0D, "\x3C", 1);
}

static void value_cut_short_is_given_short(void **state)
{
    (void)state;
    assert_true(feed("7E8#03410C1A00000000"));
    assert_int_equal(reply.count, 1);
    check_item(0, 0x0C, "\x1A", 1);
    assert_true(feed("7E8#02410C0000000000"));
    assert_int_equal(reply.item[0].length, 0);
    assert_true(feed("7E8#0141000000000000"));
    assert_int_equal(reply.count, 0);
}

static void freeze_frame_replies_carry_the_frame_number(void **state)
{
    (void)state;
    feed("7E0#0502020004000000");
    assert_true(feed_payload(0x7E8, "42020001350400FF"));
    assert_int_equal(reply.service, 0x02);
    assert_int_equal(reply.count, 2);
    check_item(0, 0x02, "\x01\x35", 2);
    check_item(1, 0x04, "\xFF", 1);
    feed("7E0#03020C0300000000");
    assert_true(feed("7E8#05420C031AF80000"));
    check_item(0, 0x0C, "\x1A\xF8", 2);
    assert_int_equal(reply.item[0].freeze_frame, 3);
    check_question(0x02, 0x0C, 0x7E8, LT_OBD_ANSWERED, 1, 1, 0);
}

static void trouble_codes_of_three_controllers_in_the_public_thread(void **state)
{
    (void)state;
    char codes[8][6];
    feed("7DF#0107000000000000");
    assert_false(feed("7E8#100A470401070207"));
    assert_true(feed("7EA#0647020102D60000"));
    assert_int_equal(reply.id, 0x7EA);
    assert_int_equal(lt_obd_trouble_codes(reply.item[0].data, reply.item[0].length, codes, 8), 2);
    assert_string_equal(codes[1], "U1600");
    assert_true(feed("7E9#044701A245000000"));
    assert_int_equal(lt_obd_trouble_codes(reply.item[0].data, reply.item[0].length, codes, 8), 1);
    assert_string_equal(codes[0], "B2245");
    assert_true(feed("7E8#2103074307000000"));
    assert_int_equal(reply.service, 0x07);
    assert_int_equal(reply.item[0].number, NONE);
    assert_int_equal(lt_obd_trouble_codes(reply.item[0].data, reply.item[0].length, codes, 8), 4);
    assert_string_equal(codes[2], "P0307");
    assert_string_equal(codes[3], "C0307");
    const struct lt_obd_question *list;
    assert_int_equal(lt_obd_questions(obd, &list), 3);
    for (size_t i = 0; i < 3; i++) {
        assert_int_equal(list[i].reply_id, 0x7E8 + i);
        assert_int_equal(list[i].answer, LT_OBD_ANSWERED);
    }
}

static void several_identifiers_of_service_22_need_their_lengths(void **state)
{
    (void)state;
    feed_payload(0x7E0, "2201010102F190");
    assert_true(feed_payload(0x7E8, "62010111223301024401F1902020"));
    assert_int_equal(reply.count, 2);
    check_item(0, 0x0101, "\x11\x22\x33", 3);
    check_item(1, 0x0102, "\x44", 1);
    assert_true(reply.ambiguous); /* 01F1 was not asked: a length of the profile is wrong */
    assert_true(feed_payload(0x7E8, "620101112233010244F190414243"));
    assert_int_equal(reply.count, 3);
    assert_false(reply.ambiguous);
    check_item(2, 0xF190, "ABC", 3);
    /* Without a length, and not the last. */
    assert_true(feed_payload(0x7E8, "62F190414243010111223301024455"));
    assert_int_equal(reply.count, 0);
    assert_true(reply.ambiguous);
}

static void one_identifier_of_service_22_runs_to_the_end(void **state)
{
    (void)state;
    feed("7E0#0322010100000000");
    assert_true(feed_payload(0x7E8, "620101112233445566778899"));
    assert_int_equal(reply.count, 1);
    check_item(0, 0x0101, "\x11\x22\x33\x44\x55\x66\x77\x88\x99", 9);
}

static void other_services_are_given_without_number(void **state)
{
    (void)state;
    feed("7E0#0210030000000000");
    assert_true(feed("7E8#0650030032000000"));
    assert_int_equal(reply.service, 0x10);
    assert_int_equal(reply.count, 1);
    check_item(0, NONE, "\x03\x00\x32\x00\x00", 5);
    check_question(0x10, NONE, 0x7E8, LT_OBD_ANSWERED, 1, 1, 0);
    /* "Tester present" that wants no answer is no question left open. */
    feed("7E0#023E800000000000");
    assert_null(question(0x3E, NONE, 0x7E8));
    feed("7E0#023E000000000000");
    check_question(0x3E, NONE, 0x7E8, LT_OBD_NEVER_ANSWERED, 1, 0, 0);
}

static void frames_of_something_else_on_these_identifiers_are_counted(void **state)
{
    (void)state;
    assert_false(feed("7E8#02010C0000000000")); /* a request where replies belong */
    assert_false(feed("7E8#027F010000000000")); /* a negative reply without its code */
    assert_false(feed("7E8#FFFFFFFFFFFFFFFF"));
    assert_false(feed("7E8#0000000000000000"));
    assert_int_equal(controller(0x7E8)->bad, 3);
    assert_int_equal(controller(0x7E8)->frames, 4);
    assert_false(feed("7E0#0441000000000000")); /* a reply where requests belong */
    const struct lt_obd_question *list;
    assert_int_equal(lt_obd_questions(obd, &list), 0);
    assert_int_equal(lt_obd_counts(obd).replies, 0);
    assert_false(feed("123#02010C0000000000"));
    assert_int_equal(lt_obd_counts(obd).request_frames + lt_obd_counts(obd).reply_frames, 5);
}

/* --- negative replies --- */

static void negative_codes_of_iso_14229_tell_unsupported_locked_and_refused(void **state)
{
    (void)state;
    static const struct {
        const char *code;
        enum lt_obd_answer answer;
    } row[] = {
        {"7E8#037F2211", LT_OBD_UNSUPPORTED}, {"7E8#037F2212", LT_OBD_UNSUPPORTED},
        {"7E8#037F2231", LT_OBD_UNSUPPORTED}, {"7E8#037F2233", LT_OBD_LOCKED},
        {"7E8#037F2222", LT_OBD_REFUSED},     {"7E8#037F2213", LT_OBD_REFUSED},
    };
    for (size_t i = 0; i < COUNT_OF(row); i++) {
        char request[] = "7E0#0322F1A0";
        request[11] = "0123456789"[i];
        feed(request);
        assert_true(feed(row[i].code));
        assert_true(reply.negative);
        assert_int_equal(reply.count, 0);
        assert_int_equal(reply.service, 0x22);
        check_question(0x22, 0xF1A0 + (uint32_t)i, 0x7E8, row[i].answer, 1, 0, 1);
        assert_int_equal(question(0x22, 0xF1A0 + (uint32_t)i, 0x7E8)->last_nrc, reply.nrc);
    }
    assert_int_equal(lt_obd_counts(obd).negative, 6);
}

static void pending_keeps_the_question_open(void **state)
{
    (void)state;
    feed("7E0#0322F40C00000000");
    assert_true(feed("7E8#037F227800000000"));
    assert_true(reply.negative);
    assert_int_equal(reply.nrc, LT_NRC_PENDING);
    check_question(0x22, 0xF40C, 0x7E8, LT_OBD_NEVER_ANSWERED, 1, 0, 0);
    assert_int_equal(question(0x22, 0xF40C, 0x7E8)->pending, 1);
    assert_true(feed("7E8#0562F40C1AF80000"));
    check_question(0x22, 0xF40C, 0x7E8, LT_OBD_ANSWERED, 1, 1, 0);
    assert_int_equal(lt_obd_counts(obd).negative, 0);
    assert_int_equal(lt_obd_counts(obd).pending, 1);
}

static void negative_reply_is_about_all_that_was_asked(void **state)
{
    (void)state;
    feed("7E0#0401040C0D000000");
    feed("7E0#0322F40C00000000");
    feed("7E8#037F011200000000");
    check_question(0x01, 0x04, 0x7E8, LT_OBD_UNSUPPORTED, 1, 0, 1);
    check_question(0x01, 0x0D, 0x7E8, LT_OBD_UNSUPPORTED, 1, 0, 1);
    check_question(0x22, 0xF40C, 0x7E8, LT_OBD_NEVER_ANSWERED, 1, 0, 0);
    /* The request is not in the log. */
    feed("7E9#037F011200000000");
    check_question(0x01, 0x04, 0x7E8, LT_OBD_UNSUPPORTED, 1, 0, 1);
    feed("7E9#037F191100000000");
    check_question(0x19, NONE, 0x7E9, LT_OBD_UNSUPPORTED, 0, 0, 1);
}

static void an_answer_outweighs_a_refusal(void **state)
{
    (void)state;
    feed("7E0#0322F40C00000000");
    feed("7E8#0562F40C1AF80000");
    feed("7E0#0322F40C00000000");
    feed("7E8#037F222200000000");
    check_question(0x22, 0xF40C, 0x7E8, LT_OBD_ANSWERED, 2, 1, 1);
}

static void codes_have_texts(void **state)
{
    (void)state;
    assert_non_null(strstr(lt_nrc_text(LT_NRC_LOCKED), "security"));
    assert_non_null(lt_nrc_text(LT_NRC_PENDING));
    assert_non_null(lt_nrc_text(LT_NRC_SERVICE_NOT_SUPPORTED));
    assert_null(lt_nrc_text(0x00));
    assert_null(lt_nrc_text(0xFF));
}

/* --- questions --- */

static void request_to_all_stays_one_open_question_until_somebody_answers(void **state)
{
    (void)state;
    const struct lt_obd_question *list;
    for (int i = 0; i < 3; i++)
        feed("7DF#02010C0000000000");
    assert_int_equal(lt_obd_questions(obd, &list), 1);
    check_question(0x01, 0x0C, 0, LT_OBD_NEVER_ANSWERED, 3, 0, 0);
    feed("7E8#04410C1AF8AAAAAA");
    feed("7EA#04410C1AF8AAAAAA");
    assert_int_equal(lt_obd_questions(obd, &list), 2);
    check_question(0x01, 0x0C, 0x7E8, LT_OBD_ANSWERED, 3, 1, 0);
    check_question(0x01, 0x0C, 0x7EA, LT_OBD_ANSWERED, 3, 1, 0);
    /* A controller asked alone, without reply, is named; its silence is not covered by the others.
     */
    feed("7E1#02010C0000000000");
    check_question(0x01, 0x0C, 0x7E9, LT_OBD_NEVER_ANSWERED, 1, 0, 0);
    assert_int_equal(lt_obd_questions(obd, &list), 3);
}

static void questions_come_ordered_by_service_number_and_controller(void **state)
{
    (void)state;
    feed("7E0#0322F40D00000000");
    feed("7E1#0322F40C00000000");
    feed("7E0#0322F40C00000000");
    feed("7E0#0209020000000000");
    feed("7DF#02010D0000000000");
    feed("7DF#0103000000000000");
    const struct lt_obd_question *list;
    size_t count = lt_obd_questions(obd, &list);
    assert_int_equal(count, 6);
    static const struct {
        uint8_t service;
        uint32_t number, reply_id;
    } row[] = {{0x01, 0x0D, 0},       {0x03, NONE, 0},       {0x09, 0x02, 0x7E8},
               {0x22, 0xF40C, 0x7E8}, {0x22, 0xF40C, 0x7E9}, {0x22, 0xF40D, 0x7E8}};
    for (size_t i = 0; i < COUNT_OF(row); i++) {
        assert_int_equal(list[i].service, row[i].service);
        assert_int_equal(list[i].number, row[i].number);
        assert_int_equal(list[i].reply_id, row[i].reply_id);
    }
}

static void full_list_counts_what_it_forgets(void **state)
{
    (void)state;
    struct lt_frame frame = frame_of("7E0#0322000000000000", 0);
    for (unsigned number = 0; number < LT_OBD_QUESTIONS_MAX + 5; number++) {
        frame.data[2] = (uint8_t)(number >> 8);
        frame.data[3] = (uint8_t)number;
        lt_obd_feed(obd, &frame, &reply);
    }
    const struct lt_obd_question *list;
    assert_int_equal(lt_obd_questions(obd, &list), LT_OBD_QUESTIONS_MAX);
    assert_int_equal(lt_obd_counts(obd).forgotten, 5);
    assert_int_equal(list[LT_OBD_QUESTIONS_MAX - 1].number, LT_OBD_QUESTIONS_MAX - 1);
}

static void controllers_past_the_ceiling_are_counted_as_forgotten(void **state)
{
    (void)state;
    struct lt_frame frame = frame_of("18DAF100#03410D3C00000000", 0);
    for (unsigned n = 0; n < LT_OBD_CONTROLLERS_MAX + 2; n++) {
        frame.id = 0x18DAF100 | n;
        assert_int_equal(lt_obd_feed(obd, &frame, &reply), n < LT_OBD_CONTROLLERS_MAX);
    }
    const struct lt_obd_controller *list;
    assert_int_equal(lt_obd_controllers(obd, &list), LT_OBD_CONTROLLERS_MAX);
    assert_int_equal(lt_obd_counts(obd).forgotten, 2);
}

/* --- support masks --- */

static void published_mask_example(void **state)
{
    (void)state;
    static const uint8_t wanted[] = {0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0C, 0x0D, 0x0E,
                                     0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C, 0x1F, 0x20};
    uint8_t pids[32];
    const uint8_t mask[4] = {0xBE, 0x1F, 0xA8, 0x13};
    assert_int_equal(lt_obd_mask(0x00, mask, pids), sizeof wanted);
    assert_memory_equal(pids, wanted, sizeof wanted);
    assert_int_equal(lt_obd_mask(0x40, mask, pids), sizeof wanted);
    assert_int_equal(pids[0], 0x41);
    /* The last mask ends with FF. */
    assert_int_equal(lt_obd_mask(0xE0, (const uint8_t[]){0xFF, 0xFF, 0xFF, 0xFF}, pids), 31);

    feed("7DF#0201000000000000");
    feed("7E8#064100BE1FA81300");
    const struct lt_obd_controller *engine = controller(0x7E8);
    assert_int_equal(engine->mask_answered, 1);
    for (uint32_t pid = 1; pid <= 0x20; pid++)
        assert_int_equal(lt_obd_supports(engine, pid),
                         memchr(wanted, (int)pid, sizeof wanted) != NULL);
    assert_int_equal(lt_obd_supports(engine, 0x00), 1);
    assert_int_equal(lt_obd_supports(engine, 0x21), -1);
    assert_int_equal(lt_obd_supports(engine, 0x100), -1);
}

static void silence_is_explained_by_the_masks_that_leave_it_out(void **state)
{
    (void)state;
    feed("7DF#02010A0000000000");
    check_question(0x01, 0x0A, 0, LT_OBD_NEVER_ANSWERED, 1, 0, 0);
    feed("7E8#064100BE1FA81300");
    check_question(0x01, 0x0A, 0, LT_OBD_UNSUPPORTED, 1, 0, 0);
    /* Named by the mask, and yet silent; or in a mask that nobody sent. */
    feed("7DF#02010C0000000000");
    feed("7DF#0201420000000000");
    check_question(0x01, 0x0C, 0, LT_OBD_NEVER_ANSWERED, 1, 0, 0);
    check_question(0x01, 0x42, 0, LT_OBD_NEVER_ANSWERED, 1, 0, 0);
    /* Another controller's mask names it: then the silence is not explained. */
    feed("7E9#0641000040000000");
    check_question(0x01, 0x0A, 0, LT_OBD_NEVER_ANSWERED, 1, 0, 0);
    /* A question to one controller is judged by its own mask. */
    feed("7E0#02010A0000000000");
    check_question(0x01, 0x0A, 0x7E8, LT_OBD_UNSUPPORTED, 1, 0, 0);
}

/* --- loss --- */

static void loss_and_repeats_are_counted_for_their_controller_alone(void **state)
{
    (void)state;
    feed("7E8#1014490201314434");
    feed("7E9#1014490201314434");
    assert_false(feed("7E8#2242313233343536")); /* lost */
    assert_false(feed("7E8#2342313233343536")); /* stray */
    assert_false(feed("7E9#2147503030523535"));
    assert_false(feed("7E9#2147503030523535")); /* repeated */
    assert_true(feed("7E9#2242313233343536"));
    check_item(0, 0x02, "1D4GP00R55B123456", 17);
    feed("7E8#1014490201314434");
    assert_true(feed("7E8#03410D3C00000000")); /* replaced */
    assert_int_equal(controller(0x7E8)->lost, 1);
    assert_int_equal(controller(0x7E8)->stray, 1);
    assert_int_equal(controller(0x7E8)->replaced, 1);
    assert_int_equal(controller(0x7E8)->messages, 1);
    assert_int_equal(controller(0x7E9)->lost, 0);
    assert_int_equal(controller(0x7E9)->repeated, 1);
    assert_int_equal(controller(0x7E9)->messages, 1);
}

static void flow_control_of_the_tester_bridges_a_pause(void **state)
{
    (void)state;
    feed_at("7E8#1014490201314434", 0);
    feed_at("7E0#3000000000000000", 900 * MS);
    feed_at("7E8#2147503030523535", 1800 * MS);
    assert_true(feed_at("7E8#2242313233343536", 1900 * MS));
    assert_int_equal(controller(0x7E8)->timeouts, 0);
    feed_at("7E8#1014490201314434", 3000 * MS);
    assert_false(feed_at("7E8#2147503030523535", 4001 * MS));
    assert_int_equal(controller(0x7E8)->timeouts, 1);
    assert_int_equal(controller(0x7E8)->stray, 1);
}

static void lengths_of_the_encyclopaedia_table(void **state)
{
    (void)state;
    static const struct {
        uint8_t pid, length;
    } row[] = {{0x00, 4}, {0x01, 4}, {0x04, 1}, {0x0C, 2},  {0x0D, 1}, {0x10, 2},
               {0x13, 1}, {0x14, 2}, {0x1B, 2}, {0x1C, 1},  {0x1D, 1}, {0x1E, 1},
               {0x1F, 2}, {0x20, 4}, {0x24, 4}, {0x34, 4},  {0x3C, 2}, {0x41, 4},
               {0x4F, 4}, {0x50, 4}, {0x51, 1}, {0x55, 2},  {0x5E, 2}, {0x64, 5},
               {0x66, 5}, {0x67, 3}, {0x68, 7}, {0x70, 10}, {0x78, 9}, {0x87, 5},
               {0x8E, 1}, {0xA2, 2}, {0xA4, 4}, {0xA6, 4},  {0xC0, 4}, {0xC1, 0}};
    for (size_t i = 0; i < COUNT_OF(row); i++)
        assert_int_equal(lt_obd_pid_length(row[i].pid), row[i].length);
    assert_int_equal(lt_obd_pid_length(UINT32_MAX), 0);
}

/* --- the real recording --- */

/* "(7254.438300) can1 7DF#0201000000000000" */
static bool feed_line(char *line)
{
    char *id = strchr(line, ')');
    id = id ? strchr(id + 2, ' ') : NULL;
    if (!id || !strchr(id + 1, '#'))
        return false;
    struct lt_text time = {line + 1, (size_t)(strchr(line, ')') - line - 1)};
    double seconds = 0;
    assert_true(lt_parse_f64(time, &seconds));
    feed_at(id + 1, (int64_t)(seconds * 1e6 + 0.5) * 1000);
    return true;
}

static void recording_of_the_electric_car(void **state)
{
    (void)state;
    const char *source = getenv("LOOMTAP_SOURCE");
    char path[4096], line[256];
    snprintf(path, sizeof path, "%s/../shared/captures/ev-diagnostics/polled-17min.log",
             source ? source : ".");
    FILE *file = fopen(path, "r");
    if (!file)
        skip();
    size_t lines = 0;
    while (fgets(line, sizeof line, file))
        lines += feed_line(line);
    fclose(file);
    assert_true(lines > 1000);
    struct lt_obd_counts counts = lt_obd_counts(obd);
    assert_int_equal(counts.request_frames, 467);
    assert_int_equal(counts.reply_frames, 780);
    const struct lt_obd_controller *list;
    assert_int_equal(lt_obd_controllers(obd, &list), 4);
    for (uint32_t id = 0x7EA; id <= 0x7ED; id++)
        assert_non_null(controller(id));
    /* Masks 00 and 20 by two controllers, 40 by one of them; the others answered none. */
    assert_int_equal(controller(0x7EB)->mask_answered, 0x3);
    assert_int_equal(controller(0x7EC)->mask_answered, 0x7);
    assert_int_equal(controller(0x7EA)->mask_answered, 0);
    check_question(0x01, 0x00, 0x7EC, LT_OBD_ANSWERED, 323, 322, 0);
    /* Engine and vehicle speed: asked, never answered, and left out of the masks. */
    check_question(0x01, 0x0C, 0, LT_OBD_UNSUPPORTED, 10, 0, 0);
    check_question(0x01, 0x0D, 0, LT_OBD_UNSUPPORTED, 12, 0, 0);
    /* Service 19 has one controller, the older service 18 the other three. */
    check_question(0x19, NONE, 0x7EA, LT_OBD_UNSUPPORTED, 7, 0, 7);
    check_question(0x19, NONE, 0x7EB, LT_OBD_UNSUPPORTED, 6, 0, 6);
    check_question(0x19, NONE, 0x7EC, LT_OBD_ANSWERED, 6, 6, 0);
    check_question(0x18, NONE, 0x7EC, LT_OBD_UNSUPPORTED, 10, 0, 7);
    /* 7E0 was asked by itself and is silent. */
    check_question(0x20, NONE, 0x7E8, LT_OBD_NEVER_ANSWERED, 3, 0, 0);
    assert_int_equal(controller(0x7EC)->messages, 354);
    for (size_t i = 0; i < 4; i++)
        assert_int_equal(list[i].lost + list[i].replaced + list[i].stray + list[i].timeouts +
                             list[i].repeated + list[i].bad,
                         0);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, start, stop)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(identifiers_of_iso_15765_4_are_told_apart),
        TEST(engine_speed_reply_of_sae_j1979),
        TEST(engine_speed_reply_on_29_bit_identifiers),
        TEST(vin_exchange_of_interface_chip_data_sheet),
        TEST(mask_of_service_09_has_no_count_byte),
        TEST(f40c_by_service_22_of_public_identifier_lists),
        TEST(several_pids_in_one_reply),
        TEST(several_pids_without_the_request_in_the_log),
        TEST(a_last_value_may_repeat_its_own_number),
        TEST(unsupported_pids_are_left_out_of_a_joined_reply),
        TEST(padding_inside_the_announced_length_is_no_value),
        TEST(reply_to_something_not_asked_is_given),
        TEST(late_reply_belongs_to_the_request_that_asked_it),
        TEST(unknown_length_in_the_middle_is_ambiguous),
        TEST(unknown_length_alone_runs_to_the_end),
        TEST(lengths_of_the_profile_come_first),
        TEST(value_cut_short_is_given_short),
        TEST(freeze_frame_replies_carry_the_frame_number),
        TEST(trouble_codes_of_three_controllers_in_the_public_thread),
        TEST(several_identifiers_of_service_22_need_their_lengths),
        TEST(one_identifier_of_service_22_runs_to_the_end),
        TEST(other_services_are_given_without_number),
        TEST(frames_of_something_else_on_these_identifiers_are_counted),
        TEST(negative_codes_of_iso_14229_tell_unsupported_locked_and_refused),
        TEST(pending_keeps_the_question_open),
        TEST(negative_reply_is_about_all_that_was_asked),
        TEST(an_answer_outweighs_a_refusal),
        TEST(codes_have_texts),
        TEST(request_to_all_stays_one_open_question_until_somebody_answers),
        TEST(questions_come_ordered_by_service_number_and_controller),
        TEST(full_list_counts_what_it_forgets),
        TEST(controllers_past_the_ceiling_are_counted_as_forgotten),
        TEST(published_mask_example),
        TEST(silence_is_explained_by_the_masks_that_leave_it_out),
        TEST(loss_and_repeats_are_counted_for_their_controller_alone),
        TEST(flow_control_of_the_tester_bridges_a_pause),
        TEST(lengths_of_the_encyclopaedia_table),
        TEST(recording_of_the_electric_car),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
