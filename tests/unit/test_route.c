/* Frames to messages of a plan (src/proto/route.c): senders, suspect frames, diagnostic answers,
 * J1939 transport. */
#include "unit.h"

#include "loomtap/defs/load.h"
#include "loomtap/proto/route.h"
#include "proto_frame.h"

static const char profile_text[] =
    "[profile]\nformat = 1\nname = small\n"
    "[bus one]\n[bus two]\n"
    "[frame plain]\nbus = one\nid = 0x100\nlength = 3\ncounter = 1.3..1.0\n"
    "checksum = xor over 0..1 in 2\n"
    "[signal a]\nframe = plain\nbits = 0.7..0.0\n"
    "[frame group]\nbus = one\npgn = 65262\nlength = 8\n"
    "[signal warmth]\nframe = group\nbits = 0.7..0.0\noffset = -40\nunit = °C\n"
    "[frame long_group]\nbus = one\npgn = 65251\nlength = 39\n"
    "[signal far]\nframe = long_group\nbits = 20.7..20.0\n"
    "[parameter speed]\nbus = two\nservice = 0x01\npid = 0x0C\n"
    "[signal speed_asked]\nparameter = speed\nbits = 0.7..1.0\norder = motorola\n"
    "[parameter codes]\nservice = 0x01\npid = 0x05\n"
    "[signal coolant]\nparameter = codes\nbits = 0.7..0.0\noffset = -40\n";

static struct lt_profile *profile;
static struct lt_plan *plan;
static struct lt_route *route;
static unsigned taken;
static struct lt_message last;
static const char *last_name;
static uint64_t last_raw;

static void take(void *context, const struct lt_message *message)
{
    (void)context;
    taken++;
    last = *message;
    last_name = message->plan->def ? message->plan->def->name : message->plan->parameter->name;
    last_raw = lt_field_fetch(&message->plan->fields[0], message->data);
}

static int begin(void **state)
{
    struct lt_faults faults;
    (void)state;
    lt_faults_init(&faults, 0);
    enum lt_code code =
        lt_profile_load_memory(&profile, "t.ini", lt_text_of(profile_text), &faults);
    for (size_t i = 0; i < faults.count; i++)
        print_message("%s\n", faults.items[i].text);
    assert_int_equal(code, LT_OK);
    lt_faults_release(&faults);
    const struct lt_profile *profiles[] = {profile};
    const struct lt_binding bindings[] = {{0, 0, 0}, {0, 1, 1}};
    assert_int_equal(lt_plan_new(&plan, profiles, 1, bindings, 2, NULL, NULL), LT_OK);
    struct lt_route_setup setup = {plan, profiles, 1, bindings, 2};
    assert_int_equal(lt_route_new(&route, &setup, take, NULL, NULL), LT_OK);
    taken = 0;
    return 0;
}

static int end(void **state)
{
    (void)state;
    lt_route_free(route);
    lt_plan_free(plan);
    lt_profile_free(profile);
    return 0;
}

static bool feed(const char *text, uint16_t bus)
{
    static int64_t time_ns;
    struct lt_frame frame = frame_of(text, time_ns += MS);
    frame.bus = bus;
    return lt_route_frame(route, &frame);
}

static void frames_of_the_bound_bus_alone(void **state)
{
    (void)state;
    assert_true(feed("100#5A015B", 0));
    assert_int_equal(taken, 1);
    assert_int_equal(last_raw, 0x5A);
    assert_false(feed("100#5A0258", 1));
    assert_false(feed("101#5A0258", 0));
    assert_int_equal(taken, 1);
}

static void counter_and_checksum_make_suspect(void **state)
{
    (void)state;
    feed("100#5A015B", 0);
    assert_false(last.suspect);
    feed("100#5B015A", 0); /* the counter stands still */
    assert_true(last.suspect);
    feed("100#5B0200", 0); /* the check is wrong */
    assert_true(last.suspect);
    feed("100#5B03", 0); /* the check is cut off */
    assert_true(last.suspect);
    feed("100#5B045F", 0);
    assert_false(last.suspect);
}

/* SAE J1939-71: PGN 65262, engine temperature 1; byte 1 with offset -40. */
static void the_first_sender_of_a_group_is_taken(void **state)
{
    (void)state;
    assert_true(feed("18FEEE00#7DFFFFFFFFFFFFFF", 0));
    assert_int_equal(last_raw, 0x7D);
    assert_true(feed("18FEEE01#10FFFFFFFFFFFFFF", 0));
    assert_int_equal(taken, 1);
    assert_int_equal(lt_route_other_senders(route), 1);
    lt_route_restart(route);
    assert_true(feed("18FEEE01#10FFFFFFFFFFFFFF", 0));
    assert_int_equal(taken, 2);
}

/* SAE J1939-21: announced to all (BAM), 39 bytes in six packets. */
static void a_transported_group_is_one_message(void **state)
{
    (void)state;
    feed("1CECFF00#20270006FFE3FE00", 0);
    feed("1CEBFF00#0101020304050607", 0);
    feed("1CEBFF00#0208090A0B0C0D0E", 0);
    feed("1CEBFF00#030F101112131415", 0);
    feed("1CEBFF00#04161718191A1B1C", 0);
    feed("1CEBFF00#051D1E1F20212223", 0);
    assert_int_equal(taken, 0);
    assert_true(feed("1CEBFF00#0624252627FFFFFF", 0));
    assert_int_equal(taken, 1);
    assert_string_equal(last_name, "long_group");
    assert_int_equal(last.len, 39);
    assert_int_equal(last_raw, 21); /* byte 20, counted from 0: values count from 1 */
}

/* SAE J1979 worked example: 41 0C 1A F8; and two numbers in one reply. */
static void answers_on_their_bus(void **state)
{
    (void)state;
    assert_false(feed("7E8#04410C1AF8", 0));
    assert_int_equal(taken, 0);
    assert_true(feed("7E8#04410C1AF8", 1));
    assert_int_equal(last_raw, 0x1AF8);
    feed("7DF#03010C05", 1);
    assert_true(feed("7E8#06410C1AF8057D", 1));
    assert_int_equal(taken, 3);
    assert_string_equal(last_name, "codes");
    assert_int_equal(last_raw, 0x7D);
    assert_false(feed("7E8#037F0112", 1)); /* refused */
    assert_int_equal(taken, 3);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
#define T(name) cmocka_unit_test_setup_teardown(name, begin, end)
        T(frames_of_the_bound_bus_alone),
        T(counter_and_checksum_make_suspect),
        T(the_first_sender_of_a_group_is_taken),
        T(a_transported_group_is_one_message),
        T(answers_on_their_bus),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
