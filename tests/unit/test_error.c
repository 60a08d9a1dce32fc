/* Error records as people see them, and lists of them. */
#include "unit.h"

#include "loomtap/base/error.h"

static void the_place_comes_first(void **state)
{
    struct lt_error error;
    char text[512];
    (void)state;
    assert_int_equal(lt_fail(&error, LT_E_RANGE, "bit %d is past the end", 70), LT_E_RANGE);
    lt_error_at(&error, "car.ini", 12, 11);
    lt_error_advise(&error, "use 0..63");
    lt_error_print(&error, text, sizeof text);
    assert_string_equal(text, "car.ini:12:11: error: bit 70 is past the end\n    use 0..63");
    lt_error_at(&error, "car.ini", 0, 0);
    error.advice[0] = 0;
    error.severity = LT_SEVERITY_WARNING;
    lt_error_print(&error, text, sizeof text);
    assert_string_equal(text, "car.ini: warning: bit 70 is past the end");
    lt_error_print(&error, text, 12);
    assert_string_equal(text, "car.ini: wa");
}

static void without_a_record_only_the_code_comes_back(void **state)
{
    (void)state;
    assert_int_equal(lt_fail(NULL, LT_E_IO, "%s", "x"), LT_E_IO);
    lt_error_at(NULL, "x", 1, 1);
    lt_error_advise(NULL, "y");
}

static void a_list_counts_what_it_does_not_keep(void **state)
{
    struct lt_faults faults;
    struct lt_error error;
    (void)state;
    lt_faults_init(&faults, 5);
    for (int i = 0; i < 9; i++) {
        lt_fail(&error, LT_E_SYNTAX, "%d", i);
        error.severity = i % 3 ? LT_SEVERITY_ERROR : LT_SEVERITY_WARNING;
        lt_faults_add(&faults, &error);
    }
    assert_int_equal(faults.count, 5);
    assert_int_equal(faults.errors, 6);
    assert_int_equal(faults.warnings, 3);
    assert_string_equal(faults.items[4].text, "4");
    lt_faults_release(&faults);
}

static void every_code_has_a_name_and_a_sentence(void **state)
{
    (void)state;
#define LOOK(name, number, text)                                                                   \
    assert_string_equal(lt_code_name(name), #name);                                                \
    assert_true(strlen(lt_code_text(name)) > 3);
    LT_CODES(LOOK)
#undef LOOK
    assert_string_equal(lt_code_name((enum lt_code)999), "LT_E_?");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_place_comes_first),
        cmocka_unit_test(without_a_record_only_the_code_comes_back),
        cmocka_unit_test(a_list_counts_what_it_does_not_keep),
        cmocka_unit_test(every_code_has_a_name_and_a_sentence),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
