/* A live bus in the place of a file: what is told apart before any frame. Frames are in
 * tests/kernel, which has a bus. Nothing here is said of the machine the test runs on: it may have
 * CAN or not. */
#include "unit.h"

#include "folder.h"

#include "loomtap/capture/reader.h"

static void a_name_with_the_word_before_it_is_a_bus_unless_a_file_has_it(void **state)
{
    (void)state;
    char here[512];
    const char text[] = "(1.000000) can0 123#11\n";
    struct lt_reader *reader;
    assert_true(lt_reader_is_live("can:can0"));
    assert_true(lt_reader_is_live("can:can0,can1"));
    assert_false(lt_reader_is_live("can0"));
    assert_false(lt_reader_is_live("./can:can0"));
    assert_false(lt_reader_is_live("-"));
    assert_non_null(getcwd(here, sizeof here));
    assert_int_equal(chdir(folder), 0);
    FILE *file = fopen("can:can0", "w");
    assert_non_null(file);
    fputs(text, file);
    fclose(file);
    assert_false(lt_reader_is_live("can:can0"));
    assert_int_equal(lt_reader_open(&reader, "can:can0", NULL, NULL), LT_OK);
    assert_int_equal(lt_reader_form(reader), LT_FORM_CANDUMP_LOG);
    lt_reader_free(reader);
    assert_int_equal(unlink("can:can0"), 0);
    assert_int_equal(chdir(here), 0);
}

static void a_bus_that_is_none_is_a_fault_of_the_device(void **state)
{
    (void)state;
    const char *const names[] = {"can:", "can:,", "can:no_such_bus0",
                                 "can:no_such_bus0,no_such_bus0",
                                 "can:a_name_longer_than_an_interface_can_have"};
    for (size_t i = 0; i < COUNT_OF(names); i++) {
        struct lt_reader *reader = NULL;
        struct lt_error error;
        assert_int_equal(lt_reader_open(&reader, names[i], NULL, &error), LT_E_DEVICE);
        assert_int_equal(error.code, LT_E_DEVICE);
        assert_null(reader);
    }
}

static void more_buses_than_can_be_are_refused(void **state)
{
    (void)state;
    char name[512] = "can:a";
    struct lt_reader *reader = NULL;
    for (size_t at = 5, i = 0; i < LT_BUSES_MAX; i++)
        at += (size_t)snprintf(name + at, sizeof name - at, ",b%zu", i);
    assert_int_equal(lt_reader_open(&reader, name, NULL, NULL), LT_E_LIMIT);
}

static void it_is_read_alone(void **state)
{
    (void)state;
    const char *const both[] = {"can:can0", "can:can1"};
    struct lt_reader *reader = NULL;
    assert_int_equal(lt_reader_open_all(&reader, both, 2, NULL, NULL), LT_E_CONFLICT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_name_with_the_word_before_it_is_a_bus_unless_a_file_has_it),
        cmocka_unit_test(a_bus_that_is_none_is_a_fault_of_the_device),
        cmocka_unit_test(more_buses_than_can_be_are_refused),
        cmocka_unit_test(it_is_read_alone),
    };
    return cmocka_run_group_tests(tests, make_folder, drop_folder);
}
