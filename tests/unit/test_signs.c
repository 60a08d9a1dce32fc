/* Error reports into signs (classes and details: Linux include/uapi/linux/can/error.h), and signs
 * into likely causes (ISO 11898-1 and -2; what is only common practice is marked so). */
#include "unit.h"

#include "loomtap/live/signs.h"

/* Class bits of an error report. */
enum {
    CRTL = 0x004,
    PROT = 0x008,
    TRX = 0x010,
    ACK = 0x020,
    OFF = 0x040,
    ANY = 0x080,
    CNT = 0x200
};

static struct lt_frame report(uint32_t class, uint8_t controller, uint8_t kind, uint8_t place)
{
    return (struct lt_frame){.id = class,
                             .len = 8,
                             .flags = LT_FRAME_ERROR,
                             .data = {0, controller, kind, place, 0, 0, 0, 0}};
}

static void add(struct lt_bus_signs *signs, struct lt_frame frame, unsigned times)
{
    while (times-- > 0)
        lt_bus_signs_add(signs, &frame);
}

static const struct lt_frame whole = {.id = 0x100, .len = 8};

static void each_kind_of_report_is_counted_by_what_it_says(void **state)
{
    (void)state;
    static const struct {
        uint32_t class;
        uint8_t controller, kind, place;
        enum lt_bus_sign sign;
        bool is_error;
    } rows[] = {
        {PROT, 0, 0x04, 0, LT_SIGN_STUFF, true},     {PROT, 0, 0x02, 0, LT_SIGN_FORM, true},
        {PROT, 0, 0x01, 0, LT_SIGN_BIT, true},       {PROT, 0, 0x08, 0, LT_SIGN_BIT, true},
        {PROT, 0, 0x10, 0, LT_SIGN_BIT, true},       {PROT, 0, 0x20, 0, LT_SIGN_OVERLOAD, true},
        {PROT, 0, 0, 0x08, LT_SIGN_CRC, true},       {PROT, 0, 0, 0x18, LT_SIGN_CRC, true},
        {PROT, 0, 0, 0x09, LT_SIGN_FD_PLACE, true},  {PROT, 0, 0, 0x0D, LT_SIGN_FD_PLACE, true},
        {PROT, 0, 0, 0x19, LT_SIGN_ACK_PLACE, true}, {PROT, 0, 0, 0x1B, LT_SIGN_ACK_PLACE, true},
        {PROT, 0, 0, 0, LT_SIGN_UNTOLD, true},       {ANY, 0, 0, 0, LT_SIGN_UNTOLD, true},
        {CRTL, 0x04, 0, 0, LT_SIGN_WARNING, true},   {CRTL, 0x10, 0, 0, LT_SIGN_PASSIVE, true},
        {CRTL, 0x01, 0, 0, LT_SIGN_OVERFLOW, false}, {OFF, 0, 0, 0, LT_SIGN_BUS_OFF, true},
        {ACK, 0, 0, 0, LT_SIGN_NO_ACK, true},        {PROT, 0, 0x81, 0, LT_SIGN_SENDING, true},
    };
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        struct lt_bus_signs signs = {0};
        add(&signs, report(rows[i].class, rows[i].controller, rows[i].kind, rows[i].place), 3);
        assert_int_equal(signs.signs[rows[i].sign], 3);
        assert_int_equal(signs.errors, rows[i].is_error ? 3 : 0);
        assert_int_equal(signs.reports, 3);
        assert_int_equal(signs.frames, 0);
    }
}

static void back_to_active_is_no_error(void **state)
{
    (void)state;
    struct lt_bus_signs signs = {0};
    add(&signs, report(CRTL, 0x40, 0, 0), 1);
    assert_int_equal(signs.reports, 1);
    assert_int_equal(signs.errors, 0);
}

static void counters_in_reports_are_kept_at_their_most(void **state)
{
    (void)state;
    /* Linux can-utils' example 20000204#000400000000600A: TEC 96, REC 10. */
    struct lt_frame frame = report(CRTL | CNT, 0x04, 0, 0);
    struct lt_bus_signs signs = {0};
    frame.data[6] = 0x60;
    frame.data[7] = 0x0A;
    add(&signs, frame, 1);
    frame.data[6] = 1;
    add(&signs, frame, 1);
    assert_int_equal(signs.transmit_most, 96);
    assert_int_equal(signs.receive_most, 10);
}

static void own_frames_and_fd_frames_are_apart(void **state)
{
    (void)state;
    struct lt_bus_signs signs = {0}, twice = {0};
    add(&signs, whole, 2);
    add(&signs, (struct lt_frame){.flags = LT_FRAME_SENT}, 1);
    add(&signs, (struct lt_frame){.flags = LT_FRAME_FD | LT_FRAME_BRS}, 1);
    add(&signs, (struct lt_frame){.flags = LT_FRAME_FD}, 1);
    lt_bus_signs_join(&twice, &signs);
    lt_bus_signs_join(&twice, &signs);
    assert_int_equal(twice.frames, 8);
    assert_int_equal(twice.own_frames, 2);
    assert_int_equal(twice.fd_frames, 4);
    assert_int_equal(twice.switched_frames, 2);
    assert_true(lt_bus_is_clean(&signs, 4));
    assert_false(lt_bus_is_clean(&signs, 5));
}

/* ---- causes ---- */

static struct lt_cause causes[LT_CAUSE_COUNT];
static size_t count;

static unsigned weight_of(enum lt_cause_kind kind)
{
    for (size_t i = 0; i < count; i++)
        if (causes[i].kind == kind)
            return causes[i].weight;
    return 0;
}

static void judge(const struct lt_bus_signs *signs, bool searched, bool fd, bool listen_only)
{
    count = lt_bus_causes(
        &(struct lt_cause_view){
            .signs = signs, .searched = searched, .fd = fd, .listen_only = listen_only},
        causes);
    for (size_t i = 1; i < count; i++)
        assert_true(causes[i].weight <= causes[i - 1].weight);
}

static void a_clean_bus_has_no_cause(void **state)
{
    (void)state;
    struct lt_bus_signs signs = {0};
    add(&signs, whole, 100);
    judge(&signs, false, false, true);
    assert_int_equal(count, 0);
}

/* ISO 11898-2: a difference of minus 2 V is recessive, so swapped wires are silence, not errors. */
static void silence_is_sleep_or_wires_but_never_terminators(void **state)
{
    (void)state;
    struct lt_bus_signs signs = {0};
    judge(&signs, true, false, true);
    assert_int_equal(causes[0].kind, LT_CAUSE_SLEEPING);
    assert_int_equal(weight_of(LT_CAUSE_SWAPPED), 2);
    assert_int_equal(weight_of(LT_CAUSE_NOT_THERE), 2);
    assert_int_equal(weight_of(LT_CAUSE_TERMINATORS), 0);
    assert_int_equal(weight_of(LT_CAUSE_RATE), 0);
    judge(&signs, false, false, true); /* many adapters tell no single errors */
    assert_int_equal(causes[0].kind, LT_CAUSE_SLEEPING);
    assert_int_equal(weight_of(LT_CAUSE_RATE), 2);
}

static void errors_without_a_frame_are_the_wrong_rate_unless_all_were_tried(void **state)
{
    (void)state;
    struct lt_bus_signs signs = {0};
    add(&signs, report(PROT, 0, 0x04, 0), 20);
    add(&signs, report(PROT, 0, 0x02, 0), 20);
    judge(&signs, false, false, true);
    assert_int_equal(causes[0].kind, LT_CAUSE_RATE);
    assert_int_equal(causes[0].weight, 3);
    judge(&signs, true, false, true);
    assert_int_equal(weight_of(LT_CAUSE_RATE), 0);
    assert_int_equal(weight_of(LT_CAUSE_TERMINATORS), 2);
    assert_int_equal(weight_of(LT_CAUSE_GROUND), 2);
    count = lt_bus_causes(
        &(struct lt_cause_view){
            .signs = &signs, .searched = true, .some_missing = true, .listen_only = true},
        causes);
    assert_int_equal(causes[0].kind, LT_CAUSE_OTHER_RATE);
}

/* ISO 11898-1: FDF is recessive where a classic frame has a reserved bit. */
static void form_and_stuff_errors_among_whole_frames_are_fd(void **state)
{
    (void)state;
    struct lt_bus_signs signs = {0};
    add(&signs, whole, 100);
    add(&signs, report(PROT, 0, 0x02, 0), 30);
    add(&signs, report(PROT, 0, 0x04, 0), 10);
    judge(&signs, false, false, true);
    assert_int_equal(causes[0].kind, LT_CAUSE_FD);
    assert_int_equal(causes[0].weight, 3);
    assert_false(lt_bus_is_clean(&signs, 16));
    judge(&signs, false, true, true); /* with FD on it is its second rate */
    assert_int_equal(weight_of(LT_CAUSE_FD), 0);
    assert_int_equal(causes[0].kind, LT_CAUSE_DATA_RATE);
}

static void errors_at_the_reserved_bit_are_fd_whatever_their_kind(void **state)
{
    (void)state;
    struct lt_bus_signs signs = {0};
    add(&signs, whole, 100);
    add(&signs, report(PROT, 0, 0x01, 0x09), 10);
    judge(&signs, false, false, true);
    assert_int_equal(causes[0].kind, LT_CAUSE_FD);
}

/* Common practice: ringing breaks frames anywhere, so their checksums too. */
static void checksum_errors_among_whole_frames_are_terminators(void **state)
{
    (void)state;
    struct lt_bus_signs signs = {0};
    add(&signs, whole, 100);
    add(&signs, report(PROT, 0, 0, 0x08), 30);
    add(&signs, report(PROT, 0, 0x04, 0), 10);
    judge(&signs, false, false, true);
    assert_int_equal(causes[0].kind, LT_CAUSE_TERMINATORS);
    assert_int_equal(weight_of(LT_CAUSE_GROUND), 2);
}

static void rare_errors_are_a_contact_and_no_terminator(void **state)
{
    (void)state;
    struct lt_bus_signs signs = {0};
    add(&signs, whole, 5000);
    add(&signs, report(PROT, 0, 0, 0x08), 2);
    judge(&signs, false, false, true);
    assert_int_equal(causes[0].kind, LT_CAUSE_CONTACT);
    assert_int_equal(weight_of(LT_CAUSE_TERMINATORS), 0);
}

/* ISO 11898-1: without an acknowledgement the sender breaks off at the ACK delimiter. */
static void errors_at_the_acknowledgement_are_a_lone_sender(void **state)
{
    (void)state;
    struct lt_bus_signs signs = {0};
    add(&signs, report(PROT, 0, 0x02, 0x1B), 50);
    judge(&signs, false, false, true);
    assert_int_equal(causes[0].kind, LT_CAUSE_LONE);
    assert_int_equal(weight_of(LT_CAUSE_RATE), 1);
}

static void who_only_listens_cannot_miss_an_acknowledgement(void **state)
{
    (void)state;
    struct lt_bus_signs signs = {0};
    add(&signs, report(ACK, 0, 0, 0), 1);
    assert_true(lt_bus_signs_of_sending(&signs));
    judge(&signs, false, false, true);
    assert_int_equal(causes[0].kind, LT_CAUSE_NOT_LISTENING);
    judge(&signs, false, false, false);
    assert_int_equal(weight_of(LT_CAUSE_NOT_LISTENING), 0);
    assert_int_equal(weight_of(LT_CAUSE_NOBODY), 3);
}

static void the_transceiver_and_a_full_memory_speak_for_themselves(void **state)
{
    (void)state;
    struct lt_frame frame = report(TRX, 0, 0, 0);
    struct lt_bus_signs signs = {0};
    frame.data[4] = 0x04; /* CAN_H: no wire */
    add(&signs, whole, 100);
    add(&signs, frame, 1);
    add(&signs, report(CRTL, 0x01, 0, 0), 1);
    judge(&signs, false, false, true);
    assert_int_equal(weight_of(LT_CAUSE_WIRE), 3);
    assert_int_equal(weight_of(LT_CAUSE_SLOW), 3);
}

/* The sentences stand for themselves in docs/getting-on-a-bus.md by their words. */
static void every_cause_and_sign_has_word_sentence_and_advice(void **state)
{
    (void)state;
    for (int i = 0; i < LT_CAUSE_COUNT; i++) {
        assert_true(strlen(lt_cause_text(i)) > 20 && strlen(lt_cause_advice(i)) > 10);
        for (int j = 0; j < i; j++)
            assert_string_not_equal(lt_cause_word(i), lt_cause_word(j));
    }
    for (int i = 0; i < LT_SIGN_COUNT; i++)
        for (int j = 0; j < i; j++)
            assert_string_not_equal(lt_sign_word(i), lt_sign_word(j));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_kind_of_report_is_counted_by_what_it_says),
        cmocka_unit_test(back_to_active_is_no_error),
        cmocka_unit_test(counters_in_reports_are_kept_at_their_most),
        cmocka_unit_test(own_frames_and_fd_frames_are_apart),
        cmocka_unit_test(a_clean_bus_has_no_cause),
        cmocka_unit_test(silence_is_sleep_or_wires_but_never_terminators),
        cmocka_unit_test(errors_without_a_frame_are_the_wrong_rate_unless_all_were_tried),
        cmocka_unit_test(form_and_stuff_errors_among_whole_frames_are_fd),
        cmocka_unit_test(errors_at_the_reserved_bit_are_fd_whatever_their_kind),
        cmocka_unit_test(checksum_errors_among_whole_frames_are_terminators),
        cmocka_unit_test(rare_errors_are_a_contact_and_no_terminator),
        cmocka_unit_test(errors_at_the_acknowledgement_are_a_lone_sender),
        cmocka_unit_test(who_only_listens_cannot_miss_an_acknowledgement),
        cmocka_unit_test(the_transceiver_and_a_full_memory_speak_for_themselves),
        cmocka_unit_test(every_cause_and_sign_has_word_sentence_and_advice),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
