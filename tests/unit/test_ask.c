/* The polite tester against a car made for the purpose (ask_car.h). Outside facts: SAE J1979 as
 * tabulated in the encyclopaedia's "OBD-II PIDs" (services, identifiers, masks, the worked example
 * 410C1AF8 = 1726 rpm), ISO 15765-2 (flow control 30 00 00, single frames), ISO 15765-4 (six PIDs a
 * request, 11 then 29 bits, P2 50 ms), ISO 14229-1 (negative response codes 11, 12, 31, 33, 34,
 * 78), SAE J1979-2 / ISO 27145 (F4xx), and the VIN exchange in the data sheet of an OBD interface
 * chip. */
#include "unit.h"

#include "ask_car.h"

#define VIN_REPLY "4902013144344750303052353542313233343536"

static struct car car;

/* An engine controller with what the masks 00 and 40 name, and a gearbox with 0C and 0D. Masks by
 * SAE J1979: byte A bit 7 is the number behind the mask's own, the last bit says that the next mask
 * is there. 04 05 0C 0D 0F 11 (18 1A 80 01: with the next mask); 44 49 (10 80 00 00). */
static const struct row engine[] = {
    {0x7E8, "0100", "4100181A8001", 10, false}, {0x7E8, "0120", "412000000001", 10, false},
    {0x7E8, "0140", "414010800000", 10, false}, {0x7E8, "010C", "410C1AF8", 10, false},
    {0x7E8, "010D", "410D3C", 10, false},       {0x7E8, "0105", "41057B", 10, false},
    {0x7E8, "0104", "410480", 10, false},       {0x7E8, "010F", "410F50", 10, false},
    {0x7E8, "0111", "411133", 10, false},       {0x7E8, "0144", "41446B85", 10, false},
    {0x7E8, "0900", "490054000000", 10, false}, {0x7E8, "0902", VIN_REPLY, 10, false},
    {0x7E8, "03", "43020102D600", 10, false},   {0x7E9, "0100", "410000180000", 20, false},
    {0x7E9, "010C", "410C1B00", 10, false},     {0x7E9, "010D", "410D3D", 10, false},
    {0x7E9, "03", "4300", 10, false},
};

static void begin_with(const struct row *rows, size_t count, const struct lt_ask_options *options)
{
    struct lt_error error;
    lt_ask_free(car.ask);
    memset(&car, 0, sizeof car);
    car.rows = rows;
    car.row_count = count;
    assert_int_equal(lt_ask_new(&car.ask, options, 0, &error), LT_OK);
}

static void begin(const struct row *rows, size_t count, const struct lt_ask_wanted *wanted,
                  size_t wanted_count, uint64_t rounds)
{
    const struct lt_ask_options options = {
        .wanted = wanted, .wanted_count = wanted_count, .rounds = rounds, .seed = 1};
    begin_with(rows, count, &options);
}

#define BEGIN(rows, wanted, rounds) begin(rows, COUNT_OF(rows), wanted, COUNT_OF(wanted), rounds)

static int stop(void **state)
{
    (void)state;
    lt_ask_free(car.ask);
    car.ask = NULL;
    return 0;
}

static struct lt_ask_outcome outcome(size_t n)
{
    struct lt_ask_outcome found = {.answer = LT_OBD_NEVER_ANSWERED};
    assert_true(lt_ask_outcome(car.ask, n, &found));
    return found;
}

/* In no second more than `most` frames of the tester, flow control among them. */
static void check_rate(size_t most)
{
    for (size_t i = 0; i + most < car.sent_count; i++)
        assert_true(car.sent[i + most].time_ns - car.sent[i].time_ns >= 1000 * MS);
}

static void check_allowed(void)
{
    for (size_t i = 0; i < car.sent_count; i++)
        assert_true(lt_ask_is_allowed(&car.sent[i].frame));
}

/* ---- what may be sent ---- */

static bool is_read_only(unsigned service)
{
    static const uint8_t list[] = {0x01, 0x02, 0x03, 0x07, 0x09, 0x0A, 0x22};
    for (size_t i = 0; i < sizeof list; i++)
        if (list[i] == service)
            return true;
    return false;
}

static void test_no_other_service_can_be_built(void **state)
{
    static const uint32_t numbers[2][2] = {{0x00, 0x01}, {0xF40C, 0xF190}};
    (void)state;
    for (unsigned service = 0; service < 256; service++) {
        bool built = false;
        uint8_t payload[7] = {0};
        struct lt_error error;
        struct lt_ask *ask = NULL;
        for (size_t i = 0; i < 2; i++)
            for (size_t count = 0; count <= 2; count++)
                if (lt_ask_payload((uint8_t)service, numbers[i], count, payload)) {
                    built = true;
                    assert_int_equal(payload[0], service);
                }
        assert_int_equal(built, is_read_only(service));
        assert_int_equal(lt_ask_may((uint8_t)service), is_read_only(service));
        if (is_read_only(service))
            continue;
        for (unsigned i = 0; i < 2; i++) {
            struct lt_ask_wanted wanted = {(uint8_t)service, i ? LT_OBD_NO_NUMBER : 0x0C};
            const struct lt_ask_options options = {.wanted = &wanted, .wanted_count = 1};
            assert_int_equal(lt_ask_new(&ask, &options, 0, &error), LT_E_UNKNOWN);
            assert_null(ask);
        }
    }
}

static void test_frames_of_other_services_are_held_back(void **state)
{
    (void)state;
    for (unsigned service = 0; service < 256; service++)
        for (unsigned length = 0; length < 16; length++) {
            struct lt_frame frame = frame_of("7E0#0000000000000000", 0);
            frame.data[0] = (uint8_t)length;
            frame.data[1] = (uint8_t)service;
            bool allowed = lt_ask_is_allowed(&frame);
            assert_true(!allowed || is_read_only(service));
        }
    /* Clearing codes, control, resets, sessions, security, writing. */
    static const char *const never[] = {
        "7DF#0104000000000000", "7E0#0104000000000000", "7E0#0208010000000000",
        "7E0#021101000000000",  "7E0#0210030000000000", "7E0#0227010000000000",
        "7E0#032EF1900000000",  "7E0#0431010203000000", "7E0#0314FFFF00000000",
    };
    for (size_t i = 0; i < COUNT_OF(never); i++) {
        struct lt_frame frame = frame_of(never[i], 0);
        frame.len = 8;
        assert_false(lt_ask_is_allowed(&frame));
    }
}

static void test_only_request_identifiers_are_sent_to(void **state)
{
    static const struct {
        const char *text;
        bool allowed;
    } rows[] = {
        {"7DF#0201000000000000", true},      {"7E0#02010C0000000000", true},
        {"7E7#02010C0000000000", true},      {"7E8#02010C0000000000", false},
        {"123#02010C0000000000", false},     {"18DB33F1#0201000000000000", true},
        {"18DA10F1#02010C0000000000", true}, {"18DAF110#02010C0000000000", false},
        {"7E0#3000000000000000", true},      {"7DF#3000000000000000", false},
        {"7E0#3100000000000000", false},     {"7E0#3005000000000000", false},
        {"7E0#1008010C0D040511", false},     {"7E0#02010C", false},
        {"7E0##102010C0000000000", false},   {"18DB33F1#010400000000000000", false},
    };
    (void)state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_frame frame = frame_of(rows[i].text, 0);
        assert_int_equal(lt_ask_is_allowed(&frame), rows[i].allowed);
    }
}

static void test_numbers_that_no_service_has_are_refused(void **state)
{
    static const struct lt_ask_wanted bad[] = {
        {0x01, 0x100}, {0x01, LT_OBD_NO_NUMBER}, {0x03, 0x00}, {0x22, 0x10000}, {0x09, 0x1FF}};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(bad); i++) {
        struct lt_ask *ask = NULL;
        struct lt_error error;
        const struct lt_ask_options options = {.wanted = &bad[i], .wanted_count = 1};
        assert_int_equal(lt_ask_new(&ask, &options, 0, &error), LT_E_RANGE);
        assert_null(ask);
    }
}

static void test_more_than_six_together_is_no_request(void **state)
{
    static const uint32_t numbers[7] = {0x04, 0x05, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F};
    uint8_t payload[7];
    (void)state;
    assert_int_equal(lt_ask_payload(0x01, numbers, 6, payload), 7);
    assert_int_equal(lt_ask_payload(0x01, numbers, 7, payload), 0);
}

/* ---- asking ---- */

static void test_listens_before_the_first_question(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    (void)state;
    BEGIN(engine, wanted, 1);
    run_ms(&car, 1900);
    assert_int_equal(car.sent_count, 0);
    assert_int_equal(run_to_end(&car), LT_ASK_DONE);
    assert_string_equal(text_of(&car.sent[0].frame), "7DF#0201000000000000");
    assert_true(car.sent[0].time_ns >= 2000 * MS);
}

static void test_engine_speed_comes_from_the_engine_alone(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    (void)state;
    BEGIN(engine, wanted, 3);
    assert_int_equal(run_to_end(&car), LT_ASK_DONE);
    assert_int_equal(car.heard_count, 3);
    for (size_t i = 0; i < 3; i++) {
        assert_int_equal(car.heard[i].id, 0x7E8);
        assert_int_equal(car.heard[i].item[0].number, 0x0C);
        assert_memory_equal(car.heard[i].item[0].data, "\x1A\xF8", 2); /* 1726 rpm */
    }
    assert_int_equal(count_sent(&car, "7E0#02010C0000000000"), 3);
    assert_int_equal(outcome(0).answer, LT_OBD_ANSWERED);
    assert_int_equal(outcome(0).answered, 3);
    assert_int_equal(outcome(0).reply_id, 0x7E8);
}

static void test_masks_are_asked_first_and_no_further_than_needed(void **state)
{
    static const struct lt_ask_wanted low[] = {{0x01, 0x0C}}, high[] = {{0x01, 0x44}};
    (void)state;
    BEGIN(engine, low, 1);
    run_to_end(&car);
    assert_int_equal(count_sent(&car, "7DF#0201200000000000"), 0);
    BEGIN(engine, high, 1);
    run_to_end(&car);
    assert_int_equal(count_sent(&car, "7DF#0201200000000000"), 1);
    assert_int_equal(count_sent(&car, "7DF#0201400000000000"), 1);
    assert_int_equal(count_sent(&car, "7DF#0201600000000000"), 0);
    assert_string_equal(text_of(&car.sent[car.sent_count - 1].frame), "7E0#0201440000000000");
}

static void test_what_the_masks_leave_out_is_unsupported_and_not_asked(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0B}, {0x01, 0x0C}, {0x01, 0x62}};
    (void)state;
    BEGIN(engine, wanted, 2);
    assert_int_equal(run_to_end(&car), LT_ASK_DONE);
    assert_int_equal(count_sent(&car, "7E0#02010B0000000000"), 0);
    assert_int_equal(outcome(0).answer, LT_OBD_UNSUPPORTED);
    assert_int_equal(outcome(1).answer, LT_OBD_ANSWERED);
    assert_int_equal(outcome(2).answer, LT_OBD_UNSUPPORTED);
}

static void test_never_more_than_five_frames_a_second_flow_control_among_them(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x09, 0x02}, {0x01, 0x0C},
                                                  {0x01, 0x0D}, {0x01, 0x04},
                                                  {0x01, 0x05}, {0x03, LT_OBD_NO_NUMBER}};
    (void)state;
    BEGIN(engine, wanted, 40);
    car.life_every_ms = 50;
    run_ms(&car, 40000);
    assert_true(car.sent_count > 100);
    check_rate(5);
    check_allowed();
}

static void test_flow_control_counts_where_every_reply_needs_it(void **state)
{
    static const struct row rows[] = {{0x7E8, "0100", "410018180000", 10, false},
                                      {0x7E8, "22F190", "62F1904142434445464748", 150, false}};
    static const struct lt_ask_wanted wanted[] = {{0x22, 0xF190}};
    (void)state;
    BEGIN(rows, wanted, 40);
    assert_int_equal(run_to_end(&car), LT_ASK_DONE);
    assert_int_equal(lt_ask_counts(car.ask)->flow_controls, 40);
    check_rate(5);
}

static void test_the_rate_can_be_lower(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    const struct lt_ask_options options = {
        .wanted = wanted, .wanted_count = 1, .rounds = 10, .rate = 1.0};
    (void)state;
    begin_with(engine, COUNT_OF(engine), &options);
    run_to_end(&car);
    check_rate(1);
}

static void test_jitter_comes_from_the_seed_alone(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    static struct sent first[32];
    (void)state;
    for (unsigned turn = 0; turn < 3; turn++) {
        const struct lt_ask_options options = {
            .wanted = wanted, .wanted_count = 1, .rounds = 20, .seed = turn == 2 ? 9 : 4};
        begin_with(engine, COUNT_OF(engine), &options);
        run_to_end(&car);
        assert_true(car.sent_count > 20 && car.sent_count < 32);
        bool same = true;
        for (size_t i = 0; i < car.sent_count; i++)
            same = same && first[i].time_ns == car.sent[i].time_ns;
        if (turn > 0)
            assert_int_equal(same, turn == 1);
        else
            memcpy(first, car.sent, car.sent_count * sizeof first[0]);
    }
}

static void test_a_vehicle_number_comes_in_parts_after_flow_control(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x09, 0x02}};
    (void)state;
    BEGIN(engine, wanted, 2);
    assert_int_equal(run_to_end(&car), LT_ASK_DONE);
    assert_int_equal(count_sent(&car, "7E0#0209020000000000"), 1); /* once, whatever the rounds */
    assert_int_equal(count_sent(&car, "7E0#3000000000000000"), 1);
    assert_int_equal(car.heard_count, 1);
    assert_int_equal(car.heard[0].item[0].length, 17);
    assert_memory_equal(car.heard[0].item[0].data, "1D4GP00R55B123456", 17);
    assert_int_equal(lt_ask_counts(car.ask)->flow_controls, 1);
}

static void test_codes_are_read_of_each_controller(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x03, LT_OBD_NO_NUMBER}};
    (void)state;
    BEGIN(engine, wanted, 1);
    assert_int_equal(run_to_end(&car), LT_ASK_DONE);
    assert_int_equal(count_sent(&car, "7E0#0103000000000000"), 1);
    assert_int_equal(count_sent(&car, "7E1#0103000000000000"), 1);
    assert_int_equal(car.heard_count, 2);
}

/* Asleep between the moments that it names, it does the same as when it is looked at all the time.
 */
static void test_it_says_when_it_has_something_to_do(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x09, 0x02}, {0x01, 0x0C}, {0x01, 0x44}};
    static struct sent all[SENT_MAX];
    (void)state;
    BEGIN(engine, wanted, 6);
    assert_int_equal(run_to_end(&car), LT_ASK_DONE);
    size_t count = car.sent_count;
    memcpy(all, car.sent, count * sizeof all[0]);
    BEGIN(engine, wanted, 6);
    for (size_t turn = 0; turn < 1000 && !has_ended(&car); turn++) {
        int64_t due_ns = lt_ask_due_ns(car.ask);
        for (size_t i = 0; i < car.coming_count; i++)
            due_ns = car.coming[i].time_ns < due_ns ? car.coming[i].time_ns : due_ns;
        int64_t at_ns = (due_ns + STEP_NS - 1) / STEP_NS * STEP_NS;
        assert_true(at_ns > car.now_ns); /* it never names what is over */
        car.now_ns = at_ns - STEP_NS;
        step(&car);
    }
    assert_true(has_ended(&car));
    assert_int_equal(car.sent_count, count);
    for (size_t i = 0; i < count; i++) {
        assert_int_equal(car.sent[i].time_ns, all[i].time_ns);
        assert_true(memcmp(car.sent[i].frame.data, all[i].frame.data, 8) == 0);
    }
}

static void test_the_moment_when_silence_means_key_off_is_named(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    const struct lt_ask_options options = {
        .wanted = wanted, .wanted_count = 1, .every_ns = 60000 * MS};
    (void)state;
    begin_with(engine, COUNT_OF(engine), &options);
    car.life_every_ms = 10;
    run_ms(&car, 5000);
    assert_int_equal(lt_ask_due_ns(car.ask), car.life_ns + 3000 * MS);
}

/* ---- several in a request ---- */

static const struct row together[] = {
    {0x7E8, "0100", "4100181A8000", 10, false}, {0x7E8, "01040C0D", "4104800C1AF80D3C", 10, false},
    {0x7E8, "0104", "410480", 10, false},       {0x7E8, "010C", "410C1AF8", 10, false},
    {0x7E8, "010D", "410D3C", 10, false},
};
static const struct lt_ask_wanted three[] = {{0x01, 0x04}, {0x01, 0x0C}, {0x01, 0x0D}};

static void test_several_values_come_in_one_request_where_the_car_takes_it(void **state)
{
    (void)state;
    BEGIN(together, three, 5);
    assert_int_equal(run_to_end(&car), LT_ASK_DONE);
    assert_int_equal(count_sent(&car, "7E0#0401040C0D000000"), 5);
    assert_int_equal(count_sent(&car, "7E0#3000000000000000"), 5);
    assert_int_equal(count_sent(&car, "7E0#02010C0000000000"), 0);
    assert_int_equal(car.heard_count, 5);
    assert_int_equal(car.heard[0].count, 3);
}

static void test_several_values_are_tried_once_then_asked_one_by_one(void **state)
{
    static const struct row first_only[] = {
        {0x7E8, "0100", "4100181A8000", 10, false}, {0x7E8, "01040C0D", "410480", 10, false},
        {0x7E8, "0104", "410480", 10, false},       {0x7E8, "010C", "410C1AF8", 10, false},
        {0x7E8, "010D", "410D3C", 10, false},
    };
    static const struct row refused[] = {
        {0x7E8, "0100", "4100181A8000", 10, false}, {0x7E8, "01040C0D", "7F0112", 10, false},
        {0x7E8, "0104", "410480", 10, false},       {0x7E8, "010C", "410C1AF8", 10, false},
        {0x7E8, "010D", "410D3C", 10, false},
    };
    static const struct row silent[] = {
        {0x7E8, "0100", "4100181A8000", 10, false},
        {0x7E8, "0104", "410480", 10, false},
        {0x7E8, "010C", "410C1AF8", 10, false},
        {0x7E8, "010D", "410D3C", 10, false},
    };
    static const struct {
        const struct row *rows;
        size_t count;
    } cars[] = {{first_only, COUNT_OF(first_only)},
                {refused, COUNT_OF(refused)},
                {silent, COUNT_OF(silent)}};
    (void)state;
    for (size_t i = 0; i < COUNT_OF(cars); i++) {
        begin(cars[i].rows, cars[i].count, three, 3, 3);
        assert_int_equal(run_to_end(&car), LT_ASK_DONE);
        assert_int_equal(count_sent(&car, "7E0#0401040C0D000000"), 1);
        assert_int_equal(count_sent(&car, "7E0#02010C0000000000"), 3);
        for (size_t k = 0; k < 3; k++)
            assert_int_equal(outcome(k).answer, LT_OBD_ANSWERED);
    }
}

/* ---- addressing ---- */

static void test_29_bits_are_tried_when_11_are_not_answered(void **state)
{
    static const struct row rows[] = {{0x18DAF110, "0100", "4100181A8000", 10, false},
                                      {0x18DAF110, "010C", "410C1AF8", 10, false}};
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    bool extended = false;
    (void)state;
    BEGIN(rows, wanted, 1);
    assert_int_equal(run_to_end(&car), LT_ASK_DONE);
    assert_int_equal(count_sent(&car, "18DB33F1#0201000000000000"), 1);
    assert_int_equal(count_sent(&car, "18DA10F1#02010C0000000000"), 1);
    assert_int_equal(lt_ask_controllers(car.ask, &extended), 1);
    assert_true(extended);
}

static void test_29_bits_come_first_where_they_were_heard(void **state)
{
    static const struct row rows[] = {{0x18DAF110, "0100", "4100181A8000", 10, false},
                                      {0x18DAF110, "010C", "410C1AF8", 10, false}};
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    (void)state;
    BEGIN(rows, wanted, 1);
    run_ms(&car, 100);
    hear_text(&car, "18DB33F1#0201000000000000");
    assert_int_equal(run_to_end(&car), LT_ASK_DONE);
    assert_string_equal(text_of(&car.sent[0].frame), "18DB33F1#0201000000000000");
}

static void test_where_nobody_answers_it_gives_up_soon(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    (void)state;
    begin(NULL, 0, wanted, 1, 0);
    assert_int_equal(run_to_end(&car), LT_ASK_NO_ANSWER);
    assert_true(car.sent_count <= 6);
    assert_true(car.now_ns < 30000 * MS);
    for (size_t i = 2; i < car.sent_count; i++) /* later and later */
        assert_true(car.sent[i].time_ns - car.sent[i - 1].time_ns > 400 * MS);
    assert_int_equal(outcome(0).answer, LT_OBD_NEVER_ANSWERED);
}

static void test_a_controller_deaf_to_requests_to_it_alone_is_asked_with_all(void **state)
{
    static const struct row rows[] = {{0x7E8, "0100", "410018180000", 10, true},
                                      {0x7E8, "010C", "410C1AF8", 10, true}};
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    (void)state;
    BEGIN(rows, wanted, 4);
    assert_int_equal(run_to_end(&car), LT_ASK_DONE);
    assert_int_equal(count_sent(&car, "7E0#02010C0000000000"), 2);
    assert_int_equal(count_sent(&car, "7DF#02010C0000000000"), 4);
    assert_int_equal(outcome(0).answered, 4);
}

/* ---- UDS, locked, refused ---- */

static void test_uds_is_asked_where_service_01_is_silent(void **state)
{
    static const struct row rows[] = {{0x7E8, "22F400", "62F400181A8000", 10, false},
                                      {0x7E8, "22F40C", "62F40C1AF8", 10, false}};
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}, {0x01, 0x0B}};
    (void)state;
    BEGIN(rows, wanted, 1);
    assert_int_equal(run_to_end(&car), LT_ASK_DONE);
    assert_int_equal(count_sent(&car, "7E0#0322F40C00000000"), 1);
    assert_int_equal(car.heard_count, 1);
    assert_memory_equal(car.heard[0].item[0].data, "\x1A\xF8", 2);
    assert_int_equal(outcome(0).answer, LT_OBD_ANSWERED);
    assert_true(outcome(0).uds);
    assert_int_equal(outcome(1).answer, LT_OBD_UNSUPPORTED); /* the mask F400 leaves it out */
}

static void test_uds_is_tried_for_a_value_that_service_01_promises_and_does_not_give(void **state)
{
    static const struct row rows[] = {{0x7E8, "0100", "410018180000", 10, false},
                                      {0x7E8, "0104", "410480", 10, false},
                                      {0x7E8, "22F40C", "62F40C1AF8", 10, false}};
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x04}, {0x01, 0x0C}};
    (void)state;
    BEGIN(rows, wanted, 8);
    assert_int_equal(run_to_end(&car), LT_ASK_DONE);
    assert_int_equal(outcome(1).answer, LT_OBD_ANSWERED);
    assert_true(outcome(1).uds);
}

static void test_locked_is_told_from_unsupported(void **state)
{
    static const struct row rows[] = {
        {0x7E8, "0100", "410018180000", 10, false}, {0x7E8, "22F18C", "7F2233", 10, false},
        {0x7E8, "22F18B", "7F2234", 10, false},     {0x7E8, "22F190", "7F2231", 10, false},
        {0x7E8, "22F187", "7F2211", 10, false},     {0x7E8, "22F188", "7F2212", 10, false},
        {0x7E8, "22F189", "7F2222", 10, false},
    };
    static const struct lt_ask_wanted wanted[] = {{0x22, 0xF18C}, {0x22, 0xF18B}, {0x22, 0xF190},
                                                  {0x22, 0xF187}, {0x22, 0xF188}, {0x22, 0xF189}};
    static const struct {
        enum lt_obd_answer answer;
        uint8_t nrc;
    } expected[] = {{LT_OBD_LOCKED, 0x33},      {LT_OBD_LOCKED, 0x34},
                    {LT_OBD_UNSUPPORTED, 0x31}, {LT_OBD_UNSUPPORTED, 0x11},
                    {LT_OBD_UNSUPPORTED, 0x12}, {LT_OBD_REFUSED, 0x22}};
    (void)state;
    BEGIN(rows, wanted, 3);
    assert_int_equal(run_to_end(&car), LT_ASK_DONE);
    for (size_t i = 0; i < COUNT_OF(expected); i++) {
        assert_int_equal(outcome(i).answer, expected[i].answer);
        assert_int_equal(outcome(i).nrc, expected[i].nrc);
    }
    assert_int_equal(count_sent(&car, "7E0#0322F18C00000000"), 1); /* locked: not asked again */
    assert_int_equal(count_sent(&car, "7E0#0322F19000000000"), 1);
    assert_int_equal(car.heard_count, 0);
}

static void test_a_locked_service_01_is_locked_and_not_unsupported(void **state)
{
    static const struct row rows[] = {{0x7E8, "0100", "7F0133", 10, false}};
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    (void)state;
    BEGIN(rows, wanted, 1);
    assert_int_equal(run_to_end(&car), LT_ASK_DONE);
    assert_int_equal(outcome(0).answer, LT_OBD_LOCKED);
    assert_int_equal(outcome(0).nrc, 0x33);
}

/* ---- backing off ---- */

static void test_waits_while_a_reply_is_pending(void **state)
{
    static const struct row rows[] = {{0x7E8, "0100", "410018180000", 10, false},
                                      {0x7E8, "010C", "7F0178410C1AF8", 10, false},
                                      {0x7E8, "0104", "410480", 10, false}};
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}, {0x22, 0xF190}};
    (void)state;
    BEGIN(rows, wanted, 1);
    run_to_end(&car);
    size_t at = 0;
    while (at < car.sent_count && strcmp(text_of(&car.sent[at].frame), "7E0#02010C0000000000") != 0)
        at++;
    assert_true(at + 1 < car.sent_count);
    /* Nothing in the two seconds until the reply, and a second more of peace. */
    assert_true(car.sent[at + 1].time_ns - car.sent[at].time_ns >= 3000 * MS);
    assert_int_equal(outcome(0).answer, LT_OBD_ANSWERED);
    assert_int_equal(lt_ask_counts(car.ask)->pending, 1);
}

static void test_a_late_reply_counts_and_makes_it_patient(void **state)
{
    static const struct row rows[] = {{0x7E8, "0100", "410018180000", 10, false},
                                      {0x7E8, "010C", "410C1AF8", 320, false}};
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    (void)state;
    BEGIN(rows, wanted, 4);
    assert_int_equal(run_to_end(&car), LT_ASK_DONE);
    assert_int_equal(outcome(0).answered, 4);
    assert_int_equal(lt_ask_counts(car.ask)->late, 1);
    assert_int_equal(lt_ask_counts(car.ask)->foreign, 0);
}

static void test_error_frames_hold_it_and_going_on_ends_it(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    struct lt_frame error = {.id = 0x88, .flags = LT_FRAME_ERROR, .len = 8};
    (void)state;
    BEGIN(engine, wanted, 0);
    car.life_every_ms = 20;
    run_ms(&car, 5000);
    size_t before = car.sent_count;
    assert_true(before > 5);
    for (int i = 0; i < 50; i++)
        hear(&car, LT_ASK_HERE, &error);
    run_ms(&car, 900);
    assert_int_equal(car.sent_count, before);
    run_ms(&car, 3000);
    assert_true(car.sent_count > before);
    for (int i = 0; i < 4000 && !has_ended(&car); i++) {
        hear(&car, LT_ASK_HERE, &error);
        step(&car);
    }
    enum lt_ask_end end;
    assert_int_equal(lt_ask_state(car.ask, &end), LT_ASK_ENDED);
    assert_int_equal(end, LT_ASK_ERRORS);
}

static void test_lost_arbitration_is_no_error(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    struct lt_frame error = {.id = 0x02, .flags = LT_FRAME_ERROR, .len = 8};
    (void)state;
    BEGIN(engine, wanted, 5);
    run_ms(&car, 2500);
    hear(&car, LT_ASK_HERE, &error);
    enum lt_ask_end end;
    assert_int_not_equal(lt_ask_state(car.ask, &end), LT_ASK_HOLDING);
}

static void test_bus_off_ends_it_for_good(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    struct lt_frame error = {.id = 0x40, .flags = LT_FRAME_ERROR, .len = 8};
    const struct lt_ask_options options = {.wanted = wanted, .wanted_count = 1, .wakes = true};
    (void)state;
    begin_with(engine, COUNT_OF(engine), &options);
    car.life_every_ms = 20;
    run_ms(&car, 5000);
    hear(&car, LT_ASK_HERE, &error);
    size_t before = car.sent_count;
    run_ms(&car, 100000);
    assert_int_equal(car.sent_count, before);
    assert_int_equal(run_to_end(&car), LT_ASK_BUS_OFF);
}

static void test_frames_that_do_not_go_out_end_it(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    struct lt_frame frame;
    size_t tries = 0;
    (void)state;
    BEGIN(engine, wanted, 0);
    for (int64_t now = 0; now < 60000 * MS; now += STEP_NS)
        if (lt_ask_next(car.ask, now, &frame)) {
            lt_ask_sent(car.ask, false, now);
            tries++;
        }
    enum lt_ask_end end;
    lt_ask_state(car.ask, &end);
    assert_int_equal(end, LT_ASK_NOT_SENT);
    assert_int_equal(tries, 5);
}

/* ---- somebody else ---- */

static void check_yields_to(const char *text)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    enum lt_ask_end end;
    BEGIN(engine, wanted, 0);
    run_ms(&car, 4000);
    size_t before = car.sent_count;
    assert_true(before > 3);
    for (int i = 0; i < 5; i++) { /* for five seconds, and five more of peace */
        hear_text(&car, text);
        run_ms(&car, 1000);
        assert_int_equal(car.sent_count, before);
        assert_int_equal(lt_ask_state(car.ask, &end), LT_ASK_YIELDING);
    }
    run_ms(&car, 3900);
    assert_int_equal(car.sent_count, before);
    run_ms(&car, 1000);
    assert_true(car.sent_count > before);
    assert_int_equal(lt_ask_counts(car.ask)->foreign, 5);
}

static void test_yields_to_another_tester(void **state)
{
    (void)state;
    check_yields_to("7DF#0201000000000000");
    check_yields_to("7E0#02010C0000000000");
    check_yields_to("7E2#0322F19000000000");
    check_yields_to("18DB33F1#0201000000000000");
    check_yields_to("18DA10F1#0210030000000000");
    check_yields_to("7EB#0662F190AABBCC00"); /* a reply that nobody here asked for */
}

static void test_a_tester_at_work_is_waited_for_before_the_first_question(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    (void)state;
    BEGIN(engine, wanted, 1);
    for (int i = 0; i < 20; i++) {
        run_ms(&car, 1000);
        hear_text(&car, "7DF#02010D0000000000");
    }
    assert_int_equal(car.sent_count, 0);
    run_ms(&car, 6000);
    assert_true(car.sent_count > 0);
}

static void test_no_flow_control_for_replies_to_somebody_else(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    (void)state;
    BEGIN(engine, wanted, 0);
    run_ms(&car, 4000);
    hear_text(&car, "7E8#1014490201314434");
    run_ms(&car, 2000);
    assert_int_equal(count_sent(&car, "7E0#3000000000000000"), 0);
}

/* ---- key off ---- */

static void test_stops_within_seconds_when_replies_cease(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    (void)state;
    BEGIN(engine, wanted, 0);
    run_ms(&car, 8000);
    size_t before = car.sent_count;
    car.asleep = true;
    int64_t off_ns = car.now_ns;
    assert_int_equal(run_to_end(&car), LT_ASK_REPLIES_CEASE);
    assert_true(car.now_ns - off_ns < 7000 * MS);
    assert_true(car.sent_count - before <= 5);
    before = car.sent_count;
    run_ms(&car, 600000);
    assert_int_equal(car.sent_count, before);
}

static void test_stops_within_seconds_when_the_bus_goes_quiet_though_replies_come(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    (void)state;
    BEGIN(engine, wanted, 0);
    car.life_every_ms = 10;
    run_ms(&car, 8000);
    car.life_every_ms = 0;
    int64_t off_ns = car.now_ns;
    assert_int_equal(run_to_end(&car), LT_ASK_BUS_QUIET);
    assert_true(car.now_ns - off_ns < 4000 * MS);
}

static void test_a_bus_that_runs_down_with_a_few_frames_counts_as_quiet(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    const struct lt_ask_options options = {.wanted = wanted, .wanted_count = 1, .wakes = true};
    (void)state;
    begin_with(engine, COUNT_OF(engine), &options);
    car.life_every_ms = 10;
    run_ms(&car, 8000);
    car.life_every_ms = 500; /* network management after the key is off */
    run_ms(&car, 6000);
    enum lt_ask_end end;
    assert_int_equal(lt_ask_state(car.ask, &end), LT_ASK_ENDED);
    assert_int_equal(end, LT_ASK_BUS_QUIET);
    size_t before = car.sent_count;
    run_ms(&car, 300000); /* and it wakes nothing */
    assert_int_equal(car.sent_count, before);
    car.life_every_ms = 10;
    run_ms(&car, 6000);
    assert_true(car.sent_count > before);
}

static void test_a_bus_that_speaks_in_bursts_is_not_quiet_between_them(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    (void)state;
    BEGIN(engine, wanted, 0);
    for (int i = 0; i < 8; i++) {
        car.life_every_ms = 400;
        run_ms(&car, 9000);
        car.life_every_ms = 5; /* somebody opens a door */
        run_ms(&car, 500);
    }
    assert_false(has_ended(&car));
}

static void test_the_other_bus_going_quiet_stops_it_too(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    const struct lt_frame life = frame_of("0C4#00", 0);
    (void)state;
    BEGIN(engine, wanted, 0);
    for (int i = 0; i < 800; i++) {
        hear(&car, LT_ASK_ELSEWHERE, &life);
        step(&car);
    }
    assert_false(has_ended(&car));
    assert_int_equal(run_to_end(&car), LT_ASK_BUS_QUIET);
}

static void test_an_engine_that_stands_long_behind_a_gateway_ends_it(void **state)
{
    static struct row rows[] = {{0x7E8, "0100", "410018180000", 10, false},
                                {0x7E8, "010C", "410C1AF8", 10, false}};
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    (void)state;
    rows[1].reply = "410C1AF8";
    BEGIN(rows, wanted, 0);
    run_ms(&car, 10000);
    rows[1].reply = "410C0000";
    run_ms(&car, 110000); /* an engine that waits at a light */
    assert_false(has_ended(&car));
    assert_int_equal(run_to_end(&car), LT_ASK_ENGINE_STANDS);
    assert_true(car.now_ns < 140000 * MS);
}

static void test_begins_again_when_the_bus_wakes_if_wished(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    const struct lt_ask_options options = {.wanted = wanted, .wanted_count = 1, .wakes = true};
    (void)state;
    begin_with(engine, COUNT_OF(engine), &options);
    car.life_every_ms = 20;
    run_ms(&car, 6000);
    car.life_every_ms = 0;
    car.asleep = true;
    run_ms(&car, 6000);
    size_t before = car.sent_count;
    run_ms(&car, 300000);
    assert_int_equal(car.sent_count, before);
    car.life_every_ms = 20;
    car.asleep = false;
    run_ms(&car, 6000);
    assert_true(car.sent_count > before);
    assert_false(has_ended(&car));
}

static void test_traffic_that_never_stopped_does_not_wake_it(void **state)
{
    static const struct lt_ask_wanted wanted[] = {{0x01, 0x0C}};
    const struct lt_ask_options options = {.wanted = wanted, .wanted_count = 1, .wakes = true};
    (void)state;
    begin_with(engine, COUNT_OF(engine), &options);
    car.life_every_ms = 20;
    run_ms(&car, 6000);
    car.asleep = true; /* replies cease while the bus still runs down */
    assert_int_equal(run_to_end(&car), LT_ASK_REPLIES_CEASE);
    size_t before = car.sent_count;
    run_ms(&car, 60000);
    assert_int_equal(car.sent_count, before);
}

#define TEST(name) cmocka_unit_test_teardown(test_##name, stop)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(no_other_service_can_be_built),
        TEST(frames_of_other_services_are_held_back),
        TEST(only_request_identifiers_are_sent_to),
        TEST(numbers_that_no_service_has_are_refused),
        TEST(more_than_six_together_is_no_request),
        TEST(listens_before_the_first_question),
        TEST(engine_speed_comes_from_the_engine_alone),
        TEST(masks_are_asked_first_and_no_further_than_needed),
        TEST(what_the_masks_leave_out_is_unsupported_and_not_asked),
        TEST(never_more_than_five_frames_a_second_flow_control_among_them),
        TEST(flow_control_counts_where_every_reply_needs_it),
        TEST(the_rate_can_be_lower),
        TEST(jitter_comes_from_the_seed_alone),
        TEST(a_vehicle_number_comes_in_parts_after_flow_control),
        TEST(codes_are_read_of_each_controller),
        TEST(it_says_when_it_has_something_to_do),
        TEST(the_moment_when_silence_means_key_off_is_named),
        TEST(several_values_come_in_one_request_where_the_car_takes_it),
        TEST(several_values_are_tried_once_then_asked_one_by_one),
        TEST(29_bits_are_tried_when_11_are_not_answered),
        TEST(29_bits_come_first_where_they_were_heard),
        TEST(where_nobody_answers_it_gives_up_soon),
        TEST(a_controller_deaf_to_requests_to_it_alone_is_asked_with_all),
        TEST(uds_is_asked_where_service_01_is_silent),
        TEST(uds_is_tried_for_a_value_that_service_01_promises_and_does_not_give),
        TEST(locked_is_told_from_unsupported),
        TEST(a_locked_service_01_is_locked_and_not_unsupported),
        TEST(waits_while_a_reply_is_pending),
        TEST(a_late_reply_counts_and_makes_it_patient),
        TEST(error_frames_hold_it_and_going_on_ends_it),
        TEST(lost_arbitration_is_no_error),
        TEST(bus_off_ends_it_for_good),
        TEST(frames_that_do_not_go_out_end_it),
        TEST(yields_to_another_tester),
        TEST(a_tester_at_work_is_waited_for_before_the_first_question),
        TEST(no_flow_control_for_replies_to_somebody_else),
        TEST(stops_within_seconds_when_replies_cease),
        TEST(stops_within_seconds_when_the_bus_goes_quiet_though_replies_come),
        TEST(a_bus_that_runs_down_with_a_few_frames_counts_as_quiet),
        TEST(a_bus_that_speaks_in_bursts_is_not_quiet_between_them),
        TEST(the_other_bus_going_quiet_stops_it_too),
        TEST(an_engine_that_stands_long_behind_a_gateway_ends_it),
        TEST(begins_again_when_the_bus_wakes_if_wished),
        TEST(traffic_that_never_stopped_does_not_wake_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
