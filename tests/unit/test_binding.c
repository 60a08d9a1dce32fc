/* Which bus of a capture stands for which of a profile: said, named, alone, or by identifiers. */
#include "unit.h"

#include "loomtap/core/binding.h"

static const char *const names[] = {"can0", "can1"};
static struct lt_frame frames[3];
static struct lt_frame_def defs[2];
static struct lt_bus_def buses[2];
static struct lt_profile profile;

static const char *bus_name(const void *context, size_t bus)
{
    (void)context;
    return names[bus];
}

static const struct lt_frame *frame_at(const void *context, size_t index)
{
    (void)context;
    return &frames[index];
}

/* Identifier 1 (twice) on can1, identifier 2 on can0; the profile's buses a and b. */
static struct lt_bind fresh(void)
{
    static const struct lt_profile *list[] = {&profile};
    frames[0] = (struct lt_frame){.id = 1, .bus = 1};
    frames[1] = (struct lt_frame){.id = 2, .bus = 0};
    frames[2] = (struct lt_frame){.id = 1, .bus = 1};
    defs[0] = (struct lt_frame_def){.name = "one", .bus = 0, .id = 1};
    defs[1] = (struct lt_frame_def){.name = "two", .bus = 1, .id = 2};
    buses[0] = (struct lt_bus_def){.name = "a"};
    buses[1] = (struct lt_bus_def){.name = "b"};
    profile.buses = buses;
    profile.bus_count = 2;
    profile.frames = defs;
    profile.frame_count = 2;
    return (struct lt_bind){.profiles = list,
                            .profile_count = 1,
                            .bus_name = bus_name,
                            .bus_count = 2,
                            .frame = frame_at,
                            .frame_count = 3};
}

static void expect(const struct lt_bind *bind, uint32_t a, uint32_t b)
{
    struct lt_arena arena;
    struct lt_binding *found;
    size_t count;
    lt_arena_init(&arena, 0);
    assert_int_equal(lt_bind_buses(bind, &arena, &found, &count, NULL), LT_OK);
    assert_int_equal(count, 2);
    assert_int_equal(found[0].capture_bus, a);
    assert_int_equal(found[1].capture_bus, b);
    lt_arena_release(&arena);
}

static void a_bus_is_where_its_identifiers_are(void **state)
{
    struct lt_bind bind = fresh();
    (void)state;
    expect(&bind, 1, 0);
}

static void the_interface_goes_before_identifiers(void **state)
{
    struct lt_bind bind = fresh();
    (void)state;
    buses[1].interface = "can1";
    expect(&bind, LT_NONE, 1); /* can1 is taken, and can0 has none of its identifiers */
}

static void what_was_said_goes_first(void **state)
{
    struct lt_bind bind = fresh();
    struct lt_bus_said said[] = {{LT_TEXT("a"), LT_TEXT("can0")}};
    (void)state;
    buses[0].interface = "can1";
    bind.said = said;
    bind.said_count = 1;
    expect(&bind, 0, LT_NONE);
}

static void a_bus_that_no_profile_has_is_an_error(void **state)
{
    struct lt_bind bind = fresh();
    struct lt_bus_said said[] = {{LT_TEXT("c"), LT_TEXT("can0")}};
    struct lt_arena arena;
    struct lt_binding *found;
    struct lt_error error;
    size_t count;
    (void)state;
    bind.said = said;
    bind.said_count = 1;
    lt_arena_init(&arena, 0);
    assert_int_equal(lt_bind_buses(&bind, &arena, &found, &count, &error), LT_E_UNKNOWN);
    assert_non_null(strstr(error.text, "`c`"));
    lt_arena_release(&arena);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_bus_is_where_its_identifiers_are),
        cmocka_unit_test(the_interface_goes_before_identifiers),
        cmocka_unit_test(what_was_said_goes_first),
        cmocka_unit_test(a_bus_that_no_profile_has_is_an_error),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
